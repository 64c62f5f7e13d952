//! `plan`: limits, expected values, grounding and cautions for one array, each with where it comes from.
//!
//! ```text
//!   ARRAY.toml → facts ┬ healthy → limits → changes of the file → settings file
//!                      ├ fuse, blind_spot, commissioning, touch
//!                      └ grounding                               → findings      all of it → text, JSON
//! ```
//! - [`sources`]: the numbers of the standards, with how sure they are. Read this one first.
//! - [`facts`]: rating, voltages, currents, area.
//! - [`healthy`]: what the array should read when nothing is wrong, and how long reading takes.
//! - [`limits`], with the hold times in [`holds`]: every setting of the board, how it was reached, where looser begins.
//! - [`changes`]: `[settings]` of the file over these; looser is refused or marked.
//! - [`fuse`], [`blind_spot`]: what the ground-fault fuse does, and what it cannot see.
//! - [`commissioning`]: the first insulation test. [`touch`]: what a touch would drive through a person.
//! - [`grounding`]: conductors, electrodes, bonding points, fault paths.
//! - [`finding`]: what a check says. [`front_end`]: whether the reference front end reaches.
//! - [`settings_file`]: the board's settings as a file and back. [`text`], in the columns of `page.rs`: all of it for a
//!   person.

pub mod blind_spot;
pub mod changes;
pub mod commissioning;
pub mod facts;
pub mod finding;
pub mod front_end;
pub mod fuse;
pub mod grounding;
pub mod healthy;
pub mod holds;
pub mod limits;
pub(crate) mod page;
pub mod settings_file;
pub mod sources;
pub mod text;
pub mod touch;

#[cfg(test)]
pub(crate) mod test_array;
#[cfg(test)]
mod tests;

use crate::array_file::ArrayFile;
use blind_spot::BlindSpot;
use changes::Looser;
use commissioning::Commissioning;
use facts::Facts;
use finding::{Finding, Verdict};
use fuse::Fuse;
use grounding::{bonds, conductors, electrodes, paths};
use healthy::Healthy;
use limits::Limit;
use ohmward_plant::ScenarioError;
use ohmward_proto::Settings;
use serde::Serialize;
use touch::Touches;

/// Said with every plan, on every way out.
pub const NOTICE: [&str; 4] = [
    "Ohmward is an instrument, not a listed protective device, and replaces none that a code demands.",
    "Local codes, the authority having jurisdiction and licensed persons decide; what is computed here is no approval.",
    "PV conductors stay live in daylight; an open contactor or a good reading is no proof of isolation.",
    "An opened bond floats the \"grounded\" conductor: it may then stand at array voltage. Treat it as live.",
];

/// A plan.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Plan {
    /// Version of the shape of this as JSON; keys are only ever added to one.
    pub schema: u32,
    /// Said with every plan.
    pub notice: [&'static str; 4],
    /// The file it was made from.
    pub file: String,
    /// Name of the array.
    pub name: String,
    /// What the file says about it.
    pub note: String,
    /// The array in numbers.
    pub facts: Facts,
    /// Every setting of the board.
    pub limits: Vec<Limit>,
    /// The same as the board takes them.
    pub settings: Settings,
    /// What it should read when nothing is wrong.
    pub healthy: Healthy,
    /// The ground-fault fuse; only of a bonded array.
    pub fuse: Option<Fuse>,
    /// What that fuse cannot see; only of a bonded array.
    pub blind_spot: Option<BlindSpot>,
    /// The first insulation test; `None`: beyond the table.
    pub commissioning: Option<Commissioning>,
    /// What a touch would do.
    pub touch: Touches,
    /// What was checked.
    pub findings: Vec<Finding>,
}

impl Plan {
    /// Checks that did not come out well.
    pub fn problems(&self) -> usize {
        self.findings
            .iter()
            .filter(|f| f.verdict == Verdict::Problem)
            .count()
    }

    /// Limits that protect less than their source asks.
    pub fn looser(&self) -> impl Iterator<Item = &Limit> {
        self.limits.iter().filter(|l| l.looser_than.is_some())
    }
}

/// Plans for an array.
///
/// # Errors
/// What in the file no plan can be made for: its line, its key, what to give instead.
pub fn plan(file: &ArrayFile, looser: Looser) -> Result<Plan, ScenarioError> {
    let facts = Facts::of(file)?;
    let healthy = healthy::healthy(file, &facts);
    let planned = limits::limits(
        &facts,
        &healthy,
        file.contactor.open_ms,
        file.converter.isolated,
        changes::trip_wanted_ohm(file),
    );
    let (limits, settings) = changes::apply(file, planned, looser)?;
    let fuse = fuse::fuse(&facts, file.protection.bond_fuse_a);
    let fuse_a = fuse.as_ref().map(|f| f.rating_a);
    let blind_spot = fuse_a.and_then(|fuse_a| blind_spot::blind_spot(&facts, fuse_a, &settings));
    let continuous_a = f64::from(settings.current.continuous.above.0);
    let trip_ohm = f64::from(settings.insulation.trip_below.0);

    let mut findings = holds::times(facts.mains, &settings, file.contactor.open_ms);
    findings.extend(fuse.as_ref().map(fuse::finding));
    findings.extend(
        blind_spot
            .as_ref()
            .map(|spot| blind_spot::finding(spot, healthy.worst_bond_a)),
    );
    findings.extend(healthy::findings(&healthy, &facts, continuous_a, trip_ohm));
    findings.extend(front_end::findings(&facts));
    findings.extend(bonds::findings(file, &facts));
    findings.extend(electrodes::findings(file, &facts));
    findings.extend(
        file.circuits
            .iter()
            .map(|circuit| conductors::egc_finding(circuit, &facts)),
    );
    findings.extend(paths::findings(file, &facts, fuse_a));
    Ok(Plan {
        schema: 1,
        notice: NOTICE,
        file: file.file.clone(),
        name: file.name.clone(),
        note: file.note.clone(),
        commissioning: commissioning::commissioning(&facts),
        touch: touch::touches(&facts, &settings.insulation),
        facts,
        limits,
        settings,
        healthy,
        fuse,
        blind_spot,
        findings,
    })
}
