//! Where the current of a fault to metal returns, how much it is, and what opens through it.
//!
//! ```text
//!   source ── conductor ──┐ fault                        I = V / (R_conductor + R_egc + R_bond), less where the source
//!   bond ──── EGC ────────┘ to metal                     gives less
//!   and with the earth in place of the EGC:              I = V / (R_conductor + R_electrodes + R_bond)
//! ```

use super::conductors::resistance_ohm;
use super::electrodes::parallel_ohm;
use crate::array_file::ArrayFile;
use crate::array_file::grounding::{Circuit, Feeds, OcpdKind, Place};
use crate::plan::facts::{Facts, quantity};
use crate::plan::finding::{Finding, Verdict};
use crate::plan::sources::Sourced;
use crate::plan::sources::grounding::{
    GPV, IEC60898_B, IEC60898_C, IEC60947, NEC_250_4_A_5, OcpdRule, UL248_MIDGET, UL489,
};

const CHECK: &str = "fault-path";
/// From here on any fuse or breaker is fast: common practice, no source.
const SURELY_FAST: f64 = 10.0;

fn rule(kind: OcpdKind) -> Sourced<OcpdRule> {
    match kind {
        OcpdKind::Ul489 => UL489,
        OcpdKind::Iec60898B => IEC60898_B,
        OcpdKind::Iec60898C => IEC60898_C,
        OcpdKind::Iec60947 => IEC60947,
        OcpdKind::Gpv => GPV,
        OcpdKind::Ul248Midget => UL248_MIDGET,
    }
}

/// What a device does at one current.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Opens {
    /// In the time named.
    Within(&'static str),
    /// In the hour or hours of its class.
    Slowly,
    /// It need not.
    Never,
}

/// What a device of `rating_a` does at `amps`.
pub fn opens(kind: OcpdKind, rating_a: f64, amps: f64, is_ac: bool) -> Opens {
    let rule = rule(kind).value;
    let multiple = amps / rating_a;
    let fast = rule.fast.and_then(|fast| {
        let (_, within) = fast.within.iter().find(|(to_a, _)| rating_a <= *to_a)?;
        Some((if is_ac { fast.ac } else { fast.dc }, *within))
    });
    match fast {
        Some((from, within)) if multiple >= from => Opens::Within(within),
        None if multiple >= SURELY_FAST => {
            Opens::Within("a fraction of a second (common practice, no source)")
        }
        _ if multiple >= rule.conventional => Opens::Slowly,
        _ => Opens::Never,
    }
}

/// Every circuit's path.
pub fn findings(file: &ArrayFile, facts: &Facts, fuse_a: Option<f64>) -> Vec<Finding> {
    if file.circuits.is_empty() {
        return vec![Finding::cannot_judge(
            CHECK,
            "no circuit is described: conductor sizes and fault paths were not looked at",
            "describe the array's run, the battery's and the AC circuits as [[circuit]]",
        )];
    }
    file.circuits
        .iter()
        .map(|circuit| path(circuit, file, facts, fuse_a))
        .collect()
}

fn path(circuit: &Circuit, file: &ArrayFile, facts: &Facts, fuse_a: Option<f64>) -> Finding {
    let at_c = file.site.conductor_c;
    let own = resistance_ohm(&circuit.conductor, at_c);
    let egc = circuit
        .egc
        .as_ref()
        .map(|egc| resistance_ohm(egc, at_c))
        .transpose();
    let (conductor_ohm, egc_ohm) = match (own, egc) {
        (Ok(own), Ok(egc)) => (own, egc),
        (Err(why), _) | (_, Err(why)) => {
            return Finding::cannot_judge(
                CHECK,
                format!("{}: {why}", circuit.name),
                "then the loop can be worked out",
            )
            .after(NEC_250_4_A_5);
        }
    };
    let from_array = matches!(circuit.feeds, Feeds::String | Feeds::Array);
    if from_array && !facts.is_bonded() {
        return Finding::ok(
            CHECK,
            format!(
                "{}: no bond through a fuse, so a first fault drives no current that a device could open on; the insulation \
                 check is what finds it, before there is a second",
                circuit.name
            ),
        )
        .after(NEC_250_4_A_5);
    }
    let loops = Loops {
        volts: if from_array {
            facts.voc_stc_v
        } else {
            circuit.volts.unwrap_or_default()
        },
        source_a: if from_array {
            facts.isc_array_a
        } else {
            circuit.source_a_max.unwrap_or(f64::INFINITY)
        },
        conductor_ohm,
        bond_ohm: if from_array {
            facts.bond_path_ohm.unwrap_or_default()
        } else {
            0.0
        },
    };
    let earth_ohm = earth_ohm(file, from_array);
    let finding = if from_array {
        array_path(
            circuit,
            facts,
            fuse_a.unwrap_or(1.0),
            &loops,
            egc_ohm,
            earth_ohm,
        )
    } else {
        device_path(circuit, &loops, egc_ohm, earth_ohm)
    };
    finding.after(NEC_250_4_A_5)
}

/// Source, and what lies in series with whatever returns the current.
struct Loops {
    volts: f64,
    source_a: f64,
    conductor_ohm: f64,
    bond_ohm: f64,
}

impl Loops {
    fn loop_ohm(&self, back_ohm: f64) -> f64 {
        self.conductor_ohm + self.bond_ohm + back_ohm
    }

    fn amps(&self, back_ohm: f64) -> f64 {
        (self.volts / self.loop_ohm(back_ohm)).min(self.source_a)
    }
}

/// From metal at the far end through the soil to the system's electrodes, Ω. Only the array's metal has electrodes of its own
/// there; elsewhere the far end counts as none: the most that earth could do. `None`: not known.
fn earth_ohm(file: &ArrayFile, from_array: bool) -> Option<f64> {
    let soil = file.site.soil_ohm_m;
    let (far, near): (Vec<_>, Vec<_>) = file
        .electrodes
        .iter()
        .partition(|e| e.place == Place::Array);
    let near_ohm = parallel_ohm(near.into_iter(), soil)?;
    if from_array && !far.is_empty() {
        Some(near_ohm + parallel_ohm(far.into_iter(), soil)?)
    } else {
        Some(near_ohm)
    }
}

/// A fault of the array: current is no more than the modules give, and the ground-fault fuse is what has to open.
fn array_path(
    circuit: &Circuit,
    facts: &Facts,
    fuse_a: f64,
    loops: &Loops,
    egc_ohm: Option<f64>,
    earth_ohm: Option<f64>,
) -> Finding {
    let own_device = match (circuit.ocpd, circuit.ocpd_a) {
        (Some(kind), Some(rating_a)) => match opens(kind, rating_a, facts.isc_array_a, false) {
            Opens::Never => format!(
                ". Its own device of {rating_a} A never opens on the array's {}: a fault to earth is for the monitor and \
                     the ground-fault fuse",
                quantity(facts.isc_array_a, "A")
            ),
            Opens::Slowly | Opens::Within(_) => String::new(),
        },
        _ => String::new(),
    };
    let fuse = |amps: f64| opens(OcpdKind::Ul248Midget, fuse_a, amps, false);
    let device = format!("the ground-fault fuse of {fuse_a} A");
    let mut finding = judge(circuit, loops, egc_ohm, earth_ohm, &device, fuse);
    finding.says.push_str(&own_device);
    finding.with("isc_array_a", facts.isc_array_a)
}

/// A fault of a circuit with an overcurrent device.
fn device_path(
    circuit: &Circuit,
    loops: &Loops,
    egc_ohm: Option<f64>,
    earth_ohm: Option<f64>,
) -> Finding {
    let (Some(kind), Some(rating_a)) = (circuit.ocpd, circuit.ocpd_a) else {
        return Finding::problem(
            CHECK,
            format!(
                "{}: no overcurrent device is described, so nothing would open",
                circuit.name
            ),
            "give ocpd_a and ocpd, or fit one",
        );
    };
    let is_ac = circuit.feeds == Feeds::Ac;
    let device = format!(
        "its device of {rating_a} A ({})",
        rule(kind).source.standard
    );
    judge(circuit, loops, egc_ohm, earth_ohm, &device, |amps| {
        opens(kind, rating_a, amps, is_ac)
    })
    .with("ocpd_a", rating_a)
}

fn judge(
    circuit: &Circuit,
    loops: &Loops,
    egc_ohm: Option<f64>,
    earth_ohm: Option<f64>,
    device: &str,
    opens: impl Fn(f64) -> Opens,
) -> Finding {
    let name = &circuit.name;
    let earth = match earth_ohm {
        None => {
            "What the earth alone would carry cannot be told without the electrodes' resistance"
                .to_owned()
        }
        Some(earth_ohm) => {
            let amps = loops.amps(earth_ohm);
            let would = match opens(amps) {
                Opens::Never => format!("{device} would never open"),
                Opens::Slowly => format!("{device} would take an hour or more"),
                Opens::Within(_) => {
                    format!(
                        "{device} would open here, yet earth is no permitted path and its resistance changes"
                    )
                }
            };
            format!(
                "The earth alone ({}) would carry {}: {would}",
                quantity(earth_ohm, "Ω"),
                quantity(amps, "A")
            )
        }
    };
    let finding = match egc_ohm {
        None => Finding::problem(
            CHECK,
            format!("{name}: no equipment-grounding conductor. {earth}"),
            "run one with the circuit's conductors",
        ),
        Some(egc_ohm) => {
            let (loop_ohm, amps) = (loops.loop_ohm(egc_ohm), loops.amps(egc_ohm));
            let says = format!(
                "{name}: loop {}, a fault to metal drives {}",
                quantity(loop_ohm, "Ω"),
                quantity(amps, "A")
            );
            let (verdict, what, action) = match opens(amps) {
                Opens::Within(time) => (Verdict::Ok, format!("{device} opens within {time}"), ""),
                Opens::Slowly => (
                    Verdict::Problem,
                    format!("{device} has to open only within an hour or more"),
                    "shorten the run, use thicker conductors or a smaller device; look at its curve",
                ),
                Opens::Never => (
                    Verdict::Problem,
                    format!("{device} need not open"),
                    "shorten the run, use thicker conductors or a smaller device, or add ground-fault protection",
                ),
            };
            let says = format!("{says}, {what}. {earth}");
            let finding = if verdict == Verdict::Ok {
                Finding::ok(CHECK, says)
            } else {
                Finding::problem(CHECK, says, action)
            };
            finding.with("loop_ohm", loop_ohm).with("fault_a", amps)
        }
    };
    match earth_ohm {
        Some(earth_ohm) => finding
            .with("earth_ohm", earth_ohm)
            .with("earth_alone_a", loops.amps(earth_ohm)),
        None => finding,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::test_array::heron_bend;

    fn found(circuit: &str) -> Finding {
        let file = heron_bend(&format!(
            "[grounding]\nac_system = true\n[[electrode]]\nname = \"house\"\nkind = \"rod\"\nplace = \"main-panel\"\n\
             measured_ohm = 25.0\nlength_m = 2.44\ndiameter_mm = 15.9\n[[circuit]]\n{circuit}\n"
        ));
        let facts = Facts::of(&file).expect("plans");
        findings(&file, &facts, Some(1.0)).remove(0)
    }

    /// By hand: 30 m out in 12 AWG (1.98 Ω/kft stranded) and back in 12 AWG are 0.390 Ω at 75 °C: 120 V drive 308 A; a 20 A
    /// breaker of UL 489 must open at 40 A. 25 Ω of earth drive 4.8 A, less than 27 A.
    #[test]
    fn an_ac_circuit_with_and_without_its_grounding_conductor() {
        let circuit = "name = \"outlets\"\nfeeds = \"ac\"\nvolts = 120.0\nocpd_a = 20.0\nocpd = \"ul489\"\n\
                       conductor = { length_m = 30.0, size = \"12\", stranded = true }\n";
        let without = found(circuit);
        assert_eq!(without.verdict, Verdict::Problem);
        assert!((without.evidence["earth_alone_a"] - 120.0 / 25.195).abs() < 0.01);
        assert!(
            without.says.contains("would never open"),
            "{}",
            without.says
        );
        let with = found(&format!(
            "{circuit}egc = {{ length_m = 30.0, size = \"12\", stranded = true }}\n"
        ));
        assert_eq!(with.verdict, Verdict::Ok, "{}", with.says);
        assert!(
            (with.evidence["loop_ohm"] - 0.3898).abs() < 1e-3,
            "{with:?}"
        );
        assert!((with.evidence["fault_a"] - 307.9).abs() < 1.0, "{with:?}");
    }

    /// An inverter that gives 30 A cannot open a 20 A breaker in minutes: 1.5 times is the hour's class.
    #[test]
    fn a_weak_source_opens_slowly_or_never() {
        let circuit = |a: f64| {
            format!(
                "name = \"outlets\"\nfeeds = \"ac\"\nvolts = 120.0\nsource_a_max = {a:.1}\nocpd_a = 20.0\nocpd = \"ul489\"\n\
                 conductor = {{ length_m = 30.0, size = \"12\" }}\negc = {{ length_m = 30.0, size = \"12\" }}\n"
            )
        };
        assert_eq!(found(&circuit(30.0)).verdict, Verdict::Problem);
        assert!(found(&circuit(30.0)).says.contains("only within an hour"));
        assert!(found(&circuit(25.0)).says.contains("need not open"));
        assert_eq!(found(&circuit(40.0)).verdict, Verdict::Ok);
    }

    /// Two strings give 19.56 A whatever the loop: enough for a 1 A fuse, never for a 20 A device.
    #[test]
    fn the_array_gives_no_more_than_its_short_circuit_current() {
        let got = found(
            "name = \"run\"\nfeeds = \"array\"\nocpd_a = 20.0\nocpd = \"gpv\"\n\
             conductor = { length_m = 20.0, size = \"10\" }\negc = { length_m = 20.0, size = \"10\" }\n",
        );
        assert_eq!(got.verdict, Verdict::Ok, "{}", got.says);
        assert!((got.evidence["fault_a"] - 19.5555).abs() < 1e-3, "{got:?}");
        assert!(got.says.contains("never opens"), "{}", got.says);
    }

    #[test]
    fn multiples_of_the_standards() {
        for (kind, multiple, is_ac, fast) in [
            (OcpdKind::Iec60898B, 5.0, true, true),
            (OcpdKind::Iec60898B, 5.0, false, false),
            (OcpdKind::Iec60898C, 10.0, true, true),
            (OcpdKind::Iec60898C, 9.9, true, false),
            (OcpdKind::Iec60947, 9.9, false, false),
            (OcpdKind::Gpv, 10.0, false, true),
        ] {
            let got = opens(kind, 16.0, 16.0 * multiple, is_ac);
            assert_eq!(matches!(got, Opens::Within(_)), fast, "{kind:?} {multiple}");
        }
        assert_eq!(opens(OcpdKind::Gpv, 10.0, 14.4, false), Opens::Never);
        assert_eq!(opens(OcpdKind::Gpv, 10.0, 14.5, false), Opens::Slowly);
    }

    #[test]
    fn a_conductor_beyond_the_table_cannot_be_judged() {
        let got = found(
            "name = \"battery\"\nfeeds = \"battery\"\nvolts = 48.0\nocpd_a = 250.0\nocpd = \"ul489\"\n\
             conductor = { length_m = 2.0, size = \"350\" }\negc = { length_m = 2.0, size = \"4\" }\n",
        );
        assert_eq!(got.verdict, Verdict::CannotJudge);
        assert!(got.says.contains("350 kcmil copper"), "{}", got.says);
    }
}
