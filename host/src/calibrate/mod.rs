//! Calibrating a board: known values at its terminals → what its front end measures like, and how sure that is.
//!
//! - [`points`]: which known values, with which instruments (POINTS.toml)
//! - [`seen`]: what the board shows: mean codes with their uncertainty
//! - [`line`]: a weighted straight line and its covariance
//! - [`channel`]: a channel's line, and what speaks against it
//! - [`bridge`]: the measuring bridge from known resistors
//! - [`before`]: how sure the calibration in force was, from its record
//! - [`drift`]: how far the calibration in force had moved, and what that did to the limits
//! - [`record`]: all of it on paper: TOML, JSON, text
//! - [`walk`]: step by step with a person at the bench
//!
//! [`assess`] is the whole of the arithmetic: points and what was seen go in, a new calibration and every finding come out.
//! Uncertainties after JCGM 100:2008: type A from the scatter of means, type B from what is stated of the references and from
//! quantisation; expanded with k = 2 or more.

pub mod before;
pub mod bridge;
pub mod channel;
pub mod drift;
pub mod line;
pub mod points;
pub mod record;
pub mod seen;
pub mod walk;

#[cfg(test)]
mod tests;

use before::Before;
use bridge::{BridgeResult, PoleSure};
use channel::ChannelResult;
use drift::Drift;
use ohmward_proto::Settings;
use ohmward_proto::measure::Channel;
use ohmward_proto::settings::{Calibration, CalibrationState};
use points::Point;
use seen::{CHANNELS, Seen, step_counts};

/// What a calibration is held against.
#[derive(Clone, Copy, Debug)]
pub struct Limits<'a> {
    /// What the front end is designed to be.
    pub design: &'a Calibration,
    /// What the board measures with now.
    pub in_force: &'a Calibration,
    /// What it watches over.
    pub settings: &'a Settings,
}

/// Something a person has to know.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Finding {
    /// Nothing may be written to the board as long as this stands.
    pub refuses: bool,
    /// What, where, what to do.
    pub words: String,
}

impl Finding {
    fn refuse(words: String) -> Self {
        Self {
            refuses: true,
            words,
        }
    }

    fn note(words: String) -> Self {
        Self {
            refuses: false,
            words,
        }
    }
}

/// Farther from nothing than this, of either sign; what is no number is beyond everything.
fn is_beyond(value: f64, most: f64) -> bool {
    value.is_nan() || most.is_nan() || value.abs() > most
}

/// What the points come to.
#[derive(Clone, Debug)]
pub struct Assessment {
    /// The new calibration with its number; what no point tells stays as it is in force.
    pub new: Calibration,
    /// Channels that points told something of.
    pub channels: Vec<ChannelResult>,
    /// The bridge, if resistors were known.
    pub bridge: Option<BridgeResult>,
    /// Against the calibration in force.
    pub drift: Drift,
    /// What speaks against it, and notes.
    pub findings: Vec<Finding>,
}

impl Assessment {
    /// Nothing speaks against writing it.
    pub fn is_sound(&self) -> bool {
        !self.findings.iter().any(|f| f.refuses)
    }

    /// What was found of a channel.
    pub fn channel(&self, channel: Channel) -> Option<&ChannelResult> {
        self.channels.iter().find(|c| c.channel == channel)
    }
}

/// Reckons a calibration from points and what the board showed at each. `before`: the record of the one in force, where there is
/// one: without it the drift is told in uncertainties of the new one alone.
pub fn assess(
    points: &[(Point, Seen)],
    state: &CalibrationState,
    settings: &Settings,
    before: Option<&Before>,
) -> Assessment {
    let limits = Limits {
        design: &state.design,
        in_force: &state.in_force,
        settings,
    };
    let mut findings = Vec::new();
    let bits = points.iter().filter_map(|(_, seen)| match seen {
        Seen::Codes(codes) => Some(codes.iter().fold(0, |bits, c| bits | c.bits)),
        Seen::Insulation(_) => None,
    });
    let step = step_counts(bits);
    let mut poles_refused = false;
    let channels: Vec<ChannelResult> = CHANNELS
        .iter()
        .filter_map(|channel| {
            let before = findings.len();
            let fit = channel::fit(*channel, points, step, &limits, &mut findings);
            let refused = findings.iter().skip(before).any(|f| f.refuses);
            poles_refused |= refused && matches!(channel, Channel::VPos | Channel::VNeg);
            fit
        })
        .collect();
    let mut new = state.in_force;
    for result in &channels {
        *channel::scale_mut(&mut new, result.channel) = result.scale;
    }
    let of = |channel| channels.iter().find(|c| c.channel == channel);
    if let (Some(fine), Some(wide)) = (of(Channel::IFine), of(Channel::IWide)) {
        channel::ranges_agree(fine, wide, points, &mut findings);
    }
    let sure = [Channel::VPos, Channel::VNeg].map(|channel| {
        of(channel).map_or_else(PoleSure::default, |c| PoleSure {
            gain_part: c.line.uncertainty(0.0, 1.0, true).u / c.line.slope.abs(),
            zero_v: c.uncertain_at(0.0, true).u,
        })
    });
    // A bridge reckoned with poles that are refused would only be another finding of the same fault.
    let resistors = points
        .iter()
        .any(|(_, seen)| matches!(seen, Seen::Insulation(_)));
    let bridge = if poles_refused {
        if resistors {
            findings.push(Finding::note(
                "the bridge was not reckoned: it wants pole voltages that hold, put those right first"
                    .to_owned(),
            ));
        }
        None
    } else {
        let told = findings.len();
        let found = bridge::fit(points, &new, sure, &limits, &mut findings);
        if resistors && found.is_none() && findings.len() == told {
            findings.push(Finding::refuse(
                "bridge: no values of divider and measuring resistors explain what the board read: look at the known resistors"
                    .to_owned(),
            ));
        }
        found
    };
    if let Some(found) = &bridge {
        new.bridge = found.bridge;
    }
    if channels.is_empty() && bridge.is_none() && findings.is_empty() {
        findings.push(Finding::refuse(
            "no point tells anything of the board: add currents, voltages or resistors".to_owned(),
        ));
    }
    new.id = new.number();
    if !new.is_sound() {
        findings.push(Finding::refuse(
            "the values found are none a board can measure with; look at the points".to_owned(),
        ));
    }
    let drift = Drift::of(&new, &channels, bridge.as_ref(), points, &limits, before);
    Assessment {
        new,
        channels,
        bridge,
        drift,
        findings,
    }
}
