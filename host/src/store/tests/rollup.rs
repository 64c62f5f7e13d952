//! Roll-ups against a brute-force oracle, whatever order readings come in and wherever they stand.

use super::super::archive::as_kept;
use super::folder::downgrade;
use super::*;
use proptest::prelude::*;
use std::collections::BTreeMap;

/// 2026-05-03T22:00Z, so that two hours on there is another day.
const START_US: i64 = 1_777_845_600_000_000;

fn at(t_us: i64) -> SampleIndex {
    SampleIndex((t_us / 250) as u64) // 4000 a second
}

fn entry(t_us: i64, boot: u32, reading: Reading) -> Entry {
    Entry::Reading {
        board: BOARD,
        boot,
        t_us: START_US + t_us,
        reading,
    }
}

/// A reading some time after the start, with a measurement that is some steps of ten minutes old or a reason.
fn any_entry() -> impl Strategy<Value = Entry> {
    let current = prop_oneof![
        4 => (-2_000_000_i32..2_000_000, 0_i32..3_000_000).prop_map(|(dc, rms)| BondCurrent::Measured {
            dc: Amps(dc as f32 * 1e-6),
            rms: Amps(rms as f32 * 1e-6),
        }),
        1 => (-30.0_f32..30.0).prop_map(|a| BondCurrent::Measured { dc: Amps(a), rms: Amps(a.abs()) }),
        1 => Just(BondCurrent::NotMeasured(NotMeasured::BondOpen)),
        1 => Just(BondCurrent::NotMeasured(NotMeasured::WindowFilling)),
        1 => Just(BondCurrent::Measured { dc: Amps(f32::NAN), rms: Amps(f32::INFINITY) }),
    ];
    let volts = prop::option::of(-600_000_i32..600_000);
    let insulation = prop_oneof![
        3 => (0_i64..4, 0_i64..300).prop_map(|(age, jitter)| (true, age, jitter)),
        1 => Just((false, 0, 0)),
    ];
    let state = prop::sample::select(words::STATES.to_vec());
    let time = prop_oneof![0_i64..400, 0_i64..20_000, 0_i64..200_000];
    (
        time,
        1_u32..3,
        current,
        volts.clone(),
        volts,
        insulation,
        state,
        any::<bool>(),
    )
        .prop_map(
            |(s, boot, i_bond, v_pos, v_neg, (measured, age, jitter), state, bond_open)| {
                let t_us = s * 1_000_000;
                let made_us = ((s / 600 - age) * 600).max(0) * 1_000_000;
                let insulation = if measured {
                    // The same measurement is the same in every reading that repeats it.
                    let g = (made_us / 600_000_000 + 1) as f32 * 1.3e-7;
                    Insulation::Measured {
                        leakage: PoleLeakage {
                            g_pos: Siemens(g),
                            g_neg: Siemens(-g / 3.0),
                            g_sigma: Siemens(1e-9),
                            c: Farads(g * 0.1),
                            c_sigma: Farads(1e-9),
                        },
                        at: at(made_us),
                    }
                } else {
                    Insulation::NotMeasured {
                        why: NotMeasured::ArrayDark,
                        since: at(made_us),
                    }
                };
                let reading = Reading {
                    at: at(t_us),
                    i_bond,
                    v_pos: v_pos.map(|mv| Volts(mv as f32 * 1e-3)),
                    v_neg: v_neg.map(|mv| Volts(mv as f32 * 1e-3)),
                    insulation,
                    state,
                    bond_open,
                };
                // The host's clock is set now and then: times of readings wander against the board's count.
                entry(t_us + jitter * 1000, boot, reading)
            },
        )
}

fn run(boot: u32) -> Entry {
    Entry::Run {
        board: BOARD,
        hello: Hello { boot, ..hello() },
        received_us: START_US,
    }
}

/// What is kept of many: of one run and count the first.
fn kept(entries: &[Entry]) -> Vec<StoredReading> {
    let mut by_key = BTreeMap::new();
    for entry in entries {
        if let Entry::Reading {
            boot,
            t_us,
            reading,
            ..
        } = entry
        {
            by_key.entry((*boot, reading.at)).or_insert(StoredReading {
                boot: *boot,
                t_us: *t_us,
                reading: *reading,
            });
        }
    }
    by_key.into_values().collect()
}

#[derive(Default, Debug)]
struct Oracle {
    readings: u64,
    values: [Vec<i64>; 8],
    current_missing: u64,
    insulation_missing: u64,
    no_numbers: u64,
    worst: f32,
}

/// By the plainest means: every value of every stretch in a list.
fn oracle(rows: &[StoredReading], level: Level) -> BTreeMap<i64, Oracle> {
    let mut all: BTreeMap<i64, Oracle> = BTreeMap::new();
    let put = |all: &mut BTreeMap<i64, Oracle>, t_us, quantity: Quantity, value: f32| {
        let of = all.entry(level.start_us(t_us)).or_default();
        match quantity.code(value) {
            Some(code) => of.values[quantity as usize].push(code),
            None => of.no_numbers += 1,
        }
    };
    let mut measurements: BTreeMap<(u32, SampleIndex), (SampleIndex, i64, PoleLeakage)> =
        BTreeMap::new();
    for row in rows {
        let r = as_kept(row).reading;
        let of = all.entry(level.start_us(row.t_us)).or_default();
        of.readings += 1;
        of.worst = of.worst.max(reduce::severity(r.state));
        match r.i_bond {
            BondCurrent::Measured { dc, rms } => {
                put(&mut all, row.t_us, Quantity::BondDc, dc.0);
                put(&mut all, row.t_us, Quantity::BondRms, rms.0);
            }
            BondCurrent::NotMeasured(_) => of.current_missing += 1,
        }
        for (quantity, volts) in [(Quantity::VPos, r.v_pos), (Quantity::VNeg, r.v_neg)] {
            if let Some(volts) = volts {
                put(&mut all, row.t_us, quantity, volts.0);
            }
        }
        match r.insulation {
            Insulation::Measured { leakage, at } => {
                let age_us = (r.at.0 - at.0) as i64 * 250;
                let told = measurements.entry((row.boot, at)).or_insert((
                    r.at,
                    row.t_us - age_us,
                    leakage,
                ));
                if r.at < told.0 {
                    *told = (r.at, row.t_us - age_us, leakage);
                }
            }
            Insulation::NotMeasured { .. } => {
                all.entry(level.start_us(row.t_us))
                    .or_default()
                    .insulation_missing += 1;
            }
        }
    }
    for (_, t_us, l) in measurements.into_values() {
        put(&mut all, t_us, Quantity::GPos, l.g_pos.0);
        put(&mut all, t_us, Quantity::GNeg, l.g_neg.0);
        put(&mut all, t_us, Quantity::RIso, l.r_iso().bound().0);
        put(&mut all, t_us, Quantity::C, l.c.0);
    }
    all
}

fn agree(rollup: &Rollup, oracle: &mut Oracle) {
    assert_eq!(rollup.readings, oracle.readings);
    let share = |n: u64| (oracle.readings > 0).then(|| n as f64 / oracle.readings as f64);
    assert_eq!(
        rollup.current_missing_share(),
        share(oracle.current_missing)
    );
    assert_eq!(
        rollup.insulation_missing_share(),
        share(oracle.insulation_missing)
    );
    assert_eq!(rollup.no_numbers, oracle.no_numbers);
    let worst = rollup.worst.map_or(0.0, reduce::severity);
    assert!(
        (worst - oracle.worst).abs() < 0.5,
        "{worst} {}",
        oracle.worst
    );
    for quantity in Quantity::ALL {
        let spread = rollup.of(quantity);
        let values = &mut oracle.values[quantity as usize];
        values.sort_unstable();
        assert_eq!(spread.count(), values.len() as u64, "{quantity:?}");
        assert_eq!(spread.min(), values.first().copied());
        assert_eq!(spread.max(), values.last().copied());
        let sum: i128 = values.iter().map(|v| i128::from(*v)).sum();
        assert_eq!(
            spread.mean(),
            (!values.is_empty()).then(|| sum as f64 / values.len() as f64)
        );
        for q in [0.05, 0.5, 0.95] {
            let Some(got) = spread.quantile(q) else {
                assert!(values.is_empty());
                continue;
            };
            let exact = values[((q * values.len() as f64).ceil() as usize).max(1) - 1];
            assert!(
                got.abs_diff(exact) <= exact.unsigned_abs() / 256,
                "{quantity:?} {q}: {got} {exact}"
            );
        }
    }
}

fn every(store: &Store, level: Level) -> BTreeMap<i64, Rollup> {
    store
        .rollups(BOARD, level, 0..i64::MAX / 2)
        .unwrap()
        .into_iter()
        .collect()
}

const LEVELS: [Level; 3] = [Level::Minute, Level::Hour, Level::Day];

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, ..ProptestConfig::default() })]

    /// Readings in one order; then the same shuffled, some repeated, cut into batches, days sealed in between, the store opened anew.
    #[test]
    fn order_repetition_and_sealing_change_no_rollup(
        entries in prop::collection::vec(any_entry(), 1..160),
        shuffle in any::<u64>(),
        repeated in prop::collection::vec(any::<prop::sample::Index>(), 0..40),
        batch in 1_usize..60,
    ) {
        use rand::SeedableRng;
        use rand::seq::SliceRandom;
        let rows = kept(&entries);
        let in_order = tempfile::tempdir().unwrap();
        let mut first = Store::open_or_create(in_order.path()).unwrap();
        let of_rows: Vec<Entry> = [run(1), run(2)].into_iter().chain(rows.iter().map(|row| Entry::Reading {
            board: BOARD, boot: row.boot, t_us: row.t_us, reading: row.reading,
        })).collect();
        first.write(&of_rows).unwrap();

        let mut mixed: Vec<Entry> = of_rows[2..].to_vec();
        for index in repeated {
            mixed.push(mixed[index.index(rows.len())].clone());
        }
        mixed.shuffle(&mut rand_pcg::Pcg64::seed_from_u64(shuffle));
        let dir = tempfile::tempdir().unwrap();
        let mut store = Store::open_or_create(dir.path()).unwrap();
        store.write(&of_rows[..2]).unwrap();
        let mut new = 0;
        for (k, part) in mixed.chunks(batch).enumerate() {
            new += store.write(part).unwrap().new.readings;
            match (shuffle >> (k % 60)) % 4 {
                0 => { store.seal(BOARD, START_US.div_euclid(86_400_000_000) + k as i64 % 3).unwrap(); }
                1 => { drop(store); store = Store::open_or_create(dir.path()).unwrap(); }
                2 => { store.work_off_rollups().unwrap(); }
                _ => {}
            }
        }
        prop_assert_eq!(new, rows.len() as u64);
        for worked_off in [false, true] {
            for level in LEVELS {
                let mut oracle = oracle(&rows, level);
                let (ordered, mixed) = (every(&first, level), every(&store, level));
                prop_assert_eq!(&ordered, &mixed);
                prop_assert_eq!(mixed.len(), oracle.len());
                for (start, rollup) in &mixed {
                    agree(rollup, oracle.get_mut(start).unwrap());
                }
            }
            let report = store.check(&CheckOptions::default()).unwrap();
            prop_assert_eq!(&report.faults, &Vec::<String>::new());
            prop_assert_eq!(report.readings, rows.len() as u64);
            if !worked_off {
                store.work_off_rollups().unwrap();
                first.work_off_rollups().unwrap();
            }
        }
        let all = |store: &Store| store.readings(BOARD, 0..i64::MAX, 1000).unwrap().rows;
        let (a, b) = (all(&first), all(&store));
        prop_assert_eq!(a.len(), b.len());
        prop_assert!(a.iter().zip(&b).all(|(a, b)| as_kept(a).is_same(&as_kept(b))));
    }
}

/// What stood in a store before there were roll-ups is rolled up, chained and checked as if it had come in now.
#[test]
fn a_store_of_an_older_program_gets_rollups_of_what_it_holds() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(dir.path()).unwrap();
    let mut batch = vec![run(3), event(7, tripped()), event(7, EventKind::Reset)];
    batch.extend((0..300).map(|k| entry(k * 30_000_000, 3, super::reading(k * 30))));
    store.write(&batch).unwrap();
    let before = LEVELS.map(|level| every(&store, level));
    let insulation = |store: &Store| -> Vec<String> {
        let mut query = store.db.prepare("SELECT * FROM insulation").unwrap();
        let rows = query.query_map([], |row| {
            Ok((0..10)
                .map(|k| format!("{:?}", row.get_ref(k).unwrap()))
                .collect::<Vec<_>>()
                .join(" "))
        });
        rows.unwrap().map(Result::unwrap).collect()
    };
    let noted = insulation(&store);
    assert_eq!(noted.len(), 1, "one measurement, repeated 300 times");
    drop(store);
    downgrade(dir.path(), 2);
    let reader = Store::open_existing(dir.path()).unwrap();
    assert_eq!(
        LEVELS
            .map(|level| every(&reader, level))
            .map(|all| all.len()),
        before.clone().map(|all| all.len())
    );
    assert!(reader.check(&CheckOptions::default()).unwrap().notes[0].contains("older program"));
    drop(reader);
    let mut store = Store::open_or_create(dir.path()).unwrap();
    assert_eq!(insulation(&store), noted);
    assert_eq!(LEVELS.map(|level| every(&store, level)), before);
    store.work_off_rollups().unwrap();
    assert_eq!(LEVELS.map(|level| every(&store, level)), before);
    let report = store.check(&CheckOptions::default()).unwrap();
    assert_eq!((report.faults, report.events), (vec![], 2));
}
