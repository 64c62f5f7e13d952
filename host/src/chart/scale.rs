//! Values → pixels, and the ticks of an axis.

/// A logarithmic axis between two pixels, `bottom` below `top`.
#[derive(Clone, Copy, Debug)]
pub struct LogScale {
    low: f64,
    high: f64,
    top: i32,
    bottom: i32,
}

impl LogScale {
    /// Holds every positive value of `values` with a little room, and at least one decade, within `bounds`.
    pub fn fitting(
        values: impl Iterator<Item = f32>,
        bounds: (f64, f64),
        (top, bottom): (i32, i32),
    ) -> Self {
        let logs = values
            .map(f64::from)
            .filter(|value| value.is_finite() && *value > 0.0)
            .map(|value| value.clamp(bounds.0, bounds.1).log10());
        let (low, high) = logs.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), log| {
            (low.min(log), high.max(log))
        });
        let (low, high) = if low > high {
            (bounds.0.log10(), bounds.1.log10())
        } else {
            (low - 0.15, high + 0.3)
        };
        let middle = f64::midpoint(low, high);
        let half = ((high - low) / 2.0).max(0.5);
        Self {
            low: middle - half,
            high: middle + half,
            top,
            bottom,
        }
    }

    /// The value at the lower edge.
    pub fn lowest(&self) -> f32 {
        10_f64.powf(self.low) as f32
    }

    /// A value outside stands at the edge; zero and below at the bottom.
    pub fn y(&self, value: f32) -> i32 {
        let log = f64::from(value.max(0.0)).log10().clamp(self.low, self.high);
        let share = (log - self.low) / (self.high - self.low);
        self.bottom - (share * f64::from(self.bottom - self.top)).round() as i32
    }

    /// Decades; with 2 and 5 between them when there are few and they have room.
    pub fn ticks(&self) -> Vec<f32> {
        /// Pixels that a label needs, and from one decade to the next for two more between them.
        const LABEL: f64 = 18.0;
        const ROOMY: f64 = 75.0;
        let decades = self.high - self.low;
        let px = f64::from((self.bottom - self.top).abs());
        let steps: &[f64] = if decades < 2.2 && px / decades > ROOMY {
            &[1.0, 2.0, 5.0]
        } else {
            &[1.0]
        };
        let most = (px / LABEL).clamp(1.0, 9.0);
        let every = ((decades / most).ceil() as usize).max(1);
        (self.low.floor() as i32..=self.high.ceil() as i32)
            .step_by(every)
            .flat_map(|decade| steps.iter().map(move |step| step * 10_f64.powi(decade)))
            .filter(|value| (self.low..=self.high).contains(&value.log10()))
            .map(|value| value as f32)
            .collect()
    }
}

/// A linear axis between two pixels.
#[derive(Clone, Copy, Debug)]
pub struct LinearScale {
    low: f64,
    high: f64,
    /// Pixel of `low`.
    from: i32,
    /// Pixel of `high`.
    to: i32,
}

impl LinearScale {
    pub fn new((low, high): (f64, f64), (from, to): (i32, i32)) -> Self {
        let high = if high > low { high } else { low + 1.0 };
        Self {
            low,
            high,
            from,
            to,
        }
    }

    /// Holds every value and zero, with a little room.
    pub fn fitting(values: impl Iterator<Item = f32>, pixels: (i32, i32)) -> Self {
        let finite = values.map(f64::from).filter(|value| value.is_finite());
        let (low, high) = finite.fold((0.0_f64, 0.0_f64), |(low, high), value| {
            (low.min(value), high.max(value))
        });
        let room = ((high - low) * 0.08).max(1e-6);
        Self::new((low - room, high + room), pixels)
    }

    /// A value outside stands at the edge.
    pub fn px(&self, value: f64) -> i32 {
        let share = ((value - self.low) / (self.high - self.low)).clamp(0.0, 1.0);
        self.from + (share * f64::from(self.to - self.from)).round() as i32
    }

    pub fn holds(&self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }

    /// About `wanted` round numbers.
    pub fn ticks(&self, wanted: u32) -> Vec<f64> {
        let rough = (self.high - self.low) / f64::from(wanted.max(1));
        let decade = 10_f64.powf(rough.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0]
            .into_iter()
            .map(|step| step * decade)
            .find(|step| *step >= rough)
            .unwrap_or(10.0 * decade);
        let first = (self.low / step).ceil() as i64;
        let last = (self.high / step).floor() as i64;
        (first..=last).map(|k| k as f64 * step).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_log_axis_takes_anything() {
        let scale = LogScale::fitting(
            [0.002, 9.0, 0.0, -1.0, f32::NAN].into_iter(),
            (1e-4, 1e3),
            (100, 400),
        );
        assert_eq!(
            (scale.y(0.0), scale.y(-5.0), scale.y(f32::INFINITY)),
            (400, 400, 100)
        );
        assert!(scale.y(0.002) > scale.y(9.0));
        assert_eq!(scale.ticks(), [0.01, 0.1, 1.0, 10.0]);
        let nothing = LogScale::fitting(std::iter::empty(), (1e-4, 20.0), (100, 400));
        assert!(nothing.ticks().len() > 3);
    }

    #[test]
    fn a_linear_axis_has_round_ticks() {
        let scale = LinearScale::fitting([-1.0, 4.0].into_iter(), (400, 100));
        assert_eq!(scale.ticks(6), [-1.0, 0.0, 1.0, 2.0, 3.0, 4.0]);
        assert!(
            LinearScale::fitting(std::iter::empty(), (0, 9))
                .ticks(4)
                .len()
                > 2
        );
    }
}
