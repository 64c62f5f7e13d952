//! A board to begin with, for the tests of whatever shows boards.

use super::*;
use ohmward_proto::event::EventKind;
use ohmward_proto::measure::TripState;
use ohmward_proto::units::{Amps, Farads, Siemens, Volts};
use ohmward_proto::{BondCurrent, Event, Insulation, PoleLeakage, Reading, SampleIndex};

pub const RATE_HZ: u32 = 4000;
pub const NOW_US: i64 = 1_800_000_000_000_000;

/// A board of which everything is known, and nothing is wrong: 1 MΩ, 2 mA, closed.
pub fn sound() -> BoardNow {
    let at = SampleIndex(100 * u64::from(RATE_HZ));
    let reading = Reading {
        at,
        i_bond: BondCurrent::Measured {
            dc: Amps(-0.002),
            rms: Amps(0.003),
        },
        v_pos: Some(Volts(340.0)),
        v_neg: Some(Volts(0.0)),
        insulation: Insulation::Measured {
            leakage: PoleLeakage {
                g_pos: Siemens(0.5e-6),
                g_neg: Siemens(0.5e-6),
                g_sigma: Siemens(1e-9),
                c: Farads(1e-6),
                c_sigma: Farads(1e-8),
            },
            at: SampleIndex(at.0 - 60 * u64::from(RATE_HZ)),
        },
        state: TripState::Closed,
        bond_open: false,
    };
    BoardNow {
        run: Some(RunNow {
            boot: 1,
            firmware: "0.1.0".into(),
            protocol: 3,
            sample_rate_hz: RATE_HZ,
            calibration_id: 7,
        }),
        settings: Some(Settings::SMALL_BONDED),
        last: Some(StoredReading {
            boot: 1,
            t_us: NOW_US - 500_000,
            reading,
        }),
        ..BoardNow::unknown(BoardId(1))
    }
}

/// Adds these, a microsecond apart, a second before now.
pub fn happened(board: &mut BoardNow, kinds: &[EventKind]) {
    for (seq, kind) in (0..).zip(kinds) {
        board.conditions.push(StoredEvent {
            board: board.board,
            t_us: NOW_US - 1_000_000 + i64::from(seq),
            host_us: None,
            t_sigma_us: None,
            event: Event {
                id: EventId { boot: 1, seq },
                at: SampleIndex(u64::from(seq)),
                kind: *kind,
            },
        });
    }
}
