//! `whatif`: what one or a few faults would do to the array of an ARRAY.toml, and what the board would do about it.
//!
//! ```text
//!   --fault … → fault ┐
//!   ARRAY.toml → ground ┴→ circuit (plant) → states, insulation, heat ┐
//!        └→ plan → settings → board (firmware, virtual time) → runs ──┴→ verdict → text, JSON, schematic
//!                                      └→ sweep over the resistance → chart
//! ```
//! - [`fault`]: how a fault is written, and what "module" counts. [`ground`]: the ways back that the file describes.
//! - [`circuit`]: the operating points. [`person`]: who touches, and what that does.
//! - [`board`]: the real firmware's answer, in ms. [`verdict`]: which danger is not ended in time; the blind spot in words.
//! - [`sweep`]: the same over a range of resistances. [`schematic`]: the picture. [`text`]: the table.

pub mod board;
pub mod circuit;
pub mod fault;
pub mod ground;
pub mod person;
pub mod schematic;
pub mod sweep;
#[cfg(test)]
mod tests;
pub mod text;
pub mod verdict;

use crate::array_file::ArrayFile;
use crate::plan::changes::Looser;
use crate::plan::fuse::melts_after_s;
use crate::plan::sources::Source;
use crate::plan::{NOTICE, plan};
use crate::sim::SimError;
use board::{Onset, Run};
use circuit::{Circuit, Insulation, Most, Phase, State, Touches};
use fault::{FaultError, FaultSpec};
use ground::Ground;
use ohmward_plant::{NetworkError, ScenarioError};
use ohmward_proto::settings::{Earthing, Settings};
use person::Feet;
use serde::Serialize;
use verdict::Verdict;

/// Steady sun.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Sun {
    /// In the plane of the modules, W/m².
    pub irradiance_w_m2: f64,
    /// Of the cells, °C.
    pub cell_temp_c: f64,
    /// 0 dry to 1 covered with water.
    pub wetness: f64,
}

impl Default for Sun {
    /// Standard test conditions, dry.
    fn default() -> Self {
        Self {
            irradiance_w_m2: 1000.0,
            cell_temp_c: 25.0,
            wetness: 0.0,
        }
    }
}

/// What is asked.
#[derive(Clone, PartialEq, Debug)]
pub struct Question {
    /// One to [`fault::FAULTS_MAX`].
    pub faults: Vec<FaultSpec>,
    /// Light and water.
    pub sun: Sun,
    /// What the person touches.
    pub touches: Touches,
    /// Of the person's shoes, Ω.
    pub shoes_ohm: f64,
    /// Whether settings of the file may be looser than their source, as in `plan`.
    pub looser: Looser,
}

impl Question {
    /// These faults at standard test conditions, and a person with soaked shoes at the frame.
    pub fn of(faults: Vec<FaultSpec>) -> Self {
        Self {
            faults,
            sun: Sun::default(),
            touches: Touches::default(),
            shoes_ohm: 0.0,
            looser: Looser::Refuse,
        }
    }
}

/// One fault with what does not depend on the phase.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct FaultReport {
    /// As given.
    #[serde(flatten)]
    pub spec: FaultSpec,
    /// In words.
    pub place: String,
    /// It lies on the conductor that the bond holds at earth.
    pub on_grounded_conductor: bool,
    /// The most that a contact here could turn into heat while the bond is closed.
    pub most_connected: Most,
    /// The same with bond and contactor open.
    pub most_opened: Most,
}

/// What the ground-fault fuse does at the bond current of the connected array, by the plan's model.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct FuseNow {
    /// Rating, A.
    pub rating_a: f64,
    /// The file names it; else it is the largest allowed.
    pub installed: bool,
    /// Through it, A.
    pub bond_a: f64,
    /// Melts after this, s; `None`: carries it for ever.
    pub melts_after_s: Option<f64>,
}

/// The answer. As JSON, units are in the key names and keys are only ever added to a schema.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct WhatIf {
    /// Version of the shape of this as JSON.
    pub schema: u32,
    /// Said with every answer.
    pub notice: [&'static str; 4],
    /// The file.
    pub file: String,
    /// Name of the array.
    pub name: String,
    /// What the file says about it.
    pub note: String,
    /// How it is earthed.
    pub earthing: Earthing,
    /// Strings in parallel.
    pub strings: u32,
    /// Modules in each.
    pub modules_per_string: u32,
    /// Fuse and shunt, or earthing resistor and shunt, Ω; none without a bond.
    pub bond_path_ohm: Option<f64>,
    /// Light and water.
    pub sun: Sun,
    /// What the person touches.
    pub touches: Touches,
    /// The person's feet.
    pub feet: Feet,
    /// The faults.
    pub faults: Vec<FaultReport>,
    /// The ways back.
    pub ground: Ground,
    /// Connected, connected and touched, opened, opened and touched.
    pub states: [State; 4],
    /// What the board measures with bond and contactor open.
    pub insulation: Insulation,
    /// Trips below this, Ω.
    pub insulation_trip_below_ohm: f64,
    /// The fuse; only of a bonded array.
    pub fuse: Option<FuseNow>,
    /// Short-circuit current of one string, A: no fault in one string alone can drive more through it.
    pub isc_string_a: f64,
    /// The board, the fault coming while the array is connected.
    pub while_connected: Run,
    /// The board, the fault being there before its first look.
    pub before_start: Run,
    /// The board, a person touching a bare conductor as the fault comes; only when that was asked.
    pub touched: Option<Run>,
    /// What it comes to.
    pub verdict: Verdict,
    /// What body and zones rest on.
    pub sources: [Source; 4],
}

/// Why there is no answer.
#[derive(Debug, thiserror::Error)]
pub enum WhatIfError {
    /// The file.
    #[error(transparent)]
    File(#[from] ScenarioError),
    /// A fault.
    #[error("--fault: {0}")]
    Fault(#[from] FaultError),
    /// A way back that cannot be told.
    #[error("{what}: {why}")]
    Ground {
        /// Of what.
        what: String,
        /// What is missing.
        why: String,
    },
    /// The circuit has no solution.
    #[error("with these faults {0}; change a resistance a little, or report this with the file")]
    Circuit(#[from] NetworkError),
    /// A range that is none.
    #[error("--sweep: {0}")]
    Range(FaultError),
    /// The simulated board stopped.
    #[error(transparent)]
    Board(#[from] SimError),
}

/// File, ground and settings of one question: what a sweep needs once.
pub struct Prepared<'f> {
    /// The array.
    pub file: &'f ArrayFile,
    /// Its plan's settings.
    pub settings: Settings,
    /// The ways back.
    pub ground: Ground,
    /// The person's feet.
    pub feet: Feet,
    /// The plan itself.
    pub plan: crate::plan::Plan,
}

impl<'f> Prepared<'f> {
    /// Checks the question, plans, looks for the ways back.
    pub fn new(file: &'f ArrayFile, question: &Question) -> Result<Self, WhatIfError> {
        fault::check(&question.faults, file)?;
        let plan = plan(file, question.looser)?;
        let ground = Ground::of(file)?;
        Ok(Self {
            file,
            settings: plan.settings,
            feet: Feet::on(ground.soil_ohm_m, question.shoes_ohm),
            ground,
            plan,
        })
    }

    /// The circuit with the faults of the question in it.
    pub fn circuit(&self, question: &Question) -> Circuit {
        Circuit::new(self.file, &self.ground, question, &self.feet)
    }

    /// The board in front of the faults of the question.
    pub fn run(&self, question: &Question, onset: Onset) -> Result<Run, WhatIfError> {
        board::run(self.file, &self.ground, &self.settings, question, onset)
    }
}

/// Answers a question.
pub fn what_if(file: &ArrayFile, question: &Question) -> Result<WhatIf, WhatIfError> {
    let prepared = Prepared::new(file, question)?;
    let mut circuit = prepared.circuit(question);
    let [connected, connected_touched] = circuit.states(Phase::Connected)?;
    let [opened, opened_touched] = circuit.states(Phase::Opened)?;
    let faults = question
        .faults
        .iter()
        .enumerate()
        .map(|(k, spec)| {
            Ok(FaultReport {
                spec: *spec,
                place: spec.place_words(),
                on_grounded_conductor: circuit::on_bonded_conductor(
                    spec.at,
                    file.arrangement,
                    file.array.modules_per_string,
                ),
                most_connected: circuit.most(k, Phase::Connected)?,
                most_opened: circuit.most(k, Phase::Opened)?,
            })
        })
        .collect::<Result<Vec<_>, WhatIfError>>()?;
    let insulation = circuit.insulation()?;
    // The two runs know nothing of each other.
    let (while_connected, before_start) = std::thread::scope(|scope| {
        let early = scope.spawn(|| prepared.run(question, Onset::BeforeStart));
        let late = prepared.run(question, Onset::WhileConnected);
        let early = early
            .join()
            .unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        (late, early)
    });
    let (while_connected, before_start) = (while_connected?, before_start?);
    let touched = match (question.touches, &connected_touched.person) {
        (Touches::Positive | Touches::Negative, Some(person)) => {
            let person_ohm = person.body_ohm + person.feet_ohm;
            Some(prepared.run(question, Onset::WhileTouched { person_ohm })?)
        }
        _ => None,
    };
    let plan = &prepared.plan;
    let fuse = plan.fuse.as_ref().map(|fuse| FuseNow {
        rating_a: fuse.rating_a,
        installed: fuse.installed,
        bond_a: connected.i_bond_a.abs(),
        melts_after_s: melts_after_s(connected.i_bond_a.abs(), fuse.rating_a),
    });
    let states = [connected, connected_touched, opened, opened_touched];
    let insulation_trip_below_ohm = f64::from(prepared.settings.insulation.trip_below.0);
    let verdict = verdict::judge(&verdict::Seen {
        states: &states,
        faults: &faults,
        insulation: &insulation,
        trip_below_ohm: insulation_trip_below_ohm,
        every_s: prepared.settings.check.every_s,
        while_connected: &while_connected,
        before_start: &before_start,
        touched: touched.as_ref(),
    });
    Ok(WhatIf {
        schema: 1,
        notice: NOTICE,
        file: file.file.clone(),
        name: file.name.clone(),
        note: file.note.clone(),
        earthing: file.arrangement,
        strings: file.array.strings,
        modules_per_string: file.array.modules_per_string,
        bond_path_ohm: plan.facts.bond_path_ohm,
        sun: question.sun,
        touches: question.touches,
        feet: prepared.feet.clone(),
        faults,
        ground: prepared.ground.clone(),
        states,
        insulation,
        insulation_trip_below_ohm,
        fuse,
        isc_string_a: plan.facts.isc_string_a,
        while_connected,
        before_start,
        touched,
        verdict,
        sources: person::sources(),
    })
}
