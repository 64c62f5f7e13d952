//! The firmware that a case is run against: the linked core, or an image.

use super::case::Case;
use super::run::RATE_HZ;
use crate::sim::host_end::HostEnd;
use crate::sim::image::{Image, ImageError, bits_of, outputs_of};
use crate::sim::pair::{Compared, Pair, PairError};
use ohmward_core::{Identity, Inputs, Monitor, Outputs, Sample};
use ohmward_proto::Event;
use ohmward_proto::emulated::Setup;
use ohmward_proto::measure::TripState;
use ohmward_proto::message::{Ack, BoardId, Message};
use ohmward_proto::settings::SettingsFault;

/// Samples after the last one for what a board alone has still to tell: it tells an event in the sample that made it, and the
/// acknowledgement of the one before comes with the next sample.
const LAST_WORDS: u32 = 100;

/// Something that decides, a sample at a time, and tells events.
pub trait Firmware {
    /// One sample and its inputs.
    ///
    /// # Errors
    /// It cannot go on.
    fn step(&mut self, sample: &Sample, inputs: &Inputs) -> Result<Outputs, PairError>;

    /// Where its trip logic stands after that sample.
    fn state(&self) -> TripState;

    /// Hands over the events that it has told since the last call, and acknowledges them. They may come late: when they happened
    /// stands in them.
    fn tell(&mut self, hear: impl FnMut(&Event));

    /// Has it tell what it still can without another sample. Returns whether more may come.
    ///
    /// # Errors
    /// As [`Self::step`].
    fn catch_up(&mut self) -> Result<bool, PairError>;
}

/// How a board of a case starts.
fn identity(case: &Case) -> Identity {
    Identity {
        board: BoardId(0x0be0),
        boot: 1,
        reason: case.start,
        sample_rate_hz: RATE_HZ,
        epoch_unix_ms: None,
    }
}

/// The same for an emulated one.
pub fn setup(case: &Case) -> Setup {
    let identity = identity(case);
    Setup {
        board: identity.board,
        boot: identity.boot,
        reason: identity.reason,
        sample_rate_hz: identity.sample_rate_hz,
        epoch_unix_ms: identity.epoch_unix_ms,
        settings: case.settings,
        calibration: case.calibration,
    }
}

/// The core, linked into this program.
///
/// # Errors
/// Settings it does not start with.
pub fn linked(case: &Case) -> Result<Monitor, SettingsFault> {
    Monitor::new(identity(case), case.settings, case.calibration)
}

impl Firmware for Monitor {
    fn step(&mut self, sample: &Sample, inputs: &Inputs) -> Result<Outputs, PairError> {
        Ok(self.step(sample, inputs))
    }

    fn state(&self) -> TripState {
        self.state()
    }

    fn tell(&mut self, mut hear: impl FnMut(&Event)) {
        while self.events_waiting() > 0 {
            let Some(message) = self.poll() else {
                break;
            };
            let Message::Event(event) = message else {
                continue;
            };
            self.receive(&Message::Ack(Ack::Event(event.id)));
            hear(&event);
        }
    }

    fn catch_up(&mut self) -> Result<bool, PairError> {
        Ok(false)
    }
}

/// An image in lockstep with the linked firmware, which leads.
pub struct Led<'a> {
    pair: Pair<'a>,
}

impl<'a> Led<'a> {
    /// A pair that has just started.
    pub fn new(pair: Pair<'a>) -> Self {
        Self { pair }
    }

    /// What has been compared.
    pub fn compared(&self) -> Compared {
        self.pair.compared()
    }
}

impl Firmware for Led<'_> {
    fn step(&mut self, sample: &Sample, inputs: &Inputs) -> Result<Outputs, PairError> {
        self.pair.turn(sample, inputs)
    }

    fn state(&self) -> TripState {
        self.pair.state()
    }

    fn tell(&mut self, hear: impl FnMut(&Event)) {
        self.pair.host.events.iter().for_each(hear);
        self.pair.host.events.clear();
    }

    fn catch_up(&mut self) -> Result<bool, PairError> {
        self.pair.catch_up()?;
        Ok(!self.pair.all_told())
    }
}

/// An image by itself: every sample waits for its answer.
pub struct Alone<'a> {
    image: &'a mut Image,
    host: HostEnd,
    state: TripState,
    last_words: u32,
}

impl<'a> Alone<'a> {
    /// Starts the image's board with blank flash.
    ///
    /// # Errors
    /// The image does not start.
    pub fn start(image: &'a mut Image, setup: &Setup) -> Result<Self, ImageError> {
        image.restart_blank(setup)?;
        image.send(&HostEnd::greeting())?;
        Ok(Self {
            image,
            host: HostEnd::default(),
            state: TripState::Resting,
            last_words: LAST_WORDS,
        })
    }
}

impl Firmware for Alone<'_> {
    fn step(&mut self, sample: &Sample, inputs: &Inputs) -> Result<Outputs, PairError> {
        let answers = self.image.step(&[(*sample, bits_of(inputs))])?;
        let said = self.image.take_output()?;
        if !said.is_empty() {
            let answer = self.host.hear(&said);
            self.image.send(&answer)?;
        }
        let Some(answer) = answers.first() else {
            return Ok(Outputs::default());
        };
        // A number that no state has is no connected array.
        self.state = answer.trip_state().unwrap_or(TripState::FailedToOpen);
        Ok(outputs_of(answer.outputs))
    }

    fn state(&self) -> TripState {
        self.state
    }

    fn tell(&mut self, hear: impl FnMut(&Event)) {
        self.host.events.iter().for_each(hear);
        self.host.events.clear();
    }

    fn catch_up(&mut self) -> Result<bool, PairError> {
        self.last_words = self.last_words.saturating_sub(1);
        Ok(self.last_words > 0)
    }
}
