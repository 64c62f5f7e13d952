//! How far a board had moved since it was calibrated last: at every point, and at every limit it trips on.

use super::Limits;
use super::before::Before;
use super::bridge::{self, BridgeResult};
use super::channel::{ChannelResult, scale, value};
use super::points::{At, Known, Point};
use super::seen::Seen;
use crate::words;
use ohmward_proto::measure::Channel;
use ohmward_proto::settings::Calibration;

/// A move within so many standard uncertainties is none.
const CLEAR: f64 = 2.0;
/// Array voltage that insulation limits are looked at with where no resistor was measured, V.
const ARRAY_V: f64 = 200.0;

/// One point: what the calibration in force shows there, against the new one.
#[derive(Clone, PartialEq, Debug)]
pub struct Moved {
    /// The channel; `None` for a resistor at the bridge.
    pub channel: Option<Channel>,
    /// Which point of the walk.
    pub index: usize,
    /// In force − new, in the channel's unit, Ω for a resistor.
    pub by: f64,
    /// The same in standard uncertainties: of the new one, and of the one in force where its record is at hand.
    pub sigmas: f64,
    /// The same as a part of the lowest limit that the channel watches over (of the value, for a resistor).
    pub of_limit: f64,
}

/// One limit: at what it really acted.
#[derive(Clone, PartialEq, Debug)]
pub struct LimitMoved {
    /// In words.
    pub what: &'static str,
    /// As set, A or Ω.
    pub set: f64,
    /// Where it acted, A or Ω.
    pub acted: f64,
    /// It acted later than set: at a higher current, at a lower resistance.
    pub late: bool,
}

impl LimitMoved {
    /// How far off, %.
    pub fn percent(&self) -> f64 {
        100.0 * (self.acted / self.set - 1.0)
    }
}

/// The comparison.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Drift {
    /// Point by point.
    pub points: Vec<Moved>,
    /// Limit by limit; the worse of both signs.
    pub limits: Vec<LimitMoved>,
    /// Limits of which the points tell nothing.
    pub untold: Vec<&'static str>,
}

impl Drift {
    /// Compares the new calibration with the one in force.
    pub fn of(
        new: &Calibration,
        channels: &[ChannelResult],
        found: Option<&BridgeResult>,
        points: &[(Point, Seen)],
        limits: &Limits<'_>,
        before: Option<&Before>,
    ) -> Self {
        let mut drift = Self::default();
        for result in channels {
            let lowest = f64::from(match result.channel {
                Channel::IFine | Channel::IWide => lowest_current(limits),
                Channel::VPos | Channel::VNeg => limits.settings.check.v_min.0,
            });
            for point in &result.points {
                let by = point.before - point.after;
                let then = before.and_then(|b| b.u(result.channel, point.known));
                let then = then.unwrap_or(0.0);
                drift.points.push(Moved {
                    channel: Some(result.channel),
                    index: point.index,
                    by,
                    sigmas: by.abs() / result.uncertain_at(point.known, false).u.hypot(then),
                    of_limit: by.abs() / lowest,
                });
            }
        }
        for point in found.iter().flat_map(|found| &found.points) {
            let by = point.before_ohm - point.after_ohm;
            let then = before.and_then(|b| b.u_ohm(point.known_ohm));
            drift.points.push(Moved {
                channel: None,
                index: point.index,
                by,
                sigmas: by.abs() / (point.within_ohm / 2.0).hypot(then.unwrap_or(0.0)),
                of_limit: by.abs() / point.known_ohm,
            });
        }
        drift.currents(new, channels, limits);
        drift.insulation(new, found, points, limits);
        drift
    }

    fn currents(&mut self, new: &Calibration, channels: &[ChannelResult], limits: &Limits<'_>) {
        let told = |channel| channels.iter().any(|c| c.channel == channel);
        let set = &limits.settings.current;
        for (what, limit, change) in [
            ("continuous current", set.continuous.above.0, false),
            ("ground-fault current", set.ground_fault.above.0, false),
            ("sudden change, lowest", set.sudden.low.above.0, true),
            ("sudden change, middle", set.sudden.middle.above.0, true),
            ("sudden change, highest", set.sudden.high.above.0, true),
        ] {
            if change && !set.sudden.enabled {
                continue;
            }
            let set = f64::from(limit);
            let acted = [set, -set].map(|at| {
                let code = |channel| {
                    let s = scale(limits.in_force, channel);
                    at / f64::from(s.per_count) + f64::from(s.zero)
                };
                let inside = |code: f64| {
                    code > f64::from(limits.in_force.rail_low)
                        && code < f64::from(limits.in_force.rail_high)
                };
                let channel = if inside(code(Channel::IFine)) {
                    Channel::IFine
                } else {
                    Channel::IWide
                };
                let (from, to) = (scale(limits.in_force, channel), scale(new, channel));
                let truly = if change {
                    at * f64::from(to.per_count) / f64::from(from.per_count)
                } else {
                    value(to, code(channel))
                };
                told(channel).then_some(truly.abs())
            });
            let worst = acted.into_iter().flatten().max_by(|a, b| {
                let off = |v: &f64| (v / set - 1.0).abs();
                off(a).total_cmp(&off(b))
            });
            if let Some(acted) = worst {
                self.limits.push(LimitMoved {
                    what,
                    set,
                    acted,
                    late: acted > set,
                });
            } else {
                self.untold.push(what);
            }
        }
    }

    fn insulation(
        &mut self,
        new: &Calibration,
        found: Option<&BridgeResult>,
        points: &[(Point, Seen)],
        limits: &Limits<'_>,
    ) {
        const WHAT: &str = "insulation, trip";
        // Poles alone move it too, yet half of what it hangs on is unknown without a resistor.
        if found.is_none() {
            self.untold.push(WHAT);
            return;
        }
        let array_v = points
            .iter()
            .find_map(|(_, seen)| match seen {
                Seen::Insulation(seen) => seen.first().map(|s| s.array_v),
                Seen::Codes(_) => None,
            })
            .unwrap_or(ARRAY_V);
        let read = |g: [f64; 2]| {
            let truly = bridge::ratios(g, bridge::values(&new.bridge));
            let shown = truly.map(|r| {
                bridge::through(
                    r,
                    array_v,
                    bridge::poles(new),
                    bridge::poles(limits.in_force),
                )
            });
            bridge::conductances(shown, bridge::values(&limits.in_force.bridge))
                .map(|g| 1.0 / (g[0] + g[1]))
        };
        let set = f64::from(limits.settings.insulation.trip_below.0);
        let worst = [At::Positive, At::Negative]
            .into_iter()
            .filter_map(|at| {
                // The resistance at which the board shows its limit: read is nearly proportional to what is there.
                let mut r = set;
                for _ in 0..20 {
                    let g = match at {
                        At::Positive => [1.0 / r, 0.0],
                        At::Negative => [0.0, 1.0 / r],
                    };
                    r *= set / read(g)?;
                }
                r.is_finite().then_some(r)
            })
            .max_by(|a, b| {
                let off = |v: &f64| (v / set - 1.0).abs();
                off(a).total_cmp(&off(b))
            });
        if let Some(acted) = worst {
            self.limits.push(LimitMoved {
                what: WHAT,
                set,
                acted,
                late: acted < set,
            });
        } else {
            self.untold.push(WHAT);
        }
    }

    /// The limit that was farthest off.
    pub fn worst(&self) -> Option<&LimitMoved> {
        self.limits
            .iter()
            .max_by(|a, b| a.percent().abs().total_cmp(&b.percent().abs()))
    }

    /// Anything moved by more than its uncertainty explains.
    pub fn is_clear(&self) -> bool {
        self.points.iter().any(|p| p.sigmas > CLEAR)
    }

    /// In a sentence; `since`: when the calibration in force was made, if ever.
    pub fn words(&self, since: Option<&str>) -> String {
        let Some(worst) = self.worst() else {
            return "nothing was measured that tells where a limit has acted".to_owned();
        };
        let (which_trips, untold) = if self.untold.is_empty() {
            ("all trips", String::new())
        } else {
            let untold = self.untold.join("; ");
            (
                "trips on these limits",
                format!(". Nothing is told of the others: {untold}"),
            )
        };
        let moved = if self.is_clear() {
            ""
        } else {
            "; nothing moved by more than twice its uncertainty"
        };
        let off = worst.percent();
        let unit = if worst.what.starts_with("insulation") {
            "Ω"
        } else {
            "A"
        };
        let since = since.map_or_else(|| "so far".to_owned(), |at| format!("since {at}"));
        let which = if worst.late { "later" } else { "sooner" };
        format!(
            "{which_trips} {since} were off by at most {:.2} %: {} acted at {} instead of {}, that is {which} than set{moved}{untold}",
            off.abs(),
            worst.what,
            words::si(worst.acted as f32, unit),
            words::si(worst.set as f32, unit),
        )
    }
}

fn lowest_current(limits: &Limits<'_>) -> f32 {
    let current = &limits.settings.current;
    let sudden = if current.sudden.enabled {
        current.sudden.low.above.0
    } else {
        f32::INFINITY
    };
    current.continuous.above.0.min(sudden)
}

/// Which known values a moved point is about.
pub fn about(point: &Point) -> String {
    match point.known {
        Known::Zero => "zero".to_owned(),
        _ => point.words(),
    }
}
