//! What follows from the description before any limit is looked up: rating, voltages, currents, area.

use crate::array_file::ArrayFile;
use crate::array_file::grounding::Feeds;
use crate::plan::grounding::conductors;
use crate::plan::sources::grounding::NEC_690_8_FACTOR;
use crate::words::si;
use ohmward_plant::ScenarioError;
use ohmward_proto::settings::{Earthing, Mains};
use serde::Serialize;

/// No table here reaches beyond this, V.
pub const TABLES_END_V: f64 = 1500.0;

/// The array in numbers.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Facts {
    /// How it is joined to earth.
    pub earthing: Earthing,
    /// Mains nearby.
    pub mains: Mains,
    /// Modules in all.
    pub modules: u32,
    /// Their area, m².
    pub area_m2: f64,
    /// Rating of the array at standard test conditions, kW.
    pub array_kw: f64,
    /// The nameplate, or the module's curve.
    pub array_kw_from: &'static str,
    /// Rating that the table of ground-fault limits asks for, kW.
    pub dc_rating_kw: f64,
    /// `converter.dc_rating_kw`, or the array's rating.
    pub dc_rating_kw_from: &'static str,
    /// Output rating of the converter, kVA, if told.
    pub converter_kva: Option<f64>,
    /// Open circuit at 1000 W/m², 25 °C, V.
    pub voc_stc_v: f64,
    /// Lowest temperature, °C.
    pub min_c: f64,
    /// Open circuit at 1000 W/m² with cells at the lowest temperature, V.
    pub voc_cold_v: f64,
    /// Maximum power at standard test conditions, V.
    pub vmp_stc_v: f64,
    /// Of one string at maximum power, A.
    pub imp_string_a: f64,
    /// Of one string, short-circuited, A.
    pub isc_string_a: f64,
    /// Of all strings, short-circuited, A.
    pub isc_array_a: f64,
    /// The same × 1.25, A.
    pub max_circuit_a: f64,
    /// Fuse and shunt, or earthing resistor and shunt, Ω; none without a bond.
    pub bond_path_ohm: Option<f64>,
    /// Cable of one string on the grounded side, Ω.
    pub string_one_way_ohm: f64,
    /// Temperature at which conductors are taken, °C.
    pub conductor_c: f64,
    /// The run from the strings' joint to the converter, one way, Ω; if the description has one.
    pub main_one_way_ohm: Option<f64>,
}

impl Facts {
    /// Works them out.
    ///
    /// # Errors
    /// An array whose voltage is beyond every table.
    pub fn of(file: &ArrayFile) -> Result<Self, ScenarioError> {
        let a = &file.array;
        let n = f64::from(a.modules_per_string);
        let strings = f64::from(a.strings);
        let stc = file.module.at(1000.0, 25.0);
        let (vmp_stc_v, imp_string_a) = stc.maximum_power(a.modules_per_string, 0.0);
        let voc_cold_v = n * file.module.at(1000.0, file.site.min_c).v_oc();
        if voc_cold_v > TABLES_END_V {
            return Err(file.error(
                "array.modules_per_string",
                format!(
                    "{} modules give {voc_cold_v:.0} V open circuit at {} °C, and every table here ends at 1500 V; \
                     give fewer",
                    a.modules_per_string, file.site.min_c
                ),
            ));
        }
        let module_w = file.modules.rated_w.unwrap_or(vmp_stc_v * imp_string_a / n);
        let array_kw = f64::from(a.modules()) * module_w / 1000.0;
        let isc_string_a = stc.current(0.0).0;
        let isc_array_a = strings * isc_string_a;
        let main = file.circuits.iter().find(|c| c.feeds == Feeds::Array);
        let main_one_way_ohm =
            main.and_then(|c| conductors::resistance_ohm(&c.conductor, file.site.conductor_c).ok());
        Ok(Self {
            earthing: file.arrangement,
            mains: file.mains,
            modules: a.modules(),
            area_m2: f64::from(a.modules()) * file.modules.area_m2,
            array_kw,
            array_kw_from: if file.modules.rated_w.is_some() {
                "modules.rated_w"
            } else {
                "the maximum power of the module's curve"
            },
            dc_rating_kw: file.converter.dc_rating_kw.unwrap_or(array_kw),
            dc_rating_kw_from: if file.converter.dc_rating_kw.is_some() {
                "converter.dc_rating_kw"
            } else {
                "the array's rating, converter.dc_rating_kw not given"
            },
            converter_kva: file.converter.rated_kva,
            voc_stc_v: n * stc.v_oc(),
            min_c: file.site.min_c,
            voc_cold_v,
            vmp_stc_v,
            imp_string_a,
            isc_string_a,
            isc_array_a,
            max_circuit_a: NEC_690_8_FACTOR.value * isc_array_a,
            bond_path_ohm: match file.arrangement {
                Earthing::NegativeBonded | Earthing::PositiveBonded => {
                    Some(file.earthing.fuse_ohm + file.earthing.shunt_ohm)
                }
                Earthing::HighResistance => file
                    .earthing
                    .high_resistance_ohm
                    .map(|ohm| ohm + file.earthing.shunt_ohm),
                Earthing::NotEarthed => None,
            },
            string_one_way_ohm: a.string_cable_ohm / 2.0,
            conductor_c: file.site.conductor_c,
            main_one_way_ohm,
        })
    }

    /// One conductor is bonded through a fuse.
    pub fn is_bonded(&self) -> bool {
        matches!(
            self.earthing,
            Earthing::NegativeBonded | Earthing::PositiveBonded
        )
    }
}

/// A rating as it was meant: products of decimals end in rounding.
pub fn kilowatts(kw: f64) -> String {
    format!("{} kW", (kw * 1e4).round() / 1e4)
}

/// A number for people: "300 mA", "1.25 MΩ".
pub fn quantity(value: f64, unit: &str) -> String {
    si(value as f32, unit)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::test_array::heron_bend;

    /// mono60_300w, pvlib 0.16.1 `singlediode` at 1000 W/m², 25 °C: 39.755064 V, 9.7777656 A, 9.2246842 A, 299.65215 W.
    #[test]
    fn eight_modules_at_standard_test_conditions() {
        let f = Facts::of(&heron_bend("")).expect("plans");
        assert!((f.voc_stc_v - 4.0 * 39.755_064).abs() < 1e-4, "{f:?}");
        assert!((f.isc_array_a - 2.0 * 9.777_765_6).abs() < 1e-5, "{f:?}");
        assert!((f.imp_string_a - 9.224_684_2).abs() < 1e-3, "{f:?}");
        assert!((f.vmp_stc_v * f.imp_string_a - 4.0 * 299.652_15).abs() < 1e-2);
    }

    /// A cold module gives more: −0.1172 V/K around 25 °C (median of its class), so some 5.3 V more at −20 °C.
    #[test]
    fn cold_raises_the_voltage() {
        let f = Facts::of(&heron_bend("")).expect("plans");
        let per_module = (f.voc_cold_v - f.voc_stc_v) / 4.0;
        let per_k = per_module / (25.0 - f.min_c);
        assert!((0.11..0.14).contains(&per_k), "{per_k} V/K");
    }
}
