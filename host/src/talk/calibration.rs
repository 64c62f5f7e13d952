//! Words with a board that is being calibrated.

use super::{Line, Talk, TalkError, with_board};
use crate::calibrate::seen::InsulationSeen;
use ohmward_proto::measure::{CODE_SAMPLES_MAX, CodeSums, Insulation, NotMeasured, TripState};
use ohmward_proto::message::{Command, Hello, Message};
use ohmward_proto::older::KNOWS_CALIBRATION;
use ohmward_proto::settings::{Calibration, CalibrationFault, CalibrationState};
use ohmward_proto::{Reading, Settings};
use std::time::Duration;
use tokio::time::Instant;

/// How long a stretch may take beyond its own time: a check with bond open and bridge on that it has to wait for.
const STRETCH_BEYOND: Duration = Duration::from_secs(20);
/// How long the contactor may take to be seen open, readings waited for included.
const OPEN_WITHIN_READINGS: u32 = 3;
/// A measurement of the insulation, its pause before and its longest stays.
const INSULATION_WITHIN: Duration = Duration::from_secs(90);

/// Why a step of a calibration came to nothing.
#[derive(Debug, thiserror::Error)]
pub enum StepError {
    /// The line.
    #[error(transparent)]
    Talk(#[from] TalkError),
    /// No codes.
    #[error(
        "the board gave no codes within {within_s} s: it is measuring or switching all the time, or samples are missing; take \
         the voltage off its poles and try again"
    )]
    NoCodes {
        /// Waited so long.
        within_s: u64,
    },
    /// The contactor.
    #[error(
        "the board was told to trip and is not seen open ({state}); do not go on, look at its contactor"
    )]
    NotOpen {
        /// As it says.
        state: &'static str,
    },
    /// No insulation.
    #[error(
        "the board measured no insulation within {within_s} s ({why}); is the floating supply on, with more than {v_min} V \
         between the poles and none of its ends earthed?"
    )]
    NoInsulation {
        /// Waited so long.
        within_s: u64,
        /// As it says.
        why: String,
        /// What it needs, V.
        v_min: f32,
    },
}

/// Asks how a board is calibrated, and what it watches over.
///
/// # Errors
/// [`TalkError`]; [`TalkError::TooOld`] for one that knows no calibration over the link.
pub fn calibration(line: &Line) -> Result<(Hello, CalibrationState, Settings), TalkError> {
    with_board(line, async |talk, hello| {
        knows(line, &hello)?;
        let state = talk
            .ask(&Message::CalibrationGet, |message| match message {
                Message::CalibrationIs(state) => Some(*state),
                _ => None,
            })
            .await?;
        let settings = talk
            .ask(&Message::SettingsGet, |message| match message {
                Message::SettingsAre(settings) => Some(*settings),
                _ => None,
            })
            .await?;
        Ok((hello, state, settings))
    })
}

fn knows(line: &Line, hello: &Hello) -> Result<(), TalkError> {
    if hello.protocol < KNOWS_CALIBRATION {
        return Err(TalkError::too_old(
            line,
            hello,
            "no calibration over the link",
        ));
    }
    Ok(())
}

/// Sends a calibration: what the board says to it, its number or why not.
///
/// # Errors
/// [`TalkError`].
pub fn put_calibration(
    line: &Line,
    calibration: &Calibration,
    made_unix_s: i64,
) -> Result<Result<u32, CalibrationFault>, TalkError> {
    with_board(line, async |talk, hello| {
        knows(line, &hello)?;
        let put = Message::CalibrationPut {
            calibration: *calibration,
            made_unix_s,
        };
        // Sent twice it is the same calibration: asking again is no harm.
        talk.ask(&put, |message| match message {
            Message::CalibrationResult(result) => Some(*result),
            _ => None,
        })
        .await
    })
}

/// Has the board trip, so that its contactor stays open whatever is put on its terminals, and sees it open.
///
/// # Errors
/// [`StepError::NotOpen`].
pub fn trip(line: &Line, settings: &Settings) -> Result<(), StepError> {
    with_board(line, async |talk, _| {
        let trip = Message::Command(Command::Trip);
        talk.ask(&trip, |message| {
            matches!(
                message,
                Message::CommandResult {
                    command: Command::Trip,
                    ..
                }
            )
            .then_some(())
        })
        .await?;
        let every = Duration::from_millis(u64::from(settings.reading_every_ms));
        let until = Instant::now() + OPEN_WITHIN_READINGS * every + STRETCH_BEYOND;
        let mut state = "it says nothing";
        while let Some(reading) = talk.reading(until).await? {
            if matches!(reading.state, TripState::Latched | TripState::LockedOut) {
                return Ok(Ok(()));
            }
            state = crate::words::state(reading.state);
        }
        Ok(Err(StepError::NotOpen { state }))
    })?
}

/// So many stretches of codes of a tenth of a second's multiple each: whole cycles of 50 and of 60 Hz.
///
/// # Errors
/// [`StepError::NoCodes`].
pub fn stretches(line: &Line, count: u32, tenths: u32) -> Result<Vec<CodeSums>, StepError> {
    with_board(line, async |talk, hello| {
        let samples = (hello.sample_rate_hz / 10 * tenths).clamp(1, CODE_SAMPLES_MAX);
        let within = Duration::from_millis(100) * tenths + STRETCH_BEYOND;
        let mut sums = Vec::new();
        for token in 0..count {
            // Another number every time: what an earlier question left behind is no answer.
            let token = token ^ hello.at.0 as u32;
            talk.tell(&Message::CodesAsk { token, samples }).await?;
            let until = Instant::now() + within;
            loop {
                let Some(message) = talk.next(until).await? else {
                    return Ok(Err(StepError::NoCodes {
                        within_s: within.as_secs(),
                    }));
                };
                if let Message::CodesAre { token: of, sums: s } = message
                    && of == token
                {
                    sums.push(s);
                    break;
                }
            }
        }
        Ok(Ok(sums))
    })?
}

/// Has the board measure its insulation so often.
///
/// # Errors
/// [`StepError::NoInsulation`].
pub fn insulation(
    line: &Line,
    settings: &Settings,
    count: usize,
) -> Result<Vec<InsulationSeen>, StepError> {
    with_board(line, async |talk, hello| {
        let every = Duration::from_millis(u64::from(settings.reading_every_ms));
        let within = INSULATION_WITHIN + 2 * every;
        let mut seen: Vec<InsulationSeen> = Vec::new();
        let mut last = hello.at;
        while seen.len() < count {
            let until = Instant::now() + within;
            let mut why = NotMeasured::NeverYet;
            talk.tell(&Message::Command(Command::MeasureInsulation))
                .await?;
            loop {
                let Some(reading) = talk.reading(until).await? else {
                    return Ok(Err(StepError::NoInsulation {
                        within_s: within.as_secs(),
                        why: crate::words::not_measured(why),
                        v_min: settings.check.v_min.0,
                    }));
                };
                match (reading.insulation, reading.v_pos, reading.v_neg) {
                    (Insulation::Measured { leakage, at }, Some(pos), Some(neg)) if at > last => {
                        last = at;
                        seen.push(InsulationSeen {
                            leakage,
                            array_v: f64::from(pos.0) - f64::from(neg.0),
                        });
                        break;
                    }
                    (Insulation::NotMeasured { why: said, since }, ..) if since > last => {
                        why = said;
                        last = since;
                        talk.tell(&Message::Command(Command::MeasureInsulation))
                            .await?;
                    }
                    _ => {}
                }
            }
        }
        Ok(Ok(seen))
    })?
}

impl Talk<'_> {
    async fn reading(&mut self, until: Instant) -> Result<Option<Reading>, TalkError> {
        while let Some(message) = self.next(until).await? {
            if let Message::RunReading { reading, .. } | Message::Reading(reading) = message {
                return Ok(Some(reading));
            }
        }
        Ok(None)
    }
}
