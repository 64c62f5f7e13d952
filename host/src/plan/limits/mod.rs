//! Every limit of the board, worked out for this array, with how it was reached and where it comes from.
//!
//! - `current.rs`: levels of the bond current.
//! - `insulation.rs`: levels of insulation, and when it is measured.

mod current;
mod insulation;

use super::facts::Facts;
use super::healthy::Healthy;
use super::holds;
use super::sources::Source;
use super::sources::limits::{
    HALF_THE_TIME, NEC_690_41_B, OWN_CONTACTOR, OWN_GROUND_FAULT_TIME, OWN_READING, OWN_SURGE,
};
use ohmward_proto::Settings;
use ohmward_proto::settings::{ContactorTimes, CurrentLimits, DefiniteTime};
use ohmward_proto::units::Amps;
use serde::Serialize;

/// What a changed limit may be without being looser than its source.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Bound {
    /// This or less.
    AtMost(f64),
    /// This or more.
    AtLeast(f64),
    /// On.
    On,
    /// Any value that the board takes.
    Free,
}

/// A number or a switch.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
#[serde(untagged)]
pub enum Value {
    /// In the unit that ends its key.
    Number(f64),
    /// On or off.
    Switch(bool),
}

/// One limit.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Limit {
    /// Key in the settings; its end is the unit.
    pub key: &'static str,
    /// What it is.
    pub what: &'static str,
    /// In force.
    pub value: Value,
    /// How it was reached.
    pub reached: String,
    /// Where it comes from.
    pub source: Source,
    /// As it is printed.
    pub source_label: String,
    /// Where looser begins.
    pub bound: Bound,
    /// ARRAY.toml changed it.
    pub changed: bool,
    /// It protects less than this source asks; `None`: it does not.
    pub looser_than: Option<String>,
}

/// Largest continuous or ground-fault limit that a board takes, A (`Settings::check`).
const BOARD_CURRENT_A: f64 = 20.0;
/// Largest surge level that it takes, A.
const BOARD_SURGE_A: f64 = 25.0;
/// Highest insulation level that it takes, Ω.
const BOARD_OHM: f64 = 100e6;

/// Limits in the order in which they are shown.
pub struct Limits {
    /// All of them.
    pub all: Vec<Limit>,
    /// The same as settings.
    pub settings: Settings,
}

struct Builder {
    all: Vec<Limit>,
}

impl Builder {
    fn number(
        &mut self,
        key: &'static str,
        what: &'static str,
        value: f64,
        bound: Bound,
        source: Source,
        reached: impl Into<String>,
    ) -> f64 {
        self.push(
            key,
            what,
            Value::Number(value),
            bound,
            source,
            reached.into(),
        );
        value
    }

    fn on(
        &mut self,
        key: &'static str,
        what: &'static str,
        bound: Bound,
        source: Source,
        reached: impl Into<String>,
    ) -> bool {
        self.push(
            key,
            what,
            Value::Switch(true),
            bound,
            source,
            reached.into(),
        );
        true
    }

    fn push(
        &mut self,
        key: &'static str,
        what: &'static str,
        value: Value,
        bound: Bound,
        source: Source,
        reached: String,
    ) {
        self.all.push(Limit {
            key,
            what,
            value,
            reached,
            source,
            source_label: source.label(),
            bound,
            changed: false,
            looser_than: None,
        });
    }
}

/// Works the limits out. `trip_wanted_ohm` is a trip level that ARRAY.toml asks for: warning and reset follow it upwards.
/// `contactor_open_ms` is the contactor's own time.
pub fn limits(
    facts: &Facts,
    healthy: &Healthy,
    contactor_open_ms: f64,
    isolated: Option<bool>,
    trip_wanted_ohm: Option<f64>,
) -> Limits {
    let mut b = Builder { all: Vec::new() };
    let (continuous_a, continuous_source, why) = current::continuous(facts);
    let window_ms = holds::window_ms(facts.mains);
    let longest = holds::longest_continuous_hold_ms(facts.mains, contactor_open_ms);
    let continuous = DefiniteTime {
        above: Amps(b.number(
            "current.continuous.above_a",
            "bond current, RMS with DC",
            continuous_a,
            Bound::AtMost(continuous_a),
            continuous_source,
            why,
        ) as f32),
        hold_ms: b.number(
            "current.continuous.hold_ms",
            "… held for",
            f64::from(holds::CONTINUOUS_HOLD_MS),
            Bound::AtMost(longest),
            HALF_THE_TIME,
            format!(
                "0.3 s allowed; half of it less 50 ms for the longest window; here: window {window_ms} + hold {} + \
                 contactor {contactor_open_ms} ms",
                holds::CONTINUOUS_HOLD_MS
            ),
        ) as u16,
    };
    let (fault_a, fault_source, why) = current::ground_fault(facts, continuous_a);
    let ground_fault = DefiniteTime {
        above: Amps(b.number(
            "current.ground_fault.above_a",
            "bond current, DC",
            fault_a,
            Bound::AtMost(fault_a),
            fault_source,
            why,
        ) as f32),
        hold_ms: b.number(
            "current.ground_fault.hold_ms",
            "… held for",
            f64::from(holds::GROUND_FAULT_HOLD_MS),
            Bound::AtMost(longest),
            OWN_GROUND_FAULT_TIME,
            "no time was found for the UL 1741 table; 0.3 s of IEC 62109-2 taken as target, and a surge is over in 30 ms",
        ) as u16,
    };
    let sudden = current::sudden(&mut b, contactor_open_ms, isolated);
    let surge_a = (2.0 * fault_a).clamp(2.0, BOARD_SURGE_A);
    let surge_above = Amps(b.number(
        "current.surge_above_a",
        "one sample beyond is a surge",
        surge_a,
        Bound::AtLeast(surge_a),
        OWN_SURGE,
        format!(
            "twice the ground-fault limit, 2 to {BOARD_SURGE_A} A; counted and captured, held back 5 ms at most"
        ),
    ) as f32);
    let insulation = insulation::insulation(&mut b, facts, healthy, trip_wanted_ohm);
    let check = insulation::check(&mut b, facts, healthy);
    let contactor = ContactorTimes {
        open_ms_max: b.number(
            "contactor.open_ms_max",
            "contactor must be seen open within",
            100.0,
            Bound::AtMost(100.0),
            OWN_CONTACTOR,
            format!("then \"failed to open\"; the contactor itself takes {contactor_open_ms} ms (contactor.open_ms)"),
        ) as u16,
        close_ms_max: b.number(
            "contactor.close_ms_max",
            "… seen closed within",
            200.0,
            Bound::AtMost(200.0),
            OWN_CONTACTOR,
            "twice the time to open",
        ) as u16,
    };
    let trip_opens_bond = b.on(
        "trip_opens_bond",
        "a trip also opens the bond",
        if facts.is_bonded() {
            Bound::On
        } else {
            Bound::Free
        },
        NEC_690_41_B,
        if facts.is_bonded() {
            "the faulted array is cut off from the ground reference; its \"grounded\" conductor then floats"
        } else {
            "no bond through a fuse here; kept on"
        },
    );
    let reading_every_ms = b.number(
        "reading_every_ms",
        "between readings",
        1000.0,
        Bound::Free,
        OWN_READING,
        "protects nothing; set as you like",
    ) as u32;
    Limits {
        all: b.all,
        settings: Settings {
            earthing: facts.earthing,
            mains: facts.mains,
            reading_every_ms,
            current: CurrentLimits {
                continuous,
                ground_fault,
                sudden,
                surge_above,
            },
            insulation,
            check,
            contactor,
            trip_opens_bond,
        },
    }
}
