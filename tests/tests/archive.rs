//! The archive read by others: Python's pandas and pyarrow against our own CSV, its sqlite3 against the database.

use ohmward::export::span::save_csv;
use ohmward::store::{Entry, Store};
use ohmward_proto::event::{Event, EventId, EventKind};
use ohmward_proto::measure::{Channel, NotMeasured, TripState};
use ohmward_proto::message::BoardId;
use ohmward_proto::{
    Amps, BondCurrent, Farads, Insulation, PoleLeakage, Reading, SampleIndex, Siemens, Volts,
};
use std::path::Path;
use std::process::Command;

const DAY_S: i64 = 86_400;

/// Made up: a pattern that takes every column through values, gaps and reasons.
fn reading(k: i64) -> Reading {
    let at = SampleIndex(4_000 * k as u64);
    let small = (k * 7_919) % 4_001 - 2_000;
    Reading {
        at,
        i_bond: match k % 97 {
            0 => BondCurrent::NotMeasured(NotMeasured::BondOpen),
            1 => BondCurrent::NotMeasured(NotMeasured::SensorLost(Channel::IFine)),
            2 => BondCurrent::Measured {
                dc: Amps(f32::NAN),
                rms: Amps(f32::NAN),
            },
            3 => BondCurrent::Measured {
                dc: Amps(-24.999_99),
                rms: Amps(24.999_99),
            },
            _ => BondCurrent::Measured {
                dc: Amps(small as f32 * 1e-6),
                rms: Amps(small.abs() as f32 * 1e-6),
            },
        },
        v_pos: (k % 89 != 0).then_some(Volts((380_000 + small) as f32 * 1e-3)),
        v_neg: (k % 83 != 0).then_some(Volts(small as f32 * 1e-3)),
        insulation: if k % 5_000 < 1_000 {
            Insulation::NotMeasured {
                why: NotMeasured::ArrayDark,
                since: SampleIndex(7),
            }
        } else {
            let g = (k / 1_800 % 50) as f32 * 3.3e-8 - 1e-9;
            Insulation::Measured {
                leakage: PoleLeakage {
                    g_pos: Siemens(g),
                    g_neg: Siemens(0.7 * g),
                    g_sigma: Siemens(1e-9),
                    c: Farads(1.1e-7 + g / 10.0),
                    c_sigma: Farads(2e-10),
                },
                at: SampleIndex(4_000 * (k / 1_800 * 1_800) as u64),
            }
        },
        state: if k % 9_001 == 5 {
            TripState::FailedToOpen
        } else {
            TripState::Closed
        },
        bond_open: k % 97 == 0,
    }
}

#[test]
fn pandas_reads_the_archive_as_our_csv_has_it() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path().join("store");
    let mut store = Store::open_or_create(&dir).unwrap();
    let boards = [BoardId(0x00c0_ffee), BoardId(0x0102_0304_0506_0708)];
    for (board, step) in boards.into_iter().zip([20, 450]) {
        let batch: Vec<Entry> = (0..2 * DAY_S / step)
            .map(|k| Entry::Reading {
                board,
                boot: 1 + u32::from(k * step > DAY_S + 400),
                t_us: 1_777_766_400_000_000 + k * step * 1_000_000 + k % 7,
                reading: reading(k * step),
            })
            .collect();
        store.write(&batch).unwrap();
        for date in [20_576, 20_577] {
            let sealed = store
                .seal(board, date)
                .unwrap()
                .expect("there is something of that day");
            assert_eq!(sealed.rows as i64, DAY_S / step);
        }
    }
    let event = Event {
        id: EventId { boot: 1, seq: 0 },
        at: SampleIndex(5),
        kind: EventKind::Reset,
    };
    store
        .write(&[Entry::Event {
            board: boards[0],
            t_us: 1_777_766_400_000_000,
            host_us: 1_777_766_400_000_000,
            t_sigma_us: None,
            event,
        }])
        .unwrap();
    let csv = folder.path().join("csv");
    let written = save_csv(&store, &boards, (None, None), &csv).unwrap();
    assert_eq!(written.readings as i64, 2 * DAY_S / 20 + 2 * DAY_S / 450);

    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("reference/archive_pandas.py");
    let run = |folder: &Path, csv: &Path| {
        Command::new("python3")
            .arg(&script)
            .arg(folder)
            .arg(csv)
            .output()
    };
    let required = std::env::var_os("OHMWARD_REQUIRE_TOOLS").is_some();
    let output = match run(&dir, &csv.join("readings.csv")) {
        Ok(output) if output.status.code() != Some(77) => output,
        skipped => {
            assert!(!required, "{skipped:?}");
            eprintln!("skipped: {skipped:?}");
            return;
        }
    };
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(
        output.status.success(),
        "{said}{}",
        String::from_utf8_lossy(&output.stderr)
    );
    assert!(said.contains("9024 readings of 2 boards agree"), "{said}");

    // That it can fail: one number of the CSV changed.
    let text = std::fs::read_to_string(csv.join("readings.csv")).unwrap();
    let changed = folder.path().join("changed.csv");
    let line = text.lines().nth(500).unwrap();
    let mut fields: Vec<&str> = line.split(',').collect();
    fields[7] = "123.4";
    std::fs::write(&changed, text.replacen(line, &fields.join(","), 1)).unwrap();
    let output = run(&dir, &changed).unwrap();
    assert_eq!(output.status.code(), Some(1), "{output:?}");
}
