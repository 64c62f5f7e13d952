//! Electrodes, bonding points and circuits, as far as they decide where fault current goes.

use super::conductor::Conductor;
use ohmward_plant::scenario::Source;
use ohmward_plant::scenario::sections::Checked;
use serde::{Deserialize, Serialize};

/// Section `[grounding]`.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Grounding {
    /// There is an AC system with a neutral.
    pub ac_system: bool,
}

/// Where something is.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Place {
    /// The service disconnect's enclosure, first in the building.
    MainPanel,
    /// A panel behind it.
    Subpanel,
    /// An inverter.
    Inverter,
    /// A charge controller.
    ChargeController,
    /// The battery.
    Battery,
    /// Where strings are joined.
    Combiner,
    /// The ground-fault monitor, whose shunt sees the bond current.
    Monitor,
    /// The modules and their rack.
    Array,
}

impl Place {
    /// For sentences.
    pub fn word(self) -> &'static str {
        match self {
            Self::MainPanel => "the main panel",
            Self::Subpanel => "a subpanel",
            Self::Inverter => "the inverter",
            Self::ChargeController => "the charge controller",
            Self::Battery => "the battery",
            Self::Combiner => "the combiner",
            Self::Monitor => "the ground-fault monitor",
            Self::Array => "the array",
        }
    }
}

/// Kind of an electrode.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ElectrodeKind {
    /// Driven rod or pipe, or two of them.
    Rod,
    /// In the concrete of a foundation.
    ConcreteEncased,
    /// Ring round a building.
    Ring,
    /// Buried plate.
    Plate,
}

/// One `[[electrode]]`.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Electrode {
    /// What the bonding points call it.
    pub name: String,
    /// Kind.
    pub kind: ElectrodeKind,
    /// Where.
    pub place: Place,
    /// Of a rod, m.
    pub length_m: Option<f64>,
    /// Of a rod, mm. The diameter, not the radius.
    pub diameter_mm: Option<f64>,
    /// Rods that make up this electrode, 1 or 2.
    #[serde(default = "one")]
    pub rods: u32,
    /// Between two rods, m.
    pub spacing_m: Option<f64>,
    /// Measured resistance to earth, Ω; goes before what is computed.
    pub measured_ohm: Option<f64>,
    /// The grounding-electrode conductor to it.
    pub conductor: Option<Conductor>,
}

fn one() -> u32 {
    1
}

/// What a bonding point joins.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Joins {
    /// A conductor of the DC system to ground.
    DcSystem,
    /// The neutral of the AC system to ground.
    Neutral,
    /// Two electrodes to one another.
    Electrodes,
}

/// What `between` calls the equipment-grounding conductor that runs with the array's circuits.
pub const EGC: &str = "egc";

/// One `[[bond]]`.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Bond {
    /// What it joins.
    pub joins: Joins,
    /// Where, for `dc-system` and `neutral`.
    pub place: Option<Place>,
    /// The two electrodes, for `electrodes`; [`EGC`] stands for the array's equipment-grounding conductor.
    #[serde(default)]
    pub between: Vec<String>,
}

/// What feeds a circuit.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Feeds {
    /// One string.
    String,
    /// All strings together.
    Array,
    /// A battery.
    Battery,
    /// Inverter, generator or utility.
    Ac,
}

/// Kind of an overcurrent device.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize, Serialize)]
pub enum OcpdKind {
    /// North American moulded-case breaker.
    #[serde(rename = "ul489")]
    Ul489,
    /// Household breaker, characteristic B.
    #[serde(rename = "iec60898-b")]
    Iec60898B,
    /// Household breaker, characteristic C.
    #[serde(rename = "iec60898-c")]
    Iec60898C,
    /// Industrial breaker.
    #[serde(rename = "iec60947-2")]
    Iec60947,
    /// Photovoltaic fuse.
    #[serde(rename = "gpv")]
    Gpv,
    /// Supplemental (midget) fuse.
    #[serde(rename = "ul248-14")]
    Ul248Midget,
}

/// One `[[circuit]]`.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Circuit {
    /// What findings call it.
    pub name: String,
    /// What feeds it.
    pub feeds: Feeds,
    /// To earth or to neutral, V; of the array it is computed.
    pub volts: Option<f64>,
    /// Greatest current that the source gives into a short, A, where it is limited.
    pub source_a_max: Option<f64>,
    /// Overcurrent device, A.
    pub ocpd_a: Option<f64>,
    /// Its kind.
    pub ocpd: Option<OcpdKind>,
    /// The ungrounded conductor of the circuit; one way.
    pub conductor: Conductor,
    /// Its equipment-grounding conductor; without it there is none.
    pub egc: Option<Conductor>,
}

pub(super) fn check(
    source: &Source<'_>,
    electrodes: &[Electrode],
    bonds: &[Bond],
    circuits: &[Circuit],
) -> Checked<()> {
    for (k, e) in electrodes.iter().enumerate() {
        electrode(source, &format!("electrode.{k}"), e)?;
        if electrodes[..k].iter().any(|other| other.name == e.name) {
            return Err(source.error(
                &format!("electrode.{k}.name"),
                format!("\"{}\" is there twice; give each its own name", e.name),
            ));
        }
    }
    for (k, b) in bonds.iter().enumerate() {
        bond(source, &format!("bond.{k}"), b, electrodes)?;
    }
    for (k, c) in circuits.iter().enumerate() {
        circuit(source, &format!("circuit.{k}"), c)?;
    }
    if let Some(second) = circuits
        .iter()
        .enumerate()
        .filter(|(_, c)| c.feeds == Feeds::Array)
        .nth(1)
    {
        return Err(source.error(
            &format!("circuit.{}.feeds", second.0),
            "a second circuit is fed by the whole array; describe one, and strings as feeds = \"string\"",
        ));
    }
    Ok(())
}

fn electrode(source: &Source<'_>, path: &str, e: &Electrode) -> Checked<()> {
    let at = |key: &str| format!("{path}.{key}");
    if e.name.trim().is_empty() || e.name == EGC {
        return Err(source.error(
            &at("name"),
            "is empty or \"egc\", which has a meaning of its own; give the electrode another name",
        ));
    }
    for (key, value, low, high) in [
        ("length_m", e.length_m, 0.1, 100.0),
        ("diameter_mm", e.diameter_mm, 1.0, 500.0),
        ("spacing_m", e.spacing_m, 0.1, 1000.0),
        ("measured_ohm", e.measured_ohm, 0.01, 1e5),
    ] {
        if let Some(value) = value {
            source.between(&at(key), value, low, high)?;
        }
    }
    source.between(&at("rods"), f64::from(e.rods), 1.0, 2.0)?;
    if let Some(conductor) = &e.conductor {
        conductor.check(source, &at("conductor"))?;
    }
    let is_rod = e.kind == ElectrodeKind::Rod;
    for (key, given) in [
        ("length_m", e.length_m.is_some()),
        ("diameter_mm", e.diameter_mm.is_some()),
    ] {
        if is_rod && !given {
            return Err(source.error(&at(key), "is missing for a rod; add it"));
        }
        if !is_rod && given {
            return Err(source.error(&at(key), "belongs to kind = \"rod\" only; remove it"));
        }
    }
    match (is_rod && e.rods == 2, e.spacing_m) {
        (true, None) => Err(source.error(&at("spacing_m"), "is missing for two rods; add it")),
        (false, Some(_)) => {
            Err(source.error(&at("spacing_m"), "belongs to two rods only; remove it"))
        }
        (true, Some(_)) | (false, None) => Ok(()),
    }
}

fn bond(source: &Source<'_>, path: &str, b: &Bond, electrodes: &[Electrode]) -> Checked<()> {
    match (b.joins, b.place, b.between.as_slice()) {
        (Joins::DcSystem | Joins::Neutral, Some(_), []) => Ok(()),
        (Joins::DcSystem | Joins::Neutral, None, _) => Err(source.error(
            &format!("{path}.place"),
            "is missing; say where the bond is",
        )),
        (Joins::DcSystem | Joins::Neutral, Some(_), [..]) => Err(source.error(
            &format!("{path}.between"),
            "belongs to joins = \"electrodes\" only; remove it",
        )),
        (Joins::Electrodes, Some(_), _) => Err(source.error(
            &format!("{path}.place"),
            "has no meaning between electrodes; remove it",
        )),
        (Joins::Electrodes, None, [one, other]) => {
            for name in [one, other] {
                if name != EGC && !electrodes.iter().any(|e| e.name == *name) {
                    let known: Vec<_> = electrodes.iter().map(|e| e.name.as_str()).collect();
                    return Err(source.error(
                        &format!("{path}.between"),
                        format!(
                            "\"{name}\" is no electrode of this file; it has: {}, and egc",
                            known.join(", ")
                        ),
                    ));
                }
            }
            if one == other {
                return Err(source.error(
                    &format!("{path}.between"),
                    format!("joins \"{one}\" to itself; name two electrodes"),
                ));
            }
            Ok(())
        }
        (Joins::Electrodes, None, _) => Err(source.error(
            &format!("{path}.between"),
            "must name the two electrodes that are joined",
        )),
    }
}

fn circuit(source: &Source<'_>, path: &str, c: &Circuit) -> Checked<()> {
    let at = |key: &str| format!("{path}.{key}");
    if c.name.trim().is_empty() {
        return Err(source.error(&at("name"), "is empty; give the circuit a name"));
    }
    c.conductor.check(source, &at("conductor"))?;
    if let Some(egc) = &c.egc {
        egc.check(source, &at("egc"))?;
    }
    if let Some(a) = c.ocpd_a {
        source.between(&at("ocpd_a"), a, 0.1, 10_000.0)?;
    }
    if c.ocpd_a.is_some() != c.ocpd.is_some() {
        let key = if c.ocpd.is_some() { "ocpd_a" } else { "ocpd" };
        return Err(source.error(
            &at(key),
            "is missing; an overcurrent device has a rating (ocpd_a) and a kind (ocpd)",
        ));
    }
    if let Some(a) = c.source_a_max {
        source.between(&at("source_a_max"), a, 0.1, 200_000.0)?;
    }
    match (c.feeds, c.volts) {
        (Feeds::String | Feeds::Array, None) => match c.source_a_max {
            Some(_) => Err(source.error(
                &at("source_a_max"),
                "is computed for a circuit that the array feeds; remove it",
            )),
            None => Ok(()),
        },
        (Feeds::String | Feeds::Array, Some(_)) => Err(source.error(
            &at("volts"),
            "is computed for a circuit that the array feeds; remove it",
        )),
        (Feeds::Battery | Feeds::Ac, Some(v)) => source.between(&at("volts"), v, 1.0, 1500.0),
        (Feeds::Battery | Feeds::Ac, None) => {
            Err(source.error(&at("volts"), "is missing; give its voltage to earth"))
        }
    }
}
