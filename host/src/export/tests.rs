//! Made-up stores handed over, and read again.

use super::event::CapturedEvent;
use super::span::save_csv;
use super::wires::Wires;
use crate::bench::trace::{Expected, Trace};
use crate::comtrade::{Encoding, Layout, Record, Revision};
use crate::store::{Entry, Store, StoredEvent};
use ohmward_proto::event::{StartReason, TripCause};
use ohmward_proto::measure::{NotMeasured, TripState};
use ohmward_proto::message::{BoardId, CaptureHead, CapturePart, Hello};
use ohmward_proto::settings::Calibration;
use ohmward_proto::{
    Amps, BondCurrent, Codes, Event, EventId, EventKind, Insulation, Reading, SampleIndex, Settings,
};
use std::collections::BTreeMap;
use std::path::Path;

const BOARD: BoardId = BoardId(0xd1);
/// 2026-04-10T11:00:00.000500Z, invented.
const T_US: i64 = 1_775_818_800_000_500;
const TRIP: u64 = 100_000;

fn event(seq: u32, at: u64, kind: EventKind) -> StoredEvent {
    StoredEvent {
        board: BOARD,
        t_us: T_US + (at as i64 - TRIP as i64) * 250,
        event: Event {
            id: EventId { boot: 1, seq },
            at: SampleIndex(at),
            kind,
        },
    }
}

fn started() -> EventKind {
    EventKind::Started {
        reason: StartReason::PowerOn,
        settings_hash: 1,
    }
}

fn tripped(picked_up: u64) -> EventKind {
    EventKind::Tripped {
        cause: TripCause::SuddenChange {
            peak: Amps(-2.0),
            limit: Amps(0.03),
        },
        picked_up: SampleIndex(picked_up),
    }
}

fn opened() -> EventKind {
    EventKind::Opened { after: 100 }
}

/// Connected, tripped at [`TRIP`], opened 25 ms later; 1024 samples around the trip, 2 A from 60 ms before it on.
fn store(dir: &Path, lost: Option<u16>) -> Store {
    let mut store = Store::open_or_create(dir).expect("a store");
    let calibration = Calibration::REFERENCE;
    let id = EventId { boot: 1, seq: 2 };
    let mut batch = vec![Entry::Run {
        board: BOARD,
        hello: Hello {
            board: BOARD,
            boot: 1,
            at: SampleIndex(0),
            sample_rate_hz: 4000,
            protocol: 1,
            firmware: (0, 1, 0),
            settings_hash: Settings::SMALL_BONDED.hash(),
            calibration_id: 0,
            epoch_unix_ms: None,
        },
        received_us: T_US - 25_000_000,
    }];
    batch.push(Entry::Settings {
        board: BOARD,
        settings: Settings::SMALL_BONDED,
    });
    for stored in [
        event(0, 0, started()),
        event(1, 40_000, EventKind::Connected),
        event(2, TRIP, tripped(TRIP - 100)),
        event(3, TRIP + 100, opened()),
    ] {
        batch.push(Entry::Event {
            board: BOARD,
            t_us: stored.t_us,
            event: stored.event,
        });
    }
    batch.push(Entry::CaptureHead {
        board: BOARD,
        head: CaptureHead {
            event: id,
            first: SampleIndex(TRIP - 640),
            trigger: SampleIndex(TRIP),
            samples: 1024,
            calibration,
        },
    });
    let codes: Vec<Codes> = (0..1024_u16)
        .map(|k| {
            let i = if k < 400 { 0.01 } else { -2.0 };
            let code = |value: f32, per_count: f32| {
                ((value / per_count).round() as i32).clamp(-32_760, 32_760) as i16
            };
            Codes {
                i_fine: code(i, calibration.i_fine.per_count),
                i_wide: code(i, calibration.i_wide.per_count),
                v_pos: code(200.0, calibration.v_pos.per_count),
                v_neg: code(-0.5, calibration.v_neg.per_count),
            }
        })
        .collect();
    for (k, codes) in codes.chunks(16).enumerate() {
        let offset = k as u16 * 16;
        if Some(offset) != lost {
            batch.push(Entry::CapturePart {
                board: BOARD,
                part: CapturePart {
                    event: id,
                    offset,
                    codes: codes.iter().copied().collect(),
                },
            });
        }
    }
    store.write(&batch).expect("writes");
    store
}

const ID: EventId = EventId { boot: 1, seq: 2 };

#[test]
fn a_captured_event_is_handed_over_with_scales_trigger_and_wires() {
    let dir = tempfile::tempdir().expect("a folder");
    let store = store(&dir.path().join("store"), None);
    let captured = CapturedEvent::from_store(&store, BOARD, ID).expect("there");
    let all = [
        (Revision::Y1999, Encoding::Ascii, "a.cfg"),
        (Revision::Y1999, Encoding::Binary, "b.cfg"),
        (Revision::Y2013, Encoding::Ascii, "c.cff"),
        (Revision::Y2013, Encoding::Binary, "d.cff"),
        (Revision::Y2013, Encoding::Binary32, "e.cfg"),
        (Revision::Y2013, Encoding::Float32, "f.cff"),
    ];
    let c = Calibration::REFERENCE;
    for (revision, encoding, name) in all {
        let path = dir.path().join(name);
        captured
            .save_comtrade(&path, Layout { revision, encoding })
            .expect("writes");
        let record = Record::load(&path).expect("reads");
        assert_eq!(record.samples(), 1024);
        assert!((record.trigger_s() - 0.16).abs() < 1e-9, "{name}");
        assert_eq!(record.trigger.to_string(), "2026-04-10T11:00:00.0005");
        let bond = record.channel("I_BOND").expect("there");
        let codes = captured.data.capture.complete().expect("whole");
        for (n, codes) in codes.iter().enumerate() {
            let want = f64::from(c.i_bond(codes).0);
            let got = bond.value(n).expect("there");
            assert!(
                (got - want).abs() <= bond.a / 2.0 + 1e-7,
                "{name} {n}: {got} {want}"
            );
            let v = record
                .channel("V_POS")
                .expect("there")
                .value(n)
                .expect("there");
            assert!((v - f64::from(c.v_pos.value(codes.v_pos))).abs() < 1e-4);
        }
        let ones = |name: &str| {
            let bits: Vec<bool> = record
                .status_channel(name)
                .expect("there")
                .bits
                .iter()
                .collect();
            (
                bits.iter().position(|b| *b),
                bits.iter().filter(|b| **b).count(),
            )
        };
        assert_eq!(ones("PICKUP"), (Some(540), 101));
        assert_eq!(ones("TRIP"), (Some(640), 384));
        assert_eq!(ones("CONTACTOR"), (Some(0), 740));
        assert!(record.notes.contains("event 1.2") && record.notes.contains("licensed"));
    }
    let path = dir.path().join("g.csv");
    captured.save_csv(&path).expect("writes");
    let text = std::fs::read_to_string(&path).expect("there");
    let trigger: Vec<&str> = text.lines().nth(641).expect("there").split(',').collect();
    assert_eq!(
        (trigger[0], &trigger[4..]),
        ("0.000000000", &["1", "1", "1"][..])
    );
    // The bench reads it, and finds the onset before the pickup: 400 samples in.
    let flags = Expected {
        latest_ms: Some(100.0),
        ..Expected::default()
    };
    for path in [path, dir.path().join("e.cfg"), dir.path().join("d.cff")] {
        let trace = Trace::open(&path, &flags).expect("reads");
        assert!(
            trace
                .remarks()
                .iter()
                .any(|r| r.contains("leaves what repeated"))
        );
        let case = trace.case().expect("enough of it");
        assert!((case.fault_at_s - 0.1).abs() < 1e-9, "{}", case.fault_at_s);
    }
}

#[test]
fn samples_that_never_came_are_marked_and_no_bench_makes_them_up() {
    let dir = tempfile::tempdir().expect("a folder");
    let store = store(&dir.path().join("store"), Some(32));
    let captured = CapturedEvent::from_store(&store, BOARD, ID).expect("there");
    assert_eq!(captured.missing(), 16);
    let flags = Expected {
        latest_ms: Some(100.0),
        ..Expected::default()
    };
    for encoding in [
        Encoding::Ascii,
        Encoding::Binary,
        Encoding::Binary32,
        Encoding::Float32,
    ] {
        let path = dir.path().join("a.cfg");
        let layout = Layout {
            revision: Revision::Y2013,
            encoding,
        };
        captured.save_comtrade(&path, layout).expect("writes");
        let record = Record::load(&path).expect("reads");
        let missing: Vec<usize> = (0..1024)
            .filter(|n| record.analogs[0].value(*n).is_none())
            .collect();
        assert_eq!(missing, (32..48).collect::<Vec<_>>());
        let told = Trace::open(&path, &flags).expect_err("a hole").to_string();
        assert!(told.contains("no sample number 33"), "{told}");
    }
    let path = dir.path().join("a.csv");
    captured.save_csv(&path).expect("writes");
    let told = Trace::open(&path, &flags).expect_err("a hole").to_string();
    assert!(told.contains("a.csv:34: i_bond_a is ''"), "{told}");
}

#[test]
fn wires_say_what_events_say_and_no_more() {
    let window = SampleIndex(TRIP - 640)..SampleIndex(TRIP + 384);
    let of = |events: &[StoredEvent]| Wires::of(events, 1, window.clone());
    let closed = event(1, 40_000, EventKind::Connected);
    // Nothing told yet; a gap in the numbers; a trip whose end is not there.
    assert!(of(&[]).contactor.is_err());
    assert!(of(&[event(0, 0, started())]).contactor.is_err());
    assert!(
        of(&[closed, event(3, TRIP, tripped(TRIP))])
            .contactor
            .is_err()
    );
    let cut = of(&[closed, event(2, TRIP, tripped(TRIP - 10_000))]);
    assert!(cut.contactor.is_err_and(|why| why.contains("trip")));
    // The pickup lies before the capture.
    assert_eq!(cut.pickup.iter().filter(|p| **p).count(), 641);
    // A surge on a connected array.
    let surge = event(
        2,
        TRIP,
        EventKind::Surge {
            peak: Amps(9.0),
            samples: 3,
        },
    );
    let quiet = of(&[closed, surge]);
    assert_eq!(quiet.contactor, Ok(vec![true; 1024]));
    assert!(!quiet.pickup.contains(&true) && !quiet.trip.contains(&true));
    // It was open before, latched by an earlier trip, and reset meanwhile.
    let latched = of(&[
        closed,
        event(2, 50_000, tripped(49_990)),
        event(3, 50_100, opened()),
        event(4, TRIP + 10, EventKind::Reset),
    ]);
    assert_eq!(latched.contactor, Ok(vec![false; 1024]));
    assert_eq!(latched.trip.iter().filter(|t| **t).count(), 650);
    assert!(!latched.pickup.contains(&true));
    // It does not open: still closed.
    let welded = of(&[
        closed,
        event(2, TRIP, tripped(TRIP)),
        event(3, TRIP + 300, EventKind::FailedToOpen),
    ]);
    assert_eq!(welded.contactor, Ok(vec![true; 1024]));
    // Closing within the capture: how it stood before was not told.
    let late = of(&[event(0, 0, started()), event(1, TRIP, EventKind::Connected)]);
    assert!(late.contactor.is_err());
    // Another run of the board says nothing of this one.
    let mut other = closed;
    other.event.id.boot = 2;
    assert!(of(&[other]).contactor.is_err());
}

fn reading(k: u64, i_bond: BondCurrent) -> Entry {
    Entry::Reading {
        board: BOARD,
        boot: 1,
        t_us: T_US + k as i64 * 1_000_000,
        reading: Reading {
            at: SampleIndex(TRIP + 4000 * k),
            i_bond,
            v_pos: None,
            v_neg: Some(ohmward_proto::Volts(-1.5)),
            insulation: Insulation::NotMeasured {
                why: NotMeasured::ArrayDark,
                since: SampleIndex(7),
            },
            state: TripState::Closed,
            bond_open: false,
        },
    }
}

#[test]
fn readings_and_events_become_tables_with_reasons() {
    let dir = tempfile::tempdir().expect("a folder");
    let mut store = store(&dir.path().join("store"), None);
    let measured = |dc: f32| BondCurrent::Measured {
        dc: Amps(dc),
        rms: Amps(0.25),
    };
    store
        .write(&[
            reading(0, measured(-0.125)),
            reading(1, BondCurrent::NotMeasured(NotMeasured::BondOpen)),
            reading(200_000, measured(f32::NAN)),
        ])
        .expect("writes");
    let out = dir.path().join("out");
    let written = save_csv(&store, &[BOARD], (None, None), &out).expect("writes");
    assert_eq!((written.readings, written.events), (3, 4));
    let table = |name: &str| -> Vec<BTreeMap<String, String>> {
        let mut reader = csv::Reader::from_path(out.join(name)).expect("there");
        reader
            .deserialize()
            .collect::<Result<_, _>>()
            .expect("a table")
    };
    let readings = table("readings.csv");
    let cell = |row: usize, name: &str| readings[row][name].clone();
    assert_eq!(cell(0, "time_utc"), "2026-04-10T11:00:00.000500Z");
    assert_eq!(
        (cell(0, "i_bond_dc_a"), cell(0, "i_bond_reason")),
        ("-0.125".into(), String::new())
    );
    assert_eq!(
        (cell(1, "i_bond_dc_a"), cell(1, "i_bond_reason")),
        (String::new(), "bond-open".into())
    );
    assert_eq!(
        (cell(2, "i_bond_dc_a"), cell(2, "i_bond_reason")),
        (String::new(), "sent-as-no-number".into())
    );
    assert_eq!(
        (cell(0, "v_pos_v"), cell(0, "v_pos_reason")),
        (String::new(), "sensor-lost-v-pos".into())
    );
    assert_eq!(
        (cell(0, "v_neg_v"), cell(0, "v_neg_reason")),
        ("-1.5".into(), String::new())
    );
    assert_eq!(
        (cell(0, "r_iso_ohm"), cell(0, "insulation_reason")),
        (String::new(), "array-dark".into())
    );
    let events = table("events.csv");
    assert_eq!(events[2]["kind"], "tripped");
    assert!(
        events[2]["detail"].contains("picked_up_at_sample"),
        "{events:?}"
    );
    // One second of it: the end is not part.
    let range = (Some(T_US), Some(T_US + 1_000_000));
    let written = save_csv(&store, &[BOARD], range, &out).expect("writes");
    assert_eq!((written.readings, written.events), (1, 2));
    let told = save_csv(&store, &[BOARD], (Some(i64::MAX - 1), None), &out)
        .expect_err("nothing there")
        .to_string();
    assert!(
        told.contains("the record goes from 2026-04-10T10:59:35"),
        "{told}"
    );
}
