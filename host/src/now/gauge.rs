//! Values against the limits that are set on the board.

use super::BoardNow;
use crate::words;
use ohmward_proto::measure::Resistance;
use ohmward_proto::units::Volts;
use ohmward_proto::{BondCurrent, Insulation, NotMeasured, Reading, Settings};

/// What a gauge shows.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Hash)]
pub enum Quantity {
    /// RMS of the bond current, DC included.
    CurrentRms,
    /// DC of the bond current.
    CurrentDc,
    /// Insulation resistance of the whole array.
    Insulation,
    /// Positive conductor to earth.
    PositivePole,
    /// Negative conductor to earth.
    NegativePole,
    /// Leakage capacitance of the whole array.
    Capacitance,
}

impl Quantity {
    /// Every one, in the order in which they are shown.
    pub const ALL: [Self; 6] = [
        Self::CurrentRms,
        Self::CurrentDc,
        Self::Insulation,
        Self::PositivePole,
        Self::NegativePole,
        Self::Capacitance,
    ];

    /// Its name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::CurrentRms => "bond current, RMS",
            Self::CurrentDc => "bond current, DC",
            Self::Insulation => "insulation",
            Self::PositivePole => "positive pole to earth",
            Self::NegativePole => "negative pole to earth",
            Self::Capacitance => "leakage capacitance",
        }
    }

    /// Its unit.
    #[must_use]
    pub fn unit(self) -> &'static str {
        match self {
            Self::CurrentRms | Self::CurrentDc => "A",
            Self::Insulation => "Ω",
            Self::PositivePole | Self::NegativePole => "V",
            Self::Capacitance => "F",
        }
    }
}

/// A value, or why there is none.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Value {
    /// Measured.
    Is(f32),
    /// At least this much: the measurement cannot see further.
    AtLeast(f32),
    /// No value, and why, where the board says why.
    Missing(Option<NotMeasured>),
}

impl Value {
    /// The number, or the bound.
    #[must_use]
    pub fn number(self) -> Option<f32> {
        match self {
            Self::Is(x) | Self::AtLeast(x) => Some(x),
            Self::Missing(_) => None,
        }
    }
}

/// How a value stands.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Verdict {
    /// Within what is set.
    Within,
    /// There is no limit for it, or it is not known.
    NoLimit,
    /// Nobody knows: not measured is not good.
    Unknown,
    /// Past the warning level.
    Warned,
    /// At or past the trip level.
    Beyond,
}

/// A value against its limits.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Gauge {
    /// What.
    pub quantity: Quantity,
    /// How much.
    pub value: Value,
    /// Level at which a warning is due.
    pub warn: Option<f32>,
    /// Level at which the board trips.
    pub trip: Option<f32>,
}

impl Gauge {
    /// A resistance is wrong when it is low; everything else when it is high.
    fn low_is_wrong(&self) -> bool {
        self.quantity == Quantity::Insulation
    }

    /// How much of the limit is used up: 1 at the trip level, 0 far from it.
    #[must_use]
    pub fn used(&self) -> Option<f32> {
        let (value, trip) = (self.value.number()?.abs(), self.trip?);
        let used = if self.low_is_wrong() {
            trip / value
        } else {
            value / trip
        };
        // Zero over zero, and a damaged board's NaN.
        (!used.is_nan()).then_some(used)
    }

    /// How it stands.
    #[must_use]
    pub fn verdict(&self) -> Verdict {
        let Some(value) = self.value.number().filter(|value| !value.is_nan()) else {
            return Verdict::Unknown;
        };
        let past = |level: f32| {
            if self.low_is_wrong() {
                value <= level
            } else {
                value.abs() >= level
            }
        };
        match (self.trip, self.warn) {
            (Some(trip), _) if past(trip) => Verdict::Beyond,
            // "At least" says nothing of how much more; a bound below the level is no warning but no all-clear either.
            (_, Some(warn)) if past(warn) => match self.value {
                Value::AtLeast(_) => Verdict::Unknown,
                _ => Verdict::Warned,
            },
            (None, None) => Verdict::NoLimit,
            _ => Verdict::Within,
        }
    }

    /// The value for people: "2.1 mA", "at least 20 MΩ", "not measured: array dark".
    #[must_use]
    pub fn words(&self) -> String {
        let unit = self.quantity.unit();
        match self.value {
            Value::Is(x) if x.is_nan() => "not a number: the board is damaged".into(),
            Value::Is(x) => words::si(x, unit),
            Value::AtLeast(x) => format!("at least {}", words::si(x, unit)),
            Value::Missing(None) => "not measured".into(),
            Value::Missing(Some(NotMeasured::NeverYet)) => "not measured yet".into(),
            Value::Missing(Some(why)) => format!("not measured: {}", words::not_measured(why)),
        }
    }
}

impl Quantity {
    /// What a reading says of it.
    #[must_use]
    pub fn of(self, reading: &Reading) -> Value {
        let volts = |v: Option<Volts>| v.map_or(Value::Missing(None), |v| Value::Is(v.0));
        match self {
            Self::CurrentRms | Self::CurrentDc => match reading.i_bond {
                BondCurrent::Measured { rms, .. } if self == Self::CurrentRms => Value::Is(rms.0),
                BondCurrent::Measured { dc, .. } => Value::Is(dc.0),
                BondCurrent::NotMeasured(why) => Value::Missing(Some(why)),
            },
            Self::Insulation | Self::Capacitance => match &reading.insulation {
                Insulation::Measured { leakage, .. } if self == Self::Capacitance => {
                    Value::Is(leakage.c.0)
                }
                Insulation::Measured { leakage, .. } => match leakage.r_iso() {
                    Resistance::Is(r) => Value::Is(r.0),
                    Resistance::Above(r) => Value::AtLeast(r.0),
                },
                Insulation::NotMeasured { why, .. } => Value::Missing(Some(*why)),
            },
            Self::PositivePole => volts(reading.v_pos),
            Self::NegativePole => volts(reading.v_neg),
        }
    }

    /// Levels at which a warning is due and at which the board trips, as far as there are any.
    #[must_use]
    pub fn levels(self, settings: &Settings) -> (Option<f32>, Option<f32>) {
        match self {
            Self::CurrentRms => (None, Some(settings.current.continuous.above.0)),
            Self::CurrentDc => (None, Some(settings.current.ground_fault.above.0)),
            Self::Insulation => (
                Some(settings.insulation.warn_below.0),
                Some(settings.insulation.trip_below.0),
            ),
            Self::PositivePole | Self::NegativePole | Self::Capacitance => (None, None),
        }
    }
}

impl BoardNow {
    /// Every gauge, in the order in which they are shown; none before the first reading.
    #[must_use]
    pub fn gauges(&self) -> Vec<Gauge> {
        let Some(last) = &self.last else {
            return Vec::new();
        };
        Quantity::ALL
            .into_iter()
            .map(|quantity| {
                let set = self.settings.as_ref();
                let (warn, trip) = set.map_or((None, None), |set| quantity.levels(set));
                Gauge {
                    quantity,
                    value: quantity.of(&last.reading),
                    warn,
                    trip,
                }
            })
            .collect()
    }
}
