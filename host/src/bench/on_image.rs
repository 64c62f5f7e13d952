//! Cases through an image: an emulator a thread, its board as from the factory for each case.

use super::BenchError;
use super::case::Case;
use super::firmware::{Alone, Led, setup};
use super::rig::run_on;
use super::run::{Outcome, Verdict, run_many};
use crate::sim::image::{Identity, Image, ImageError, identify};
use crate::sim::pair::{Compared, Depth, Pair, PairError};
use ohmward_proto::measure::TripState;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

/// An image, and how cases are run on it.
#[derive(Debug)]
pub struct OnImage {
    path: PathBuf,
    compare: bool,
    identity: Identity,
    compared: Mutex<Compared>,
    alone: AtomicUsize,
}

/// What ran, for a report.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ImageRun {
    /// Which image, in which emulator.
    pub identity: Identity,
    /// What was compared with the linked firmware, if that was asked.
    pub compared: Option<Compared>,
    /// Cases in which the image's outputs left the linked firmware's, and which were run again with every sample waiting for
    /// the image's answer.
    pub alone: usize,
}

impl OnImage {
    /// Looks at image and emulator. With `compare` a case fails in which any output, trip state, byte on the link or byte of
    /// flash is another than the linked firmware's.
    ///
    /// # Errors
    /// The image is missing or none; no emulator.
    pub fn new(path: &Path, compare: bool) -> Result<Self, ImageError> {
        Ok(Self {
            path: path.to_owned(),
            compare,
            identity: identify(path)?,
            compared: Mutex::default(),
            alone: AtomicUsize::new(0),
        })
    }

    /// What has run so far.
    pub fn summary(&self) -> ImageRun {
        ImageRun {
            identity: self.identity.clone(),
            compared: self.compare.then(|| *self.lock()),
            alone: self.alone.load(Ordering::Relaxed),
        }
    }

    /// Options of `bench` that run cases so.
    pub fn options(&self) -> String {
        let compare = if self.compare { " --compare" } else { "" };
        format!(" --image {}{compare}", self.path.display())
    }

    /// As [`run_many`].
    pub(super) fn run(
        &self,
        count: usize,
        threads: usize,
        make: impl Fn(usize) -> Case + Sync,
    ) -> Result<Vec<(Case, Outcome)>, BenchError> {
        run_many(
            count,
            threads,
            &make,
            || Ok(Image::start(&self.path, &setup(&make(0)))?),
            |image, case| {
                self.case(image, case)
                    .map_err(|why| BenchError::of(case, why))
            },
        )
    }

    fn case(&self, image: &mut Image, case: &Case) -> Result<Outcome, PairError> {
        let depth = if self.compare {
            Depth::All
        } else {
            Depth::Loop
        };
        let mut led = Led::new(Pair::start(image, &setup(case), depth)?);
        let done = run_on(case, &mut led);
        let compared = led.compared();
        *self.lock() += compared;
        match done {
            Err(PairError::Differ(difference)) if self.compare => Ok(Outcome {
                verdict: Verdict::Differs,
                reached_s: None,
                cause: None,
                against: None,
                state: TripState::Resting,
                samples: compared.samples,
                difference: Some(difference),
            }),
            // Another firmware may do otherwise and be right: the loop is closed through it alone.
            Err(PairError::Differ(_)) => {
                self.alone.fetch_add(1, Ordering::Relaxed);
                run_on(case, &mut Alone::start(image, &setup(case))?)
            }
            done => done,
        }
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Compared> {
        self.compared
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
    }
}
