//! How long things take, in a few hundred bytes however many there are.

use std::time::Duration;

/// Steps a factor of two: a quantile is known to 9 %.
const STEPS: u32 = 8;
const PLACES: usize = 256;

/// Durations by their size, from 1 µs on.
#[derive(Clone, Debug)]
pub struct Latency {
    counts: Box<[u64; PLACES]>,
    most: Duration,
}

impl Default for Latency {
    fn default() -> Self {
        Self {
            counts: Box::new([0; PLACES]),
            most: Duration::ZERO,
        }
    }
}

impl Latency {
    /// Takes one in.
    pub fn note(&mut self, took: Duration) {
        let us = (took.as_secs_f64() * 1e6).max(1.0);
        let place = (us.log2() * f64::from(STEPS)) as usize;
        self.counts[place.min(PLACES - 1)] += 1;
        self.most = self.most.max(took);
    }

    /// How many.
    pub fn count(&self) -> u64 {
        self.counts.iter().sum()
    }

    /// The longest.
    pub fn most(&self) -> Duration {
        self.most
    }

    /// This part of them took no longer, rounded up by at most 9 %.
    pub fn quantile(&self, part: f64) -> Duration {
        let rank = (part.clamp(0.0, 1.0) * self.count() as f64).ceil() as u64;
        let mut seen = 0;
        for (place, count) in self.counts.iter().enumerate() {
            seen += count;
            if seen >= rank.max(1) {
                let us = ((place + 1) as f64 / f64::from(STEPS)).exp2();
                return Duration::from_secs_f64(us * 1e-6).min(self.most);
            }
        }
        self.most
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_are_never_flattered_and_little_exaggerated() {
        let mut latency = Latency::default();
        assert_eq!(latency.quantile(0.99), Duration::ZERO);
        for ms in 1..=1000 {
            latency.note(Duration::from_millis(ms));
        }
        for (part, ms) in [(0.5, 500.0), (0.99, 990.0), (1.0, 1000.0)] {
            let seen = latency.quantile(part).as_secs_f64() * 1e3;
            assert!((ms..=ms * 1.1).contains(&seen), "{part}: {seen}");
        }
        assert_eq!(latency.most(), Duration::from_secs(1));
    }
}
