//! One channel: its line through the points it sees, and what speaks against it.

use super::line::{Line, LinePoint, Uncertain};
use super::points::{Known, Point};
use super::seen::{ChannelSeen, Seen};
use super::{Finding, Limits, is_beyond};
use crate::words;
use ohmward_proto::Settings;
use ohmward_proto::measure::Channel;
use ohmward_proto::settings::{Calibration, Scale};

/// Gains further than this from the design are a wrong wire, a wrong range or a wrong value typed: 5 % (our own choice: three
/// times what the tolerances of the parts add up to).
pub const GAIN_OFF_MAX: f64 = 0.05;
/// Zero of a current channel: as in the self-test, a fifth of the continuous limit; of a pole, of the least array voltage.
const ZERO_PART: f64 = 0.2;
/// Below this probability the points do not lie on a line.
const P_MIN: f64 = 0.001;
/// Below this part of full scale the gain is carried far beyond where it was measured.
const COVERS_MIN: f64 = 0.2;
/// A code that moves by less than this part of what the design says is no signal at all.
const SIGNAL_MIN: f64 = 0.1;

/// A channel's point, in its unit.
#[derive(Clone, PartialEq, Debug)]
pub struct ChannelPoint {
    /// Which point of the walk.
    pub index: usize,
    /// What stands at the terminals.
    pub known: f64,
    /// As the calibration in force shows it.
    pub before: f64,
    /// As the new one does.
    pub after: f64,
    /// What is left: new − known.
    pub residual: f64,
    /// Expanded uncertainty of that residual, the point's own and the reference's (k = 2).
    pub within: f64,
    /// Standard uncertainty of the mean, noise and quantisation alone.
    pub u_own: f64,
}

/// What the points say of one channel.
#[derive(Clone, Debug)]
pub struct ChannelResult {
    /// Which.
    pub channel: Channel,
    /// The new scale.
    pub scale: Scale,
    /// What is read with no signal by the design's scale, in the channel's unit, with its uncertainty.
    pub zero: Uncertain,
    /// Gain against the design: 1 is equal; with its uncertainty.
    pub gain: Uncertain,
    /// Its points.
    pub points: Vec<ChannelPoint>,
    /// Probability that points on a line scatter so much; `None`: too few to test.
    pub p: Option<f64>,
    /// Largest known value as a part of full scale.
    pub covers: f64,
    pub(super) line: Line,
}

impl ChannelResult {
    /// Expanded uncertainty of a reading at this value.
    pub fn within_at(&self, value: f64) -> f64 {
        self.uncertain_at(value, false).expanded()
    }

    /// Uncertainty of a reading at this value, in the channel's unit; of the board's own part alone where `own_only`.
    pub fn uncertain_at(&self, value: f64, own_only: bool) -> Uncertain {
        let counts = self.line.uncertainty(1.0, value, own_only);
        Uncertain {
            value,
            u: counts.u / self.line.slope.abs(),
            k: counts.k,
        }
    }
}

/// Name and unit of a channel, and its scale in a calibration.
pub fn unit(channel: Channel) -> &'static str {
    match channel {
        Channel::IFine | Channel::IWide => "A",
        Channel::VPos | Channel::VNeg => "V",
    }
}

/// Its scale.
pub fn scale(calibration: &Calibration, channel: Channel) -> Scale {
    match channel {
        Channel::IFine => calibration.i_fine,
        Channel::IWide => calibration.i_wide,
        Channel::VPos => calibration.v_pos,
        Channel::VNeg => calibration.v_neg,
    }
}

/// Its scale, to be set.
pub fn scale_mut(calibration: &mut Calibration, channel: Channel) -> &mut Scale {
    match channel {
        Channel::IFine => &mut calibration.i_fine,
        Channel::IWide => &mut calibration.i_wide,
        Channel::VPos => &mut calibration.v_pos,
        Channel::VNeg => &mut calibration.v_neg,
    }
}

/// A mean code in the channel's unit.
pub fn value(scale: Scale, code: f64) -> f64 {
    (code - f64::from(scale.zero)) * f64::from(scale.per_count)
}

/// What a point puts on a channel; `None` when it is none of its business.
pub fn known_of(known: Known, channel: Channel) -> Option<f64> {
    match (known, channel) {
        (Known::Zero, _) => Some(0.0),
        (Known::Current { a }, Channel::IFine | Channel::IWide) => Some(a),
        (Known::Voltage { v }, Channel::VPos | Channel::VNeg) => Some(v),
        _ => None,
    }
}

/// Fits one channel; what speaks against it goes to `findings`. `None`: there is nothing to fit, and the scale in force stays.
pub fn fit(
    channel: Channel,
    points: &[(Point, Seen)],
    step: f64,
    limits: &Limits<'_>,
    findings: &mut Vec<Finding>,
) -> Option<ChannelResult> {
    let design = scale(limits.design, channel);
    let in_force = scale(limits.in_force, channel);
    let name = words::channel(channel);
    let unit = unit(channel);
    let full = (f64::from(limits.design.rail_high) - f64::from(design.zero)).abs()
        * f64::from(design.per_count).abs();
    let mut used: Vec<(usize, f64, LinePoint, ChannelSeen)> = Vec::new();
    let mut instruments: Vec<&str> = Vec::new();
    for (index, (point, seen)) in points.iter().enumerate() {
        let (Some(x), Seen::Codes(codes)) = (known_of(point.known, channel), seen) else {
            continue;
        };
        let seen = &codes[channel as usize];
        if x.abs() > full {
            // The wide range's business.
            continue;
        }
        if limits.design.at_rail(seen.low) || limits.design.at_rail(seen.high) {
            findings.push(Finding::refuse(format!(
                "{name}: at {} the converter is at its rail (codes {} to {}), {:.0} were to be expected: a wrong range, a \
                 wrong wire, or another value than the one stated",
                point.words(),
                seen.low,
                seen.high,
                f64::from(design.zero) + x / f64::from(design.per_count)
            )));
            return None;
        }
        let instrument = instruments.iter().position(|i| *i == point.with);
        let instrument = instrument.unwrap_or_else(|| {
            instruments.push(&point.with);
            instruments.len() - 1
        });
        let line_point = LinePoint {
            x,
            u_x: point.within / 2.0,
            instrument,
            y: seen.mean,
            u_a: seen.u_a,
            dof: seen.dof,
            u_q: seen.u_q(step),
        };
        used.push((index, x, line_point, *seen));
    }
    if !used.iter().any(|(_, x, ..)| *x != 0.0) {
        return None;
    }
    let line_points: Vec<LinePoint> = used.iter().map(|(_, _, p, _)| *p).collect();
    let slope_design = 1.0 / f64::from(design.per_count);
    let line = Line::through(&line_points, slope_design)?;
    let ratio = line.slope / slope_design;
    if ratio.abs() < SIGNAL_MIN {
        findings.push(Finding::refuse(format!(
            "{name}: no signal. The code hardly moves from one point to the next ({:.1} % of what the design says): is the source \
             on, and at this channel's terminals?",
            100.0 * ratio
        )));
        return None;
    }
    if ratio < 0.0 {
        findings.push(Finding::refuse(format!(
            "{name}: reversed. The code falls where it should rise: swap the wires of the source, + is out of the array \
             conductor into earth for currents, the pole above earth for voltages"
        )));
        return None;
    }
    // The board multiplies by what is the other way round.
    let gain = Uncertain {
        value: 1.0 / ratio,
        ..line.uncertainty(0.0, 1.0, false)
    };
    let gain = Uncertain {
        u: gain.u / line.slope.abs() * gain.value,
        ..gain
    };
    if is_beyond(gain.value - 1.0, GAIN_OFF_MAX) {
        findings.push(Finding::refuse(format!(
            "{name}: its gain is {:+.2} % off the design, more than the {:.0} % that parts can be off: a wrong range, or a value \
             that is not what was stated",
            100.0 * (gain.value - 1.0),
            100.0 * GAIN_OFF_MAX
        )));
    }
    let of_zero = line.uncertainty(1.0, 0.0, false);
    let zero = Uncertain {
        value: value(design, line.zero),
        u: of_zero.u * f64::from(design.per_count).abs(),
        k: of_zero.k,
    };
    let zero_max = ZERO_PART * protects(channel, limits.settings);
    if is_beyond(zero.value, zero_max) {
        findings.push(Finding::refuse(format!(
            "{name}: without a signal it shows {}, more than {} (a fifth of what it watches over): look for leakage, a \
             magnetised core, a wire that still carries current",
            words::si(zero.value as f32, unit),
            words::si(zero_max as f32, unit)
        )));
    }
    let p = line.probability();
    if let Some(p) = p.filter(|p| *p < P_MIN) {
        let (worst, by) = line
            .residuals
            .iter()
            .zip(&line.sigmas)
            .map(|(r, s)| (r / s).abs())
            .enumerate()
            .max_by(|a, b| a.1.total_cmp(&b.1))?;
        findings.push(Finding::refuse(format!(
            "{name}: its points do not lie on a line (probability {p:.1e}); farthest off is {}, by {by:.1} standard \
             uncertainties: check that value, its stated uncertainty, and whether it had settled",
            points[used[worst].0].0.words()
        )));
    } else if p.is_none() {
        findings.push(Finding::note(format!(
            "{name}: two points always lie on a line; a third would test it"
        )));
    }
    let covers = used.iter().map(|(_, x, ..)| x.abs()).fold(0.0, f64::max) / full;
    if covers < COVERS_MIN {
        findings.push(Finding::note(format!(
            "{name}: the largest known value is {:.0} % of full scale; beyond it the gain is taken on trust",
            100.0 * covers
        )));
    }
    let new = Scale {
        zero: line.zero as f32,
        per_count: (1.0 / line.slope) as f32,
    };
    let points = used
        .iter()
        .zip(&line.sigmas)
        .map(|((index, x, p, seen), sigma)| {
            let after = value(new, seen.mean);
            ChannelPoint {
                index: *index,
                known: *x,
                before: value(in_force, seen.mean),
                after,
                residual: after - x,
                within: 2.0 * sigma / line.slope.abs(),
                u_own: p.u_a.hypot(p.u_q) / line.slope.abs(),
            }
        })
        .collect();
    Some(ChannelResult {
        channel,
        scale: new,
        zero,
        gain,
        points,
        p,
        covers,
        line,
    })
}

/// The least that this channel watches over.
fn protects(channel: Channel, settings: &Settings) -> f64 {
    f64::from(match channel {
        Channel::IFine | Channel::IWide => settings.current.continuous.above.0.max(0.05),
        Channel::VPos | Channel::VNeg => settings.check.v_min.0,
    })
}

/// The two current ranges see the same conductor: where both do, they have to show the same, within what both lines and the
/// noise at the point leave.
pub fn ranges_agree(
    fine: &ChannelResult,
    wide: &ChannelResult,
    points: &[(Point, Seen)],
    findings: &mut Vec<Finding>,
) {
    for f in &fine.points {
        let Some(w) = wide.points.iter().find(|w| w.index == f.index) else {
            continue;
        };
        let apart = f.after - w.after;
        let lines = [fine, wide].map(|range| range.uncertain_at(f.known, false).u);
        let sigma = [f.u_own, w.u_own, lines[0], lines[1]]
            .iter()
            .map(|u| u * u)
            .sum::<f64>()
            .sqrt();
        // Five: with a dozen points a coincidence is rarer than one calibration in ten thousand.
        if is_beyond(apart, 5.0 * sigma) {
            findings.push(Finding::refuse(format!(
                "the current ranges disagree by {} at {}, {:.1} times what both are uncertain by: a value for one of them is not \
                 what was stated",
                words::si(apart as f32, "A"),
                points[f.index].0.words(),
                apart.abs() / sigma
            )));
            return;
        }
    }
}
