//! A calibration on paper: one TOML file a calibration, the same as JSON, and as text for the person at the bench.

use super::channel::unit;
use super::points::Points;
use super::{Assessment, drift};
use crate::words;
use jiff::Timestamp;
use ohmward_proto::Settings;
use ohmward_proto::measure::Channel;
use ohmward_proto::message::Hello;
use ohmward_proto::settings::{Bridge, Calibration, CalibrationState, Scale};
use serde::Serialize;
use std::fmt::Write;

/// First words of every record and every walk.
pub const CAUTION: &str = "\
CALIBRATING MEANS OPEN TERMINALS. PV conductors are live in daylight, and switching off does not change that: disconnect the array \
and secure it, or do this at a bench without one. Take the ground-fault fuse out before anything is put on the poles. Earth the \
case. Test sources of hundreds of volts kill as the array does. Local codes and the authority having jurisdiction decide who may \
do this; where they say so it is work for licensed persons. Ohmward is an instrument, not a listed protective device: a calibration \
makes its readings better known, and nothing safer.";

/// Everything about one calibration, units in the names.
#[derive(Clone, Debug, Serialize)]
pub struct Record {
    /// Of this layout.
    pub schema: u32,
    /// When, RFC 3339.
    pub made: String,
    /// The board.
    pub board: String,
    /// Who.
    pub by: String,
    /// Whatever else.
    pub note: String,
    /// Number of the new calibration, as `Hello` and store tell it.
    pub id: String,
    /// Number of the one that was in force.
    pub id_before: String,
    /// When that was made; absent for design values.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub made_before: Option<String>,
    /// Nothing speaks against it.
    pub sound: bool,
    /// The board has it.
    pub written: bool,
    /// What the drift means, in a sentence.
    pub drift: String,
    /// What speaks against it.
    pub refused: Vec<String>,
    /// What else to know.
    pub notes: Vec<String>,
    /// The values.
    pub calibration: Values,
    /// The known values.
    pub points: Vec<PointOut>,
    /// Channels.
    pub channels: Vec<ChannelOut>,
    /// Bridge.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bridge: Option<BridgeOut>,
    /// Limits, and where they acted until now.
    pub limits: Vec<LimitOut>,
}

/// A calibration's values.
#[derive(Clone, Debug, Serialize)]
pub struct Values {
    /// Fine current range.
    pub i_fine: ScaleOut,
    /// Wide current range.
    pub i_wide: ScaleOut,
    /// Positive pole.
    pub v_pos: ScaleOut,
    /// Negative pole.
    pub v_neg: ScaleOut,
    /// Divider at each pole, S.
    pub g_permanent_s: f64,
    /// Switched resistor at the positive pole, S.
    pub g_switched_pos_s: f64,
    /// At the negative pole, S.
    pub g_switched_neg_s: f64,
}

/// One scale.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct ScaleOut {
    /// Code at nothing.
    pub zero_counts: f64,
    /// A or V a count.
    pub per_count: f64,
}

impl From<Scale> for ScaleOut {
    fn from(scale: Scale) -> Self {
        Self {
            zero_counts: f64::from(scale.zero),
            per_count: f64::from(scale.per_count),
        }
    }
}

impl From<&Calibration> for Values {
    fn from(c: &Calibration) -> Self {
        let Bridge {
            g_permanent,
            g_switched_pos,
            g_switched_neg,
        } = c.bridge;
        Self {
            i_fine: c.i_fine.into(),
            i_wide: c.i_wide.into(),
            v_pos: c.v_pos.into(),
            v_neg: c.v_neg.into(),
            g_permanent_s: f64::from(g_permanent.0),
            g_switched_pos_s: f64::from(g_switched_pos.0),
            g_switched_neg_s: f64::from(g_switched_neg.0),
        }
    }
}

/// A known value.
#[derive(Clone, Debug, Serialize)]
pub struct PointOut {
    /// In words.
    pub what: String,
    /// Expanded uncertainty (k = 2), in its unit.
    pub within: f64,
    /// Instrument.
    pub with: String,
}

/// A channel.
#[derive(Clone, Debug, Serialize)]
pub struct ChannelOut {
    /// i-fine, i-wide, v-pos, v-neg.
    pub channel: Channel,
    /// A or V.
    pub unit: &'static str,
    /// Without a signal, in the unit.
    pub zero: f64,
    /// Expanded uncertainty of it.
    pub zero_within: f64,
    /// Gain against the design.
    pub gain: f64,
    /// Expanded uncertainty of it.
    pub gain_within: f64,
    /// Coverage factor of the gain.
    pub gain_k: f64,
    /// Probability that points on a line scatter so much.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub p: Option<f64>,
    /// Largest known value as a part of full scale.
    pub covers: f64,
    /// Readings at the limits: value, expanded uncertainty.
    pub readings: Vec<[f64; 2]>,
    /// Its points.
    pub points: Vec<ResidualOut>,
}

/// A point of a channel, or a resistor at the bridge.
#[derive(Clone, Debug, Serialize)]
pub struct ResidualOut {
    /// Which of `points`, from 0.
    pub point: usize,
    /// Known.
    pub known: f64,
    /// As shown by the calibration in force.
    pub before: f64,
    /// As shown by the new one.
    pub after: f64,
    /// Expanded uncertainty (k = 2) of the residual.
    pub within: f64,
    /// How far before and after are apart, in standard uncertainties.
    pub moved_sigmas: f64,
    /// The same as a part of the lowest limit; of the value, for a resistor.
    pub moved_of_limit: f64,
}

/// The bridge.
#[derive(Clone, Debug, Serialize)]
pub struct BridgeOut {
    /// Divider, positive, negative: Ω.
    pub ohm: [f64; 3],
    /// Expanded uncertainty, Ω.
    pub within_ohm: [f64; 3],
    /// Known resistors, Ω.
    pub points: Vec<ResidualOut>,
}

/// A limit.
#[derive(Clone, Debug, Serialize)]
pub struct LimitOut {
    /// In words.
    pub what: &'static str,
    /// As set, A or Ω.
    pub set: f64,
    /// Where it acted until now.
    pub acted: f64,
    /// %.
    pub off_percent: f64,
}

/// When a board was calibrated, in words.
pub fn calibrated(made_unix_s: Option<i64>) -> String {
    made_unix_s.and_then(date).map_or_else(
        || "never calibrated, the design values hold".to_owned(),
        |at| format!("calibrated {at}"),
    )
}

fn date(unix_s: i64) -> Option<String> {
    Timestamp::from_second(unix_s).ok().map(|t| t.to_string())
}

impl Record {
    /// From an assessment. `made_unix_s`: now.
    pub fn new(
        assessment: &Assessment,
        points: &Points,
        hello: &Hello,
        state: &CalibrationState,
        settings: &Settings,
        made_unix_s: i64,
    ) -> Self {
        let words = |refuses| {
            let findings = assessment.findings.iter();
            let of_kind = findings.filter(move |f| f.refuses == refuses);
            of_kind.map(|f| f.words.clone()).collect()
        };
        let moved = |channel: Option<Channel>, index: usize| {
            let mut all = assessment.drift.points.iter();
            all.find(|m| m.channel == channel && m.index == index)
                .map_or((0.0, 0.0), |m| (m.sigmas, m.of_limit))
        };
        let current = &settings.current;
        let limits = [
            current.sudden.low.above,
            current.continuous.above,
            current.ground_fault.above,
        ];
        let channels = assessment
            .channels
            .iter()
            .map(|c| ChannelOut {
                channel: c.channel,
                unit: unit(c.channel),
                zero: c.zero.value,
                zero_within: c.zero.expanded(),
                gain: c.gain.value,
                gain_within: c.gain.expanded(),
                gain_k: c.gain.k,
                p: c.p,
                covers: c.covers,
                readings: match unit(c.channel) {
                    "A" => limits
                        .iter()
                        .map(|a| [f64::from(a.0), c.within_at(f64::from(a.0))])
                        .collect(),
                    _ => Vec::new(),
                },
                points: c
                    .points
                    .iter()
                    .map(|p| {
                        let (moved_sigmas, moved_of_limit) = moved(Some(c.channel), p.index);
                        ResidualOut {
                            point: p.index,
                            known: p.known,
                            before: p.before,
                            after: p.after,
                            within: p.within,
                            moved_sigmas,
                            moved_of_limit,
                        }
                    })
                    .collect(),
            })
            .collect();
        let bridge = assessment.bridge.as_ref().map(|b| BridgeOut {
            ohm: b.siemens.map(|g| 1.0 / g.value),
            within_ohm: b.siemens.map(|g| g.expanded() / g.value / g.value),
            points: b
                .points
                .iter()
                .map(|p| {
                    let (moved_sigmas, moved_of_limit) = moved(None, p.index);
                    ResidualOut {
                        point: p.index,
                        known: p.known_ohm,
                        before: p.before_ohm,
                        after: p.after_ohm,
                        within: p.within_ohm,
                        moved_sigmas,
                        moved_of_limit,
                    }
                })
                .collect(),
        });
        Self {
            schema: 1,
            made: date(made_unix_s).unwrap_or_default(),
            board: hello.board.to_string(),
            by: points.by.clone(),
            note: points.note.clone(),
            id: format!("{:08x}", assessment.new.id),
            id_before: format!("{:08x}", state.in_force.id),
            made_before: state.made_unix_s.and_then(date),
            sound: assessment.is_sound(),
            written: false,
            drift: assessment
                .drift
                .words(state.made_unix_s.and_then(date).as_deref()),
            refused: words(true),
            notes: words(false),
            calibration: (&assessment.new).into(),
            points: points
                .points
                .iter()
                .map(|p| PointOut {
                    what: drift::about(p),
                    within: p.within,
                    with: p.with.clone(),
                })
                .collect(),
            channels,
            bridge,
            limits: assessment
                .drift
                .limits
                .iter()
                .map(|l| LimitOut {
                    what: l.what,
                    set: l.set,
                    acted: l.acted,
                    off_percent: l.percent(),
                })
                .collect(),
        }
    }

    /// Name of its file: `CALIBRATION-0000000000004e01-2026-05-03.toml`.
    pub fn file_name(&self) -> String {
        let day = self.made.split('T').next().unwrap_or_default();
        format!("CALIBRATION-{}-{day}.toml", self.board)
    }

    /// As a file.
    ///
    /// # Errors
    /// A number that TOML cannot hold.
    pub fn toml(&self) -> Result<String, toml::ser::Error> {
        let caution = CAUTION.replace(". ", ".\n# ");
        Ok(format!(
            "# Calibration record. Uncertainties are expanded ones (k = 2 or the factor given), JCGM 100:2008.\n# {caution}\n{}",
            toml::to_string(self)?
        ))
    }

    /// As a person reads it.
    pub fn text(&self) -> String {
        let mut out = String::new();
        // Writing to a String does not fail.
        let _ = self.write_text(&mut out);
        out
    }

    fn write_text(&self, out: &mut String) -> std::fmt::Result {
        writeln!(out, "Board {}, {}, by {}", self.board, self.made, self.by)?;
        for c in &self.channels {
            writeln!(
                out,
                "\n{}: gain {:.5} ± {:.5} of the design (k = {:.2}), zero {} ± {}{}",
                words::channel(c.channel),
                c.gain,
                c.gain_within,
                c.gain_k,
                words::si(c.zero as f32, c.unit),
                words::si(c.zero_within as f32, c.unit),
                c.p.map_or(String::new(), |p| format!("; on a line: p = {p:.2}")),
            )?;
            self.write_points(out, &c.points, c.unit)?;
            for [at, within] in &c.readings {
                writeln!(
                    out,
                    "    a reading of {} is right within ± {}",
                    words::si(*at as f32, c.unit),
                    words::si(*within as f32, c.unit)
                )?;
            }
        }
        if let Some(b) = &self.bridge {
            writeln!(out)?;
            for (k, what) in [
                "divider",
                "measuring resistor, positive",
                "measuring resistor, negative",
            ]
            .iter()
            .enumerate()
            {
                writeln!(
                    out,
                    "{what}: {} ± {}",
                    words::si(b.ohm[k] as f32, "Ω"),
                    words::si(b.within_ohm[k] as f32, "Ω")
                )?;
            }
            self.write_points(out, &b.points, "Ω")?;
        }
        if !self.limits.is_empty() {
            writeln!(out, "\nWhere the limits have acted until now")?;
        }
        for limit in &self.limits {
            let unit = if limit.what.starts_with("insulation") {
                "Ω"
            } else {
                "A"
            };
            writeln!(
                out,
                "    {:<24} set {:>8}, acted at {:>8} ({:+.2} %)",
                limit.what,
                words::si(limit.set as f32, unit),
                words::si(limit.acted as f32, unit),
                limit.off_percent
            )?;
        }
        writeln!(out, "\n{}", self.drift)?;
        for note in &self.notes {
            writeln!(out, "note: {note}")?;
        }
        for refused in &self.refused {
            writeln!(out, "REFUSED: {refused}")?;
        }
        Ok(())
    }

    fn write_points(
        &self,
        out: &mut String,
        points: &[ResidualOut],
        unit: &str,
    ) -> std::fmt::Result {
        writeln!(
            out,
            "    {:<28} {:>12} {:>12} {:>11} {:>11}",
            "known", "in force", "new", "residual", "± (k = 2)"
        )?;
        for p in points {
            writeln!(
                out,
                "    {:<28} {:>10} {unit} {:>10} {unit} {:>11} {:>11}",
                self.points.get(p.point).map_or("", |point| &point.what),
                figures(p.before, p.within),
                figures(p.after, p.within),
                words::si((p.after - p.known) as f32, unit),
                words::si(p.within as f32, unit),
            )?;
        }
        Ok(())
    }
}

/// As many places as the uncertainty leaves any sense in: two of its own.
fn figures(value: f64, within: f64) -> String {
    let places = (1.0 - within.max(1e-9).log10().floor()).clamp(0.0, 9.0) as usize;
    let text = format!("{value:.places$}");
    // A zero has no sign.
    match text.strip_prefix('-') {
        Some(zero) if zero.chars().all(|c| "0.".contains(c)) => zero.to_owned(),
        _ => text,
    }
}
