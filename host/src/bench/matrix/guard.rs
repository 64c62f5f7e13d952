//! What the board owes when something else than the array is wrong.

use super::source::{
    CONTINUOUS, CONTINUOUS_SOURCE, GUARD_SOURCE, HOLD_SOURCE, SUDDEN, SUDDEN_SOURCE,
};
use crate::bench::case::{Begin, Case, Expect, Limit, Trouble, What};
use crate::bench::waveform::{Part, Shape, Waveform};
use ohmward_proto::event::StartReason;
use ohmward_proto::measure::{Channel, TripState};
use ohmward_proto::settings::Earthing;

/// A lost sensor has to be found within this; longer than any surge rings, no longer than a continuous fault may last.
const SENSOR_S: f64 = 0.3;

pub fn cases() -> Vec<Case> {
    let mut cases = Vec::new();
    bad_words(&mut cases);
    stuck(&mut cases);
    missed(&mut cases);
    contactor(&mut cases);
    restart(&mut cases);
    cases
}

fn step(shape: Shape, rms_a: f64) -> Part {
    Part::Step {
        from_s: 0.0,
        to_s: None,
        shape,
        rms_a,
    }
}

fn channel_word(channel: Channel) -> &'static str {
    match channel {
        Channel::IFine => "fine",
        Channel::IWide => "wide",
        Channel::VPos => "v-pos",
        Channel::VNeg => "v-neg",
    }
}

/// One bad word, or one every quarter of a second, on a healthy array.
fn bad_words(cases: &mut Vec<Case>) {
    for channel in [Channel::IFine, Channel::IWide, Channel::VPos, Channel::VNeg] {
        for code in [i16::MAX, i16::MIN, 12_000, -20_000] {
            for every_s in [0.0, 0.25] {
                let name = format!(
                    "bad-word/{}-{code}-{}",
                    channel_word(channel),
                    if every_s > 0.0 {
                        "four-a-second"
                    } else {
                        "once"
                    }
                );
                let mut case = Case::residual(
                    "bad converter words",
                    name,
                    Waveform::quiet(50.0),
                    Expect::no_trip(),
                )
                .by(Limit::None, HOLD_SOURCE);
                case.troubles.push(Trouble::BadWord {
                    from_s: 0.0,
                    every_s,
                    channel,
                    code,
                });
                cases.push(case);
            }
        }
    }
}

/// Saturated, stuck and dead channels; with a fault behind them where nothing else could tell.
fn stuck(cases: &mut Vec<Case>) {
    let quiet = || Waveform::quiet(50.0);
    let fault = |shape, rms_a| quiet().with(step(shape, rms_a));
    for (name, channel, code, waveform) in [
        ("fine-at-rail", Channel::IFine, i16::MAX, quiet()),
        ("wide-at-rail", Channel::IWide, i16::MIN, quiet()),
        ("v-pos-at-rail", Channel::VPos, i16::MAX, quiet()),
        ("v-neg-at-rail", Channel::VNeg, i16::MIN, quiet()),
        ("wide-stuck-at-300ma", Channel::IWide, 393, quiet()),
        (
            "fine-dead-under-400ma-dc",
            Channel::IFine,
            0,
            fault(Shape::Dc, 0.4),
        ),
        (
            "fine-dead-under-400ma-ac",
            Channel::IFine,
            0,
            fault(Shape::Ac { lead_cycles: 0.0 }, 0.4),
        ),
        (
            "wide-dead-under-400ma-dc",
            Channel::IWide,
            0,
            fault(Shape::Dc, 0.4),
        ),
        (
            "fine-dead-under-8a",
            Channel::IFine,
            0,
            fault(Shape::Dc, 8.0),
        ),
    ] {
        let mut case = Case::residual(
            "lost sensor",
            format!("sensor/{name}"),
            waveform,
            Expect::trip(SENSOR_S),
        )
        .by(Limit::None, GUARD_SOURCE);
        case.troubles.push(Trouble::Stuck {
            from_s: 0.0,
            channel,
            code,
        });
        cases.push(case);
    }
    // More than the wide range holds, of either sign: at least as much as a fault.
    for rms_a in [40.0, -40.0] {
        let name = format!("sensor/beyond-both-ranges-{rms_a}a");
        cases.push(
            Case::residual(
                "lost sensor",
                name,
                fault(Shape::Dc, rms_a),
                Expect::trip(SENSOR_S),
            )
            .by(Limit::None, GUARD_SOURCE),
        );
    }
}

/// Missed samples: few are bridged, faults are seen through them, too many are a trip.
fn missed(cases: &mut Vec<Case>) {
    let trouble = |every_s, samples| Trouble::Missed {
        from_s: 0.0,
        every_s,
        samples,
    };
    for (name, every_s, samples) in [
        ("one-in-80", 0.02, 1),
        ("four-a-second", 1.0, 4),
        ("100-once", 0.0, 100),
    ] {
        let mut waveform = Waveform::quiet(50.0);
        waveform.standing_ac_a = 0.1;
        let mut case = Case::residual(
            "missed samples",
            format!("missed/{name}-healthy"),
            waveform,
            Expect::no_trip(),
        )
        .by(Limit::None, HOLD_SOURCE);
        case.watch_s = 5.0;
        case.troubles.push(trouble(every_s, samples));
        cases.push(case);
    }
    for level in &SUDDEN {
        for (kind, shape) in [("dc", Shape::Dc), ("ac", Shape::Ac { lead_cycles: 0.1 })] {
            let waveform = Waveform::quiet(50.0).with(step(shape, level.a));
            let name = format!("missed/one-in-80-{}ma-{kind}", level.ma);
            let mut case = Case::residual(
                "fault between missed samples",
                name,
                waveform,
                Expect::trip(level.latest_s),
            )
            .by(Limit::Current { a: level.a }, SUDDEN_SOURCE);
            case.troubles.push(trouble(0.02, 1));
            cases.push(case);
        }
    }
    let waveform = Waveform::quiet(50.0).with(step(Shape::Dc, CONTINUOUS.0 * 1.1));
    let mut case = Case::residual(
        "fault between missed samples",
        "missed/one-in-80-330ma-continuous".into(),
        waveform,
        Expect::trip(CONTINUOUS.1),
    )
    .set(|s| s.current.sudden.enabled = false)
    .by(Limit::Current { a: CONTINUOUS.0 }, CONTINUOUS_SOURCE);
    case.troubles.push(trouble(0.02, 1));
    cases.push(case);
    let mut case = Case::residual(
        "too many samples missed",
        "missed/20-of-every-60".into(),
        Waveform::quiet(50.0),
        Expect::trip(SENSOR_S),
    )
    .by(Limit::None, GUARD_SOURCE);
    case.troubles.push(trouble(0.015, 20));
    cases.push(case);
}

/// A contactor that does not open is told, and never kept quiet about.
fn contactor(cases: &mut Vec<Case>) {
    for (name, rms_a) in [("1.2a", 1.2), ("60ma", 0.06)] {
        let expect = Expect::happens(What::FailedToOpen, 0.5, 0.25)
            .never(&[What::WentSilent])
            .ends(TripState::FailedToOpen);
        let mut case = Case::residual(
            "welded contactor told",
            format!("contactor/welded-{name}"),
            Waveform::quiet(50.0).with(step(Shape::Dc, rms_a)),
            expect,
        )
        .set(|s| s.earthing = Earthing::NegativeBonded)
        .by(Limit::None, GUARD_SOURCE);
        case.welded = true;
        case.watch_s = 20.0;
        cases.push(case);
    }
}

/// A restart by the watchdog, by the firmware's own stop or by a fault of the processor begins tripped and stays so.
fn restart(cases: &mut Vec<Case>) {
    for (name, start) in [
        ("watchdog", StartReason::Watchdog),
        ("panic", StartReason::Panic),
        ("hard-fault", StartReason::HardFault),
        ("stack-overflow", StartReason::StackOverflow),
    ] {
        let expect = Expect::happens(What::Trip, 0.01, 0.005)
            .never(&[What::Connected])
            .ends(TripState::Latched);
        let mut case = Case::residual(
            "restart is a trip",
            format!("restart/{name}"),
            Waveform::quiet(50.0),
            expect,
        )
        .by(Limit::None, GUARD_SOURCE);
        case.start = start;
        case.begin = Begin::FirstLight;
        case.watch_s = 15.0;
        cases.push(case);
    }
}
