//! A simulated board on a calibration bench: no array, but a current source, something on the poles, and hands on the switches.
//!
//! What stands at the terminals is set from outside while time goes on ([`Order`]); what the front end truly is comes from the
//! scenario's `[sensors]`, bridge included. Switched off and on it starts cold, from its flash.

use crate::bench::array::{Array, Leakage};
use jiff::Timestamp;
use ohmward_core::Outputs;
use ohmward_plant::Scenario;
use ohmward_plant::contactor::{Contactor, ContactorSettings};
use ohmward_plant::sensors::{FrontEnd, Seen, SensorSettings};
use ohmward_plant::world::{Sensed, Switches};
use ohmward_proto::message::BoardId;
use ohmward_proto::settings::{Calibration, Settings};
use ohmward_proto::units::SampleIndex;
use std::str::FromStr;
use std::sync::{Arc, Mutex, PoisonError};

/// Capacitance of bench, leads and surge filters to earth, F (our own choice).
const BENCH_F: f64 = 10e-9;
/// Insulation of the bench itself, S at each pole: 100 GΩ.
const BENCH_S: f64 = 1e-11;

/// What is on the poles.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum OnPoles {
    /// Both at earth.
    Earthed,
    /// Both together, so far from earth.
    Together {
        /// V
        v: f64,
    },
    /// A floating supply between them, and what leads to earth.
    Floating {
        /// V
        v: f64,
        /// Positive pole to earth, S.
        g_pos_s: f64,
        /// Negative pole to earth, S.
        g_neg_s: f64,
    },
}

/// What stands at a board's terminals, and what hands do.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Terminals {
    /// Through the bond sensor, A.
    pub current_a: f64,
    /// On the poles.
    pub poles: OnPoles,
    /// Maintenance switch.
    pub arm: bool,
    /// Reset button.
    pub reset: bool,
    /// How often it was switched off and on.
    pub power_cycles: u32,
}

impl Default for Terminals {
    fn default() -> Self {
        Self {
            current_a: 0.0,
            poles: OnPoles::Earthed,
            arm: false,
            reset: false,
            power_cycles: 0,
        }
    }
}

/// The terminals, to be set while the board runs.
#[derive(Clone, Debug, Default)]
pub struct Bench(Arc<Mutex<Terminals>>);

impl Bench {
    /// As they stand.
    pub fn terminals(&self) -> Terminals {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Does one thing.
    pub fn put(&self, order: Order) {
        let mut t = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        match order {
            Order::Current(a) => t.current_a = a,
            Order::Poles(on) => t.poles = on,
            Order::Arm(on) => t.arm = on,
            Order::Reset(on) => t.reset = on,
            Order::PowerCycle => t.power_cycles += 1,
        }
    }
}

/// One thing done at the bench, as a line says it.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Order {
    /// `current A`
    Current(f64),
    /// `earthed`, `poles V`, `supply V positive|negative OHM`
    Poles(OnPoles),
    /// `arm on|off`
    Arm(bool),
    /// `reset on|off`
    Reset(bool),
    /// `power`: off and on
    PowerCycle,
}

impl FromStr for Order {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let words: Vec<&str> = text.split_whitespace().collect();
        let number = |word: &str| word.parse::<f64>().ok().filter(|n| n.is_finite());
        let on = |word: &str| match word {
            "on" => Some(true),
            "off" => Some(false),
            _ => None,
        };
        let order = match words.as_slice() {
            ["current", a] => number(a).map(Self::Current),
            ["earthed"] => Some(Self::Poles(OnPoles::Earthed)),
            ["poles", v] => number(v).map(|v| Self::Poles(OnPoles::Together { v })),
            ["supply", v, pole, ohm] => match (number(v), *pole, number(ohm)) {
                (Some(v), "positive" | "negative", Some(ohm)) if v > 0.0 && ohm > 0.0 => {
                    let g = |here: &str| if here == *pole { 1.0 / ohm } else { 0.0 };
                    Some(Self::Poles(OnPoles::Floating {
                        v,
                        g_pos_s: g("positive"),
                        g_neg_s: g("negative"),
                    }))
                }
                _ => None,
            },
            ["arm", to] => on(to).map(Self::Arm),
            ["reset", to] => on(to).map(Self::Reset),
            ["power"] => Some(Self::PowerCycle),
            _ => None,
        };
        order.ok_or_else(|| {
            format!(
                "'{text}' is nothing a bench does: current A, earthed, poles V, supply V positive|negative OHM, arm on|off, \
                 reset on|off, power"
            )
        })
    }
}

/// Everything a board at a bench needs.
#[derive(Clone, Debug)]
pub struct BenchSetup {
    pub(super) board: BoardId,
    pub(super) boot: u32,
    pub(super) sample_rate_hz: u32,
    pub(super) settings: Settings,
    sensors: SensorSettings,
    contactor: ContactorSettings,
    seed: u64,
    start: Timestamp,
    pub(super) bench: Bench,
}

impl BenchSetup {
    /// Board, settings, sensors, contactor and start of a scenario; nothing else of it.
    pub fn new(scenario: &Scenario, bench: Bench) -> Self {
        Self {
            board: scenario.board.id,
            boot: scenario.board.boot,
            sample_rate_hz: scenario.board.sample_rate_hz,
            settings: scenario.settings,
            sensors: scenario.sensors,
            contactor: scenario.contactor,
            seed: scenario.seed,
            start: scenario.start,
            bench,
        }
    }
}

/// The bench as the board's world.
pub struct BenchWorld {
    bench: Bench,
    array: Array,
    has_bond: bool,
    front_end: FrontEnd,
    contactor: Contactor,
    sample_rate_hz: u32,
    start_unix_ms: i64,
    samples: u64,
}

impl BenchWorld {
    /// `before`: samples of earlier runs, for noise and date to go on.
    pub(super) fn new(setup: &BenchSetup, before: u64) -> Self {
        let design = Calibration::REFERENCE;
        Self {
            bench: setup.bench.clone(),
            array: Array::new(
                setup.settings.earthing,
                setup.sensors.bridge(&design.bridge),
            ),
            has_bond: setup.settings.earthing.has_bond(),
            front_end: FrontEnd::new(
                &setup.sensors,
                &design,
                setup.sample_rate_hz,
                setup.settings.mains.hz(),
                setup.seed ^ before,
            ),
            contactor: Contactor::new(&setup.contactor, setup.sample_rate_hz),
            sample_rate_hz: setup.sample_rate_hz,
            start_unix_ms: setup.start.as_millisecond()
                + (before * 1000 / u64::from(setup.sample_rate_hz)) as i64,
            samples: 0,
        }
    }

    /// One sample period with these switches.
    pub(super) fn step(&mut self, switches: &Switches) -> Sensed {
        let terminals = self.bench.terminals();
        self.contactor
            .step(SampleIndex(self.samples), switches.contactor);
        let outputs = Outputs {
            contactor: switches.contactor,
            bond_switch: switches.bond_open,
            bridge_pos: switches.bridge_pos,
            bridge_neg: switches.bridge_neg,
            inject: switches.inject,
            ..Outputs::default()
        };
        let (v_v, g_pos_s, g_neg_s) = match terminals.poles {
            OnPoles::Earthed | OnPoles::Together { .. } => (0.0, 0.0, 0.0),
            OnPoles::Floating {
                v,
                g_pos_s,
                g_neg_s,
            } => (v, g_pos_s, g_neg_s),
        };
        let leakage = Leakage {
            v_v,
            g_pos_s: g_pos_s + BENCH_S,
            g_neg_s: g_neg_s + BENCH_S,
            c_f: BENCH_F,
        };
        let poles = self
            .array
            .step(&leakage, &outputs, 1.0 / f64::from(self.sample_rate_hz));
        let (v_pos, v_neg) = match terminals.poles {
            OnPoles::Earthed => (0.0, 0.0),
            // A closed bond shorts the source, which then gives its current limit and no voltage.
            OnPoles::Together { v } if switches.bond_open || !self.has_bond => (v, v),
            OnPoles::Together { .. } => (0.0, 0.0),
            OnPoles::Floating { .. } => (poles.v_pos, poles.v_neg),
        };
        // The source is at the sensor's own terminals, whatever the bond switch does.
        let i_a = self.front_end.filter(terminals.current_a + poles.i_bond_a);
        let seen = Seen { i_a, v_pos, v_neg };
        self.samples += 1;
        let codes = self
            .front_end
            .convert(self.samples, &seen, false, switches.inject);
        Sensed {
            codes,
            contactor_feedback: self.contactor.closed(),
            reset: terminals.reset,
            arm: terminals.arm,
        }
    }

    pub(super) fn unix_ms(&self, at: SampleIndex) -> i64 {
        let ms = u128::from(at.0) * 1000 / u128::from(self.sample_rate_hz);
        self.start_unix_ms
            .saturating_add(i64::try_from(ms).unwrap_or(i64::MAX))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn orders_say_what_they_want() {
        assert_eq!("current -0.5".parse(), Ok(Order::Current(-0.5)));
        assert_eq!("earthed".parse(), Ok(Order::Poles(OnPoles::Earthed)));
        assert_eq!("power".parse(), Ok(Order::PowerCycle));
        assert_eq!("arm on".parse(), Ok(Order::Arm(true)));
        let floating = OnPoles::Floating {
            v: 200.0,
            g_pos_s: 0.0,
            g_neg_s: 1e-5,
        };
        assert_eq!(
            "supply 200 negative 1e5".parse(),
            Ok(Order::Poles(floating))
        );
        for wrong in [
            "",
            "current",
            "current nan",
            "supply 200 both 1e5",
            "supply 200 positive 0",
            "arm",
            "off",
        ] {
            let told = wrong.parse::<Order>().expect_err(wrong);
            assert!(told.contains("supply V positive|negative OHM"), "{told}");
        }
    }
}
