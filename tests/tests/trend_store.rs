//! A year of readings in a store, most of it sealed: the trend gets each measurement back, from roll-ups, without reading the days' files.

use ohmward::store::Keeper;
use ohmward::store::{Entry, Rules, Store, Turn};
use ohmward::trend::record::from_store;
use ohmward_proto::measure::{PoleLeakage, TripState};
use ohmward_proto::message::{BoardId, Hello};
use ohmward_proto::{
    Amps, BondCurrent, Farads, Insulation, NotMeasured, Reading, SampleIndex, Settings, Siemens,
    Volts,
};
use ohmward_tests::years::{Fate, Year, year};
use std::time::Instant;

const BOARD: BoardId = BoardId(0xc3);
const RATE_HZ: u32 = 4000;
const STEP_S: i64 = 300;

/// A reading every five minutes, as a recorder keeps it: each repeats the last measurement; 0 V and no value in the dark.
fn write(store: &mut Store, year: &Year) -> i64 {
    let start_us = (year.start_s * 1e6) as i64;
    let looks = &year.record.looks;
    let end_s = looks.last().expect("looks").t_s + 3600.0;
    let settings = Settings::SMALL_BONDED;
    let mut batch = vec![
        Entry::Run {
            board: BOARD,
            hello: Hello {
                protocol: 1,
                firmware: (0, 1, 2),
                board: BOARD,
                boot: 1,
                at: SampleIndex(0),
                sample_rate_hz: RATE_HZ,
                settings_hash: settings.hash(),
                calibration_id: 12,
                epoch_unix_ms: None,
            },
            received_us: start_us,
        },
        Entry::Settings {
            board: BOARD,
            settings,
        },
    ];
    let at = |t_s: f64| SampleIndex(((t_s - year.start_s) * f64::from(RATE_HZ)).round() as u64);
    let mut t_s = year.start_s;
    while t_s < end_s {
        let last = looks[..looks.partition_point(|look| look.t_s <= t_s)].last();
        let fresh = last.filter(|look| t_s - look.t_s < 1.5 * 1800.0);
        batch.push(Entry::Reading {
            board: BOARD,
            boot: 1,
            t_us: (t_s * 1e6) as i64,
            reading: Reading {
                at: at(t_s),
                i_bond: BondCurrent::Measured {
                    dc: Amps(1e-3),
                    rms: Amps(2e-3),
                },
                v_pos: Some(Volts(fresh.and_then(|look| look.v_v).unwrap_or(0.0) as f32)),
                v_neg: Some(Volts(0.0)),
                insulation: fresh.map_or(
                    Insulation::NotMeasured {
                        why: NotMeasured::ArrayDark,
                        since: at(t_s),
                    },
                    |look| Insulation::Measured {
                        leakage: PoleLeakage {
                            g_pos: Siemens(look.g_pos_s as f32),
                            g_neg: Siemens(look.g_neg_s as f32),
                            g_sigma: Siemens(look.g_sigma_s as f32),
                            c: Farads(look.c_f as f32),
                            c_sigma: Farads(1e-9),
                        },
                        at: at(look.t_s),
                    },
                ),
                state: TripState::Closed,
                bond_open: false,
            },
        });
        t_s += STEP_S as f64;
        if batch.len() >= 5000 {
            store.write(&batch).expect("writes");
            batch.clear();
        }
    }
    store.write(&batch).expect("writes");
    (end_s * 1e6) as i64
}

fn compare(year: &Year, store: &Store) {
    let found = from_store(store, BOARD).expect("a record");
    let truth = &year.record.looks;
    assert_eq!(found.looks.len(), truth.len());
    for (found, look) in found.looks.iter().zip(truth) {
        assert!((found.t_s - look.t_s).abs() < 1e-3);
        assert!(
            (found.g_s() / look.g_s() - 1.0).abs() < 1e-5
                || (found.g_s() - look.g_s()).abs() < 1e-13
        );
        let (found_v, v) = (
            found.v_v.expect("readings near it"),
            look.v_v.expect("volts"),
        );
        // A minute with one reading gives it back to the millivolt.
        assert!((found_v - v).abs() < 2e-3, "{found_v} {v}");
    }
    let days = found.days();
    let same = year.record.days();
    assert_eq!(days.len(), same.len());
    for (day, same) in days.iter().zip(&same) {
        assert_eq!(day.measured, same.measured);
        let hour_of = |look: &Option<ohmward::trend::days::Look>| look.map(|look| look.t_s.round());
        assert_eq!(
            hour_of(&day.lowest),
            hour_of(&same.lowest),
            "day {}",
            day.day
        );
        if let Some(leakage_a) = day.leakage_a {
            assert!((leakage_a - 1e-3).abs() < 1e-6, "{leakage_a}");
        }
    }
    // The board was silent for a few days in all, and measured whenever it was lit.
    let shares: Vec<f64> = days.iter().map(|day| day.not_measured_share).collect();
    let middle = ohmward::trend::statistics::median(&shares).expect("days");
    assert!(middle < 0.1, "{middle}");
}

#[test]
fn measurements_come_back_from_roll_ups_hot_and_cold() {
    let days: usize = std::env::var("OHMWARD_TREND_DAYS")
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or(45);
    let year = year(77_000, Fate::OnePlace, days);
    let dir = tempfile::tempdir().expect("a folder");
    let end_us;
    {
        let mut store = Store::open_or_create(dir.path()).expect("a store");
        end_us = write(&mut store, &year);
        compare(&year, &store);
        let mut keeper = Keeper::new(Rules::default());
        loop {
            match keeper.turn(&mut store, end_us).expect("keeps") {
                Turn::Sealed(_) => {}
                Turn::Busy(wait) => std::thread::sleep(wait),
                Turn::Nothing(_) => break,
            }
        }
        compare(&year, &store);
    }
    // A cold store, as `trend` opens it.
    let store = Store::open_existing(dir.path()).expect("a store");
    let start = Instant::now();
    let record = from_store(&store, BOARD).expect("a record");
    let read_ms = start.elapsed().as_secs_f64() * 1e3;
    let day_features = record.days();
    let features_ms = start.elapsed().as_secs_f64() * 1e3;
    let start = Instant::now();
    let mut rows = 0;
    store
        .each_reading(BOARD, &(0..i64::MAX), |_| {
            rows += 1;
            Ok::<_, ohmward::store::StoreError>(())
        })
        .expect("reads");
    println!(
        "all {rows} readings one by one take {:.0} ms",
        start.elapsed().as_secs_f64() * 1e3
    );
    println!(
        "{days} days read in {read_ms:.0} ms, {} measurements; with features {features_ms:.0} ms",
        day_features.iter().map(|day| day.measured).sum::<u32>(),
    );
    // What has been dropped by rule is in the roll-ups still.
    drop(store);
    let rules = Rules {
        drop_archive_after_days: Some(10),
        ..Rules::default()
    };
    let mut store = Store::open_or_create(dir.path()).expect("a store");
    assert!(store.drop_old(&rules, end_us).expect("drops") > 0);
    compare(&year, &store);
}
