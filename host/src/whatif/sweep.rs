//! The same question over a range of fault resistances, each point through the real firmware.

use super::board::SeenBy;
use super::fault::{FaultError, ohms};
use super::verdict::after;
use super::{Question, WhatIf, WhatIfError, what_if};
use crate::array_file::ArrayFile;
use crate::plan::facts::quantity;
use crate::plan::page::Page;
use crate::plan::plan;
use crate::plan::sources::Source;
use crate::plan::sources::limits::{CONTINUOUS_TIME_S, MIDGET_FUSE, SUDDEN_CHANGE};
use serde::Serialize;
use std::str::FromStr;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Points of a sweep unless it says otherwise.
pub const POINTS: u32 = 41;

/// `ohms=0.1..1e6` or `ohms=0.1..1e6,points=41`: the resistance of the first fault, evenly in logarithms.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Range {
    /// Lowest, Ω.
    pub low_ohm: f64,
    /// Highest, Ω.
    pub high_ohm: f64,
    /// How many, both ends included.
    pub points: u32,
}

impl FromStr for Range {
    type Err = FaultError;

    fn from_str(text: &str) -> Result<Self, FaultError> {
        let bad = |value: &str| FaultError::BadValue {
            key: "ohms",
            value: value.to_owned(),
            allowed: "a range like ohms=0.1..1e6 within 0.001 to 1e10, the lower end first"
                .to_owned(),
        };
        let (mut range, mut points) = (None, POINTS);
        for part in text.split(',') {
            match part.split_once('=').map(|(key, value)| (key.trim(), value)) {
                Some(("ohms", value)) => {
                    let (low, high) = value.split_once("..").ok_or_else(|| bad(value))?;
                    let (low, high) = (ohms(low)?, ohms(high)?);
                    if low >= high {
                        return Err(bad(value));
                    }
                    range = Some((low, high));
                }
                Some(("points", value)) => {
                    points = value
                        .trim()
                        .parse()
                        .ok()
                        .filter(|points| (2..=400).contains(points))
                        .ok_or_else(|| FaultError::BadValue {
                            key: "points",
                            value: value.to_owned(),
                            allowed: "2 to 400".to_owned(),
                        })?;
                }
                _ => return Err(bad(part)),
            }
        }
        let (low_ohm, high_ohm) = range.ok_or_else(|| bad(text))?;
        Ok(Self {
            low_ohm,
            high_ohm,
            points,
        })
    }
}

impl Range {
    /// Resistance of a point, Ω.
    pub fn ohm(&self, point: u32) -> f64 {
        let share = f64::from(point) / f64::from(self.points - 1);
        self.low_ohm * (self.high_ohm / self.low_ohm).powf(share)
    }
}

/// How a point is seen.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Sight {
    /// A current limit trips.
    BondCurrent,
    /// The current is silent; a measurement while connected trips.
    InsulationCheck,
    /// Something else trips.
    OtherWatch,
    /// Not told: the board does not connect this array even without a fault.
    NotTold,
    /// Nothing trips while connected, and insulation is below the trip level: a blind spot.
    Blind,
    /// Nothing trips, and nothing has to: insulation is above the trip level.
    NeedNot,
}

/// One resistance.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Point {
    /// Of the first fault, Ω.
    pub ohms: f64,
    /// Bond current while connected, A.
    pub i_bond_a: f64,
    /// Through the first fault, A.
    pub fault_a: f64,
    /// Heat in it, W.
    pub fault_w: f64,
    /// Through the person, A.
    pub person_a: f64,
    /// Insulation as measured with the bond open, Ω.
    pub r_iso_ohm: Option<f64>,
    /// How it is seen.
    pub sight: Sight,
    /// Trip after the onset while connected, s.
    pub trip_after_s: Option<f64>,
    /// Contactor open after the onset, s.
    pub open_after_s: Option<f64>,
    /// Connection is refused when the fault is there first.
    pub refused: bool,
    /// Every danger is ended in time.
    pub seen_in_time: bool,
}

/// A level with where it comes from.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Level {
    /// What.
    pub what: String,
    /// A, s or Ω, as the list says.
    pub value: f64,
    /// Where it comes from.
    pub source: String,
}

/// All of it. As JSON, units are in the key names.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Sweep {
    /// Version of the shape of this as JSON.
    pub schema: u32,
    /// Said with every answer.
    pub notice: [&'static str; 4],
    /// Name of the array.
    pub name: String,
    /// What the file says about it.
    pub note: String,
    /// The swept fault in words.
    pub place: String,
    /// The range.
    pub range: Range,
    /// The points.
    pub points: Vec<Point>,
    /// Levels of the bond current, A.
    pub current_levels_a: Vec<Level>,
    /// Times that standards ask for, s.
    pub time_levels_s: Vec<Level>,
    /// Insulation trips below this, Ω.
    pub insulation_trip_below_ohm: f64,
    /// Looked at for this long, s.
    pub observed_s: f64,
}

impl Sweep {
    /// No point has a danger that nothing ends in time.
    pub fn seen_in_time(&self) -> bool {
        self.points.iter().all(|p| p.seen_in_time)
    }
}

/// Runs all points, on all cores.
pub fn sweep(file: &ArrayFile, question: &Question, range: Range) -> Result<Sweep, WhatIfError> {
    let next = AtomicUsize::new(0);
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let work = || -> Result<Vec<(usize, WhatIf)>, WhatIfError> {
        let mut done = Vec::new();
        loop {
            let n = next.fetch_add(1, Ordering::Relaxed);
            if n >= range.points as usize {
                return Ok(done);
            }
            let mut question = question.clone();
            if let Some(first) = question.faults.first_mut() {
                first.ohms = range.ohm(n as u32);
            }
            done.push((n, what_if(file, &question)?));
        }
    };
    let mut answers = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..threads).map(|_| scope.spawn(work)).collect();
        workers
            .into_iter()
            .map(|worker| {
                worker
                    .join()
                    .unwrap_or_else(|panic| std::panic::resume_unwind(panic))
            })
            .collect::<Result<Vec<_>, _>>()
    })?
    .into_iter()
    .flatten()
    .collect::<Vec<_>>();
    answers.sort_by_key(|(n, _)| *n);
    let plan = plan(file, question.looser)?;
    let c = &plan.settings.current;
    let source = |key: &str| {
        plan.limits
            .iter()
            .find(|l| l.key == key)
            .map_or_else(String::new, |l| l.source_label.clone())
    };
    let level = |what: &str, value: f32, key: &str| Level {
        what: what.to_owned(),
        value: f64::from(value),
        source: source(key),
    };
    let mut current_levels_a = vec![
        level(
            "ground fault (DC)",
            c.ground_fault.above.0,
            "current.ground_fault.above_a",
        ),
        level(
            "continuous (RMS)",
            c.continuous.above.0,
            "current.continuous.above_a",
        ),
    ];
    if c.sudden.enabled {
        current_levels_a.push(level(
            "sudden change",
            c.sudden.low.above.0,
            "current.sudden.low.above_a",
        ));
    }
    if let Some(fuse) = &plan.fuse {
        current_levels_a.push(Level {
            what: format!("fuse of {} A carries this for ever", fuse.rating_a),
            value: fuse.carries_a,
            source: MIDGET_FUSE.source.label(),
        });
    }
    let time = |what: String, value: f64, source: Source| Level {
        what,
        value,
        source: source.label(),
    };
    let mut time_levels_s = vec![time(
        "continuous limit passed".to_owned(),
        CONTINUOUS_TIME_S.value,
        CONTINUOUS_TIME_S.source,
    )];
    for (amps, s) in SUDDEN_CHANGE.value {
        time_levels_s.push(time(
            format!("sudden change of {}", quantity(amps, "A")),
            s,
            SUDDEN_CHANGE.source,
        ));
    }
    Ok(Sweep {
        schema: 1,
        notice: crate::plan::NOTICE,
        name: file.name.clone(),
        note: file.note.clone(),
        place: question
            .faults
            .first()
            .map_or_else(String::new, super::fault::FaultSpec::place_words),
        range,
        observed_s: super::board::observed_s(&plan.settings),
        insulation_trip_below_ohm: f64::from(plan.settings.insulation.trip_below.0),
        current_levels_a,
        time_levels_s,
        points: answers.iter().map(|(_, answer)| point(answer)).collect(),
    })
}

fn point(answer: &WhatIf) -> Point {
    let connected = &answer.states[0];
    let trip = answer.while_connected.trip.as_ref();
    let low = answer
        .insulation
        .r_iso_ohm
        .is_some_and(|r| r < answer.insulation_trip_below_ohm);
    Point {
        ohms: answer.faults[0].spec.ohms,
        i_bond_a: connected.i_bond_a,
        fault_a: connected.faults[0].fault_a,
        fault_w: connected.faults[0].fault_w,
        person_a: answer.states[1].person.as_ref().map_or(0.0, |p| p.person_a),
        r_iso_ohm: answer.insulation.r_iso_ohm,
        sight: match trip.map(|t| t.seen_by) {
            Some(SeenBy::BondCurrent) => Sight::BondCurrent,
            Some(SeenBy::InsulationCheck) => Sight::InsulationCheck,
            Some(SeenBy::OtherWatch) => Sight::OtherWatch,
            None if answer.while_connected.never_connected.is_some() => Sight::NotTold,
            None if low => Sight::Blind,
            None => Sight::NeedNot,
        },
        trip_after_s: trip.map(|t| t.after_ms / 1e3),
        open_after_s: trip.and_then(|t| t.open_after_ms).map(|ms| ms / 1e3),
        refused: answer.before_start.refused().is_some(),
        seen_in_time: answer.verdict.seen_in_time,
    }
}

impl Sight {
    /// For people.
    pub fn words(self) -> &'static str {
        match self {
            Self::BondCurrent => "bond current",
            Self::InsulationCheck => "insulation check",
            Self::OtherWatch => "other watch",
            Self::NotTold => "not told",
            Self::Blind => "NOTHING: BLIND",
            Self::NeedNot => "above trip level",
        }
    }
}

/// The table for a person.
pub fn render(sweep: &Sweep) -> String {
    let mut page = Page::default();
    page.line(&format!(
        "WHAT IF, over the fault's resistance: {}, {}",
        sweep.name, sweep.place
    ));
    if !sweep.note.is_empty() {
        page.text(2, &sweep.note);
    }
    page.line("");
    for line in sweep.notice {
        page.item("! ", line);
    }
    page.line("");
    page.line(&format!(
        "  {:>9} {:>10} {:>10} {:>10} {:>10}  {:<17} {:>9} {:>9}",
        "fault", "bond", "heat", "person", "R_iso", "seen by", "trip", "refused"
    ));
    for p in &sweep.points {
        let person_a = if p.person_a.abs() < 1e-9 {
            0.0
        } else {
            p.person_a
        };
        page.line(&format!(
            "  {:>9} {:>10} {:>10} {:>10} {:>10}  {:<17} {:>9} {:>9}",
            quantity(p.ohms, "Ω"),
            quantity(p.i_bond_a, "A"),
            quantity(p.fault_w, "W"),
            quantity(person_a, "A"),
            p.r_iso_ohm
                .map_or_else(|| "–".to_owned(), |r| quantity(r, "Ω")),
            p.sight.words(),
            p.trip_after_s
                .map_or_else(|| "–".to_owned(), |s| after(s * 1e3)),
            if p.refused { "yes" } else { "NO" }
        ));
    }
    page.line("");
    page.text(
        2,
        &format!(
            "\"Trip\": after the fault comes while the array is connected, looked at for {}. \"Refused\": the fault is there before the \
             array is connected. Insulation trips below {}.",
            after(sweep.observed_s * 1e3),
            quantity(sweep.insulation_trip_below_ohm, "Ω")
        ),
    );
    for level in &sweep.current_levels_a {
        page.item(
            "- ",
            &format!(
                "{}: {} — {}",
                level.what,
                quantity(level.value, "A"),
                level.source
            ),
        );
    }
    for level in &sweep.time_levels_s {
        page.item(
            "- ",
            &format!(
                "{}: {} — {}",
                level.what,
                after(level.value * 1e3),
                level.source
            ),
        );
    }
    page.text(2, &blind_words(sweep));
    page.out
}

/// The blind spots in words.
pub fn blind_words(sweep: &Sweep) -> String {
    let span = |which: &dyn Fn(&Point) -> bool| {
        let mut some = sweep.points.iter().filter(|p| which(p)).map(|p| p.ohms);
        let first = some.next()?;
        let last = some.next_back().unwrap_or(first);
        Some(format!(
            "{} to {}",
            quantity(first, "Ω"),
            quantity(last, "Ω")
        ))
    };
    let mut says = Vec::new();
    if let Some(span) = span(&|p| p.sight == Sight::InsulationCheck) {
        says.push(format!("From {span} no current limit trips: only a measurement with the bond open sees the fault."));
    }
    if let Some(span) = span(&|p| p.sight == Sight::Blind) {
        says.push(format!(
            "From {span} NOTHING trips while the array is connected."
        ));
    }
    if let Some(span) = span(&|p| p.sight == Sight::NotTold) {
        says.push(format!(
            "From {span} it cannot be told: the board does not connect this array even without a fault."
        ));
    }
    if says.is_empty() {
        says.push("No blind spot in this range.".to_owned());
    }
    says.join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_range_is_read_or_refused_in_one_line() {
        let range: Range = "ohms=0.1..1e6".parse().expect("a range");
        assert_eq!(
            (range.low_ohm, range.high_ohm, range.points),
            (0.1, 1e6, 41)
        );
        assert!((range.ohm(0) - 0.1).abs() < 1e-12 && (range.ohm(40) / 1e6 - 1.0).abs() < 1e-9);
        let range: Range = "ohms=1..100,points=3".parse().expect("a range");
        assert!((range.ohm(1) - 10.0).abs() < 1e-9);
        for text in [
            "ohms=1e6..1",
            "ohms=0..5",
            "ohms=5",
            "volts=1..2",
            "ohms=1..2,points=1",
            "ohms=a..2",
        ] {
            let said = text.parse::<Range>().expect_err(text).to_string();
            assert_eq!(said.lines().count(), 1, "{said}");
        }
    }
}
