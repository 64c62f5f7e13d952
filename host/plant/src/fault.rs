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
    /// Resistance of the fault, Ω. Or else one of the laws by which it changes.
    pub ohm: Option<f64>,
    /// Resistance that falls by the same share every hour.
    pub degrading: Option<Degrading>,
    /// Resistance that a storm changes for good.
    pub storm_step: Option<StormStep>,
    /// A connector that takes in water while it is wet and dries again.
    pub water: Option<Water>,
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

/// Insulation that was struck: one resistance before, another after.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StormStep {
    /// Before, Ω.
    pub r_before_ohm: f64,
    /// After, Ω.
    pub r_after_ohm: f64,
    /// When the storm strikes, hours from the start.
    pub storm_h: f64,
}

/// Water in one connector: its filling follows the wetness outside with one time constant going in and another coming
/// out; the resistance is interpolated geometrically between dry and full.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Water {
    /// Empty, Ω.
    pub r_dry_ohm: f64,
    /// Full, Ω.
    pub r_full_ohm: f64,
    /// Time constant of filling, h.
    pub soak_h: f64,
    /// Time constant of drying, h.
    pub dry_h: f64,
}

/// Resistance falls by the same share every hour, and further while it is wet.
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
    /// Filling of the connector, 0 to 1, at `filled_at`, and the wetness outside since then.
    filling: f64,
    filled_at: SampleIndex,
    wetness: f64,
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
            filling: 0.0,
            filled_at: SampleIndex(0),
            wetness: 0.0,
            rng: stream(seed, INTERMITTENT, index as u64),
        }
    }

    /// Next time after `now` at which the fault changes by itself (a degrading or filling one also follows the weather
    /// ticks).
    /// Ask after [`conductance_s`](Self::conductance_s) at `now`, which draws the next edge of an intermittent one.
    pub fn next_change(&self, now: SampleIndex) -> SampleIndex {
        let edge = self.edge.max(self.from);
        let storm = self
            .settings
            .storm_step
            .map_or(NEVER, |law| at_hours(law.storm_h, self.sample_rate_hz));
        [self.from, self.to, edge, storm]
            .into_iter()
            .filter(|at| *at > now)
            .min()
            .unwrap_or(NEVER)
    }

    /// Conductance at `now`, S; `now` never goes back.
    pub fn conductance_s(&mut self, now: SampleIndex, wetness: f64) -> f64 {
        self.fill(now, wetness);
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
        if let Some(law) = self.settings.storm_step {
            return if now < at_hours(law.storm_h, self.sample_rate_hz) {
                law.r_before_ohm
            } else {
                law.r_after_ohm
            };
        }
        if let Some(law) = self.settings.water {
            return law.r_dry_ohm * (law.r_full_ohm / law.r_dry_ohm).powf(self.filling);
        }
        let Some(law) = self.settings.degrading else {
            // The scenario has checked that there is one or the other.
            return self.settings.ohm.unwrap_or(f64::INFINITY);
        };
        let until = at_hours(law.until_h, self.sample_rate_hz);
        let done = (now.since(self.from) as f64 / until.since(self.from).max(1) as f64).min(1.0);
        let dry = law.r_start_ohm * (law.r_end_ohm / law.r_start_ohm).powf(done);
        dry / (1.0 + (law.wet_divisor - 1.0) * wetness)
    }

    /// Lets water in or out since the last time, with the wetness of that time: the weather holds between its ticks.
    fn fill(&mut self, now: SampleIndex, wetness: f64) {
        if let Some(law) = self.settings.water {
            let hours = now.since(self.filled_at) as f64 / f64::from(self.sample_rate_hz) / 3600.0;
            let tau_h = if self.wetness > self.filling {
                law.soak_h
            } else {
                law.dry_h
            };
            self.filling += (self.wetness - self.filling) * -(-hours / tau_h).exp_m1();
        }
        (self.filled_at, self.wetness) = (now, wetness);
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
            storm_step: None,
            water: None,
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
    fn a_storm_is_a_change_of_its_own() {
        let law = StormStep {
            r_before_ohm: 1e6,
            r_after_ohm: 2e3,
            storm_h: 1.5,
        };
        let settings = FaultSettings {
            ohm: None,
            storm_step: Some(law),
            ..settings()
        };
        let mut fault = Fault::new(&settings, 4000, 1, 0);
        let storm = SampleIndex(HOUR / 2 * 3);
        assert_eq!(fault.conductance_s(SampleIndex(HOUR), 0.0), 1e-6);
        assert_eq!(fault.next_change(SampleIndex(HOUR)), storm);
        assert_eq!(fault.conductance_s(SampleIndex(storm.0 - 1), 0.0), 1e-6);
        assert_eq!(fault.conductance_s(storm, 0.0), 1.0 / 2e3);
    }

    /// Wet from 1 h to 3 h, then dry, in ticks of any length: full by 1 − e^{−2/1}, after two more hours of drying at 4 h
    /// e^{−2/4} of that (hand calculation).
    #[test]
    fn a_connector_fills_and_dries() {
        let law = Water {
            r_dry_ohm: 1e8,
            r_full_ohm: 1e4,
            soak_h: 1.0,
            dry_h: 4.0,
        };
        for ticks in [1, 7, 60] {
            let settings = FaultSettings {
                ohm: None,
                water: Some(law),
                from_h: 0.0,
                to_h: None,
                ..settings()
            };
            let mut fault = Fault::new(&settings, 4000, 1, 0);
            let mut ohm_at = |hour: u64, wetness: f64| {
                let mut siemens = 0.0;
                for tick in 0..=ticks {
                    let at = SampleIndex((hour - 1) * HOUR + tick * HOUR / ticks);
                    let wet = if tick == ticks {
                        1.0 - wetness
                    } else {
                        wetness
                    };
                    // The last tick of an hour belongs to the next one's weather.
                    let wet = if tick == ticks && hour != 1 && hour != 3 {
                        wetness
                    } else {
                        wet
                    };
                    siemens = fault.conductance_s(at, wet);
                }
                1.0 / siemens
            };
            assert!((ohm_at(1, 0.0) / 1e8 - 1.0_f64).abs() < 1e-9, "dry");
            ohm_at(2, 1.0);
            let full = 1.0 - (-2.0_f64).exp();
            let want = 1e8 * 1e-4_f64.powf(full);
            assert!((ohm_at(3, 1.0) / want - 1.0).abs() < 1e-9);
            ohm_at(4, 0.0);
            let want = 1e8 * 1e-4_f64.powf(full * (-0.5_f64).exp());
            assert!((ohm_at(5, 0.0) / want - 1.0).abs() < 1e-9);
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
