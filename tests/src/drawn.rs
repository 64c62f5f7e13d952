//! Scenarios drawn from a number, and whether both gears tell the same story of them.
//!
//! Short ones, half an hour at most, so that every sample can be made: around dawn, noon or dusk, in changing weather, on any
//! earthing, with faults of every kind, surges, hands on buttons and welded contacts. The text of a scenario is kept, so
//! that one that fails can be written to a file and looked at.

use crate::rig::Draw;
use crate::{Said, run};
use ohmward::sim::Gear;
use ohmward_plant::Scenario;
use ohmward_proto::Event;
use ohmward_proto::event::{EventKind, TripCause};
use std::fmt::Write as _;

/// The text of the scenario that belongs to this number.
pub fn text(number: u64) -> String {
    let mut d = Draw::new(number.wrapping_mul(0x9e37_79b9_7f4a_7c15));
    let mut pick = |n: u32| (d.uniform() * f64::from(n)) as u32;
    let (strings, modules) = (1 + pick(3), 3 + pick(10));
    // Sunrise near 6 h, noon at 12 h, sunset near 18 h at the equinox on the meridian.
    let hour = [5.7, 6.0, 11.5, 17.6][pick(4) as usize];
    let earthing = [
        "negative-bonded",
        "negative-bonded",
        "positive-bonded",
        "not-earthed",
        "high-resistance",
    ][pick(5) as usize];
    let mains = ["hz50", "hz60"][pick(2) as usize];
    let rate = [4000, 4000, 4000, 2000, 6000][pick(5) as usize];
    let load = ["kind = \"working-point\"", "kind = \"none\""][pick(2) as usize];
    let step_s = [5, 20, 60, 60][pick(4) as usize];
    let every_s = [0, 120, 300, 600][pick(4) as usize];
    let reading_ms = [1000, 10_000, 60_000][pick(3) as usize];
    let humid = pick(2) == 0;
    let (faults, surges, presses) = (pick(4), pick(3), pick(4));
    let rains = pick(3) == 0;
    let weld = pick(6) == 0;
    let trip_opens = pick(2) == 0;
    let before_connect = pick(4) != 0;
    let start_s = (hour + 0.2 * d.uniform()) * 3600.0;
    let duration_h = 0.1 + 0.2 * d.uniform();
    let mut s = format!(
        "name = \"drawn {number}\"\nnote = \"Drawn, for tests.\"\nseed = {number}\nstart = \"2026-03-20T{:02}:{:02}:{:02}Z\"\n\
         duration_h = {duration_h:.4}\n[board]\nid = \"00000000000000d2\"\nsample_rate_hz = {rate}\n\
         [settings]\nearthing = \"{earthing}\"\nmains = \"{mains}\"\nreading_every_ms = {reading_ms}\ncheck.every_s = {every_s}\n\
         check.before_connect = {before_connect}\ntrip_opens_bond = {trip_opens}\n",
        (start_s / 3600.0) as u32,
        (start_s / 60.0) as u32 % 60,
        start_s as u32 % 60,
    );
    let _ = write!(
        s,
        "[array]\nstrings = {strings}\nmodules_per_string = {modules}\ninsulation_mohm_per_module = {:.3}\n\
         leakage_nf_per_module = {:.2}\n[load]\n{load}\n",
        d.decades(20.0, 4000.0),
        d.decades(2.0, 100.0),
    );
    if earthing == "high-resistance" {
        let _ = write!(
            s,
            "[earthing]\nhigh_resistance_ohm = {:.0}\n",
            d.decades(1e3, 1e5)
        );
    }
    let _ = write!(
        s,
        "[weather]\nlatitude_deg = {:.2}\ncloudiness = {:.2}\nhumidity = {:.2}\nstep_s = {step_s}\n",
        90.0 * d.uniform() - 45.0,
        0.8 * d.uniform(),
        if humid { 0.95 } else { 0.6 },
    );
    if rains {
        let from_h = 0.8 * duration_h * d.uniform();
        let _ = writeln!(
            s,
            "rain = [{{ from_h = {from_h:.4}, to_h = {:.4} }}]",
            from_h + 0.1
        );
    }
    let _ = write!(
        s,
        "[sensors]\nhum_bond_ma = {:.2}\nhum_pole_v = {:.2}\nfine_noise_ma = {:.2}\n",
        [0.0, 2.0, 40.0][(3.0 * d.uniform()) as usize] * d.uniform(),
        d.uniform(),
        d.decades(0.1, 1.0),
    );
    for _ in 0..faults {
        draw_fault(&mut s, &mut d, strings, modules, duration_h);
    }
    for _ in 0..surges {
        let sign = if d.uniform() < 0.5 { -1.0 } else { 1.0 };
        let _ = write!(
            s,
            "[[surge]]\nat_h = {:.6}\npeak_a = {:.0}\n",
            duration_h * d.uniform(),
            sign * d.decades(100.0, 20_000.0)
        );
    }
    for _ in 0..presses {
        let _ = write!(
            s,
            "[[press]]\nbutton = \"{}\"\nat_h = {:.6}\nfor_s = {:.3}\n",
            if d.uniform() < 0.8 { "reset" } else { "arm" },
            duration_h * d.uniform(),
            d.decades(0.05, 20.0)
        );
    }
    if weld {
        let from_h = duration_h * d.uniform() * 0.7;
        let _ = write!(
            s,
            "[[weld]]\nfrom_h = {from_h:.5}\nto_h = {:.5}\n",
            from_h + 0.1
        );
    }
    s
}

fn draw_fault(s: &mut String, d: &mut Draw, strings: u32, modules: u32, duration_h: f64) {
    s.push_str("[[fault]]\n");
    if d.uniform() < 0.8 {
        let _ = write!(
            s,
            "string = {}\nposition = {}\n",
            1 + (d.uniform() * f64::from(strings)) as u32,
            (d.uniform() * f64::from(modules + 1)) as u32
        );
    } else {
        let side = if d.uniform() < 0.5 {
            "positive"
        } else {
            "negative"
        };
        let _ = writeln!(s, "conductor = \"{side}\"");
    }
    let from_h = duration_h * 0.9 * d.uniform();
    let _ = writeln!(s, "from_h = {from_h:.6}");
    if d.uniform() < 0.5 {
        let _ = writeln!(s, "to_h = {:.6}", from_h + 0.02 + 0.1 * d.uniform());
    }
    let ohm = d.decades(1.0, 3e6);
    match (d.uniform() * 5.0) as u32 {
        0 => {
            let _ = write!(
                s,
                "ohm = {ohm:.2}\nintermittent = {{ on_s = {:.4}, off_s = {:.4} }}\n",
                d.decades(0.005, 30.0),
                d.decades(0.05, 60.0)
            );
        }
        1 => {
            let _ = write!(s, "ohm = {ohm:.2}\nwet_above = {:.2}\n", 0.3 * d.uniform());
        }
        2 => {
            let _ = writeln!(
                s,
                "degrading = {{ r_start_ohm = {:.1}, r_end_ohm = {ohm:.1}, until_h = {:.6}, wet_divisor = {:.2} }}",
                ohm * d.decades(3.0, 1000.0),
                from_h + 0.02 + 0.2 * d.uniform(),
                d.decades(1.0, 10.0)
            );
        }
        _ => {
            let _ = writeln!(s, "ohm = {ohm:.2}");
        }
    }
}

/// What the two gears tell differently of a scenario.
#[derive(Debug)]
pub struct Compared {
    /// Events at full rate.
    pub every: Said,
    /// Events with quiet skipped.
    pub skipped: Said,
    /// The first event that has no like in the other gear, by its place.
    pub first_difference: Option<usize>,
    /// Farthest apart that two like events are, ms: of the current, the contacts, a person.
    pub apart_ms: f64,
    /// Likewise, of events that wait for the end of an insulation measurement, which noise may send into another round.
    pub measured_apart_ms: f64,
}

/// Kind of event; of a trip and a refusal also why.
fn kind(event: &Event) -> String {
    let word = |text: String| {
        let end = text.find([' ', '{']).unwrap_or(text.len());
        text[..end].to_owned()
    };
    match &event.kind {
        EventKind::Tripped { cause, .. } => format!("Tripped {}", word(format!("{cause:?}"))),
        other => word(format!("{other:?}")),
    }
}

/// The event waits for the end of an insulation measurement; `after_such` tells of the latest trip.
fn waits_for_measurement(event: &Event, after_such: bool) -> bool {
    match &event.kind {
        EventKind::Tripped { cause, .. } => matches!(
            cause,
            TripCause::InsulationLow { .. }
                | TripCause::InsulationUnreadable { .. }
                | TripCause::GroundedConductorFault { .. }
                | TripCause::SecondBond
        ),
        EventKind::Connected
        | EventKind::InsulationWarning { .. }
        | EventKind::InsulationRecovered { .. }
        | EventKind::InsulationNotMeasured(_)
        | EventKind::FaultPlaced { .. }
        | EventKind::SelfTestPassed { .. } => true,
        EventKind::Opened { .. } | EventKind::FailedToOpen | EventKind::LockedOut { .. } => {
            after_such
        }
        _ => false,
    }
}

/// Runs a scenario in both gears.
pub fn compare(scenario: &Scenario) -> Compared {
    let every = run(scenario, Gear::EverySample);
    let skipped = run(scenario, Gear::SkipQuiet);
    let longest = every.events.len().max(skipped.events.len());
    let first_difference =
        (0..longest).find(|&k| every.events.get(k).map(kind) != skipped.events.get(k).map(kind));
    let rate = f64::from(scenario.board.sample_rate_hz);
    let (mut apart_ms, mut measured_apart_ms) = (0.0_f64, 0.0_f64);
    let mut after_such = false;
    let alike = first_difference.unwrap_or(longest);
    for (a, b) in every.events.iter().zip(&skipped.events).take(alike) {
        let waits = waits_for_measurement(a, after_such);
        if matches!(a.kind, EventKind::Tripped { .. }) {
            after_such = waits;
        }
        let ms = a.at.0.abs_diff(b.at.0) as f64 * 1e3 / rate;
        let worst = if waits {
            &mut measured_apart_ms
        } else {
            &mut apart_ms
        };
        *worst = worst.max(ms);
    }
    Compared {
        every,
        skipped,
        first_difference,
        apart_ms,
        measured_apart_ms,
    }
}
