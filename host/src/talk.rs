//! A few words with one board, asked for by a person: what is set, set this, test yourself.
//!
//! Nothing is acknowledged here. What the board has to tell stays with it until a recorder has it on disk, so this may be
//! done on a board that no one records, and nothing is lost by it.

pub mod calibration;

use crate::link::{Source, port};
use ohmward_proto::decoder::Decoder;
use ohmward_proto::event::{EventKind, SelfTestFault, TripCause};
use ohmward_proto::frame::{MAX_FRAME, encode};
use ohmward_proto::message::{Command, CommandOutcome, Hello, Message, PROTOCOL_VERSION};
use ohmward_proto::settings::SettingsFault;
use ohmward_proto::units::Amps;
use ohmward_proto::{NotMeasured, Settings};
use std::collections::BTreeSet;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::time::{Instant, timeout_at};

/// How long a board may take to answer a question.
const ANSWER_WITHIN: Duration = Duration::from_secs(5);
/// A question without an answer is asked again after this long: a line may lose it.
const ASK_AGAIN: Duration = Duration::from_secs(1);

/// Why a talk came to nothing.
#[derive(Debug, thiserror::Error)]
pub enum TalkError {
    /// The device did not open.
    #[error("{from}: cannot open: {why}")]
    Open {
        /// Which.
        from: String,
        /// Why, and what to do.
        why: String,
    },
    /// Nothing there speaks the protocol, or it does not answer this.
    #[error(
        "{from}: no answer. Is the board powered, does another host hold it, is the speed right? (--baud, {baud} now)"
    )]
    Silent {
        /// Which.
        from: String,
        /// Speed tried.
        baud: u32,
    },
    /// It went away.
    #[error("{from}: {why}")]
    Gone {
        /// Which.
        from: String,
        /// How that showed.
        why: String,
    },
    /// The board's firmware does not know the question.
    #[error(
        "{from}: this board's firmware {firmware} speaks version {speaks} of the protocol, which knows {no}: \
         update the board"
    )]
    TooOld {
        /// Which.
        from: String,
        /// major.minor.patch
        firmware: String,
        /// Its protocol.
        speaks: u16,
        /// What it does not know.
        no: &'static str,
    },
    /// The runtime did not start.
    #[error("cannot start: {0}")]
    Runtime(std::io::Error),
}

impl TalkError {
    fn too_old(line: &Line, hello: &Hello, no: &'static str) -> Self {
        let (major, minor, patch) = hello.firmware;
        Self::TooOld {
            from: line.from.to_string(),
            firmware: format!("{major}.{minor}.{patch}"),
            speaks: hello.protocol,
            no,
        }
    }
}

/// Where a board is, and how to reach it.
#[derive(Clone, Debug)]
pub struct Line {
    /// The device or address.
    pub from: Source,
    /// Speed of a serial line.
    pub baud: u32,
}

/// What became of a self-test.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum SelfTested {
    /// It found what it should.
    Passed {
        /// The test current as seen.
        injected: Amps,
        /// What is read with the bond open.
        zero: Amps,
    },
    /// It did not; the board has tripped.
    Failed(SelfTestFault),
    /// Another trip came between.
    Tripped(TripCause),
    /// The board would not begin in its present state.
    NotNow,
    /// It was begun and nothing was heard of it within the time.
    NoResult {
        /// What the insulation check said meanwhile, if anything.
        last: Option<NotMeasured>,
    },
}

/// Asks what is set.
///
/// # Errors
/// [`TalkError`].
pub fn settings(line: &Line) -> Result<(Hello, Settings), TalkError> {
    with_board(line, async |talk, hello| {
        let settings = talk
            .ask(&Message::SettingsGet, |message| match message {
                Message::SettingsAre(settings) => Some(*settings),
                _ => None,
            })
            .await?;
        Ok((hello, settings))
    })
}

/// Sets these: what the board says to it, the new hash or what is wrong.
///
/// # Errors
/// [`TalkError`].
pub fn put_settings(
    line: &Line,
    settings: &Settings,
) -> Result<Result<u32, SettingsFault>, TalkError> {
    with_board(line, async |talk, _| {
        // Put twice they are the same settings: asking again is no harm.
        talk.ask(&Message::SettingsPut(*settings), |message| match message {
            Message::SettingsResult(result) => Some(*result),
            _ => None,
        })
        .await
    })
}

/// Has the board test itself, and waits for what comes of it.
///
/// # Errors
/// [`TalkError`].
pub fn self_test(line: &Line, within: Duration) -> Result<SelfTested, TalkError> {
    with_board(line, async |talk, hello| {
        if hello.protocol < 2 {
            return Err(TalkError::too_old(line, &hello, "no self-test"));
        }
        // Events that nobody has acknowledged come again after a hello: what happened before is not the answer.
        let before = hello.at;
        let mut heard = BTreeSet::new();
        let outcome = talk
            .ask(
                &Message::Command(Command::SelfTest),
                |message| match message {
                    Message::CommandResult {
                        command: Command::SelfTest,
                        outcome,
                    } => Some(*outcome),
                    _ => None,
                },
            )
            .await?;
        if outcome != CommandOutcome::Done {
            return Ok(SelfTested::NotNow);
        }
        let until = Instant::now() + within;
        let mut last = None;
        loop {
            let Some(message) = talk.next(until).await? else {
                return Ok(SelfTested::NoResult { last });
            };
            let Message::Event(event) = message else {
                continue;
            };
            if event.id.boot != hello.boot || event.at <= before || !heard.insert(event.id) {
                continue;
            }
            match event.kind {
                EventKind::SelfTestPassed { injected, zero } => {
                    return Ok(SelfTested::Passed { injected, zero });
                }
                EventKind::Tripped { cause, .. } => {
                    return Ok(match cause {
                        TripCause::SelfTestFailed(fault) => SelfTested::Failed(fault),
                        other => SelfTested::Tripped(other),
                    });
                }
                EventKind::SelfTestFailed(fault) => return Ok(SelfTested::Failed(fault)),
                EventKind::InsulationNotMeasured(why) => last = Some(why),
                _ => {}
            }
        }
    })
}

/// The line, and what came on it.
struct Talk<'l> {
    line: &'l Line,
    port: Box<dyn port::Port>,
    decoder: Decoder,
    /// Messages that came together with one that was waited for.
    ready: std::collections::VecDeque<Message>,
}

fn with_board<T>(
    line: &Line,
    work: impl AsyncFnOnce(&mut Talk<'_>, Hello) -> Result<T, TalkError>,
) -> Result<T, TalkError> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(TalkError::Runtime)?;
    runtime.block_on(async {
        let from = line.from.to_string();
        let port = port::open(&line.from, line.baud)
            .await
            .map_err(|why| TalkError::Open { from, why })?;
        let mut talk = Talk {
            line,
            port,
            decoder: Decoder::new(),
            ready: std::collections::VecDeque::new(),
        };
        // A zero first: whatever an earlier host left half-sent ends here.
        talk.send(&[0]).await?;
        let ask = Message::HelloAsk {
            protocol: PROTOCOL_VERSION,
        };
        let hello = talk
            .ask(&ask, |message| match message {
                Message::Hello(hello) => Some(*hello),
                _ => None,
            })
            .await?;
        work(&mut talk, hello).await
    })
}

impl Talk<'_> {
    async fn send(&mut self, bytes: &[u8]) -> Result<(), TalkError> {
        let sent = self.port.write_all(bytes).await;
        sent.map_err(|e| self.gone(format!("the device went away ({e})")))
    }

    fn gone(&self, why: String) -> TalkError {
        TalkError::Gone {
            from: self.line.from.to_string(),
            why,
        }
    }

    async fn tell(&mut self, message: &Message) -> Result<(), TalkError> {
        let mut frame = [0; MAX_FRAME];
        let len = encode(message, &mut frame).unwrap_or(0);
        self.send(&frame[..len]).await
    }

    /// Asks, again and again, until `answer` knows an answer.
    async fn ask<T>(
        &mut self,
        question: &Message,
        answer: impl Fn(&Message) -> Option<T>,
    ) -> Result<T, TalkError> {
        let mut frame = [0; MAX_FRAME];
        // No message is longer than a frame (a property test of the protocol holds that).
        let len = encode(question, &mut frame).unwrap_or(0);
        let until = Instant::now() + ANSWER_WITHIN;
        while Instant::now() < until {
            self.send(&frame[..len]).await?;
            let again = (Instant::now() + ASK_AGAIN).min(until);
            while let Some(message) = self.next(again).await? {
                if let Some(answer) = answer(&message) {
                    return Ok(answer);
                }
            }
        }
        Err(TalkError::Silent {
            from: self.line.from.to_string(),
            baud: self.line.baud,
        })
    }

    /// The next whole message; `None` when the time is over.
    async fn next(&mut self, until: Instant) -> Result<Option<Message>, TalkError> {
        let mut bytes = [0; 4096];
        loop {
            if let Some(message) = self.ready.pop_front() {
                return Ok(Some(message));
            }
            match timeout_at(until, self.port.read(&mut bytes)).await {
                Err(_) => return Ok(None),
                Ok(Ok(0)) => {
                    return Err(self.gone("the other end closed the connection".to_owned()));
                }
                Ok(Ok(n)) => {
                    let ready = &mut self.ready;
                    self.decoder.feed(&bytes[..n], |m| ready.extend(m.ok()));
                }
                Ok(Err(e)) => return Err(self.gone(format!("the device went away ({e})"))),
            }
        }
    }
}
