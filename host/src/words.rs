//! What happened, in sentences for people; numbers with the prefix that reads best.

use ohmward_proto::event::{
    EventKind, FaultSide, MemoryFault, ResetRefusal, SelfTestFault, StartReason, TripCause,
};
use ohmward_proto::measure::{Channel, FaultPlace, NotMeasured, Pole, TripState, WhyNoPlace};
use ohmward_proto::units::Amps;

/// A value with its unit for people: three digits and a prefix, "300 mA", "1.25 MΩ".
pub fn si(value: f32, unit: &str) -> String {
    const PREFIXES: [(&str, i32); 9] = [
        ("p", -12),
        ("n", -9),
        ("µ", -6),
        ("m", -3),
        ("", 0),
        ("k", 3),
        ("M", 6),
        ("G", 9),
        ("T", 12),
    ];
    let value = f64::from(value);
    if value == 0.0 || !value.is_finite() {
        return format!("{value} {unit}");
    }
    // Rounded first, so that 999.96 becomes 1.00 k and not 1000.
    let digits = 2 - value.abs().log10().floor() as i32;
    let rounded = if digits >= 0 {
        (value * 10_f64.powi(digits)).round() / 10_f64.powi(digits)
    } else {
        (value / 10_f64.powi(-digits)).round() * 10_f64.powi(-digits)
    };
    let power = (rounded.abs().log10() + 1e-9).floor() as i32;
    let (prefix, exponent) = PREFIXES
        .into_iter()
        .rev()
        .find(|(_, exponent)| *exponent <= power)
        .unwrap_or(PREFIXES[0]);
    let shown = rounded / 10_f64.powi(exponent);
    let decimals = (2 - (power - exponent)).clamp(0, 3) as usize;
    let mut text = format!("{shown:.decimals$}");
    if text.contains('.') {
        text.truncate(text.trim_end_matches('0').trim_end_matches('.').len());
    }
    format!("{} {prefix}{unit}", text.replace('-', "−"))
}

/// A moment for people: UTC, to the second.
pub fn utc(t_us: i64) -> String {
    jiff::Timestamp::from_microsecond(t_us).map_or_else(
        |_| format!("{t_us} µs"),
        |t| t.strftime("%Y-%m-%d %H:%M:%S").to_string(),
    )
}

/// Why there is no value.
pub fn not_measured(why: NotMeasured) -> String {
    match why {
        NotMeasured::NeverYet => "not measured yet".into(),
        NotMeasured::ArrayDark => "array dark".into(),
        NotMeasured::ArrayMoved => "array voltage moved meanwhile".into(),
        NotMeasured::NotSettled => "poles did not settle".into(),
        NotMeasured::SensorLost(channel) => format!("{} lost", self::channel(channel)),
        NotMeasured::BridgeUnmoved => "poles do not move when the bridge is switched".into(),
        NotMeasured::FaultMoved => "did not read the same twice".into(),
        NotMeasured::Interrupted => "broken off".into(),
        NotMeasured::WindowFilling => "first window not complete".into(),
        NotMeasured::BondOpen => "bond open".into(),
        NotMeasured::BridgeWrong => {
            "the measuring bridge does not read its own resistors: have the board looked at".into()
        }
    }
}

/// The same for a legend: without what to do about it.
pub fn not_measured_short(why: NotMeasured) -> String {
    let mut words = not_measured(why);
    words.truncate(words.find(':').unwrap_or(words.len()));
    words
}

/// A channel by name.
pub fn channel(channel: Channel) -> &'static str {
    match channel {
        Channel::IFine => "sensitive current range",
        Channel::IWide => "wide current range",
        Channel::VPos => "positive pole voltage",
        Channel::VNeg => "negative pole voltage",
    }
}

fn at_pole(pole: Pole) -> &'static str {
    match pole {
        Pole::Positive => ", mostly on the positive side",
        Pole::Negative => ", mostly on the negative side",
        Pole::Undecided => "",
    }
}

/// Which way a current goes.
fn direction(i: Amps) -> &'static str {
    if i.0 < 0.0 {
        " from earth into the array"
    } else {
        " from the array into earth"
    }
}

fn start_reason(reason: StartReason) -> &'static str {
    match reason {
        StartReason::PowerOn => "power on",
        StartReason::Watchdog => "watchdog",
        StartReason::BrownOut => "supply sagged",
        StartReason::Panic => "firmware stopped itself",
        StartReason::Requested => "on request",
        StartReason::HardFault => "processor fault",
        StartReason::StackOverflow => "stack overflow",
    }
}

/// Where the trip logic stands.
pub fn state(state: TripState) -> &'static str {
    match state {
        TripState::Resting => "resting: contactor open, no fault",
        TripState::Closing => "contactor closing",
        TripState::Closed => "contactor closed, watching",
        TripState::Opening => "tripped, contactor opening",
        TripState::Latched => "tripped, latched open",
        TripState::LockedOut => "locked out after repeated trips",
        TripState::FailedToOpen => "TRIPPED, CONTACTOR DID NOT OPEN",
    }
}

/// Where along the string a fault is.
pub fn place(place: &FaultPlace) -> String {
    match place {
        FaultPlace::At { fraction, sigma } => format!(
            "at {:.0} % ± {:.0} % of the string from its negative end; which of several strings cannot be told",
            fraction * 100.0,
            // Two standard deviations, and nothing finer than is shown.
            (sigma * 200.0).max(1.0)
        ),
        FaultPlace::CannotTell(why) => format!(
            "cannot be told, {}",
            match why {
                WhyNoPlace::NoBackground =>
                    "no healthy measurement to compare with since the board started",
                WhyNoPlace::Faint => "the fault does not stand clear of healthy leakage",
                WhyNoPlace::NotOnePlace =>
                    "several things changed at once, or leakage of one pole went down",
                WhyNoPlace::UnderLoad =>
                    "the array is under load; it will be with the contactor open",
            }
        ),
    }
}

/// Why it tripped.
pub fn cause(cause: &TripCause) -> String {
    match cause {
        TripCause::ContinuousCurrent { rms, limit } => format!(
            "bond current {} RMS, above the continuous limit of {}",
            si(rms.0, "A"),
            si(limit.0, "A")
        ),
        TripCause::GroundFaultCurrent { dc, limit } => format!(
            "bond current {}{}, above the ground-fault limit of {}",
            si(dc.0.abs(), "A"),
            direction(*dc),
            si(limit.0, "A")
        ),
        TripCause::SuddenChange { peak, limit } => format!(
            "bond current changed suddenly, by up to {}{}; the level is {} RMS",
            si(peak.0.abs(), "A"),
            direction(*peak),
            si(limit.0, "A")
        ),
        TripCause::BondInterrupted { v } => format!(
            "bond or ground-fault fuse open: the \"grounded\" conductor stands at {} to earth. Treat it as live",
            si(v.0, "V")
        ),
        TripCause::SelfTestFailed(fault) => format!("self-test failed: {}", self_test(fault)),
        TripCause::SecondBond => {
            "the \"grounded\" conductor stays at earth although its bond is open: a second bond, or that conductor lies on \
             metal. Current may flow past the sensor; a small bond current is no all-clear. Touch neither conductor nor \
             what it lies on, and find the second path before the next reset"
                .into()
        }
        TripCause::GroundedConductorFault { r, limit } => format!(
            "insulation of the \"grounded\" conductor {}, below the limit of {}: a fault that a ground-fault fuse cannot see. \
             A second fault would make a fire. With the bond open that conductor is live; touch neither conductor nor frame",
            si(r.0, "Ω"),
            si(limit.0, "Ω")
        ),
        TripCause::FuseHeated { rms, rating } => format!(
            "the ground-fault fuse of {} has been heated as far as it may, in many short pieces; bond current now {} RMS",
            si(rating.0, "A"),
            si(rms.0, "A")
        ),
        TripCause::SamplesLost => "too many samples were missed to watch the limits".into(),
        TripCause::Restarted(reason) => {
            format!("the board had to restart ({})", start_reason(*reason))
        }
        TripCause::InsulationLow { r, limit, pole } => format!(
            "insulation {}, below the limit of {}{}",
            si(r.0, "Ω"),
            si(limit.0, "Ω"),
            at_pole(*pole)
        ),
        TripCause::InsulationUnreadable { why } => {
            format!(
                "insulation cannot be told in daylight: {}",
                not_measured(*why)
            )
        }
        TripCause::SensorLost(channel) => format!("{} lost", self::channel(*channel)),
        TripCause::SettingsLost => {
            "stored settings were damaged; strictest defaults are in force".into()
        }
        TripCause::ContactorFault => "contactor feedback contradicts its command".into(),
        TripCause::Commanded => "asked to by a host".into(),
    }
}

/// The same in as few words as a mark has room for.
pub fn cause_short(cause: &TripCause) -> String {
    match cause {
        TripCause::ContinuousCurrent { rms, .. } => format!("{} RMS", si(rms.0, "A")),
        TripCause::GroundFaultCurrent { dc, .. } => format!("{} DC", si(dc.0, "A")),
        TripCause::InsulationLow { r, .. } => format!("insulation {}", si(r.0, "Ω")),
        TripCause::SuddenChange { peak, .. } => format!("sudden {}", si(peak.0, "A")),
        TripCause::BondInterrupted { .. } => "bond interrupted".into(),
        TripCause::SamplesLost => "samples lost".into(),
        TripCause::Restarted(_) => "restart".into(),
        TripCause::SelfTestFailed(_) => "self-test failed".into(),
        TripCause::SecondBond => "second bond".into(),
        TripCause::GroundedConductorFault { r, .. } => {
            format!("grounded conductor {}", si(r.0, "Ω"))
        }
        TripCause::FuseHeated { .. } => "ground-fault fuse heated".into(),
        TripCause::InsulationUnreadable { .. } => "insulation unreadable".into(),
        TripCause::SensorLost(channel) => format!("{} lost", self::channel(*channel)),
        TripCause::SettingsLost => "settings lost".into(),
        TripCause::ContactorFault => "contactor fault".into(),
        TripCause::Commanded => "by command".into(),
    }
}

/// Why a reset was refused.
pub fn refusal(why: ResetRefusal) -> &'static str {
    match why {
        ResetRefusal::NotLatched => "nothing is latched",
        ResetRefusal::ContactorNotOpen => "contactor not seen open",
        ResetRefusal::FaultStillThere => "a limit is still exceeded",
        ResetRefusal::InsulationLow => "insulation below the reset level",
        ResetRefusal::InsulationNotMeasured => "insulation not measured since the trip",
        ResetRefusal::LockedOut => {
            "locked out after repeated trips; turn the maintenance switch on first"
        }
    }
}

/// What a board's memory does not do, as the rest of a sentence.
fn memory(fault: MemoryFault) -> &'static str {
    match fault {
        MemoryFault::Write => "does not keep what is written",
        MemoryFault::Erase => "has a block that cannot be erased",
        MemoryFault::Read => "cannot be read",
        MemoryFault::Full => "is full of events that no host has taken",
    }
}

/// What a self-test found wrong.
pub fn self_test(fault: &SelfTestFault) -> String {
    match fault {
        SelfTestFault::FineRange { seen } => format!(
            "the sensitive current range shows {} of a test current of 100 mA",
            si(seen.0, "A")
        ),
        SelfTestFault::WideRange { seen } => format!(
            "the wide current range shows {} of a test current of 100 mA",
            si(seen.0, "A")
        ),
        SelfTestFault::Zero { seen } => format!(
            "{} is read with the bond open, where nothing can flow: the sensor's zero has drifted, or the bond did not open",
            si(seen.0, "A")
        ),
        SelfTestFault::Bridge { seen, expected } => format!(
            "the measuring resistor sends {} through the bond, not {}: what insulation reads cannot be trusted, or a second bond takes current past the sensor. Touch neither \
             conductor",
            si(seen.0, "A"),
            si(expected.0, "A")
        ),
        SelfTestFault::BondStuck { seen } => format!(
            "the bond was told to open and still carries {}: its switch does not open",
            si(seen.0.abs(), "A")
        ),
    }
}

/// What happened. `rate_hz` turns sample counts into milliseconds; without it, samples are what is said.
pub fn event(kind: &EventKind, rate_hz: Option<u32>) -> String {
    let span = |samples: u32| match rate_hz {
        Some(rate) if rate > 0 => format!("{:.1} ms", f64::from(samples) * 1e3 / f64::from(rate)),
        _ => format!("{samples} samples"),
    };
    match kind {
        EventKind::Started { reason, .. } => format!("Board started ({})", start_reason(*reason)),
        EventKind::Connected => "Array connected".into(),
        EventKind::Rested => "Array disconnected for the night".into(),
        EventKind::Tripped { cause, .. } => format!("TRIPPED: {}", self::cause(cause)),
        EventKind::Opened { after } => format!("Contactor open, {} after the trip", span(*after)),
        EventKind::FailedToOpen => {
            "CONTACTOR DID NOT OPEN: the array may still be connected. Isolate it by other means"
                .into()
        }
        EventKind::OpenedLate { after } => format!(
            "Contactor opened after all, {} after the trip",
            span(*after)
        ),
        EventKind::FailedToClose => "Contactor did not close".into(),
        EventKind::Reset => "Latch reset".into(),
        EventKind::ResetRefused(why) => format!("Reset refused: {}", refusal(*why)),
        EventKind::InsulationWarning { r, pole } => {
            format!("Insulation warning: {}{}", si(r.0, "Ω"), at_pole(*pole))
        }
        EventKind::InsulationRecovered { r } => {
            format!("Insulation back above its warning level: {}", si(r.0, "Ω"))
        }
        EventKind::FaultPlaced { place, r } => {
            format!("Fault place, at {}: {}", si(r.0, "Ω"), self::place(place))
        }
        EventKind::InsulationNotMeasured(why) => {
            format!("Insulation not measured: {}", not_measured(*why))
        }
        EventKind::Surge { peak, samples } => format!(
            "Surge, {} or more for {}; not a trip",
            si(peak.0, "A"),
            span(u32::from(*samples))
        ),
        EventKind::SensorLost(channel) => format!("Sensor lost: {}", self::channel(*channel)),
        EventKind::SensorBack(channel) => format!("Sensor back: {}", self::channel(*channel)),
        EventKind::SettingsApplied { hash } => format!("New settings in force ({hash:08x})"),
        EventKind::SuddenUnwatched => {
            "Sudden changes cannot be watched: the standing current does not repeat with the mains"
                .into()
        }
        EventKind::SuddenWatched => "Sudden changes are watched again".into(),
        EventKind::SelfTestPassed { injected, zero } => format!(
            "Self-test passed: {} of 100 mA seen, {} with the bond open",
            si(injected.0, "A"),
            si(zero.0, "A")
        ),
        EventKind::SelfTestFailed(fault) => format!("Self-test failed: {}", self_test(fault)),
        EventKind::MemoryFailed(fault) => format!(
            "The board's memory {}: events not sent yet are lost if the board loses power",
            memory(*fault)
        ),
        EventKind::MemoryWorks => "The board's memory takes events again".into(),
        EventKind::ZeroDrifted { zero } => format!(
            "The zero of the bond current has drifted to {}: have the board calibrated",
            si(zero.0, "A")
        ),
        EventKind::LockedOut { trips } => format!(
            "LOCKED OUT after {trips} trips within a day: a reset now needs the maintenance switch as well"
        ),
        EventKind::FaultSide { side, dc } => match side {
            FaultSide::Bonded => format!(
                "The current flows{} ({}): under load, if it is direct current, that is a fault on the \"grounded\" conductor, which a fuse cannot see",
                direction(*dc),
                si(dc.0.abs(), "A")
            ),
            FaultSide::Other => format!(
                "The current flows{} ({}): if it is direct current, the fault is not on the \"grounded\" conductor",
                direction(*dc),
                si(dc.0.abs(), "A")
            ),
        },
        EventKind::FuseStrained { i2t_a2s } => format!(
            "The ground-fault fuse has let through {} or more and may have melted: look at it. With it open the \"grounded\" \
             conductor is live",
            si(*i2t_a2s, "A²s")
        ),
        EventKind::EventsLost { count } => {
            format!("{count} events lost: the board's journal was full")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::si;

    #[test]
    fn numbers_for_people() {
        for (value, text) in [
            (0.3, "300 mA"),
            (1.0, "1 A"),
            (-24.5, "−24.5 A"),
            (999.96, "1 kA"),
            (1_234_567.0, "1.23 MA"),
            (0.002_1, "2.1 mA"),
            (1e-4, "100 µA"),
            (1e-15, "0.001 pA"),
            (0.0, "0 A"),
            (3.0e15, "3000 TA"),
        ] {
            assert_eq!(si(value, "A"), text);
        }
    }
}
