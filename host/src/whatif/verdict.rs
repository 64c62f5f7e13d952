//! What it comes to: every danger, whether something ends it in time, and the blind spot in words.
//!
//! A danger is heat in the fault, a current through a person, or insulation so low that the next fault would be one.
//! It counts as seen in time when the board ends it within the time that the danger's own source leaves.

use super::FaultReport;
use super::board::{Run, SeenBy};
use super::circuit::{Insulation, Phase, State};
use crate::plan::facts::quantity;
use crate::plan::sources::{Confidence, Source};
use serde::Serialize;

/// Above this a fault counts as able to set fire to something, W, if it lasts longer than [`FIRE_S`]: what IEC 62368-1 calls a
/// resistive potential ignition source under a single fault. A yardstick lent by electronic equipment: photovoltaic codes give none.
pub const FIRE_W: f64 = 15.0;
/// See [`FIRE_W`], s.
pub const FIRE_S: f64 = 30.0;
/// From here on a contact that opens counts as able to strike an arc, V, if voltage × current passes [`FIRE_W`]: the same standard's
/// arcing potential ignition source.
pub const ARC_V: f64 = 50.0;
/// Where these stand; read in published test reports after that standard.
pub const FIRE_SOURCE: Source = Source {
    id: "potential_ignition_source",
    standard: "IEC 62368-1 6.2.3 (resistive: 15 W thirty seconds after a single fault; arcing: 50 V and 15 VA)",
    confidence: Confidence::LookedUp,
};
/// A touch in zone DC-3 counts as ended in time within this, s: where the zones' curves end.
const TOUCH_S: f64 = 10.0;

/// What kind of danger.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Heat in a fault.
    Fire,
    /// Current through a person.
    Shock,
    /// Insulation below the trip level: the next fault would be dangerous.
    NextFault,
}

/// One danger.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Danger {
    /// What kind.
    pub kind: Kind,
    /// While the array is connected, or still with bond and contactor open.
    pub phase: Phase,
    /// With its numbers.
    pub says: String,
    /// What may pass before it counts, s; `None`: until the board's next look.
    pub allowed_s: Option<f64>,
    /// The board ends it after this, s; `None`: nothing does within the time looked at.
    pub ended_after_s: Option<f64>,
    /// Ended in time.
    pub in_time: bool,
}

/// All of it.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Verdict {
    /// Every danger that there is.
    pub dangers: Vec<Danger>,
    /// Each is ended in time.
    pub seen_in_time: bool,
    /// What sees the fault, what does not, and when; in words.
    pub seen: Vec<String>,
    /// What the blind spot is, if there is one.
    pub blind_spot: Option<String>,
    /// What fire is measured by.
    pub source: Source,
}

/// What is judged.
pub struct Seen<'a> {
    /// Connected, connected and touched, opened, opened and touched.
    pub states: &'a [State; 4],
    /// The faults.
    pub faults: &'a [FaultReport],
    /// As measured with the bond open.
    pub insulation: &'a Insulation,
    /// Insulation trips below this, Ω.
    pub trip_below_ohm: f64,
    /// Seconds between checks while connected; 0: none.
    pub every_s: u32,
    /// The fault comes while connected.
    pub while_connected: &'a Run,
    /// The fault is there first.
    pub before_start: &'a Run,
    /// A conductor is touched as the fault comes.
    pub touched: Option<&'a Run>,
}

/// Judges.
pub fn judge(seen: &Seen<'_>) -> Verdict {
    let mut dangers = Vec::new();
    for (state, touched) in [(0, 1), (2, 3)] {
        let (state, touched) = (&seen.states[state], &seen.states[touched]);
        fire(seen, state, &mut dangers);
        shock(seen, touched, &mut dangers);
    }
    next_fault(seen, &mut dangers);
    let seen_in_time = dangers.iter().all(|d| d.in_time);
    Verdict {
        seen_in_time,
        seen: seen_words(seen),
        blind_spot: blind_spot(seen, &dangers),
        source: FIRE_SOURCE,
        dangers,
    }
}

/// When the contactor (and with it the bond) is open after a fault that came while connected, s.
fn opened_after_s(run: &Run) -> Option<f64> {
    let trip = run.trip.as_ref()?;
    trip.open_after_ms.map(|ms| ms / 1e3)
}

fn danger(
    seen: &Seen<'_>,
    kind: Kind,
    phase: Phase,
    says: String,
    allowed_s: Option<f64>,
) -> Danger {
    // Opening what is open already ends nothing: daylight drives it on.
    let ended_after_s = match phase {
        Phase::Connected if kind == Kind::Shock => {
            opened_after_s(seen.touched.unwrap_or(seen.while_connected))
        }
        Phase::Connected => opened_after_s(seen.while_connected),
        Phase::Opened => None,
    };
    let in_time = ended_after_s.is_some_and(|s| allowed_s.is_none_or(|allowed| s <= allowed));
    Danger {
        kind,
        phase,
        says,
        allowed_s,
        ended_after_s,
        in_time,
    }
}

fn fire(seen: &Seen<'_>, state: &State, dangers: &mut Vec<Danger>) {
    for (now, fault) in state.faults.iter().zip(seen.faults) {
        if now.fault_w > FIRE_W {
            dangers.push(danger(
                seen,
                Kind::Fire,
                state.phase,
                format!(
                    "{} in {} turn {} into heat",
                    quantity(now.fault_a.abs(), "A"),
                    quantity(fault.spec.ohms, "Ω"),
                    quantity(now.fault_w, "W")
                ),
                Some(FIRE_S),
            ));
        }
    }
}

fn shock(seen: &Seen<'_>, touched: &State, dangers: &mut Vec<Danger>) {
    let Some(person) = &touched.person else {
        return;
    };
    if person.is_dangerous() {
        dangers.push(danger(
            seen,
            Kind::Shock,
            touched.phase,
            format!(
                "{} through a person, {}",
                quantity(person.person_a.abs(), "A"),
                person.zone
            ),
            Some(person.c1_after_s.unwrap_or(TOUCH_S).min(TOUCH_S)),
        ));
    }
}

fn next_fault(seen: &Seen<'_>, dangers: &mut Vec<Danger>) {
    let Some(r_ohm) = seen
        .insulation
        .r_iso_ohm
        .filter(|r| *r < seen.trip_below_ohm)
    else {
        return;
    };
    dangers.push(danger(
        seen,
        Kind::NextFault,
        Phase::Connected,
        format!(
            "insulation of {}, below {}: a second fault would close a loop around every sensor and fuse",
            quantity(r_ohm, "Ω"),
            quantity(seen.trip_below_ohm, "Ω")
        ),
        None,
    ));
}

/// A time for people.
pub fn after(ms: f64) -> String {
    if ms < 1e3 {
        format!("{ms:.0} ms")
    } else if ms < 120e3 {
        format!("{:.1} s", ms / 1e3)
    } else {
        format!("{:.0} min", ms / 60e3)
    }
}

fn seen_words(seen: &Seen<'_>) -> Vec<String> {
    let mut says = Vec::new();
    let late = seen.while_connected;
    if let Some(why) = &late.never_connected {
        says.push(format!(
            "What the board would do while connected cannot be told: it does not connect this array even without a fault. It says: {why}. \
             Look at the findings of `plan`"
        ));
    } else if let Some(trip) = &late.trip {
        if trip.seen_by != SeenBy::BondCurrent {
            says.push("Not seen by: bond current. No limit on it trips.".to_owned());
        }
        let open = match trip.open_after_ms {
            Some(ms) => format!("; contactor open after {}", after(ms)),
            None => "; THE CONTACTOR WAS NOT SEEN TO OPEN".to_owned(),
        };
        says.push(format!(
            "Seen by: {}, {} after the fault comes{open}",
            trip.seen_by.words(),
            after(trip.after_ms)
        ));
        if trip.seen_by == SeenBy::InsulationCheck && seen.every_s > 0 {
            says.push(format!(
                "That is the scheduled check, every {}: until then nothing trips",
                after(f64::from(seen.every_s) * 1e3)
            ));
        }
    } else {
        let warned = if late.warned {
            "; it warns of the insulation"
        } else {
            ""
        };
        says.push(format!(
            "Not seen by: bond current, nor by an insulation check, in the {} looked at{warned}",
            after(late.observed_s * 1e3)
        ));
    }
    let early = seen.before_start;
    says.push(match (&early.trip, early.connected) {
        (Some(trip), false) => format!(
            "There before the array is connected: connection refused after {} (seen by: {})",
            after(trip.after_ms),
            trip.seen_by.words()
        ),
        (Some(trip), true) => format!(
            "There before the array is connected: passes the check before connection, trips {} after the first look (seen by: {})",
            after(trip.after_ms),
            trip.seen_by.words()
        ),
        (None, true) => format!(
            "There before the array is connected: passes the check, and nothing trips in {}{}",
            after(early.observed_s * 1e3),
            if early.warned { "; it warns of the insulation" } else { "" }
        ),
        (None, false) => format!(
            "There before the array is connected: not connected and not tripped in {}",
            after(early.observed_s * 1e3)
        ),
    });
    says
}

/// In words, what nothing sees in time.
fn blind_spot(seen: &Seen<'_>, dangers: &[Danger]) -> Option<String> {
    let missed: Vec<_> = dangers.iter().filter(|d| !d.in_time).collect();
    let by_current = seen
        .while_connected
        .trip
        .as_ref()
        .is_some_and(|t| t.seen_by == SeenBy::BondCurrent);
    let grounded = seen.faults.iter().any(|f| f.on_grounded_conductor);
    let mut says = Vec::new();
    // A board that never connected has shown nothing about its limits.
    let by_current = by_current || seen.while_connected.never_connected.is_some();
    if !by_current && grounded {
        says.push(format!(
            "The fault lies on the conductor that the bond already holds at earth: only that conductor's own voltage drop drives \
             current through it, {} here. No fuse and no current limit sees that; only a measurement with the bond open does.",
            quantity(seen.states[0].i_bond_a.abs(), "A")
        ));
    } else if !by_current
        && seen
            .insulation
            .r_iso_ohm
            .is_some_and(|r| r < seen.trip_below_ohm)
    {
        says.push(format!(
            "The fault drives only {} through the bond, below every limit on it; only a measurement with the bond open sees it.",
            quantity(seen.states[0].i_bond_a.abs(), "A")
        ));
    }
    if missed.iter().any(|d| d.phase == Phase::Opened) {
        says.push(
            "Opening bond and contactor does not end it: two faults close a loop through the frames that passes neither. Only darkness \
             or cutting the strings apart does."
                .to_owned(),
        );
    }
    (!says.is_empty()).then(|| says.join(" "))
}
