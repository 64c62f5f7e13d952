//! What this board's front end measures like: the reference one of `hardware-notes`, scaled to 0 … 3.3 V around 1.65 V.

use ohmward_proto::settings::Calibration;

/// Design values. A code is the sum of sixteen conversions of twelve bits less the middle, so 32 768 codes are 1.65 V and the
/// reference front end's scales hold: 1.25 A, 25 A, 600 V.
///
/// Rails: 1.56 V off the middle, 90 mV before the converter's end. An output stage fed from 3.3 V comes within 20 to 50 mV of
/// either (common practice, no source).
pub const CALIBRATION: Calibration = Calibration {
    rail_low: -31_000,
    rail_high: 31_000,
    ..Calibration::REFERENCE
};
