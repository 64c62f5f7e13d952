//! The contactor: coil to contacts with its delays, its mirror contact, and welding.

use ohmward_proto::SampleIndex;
use serde::Deserialize;

/// Section `[contactor]`.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ContactorSettings {
    /// From coil on to contacts touching, ms.
    pub close_ms: f64,
    /// From coil off to contacts apart, ms.
    pub open_ms: f64,
}

impl Default for ContactorSettings {
    /// Usual for a contactor of some tens of amperes: common practice, no source.
    fn default() -> Self {
        Self {
            close_ms: 40.0,
            open_ms: 20.0,
        }
    }
}

/// The contactor at one moment. Starts open.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Contactor {
    close_samples: u64,
    open_samples: u64,
    closed: bool,
    /// When the contacts arrive, while they move.
    arrives: Option<SampleIndex>,
    welded: bool,
}

impl Contactor {
    /// At `sample_rate_hz`.
    pub fn new(settings: &ContactorSettings, sample_rate_hz: u32) -> Self {
        let samples = |ms: f64| (ms * 1e-3 * f64::from(sample_rate_hz)).round() as u64;
        Self {
            close_samples: samples(settings.close_ms),
            open_samples: samples(settings.open_ms),
            closed: false,
            arrives: None,
            welded: false,
        }
    }

    /// One sample with the coil on or off. A coil that changes its mind before the contacts arrive takes it back.
    pub fn step(&mut self, now: SampleIndex, coil: bool) {
        if coil == self.closed || (self.closed && self.welded) {
            self.arrives = None;
            return;
        }
        let travel = if coil {
            self.close_samples
        } else {
            self.open_samples
        };
        let arrives = *self.arrives.get_or_insert(now.after(travel));
        if now >= arrives {
            self.closed = coil;
            self.arrives = None;
        }
    }

    /// Welded contacts stay closed once they are closed.
    pub fn set_welded(&mut self, welded: bool) {
        self.welded = welded;
    }

    /// The contacts touch. The mirror contact is linked to them and says the same.
    pub fn closed(&self) -> bool {
        self.closed
    }

    /// The contacts are on their way.
    pub fn moving(&self) -> bool {
        self.arrives.is_some()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(contactor: &mut Contactor, from: u64, samples: u64, coil: bool) -> Option<u64> {
        let before = contactor.closed();
        (from..from + samples).find(|at| {
            contactor.step(SampleIndex(*at), coil);
            contactor.closed() != before
        })
    }

    #[test]
    fn delays_in_samples() {
        let mut contactor = Contactor::new(&ContactorSettings::default(), 4000);
        assert_eq!(run(&mut contactor, 0, 1000, true), Some(160)); // 40 ms at 4 kS/s
        assert_eq!(run(&mut contactor, 1000, 1000, false), Some(1080)); // 20 ms
    }

    #[test]
    fn short_pulse_moves_nothing() {
        let mut contactor = Contactor::new(&ContactorSettings::default(), 4000);
        assert_eq!(run(&mut contactor, 0, 100, true), None);
        assert_eq!(run(&mut contactor, 100, 100, false), None);
        assert!(!contactor.moving());
        assert_eq!(run(&mut contactor, 200, 1000, true), Some(360));
    }

    #[test]
    fn welded_stays_closed_until_freed() {
        let mut contactor = Contactor::new(&ContactorSettings::default(), 4000);
        contactor.set_welded(true);
        assert_eq!(run(&mut contactor, 0, 1000, true), Some(160));
        assert_eq!(run(&mut contactor, 1000, 1000, false), None);
        contactor.set_welded(false);
        assert_eq!(run(&mut contactor, 2000, 1000, false), Some(2080));
    }
}
