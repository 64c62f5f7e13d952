//! Faults in scenario time: where, how many ohms, when, and by which law they come and go.

use crate::array::{End, FarEnd, FaultPath, Place};
use crate::sensors::{stream, uniform};
use ohmward_proto::SampleIndex;
use rand_pcg::Pcg64Mcg;
use serde::Deserialize;

/// One `[[fault]]` of a scenario.
#[derive(Clone, PartialEq, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FaultSettings {
    /// String, counted from 1. Together with `position`; or else `conductor`.
    pub string: Option<u32>,
    /// Modules between the negative end of the string and the fault: 0 is the negative end.
    pub position: Option<u32>,
    /// On a main conductor instead.
    pub conductor: Option<Conductor>,
    /// Which end of that conductor: at the array, or at the monitor.
    pub at: Option<End>,
    /// Where it leads: frames, soil, or the bar at the monitor.
    #[serde(default)]
    pub to: FarEnd,
    /// Resistance of the fault, Ω. Or else `degrading`.
    pub ohm: Option<f64>,
    /// Resistance that falls over time.
    pub degrading: Option<Degrading>,
    /// Begins, hours from the start.
    #[serde(default)]
    pub from_h: f64,
    /// Ends, hours from the start; without it, never.
    pub to_h: Option<f64>,
    /// Comes and goes.
    pub intermittent: Option<Intermittent>,
    /// Only with wetness above this (0..1): its conductance grows from there to full at wetness 1.
    pub wet_above: Option<f64>,
}

/// A main conductor of the array.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Conductor {
    /// The positive one, from the joint of the strings to the contactor.
    Positive,
    /// The negative one.
    Negative,
}

/// Contact for a while, none for a while; each length is drawn evenly between half and one and a half of the mean.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Intermittent {
    /// Mean contact, s.
    pub on_s: f64,
    /// Mean pause, s.
    pub off_s: f64,
}

/// A connector taking in water: resistance falls by the same share every hour, and further while it is wet.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Degrading {
    /// At the start of the fault, dry, Ω.
    pub r_start_ohm: f64,
    /// From `until_h` on, dry, Ω.
    pub r_end_ohm: f64,
    /// When `r_end_ohm` is reached, hours from the start.
    pub until_h: f64,
    /// Fully wet, the resistance is divided by this.
    #[serde(default = "one")]
    pub wet_divisor: f64,
}

fn one() -> f64 {
    1.0
}

impl FaultSettings {
    /// From where to where, if the scenario says it in one of the two ways.
    pub fn path(&self) -> Option<FaultPath> {
        let place = match (self.string, self.position, self.conductor, self.at) {
            (Some(string), Some(modules_below), None, None) => Place::Tap {
                string: string.checked_sub(1)?,
                modules_below,
            },
            (None, None, Some(Conductor::Positive), at) => Place::Positive(at.unwrap_or_default()),
            (None, None, Some(Conductor::Negative), at) => Place::Negative(at.unwrap_or_default()),
            _ => return None,
        };
        Some(FaultPath { place, to: self.to })
    }
}

/// Hours of a scenario in samples.
pub(crate) fn at_hours(hours: f64, sample_rate_hz: u32) -> SampleIndex {
    SampleIndex((hours * 3600.0 * f64::from(sample_rate_hz)).round() as u64)
}

/// One fault as time goes by.
#[derive(Clone, Debug)]
pub struct Fault {
    settings: FaultSettings,
    sample_rate_hz: u32,
    from: SampleIndex,
    to: SampleIndex,
    touching: bool,
    /// Next change of `touching`.
    edge: SampleIndex,
    rng: Pcg64Mcg,
}

const NEVER: SampleIndex = SampleIndex(u64::MAX);
const INTERMITTENT: u64 = 100;

impl Fault {
    /// `index` tells the faults of a scenario apart, so that each keeps its own rhythm.
    pub fn new(settings: &FaultSettings, sample_rate_hz: u32, seed: u64, index: usize) -> Self {
        let from = at_hours(settings.from_h, sample_rate_hz);
        Self {
            settings: settings.clone(),
            sample_rate_hz,
            from,
            to: settings
                .to_h
                .map_or(NEVER, |to_h| at_hours(to_h, sample_rate_hz)),
            touching: settings.intermittent.is_none(),
            edge: if settings.intermittent.is_some() {
                from
            } else {
                NEVER
            },
            rng: stream(seed, INTERMITTENT, index as u64),
        }
    }

    /// Next time after `now` at which the fault changes by itself (a degrading one also follows the weather ticks).
    /// Ask after [`conductance_s`](Self::conductance_s) at `now`, which draws the next edge of an intermittent one.
    pub fn next_change(&self, now: SampleIndex) -> SampleIndex {
        let edge = self.edge.max(self.from);
        [self.from, self.to, edge]
            .into_iter()
            .filter(|at| *at > now)
            .min()
            .unwrap_or(NEVER)
    }

    /// Conductance at `now`, S; `now` never goes back.
    pub fn conductance_s(&mut self, now: SampleIndex, wetness: f64) -> f64 {
        if !(self.from..self.to).contains(&now) {
            return 0.0;
        }
        if let Some(rhythm) = self.settings.intermittent {
            while self.edge <= now {
                self.touching = !self.touching;
                let mean_s = if self.touching {
                    rhythm.on_s
                } else {
                    rhythm.off_s
                };
                let length_s = mean_s * (0.5 + uniform(&mut self.rng));
                let samples = (length_s * f64::from(self.sample_rate_hz)).round().max(1.0);
                self.edge = self.edge.after(samples as u64);
            }
        }
        if !self.touching {
            return 0.0;
        }
        let water = match self.settings.wet_above {
            Some(above) => ((wetness - above) / (1.0 - above)).max(0.0),
            None => 1.0,
        };
        water / self.resistance_ohm(now, wetness)
    }

    fn resistance_ohm(&self, now: SampleIndex, wetness: f64) -> f64 {
        let Some(law) = self.settings.degrading else {
            // The scenario has checked that there is one or the other.
            return self.settings.ohm.unwrap_or(f64::INFINITY);
        };
        let until = at_hours(law.until_h, self.sample_rate_hz);
        let done = (now.since(self.from) as f64 / until.since(self.from).max(1) as f64).min(1.0);
        let dry = law.r_start_ohm * (law.r_end_ohm / law.r_start_ohm).powf(done);
        dry / (1.0 + (law.wet_divisor - 1.0) * wetness)
    }
}

#[cfg(test)]
// Exact zeros and exact inputs.
#[allow(clippy::float_cmp)]
mod tests {
    use super::*;

    const HOUR: u64 = 3600 * 4000;

    fn settings() -> FaultSettings {
        FaultSettings {
            string: Some(1),
            position: Some(3),
            conductor: None,
            at: None,
            to: FarEnd::Frame,
            ohm: Some(1000.0),
            degrading: None,
            from_h: 1.0,
            to_h: Some(2.0),
            intermittent: None,
            wet_above: None,
        }
    }

    #[test]
    fn begins_and_ends_on_the_sample() {
        let mut fault = Fault::new(&settings(), 4000, 1, 0);
        assert_eq!(fault.next_change(SampleIndex(0)), SampleIndex(HOUR));
        assert_eq!(fault.conductance_s(SampleIndex(HOUR - 1), 0.0), 0.0);
        assert_eq!(fault.conductance_s(SampleIndex(HOUR), 0.0), 1e-3);
        assert_eq!(fault.next_change(SampleIndex(HOUR)), SampleIndex(2 * HOUR));
        assert_eq!(fault.conductance_s(SampleIndex(2 * HOUR), 0.0), 0.0);
        assert_eq!(fault.next_change(SampleIndex(2 * HOUR)), NEVER);
    }

    /// Geometric mean half way, end value after it, divided when wet: by hand.
    #[test]
    fn degrades_by_the_same_share_every_hour() {
        let law = Degrading {
            r_start_ohm: 1e6,
            r_end_ohm: 1e4,
            until_h: 3.0,
            wet_divisor: 4.0,
        };
        let mut fault = Fault::new(
            &FaultSettings {
                ohm: None,
                degrading: Some(law),
                to_h: None,
                ..settings()
            },
            4000,
            1,
            0,
        );
        for (hour, wetness, ohm) in [
            (1, 0.0, 1e6),
            (2, 0.0, 1e5),
            (3, 0.0, 1e4),
            (9, 0.0, 1e4),
            (9, 1.0, 2.5e3),
        ] {
            let got = 1.0 / fault.conductance_s(SampleIndex(hour * HOUR), wetness);
            assert!((got / ohm - 1.0_f64).abs() < 1e-9, "{hour} h: {got}");
        }
    }

    #[test]
    fn wet_only_grows_above_its_threshold() {
        let mut fault = Fault::new(
            &FaultSettings {
                wet_above: Some(0.2),
                ..settings()
            },
            4000,
            1,
            0,
        );
        for (wetness, siemens) in [(0.0, 0.0), (0.2, 0.0), (0.6, 0.5e-3), (1.0, 1e-3)] {
            assert!((fault.conductance_s(SampleIndex(HOUR), wetness) - siemens).abs() < 1e-12);
        }
    }

    #[test]
    fn intermittent_keeps_its_means_and_its_seed() {
        let rhythm = Intermittent {
            on_s: 0.5,
            off_s: 1.5,
        };
        let settings = FaultSettings {
            intermittent: Some(rhythm),
            ..settings()
        };
        let trace = |seed| {
            let mut fault = Fault::new(&settings, 4000, seed, 0);
            let (mut now, mut on) = (SampleIndex(HOUR), 0);
            let mut edges = Vec::new();
            assert!(fault.conductance_s(now, 0.0) > 0.0, "begins with contact");
            loop {
                let touching = fault.conductance_s(now, 0.0) > 0.0;
                let next = fault.next_change(now).min(SampleIndex(2 * HOUR));
                if touching {
                    on += next.since(now);
                }
                if next == SampleIndex(2 * HOUR) {
                    return (edges, on);
                }
                now = next;
                edges.push(now);
            }
        };
        let (edges, on) = trace(1);
        assert_eq!(edges, trace(1).0);
        assert_ne!(edges, trace(2).0);
        // About 3600 of each in an hour, lengths ±29 %: a quarter of the time within a per cent.
        let share = on as f64 / HOUR as f64;
        assert!((share - 0.25).abs() < 0.01, "{share}");
        assert!((3400..3800).contains(&edges.len()), "{}", edges.len());
    }
}
