//! What the store promises, tried on real folders.

mod archive;
mod chain;
mod check;
mod file;
mod folder;
mod keeper;
mod line;
mod long;
mod rollup;

use super::*;
use ohmward_proto::event::TripCause;
use ohmward_proto::measure::{NotMeasured, TripState};
use ohmward_proto::message::{BoardId, CaptureHead, CapturePart, Hello};
use ohmward_proto::{
    Amps, BondCurrent, BondSpectrum, Calibration, Codes, Dwell, Event, EventId, EventKind, Farads,
    Insulation, PoleLeakage, Reading, SampleIndex, Settings, Siemens, Volts,
};

const BOARD: BoardId = BoardId(0x0123_4567_89ab_cdef);
const ID: EventId = EventId { boot: 3, seq: 7 };

fn event(seq: u32, kind: EventKind) -> Entry {
    Entry::Event {
        board: BOARD,
        t_us: 1_000_000 * i64::from(seq),
        host_us: 1_000_000 * i64::from(seq) + 7,
        t_sigma_us: Some(3),
        event: Event {
            id: EventId { boot: 3, seq },
            at: SampleIndex(4_000 * u64::from(seq)),
            kind,
        },
    }
}

fn tripped() -> EventKind {
    EventKind::Tripped {
        cause: TripCause::GroundFaultCurrent {
            dc: Amps(-1.5),
            limit: Amps(1.0),
        },
        picked_up: SampleIndex(27_900),
    }
}

fn reading(k: i64) -> Reading {
    Reading {
        at: SampleIndex(4_000 * k as u64),
        i_bond: BondCurrent::Measured {
            dc: Amps(-0.002),
            rms: Amps(0.002_1),
        },
        v_pos: Some(Volts(380.0)),
        v_neg: None,
        insulation: Insulation::Measured {
            leakage: PoleLeakage {
                g_pos: Siemens(1e-6),
                g_neg: Siemens(-1e-9),
                g_sigma: Siemens(1e-9),
                c: Farads(1e-7),
                c_sigma: Farads(1e-9),
            },
            at: SampleIndex(100),
        },
        state: TripState::Closed,
        bond_open: false,
    }
}

fn reading_entry(k: i64, reading: Reading) -> Entry {
    Entry::Reading {
        board: BOARD,
        boot: 3,
        t_us: k * 1_000_000,
        reading,
    }
}

pub fn spectrum(k: u64) -> Entry {
    Entry::Spectrum {
        board: BOARD,
        boot: 3,
        t_us: k as i64 * 1_000_000,
        spectrum: BondSpectrum {
            at: SampleIndex(4_000 * k),
            samples: 80,
            mains_hz: 50.1,
            mains_found: true,
            dc: Amps(-0.002),
            fundamental: Amps(0.03),
            fundamental_rad: 1.0,
            harmonics: [Amps(0.0), Amps(0.004), Amps(0.0), Amps(0.001)],
            remainder: Amps(0.0002),
        },
    }
}

pub fn dwell(at: u64) -> Entry {
    Entry::Dwell {
        board: BOARD,
        boot: 3,
        dwell: Dwell {
            at: SampleIndex(at),
            a_samples: 4_400,
            b_samples: 4_000,
            extrapolated: true,
        },
    }
}

fn head(samples: u16) -> Entry {
    Entry::CaptureHead {
        board: BOARD,
        head: CaptureHead {
            event: ID,
            first: SampleIndex(27_000),
            trigger: SampleIndex(28_000),
            samples,
            calibration: Calibration::REFERENCE,
        },
    }
}

fn part(offset: u16, len: u16) -> Entry {
    Entry::CapturePart {
        board: BOARD,
        part: CapturePart {
            event: ID,
            offset,
            codes: (offset..offset + len).map(code).collect(),
        },
    }
}

fn code(k: u16) -> Codes {
    Codes {
        i_fine: k as i16,
        i_wide: -(k as i16),
        v_pos: 100,
        v_neg: -100,
    }
}

fn hello() -> Hello {
    Hello {
        protocol: 1,
        firmware: (0, 1, 2),
        board: BOARD,
        boot: 3,
        at: SampleIndex(8_000),
        sample_rate_hz: 4_000,
        settings_hash: Settings::SMALL_BONDED.hash(),
        calibration_id: 12,
        epoch_unix_ms: None,
    }
}

#[test]
fn what_was_written_is_read_back_and_a_second_time_changes_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(dir.path()).unwrap();
    let dark = Reading {
        i_bond: BondCurrent::NotMeasured(NotMeasured::WindowFilling),
        insulation: Insulation::NotMeasured {
            why: NotMeasured::ArrayDark,
            since: SampleIndex(5),
        },
        state: TripState::Resting,
        bond_open: true,
        ..reading(2)
    };
    let batch = [
        Entry::Run {
            board: BOARD,
            hello: hello(),
            received_us: 77,
        },
        Entry::Settings {
            board: BOARD,
            settings: Settings::SMALL_BONDED,
        },
        reading_entry(1, reading(1)),
        reading_entry(2, dark),
        spectrum(1),
        dwell(100),
        event(7, tripped()),
        event(8, EventKind::Reset),
        head(48),
        part(0, 24),
        part(24, 24),
    ];
    let every = Counts {
        runs: 1,
        settings: 1,
        readings: 2,
        spectra: 1,
        dwells: 1,
        events: 2,
        heads: 1,
        parts: 2,
    };
    let first = store.write(&batch).unwrap();
    assert_eq!((first.new, first.known), (every, Counts::default()));
    assert_eq!(first.captures_complete, [(BOARD, ID)]);
    let second = store.write(&batch).unwrap();
    assert_eq!((second.new, second.known), (Counts::default(), every));
    assert_eq!(second.captures_complete, [(BOARD, ID)]);
    assert_eq!(second.twins, []);

    let reader = Store::open_existing(dir.path()).unwrap(); // while the writer is open
    assert_eq!(reader.boards().unwrap(), [BOARD]);
    let runs = reader.runs(BOARD).unwrap();
    assert_eq!(runs.len(), 1);
    assert_eq!((runs[0].boot, runs[0].first_seen_us), (3, 77));
    assert_eq!(runs[0].firmware, "0.1.2");
    assert_eq!(
        reader.settings(BOARD).unwrap(),
        Some(Settings::SMALL_BONDED)
    );
    assert_eq!(reader.span(BOARD).unwrap(), Some((1_000_000, 8_000_000)));
    let rows = reader.readings(BOARD, 0..10_000_000, 100).unwrap().rows;
    assert_eq!(
        rows.iter().map(|row| row.reading).collect::<Vec<_>>(),
        [reading(1), dark]
    );

    let all = reader.events(&EventFilter::default()).unwrap();
    assert_eq!(all.len(), 2);
    assert_eq!((all[0].board, all[0].t_us), (BOARD, 7_000_000));
    assert_eq!(all[0].event.kind, tripped());
    let some = |filter| reader.events(&filter).unwrap().len();
    assert_eq!(
        some(EventFilter {
            board: Some(BOARD),
            kinds: vec!["tripped".into(), "surge".into()],
            from_us: Some(0),
            to_us: Some(8_000_000),
            limit: Some(5),
        }),
        1
    );
    assert_eq!(
        some(EventFilter {
            board: Some(BoardId(1)),
            ..EventFilter::default()
        }),
        0
    );
    let newest = reader
        .events(&EventFilter {
            limit: Some(1),
            ..EventFilter::default()
        })
        .unwrap();
    assert_eq!(newest[0].event.id.seq, 8);
}

#[test]
fn settings_that_come_back_are_the_latest_again() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(dir.path()).unwrap();
    let other = Settings {
        trip_opens_bond: false,
        ..Settings::SMALL_BONDED
    };
    for settings in [Settings::SMALL_BONDED, other, Settings::SMALL_BONDED] {
        store
            .write(&[Entry::Settings {
                board: BOARD,
                settings,
            }])
            .unwrap();
        assert_eq!(store.settings(BOARD).unwrap(), Some(settings));
    }
}

#[test]
fn a_capture_is_whole_in_any_order_and_not_before() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(dir.path()).unwrap();
    let whole =
        |store: &mut Store, entry| !store.write(&[entry]).unwrap().captures_complete.is_empty();
    assert!(!whole(&mut store, part(50, 10)));
    assert_eq!(store.capture(BOARD, ID).unwrap(), None);
    assert!(!whole(&mut store, part(24, 20)));
    assert!(!whole(&mut store, head(60)));
    assert!(!whole(&mut store, part(0, 24)));
    assert!(!whole(&mut store, part(24, 20)));
    let capture = store.capture(BOARD, ID).unwrap().unwrap();
    assert_eq!(capture.complete(), None);
    assert_eq!(
        capture.codes.iter().filter(|code| code.is_none()).count(),
        6
    );
    assert_eq!(store.captures(BOARD).unwrap(), [(ID, false)]);
    assert!(!whole(&mut store, part(24, 24)), "48 and 49 are missing");
    assert!(whole(&mut store, part(48, 2)));
    let codes = store.capture(BOARD, ID).unwrap().unwrap().complete();
    assert_eq!(codes, Some((0..60).map(code).collect()));
}

#[test]
fn a_number_with_two_meanings_keeps_both() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(dir.path()).unwrap();
    store.write(&[event(7, tripped())]).unwrap();
    for new in [1, 0] {
        let written = store.write(&[event(7, EventKind::FailedToOpen)]).unwrap();
        assert_eq!(written.twins, [(BOARD, ID)]);
        assert_eq!(written.new.events, new);
    }
    let kinds: Vec<_> = store
        .events(&EventFilter::default())
        .unwrap()
        .iter()
        .map(|stored| stored.event.kind)
        .collect();
    assert_eq!(kinds.len(), 2);
    assert!(kinds.contains(&tripped()) && kinds.contains(&EventKind::FailedToOpen));
}

#[test]
fn a_value_that_is_no_number_is_none_and_not_zero() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(dir.path()).unwrap();
    let mut odd = reading(1);
    odd.i_bond = BondCurrent::Measured {
        dc: Amps(f32::NAN),
        rms: Amps(f32::INFINITY),
    };
    odd.v_neg = Some(Volts(f32::NAN));
    store.write(&[reading_entry(1, odd)]).unwrap();
    let kept = store.readings(BOARD, 0..i64::MAX, 10).unwrap().rows[0].reading;
    let BondCurrent::Measured { dc, rms } = kept.i_bond else {
        panic!("it was measured: {kept:?}");
    };
    assert!(dc.0.is_nan() && rms.0.is_infinite());
    assert_eq!(kept.v_neg, None, "no number is no value");
}

/// Changes readings in the tables behind the program's back, a block at a time.
fn edit_readings(store: &Store, mut change: impl FnMut(&mut Vec<StoredReading>)) {
    let blocks: Vec<(i64, i64, u32, Vec<u8>)> = store
        .db
        .prepare("SELECT key, minute_us, boot, body FROM reading_block")
        .unwrap()
        .query_map([], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?))
        })
        .unwrap()
        .map(Result::unwrap)
        .collect();
    for (key, minute_us, boot, body) in blocks {
        let mut rows = Vec::new();
        blocks::body::each(&body, (minute_us, boot), |row| rows.push(row)).unwrap();
        change(&mut rows);
        let body = blocks::body::encode(minute_us, &rows).unwrap();
        store
            .db
            .execute(
                "UPDATE reading_block SET readings = ?2, body = ?3 WHERE key = ?1",
                rusqlite::params![key, rows.len() as i64, body],
            )
            .unwrap();
    }
}

#[test]
fn a_batch_that_fails_leaves_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(dir.path()).unwrap();
    store.db.execute_batch("DROP TABLE capture_part").unwrap();
    let fault = store.write(&[event(7, tripped()), part(0, 4)]).unwrap_err();
    assert!(matches!(fault, StoreError::Sqlite { .. }), "{fault}");
    assert_eq!(store.events(&EventFilter::default()).unwrap(), []);
    assert_eq!(store.boards().unwrap(), []);
}

#[test]
fn a_row_of_a_newer_program_is_named() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(dir.path()).unwrap();
    store
        .write(&[event(7, tripped()), reading_entry(1, reading(1))])
        .unwrap();
    store
        .db
        .execute_batch(
            "UPDATE event SET message = x'03074063'; UPDATE reading_block SET body = CAST(x'02' || substr(body, 2) AS BLOB)",
        )
        .unwrap();
    let fault = store
        .events(&EventFilter::default())
        .unwrap_err()
        .to_string();
    assert!(
        fault.starts_with("event 3.7 of board 0123456789abcdef in "),
        "{fault}"
    );
    let fault = store
        .readings(BOARD, 0..i64::MAX, 9)
        .unwrap_err()
        .to_string();
    assert!(
        fault.contains("run 3 of board 0123456789abcdef in the minute from 1970-01-01T00:00:00Z")
            && fault.contains("layout 2")
            && fault.contains("newer program"),
        "{fault}"
    );
}

#[test]
fn reduced_readings_keep_every_excursion_gap_and_state() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(dir.path()).unwrap();
    let mut all: Vec<Reading> = (0..20_000).map(reading).collect();
    all[7_001].i_bond = BondCurrent::Measured {
        dc: Amps(-9.0),
        rms: Amps(9.0),
    };
    all[7_002].i_bond = BondCurrent::Measured {
        dc: Amps(8.0),
        rms: Amps(8.0),
    };
    all[9_000].state = TripState::FailedToOpen;
    all[9_001].i_bond = BondCurrent::NotMeasured(NotMeasured::WindowFilling);
    all[9_002].insulation = Insulation::NotMeasured {
        why: NotMeasured::ArrayDark,
        since: SampleIndex(3),
    };
    if let Insulation::Measured { leakage, .. } = &mut all[9_003].insulation {
        leakage.g_neg = Siemens(1e-3);
    }
    let batch: Vec<_> = all
        .iter()
        .zip(0..)
        .map(|(reading, k)| reading_entry(k, *reading))
        .collect();
    store.write(&batch).unwrap();

    let reduced = store.readings(BOARD, 0..20_000_000_000, 640).unwrap();
    assert_eq!(reduced.stored, 20_000);
    assert!(reduced.rows.len() <= 640, "{}", reduced.rows.len());
    assert!(reduced.rows.is_sorted_by_key(|row| row.t_us));
    for k in [0, 7_001, 7_002, 9_000, 9_001, 9_002, 9_003, 19_999] {
        assert!(
            reduced.rows.iter().any(|row| row.reading == all[k]),
            "row {k} is an extreme and was dropped"
        );
    }
    // 20 000 s in 40 buckets of 500 s, and three steps of 1 s.
    assert_eq!(reduced.spacing_us, 503_000_000);
    assert_eq!(
        store
            .readings(BOARD, 0..20_000_000_000, 20_000)
            .unwrap()
            .rows
            .len(),
        20_000
    );
}

/// A board that counts its starts from 1 again, its memory erased: its new run 1 is not taken for the old one.
#[test]
fn a_run_whose_counter_is_back_at_the_beginning_is_another_one() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(dir.path()).unwrap();
    let run = |at: u64| Entry::Run {
        board: BOARD,
        hello: Hello {
            at: SampleIndex(at),
            ..hello()
        },
        received_us: 77,
    };
    let first = store.write(&[run(0), reading_entry(9, reading(9))]);
    assert_eq!(first.unwrap().refused, []);
    // The same run, asked again later.
    for at in [36_000, 40_000] {
        assert_eq!(store.write(&[run(at)]).unwrap().refused, [], "{at}");
    }
    let written = store.write(&[run(20), event(7, tripped())]).unwrap();
    assert_eq!(written.refused, [(BOARD, 3)]);
    assert_eq!(written.new, Counts::default(), "told, not merged");
}
