//! A recorded trace as a world: healthy values until the board has connected its array and knows what is normal, then the
//! recording, then healthy values again.
//!
//! The bond current, and the poles if they were recorded, are the recording's whatever the board does: a contactor that opens
//! does not make a recorded current go away. What comes behind the recording does stop with the contactor.

use crate::bench::around::{Around, Parts, sensors};
use crate::bench::array::Leakage;
use crate::bench::run::{RATE_HZ, RUN_UP_MAX_S, SETTLED_S};
use crate::bench::trace::{Playable, Trace, TraceError};
use jiff::Timestamp;
use ohmward_core::Outputs;
use ohmward_plant::Scenario;
use ohmward_plant::contactor::ContactorSettings;
use ohmward_plant::sensors::SensorSettings;
use ohmward_plant::world::{Sensed, Switches};
use ohmward_proto::message::BoardId;
use ohmward_proto::settings::{Calibration, Settings};
use ohmward_proto::units::SampleIndex;

/// How long it goes on behind the recording: for whoever records it to take the capture, and to see that nothing more comes.
pub const AFTER_S: f64 = 20.0;
/// The board of a replay without a scenario.
const BOARD: BoardId = BoardId(0x0be1);

/// Everything a replay needs.
#[derive(Clone, Debug)]
pub struct ReplaySetup {
    playable: Playable,
    sensors: SensorSettings,
    contactor: ContactorSettings,
    seed: u64,
    /// The board.
    pub board: BoardId,
    /// How often it has started.
    pub boot: u32,
    /// What is set on it.
    pub settings: Settings,
    /// Wall-clock time of sample 0.
    pub start: Timestamp,
}

/// Why a trace cannot be replayed.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum ReplayError {
    /// The trace.
    #[error(transparent)]
    Trace(#[from] TraceError),
    /// The scenario's board samples at another rate.
    #[error(
        "{file}: board.sample_rate_hz is {rate_hz}: a replay runs at {RATE_HZ}; set it so or leave it out"
    )]
    Rate {
        /// The scenario file.
        file: String,
        /// Its rate.
        rate_hz: u32,
    },
    /// The recording never began.
    #[error(
        "the board did not connect its array within {RUN_UP_MAX_S} s, so the recording was not played: look at its events, and at the settings"
    )]
    NotConnected,
}

impl ReplaySetup {
    /// A trace on a board of its own, or on a scenario's: settings, front end, contactor, start and number are then the
    /// scenario's. Nothing else of a scenario is used; `now` is when a replay without one begins.
    ///
    /// # Errors
    /// [`ReplayError`].
    pub fn new(
        trace: &Trace,
        scenario: Option<&Scenario>,
        now: Timestamp,
    ) -> Result<Self, ReplayError> {
        let playable = trace.playable()?;
        let Some(scenario) = scenario else {
            return Ok(Self {
                sensors: sensors(&playable.waveform),
                contactor: ContactorSettings::default(),
                seed: 1,
                board: BOARD,
                boot: 1,
                settings: trace.settings,
                start: now,
                playable,
            });
        };
        if scenario.board.sample_rate_hz != RATE_HZ {
            return Err(ReplayError::Rate {
                file: scenario.file.clone(),
                rate_hz: scenario.board.sample_rate_hz,
            });
        }
        Ok(Self {
            sensors: scenario.sensors,
            contactor: scenario.contactor,
            seed: scenario.seed,
            board: scenario.board.id,
            boot: scenario.board.boot,
            settings: scenario.settings,
            start: scenario.start,
            playable,
        })
    }

    /// What the board takes its front end to be.
    pub fn calibration(&self) -> Calibration {
        self.playable.calibration
    }

    /// In words: how long the recording is, and what comes before it.
    pub fn words(&self) -> String {
        let recorded = self.playable.waveform.recorded.as_ref();
        recorded.map_or_else(String::new, |recorded| {
            format!(
                "{:.3} s are recorded; {}; what comes behind the recording is healthy again, and not recorded",
                recorded.seconds(),
                recorded.pre_roll.words()
            )
        })
    }
}

/// Where the replay stands.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Stage {
    /// Healthy; the contactor has been closed for so many samples.
    Before { closed: u64 },
    /// From here on it plays.
    Playing { since: u64 },
}

/// A trace as it plays.
#[derive(Debug)]
pub struct Replay {
    around: Around,
    start: Timestamp,
    stage: Stage,
}

impl Replay {
    /// From its beginning.
    pub fn new(setup: &ReplaySetup) -> Self {
        let around = Around::new(&Parts {
            waveform: &setup.playable.waveform,
            settings: &setup.settings,
            calibration: &setup.playable.calibration,
            sensors: setup.sensors,
            contactor: setup.contactor,
            leakage: Leakage::HEALTHY,
            seed: setup.seed,
        });
        Self {
            around,
            start: setup.start,
            stage: Stage::Before { closed: 0 },
        }
    }

    /// One sample period with these switches.
    pub fn step(&mut self, switches: &Switches) -> Result<Sensed, ReplayError> {
        let samples = |seconds: f64| (seconds * f64::from(RATE_HZ)) as u64;
        let codes = self.around.step(&Outputs {
            contactor: switches.contactor,
            bond_switch: switches.bond_open,
            bridge_pos: switches.bridge_pos,
            bridge_neg: switches.bridge_neg,
            inject: switches.inject,
            ..Outputs::default()
        });
        let now = self.around.samples();
        self.stage = match self.stage {
            Stage::Before { closed } if closed >= samples(SETTLED_S) => {
                // It begins when the mains have the phase of its first sample.
                self.around.player.arm();
                Stage::Playing { since: now }
            }
            Stage::Before { .. } if now > samples(RUN_UP_MAX_S) => {
                return Err(ReplayError::NotConnected);
            }
            Stage::Before { closed } if self.around.contactor_closed() => {
                Stage::Before { closed: closed + 1 }
            }
            Stage::Before { .. } => Stage::Before { closed: 0 },
            playing @ Stage::Playing { .. } => playing,
        };
        Ok(Sensed {
            codes,
            contactor_feedback: self.around.contactor_closed(),
            reset: false,
            arm: false,
        })
    }

    /// First sample behind it; the farthest there is until the recording has begun.
    pub fn end(&self) -> SampleIndex {
        match self.stage {
            Stage::Before { .. } => SampleIndex(u64::MAX),
            Stage::Playing { since } => {
                let seconds = self.around.player.recorded_s().unwrap_or(0.0) + AFTER_S;
                SampleIndex(since).after((seconds * f64::from(RATE_HZ)) as u64)
            }
        }
    }

    /// Unix time of a sample, ms.
    pub fn unix_ms(&self, at: SampleIndex) -> i64 {
        let ms = u128::from(at.0) * 1000 / u128::from(RATE_HZ);
        let start_ms = self.start.as_millisecond();
        start_ms.saturating_add(i64::try_from(ms).unwrap_or(i64::MAX))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::trace::Expected;
    use crate::sim::{SimBoard, SimError};
    use ohmward_core::PRE_SAMPLES;
    use ohmward_proto::decoder::Decoder;
    use ohmward_proto::message::Message;
    use ohmward_proto::{Event, EventKind};
    use std::fmt::Write;

    /// 0.5 s of 10 mA, then 100 mA RMS of 50 Hz for another half-second.
    fn trace(dir: &std::path::Path, flags: &Expected) -> Trace {
        let mut text = "time_s,i_bond_a\n".to_owned();
        for n in 0..4000 {
            let t_s = f64::from(n) / 4000.0;
            let fault = if n < 2000 { 0.0 } else { 0.1414 };
            let i_a = 0.01 + fault * (std::f64::consts::TAU * 50.0 * t_s).sin();
            let _ = writeln!(text, "{t_s},{i_a}");
        }
        let path = dir.join("a.csv");
        std::fs::write(&path, text).expect("writes");
        Trace::open(&path, flags).expect("reads")
    }

    fn at_half() -> Expected {
        Expected {
            onset_s: Some(0.5),
            ..Expected::default()
        }
    }

    /// Events of the whole replay, and what ended it.
    fn events(setup: &ReplaySetup) -> (Vec<Event>, Result<u64, SimError>) {
        let mut board = SimBoard::replay(setup).expect("starts");
        let mut decoder = Decoder::new();
        let mut events: Vec<Event> = Vec::new();
        loop {
            let goes_on = board.run(u64::MAX / 2);
            decoder.feed(&board.take_output(), |message| {
                if let Ok(Message::Event(event)) = message
                    && !events.contains(&event)
                {
                    events.push(event);
                }
            });
            match goes_on {
                Ok(true) => {}
                Ok(false) => return (events, Ok(board.now().0)),
                Err(why) => return (events, Err(why)),
            }
        }
    }

    /// 150 ms for a sudden change of 60 mA or more (IEC 62109-2:2011 table 31, memory). The fault begins half a second after
    /// the recording, and that [`SETTLED_S`] and less than a cycle after the contactor was confirmed.
    #[test]
    fn a_recorded_fault_trips_a_board_that_was_healthy_until_then() {
        let dir = tempfile::tempdir().expect("a folder");
        let trace = trace(dir.path(), &at_half());
        let setup = ReplaySetup::new(&trace, None, Timestamp::UNIX_EPOCH).expect("plays");
        let (events, end) = events(&setup);
        let at = |which: fn(&EventKind) -> bool| {
            let found: Vec<_> = events.iter().filter(|event| which(&event.kind)).collect();
            assert_eq!(found.len(), 1, "{events:?}");
            found[0].at.0 as f64 / 4000.0
        };
        let connected_s = at(|kind| *kind == EventKind::Connected);
        let tripped_s = at(|kind| matches!(kind, EventKind::Tripped { .. }));
        let after_s = tripped_s - connected_s - SETTLED_S - 0.5;
        assert!((0.0..0.15 + 0.03).contains(&after_s), "{after_s}");
        let end_s = end.expect("comes to its end") as f64 / 4000.0;
        assert!(
            (end_s - connected_s - SETTLED_S - 1.0 - AFTER_S).abs() < 0.05,
            "{end_s}"
        );
        assert!(
            PRE_SAMPLES as f64 / 4000.0 < SETTLED_S,
            "a capture shows what was normal"
        );
    }

    #[test]
    fn what_cannot_be_replayed_is_told() {
        let dir = tempfile::tempdir().expect("a folder");
        let unsaid = trace(dir.path(), &Expected::default());
        let told = ReplaySetup::new(&unsaid, None, Timestamp::UNIX_EPOCH)
            .expect_err("where is the fault?")
            .to_string();
        assert!(
            told.contains("a.csv: where does the fault begin? give --onset-s"),
            "{told}"
        );
        let trace = trace(dir.path(), &at_half());
        let mut setup = ReplaySetup::new(&trace, None, Timestamp::UNIX_EPOCH).expect("plays");
        // A limit below what stands before the fault: it never connects for long.
        setup.settings.current.continuous.above = ohmward_proto::Amps(0.006);
        let told = events(&setup).1.expect_err("never connected").to_string();
        assert!(told.contains("did not connect its array"), "{told}");
    }
}
