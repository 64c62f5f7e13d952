//! A small store as recorders leave it, made once, to be damaged.

use crate::scratch;
use ohmward::store::{Entry, Rules, Store};
use ohmward_proto::event::TripCause;
use ohmward_proto::measure::{NotMeasured, TripState};
use ohmward_proto::message::{BoardId, CaptureHead, CapturePart, Hello};
use ohmward_proto::units::{Amps, Farads, SampleIndex, Siemens, Volts};
use ohmward_proto::{
    BondCurrent, BondSpectrum, Calibration, Codes, Event, EventId, EventKind, Insulation,
    PoleLeakage, Reading, Settings,
};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// The board in it.
pub const BOARD: BoardId = BoardId(0x0123_4567_89ab_cdef);
/// Midnight, 2026-01-01, and a day.
pub const T0_US: i64 = 1_767_225_600_000_000;
/// A day.
pub const DAY_US: i64 = 86_400_000_000;

/// A folder's files: names within it, and what is in them.
pub type Files = Vec<(PathBuf, Vec<u8>)>;

/// Two folders: one after a clean end, with a day sealed; one as it lies there while a recorder writes.
///
/// # Panics
/// A store without a fault does not work.
pub fn folders() -> &'static [Files; 2] {
    static MADE: OnceLock<[Files; 2]> = OnceLock::new();
    MADE.get_or_init(|| {
        let folder = scratch::folder();
        let mut store = Store::open_or_create(folder.path()).expect("opens");
        store.write(&entries()).expect("writes");
        let sealed = store
            .seal_next(
                &Rules {
                    hot_days: 1,
                    ..Rules::default()
                },
                T0_US + 3 * DAY_US,
            )
            .expect("seals");
        assert!(sealed.is_some(), "a day is due");
        let live = files(folder.path(), folder.path());
        drop(store);
        [files(folder.path(), folder.path()), live]
    })
}

fn files(root: &Path, folder: &Path) -> Files {
    let mut found = Files::new();
    for entry in std::fs::read_dir(folder).expect("lists") {
        let path = entry.expect("lists").path();
        if path.is_dir() {
            found.extend(files(root, &path));
        } else if path.extension().is_none_or(|e| e != "lock")
            && !path.to_string_lossy().ends_with("-shm")
        {
            // A recorder's shared memory is as good as gone once it has ended.
            let name = path.strip_prefix(root).expect("within").to_path_buf();
            found.push((name, std::fs::read(&path).expect("reads")));
        }
    }
    found.sort();
    found
}

/// A reading of the `k`-th quarter of an hour.
#[must_use]
pub fn reading(k: u64) -> Reading {
    Reading {
        at: SampleIndex(3_600_000 * k),
        i_bond: if k % 7 == 3 {
            BondCurrent::NotMeasured(NotMeasured::WindowFilling)
        } else {
            BondCurrent::Measured {
                dc: Amps(0.001 * k as f32),
                rms: Amps(0.002 * k as f32),
            }
        },
        v_pos: Some(Volts(380.0)),
        v_neg: (k % 5 > 0).then_some(Volts(-3.0)),
        insulation: if k % 11 == 1 {
            Insulation::NotMeasured {
                why: NotMeasured::ArrayDark,
                since: SampleIndex(5),
            }
        } else {
            Insulation::Measured {
                leakage: PoleLeakage {
                    g_pos: Siemens(1e-6),
                    g_neg: Siemens(-1e-9),
                    g_sigma: Siemens(1e-9),
                    c: Farads(1e-7),
                    c_sigma: Farads(1e-9),
                },
                at: SampleIndex(3_600_000 * (k / 4 * 4)),
            }
        },
        state: TripState::Closed,
        bond_open: false,
    }
}

fn entries() -> Vec<Entry> {
    let at_us = |k: u64| T0_US + 900_000_000 * k as i64;
    let id = EventId { boot: 3, seq: 1 };
    let mut all = vec![
        Entry::Run {
            board: BOARD,
            hello: Hello {
                protocol: 3,
                firmware: (0, 1, 2),
                board: BOARD,
                boot: 3,
                at: SampleIndex(0),
                sample_rate_hz: 4_000,
                settings_hash: Settings::SMALL_BONDED.hash(),
                calibration_id: 12,
                epoch_unix_ms: None,
            },
            received_us: T0_US,
        },
        Entry::Settings {
            board: BOARD,
            settings: Settings::SMALL_BONDED,
        },
        Entry::CaptureHead {
            board: BOARD,
            head: CaptureHead {
                event: id,
                first: SampleIndex(27_000),
                trigger: SampleIndex(28_000),
                samples: 48,
                calibration: Calibration::REFERENCE,
            },
        },
        Entry::UnreadEvent {
            board: BOARD,
            t_us: at_us(9),
            host_us: at_us(9),
            t_sigma_us: None,
            id: EventId { boot: 3, seq: 9 },
            at: SampleIndex(9),
            message: vec![3, 9, 9, 99, 1],
        },
    ];
    for offset in [0, 24] {
        let codes = (0..24)
            .map(|k| Codes {
                i_fine: k,
                i_wide: -k,
                v_pos: 100,
                v_neg: -100,
            })
            .collect();
        all.push(Entry::CapturePart {
            board: BOARD,
            part: CapturePart {
                event: id,
                offset,
                codes,
            },
        });
    }
    let kinds = [
        EventKind::Connected,
        EventKind::Tripped {
            cause: TripCause::GroundFaultCurrent {
                dc: Amps(-1.5),
                limit: Amps(1.0),
            },
            picked_up: SampleIndex(27_900),
        },
        EventKind::Surge {
            peak: Amps(9.0),
            samples: 2,
        },
        EventKind::EventsLost { count: 2 },
        EventKind::Reset,
    ];
    for (seq, kind) in (0..).zip(kinds) {
        all.push(Entry::Event {
            board: BOARD,
            t_us: at_us(u64::from(seq)),
            host_us: at_us(u64::from(seq)) + 7,
            t_sigma_us: Some(3),
            event: Event {
                id: EventId { boot: 3, seq },
                at: SampleIndex(3_600_000 * u64::from(seq)),
                kind,
            },
        });
    }
    for k in 0..2 * 96 + 20 {
        all.push(Entry::Reading {
            board: BOARD,
            boot: 3,
            t_us: at_us(k),
            reading: reading(k),
        });
        if k % 60 == 0 {
            all.push(Entry::Spectrum {
                board: BOARD,
                boot: 3,
                t_us: at_us(k),
                spectrum: BondSpectrum {
                    at: SampleIndex(3_600_000 * k),
                    samples: 80,
                    mains_hz: 50.1,
                    mains_found: true,
                    dc: Amps(-0.002),
                    fundamental: Amps(0.03),
                    fundamental_rad: 1.0,
                    harmonics: [Amps(0.0); 4],
                    remainder: Amps(0.0002),
                },
            });
        }
    }
    all
}
