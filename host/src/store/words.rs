//! The words that stand in the store's text columns for states, reasons and kinds. A word is never changed.

use ohmward_proto::EventKind;
use ohmward_proto::measure::{Channel, NotMeasured, TripState};

/// Column `i_why`, `ins_why`.
pub fn of_reason(why: NotMeasured) -> &'static str {
    match why {
        NotMeasured::NeverYet => "never-yet",
        NotMeasured::ArrayDark => "array-dark",
        NotMeasured::ArrayMoved => "array-moved",
        NotMeasured::NotSettled => "not-settled",
        NotMeasured::SensorLost(Channel::IFine) => "sensor-lost-i-fine",
        NotMeasured::SensorLost(Channel::IWide) => "sensor-lost-i-wide",
        NotMeasured::SensorLost(Channel::VPos) => "sensor-lost-v-pos",
        NotMeasured::SensorLost(Channel::VNeg) => "sensor-lost-v-neg",
        NotMeasured::BridgeUnmoved => "bridge-unmoved",
        NotMeasured::FaultMoved => "fault-moved",
        NotMeasured::Interrupted => "interrupted",
        NotMeasured::WindowFilling => "window-filling",
        NotMeasured::BondOpen => "bond-open",
        NotMeasured::BridgeWrong => "bridge-wrong",
    }
}

/// Every reason.
pub const REASONS: [NotMeasured; 14] = [
    NotMeasured::NeverYet,
    NotMeasured::ArrayDark,
    NotMeasured::ArrayMoved,
    NotMeasured::NotSettled,
    NotMeasured::SensorLost(Channel::IFine),
    NotMeasured::SensorLost(Channel::IWide),
    NotMeasured::SensorLost(Channel::VPos),
    NotMeasured::SensorLost(Channel::VNeg),
    NotMeasured::BridgeUnmoved,
    NotMeasured::FaultMoved,
    NotMeasured::Interrupted,
    NotMeasured::WindowFilling,
    NotMeasured::BondOpen,
    NotMeasured::BridgeWrong,
];

/// The reason behind a word; `None` for a word of a newer program.
pub fn reason(word: &str) -> Option<NotMeasured> {
    REASONS.into_iter().find(|why| of_reason(*why) == word)
}

/// Column `state`.
pub fn of_state(state: TripState) -> &'static str {
    match state {
        TripState::Resting => "resting",
        TripState::Closing => "closing",
        TripState::Closed => "closed",
        TripState::Opening => "opening",
        TripState::Latched => "latched",
        TripState::FailedToOpen => "failed-to-open",
        TripState::LockedOut => "locked-out",
    }
}

/// Every state.
pub const STATES: [TripState; 7] = [
    TripState::Resting,
    TripState::Closing,
    TripState::Closed,
    TripState::Opening,
    TripState::Latched,
    TripState::FailedToOpen,
    TripState::LockedOut,
];

/// The state behind a word.
pub fn state(word: &str) -> Option<TripState> {
    STATES.into_iter().find(|state| of_state(*state) == word)
}

/// Every word that [`of_kind`] gives.
pub fn kinds() -> &'static [&'static str] {
    &[
        "started",
        "connected",
        "rested",
        "tripped",
        "opened",
        "failed-to-open",
        "opened-late",
        "failed-to-close",
        "reset",
        "reset-refused",
        "insulation-warning",
        "insulation-recovered",
        "insulation-not-measured",
        "surge",
        "sensor-lost",
        "sensor-back",
        "settings-applied",
        "events-lost",
        "sudden-unwatched",
        "sudden-watched",
        "self-test-passed",
        "zero-drifted",
        "locked-out",
        "fault-side",
        "fuse-strained",
        "fault-placed",
        "self-test-failed",
        "memory-failed",
        "memory-works",
    ]
}

/// Column `kind` of an event, and what an event filter names.
pub fn of_kind(kind: &EventKind) -> &'static str {
    match kind {
        EventKind::Started { .. } => "started",
        EventKind::Connected => "connected",
        EventKind::Rested => "rested",
        EventKind::Tripped { .. } => "tripped",
        EventKind::Opened { .. } => "opened",
        EventKind::FailedToOpen => "failed-to-open",
        EventKind::OpenedLate { .. } => "opened-late",
        EventKind::FailedToClose => "failed-to-close",
        EventKind::Reset => "reset",
        EventKind::ResetRefused(_) => "reset-refused",
        EventKind::InsulationWarning { .. } => "insulation-warning",
        EventKind::InsulationRecovered { .. } => "insulation-recovered",
        EventKind::InsulationNotMeasured(_) => "insulation-not-measured",
        EventKind::Surge { .. } => "surge",
        EventKind::SensorLost(_) => "sensor-lost",
        EventKind::SensorBack(_) => "sensor-back",
        EventKind::SettingsApplied { .. } => "settings-applied",
        EventKind::EventsLost { .. } => "events-lost",
        EventKind::SuddenUnwatched => "sudden-unwatched",
        EventKind::SuddenWatched => "sudden-watched",
        EventKind::SelfTestPassed { .. } => "self-test-passed",
        EventKind::ZeroDrifted { .. } => "zero-drifted",
        EventKind::LockedOut { .. } => "locked-out",
        EventKind::FaultSide { .. } => "fault-side",
        EventKind::FuseStrained { .. } => "fuse-strained",
        EventKind::FaultPlaced { .. } => "fault-placed",
        EventKind::SelfTestFailed(_) => "self-test-failed",
        EventKind::MemoryFailed(_) => "memory-failed",
        EventKind::MemoryWorks => "memory-works",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_word_leads_back() {
        for word in ["array-dark", "sensor-lost-v-neg", "window-filling"] {
            assert_eq!(reason(word).map(of_reason), Some(word));
        }
        assert_eq!(reason("of a newer program"), None);
        assert_eq!(state("failed-to-open"), Some(TripState::FailedToOpen));
        assert_eq!(state(""), None);
    }

    #[test]
    fn every_kind_can_be_asked_for() {
        // Zeroes decode as the first of everything: each kind by its number on the wire.
        let kind = |number: u8| {
            let mut bytes = [0; 64];
            bytes[0] = number;
            let read = postcard::take_from_bytes::<EventKind>(&bytes);
            read.ok().map(|(kind, _)| of_kind(&kind))
        };
        let words: Vec<_> = (0..).map_while(kind).collect();
        assert_eq!(words, kinds());
    }
}
