//! A fault as a person writes it: `string=2,module=7,ohms=20,to=frame`.
//!
//! ```text
//!   negative end ──[1]──┬──[2]──┬──[3]── … ──[N]── positive end      module=0: the negative end of the string
//!                  module=1  module=2                                module=2: two modules lie between that end and the fault
//! ```

use crate::array_file::ArrayFile;
use ohmward_plant::array::{End, FarEnd, FaultPath, Place};
use serde::Serialize;
use std::fmt;
use std::str::FromStr;

/// No more faults than this at once: a picture and a person follow no more.
pub const FAULTS_MAX: usize = 4;
/// As in a scenario.
const OHMS: std::ops::RangeInclusive<f64> = 0.001..=1e10;

/// Where along the array.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum At {
    /// In a string.
    String {
        /// Counted from 1.
        string: u32,
        /// Modules between the negative end of the string and the fault.
        module: u32,
    },
    /// On a main conductor, at the joint of the strings.
    Conductor(Pole),
}

/// A main conductor.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Pole {
    /// The positive one.
    Positive,
    /// The negative one.
    Negative,
}

/// What the conductor touches.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum To {
    /// Module frame or rack, and what is bonded to it.
    #[default]
    Frame,
    /// Soil at the array, past frame and equipment-grounding conductor.
    Soil,
}

/// One fault.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct FaultSpec {
    /// Where.
    pub at: At,
    /// Of the fault itself, Ω.
    pub ohms: f64,
    /// What is touched.
    pub to: To,
}

/// Why a fault is none.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub enum FaultError {
    /// A part without "=".
    #[error("\"{part}\" is not KEY=VALUE; write a fault like string=2,module=7,ohms=20")]
    NotAPair {
        /// The part.
        part: String,
    },
    /// A key that does not exist.
    #[error("\"{key}\" is no key of a fault; there are: string, module, conductor, ohms, to")]
    UnknownKey {
        /// The key.
        key: String,
    },
    /// A key twice.
    #[error("{key} stands there twice; give it once")]
    Twice {
        /// The key.
        key: &'static str,
    },
    /// Not one of a few words, or not a number.
    #[error("{key}={value} cannot be; give {allowed}")]
    BadValue {
        /// The key.
        key: &'static str,
        /// What was given.
        value: String,
        /// What may be given.
        allowed: String,
    },
    /// No place, or two.
    #[error(
        "does not say where; give string and module, or conductor=positive or conductor=negative alone"
    )]
    NoPlace,
    /// No resistance.
    #[error("does not say how many ohms; give ohms=0.001 to ohms=1e10 (0.001 is a dead short)")]
    NoOhms,
    /// Outside this array.
    #[error("{key}={value} lies outside this array; give {low} to {high}")]
    Outside {
        /// The key.
        key: &'static str,
        /// What was given.
        value: u32,
        /// Least.
        low: u32,
        /// Most.
        high: u32,
    },
    /// Two at one place.
    #[error("{place} is given twice; give one fault with the resistance of both in parallel")]
    Same {
        /// The place.
        place: String,
    },
    /// Too many, or none.
    #[error("{count} faults; give 1 to {FAULTS_MAX}")]
    Count {
        /// How many.
        count: usize,
    },
}

impl FromStr for FaultSpec {
    type Err = FaultError;

    fn from_str(text: &str) -> Result<Self, FaultError> {
        let (mut string, mut module, mut conductor, mut ohms, mut to) =
            (None, None, None, None, None);
        for part in text.split(',') {
            let (key, value) = part.split_once('=').ok_or_else(|| FaultError::NotAPair {
                part: part.trim().to_owned(),
            })?;
            match key.trim() {
                "string" => once("string", &mut string, whole("string", value)?)?,
                "module" => once("module", &mut module, whole("module", value)?)?,
                "conductor" => once("conductor", &mut conductor, pole(value)?)?,
                "ohms" => once("ohms", &mut ohms, self::ohms(value)?)?,
                "to" => once("to", &mut to, far_end(value)?)?,
                other => {
                    return Err(FaultError::UnknownKey {
                        key: other.to_owned(),
                    });
                }
            }
        }
        let at = match (string, module, conductor) {
            (Some(string), Some(module), None) => At::String { string, module },
            (None, None, Some(pole)) => At::Conductor(pole),
            _ => return Err(FaultError::NoPlace),
        };
        Ok(Self {
            at,
            ohms: ohms.ok_or(FaultError::NoOhms)?,
            to: to.unwrap_or_default(),
        })
    }
}

fn once<T>(key: &'static str, slot: &mut Option<T>, value: T) -> Result<(), FaultError> {
    match slot.replace(value) {
        None => Ok(()),
        Some(_) => Err(FaultError::Twice { key }),
    }
}

fn bad(key: &'static str, value: &str, allowed: &str) -> FaultError {
    FaultError::BadValue {
        key,
        value: value.trim().to_owned(),
        allowed: allowed.to_owned(),
    }
}

fn whole(key: &'static str, value: &str) -> Result<u32, FaultError> {
    value
        .trim()
        .parse()
        .map_err(|_| bad(key, value, "a whole number"))
}

/// A resistance that a fault may have.
pub fn ohms(value: &str) -> Result<f64, FaultError> {
    value
        .trim()
        .parse()
        .ok()
        .filter(|ohms| OHMS.contains(ohms))
        .ok_or_else(|| bad("ohms", value, "0.001 to 1e10 (0.001 is a dead short)"))
}

fn pole(value: &str) -> Result<Pole, FaultError> {
    match value.trim() {
        "positive" => Ok(Pole::Positive),
        "negative" => Ok(Pole::Negative),
        _ => Err(bad("conductor", value, "positive or negative")),
    }
}

fn far_end(value: &str) -> Result<To, FaultError> {
    match value.trim() {
        "frame" => Ok(To::Frame),
        "soil" => Ok(To::Soil),
        _ => Err(bad("to", value, "frame or soil")),
    }
}

/// All faults of a question lie in the array, each at a place of its own.
pub fn check(faults: &[FaultSpec], file: &ArrayFile) -> Result<(), FaultError> {
    if faults.is_empty() || faults.len() > FAULTS_MAX {
        return Err(FaultError::Count {
            count: faults.len(),
        });
    }
    for (k, fault) in faults.iter().enumerate() {
        if let At::String { string, module } = fault.at {
            for (key, value, low, high) in [
                ("string", string, 1, file.array.strings),
                ("module", module, 0, file.array.modules_per_string),
            ] {
                if !(low..=high).contains(&value) {
                    return Err(FaultError::Outside {
                        key,
                        value,
                        low,
                        high,
                    });
                }
            }
        }
        if faults[..k]
            .iter()
            .any(|other| other.at == fault.at && other.to == fault.to)
        {
            return Err(FaultError::Same {
                place: fault.place_words(),
            });
        }
    }
    Ok(())
}

impl FaultSpec {
    /// The path in the plant's circuit.
    pub fn path(&self) -> FaultPath {
        FaultPath {
            place: match self.at {
                At::String { string, module } => Place::Tap {
                    string: string - 1,
                    modules_below: module,
                },
                At::Conductor(Pole::Positive) => Place::Positive(End::Array),
                At::Conductor(Pole::Negative) => Place::Negative(End::Array),
            },
            to: match self.to {
                To::Frame => FarEnd::Frame,
                To::Soil => FarEnd::Soil,
            },
        }
    }

    /// "string 2, module 7 from the negative end, to the frame".
    pub fn place_words(&self) -> String {
        let at = match self.at {
            At::String { string, module: 0 } => format!("string {string}, its negative end"),
            At::String { string, module } => {
                format!("string {string}, behind module {module} from the negative end")
            }
            At::Conductor(Pole::Positive) => "positive conductor, at the strings' joint".to_owned(),
            At::Conductor(Pole::Negative) => "negative conductor, at the strings' joint".to_owned(),
        };
        let to = match self.to {
            To::Frame => "frame",
            To::Soil => "soil",
        };
        format!("{at}, to the {to}")
    }
}

impl fmt::Display for FaultSpec {
    /// As it is written on the command line.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.at {
            At::String { string, module } => write!(f, "string={string},module={module}")?,
            At::Conductor(Pole::Positive) => f.write_str("conductor=positive")?,
            At::Conductor(Pole::Negative) => f.write_str("conductor=negative")?,
        }
        write!(f, ",ohms={}", self.ohms)?;
        match self.to {
            To::Frame => Ok(()),
            To::Soil => f.write_str(",to=soil"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::test_array::heron_bend;

    #[test]
    fn reads_what_it_writes() {
        for text in [
            "string=2,module=3,ohms=20",
            "conductor=negative,ohms=0.5,to=soil",
            "string=1,module=0,ohms=1000000",
        ] {
            let fault: FaultSpec = text.parse().expect("a fault");
            assert_eq!(fault.to_string(), text);
        }
        let spaced: FaultSpec = " ohms=1e3 , string=1, module=4,to=frame"
            .parse()
            .expect("a fault");
        assert_eq!(spaced.to_string(), "string=1,module=4,ohms=1000");
    }

    #[test]
    fn each_mistake_has_one_line_that_names_what_is_allowed() {
        for (text, said) in [
            ("string=2,module=3", "how many ohms"),
            ("string=2,ohms=5", "string and module, or conductor="),
            ("module=2,conductor=positive,ohms=5", "alone"),
            (
                "string=2,modul=3,ohms=5",
                "\"modul\" is no key of a fault; there are: string, module",
            ),
            ("string=2,module=3,ohms=0", "0.001 to 1e10"),
            ("string=2,module=3,ohms=-4", "ohms=-4"),
            ("string=2,module=3,ohms=nan", "0.001 to 1e10"),
            ("string=2,module=3,ohms=lots", "ohms=lots"),
            ("string=-1,module=3,ohms=5", "a whole number"),
            ("conductor=neutral,ohms=5", "positive or negative"),
            ("string=1,module=3,ohms=5,to=moon", "frame or soil"),
            (
                "string=1,string=2,module=3,ohms=5",
                "string stands there twice",
            ),
            ("20", "is not KEY=VALUE"),
            ("", "is not KEY=VALUE"),
        ] {
            let said_is = text.parse::<FaultSpec>().expect_err(text).to_string();
            assert!(said_is.contains(said), "{text}: {said_is}");
            assert_eq!(said_is.lines().count(), 1);
        }
    }

    #[test]
    fn a_fault_lies_in_the_array() {
        let file = heron_bend("");
        let said = |texts: &[&str]| {
            let faults: Vec<FaultSpec> =
                texts.iter().map(|t| t.parse().expect("a fault")).collect();
            check(&faults, &file).map_err(|e| e.to_string())
        };
        assert_eq!(said(&["string=2,module=4,ohms=1"]), Ok(()));
        assert!(said(&["string=3,module=1,ohms=1"]).is_err_and(|e| e.contains("give 1 to 2")));
        assert!(said(&["string=1,module=5,ohms=1"]).is_err_and(|e| e.contains("give 0 to 4")));
        assert!(said(&[]).is_err_and(|e| e.contains("1 to 4")));
        let twice = ["string=1,module=1,ohms=1", "string=1,module=1,ohms=9"];
        assert!(said(&twice).is_err_and(|e| e.contains("given twice")));
    }
}
