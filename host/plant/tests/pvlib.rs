//! I-V points of every module kind against pvlib 0.16.1: `tests/reference/module_pvlib.py` stored them, CI makes them again.

use ohmward_plant::module::{KINDS, ModuleKind};
use std::collections::HashMap;

/// 0.1 % of the value; of the short-circuit current where the current itself goes through zero.
const PART: f64 = 1e-3;

#[test]
fn curves_over_light_and_temperature() {
    let path = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../../tests/data/pvlib/modules.csv"
    );
    let text = std::fs::read_to_string(path).unwrap_or_else(|e| panic!("{path}: {e}"));
    let mut lines = text.lines();
    let names: Vec<&str> = lines.next().unwrap().split(',').collect();
    let mut worst = HashMap::<&str, (f64, String)>::new();
    let mut curves = HashMap::<String, u32>::new();
    for line in lines {
        let mut fields = line.split(',');
        let module = fields.next().unwrap();
        let values: Vec<f64> = fields.map(|f| f.parse().unwrap()).collect();
        let value = |name: &str| values[names.iter().position(|n| *n == name).unwrap() - 1];
        let (light, cell_c) = (value("irradiance_w_m2"), value("cell_temp_c"));
        let curve = ModuleKind::named(module).unwrap().at(light, cell_c);
        *curves.entry(module.to_owned()).or_default() += 1;
        let mut hold = |name: &'static str, got: f64, want: f64, full: f64| {
            let part = (got - want).abs() / full.abs();
            let at = format!("{module}, {light} W/m², {cell_c} °C: {got} not {want}");
            assert!(part <= PART, "{name}: {at}");
            let entry = worst.entry(name).or_default();
            if part >= entry.0 {
                *entry = (part, at);
            }
        };
        let i_sc = value("i_sc_a");
        let (v_mp, i_mp) = curve.maximum_power(1, 0.0);
        let p_mp = value("p_mp_w");
        hold("i_sc", curve.current(0.0).0, i_sc, i_sc);
        hold("v_oc", curve.v_oc(), value("v_oc_v"), value("v_oc_v"));
        hold("p_mp", v_mp * i_mp, p_mp, p_mp);
        hold("v_mp", v_mp, value("v_mp_v"), value("v_mp_v"));
        for k in 0..14 {
            let (v, want) = (value(&format!("v{k}_v")), value(&format!("i{k}_a")));
            let got = curve.current(v).0;
            let name = match v {
                v if v < 0.0 => "reverse",
                v if v > value("v_oc_v") => "beyond open circuit",
                _ => "forward",
            };
            // At open circuit (and there alone) the current is next to nothing.
            let full = if want.abs() < 1e-2 * i_sc { i_sc } else { want };
            hold(name, got, want, full);
        }
    }
    for (name, (part, at)) in &worst {
        println!("{name}: worst {part:.1e}, {at}");
    }
    assert_eq!(curves.len(), KINDS.len(), "every kind is there");
    assert!(curves.values().all(|n| *n >= 80), "{curves:?}");
}
