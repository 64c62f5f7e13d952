//! Readings over a time as columns: rows where the time is short, else roll-ups, each bucket with its spread.

use super::{Params, Part, Wrong, known_board, read};
use crate::now;
use crate::serve::State;
use crate::store::{Level, Quantity, Rollup, Spread, Store, StoreError, state_word};
use axum::Json;
use ohmward_proto::Insulation;
use ohmward_proto::measure::TripState;
use ohmward_proto::message::BoardId;
use serde::Serialize;
use std::ops::Range;

/// Points where none are asked for: about as many as a screen has columns.
const POINTS: usize = 1200;
const POINTS_MOST: usize = 5000;
const MINUTE_US: i64 = 60_000_000;
const HOUR_US: i64 = 60 * MINUTE_US;
const DAY_US: i64 = 24 * HOUR_US;

/// Bucket lengths, and the roll-ups each is put together from. Between an hour and a day there is none: day and night in turn
/// would fill a picture with their zigzag.
const STEPS: [(i64, Level); 5] = [
    (MINUTE_US, Level::Minute),
    (5 * MINUTE_US, Level::Minute),
    (15 * MINUTE_US, Level::Minute),
    (HOUR_US, Level::Hour),
    (DAY_US, Level::Day),
];

/// Quantities that are told, and the name of each in JSON.
const TOLD: [Quantity; 6] = [
    Quantity::BondRms,
    Quantity::BondDc,
    Quantity::RIso,
    Quantity::VPos,
    Quantity::VNeg,
    Quantity::C,
];

/// One quantity: `value` of rows; the others of buckets.
#[derive(Default, Serialize)]
struct Column {
    #[serde(skip_serializing_if = "Vec::is_empty")]
    value: Vec<Option<f32>>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    min: Vec<Option<f32>>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    q05: Vec<Option<f32>>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    median: Vec<Option<f32>>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    q95: Vec<Option<f32>>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    max: Vec<Option<f32>>,
}

/// The answer. Every column is as long as `t_us`; where the record has a gap, one entry of nulls stands in it.
#[derive(Default, Serialize)]
pub struct Columns {
    board: String,
    from_us: i64,
    to_us: i64,
    /// "readings", "extremes of readings" or "roll-ups".
    made_of: &'static str,
    /// Length of a bucket; 0 for readings.
    step_us: i64,
    /// Readings, or middles of buckets.
    t_us: Vec<i64>,
    i_rms_a: Column,
    i_dc_a: Column,
    /// A bound is not among the values of readings; among those of roll-ups it counts as the value.
    r_iso_ohm: Column,
    /// "At least", of readings.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    r_iso_at_least_ohm: Vec<Option<f32>>,
    v_pos_v: Column,
    v_neg_v: Column,
    c_f: Column,
    /// Share of readings without a value, 0 to 1; null where there is no reading.
    i_not_measured_share: Vec<Option<f32>>,
    r_iso_not_measured_share: Vec<Option<f32>>,
    /// Place in `states` of the state that a person must see most.
    state: Vec<Option<u8>>,
    states: Vec<&'static str>,
}

/// `/api/boards/{board}/readings`
pub async fn readings(
    state: State,
    Part(name): Part<String>,
    params: Params,
) -> Result<Json<Columns>, Wrong> {
    params.only(&["from", "to", "points"])?;
    let board = known_board(&state.looks.borrow(), &name)?;
    let (from_us, to_us) = (params.moment("from")?, params.moment("to")?);
    let points = params.count("points", POINTS, POINTS_MOST)?;
    let answer = read(&state, move |store| {
        let span = store.span(board)?.unwrap_or((0, 0));
        let range = from_us.unwrap_or(span.0)..to_us.unwrap_or(span.1.saturating_add(1));
        if range.start >= range.end {
            return Err(Wrong::asked(format!(
                "from={} is not before to={}: exchange them",
                range.start, range.end
            )));
        }
        Ok(columns(store, board, range, points)?)
    });
    Ok(Json(answer.await?))
}

/// Every reading where `range` (Unix microseconds) holds about `points` or fewer; else buckets, at most `points` of them where days
/// are fine enough for that.
pub fn columns(
    store: &Store,
    board: BoardId,
    range: Range<i64>,
    points: usize,
) -> Result<Columns, StoreError> {
    let every_ms = store
        .settings(board)?
        .map_or(1000, |set| set.reading_every_ms.max(1));
    // Never further than there is something: "from the beginning of time" costs nothing.
    let told = store.span(board)?.map_or(range.clone(), |(first, last)| {
        range.start.max(first)..range.end.min(last.saturating_add(1))
    });
    let width_us = told.end.saturating_sub(told.start);
    let rows = width_us / (i64::from(every_ms) * 1000);
    let mut answer = Columns {
        board: board.to_string(),
        from_us: range.start,
        to_us: range.end,
        ..Columns::default()
    };
    if told.start >= told.end {
        answer.made_of = "readings";
        return Ok(answer);
    }
    if rows <= 2 * points as i64 {
        answer.take_rows(store, board, told, 2 * points)?;
        return Ok(answer);
    }
    let (step_us, level) = STEPS
        .into_iter()
        .find(|(step_us, _)| width_us / step_us < points as i64)
        .unwrap_or(STEPS[STEPS.len() - 1]);
    let whole = told.start.div_euclid(step_us) * step_us..told.end;
    answer.take_rollups(store.rollups(board, level, whole)?, step_us, level);
    Ok(answer)
}

impl Columns {
    fn take_rows(
        &mut self,
        store: &Store,
        board: BoardId,
        range: Range<i64>,
        at_most: usize,
    ) -> Result<(), StoreError> {
        let readings = store.readings(board, range, at_most)?;
        self.made_of = if readings.stored > readings.rows.len() as u64 {
            "extremes of readings"
        } else {
            "readings"
        };
        for row in &readings.rows {
            self.gap_before(row.t_us, readings.spacing_us);
            self.t_us.push(row.t_us);
            for quantity in TOLD {
                let value = match shown(quantity).of(&row.reading) {
                    now::Value::Is(value) => Some(value).filter(|value| value.is_finite()),
                    now::Value::AtLeast(_) | now::Value::Missing(_) => None,
                };
                self.column(quantity).value.push(value);
            }
            self.r_iso_at_least_ohm
                .push(match now::Quantity::Insulation.of(&row.reading) {
                    now::Value::AtLeast(bound) => Some(bound),
                    _ => None,
                });
            let missing = |is: bool| Some(f32::from(u8::from(is)));
            let current = now::Quantity::CurrentRms.of(&row.reading);
            self.i_not_measured_share
                .push(missing(matches!(current, now::Value::Missing(_))));
            self.r_iso_not_measured_share.push(missing(matches!(
                row.reading.insulation,
                Insulation::NotMeasured { .. }
            )));
            self.push_state(Some(row.reading.state));
        }
        Ok(())
    }

    /// By time, each of `level`'s length; merged into buckets of `step_us`.
    fn take_rollups(&mut self, rollups: Vec<(i64, Rollup)>, step_us: i64, level: Level) {
        self.made_of = "roll-ups";
        self.step_us = step_us;
        let mut buckets: Vec<(i64, Rollup)> = Vec::new();
        for (start_us, rollup) in rollups {
            let bucket_us = start_us.div_euclid(step_us) * step_us;
            match buckets.last_mut() {
                Some((last_us, into)) if *last_us == bucket_us => into.merge(&rollup),
                _ => buckets.push((bucket_us, rollup)),
            }
        }
        // Readings may be further apart than a bucket is long.
        let mut steps: Vec<i64> = buckets
            .windows(2)
            .map(|pair| pair[1].0 - pair[0].0)
            .collect();
        let middle = steps.len() / 2;
        let usual_us = match steps.as_mut_slice() {
            [] => step_us,
            steps => *steps.select_nth_unstable(middle).1,
        };
        let spacing_us = if usual_us == step_us {
            step_us
        } else {
            3 * usual_us
        };
        let mut standing: [Option<Spread>; 2] = [None, None];
        for (start_us, bucket) in &buckets {
            self.gap_before(start_us + step_us / 2, spacing_us);
            self.t_us.push(start_us + step_us / 2);
            let share = bucket.insulation_missing_share();
            for quantity in TOLD {
                let mut spread = bucket.of(quantity);
                // A measurement is made every half hour or so, and readings repeat it until the next: so does the column, as
                // long as there are readings that do.
                let repeated = match quantity {
                    Quantity::RIso => standing.first_mut(),
                    Quantity::C => standing.last_mut(),
                    _ => None,
                };
                if let (Some(repeated), false) = (repeated, level == Level::Day) {
                    if spread.count() > 0 {
                        *repeated = Some(last_of(spread));
                    } else if share.is_none_or(|share| share >= 1.0) {
                        *repeated = None;
                    } else if let Some(repeated) = repeated {
                        spread = repeated;
                    }
                }
                self.column(quantity).push(quantity, spread);
            }
            let short = |share: Option<f64>| share.map(|share| (share * 1e4).round() as f32 / 1e4);
            self.i_not_measured_share
                .push(short(bucket.current_missing_share()));
            self.r_iso_not_measured_share.push(short(share));
            self.push_state(bucket.worst);
        }
    }

    fn gap_before(&mut self, t_us: i64, spacing_us: i64) {
        let Some(last_us) = self.t_us.last().copied() else {
            return;
        };
        if t_us - last_us <= spacing_us {
            return;
        }
        self.t_us.push(last_us + (t_us - last_us) / 2);
        let is_rows = self.step_us == 0;
        for quantity in TOLD {
            let column = self.column(quantity);
            if is_rows {
                column.value.push(None);
            } else {
                column.push(quantity, &Spread::default());
            }
        }
        if is_rows {
            self.r_iso_at_least_ohm.push(None);
        }
        self.i_not_measured_share.push(None);
        self.r_iso_not_measured_share.push(None);
        self.state.push(None);
    }

    fn push_state(&mut self, state: Option<TripState>) {
        let place = state.map(|state| {
            let word = state_word(state);
            let known = self.states.iter().position(|known| *known == word);
            known.unwrap_or_else(|| {
                self.states.push(word);
                self.states.len() - 1
            }) as u8
        });
        self.state.push(place);
    }

    fn column(&mut self, quantity: Quantity) -> &mut Column {
        match quantity {
            Quantity::BondRms => &mut self.i_rms_a,
            Quantity::BondDc => &mut self.i_dc_a,
            Quantity::VPos => &mut self.v_pos_v,
            Quantity::VNeg => &mut self.v_neg_v,
            Quantity::C => &mut self.c_f,
            Quantity::RIso | Quantity::GPos | Quantity::GNeg => &mut self.r_iso_ohm,
        }
    }
}

impl Column {
    fn push(&mut self, quantity: Quantity, spread: &Spread) {
        let value = |steps: Option<i64>| steps.map(|steps| short(quantity.value(steps as f64)));
        self.min.push(value(spread.min()));
        self.q05.push(value(spread.quantile(0.05)));
        self.median.push(value(spread.quantile(0.5)));
        self.q95.push(value(spread.quantile(0.95)));
        self.max.push(value(spread.max()));
    }
}

/// What a gauge calls it.
fn shown(quantity: Quantity) -> now::Quantity {
    match quantity {
        Quantity::BondRms => now::Quantity::CurrentRms,
        Quantity::BondDc => now::Quantity::CurrentDc,
        Quantity::VPos => now::Quantity::PositivePole,
        Quantity::VNeg => now::Quantity::NegativePole,
        Quantity::C => now::Quantity::Capacitance,
        Quantity::RIso | Quantity::GPos | Quantity::GNeg => now::Quantity::Insulation,
    }
}

/// What goes on standing after a bucket: its median alone, for which of its values was the last is not kept.
fn last_of(spread: &Spread) -> Spread {
    let mut last = Spread::default();
    if let Some(median) = spread.quantile(0.5) {
        last.add(median);
    }
    last
}

/// Five digits: finer than any picture, and half as long.
fn short(value: f64) -> f32 {
    if value == 0.0 || !value.is_finite() {
        return value as f32;
    }
    let scale = 10_f64.powf(4.0 - value.abs().log10().floor());
    ((value * scale).round() / scale) as f32
}
