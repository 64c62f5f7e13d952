//! Long times come from hours' own extremes, and are the same as from all rows.

use super::super::reduce::severity;
use super::*;
use std::collections::BTreeMap;

const HOUR_US: i64 = 3_600_000_000;

/// Forty days, a reading every four minutes, with excursions, missing values and a gap of two days. 10 000 readings of a walk that has no pattern.
fn rows() -> Vec<StoredReading> {
    use rand::{RngExt, SeedableRng};
    let mut draw = rand_pcg::Pcg64::seed_from_u64(11);
    let mut walk: i32 = 0;
    (0..14_400_i64)
        .filter(|k| !(5_000..5_720).contains(k))
        .map(|k| {
            walk += draw.random_range(-50..=50);
            let mut reading = reading(240 * k);
            let spike = if draw.random_range(0..300) == 0 {
                1_000_000
            } else {
                0
            };
            reading.i_bond = match draw.random_range(0..200) {
                0 => BondCurrent::NotMeasured(NotMeasured::BondOpen),
                _ => BondCurrent::Measured {
                    dc: Amps((walk - spike) as f32 * 1e-6),
                    rms: Amps((walk.abs() + spike) as f32 * 1e-6),
                },
            };
            if draw.random_range(0..100) == 0 {
                reading.insulation = Insulation::NotMeasured {
                    why: NotMeasured::ArrayDark,
                    since: reading.at,
                };
            } else if let Insulation::Measured { leakage, at } = &mut reading.insulation {
                *at = SampleIndex(reading.at.0 / 14_400_000 * 14_400_000);
                leakage.g_pos = Siemens((at.0 % 977) as f32 * 1e-9);
            }
            if draw.random_range(0..500) == 0 {
                reading.state = TripState::FailedToOpen;
            }
            StoredReading {
                boot: 3,
                t_us: 240_000_000 * k,
                reading,
            }
        })
        .collect()
}

fn extremes(rows: &[StoredReading]) -> Vec<String> {
    let mut found = Vec::new();
    let mut most = |name: &str, of: &dyn Fn(&Reading) -> Option<f32>| {
        let values = || rows.iter().filter_map(|row| of(&row.reading));
        found.push(format!(
            "{name} {:?} {:?}",
            values().reduce(f32::min),
            values().reduce(f32::max)
        ));
    };
    let current = |r: &Reading| match r.i_bond {
        BondCurrent::Measured { dc, rms } => Some((dc.0, rms.0)),
        BondCurrent::NotMeasured(_) => None,
    };
    let total = |r: &Reading| match r.insulation {
        Insulation::Measured { leakage, .. } => Some(leakage.g_total().0),
        Insulation::NotMeasured { .. } => None,
    };
    most("dc", &|r| current(r).map(|c| c.0));
    most("rms", &|r| current(r).map(|c| c.1));
    most("g", &total);
    found.push(format!(
        "{:?}",
        rows.iter()
            .map(|row| severity(row.reading.state))
            .reduce(f32::max)
    ));
    let has = |of: &dyn Fn(&Reading) -> bool| {
        let times: Vec<_> = rows
            .iter()
            .filter(|row| of(&row.reading))
            .map(|row| row.t_us)
            .collect();
        format!("{:?} {:?}", times.first(), times.last())
    };
    found.push(has(&|r| current(r).is_none()));
    found.push(has(&|r| total(r).is_none()));
    found.push(has(&|_| true));
    found
}

#[test]
fn of_each_bucket_the_extremes_are_those_of_all_its_rows() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(dir.path()).unwrap();
    let all = rows();
    let entries: Vec<Entry> = all
        .iter()
        .map(|row| Entry::Reading {
            board: BOARD,
            boot: 3,
            t_us: row.t_us,
            reading: row.reading,
        })
        .collect();
    for batch in entries.chunks(3000) {
        store.write(batch).unwrap();
    }
    // Sealed, half sealed, late, waiting: it must not matter.
    for date in 0..20 {
        store.seal(BOARD, date).unwrap();
    }
    let range = 1_234_567_890..39 * 24 * HOUR_US + 777;
    let within: Vec<_> = all
        .iter()
        .filter(|row| range.contains(&row.t_us))
        .copied()
        .collect();
    for at_most in [160, 1000, 3200] {
        let given = store.readings(BOARD, range.clone(), at_most).unwrap();
        assert_eq!(given.stored, within.len() as u64);
        assert!(
            given.rows.len() <= at_most,
            "{} of {at_most}",
            given.rows.len()
        );
        assert!(given.rows.is_sorted_by_key(|row| row.t_us));
        let width_us = given.spacing_us - 3 * 240_000_000;
        assert!(width_us >= HOUR_US && width_us % HOUR_US == 0, "{width_us}");
        let start_us = range.start / HOUR_US * HOUR_US;
        let cut = |rows: &[StoredReading]| {
            let mut buckets: BTreeMap<i64, Vec<StoredReading>> = BTreeMap::new();
            for row in rows {
                buckets
                    .entry((row.t_us - start_us) / width_us)
                    .or_default()
                    .push(*row);
            }
            buckets
        };
        let (given, exact) = (cut(&given.rows), cut(&within));
        assert!(given.keys().eq(exact.keys()));
        for (bucket, rows) in &exact {
            assert_eq!(
                extremes(&given[bucket]),
                extremes(rows),
                "bucket {bucket} of {at_most}"
            );
            assert!(given[bucket].len() <= 16);
        }
    }
    assert!(
        store
            .db
            .query_row("SELECT count(*) FROM hour_rows", [], |row| row
                .get::<_, i64>(0))
            .unwrap()
            > 800
    );
}

#[test]
fn a_time_that_is_not_long_comes_from_rows() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(dir.path()).unwrap();
    let batch: Vec<_> = (0..7200).map(|k| reading_entry(k, reading(k))).collect();
    store.write(&batch).unwrap();
    store.seal(BOARD, 0).unwrap();
    assert_eq!(
        store
            .readings(BOARD, 100_000_000..3_700_000_000, 3600)
            .unwrap()
            .rows
            .len(),
        3600
    );
    let reduced = store
        .readings(BOARD, 100_000_000..3_700_000_000, 320)
        .unwrap();
    assert_eq!((reduced.stored, reduced.spacing_us), (3600, 183_000_000));
}
