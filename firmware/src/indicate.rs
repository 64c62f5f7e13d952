//! Lamp and buzzer: what a person beside the board sees and hears.
//!
//! | state | lamp | buzzer |
//! |---|---|---|
//! | resting, closed, nothing to say | off | off |
//! | insulation below its warning level | a short flash every two seconds | off |
//! | tripped | on | a short beep every eight seconds |
//! | locked out | on, with a short gap every second | a short beep every eight seconds |
//! | failed to open | fast blink | fast beep, never silent |

use ohmward_proto::measure::TripState;
use ohmward_proto::units::SampleIndex;

/// (lamp, buzzer) at this moment.
pub fn indicate(
    state: TripState,
    warning: bool,
    now: SampleIndex,
    sample_rate_hz: u32,
) -> (bool, bool) {
    let rate = u64::from(sample_rate_hz.max(1));
    // On for `on` eighths of a second out of every `of`.
    let pulse = |on: u64, of: u64| (now.0.wrapping_mul(8) / rate) % of < on;
    match state {
        TripState::FailedToOpen => (pulse(1, 2), pulse(1, 2)),
        TripState::LockedOut => (!pulse(1, 8), pulse(1, 64)),
        TripState::Opening | TripState::Latched => (true, pulse(1, 64)),
        TripState::Resting | TripState::Closing | TripState::Closed => {
            (warning && pulse(1, 16), false)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn share(state: TripState, warning: bool) -> (usize, usize) {
        (0..64_000).fold((0, 0), |(lamp, buzzer), n| {
            let (l, b) = indicate(state, warning, SampleIndex(n), 4000);
            (lamp + usize::from(l), buzzer + usize::from(b))
        })
    }

    #[test]
    fn each_state_has_its_pattern() {
        assert_eq!(share(TripState::Closed, false), (0, 0));
        assert_eq!(share(TripState::Closed, true), (4000, 0));
        assert_eq!(share(TripState::Latched, false), (64_000, 1000));
        assert_eq!(share(TripState::FailedToOpen, false), (32_000, 32_000));
        assert_eq!(share(TripState::LockedOut, false), (56_000, 1000));
    }
}
