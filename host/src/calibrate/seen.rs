//! What a board shows at one point: mean codes with their uncertainty, or what it makes of its insulation.

use ohmward_proto::measure::{Channel, ChannelSums, CodeSums, PoleLeakage};

/// The channels, in the order of everything here.
pub const CHANNELS: [Channel; 4] = [Channel::IFine, Channel::IWide, Channel::VPos, Channel::VNeg];

/// One channel over several stretches.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct ChannelSeen {
    /// Mean code.
    pub mean: f64,
    /// Its standard uncertainty, from how far the stretches' means are from each other: hum and wander count as they are.
    pub u_a: f64,
    /// Degrees of freedom of that.
    pub dof: f64,
    /// Standard deviation of single samples.
    pub sigma: f64,
    /// Lowest code.
    pub low: i16,
    /// Highest code.
    pub high: i16,
    /// Every bit that was set.
    pub bits: u16,
}

/// Why stretches say nothing.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[error("the board answered with {0} stretches of codes; at least two are needed: try again")]
pub struct TooFew(pub usize);

impl ChannelSeen {
    /// From the stretches of one point.
    ///
    /// # Errors
    /// [`TooFew`] without two of them.
    pub fn of(sums: &[CodeSums], channel: Channel) -> Result<Self, TooFew> {
        let each: Vec<(&ChannelSums, f64)> = sums
            .iter()
            .filter(|s| s.samples > 0)
            .map(|s| (of_channel(s, channel), f64::from(s.samples)))
            .collect();
        if each.len() < 2 {
            return Err(TooFew(each.len()));
        }
        let n = each.len() as f64;
        let samples: f64 = each.iter().map(|(_, n)| n).sum();
        let means: Vec<f64> = each.iter().map(|(s, n)| s.sum as f64 / n).collect();
        let mean = means.iter().sum::<f64>() / n;
        let scatter = means.iter().map(|m| (m - mean).powi(2)).sum::<f64>() / (n - 1.0);
        // Sums are whole numbers below 2^53: nothing is lost in these.
        let within: f64 = each
            .iter()
            .zip(&means)
            .map(|((s, n), m)| (s.squares as f64 - n * m * m).max(0.0))
            .sum();
        Ok(Self {
            mean,
            u_a: (scatter / n).sqrt(),
            dof: n - 1.0,
            sigma: (within / (samples - n).max(1.0)).sqrt(),
            low: each.iter().map(|(s, _)| s.low).min().unwrap_or(0),
            high: each.iter().map(|(s, _)| s.high).max().unwrap_or(0),
            bits: each.iter().fold(0, |bits, (s, _)| bits | s.bits),
        })
    }

    /// Standard uncertainty of the mean from a converter that knows only multiples of `step` counts.
    ///
    /// Noise spreads a value over several steps, and the mean then is better than any of them: what is left is the first term of
    /// the error's Fourier series, step/(π·√2) · exp(−2π²σ²/step²), and never more than step/√12 (Widrow and Kollár,
    /// Quantization Noise, from memory; the test does it with numbers). Codes that only go to and fro between two steps may be
    /// a quiet value on the edge: then step/√12.
    pub fn u_q(&self, step: f64) -> f64 {
        let whole = step / 12.0_f64.sqrt();
        if f64::from(self.high) - f64::from(self.low) < 2.0 * step {
            return whole;
        }
        // What the steps themselves add to the scatter is no noise (Sheppard's correction).
        let noise = ((self.sigma / step).powi(2) - 1.0 / 12.0).max(0.0);
        let left = (-2.0 * std::f64::consts::PI.powi(2) * noise).exp();
        whole.min(step * left / (std::f64::consts::PI * 2.0_f64.sqrt()))
    }
}

fn of_channel(sums: &CodeSums, channel: Channel) -> &ChannelSums {
    match channel {
        Channel::IFine => &sums.i_fine,
        Channel::IWide => &sums.i_wide,
        Channel::VPos => &sums.v_pos,
        Channel::VNeg => &sums.v_neg,
    }
}

/// Counts of one converter step, from every bit that was ever set; a sixteen-bit one if none was.
pub fn step_counts(bits: impl Iterator<Item = u16>) -> f64 {
    let bits = bits.fold(0, |all, bits| all | bits);
    match bits {
        0 => 1.0,
        bits => f64::from(1_u32 << bits.trailing_zeros()),
    }
}

/// One measurement of the insulation, with the array voltage it was made at, as the calibration in force shows them.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct InsulationSeen {
    /// What the board made of it.
    pub leakage: PoleLeakage,
    /// Pole to pole, V.
    pub array_v: f64,
}

/// What a board shows at one point.
#[derive(Clone, PartialEq, Debug)]
pub enum Seen {
    /// Codes of all channels, in the order of [`CHANNELS`].
    Codes([ChannelSeen; 4]),
    /// Insulation, several times.
    Insulation(Vec<InsulationSeen>),
}

impl Seen {
    /// From stretches of codes.
    ///
    /// # Errors
    /// [`TooFew`].
    pub fn codes(sums: &[CodeSums]) -> Result<Self, TooFew> {
        let [a, b, c, d] = CHANNELS.map(|channel| ChannelSeen::of(sums, channel));
        Ok(Self::Codes([a?, b?, c?, d?]))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    fn stretch(codes: &[i16]) -> CodeSums {
        let mut sums = ChannelSums {
            low: i16::MAX,
            high: i16::MIN,
            ..ChannelSums::default()
        };
        for &code in codes {
            sums.sum += i64::from(code);
            sums.squares += (i64::from(code) * i64::from(code)) as u64;
            sums.low = sums.low.min(code);
            sums.high = sums.high.max(code);
            sums.bits |= code as u16;
        }
        CodeSums {
            samples: codes.len() as u32,
            i_fine: sums,
            ..CodeSums::default()
        }
    }

    /// By hand: means 2 and 4 → 3, their standard deviation √2, of the mean 1; within each stretch 1 and 1 about the mean,
    /// four values less two means: √2.
    #[test]
    fn means_and_scatter_by_hand() {
        let seen = ChannelSeen::of(&[stretch(&[1, 3]), stretch(&[3, 5])], Channel::IFine)
            .expect("two stretches");
        assert!((seen.mean - 3.0).abs() < 1e-12);
        assert!((seen.u_a - 1.0).abs() < 1e-12);
        assert!((seen.sigma - 2.0_f64.sqrt()).abs() < 1e-12);
        assert_eq!((seen.low, seen.high, seen.bits), (1, 5, 7));
        assert!(ChannelSeen::of(&[stretch(&[1])], Channel::IFine).is_err());
        assert!((step_counts([4, 12, 16].into_iter()) - 4.0).abs() < 1e-12);
        assert!((step_counts([0].into_iter()) - 1.0).abs() < 1e-12);
    }

    /// A converter of four counts, values all over a step, noise of 0 to 0.6 of a step: the error of a long mean, RMS, is at most
    /// what is said of it, and that is little where noise is plenty.
    #[test]
    fn quantisation_leaves_what_is_said() {
        let mut dice = rand_pcg::Pcg64Mcg::seed_from_u64(3);
        let step = 4.0;
        for spread in [0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6] {
            let (mut square, mut said) = (0.0, 0.0);
            let places = 40;
            for place in 0..places {
                let value = 100.0 + step * f64::from(place) / f64::from(places);
                let codes: Vec<i16> = (0..30_000)
                    .map(|_| {
                        let noise: f64 = StandardNormal.sample(&mut dice);
                        (((value + spread * step * noise) / step).round() * step) as i16
                    })
                    .collect();
                let (a, b) = codes.split_at(15_000);
                let seen = ChannelSeen::of(&[stretch(a), stretch(b)], Channel::IFine)
                    .expect("two stretches");
                square += (seen.mean - value).powi(2) / f64::from(places);
                // Scatter of so long a mean, σ/√n, is apart from this.
                square -= (spread * step).powi(2) / 30_000.0 / f64::from(places);
                said += seen.u_q(step).powi(2) / f64::from(places);
            }
            let (is, said) = (square.max(0.0).sqrt(), said.sqrt());
            println!("noise of {spread} steps: {is:.4} counts, {said:.4} said");
            assert!(is < 1.15 * said + 0.01, "{spread}: {is} {said}");
            assert!(spread < 0.5 || said < 0.02 * step, "{spread}: {said}");
        }
    }
}
