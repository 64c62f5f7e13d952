//! Readings into files of the archive and back.

use super::super::archive::as_kept;
use super::archive::{all, reading, three_days};
use super::*;
use proptest::prelude::*;

/// By way of the tables a file is byte for byte what it is straight from the readings, the unusual ones too.
#[test]
fn the_tables_take_nothing_from_a_reading_and_add_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(dir.path()).unwrap();
    let odd = [
        f32::NAN,
        f32::INFINITY,
        -0.0,
        3e9,
        1e-9,
        0.123_456_79,
        -24.999_99,
    ];
    let batch: Vec<Entry> = (0..400)
        .map(|k: i64| {
            let value = odd[k as usize % 7];
            let mut reading = reading(k);
            reading.i_bond = match k % 5 {
                0 => BondCurrent::NotMeasured(words::REASONS[k as usize % 14]),
                1 => BondCurrent::Measured {
                    dc: Amps(value),
                    rms: Amps(0.5),
                },
                2 => BondCurrent::Measured {
                    dc: Amps(0.25),
                    rms: Amps(value),
                },
                _ => reading.i_bond,
            };
            if k % 3 == 0 {
                (reading.v_pos, reading.v_neg) = (Some(Volts(value)), Some(Volts(-1.5)));
            }
            if k % 4 == 0 {
                reading.insulation = Insulation::NotMeasured {
                    why: words::REASONS[k as usize % 13],
                    since: SampleIndex(u64::MAX - k as u64),
                };
            }
            if k % 11 == 0
                && let Insulation::Measured { leakage, .. } = &mut reading.insulation
            {
                leakage.c = Farads(value);
            }
            reading.state = words::STATES[k as usize % 7];
            reading.bond_open = k % 2 == 0;
            Entry::Reading {
                board: BOARD,
                boot: 3 + u32::from(k > 200),
                t_us: k / 2 * 1_000_000,
                reading,
            }
        })
        .collect();
    store.write(&batch).unwrap();
    let file_of = |rows: &mut dyn Iterator<Item = StoredReading>| {
        let path = dir.path().join("x.parquet");
        let mut writer = crate::store::archive::FileWriter::create(&path, BOARD).unwrap();
        rows.for_each(|row| writer.push(&row).unwrap());
        writer.finish().unwrap();
        std::fs::read(&path).unwrap()
    };
    let straight = file_of(&mut batch.iter().map(|entry| match entry {
        Entry::Reading {
            boot,
            t_us,
            reading,
            ..
        } => StoredReading {
            boot: *boot,
            t_us: *t_us,
            reading: *reading,
        },
        _ => unreachable!(),
    }));
    assert!(straight == file_of(&mut all(&store).into_iter()));
}

#[test]
fn an_exported_file_is_whole_or_not_there() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = three_days(dir.path());
    store.seal(BOARD, 0).unwrap();
    let out = dir.path().join("handed-over.parquet");
    assert_eq!(
        store
            .export_parquet(BOARD, 80_000_000_000..100_000_000_000, &out)
            .unwrap(),
        33
    );
    assert!(out.exists() && !dir.path().join("handed-over.parquet.part").exists());
    let fault = store
        .export_parquet(BOARD, 0..10, &dir.path().join("no/such/folder.parquet"))
        .unwrap_err();
    assert!(
        matches!(fault, StoreError::ArchiveUnwritable { .. }),
        "{fault}"
    );
}

fn through_a_file(rows: &[StoredReading]) -> Vec<StoredReading> {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("x.parquet");
    let mut writer = crate::store::archive::FileWriter::create(&path, BOARD).unwrap();
    for row in rows {
        writer.push(row).unwrap();
    }
    writer.finish().unwrap();
    let (bytes, _) = crate::store::archive::bytes_of(&path).unwrap();
    crate::store::archive::DayRows::open(bytes, &path)
        .unwrap()
        .map(Result::unwrap)
        .collect()
}

/// Currents of whole µA and voltages of whole mV, made as `firmware/src/monitor/talk.rs` makes them: back to the bit, over the whole
/// range of the front end.
#[test]
fn what_a_board_sends_comes_back_to_the_bit() {
    let rows: Vec<StoredReading> = (0..60_000_i32)
        .map(|k| {
            let (ua, mv) = (
                k.wrapping_mul(69_621) % 25_000_000,
                k.wrapping_mul(7_919) % 1_500_000,
            );
            let mut reading = reading(i64::from(k));
            reading.i_bond = BondCurrent::Measured {
                dc: Amps(ua as f32 * 1e-6),
                rms: Amps(ua.abs() as f32 * 1e-6),
            };
            reading.v_pos = Some(Volts(mv as f32 * 1e-3));
            reading.v_neg = (k % 3 != 0).then_some(Volts(-mv as f32 * 1e-3));
            StoredReading {
                boot: 3,
                t_us: i64::from(k),
                reading,
            }
        })
        .collect();
    assert_eq!(through_a_file(&rows), rows);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    /// Any numbers: current within half a µA, voltage within half a mV (and the last bit of an `f32`), the rest to the bit; what has no
    /// code to the bit as well.
    #[test]
    fn any_reading_comes_back_within_the_stated_step(
        numbers in prop::collection::vec((any::<f32>(), -30.0_f32..30.0, -1500.0_f32..1500.0, any::<u64>()), 1..40),
    ) {
        let mut rows = Vec::new();
        for (k, (any, amps, volts, at)) in numbers.into_iter().enumerate() {
            let mut reading = reading(7);
            reading.at = SampleIndex(at);
            reading.i_bond = match k % 4 {
                0 => BondCurrent::Measured { dc: Amps(any), rms: Amps(amps) },
                1 => BondCurrent::NotMeasured(words::REASONS[at as usize % 14]),
                _ => BondCurrent::Measured { dc: Amps(amps), rms: Amps(amps.abs()) },
            };
            // From the tables a voltage that is no number comes as none.
            reading.v_pos = Some(Volts(if k % 5 == 0 { any } else { volts })).filter(|v| !v.0.is_nan());
            reading.v_neg = Some(Volts(-volts));
            reading.insulation = if k % 2 == 0 {
                Insulation::NotMeasured { why: words::REASONS[at as usize % 14], since: SampleIndex(at / 2) }
            } else {
                let g = if any.is_nan() { f32::NAN } else { any };
                Insulation::Measured {
                    leakage: PoleLeakage { g_pos: Siemens(g), g_neg: Siemens(amps), g_sigma: Siemens(volts), c: Farads(g), c_sigma: Farads(0.0) },
                    at: SampleIndex(at),
                }
            };
            reading.state = words::STATES[at as usize % 7];
            reading.bond_open = at % 2 == 0;
            rows.push(StoredReading { boot: (at >> 32) as u32, t_us: k as i64 - 5, reading });
        }
        let back = through_a_file(&rows);
        prop_assert_eq!(back.len(), rows.len());
        for (row, back) in rows.iter().zip(&back) {
            prop_assert!(back.is_same(&as_kept(row)), "{:?} {:?}", row, back);
            prop_assert!(as_kept(back).is_same(back), "keeping twice changes nothing");
            let near = |a: f32, b: f32, step: f64| {
                let (a, b) = (f64::from(a), f64::from(b));
                (a.is_nan() && b.is_nan()) || a.to_bits() == b.to_bits() || (a - b).abs() <= step / 2.0 + a.abs() * 2.0_f64.powi(-22)
            };
            if let (BondCurrent::Measured { dc, rms }, BondCurrent::Measured { dc: dc_back, rms: rms_back }) = (row.reading.i_bond, back.reading.i_bond) {
                prop_assert!(near(dc.0, dc_back.0, 1e-6) && near(rms.0, rms_back.0, 1e-6), "{dc} {dc_back}");
            }
            let volts = |r: &Reading| [r.v_pos, r.v_neg].map(|v| v.map_or(f32::NAN, |v| v.0));
            for (a, b) in volts(&row.reading).into_iter().zip(volts(&back.reading)) {
                prop_assert!(near(a, b, 1e-3), "{a} {b}");
            }
            let rest = |row: &StoredReading| StoredReading {
                reading: Reading { i_bond: BondCurrent::NotMeasured(NotMeasured::BondOpen), v_pos: None, v_neg: None, ..row.reading },
                ..*row
            };
            prop_assert!(rest(row).is_same(&rest(back)));
        }
    }
}
