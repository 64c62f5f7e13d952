//! What stands in a file of the archive: columns, units, codes.
//!
//! Current and voltage are whole µA and mV, which is what boards send: for a board's own readings nothing is rounded. Another
//! source's value is rounded by half a step at most. What has no code (infinite, beyond ±2147 A or ±2147 kV) is NULL there, and
//! `as_sent` holds the whole reading. Conductance and capacitance change with a measurement only, and stay the numbers
//! that were sent: repeated, they cost next to nothing.

use super::super::quantity::Quantity;
use crate::store::StoredReading;
use arrow_schema::{DataType, Field, Schema, TimeUnit};
use ohmward_proto::{Amps, BondCurrent, Reading, Volts};
use std::collections::HashMap;
use std::sync::Arc;

/// Layout of the files, in their metadata. Higher means newer.
pub const VERSION: &str = "1";
/// Keys of the metadata of a file.
pub const KEY_VERSION: &str = "ohmward.archive";
pub const KEY_COLUMNS: &str = "ohmward.columns";
pub const KEY_BOARD: &str = "ohmward.board";

/// A column, and what its numbers mean: value = number × scale + 0, in the unit.
#[derive(Clone, Copy, Debug)]
pub struct Meaning {
    /// Its name.
    pub name: &'static str,
    /// Unit of number × scale; empty where there is none.
    pub unit: &'static str,
    /// Unit a number.
    pub scale: f64,
    /// What it is.
    pub what: &'static str,
}

const fn plain(name: &'static str, unit: &'static str, what: &'static str) -> Meaning {
    Meaning {
        name,
        unit,
        scale: 1.0,
        what,
    }
}

/// Every column, in order.
#[must_use]
pub fn meanings() -> [Meaning; 18] {
    let micro = |name, what| Meaning {
        name,
        unit: "A",
        scale: 1e-6,
        what,
    };
    let milli = |name, what| Meaning {
        name,
        unit: "V",
        scale: 1e-3,
        what,
    };
    [
        plain("t", "", "when, UTC"),
        plain("boot", "", "run of the board"),
        plain(
            "at_sample",
            "samples",
            "when, the board's count in this run",
        ),
        micro(
            "i_dc_ua",
            "bond current, mean over whole mains cycles; + out of the array conductor into earth",
        ),
        micro("i_rms_ua", "bond current, RMS, the DC part included"),
        plain(
            "i_why",
            "",
            "why there is no bond current; NULL beside NULL: no number was sent",
        ),
        milli("v_pos_mv", "positive conductor to earth"),
        milli("v_neg_mv", "negative conductor to earth"),
        plain(
            "g_pos_s",
            "S",
            "leakage of the positive conductor to earth, as last measured",
        ),
        plain(
            "g_neg_s",
            "S",
            "leakage of the negative conductor to earth, as last measured",
        ),
        plain(
            "g_sigma_s",
            "S",
            "one standard deviation of the sum of both",
        ),
        plain("c_f", "F", "leakage capacitance, both poles together"),
        plain("c_sigma_f", "F", "one standard deviation of it"),
        plain(
            "ins_at_sample",
            "samples",
            "when insulation was measured; without a measurement, since when",
        ),
        plain("ins_why", "", "why there is no measurement of insulation"),
        plain("state", "", "where the trip logic stands"),
        plain(
            "bond_open",
            "",
            "the bond is open: grounded conductors may stand at array voltage",
        ),
        plain(
            "as_sent",
            "",
            "the whole reading (postcard), where a value has no code",
        ),
    ]
}

/// The Arrow schema, units and scales with each field.
pub fn schema() -> Schema {
    let words = || DataType::Dictionary(Box::new(DataType::Int8), Box::new(DataType::Utf8));
    let types = [
        (
            DataType::Timestamp(TimeUnit::Microsecond, Some("UTC".into())),
            false,
        ),
        (DataType::UInt32, false),
        (DataType::UInt64, false),
        (DataType::Int32, true),
        (DataType::Int32, true),
        (words(), true),
        (DataType::Int32, true),
        (DataType::Int32, true),
        (DataType::Float32, true),
        (DataType::Float32, true),
        (DataType::Float32, true),
        (DataType::Float32, true),
        (DataType::Float32, true),
        (DataType::UInt64, false),
        (words(), true),
        (words(), false),
        (DataType::Boolean, false),
        (DataType::Binary, true),
    ];
    let fields = meanings()
        .into_iter()
        .zip(types)
        .map(|(meaning, (kind, nullable))| {
            Field::new(meaning.name, kind, nullable).with_metadata(HashMap::from([
                ("unit".to_owned(), meaning.unit.to_owned()),
                ("scale".to_owned(), format!("{:e}", meaning.scale)),
                ("offset".to_owned(), "0".to_owned()),
                ("what".to_owned(), meaning.what.to_owned()),
            ]))
        });
    Schema::new(fields.map(Arc::new).collect::<Vec<_>>())
}

/// The same as JSON, for readers that see a file's own metadata only.
pub fn meanings_json() -> String {
    let columns: Vec<_> = meanings()
        .iter()
        .map(|m| {
            serde_json::json!({
                "name": m.name, "unit": m.unit, "scale": m.scale, "offset": 0, "what": m.what
            })
        })
        .collect();
    serde_json::Value::Array(columns).to_string()
}

/// What becomes of a measured value.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Code {
    /// No number: NULL.
    Null,
    /// So many steps.
    Steps(i32),
    /// It has no code.
    None,
}

/// The code of a value. Where `f32` is coarser than a step, several codes come near: the one that gives the very value back is
/// taken if there is one, as there is for all that a board sends.
pub fn code(quantity: Quantity, value: f32, back: fn(i32) -> f32) -> Code {
    /// Steps below which `f32` is finer than a step (2²⁴), times the error of two `f32` roundings, and some room.
    const APART: i32 = 4;
    if value.is_nan() {
        return Code::Null;
    }
    let Some(nearest) = quantity
        .code(value)
        .and_then(|steps| i32::try_from(steps).ok())
    else {
        return Code::None;
    };
    let near =
        (0..=APART).flat_map(|apart| [nearest.checked_add(apart), nearest.checked_sub(apart)]);
    let exact = near
        .flatten()
        .find(|steps| back(*steps).to_bits() == value.to_bits());
    Code::Steps(exact.unwrap_or(nearest))
}

/// As the firmware makes a current of whole µA, to the bit.
pub fn amps(steps: i32) -> Amps {
    Amps(of_steps(steps, 1e-6, 1e-6))
}

/// Likewise of whole mV.
pub fn volts(steps: i32) -> Volts {
    Volts(of_steps(steps, 1e-3, 1e-3))
}

fn of_steps(steps: i32, unit: f32, exact: f64) -> f32 {
    /// From here on `f32` is coarser than a step, and the nearest number is the one that was there.
    const COARSE: u32 = 1 << f32::MANTISSA_DIGITS;
    if steps.unsigned_abs() < COARSE {
        steps as f32 * unit
    } else {
        (f64::from(steps) * exact) as f32
    }
}

/// Codes of DC, RMS, positive and negative pole.
pub fn codes(reading: &Reading) -> [Code; 4] {
    let (dc, rms) = match reading.i_bond {
        BondCurrent::Measured { dc, rms } => (dc.0, rms.0),
        BondCurrent::NotMeasured(_) => (f32::NAN, f32::NAN),
    };
    let pole = |v: Option<Volts>| v.map_or(f32::NAN, |v| v.0);
    [
        code(Quantity::BondDc, dc, |steps| amps(steps).0),
        code(Quantity::BondRms, rms, |steps| amps(steps).0),
        code(Quantity::VPos, pole(reading.v_pos), |steps| volts(steps).0),
        code(Quantity::VNeg, pole(reading.v_neg), |steps| volts(steps).0),
    ]
}

/// A reading as the archive gives it back.
#[must_use]
pub fn as_kept(row: &StoredReading) -> StoredReading {
    let codes = codes(&row.reading);
    if codes.contains(&Code::None) {
        return *row;
    }
    let mut kept = *row;
    kept.reading = Reading {
        i_bond: current(codes[0], codes[1], row.reading.i_bond),
        v_pos: pole(codes[2]),
        v_neg: pole(codes[3]),
        ..row.reading
    };
    kept
}

fn current(dc: Code, rms: Code, i_bond: BondCurrent) -> BondCurrent {
    let value = |code| match code {
        Code::Steps(steps) => amps(steps),
        Code::Null | Code::None => Amps(f32::NAN),
    };
    match i_bond {
        BondCurrent::Measured { .. } => BondCurrent::Measured {
            dc: value(dc),
            rms: value(rms),
        },
        missing @ BondCurrent::NotMeasured(_) => missing,
    }
}

fn pole(code: Code) -> Option<Volts> {
    match code {
        Code::Steps(steps) => Some(volts(steps)),
        Code::Null | Code::None => None,
    }
}
