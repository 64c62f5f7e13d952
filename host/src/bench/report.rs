//! What a run amounts to: cases in groups, the worst of each, and what was missed.

use super::case::{Case, Limit, Source};
use super::on_image::ImageRun;
use super::run::{Outcome, Verdict};
use std::borrow::Cow;

/// Where a case can be had again, alone.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Origin {
    /// Built in.
    Matrix,
    /// Drawn.
    Random {
        /// Seed of the series.
        seed: u64,
        /// Place in it.
        only: u64,
    },
    /// A file; this is its path.
    Trace(String),
}

/// One case that has been run.
#[derive(Clone, Debug)]
pub struct Run {
    /// Where it comes from.
    pub origin: Origin,
    /// Options that say what it ran against, each with a blank before it.
    pub options: String,
    /// What it was.
    pub case: Case,
    /// What became of it.
    pub outcome: Outcome,
}

/// A word as a shell takes it, quoted where it has to be.
pub fn shell_word(word: &str) -> String {
    // Only a NUL cannot be quoted, and no argument holds one.
    shlex::try_quote(word).map_or_else(|_| word.to_owned(), Cow::into_owned)
}

impl Run {
    /// The command that runs this case alone.
    pub fn command(&self) -> String {
        let options = &self.options;
        match &self.origin {
            Origin::Matrix => format!("ohmward bench{options} --case {}", self.case.name),
            Origin::Random { seed, only } => {
                format!("ohmward bench{options} --seed {seed} --only {only}")
            }
            Origin::Trace(path) => format!("ohmward bench{options} {}", shell_word(path)),
        }
    }

    /// Part of the allowed time that was left, in percent; negative when it was late. None where what happened does not
    /// answer to the fault.
    pub fn margin_percent(&self) -> Option<f64> {
        if !matches!(self.outcome.verdict, Verdict::Pass | Verdict::Late) {
            return None;
        }
        let must = self.case.expect.must?;
        Some((1.0 - self.outcome.reached_s? / must.latest_s) * 100.0)
    }
}

/// Cases that belong on one line.
#[derive(Clone, Debug)]
pub struct Group<'a> {
    /// Its name.
    pub name: &'static str,
    /// Its cases, in their order.
    pub runs: Vec<&'a Run>,
}

impl<'a> Group<'a> {
    /// The limit, if all cases have the same one.
    pub fn limit(&self) -> Option<Limit> {
        let first = self.runs.first()?.case.limit;
        self.runs
            .iter()
            .all(|run| run.case.limit == first)
            .then_some(first)
    }

    /// Source of the first case; a group has one.
    pub fn source(&self) -> Option<&'a Source> {
        self.runs.first().map(|run| &run.case.source)
    }

    /// The case with the least of its allowed time left.
    pub fn worst(&self) -> Option<&'a Run> {
        let left = |run: &&&Run| run.margin_percent().unwrap_or(f64::INFINITY);
        self.runs
            .iter()
            .filter(|run| run.margin_percent().is_some())
            .min_by(|a, b| left(a).total_cmp(&left(b)))
            .copied()
    }

    /// Cases that did not do as demanded.
    pub fn failed(&self) -> usize {
        self.runs.iter().filter(|run| !run.outcome.passed()).count()
    }

    /// Cases in time, yet later than the project's own aim.
    pub fn above_aim(&self) -> usize {
        self.runs
            .iter()
            .filter(|run| run.outcome.above_aim(&run.case))
            .count()
    }
}

/// Everything that was run.
#[derive(Clone, Debug, Default)]
pub struct Report {
    /// In the order of the cases.
    pub runs: Vec<Run>,
    /// Seed of the random series, if one was drawn.
    pub seed: Option<u64>,
    /// The image that was run; `None` for the linked firmware.
    pub image: Option<ImageRun>,
}

impl Report {
    /// Groups in the order of their first cases.
    pub fn groups(&self) -> Vec<Group<'_>> {
        let mut groups: Vec<Group<'_>> = Vec::new();
        for run in &self.runs {
            match groups.iter_mut().find(|group| group.name == run.case.group) {
                Some(group) => group.runs.push(run),
                None => groups.push(Group {
                    name: run.case.group,
                    runs: vec![run],
                }),
            }
        }
        groups
    }

    /// Cases that did not do as demanded.
    pub fn failed(&self) -> impl Iterator<Item = &Run> {
        self.runs.iter().filter(|run| !run.outcome.passed())
    }

    /// What ran, in words.
    pub fn firmware(&self) -> String {
        match &self.image {
            None => format!("linked into this program, {}", env!("CARGO_PKG_VERSION")),
            Some(run) => {
                let id = &run.identity;
                format!(
                    "image {} ({} bytes, SHA-256 {}) in {}",
                    id.name, id.bytes, id.sha256, id.emulator
                )
            }
        }
    }

    /// What a comparison came to, in words; `None` where there was none.
    pub fn comparison(&self) -> Option<String> {
        let compared = self.image.as_ref()?.compared?;
        let differ = self.count(Verdict::Differs);
        let what = format!(
            "outputs and trip state of {} samples, {} bytes on the link, {} contents of the flash",
            compared.samples, compared.link_bytes, compared.flashes
        );
        Some(if differ == 0 {
            format!("the same to the bit as the linked firmware: {what}")
        } else {
            format!("{differ} cases differ from the linked firmware; the same until then: {what}")
        })
    }

    /// Cases of one verdict.
    pub fn count(&self, verdict: Verdict) -> usize {
        self.runs
            .iter()
            .filter(|run| run.outcome.verdict == verdict)
            .count()
    }

    /// The case with the least of its allowed time left.
    pub fn worst(&self) -> Option<&Run> {
        Group {
            name: "",
            runs: self.runs.iter().collect(),
        }
        .worst()
    }
}
