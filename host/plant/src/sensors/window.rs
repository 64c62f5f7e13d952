//! What a whole window of samples comes to, drawn at once instead of sample by sample.
//!
//! While nothing changes, a reading is the mean of a window over noise and hum of known size. Its statistics follow from
//! those of one sample, so a year of readings need not be a hundred thousand million samples.

use super::{ChannelModel, FrontEnd, Seen};
use rand_distr::{ChiSquared, Distribution, StandardNormal};
use rand_pcg::Pcg64Mcg;

/// A window's values as the board makes them of its samples.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct WindowDrawn {
    /// Mean of the bond current, A.
    pub i_dc_a: f64,
    /// RMS of it, DC included, A.
    pub i_rms_a: f64,
    /// Mean of the positive pole, V.
    pub v_pos: f64,
    /// Mean of the negative pole, V.
    pub v_neg: f64,
}

/// Boards take the middle of every three values of a pole before they average: the mean of a window then scatters more than
/// that of the values themselves, by the root of 1.16 (computed for windows of 80 and 200 samples of normal noise).
const MEDIAN_SCATTER: f64 = 1.077;

impl FrontEnd {
    /// A window of `samples` in which `seen` stood still: whole cycles of the hum.
    ///
    /// Noise is normal and white, quantisation an even noise of step/√12 beside it (textbook; exact while the noise is half
    /// a step or more). Channels at their rails stand there.
    pub fn draw_window(
        &self,
        seen: &Seen,
        bond_closed: bool,
        samples: usize,
        rng: &mut Pcg64Mcg,
    ) -> WindowDrawn {
        let n = samples as f64;
        let hum_a = if bond_closed { self.hum_bond_a } else { 0.0 };
        // As the board chooses: the wide range once the sensitive one comes to a rail.
        let channel = if self.in_range(&self.fine, seen.i_a, hum_a) {
            &self.fine
        } else {
            &self.wide
        };
        let sigma_a = self.sigma(channel);
        let i_dc_a = self.mean(channel, seen.i_a) + sigma_a / n.sqrt() * normal(rng);
        // Noise at the hum's own frequency and angle adds to it; the power of the rest is chi-squared.
        let hum_rms_a = hum_a * self.gain(channel) / std::f64::consts::SQRT_2;
        let hum_rms_a = hum_rms_a + sigma_a / n.sqrt() * normal(rng);
        let freedom = (n - 2.0).max(1.0);
        let rest = ChiSquared::new(freedom).map_or(freedom, |chi| chi.sample(rng));
        let ac_squared = hum_rms_a * hum_rms_a + sigma_a * sigma_a * rest / n;
        let mut pole = |channel: &ChannelModel, volts: f64| {
            let sigma_v = MEDIAN_SCATTER * self.sigma(channel) / n.sqrt();
            self.mean(channel, volts) + sigma_v * normal(rng)
        };
        WindowDrawn {
            i_dc_a,
            i_rms_a: (i_dc_a * i_dc_a + ac_squared).sqrt(),
            v_pos: pole(&self.v_pos, seen.v_pos),
            v_neg: pole(&self.v_neg, seen.v_neg),
        }
    }

    /// Both poles are well inside the range of their channels: no noise takes them to a rail.
    pub fn poles_in_range(&self, seen: &Seen) -> bool {
        self.in_range(&self.v_pos, seen.v_pos, self.hum_pole_v)
            && self.in_range(&self.v_neg, seen.v_neg, self.hum_pole_v)
    }

    /// Ten standard deviations off the rails on the crests of a hum.
    fn in_range(&self, channel: &ChannelModel, value: f64, hum: f64) -> bool {
        let steps = channel.zero + channel.per_unit * value;
        let room = (channel.per_unit * hum).abs() + 10.0 * channel.noise + 1.0;
        let counts = f64::from(self.step_counts);
        (steps - room) * counts > f64::from(self.rail_low)
            && (steps + room) * counts < f64::from(self.rail_high)
    }

    /// What the board reads on the mean.
    fn mean(&self, channel: &ChannelModel, value: f64) -> f64 {
        let code = (channel.zero + channel.per_unit * value) * f64::from(self.step_counts);
        let code = code.clamp(f64::from(self.rail_low), f64::from(self.rail_high));
        (code - f64::from(channel.scale.zero)) * f64::from(channel.scale.per_count)
    }

    /// Standard deviation of one sample as the board reads it, quantisation included.
    fn sigma(&self, channel: &ChannelModel) -> f64 {
        let steps = (channel.noise * channel.noise + 1.0 / 12.0).sqrt();
        steps * f64::from(self.step_counts) * f64::from(channel.scale.per_count).abs()
    }

    /// What the board reads over what is there.
    fn gain(&self, channel: &ChannelModel) -> f64 {
        (channel.per_unit * f64::from(self.step_counts) * f64::from(channel.scale.per_count)).abs()
    }
}

fn normal(rng: &mut Pcg64Mcg) -> f64 {
    StandardNormal.sample(rng)
}
