//! Events → marks with short labels, in lanes above a panel, so that no label covers another.

use super::colour;
use crate::words::{self, cause_short, refusal, si};
use ohmward_proto::EventKind;
use ohmward_proto::event::FaultSide;
use ohmward_proto::measure::{FaultPlace, Pole};
use plotters::style::RGBColor;

/// How an event is shown.
#[derive(Clone, PartialEq, Debug)]
pub struct Mark {
    pub x: i32,
    pub text: String,
    pub colour: RGBColor,
    /// Smaller is placed first.
    pub rank: u8,
}

/// Words, colour and rank of an event; `None` for what the contactor strip and the shading show already.
pub fn wording(kind: &EventKind) -> Option<(String, RGBColor, u8)> {
    let quiet = |text: &str| Some((text.to_owned(), colour::QUIET, 5));
    match kind {
        EventKind::Connected
        | EventKind::Rested
        | EventKind::Opened { .. }
        | EventKind::InsulationNotMeasured(_) => None,
        EventKind::Tripped { cause, .. } => {
            Some((format!("tripped: {}", cause_short(cause)), colour::TRIP, 1))
        }
        EventKind::FailedToOpen => Some(("failed to open".into(), colour::FAILED, 0)),
        EventKind::OpenedLate { .. } => Some(("opened late".into(), colour::FAILED, 1)),
        EventKind::FailedToClose => Some(("failed to close".into(), colour::FAILED, 2)),
        EventKind::SensorLost(channel) => Some((
            format!("sensor lost: {}", words::channel(*channel)),
            colour::TRIP,
            2,
        )),
        EventKind::SensorBack(_) => quiet("sensor back"),
        EventKind::InsulationWarning { r, pole } => {
            let pole = match pole {
                Pole::Undecided => "",
                Pole::Positive => ", + pole",
                Pole::Negative => ", − pole",
            };
            let text = format!("insulation warning {}{pole}", si(r.0, "Ω"));
            Some((text, colour::WARN, 2))
        }
        EventKind::InsulationRecovered { .. } => {
            Some(("insulation recovered".into(), colour::RESET, 4))
        }
        EventKind::FaultPlaced {
            place: FaultPlace::At { fraction, .. },
            ..
        } => quiet(&format!("fault at {:.0} % of the string", fraction * 100.0)),
        EventKind::FaultPlaced {
            place: FaultPlace::CannotTell(_),
            ..
        } => None,
        EventKind::Reset => Some(("reset".into(), colour::RESET, 3)),
        EventKind::ResetRefused(why) => {
            // What to do about it stands in the event list.
            let why = refusal(*why).split(';').next().unwrap_or_default();
            let text = format!("reset refused: {why}");
            Some((text, colour::WARN, 3))
        }
        EventKind::Surge { peak, .. } => Some((
            format!("surge {} or more", si(peak.0, "A")),
            colour::MINUS,
            4,
        )),
        EventKind::EventsLost { count } => Some((format!("{count} events lost"), colour::TRIP, 2)),
        EventKind::SuddenUnwatched => quiet("sudden changes unwatched"),
        EventKind::SuddenWatched => quiet("watched again"),
        EventKind::SelfTestPassed { .. } => None,
        EventKind::ZeroDrifted { zero } => Some((
            format!("sensor zero drifted to {}", si(zero.0, "A")),
            colour::WARN,
            3,
        )),
        EventKind::SelfTestFailed(_) => Some(("self-test failed".into(), colour::TRIP, 2)),
        EventKind::MemoryFailed(_) => Some(("board memory failed".into(), colour::WARN, 3)),
        EventKind::MemoryWorks => quiet("board memory works"),
        EventKind::LockedOut { .. } => Some(("locked out".into(), colour::TRIP, 1)),
        EventKind::FaultSide {
            side: FaultSide::Bonded,
            ..
        } => Some(("on the grounded conductor".into(), colour::TRIP, 2)),
        EventKind::FaultSide {
            side: FaultSide::Other,
            ..
        } => None,
        EventKind::FuseStrained { .. } => Some(("look at the fuse".into(), colour::WARN, 3)),
        EventKind::Started { .. } => quiet("start"),
        EventKind::SettingsApplied { .. } => quiet("new settings"),
    }
}

/// A label in its place: lane 0 is next to the panel; the text ends (`flipped`) or begins at the mark.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Place {
    pub lane: i32,
    pub flipped: bool,
}

/// Finds places for the labels of `marks` (with their `widths`) within `left..right`; `None` where there is no room left.
///
/// A label needs its own stretch of a lane, and its stem down to the panel must cross no other label.
pub fn place(
    marks: &[Mark],
    widths: &[i32],
    lanes: i32,
    (left, right): (i32, i32),
) -> Vec<Option<Place>> {
    const ROOM: i32 = 8;
    let mut order: Vec<usize> = (0..marks.len()).collect();
    order.sort_by_key(|&k| (marks[k].rank, k));
    let mut places: Vec<Option<Place>> = vec![None; marks.len()];
    let mut taken: Vec<(i32, i32, i32, i32)> = Vec::new(); // lane, from, to, stem
    for k in order {
        let x = marks[k].x;
        let span = |flipped: bool| {
            if flipped {
                (x - widths[k] - ROOM, x + 2)
            } else {
                (x - 2, x + widths[k] + ROOM)
            }
        };
        // A label bars the lanes above it to the marks it stands over: least of that first, then near to the panel.
        let cost = |&(lane, flipped): &(i32, bool)| {
            let (from, to) = span(flipped);
            let over = marks
                .iter()
                .filter(|other| (other.x - x).abs() > 4 && (from..=to).contains(&other.x));
            over.count() as i32 * (lanes - 1 - lane) * 10 + lane
        };
        let mut choices: Vec<(i32, bool)> = (0..lanes)
            .flat_map(|lane| [(lane, false), (lane, true)])
            .collect();
        choices.sort_by_key(cost);
        for (lane, flipped) in choices {
            let (from, to) = span(flipped);
            let fits = from >= left
                && to <= right
                && taken.iter().all(|&(other, a, b, stem)| {
                    // Marks in the same place share a stem, with their labels in a stack beside it.
                    let crosses = |stem: i32, a: i32, b: i32, own: i32| {
                        (stem - own).abs() > 4 && stem > a - 4 && stem < b + 4
                    };
                    match lane.cmp(&other) {
                        std::cmp::Ordering::Equal => to < a || from > b,
                        std::cmp::Ordering::Greater => !crosses(x, a, b, stem),
                        std::cmp::Ordering::Less => !crosses(stem, from, to, x),
                    }
                });
            if fits {
                taken.push((lane, from, to, x));
                places[k] = Some(Place { lane, flipped });
                break;
            }
        }
    }
    places
}

/// Like neighbours become one mark: "surge ×12".
pub fn joined(mut marks: Vec<Mark>) -> Vec<Mark> {
    marks.sort_by_key(|mark| mark.x);
    let mut groups: Vec<(Mark, usize)> = Vec::new();
    for mark in marks {
        let kind = |mark: &Mark| mark.text.split([':', ' ']).next().map(str::to_owned);
        let like = groups
            .iter_mut()
            .rev()
            .take_while(|(group, _)| mark.x - group.x <= 8)
            .find(|(group, _)| group.colour == mark.colour && kind(group) == kind(&mark));
        match like {
            Some((_, count)) => *count += 1,
            None => groups.push((mark, 1)),
        }
    }
    groups
        .into_iter()
        .map(|(mut mark, count)| {
            if count > 1 {
                mark.text = format!(
                    "{} ×{count}",
                    mark.text.split(':').next().unwrap_or_default()
                );
            }
            mark
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mark(x: i32, rank: u8) -> Mark {
        Mark {
            x,
            text: "surge 2 A".into(),
            colour: colour::MINUS,
            rank,
        }
    }

    #[test]
    fn labels_never_overlap_and_the_weighty_ones_are_placed_first() {
        let marks: Vec<Mark> = (0..40)
            .map(|k| mark(100 + k * 20, if k == 39 { 0 } else { 4 }))
            .collect();
        let widths = vec![150; marks.len()];
        let places = place(&marks, &widths, 3, (100, 1000));
        assert!(places[39].is_some());
        let spans: Vec<(i32, i32, i32)> = places
            .iter()
            .zip(&marks)
            .filter_map(|(place, mark)| place.map(|place| (place, mark.x)))
            .map(|(place, x)| {
                if place.flipped {
                    (place.lane, x - 150, x)
                } else {
                    (place.lane, x, x + 150)
                }
            })
            .collect();
        assert!(spans.len() >= 5, "{spans:?}");
        for (k, a) in spans.iter().enumerate() {
            for b in &spans[k + 1..] {
                assert!(a.0 != b.0 || a.2 < b.1 || b.2 < a.1, "{a:?} {b:?}");
            }
        }
    }

    #[test]
    fn like_neighbours_are_counted() {
        let mut other = mark(13, 3);
        other.text = "reset".into();
        let joined = joined(vec![mark(10, 4), mark(12, 4), other, mark(500, 4)]);
        let texts: Vec<&str> = joined.iter().map(|mark| mark.text.as_str()).collect();
        assert_eq!(texts, ["surge 2 A ×2", "reset", "surge 2 A"]);
    }
}
