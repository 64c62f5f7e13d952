//! An image beside the linked firmware, in lockstep.
//!
//! The linked firmware closes the loop with its surroundings and leads by up to [`BATCH`] samples; the image gets the very same
//! samples, and its answers are compared. As long as both drive the same outputs, the loop was closed around the image just
//! as well: the surroundings see nothing of a board but its outputs. So a run is as good as one in which every sample waited for the
//! image's answer, and many times as fast.

use super::host_end::{HostEnd, messages};
use super::image::{Image, ImageError, bits_of, outputs_of};
use super::linked::LinkedBoard;
use ohmward_core::{Inputs, Outputs, Sample};
use ohmward_proto::emulated::{Answer, Setup};
use ohmward_proto::measure::TripState;
use ohmward_proto::settings::SettingsFault;
use std::collections::VecDeque;

/// Samples given to the image at a time, a quarter of a second.
pub const BATCH: usize = 1000;

/// What is compared.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Depth {
    /// Outputs and trip state: that the loop is closed around the image.
    Loop,
    /// Every byte on the link and of flash too.
    All,
}

/// The first thing in which image and linked firmware differ.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("sample {sample}: {field} differs: linked {linked}, image {image}")]
pub struct Difference {
    /// Which sample, from 0.
    pub sample: u64,
    /// What.
    pub field: &'static str,
    /// The linked firmware's.
    pub linked: String,
    /// The image's.
    pub image: String,
}

/// Why a pair does not go on.
#[derive(Debug, thiserror::Error)]
pub enum PairError {
    /// The emulated board.
    #[error(transparent)]
    Image(#[from] ImageError),
    /// The firmware does not start so.
    #[error("the firmware does not start: {0}")]
    Settings(SettingsFault),
    /// They are not the same.
    #[error(transparent)]
    Differ(Box<Difference>),
}

/// What has been compared.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Compared {
    /// Samples: outputs and trip state.
    pub samples: u64,
    /// Bytes on the link.
    pub link_bytes: u64,
    /// Contents of the whole flash.
    pub flashes: u64,
}

impl std::ops::AddAssign for Compared {
    fn add_assign(&mut self, other: Self) {
        self.samples += other.samples;
        self.link_bytes += other.link_bytes;
        self.flashes += other.flashes;
    }
}

/// What the linked firmware did with a sample.
struct Done {
    outputs: Outputs,
    state: TripState,
    said: usize,
}

/// Both, side by side.
pub struct Pair<'a> {
    image: &'a mut Image,
    linked: LinkedBoard,
    depth: Depth,
    waiting: Vec<(Sample, u16)>,
    done: VecDeque<Done>,
    /// The host that the image talks with: what it keeps is the image's.
    pub host: HostEnd,
    linked_host: HostEnd,
    sent_before: u32,
    compared: Compared,
    samples: u64,
    /// The image's answers, if they are wanted.
    pub answers: Option<Vec<Answer>>,
}

impl<'a> Pair<'a> {
    /// Starts both with blank flash.
    ///
    /// # Errors
    /// [`PairError`].
    pub fn start(image: &'a mut Image, setup: &Setup, depth: Depth) -> Result<Self, PairError> {
        let linked = LinkedBoard::start(setup).map_err(PairError::Settings)?;
        Self::of(image, setup, linked, depth)
    }

    /// The image beside a linked board that has just been started, in whichever way.
    ///
    /// # Errors
    /// [`PairError`].
    pub fn of(
        image: &'a mut Image,
        setup: &Setup,
        linked: LinkedBoard,
        depth: Depth,
    ) -> Result<Self, PairError> {
        image.restart_blank(setup)?;
        let sent_before = image.link_sent()?;
        let greeting = HostEnd::greeting();
        linked.send(&greeting);
        image.send(&greeting)?;
        Ok(Self {
            image,
            linked,
            depth,
            waiting: Vec::new(),
            done: VecDeque::new(),
            host: HostEnd::default(),
            linked_host: HostEnd::default(),
            sent_before,
            compared: Compared::default(),
            samples: 0,
            answers: None,
        })
    }

    /// One sample. The image's part in it is compared within [`BATCH`] of them.
    ///
    /// # Errors
    /// [`PairError`]: of this sample or one before.
    pub fn turn(&mut self, sample: &Sample, inputs: &Inputs) -> Result<Outputs, PairError> {
        let outputs = self.linked.turn(sample, inputs);
        self.waiting.push((*sample, bits_of(inputs)));
        self.done.push_back(Done {
            outputs,
            state: self.linked.monitor().state(),
            said: self.linked.output_len(),
        });
        self.samples += 1;
        if self.waiting.len() == BATCH {
            self.catch_up()?;
        }
        Ok(outputs)
    }

    /// Gives the image what the linked firmware has had and compares what both did; then the host answers both.
    ///
    /// # Errors
    /// [`PairError`].
    pub fn catch_up(&mut self) -> Result<(), PairError> {
        let given = std::mem::take(&mut self.waiting);
        let answers = self.image.step(&given)?;
        let first = self.samples - answers.len() as u64;
        let image = self.image.take_output()?;
        let linked = self.linked.take_output();
        let mut said_before = 0;
        for (sample, answer) in (first..).zip(&answers) {
            let Some(done) = self.done.pop_front() else {
                break;
            };
            let differ = |field, linked: String, image: String| {
                Err(PairError::Differ(Box::new(Difference {
                    sample,
                    field,
                    linked,
                    image,
                })))
            };
            let outputs = outputs_of(answer.outputs);
            if outputs != done.outputs {
                return differ(
                    "outputs",
                    format!("{:?}", done.outputs),
                    format!("{outputs:?}"),
                );
            }
            let state = answer.trip_state();
            if state != Some(done.state) {
                let image = state.map_or_else(|| answer.state.to_string(), |s| format!("{s:?}"));
                return differ("trip state", format!("{:?}", done.state), image);
            }
            let said = answer.link_sent.wrapping_sub(self.sent_before) as usize;
            if self.depth == Depth::All
                && (said != done.said
                    || linked.get(said_before..said) != image.get(said_before..said))
            {
                let of = |bytes: &[u8], end: usize| {
                    let said = bytes.get(said_before..end).unwrap_or_default();
                    format!("{} bytes {:?}", said.len(), messages(said))
                };
                return differ("link", of(&linked, done.said), of(&image, said));
            }
            said_before = said;
        }
        let last = answers.last();
        self.sent_before = last.map_or(self.sent_before, |last| last.link_sent);
        self.compared.samples += answers.len() as u64;
        if self.depth == Depth::All && !answers.is_empty() {
            self.compared.link_bytes += image.len() as u64;
            self.compare_flash()?;
        }
        if let Some(kept) = &mut self.answers {
            kept.extend(answers);
        }
        let answer = self.host.hear(&image);
        self.image.send(&answer)?;
        self.linked.send(&self.linked_host.hear(&linked));
        // Only what the image tells is looked at; this one's answers are.
        self.linked_host.events.clear();
        self.linked_host.readings.clear();
        Ok(())
    }

    fn compare_flash(&mut self) -> Result<(), PairError> {
        let (linked, image) = (self.linked.flash(), self.image.flash()?);
        self.compared.flashes += 1;
        let Some(at) =
            (0..linked.len().max(image.len())).find(|at| linked.get(*at) != image.get(*at))
        else {
            return Ok(());
        };
        let from = |bytes: &[u8]| {
            let some = &bytes[at.min(bytes.len())..bytes.len().min(at + 16)];
            format!("{some:02x?} from byte {at:#x} on")
        };
        Err(PairError::Differ(Box::new(Difference {
            sample: self.samples - 1,
            field: "flash after this sample or up to 1000 before it",
            linked: from(&linked),
            image: from(&image),
        })))
    }

    /// Where the trip logic stands.
    pub fn state(&self) -> TripState {
        self.linked.monitor().state()
    }

    /// Nothing that happened is still to be told.
    pub fn all_told(&self) -> bool {
        self.linked.monitor().events_waiting() == 0
    }

    /// The linked firmware, to look at; up to [`BATCH`] samples ahead of the image.
    pub fn linked(&self) -> &LinkedBoard {
        &self.linked
    }

    /// What has been compared so far.
    pub fn compared(&self) -> Compared {
        self.compared
    }
}
