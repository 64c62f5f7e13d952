//! Insulation, in a closed loop with the bridge: told in time when low, connected when good, reset only above its level.

use super::source::{
    GUARD_SOURCE, INSULATION_ABOVE_SOURCE, INSULATION_OHM, INSULATION_SLOW_SOURCE,
    INSULATION_SOURCE,
};
use crate::bench::array::Leakage;
use crate::bench::case::{Begin, Case, Expect, Limit, Source, What};
use crate::bench::waveform::{Part, Shape, Waveform};
use ohmward_proto::measure::TripState;
use ohmward_proto::settings::{Calibration, Earthing, Scale, Settings};
use ohmward_proto::units::Volts;

const LIMIT: Limit = Limit::Resistance {
    ohm: INSULATION_OHM,
};

/// An array and how it is earthed.
#[derive(Clone, Copy)]
struct Site {
    name: &'static str,
    earthing: Earthing,
    v_v: f64,
}

const SITES: [Site; 2] = [
    Site {
        name: "bonded-220v",
        earthing: Earthing::NegativeBonded,
        v_v: 220.0,
    },
    Site {
        name: "unearthed-1000v",
        earthing: Earthing::NotEarthed,
        v_v: 1000.0,
    },
];

/// Leakage capacitance, latest time to connect or to tell, our aim, who says so.
const TIMES: [(f64, f64, f64, Source); 3] = [
    (0.1e-6, 100.0, 10.0, INSULATION_SOURCE),
    (1e-6, 100.0, 10.0, INSULATION_SOURCE),
    (10e-6, 60.0, 60.0, INSULATION_SLOW_SOURCE),
];

/// Where along the array the leakage sits.
const PLACES: [f64; 3] = [0.0, 0.5, 1.0];

pub fn cases() -> Vec<Case> {
    let mut cases = Vec::new();
    for site in SITES {
        for (c_f, latest_s, aim_s, source) in TIMES {
            for at in PLACES {
                before_connecting(&mut cases, site, (c_f, at), (latest_s, aim_s), &source);
            }
        }
        resets(&mut cases, site);
    }
    falling(&mut cases);
    cases
}

/// A board as it would be set there, insulation check and all.
fn case(group: &'static str, name: String, site: Site, expect: Expect) -> Case {
    let mut case = Case::residual(group, name, Waveform::quiet(50.0), expect);
    case.settings = Settings {
        earthing: site.earthing,
        reading_every_ms: 60_000,
        ..Settings::SMALL_BONDED
    };
    case.settings.check.v_min = Volts(site.v_v as f32 * 0.15);
    // Pole channels that hold the whole array on one side, with some head-room.
    let span = Scale {
        zero: 0.0,
        per_count: site.v_v as f32 * 1.2 / 32768.0,
    };
    case.calibration = Calibration {
        v_pos: span,
        v_neg: span,
        ..Calibration::REFERENCE
    };
    case
}

/// From the first light: 10 % below and half of the limit are told and kept off, 10 % above connects.
fn before_connecting(
    cases: &mut Vec<Case>,
    site: Site,
    (c_f, at): (f64, f64),
    (latest_s, aim_s): (f64, f64),
    source: &Source,
) {
    let c_uf = (c_f * 1e7).round() / 10.0;
    let group = |low: &'static str, slow: &'static str| if c_uf > 5.0 { slow } else { low };
    let mut push = |group, what: &str, part: f64, expect: Expect, watch_s: f64, source: &Source| {
        let r_ohm = INSULATION_OHM * part;
        let name = format!("insulation/{}-{c_uf}uf-at{at}-{part}x-{what}", site.name);
        let mut case = case(group, name, site, expect).by(LIMIT, source.clone());
        case.begin = Begin::FirstLight;
        case.before = Leakage::of(site.v_v, r_ohm, at, c_f);
        case.after = case.before;
        case.watch_s = watch_s;
        cases.push(case);
    };
    for part in [0.5, 0.9] {
        let told = Expect::happens(What::InsulationTold, latest_s, aim_s).never(&[What::Connected]);
        push(
            group("low insulation told, to 1 µF", "low insulation told, 10 µF"),
            "told",
            part,
            told,
            aim_s + 20.0,
            source,
        );
        let trip = Expect::happens(What::InsulationTrip, 100.0, 50.0).never(&[What::Connected]);
        push(
            "low insulation trips",
            "trip",
            part,
            trip,
            100.0,
            &INSULATION_SLOW_SOURCE,
        );
    }
    let connects = Expect::happens(What::Connected, latest_s, aim_s).never(&[What::InsulationTrip]);
    push(
        group(
            "good insulation connects, to 1 µF",
            "good insulation connects, 10 µF",
        ),
        "connects",
        1.1,
        connects,
        latest_s + 1.0,
        &INSULATION_ABOVE_SOURCE,
    );
}

/// After a trip with the reset pressed every five seconds: 10 % above the reset level lets go, 10 % below does not.
fn resets(cases: &mut Vec<Case>, site: Site) {
    let level_ohm = f64::from(Settings::SMALL_BONDED.insulation.reset_above.0);
    for (part, expect) in [
        (1.1, Expect::happens(What::Reset, 100.0, 50.0)),
        (
            0.9,
            Expect::happens(What::ResetRefused, 100.0, 50.0)
                .never(&[What::Reset])
                .ends(TripState::Latched),
        ),
    ] {
        let group = if part > 1.0 {
            "reset above its level"
        } else {
            "reset refused below its level"
        };
        let name = format!("reset/{}-{part}x", site.name);
        let mut case =
            case(group, name, site, expect).by(Limit::Resistance { ohm: level_ohm }, GUARD_SOURCE);
        case.before = Leakage {
            v_v: site.v_v,
            c_f: 1e-6,
            ..Leakage::HEALTHY
        };
        case.after = Leakage::of(site.v_v, level_ohm * part, 0.7, 1e-6);
        case.waveform = Waveform::quiet(50.0).with(Part::Step {
            from_s: 0.0,
            to_s: Some(0.5),
            shape: Shape::Dc,
            rms_a: 1.2,
        });
        case.presses_reset = true;
        case.watch_s = 100.0;
        cases.push(case);
    }
}

/// An unearthed array, connected, looked at as often as settings allow: R falls from healthy to half of its limit.
fn falling(cases: &mut Vec<Case>) {
    for at in PLACES {
        let site = SITES[1];
        let name = format!("insulation/{}-falls-to-half-at{at}", site.name);
        let expect = Expect::happens(What::InsulationTold, 100.0, 50.0);
        let mut case = case("insulation falls while connected, 1 µF", name, site, expect)
            .by(LIMIT, INSULATION_SOURCE)
            .set(|s| s.check.every_s = 10);
        case.before = Leakage {
            v_v: site.v_v,
            c_f: 1e-6,
            ..Leakage::HEALTHY
        };
        case.after = Leakage::of(site.v_v, INSULATION_OHM / 2.0, at, 1e-6);
        case.watch_s = 200.0;
        cases.push(case);
    }
}
