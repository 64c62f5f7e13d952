//! Sliding window over a whole number of mains cycles, in exact integer sums.
//!
//! A whole number of cycles, so that mains-frequency current cancels out of the mean and beats in nothing.

use crate::memory::InPlace;
use ohmward_proto::settings::{Mains, SettingsFault};

/// Longest window: three cycles of 60 Hz at 4 kS/s are 200 samples.
pub const WINDOW_MAX: usize = 256;

/// Slowest sampling, S/s: sixteen places in a cycle of 60 Hz.
pub const RATE_MIN: u32 = 1000;
/// Fastest: the memory of sudden changes holds seven cycles of 46 Hz.
pub const RATE_MAX: u32 = 6400;

/// Samples in the shortest window that holds a whole number of mains cycles.
///
/// # Errors
/// [`SettingsFault::NoWholeCycles`] when none up to [`WINDOW_MAX`] does.
pub fn whole_cycles(sample_rate_hz: u32, mains: Mains) -> Result<usize, SettingsFault> {
    let hz = mains.hz();
    if !(RATE_MIN..=RATE_MAX).contains(&sample_rate_hz) {
        return Err(SettingsFault::NoWholeCycles);
    }
    (1..=16u32)
        .map(|cycles| cycles * sample_rate_hz)
        .find(|samples_hz| samples_hz % hz == 0 && *samples_hz >= 8 * hz)
        .map(|samples_hz| (samples_hz / hz) as usize)
        .filter(|&samples| samples <= WINDOW_MAX)
        .ok_or(SettingsFault::NoWholeCycles)
}

/// What a window holds, to be made into mean and RMS when that is asked for.
#[derive(Clone, Copy, Default, Debug)]
pub struct WindowTotals {
    sum: i64,
    sum_of_squares: i64,
}

impl WindowTotals {
    /// Mean, and RMS of all else, of a window of so many.
    pub fn dc_and_ac(&self, len: usize) -> (i32, i32) {
        let len = len.max(1) as i64;
        let dc = self.sum / len;
        let ac = (self.sum_of_squares / len - dc * dc).max(0).isqrt();
        (dc as i32, ac as i32)
    }
}

/// Sum, and on request the sum of squares, of the last `len` values.
#[derive(Debug)]
pub struct Window {
    ring: InPlace<[i32; WINDOW_MAX]>,
    len: usize,
    at: usize,
    filled: usize,
    sum: i64,
    sum_of_squares: i64,
}

impl Window {
    // By value where it lies in the window itself, on a host.
    #[allow(clippy::large_types_passed_by_value)]
    pub fn new(len: usize, ring: InPlace<[i32; WINDOW_MAX]>) -> Self {
        let mut window = Self {
            ring,
            len: 1,
            at: 0,
            filled: 0,
            sum: 0,
            sum_of_squares: 0,
        };
        window.begin(len);
        window
    }

    /// Empty, of that length.
    pub fn begin(&mut self, len: usize) {
        self.len = len.clamp(1, WINDOW_MAX);
        self.clear();
    }

    /// Forgets everything.
    pub fn clear(&mut self) {
        self.ring.fill(0);
        self.at = 0;
        self.filled = 0;
        self.sum = 0;
        self.sum_of_squares = 0;
    }

    pub fn len(&self) -> usize {
        self.len
    }

    /// Every place holds a value.
    pub fn full(&self) -> bool {
        self.filled == self.len
    }

    pub fn push(&mut self, value: i32) {
        // `at` stays below `len`, which stays below the ring's size: there is always a place.
        if let Some(place) = self.ring.get_mut(self.at) {
            let old = i64::from(core::mem::replace(place, value));
            let new = i64::from(value);
            // While filling, `old` is the 0 of a fresh ring.
            self.sum += new - old;
            self.sum_of_squares += new * new - old * old;
        }
        self.at = if self.at + 1 == self.len {
            0
        } else {
            self.at + 1
        };
        if self.filled < self.len {
            self.filled += 1;
        }
    }

    /// The value pushed last; 0 before any.
    pub fn newest(&self) -> i32 {
        let last = if self.at == 0 {
            self.len - 1
        } else {
            self.at - 1
        };
        self.ring.get(last).copied().unwrap_or(0)
    }

    /// The value that the next one takes the place of, one window ago; none before the window is full.
    pub fn oldest(&self) -> Option<i32> {
        self.ring.get(self.at).copied().filter(|_| self.full())
    }

    /// Sum of the values; the mean times [`Self::len`].
    pub fn sum(&self) -> i64 {
        self.sum
    }

    /// Both sums.
    pub fn totals(&self) -> WindowTotals {
        WindowTotals {
            sum: self.sum,
            sum_of_squares: self.sum_of_squares,
        }
    }

    /// Mean, rounded toward zero.
    pub fn mean(&self) -> i32 {
        (self.sum / self.len as i64) as i32
    }

    /// Root mean square.
    pub fn rms(&self) -> i32 {
        ((self.sum_of_squares / self.len as i64).max(0) as u64).isqrt() as i32
    }

    /// Mean magnitude above `level`, without the division.
    pub fn mean_above(&self, level: i32) -> bool {
        self.sum.abs() > i64::from(level) * self.len as i64
    }

    /// RMS above `level`, without the root.
    pub fn rms_above(&self, level: i32) -> bool {
        let level = i64::from(level);
        self.sum_of_squares > level * level * self.len as i64
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// 4000 S/s: 80 samples at 50 Hz; at 60 Hz three cycles of 66⅔ samples (arithmetic).
    #[test]
    fn lengths_hold_whole_cycles() {
        assert_eq!(whole_cycles(4000, Mains::Hz50), Ok(80));
        assert_eq!(whole_cycles(4000, Mains::Hz60), Ok(200));
        assert_eq!(whole_cycles(4800, Mains::Hz60), Ok(80));
        assert_eq!(
            whole_cycles(4001, Mains::Hz50),
            Err(SettingsFault::NoWholeCycles)
        );
    }

    proptest! {
        /// The oracle is the plain sum over the list.
        #[test]
        fn sums_are_exact_for_ever(
            values in prop::collection::vec(-26_000_000i32..26_000_000, 1..2000),
            len in 1usize..WINDOW_MAX,
        ) {
            let mut window = Window::new(len, [0; WINDOW_MAX]);
            for (n, &value) in values.iter().enumerate() {
                window.push(value);
                let from = (n + 1).saturating_sub(len);
                let last = &values[from..=n];
                let sum: i64 = last.iter().map(|&v| i64::from(v)).sum();
                let squares: i128 = last.iter().map(|&v| i128::from(v) * i128::from(v)).sum();
                prop_assert_eq!(window.sum(), sum);
                prop_assert_eq!(i128::from(window.sum_of_squares), squares);
            }
        }
    }

    /// RMS of a sine over whole cycles is amplitude / √2 (textbook); DC adds in squares.
    #[test]
    fn rms_of_a_sine_on_dc() {
        let mut window = Window::new(80, [0; WINDOW_MAX]);
        for n in 0..800 {
            let phase = f64::from(n) / 80.0 * core::f64::consts::TAU;
            window.push((300_000.0 * phase.sin()) as i32 + 40_000);
        }
        let expected = (0.3f64 * 0.3 / 2.0 + 0.04 * 0.04).sqrt() * 1e6;
        assert!((f64::from(window.rms()) - expected).abs() < 20.0);
        assert!((window.mean() - 40_000).abs() < 5);
        assert!(window.rms_above(215_800) && !window.rms_above(215_900));
    }
}
