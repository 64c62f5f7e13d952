//! Time without a measurement. Of every reading: exact stretches over the whole panel. Of roll-ups: a strip below the panel with
//! the share of each column, and only a column without any value is shaded whole; so a check of seconds is never drawn as a day.

use super::data::{OverviewData, SpellKind};
use crate::chart::canvas::{Area, Canvas, Drawn, Entry, Side, Swatch};
use crate::chart::colour;
use crate::chart::columns::Shares;
use crate::chart::time_axis::TimeAxis;
use crate::store::Rollup;
use crate::words;
use ohmward_proto::measure::NotMeasured;
use plotters::prelude::*;
use std::collections::BTreeMap;

/// Height of the strip of shares, and of what lies between it and its panel.
pub const STRIP: i32 = 20;
pub const STRIP_GAP: i32 = 4;
/// A column with less of its time measured than this is shaded.
const HARDLY: f64 = 0.005;
/// Reasons named in a legend.
const NAMED: usize = 3;

/// Which of the two panels.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Of {
    Current,
    Insulation,
}

fn missing(of: Of, rollup: &Rollup) -> &[(NotMeasured, u64)] {
    match of {
        Of::Current => &rollup.current_missing,
        Of::Insulation => &rollup.insulation_missing,
    }
}

fn shares(data: &OverviewData, of: Of) -> Vec<Shares> {
    data.columns()
        .map(|columns| columns.shares(&data.range, |rollup| missing(of, rollup)))
        .unwrap_or_default()
}

/// Behind the data.
pub fn panel<B: DrawingBackend>(
    canvas: &Canvas<B>,
    data: &OverviewData,
    axis: &TimeAxis,
    area: Area,
    of: Of,
) -> Drawn {
    let between = |from_us: i64, to_us: i64| {
        let left = axis.x(from_us);
        Area {
            left,
            right: axis.x(to_us).max(left + 1),
            ..area
        }
    };
    let spells = match of {
        Of::Current => data.current_spells(),
        Of::Insulation => data.insulation_spells(),
    };
    for spell in spells {
        spot(canvas, between(spell.from_us, spell.to_us), spell.kind)?;
    }
    // Whole columns, neighbours of a kind as one.
    let whole: Vec<(Shares, SpellKind)> = shares(data, of)
        .into_iter()
        .filter_map(|share| {
            let least = share.dark + share.other + share.absent;
            let kind = match share.reasons.first() {
                _ if least < 1.0 - HARDLY => return None,
                _ if share.absent >= share.dark.max(share.other) => SpellKind::NoRecord,
                Some((why, _)) if share.other > share.dark => SpellKind::Other(*why),
                _ => SpellKind::Dark,
            };
            Some((share, kind))
        })
        .collect();
    for piece in whole
        .chunk_by(|(a, kind), (b, other)| a.span.end == b.span.start && fill(*kind) == fill(*other))
    {
        if let [(first, kind), ..] = piece {
            let to_us = piece
                .last()
                .map_or(first.span.end, |(last, _)| last.span.end);
            spot(canvas, between(first.span.start, to_us), *kind)?;
        }
    }
    Ok(())
}

fn fill(kind: SpellKind) -> RGBColor {
    match kind {
        SpellKind::Dark => colour::DARK,
        SpellKind::Other(_) | SpellKind::Stale => colour::UNSEEN,
        SpellKind::NoRecord => colour::NO_RECORD,
    }
}

fn spot<B: DrawingBackend>(canvas: &Canvas<B>, area: Area, kind: SpellKind) -> Drawn {
    // A hatched sliver is a blot.
    if kind == SpellKind::NoRecord && area.right - area.left >= 5 {
        canvas.hatch(area, colour::NO_RECORD, colour::NO_RECORD_STROKE)
    } else {
        canvas.fill(area, fill(kind))
    }
}

/// The strip below a panel, of roll-ups: what was not measured from below, measured white.
pub fn strip<B: DrawingBackend>(
    canvas: &Canvas<B>,
    data: &OverviewData,
    axis: &TimeAxis,
    panel: Area,
    of: Of,
) -> Drawn {
    if data.columns().is_none() {
        return Ok(());
    }
    let area = Area {
        top: panel.bottom + STRIP_GAP,
        bottom: panel.bottom + STRIP_GAP + STRIP,
        ..panel
    };
    canvas.fill(area, colour::WHITE)?;
    let shares = shares(data, of);
    let mut below = vec![0.0; shares.len()];
    for (colour, value) in [
        (
            colour::DARK_STRIP,
            (|share: &Shares| share.dark) as fn(&Shares) -> f64,
        ),
        (colour::UNSEEN_STROKE, |share| share.other),
        (colour::NO_RECORD_STROKE, |share| share.absent),
    ] {
        let mut stretches = Vec::new();
        for (share, below) in shares.iter().zip(&mut below) {
            let value = value(share);
            let y = |share: f64| area.bottom - (share * f64::from(STRIP)).round() as i32;
            let (bottom, top) = (y(*below), y(*below + value));
            *below += value;
            if top < bottom {
                let left = axis.x(share.span.start);
                let right = axis.x(share.span.end).max(left + 1);
                stretches.push((left, right, top, bottom));
            }
        }
        canvas.band(&stretches, colour)?;
    }
    canvas.frame(area, colour::QUIET)?;
    let middle = i32::midpoint(area.top, area.bottom);
    canvas.text(
        "no value",
        (area.left - 10, middle),
        Side::Right,
        colour::INK,
    )?;
    let total = |value: fn(&Shares) -> f64| -> f64 {
        let length = |share: &Shares| (share.span.end - share.span.start) as f64;
        let all: f64 = shares.iter().map(length).sum();
        shares.iter().map(|s| value(s) * length(s)).sum::<f64>() / all.max(1.0)
    };
    let words = format!(
        "{:.0} % of time measured",
        100.0 * (1.0 - total(|s| s.dark + s.other + s.absent))
    );
    canvas.small(&words, (area.right + 16, middle), Side::Left, colour::INK)
}

/// Legend entries for what occurs.
pub fn entries(data: &OverviewData, of: Of) -> Vec<Entry> {
    // By words, and how much of each.
    let mut reasons: BTreeMap<String, u64> = BTreeMap::new();
    let (mut dark, mut absent) = (false, false);
    let is_columns = data.columns().is_some();
    if is_columns {
        for share in shares(data, of) {
            // Less than a pixel of the strip does not show.
            let seen = 0.5 / f64::from(STRIP);
            dark |= share.dark > seen;
            absent |= share.absent > seen;
            if share.other > seen {
                for (why, count) in share.reasons {
                    *reasons.entry(words::not_measured_short(why)).or_default() += count;
                }
            }
        }
    } else {
        let spells = match of {
            Of::Current => data.current_spells(),
            Of::Insulation => data.insulation_spells(),
        };
        for spell in spells {
            let length = spell.to_us.abs_diff(spell.from_us);
            match spell.kind {
                SpellKind::Dark => dark = true,
                SpellKind::NoRecord => absent = true,
                SpellKind::Stale => {
                    *reasons.entry("none was due or done".into()).or_default() += length;
                }
                SpellKind::Other(why) => {
                    *reasons.entry(words::not_measured_short(why)).or_default() += length;
                }
            }
        }
    }
    let mut entries = Vec::new();
    if dark {
        let shade = if is_columns {
            colour::DARK_STRIP
        } else {
            colour::DARK
        };
        entries.push(Entry::new(Swatch::Area(shade), "not measured: array dark"));
    }
    if !reasons.is_empty() {
        let mut reasons: Vec<(String, u64)> = reasons.into_iter().collect();
        reasons.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
        let mut words: Vec<&str> = reasons.iter().take(NAMED).map(|(w, _)| &w[..]).collect();
        if reasons.len() > NAMED {
            words.push("…");
        }
        let shade = if is_columns {
            colour::UNSEEN_STROKE
        } else {
            colour::UNSEEN
        };
        entries.push(Entry::new(
            Swatch::Area(shade),
            format!("not measured: {}", words.join(", ")),
        ));
    }
    if absent {
        entries.push(Entry::new(
            Swatch::Hatched(colour::NO_RECORD, colour::NO_RECORD_STROKE),
            "nothing recorded",
        ));
    }
    entries
}
