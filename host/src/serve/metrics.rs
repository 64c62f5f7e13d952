//! Numbers for a collector, in OpenMetrics 1.0 text.
//!
//! What is not measured has no sample: neither 0 nor NaN, and a series of its own says why. A bound is not a value either.

use super::State;
use super::api::{Params, Wrong};
use super::live::{Look, now_us};
use crate::now::{Quantity, Value};
use crate::store::{reason_word, state_word};
use axum::http::StatusCode;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use ohmward_proto::measure::TripState;
use prometheus_client::encoding::EncodeLabelSet;
use prometheus_client::encoding::text::encode;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::registry::{Registry, Unit};
use std::sync::Arc;
use std::sync::atomic::AtomicU64;

const TEXT: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

type Number = Gauge<f64, AtomicU64>;

#[derive(Clone, Hash, PartialEq, Eq, Debug, EncodeLabelSet)]
struct OfBoard {
    board: String,
}

#[derive(Clone, Hash, PartialEq, Eq, Debug, EncodeLabelSet)]
struct OfLimit {
    board: String,
    limit: &'static str,
}

#[derive(Clone, Hash, PartialEq, Eq, Debug, EncodeLabelSet)]
struct OfReason {
    board: String,
    reason: &'static str,
}

#[derive(Clone, Hash, PartialEq, Eq, Debug, EncodeLabelSet)]
struct OfState {
    board: String,
    state: &'static str,
}

#[derive(Clone, Hash, PartialEq, Eq, Debug, EncodeLabelSet)]
struct OfKind {
    board: String,
    kind: String,
}

const STATES: [TripState; 7] = [
    TripState::Resting,
    TripState::Closing,
    TripState::Closed,
    TripState::Opening,
    TripState::Latched,
    TripState::FailedToOpen,
    TripState::LockedOut,
];

/// `/metrics`
pub async fn metrics(state: State, params: Params) -> Result<Response, Wrong> {
    params.only(&[])?;
    let look = Arc::clone(&state.looks.borrow());
    let text = text(&look, now_us()).map_err(|fault| {
        Wrong::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            format!("the metrics could not be written: {fault}"),
        )
    })?;
    Ok(([(CONTENT_TYPE, TEXT)], text).into_response())
}

/// Everything, as it was at one look; ages at `now_us`.
pub fn text(look: &Look, now_us: i64) -> Result<String, std::fmt::Error> {
    let mut all = Registry::with_prefix("ohmward");
    let told = Told::new(&mut all);
    for (id, seen) in &look.boards {
        told.board(&id.to_string(), &seen.now, now_us, seen.urgency as u8);
    }
    for (board, kind, count) in look.counts.iter() {
        let board = board.to_string();
        if kind == "tripped" {
            let of = OfBoard {
                board: board.clone(),
            };
            told.trips.get_or_create(&of).inc_by(*count);
        }
        let of = OfKind {
            board,
            kind: kind.clone(),
        };
        told.events.get_or_create(&of).inc_by(*count);
    }
    told.recording.set(f64::from(u8::from(look.recording)));
    told.readable.set(f64::from(u8::from(look.error.is_none())));
    told.bytes.set(look.bytes as f64);
    let mut text = String::new();
    encode(&mut text, &all)?;
    Ok(text)
}

/// Every family.
struct Told {
    rms: Family<OfBoard, Number>,
    dc: Family<OfBoard, Number>,
    current_limit: Family<OfLimit, Number>,
    current_missing: Family<OfReason, Number>,
    insulation: Family<OfBoard, Number>,
    insulation_bound: Family<OfBoard, Number>,
    insulation_limit: Family<OfLimit, Number>,
    insulation_missing: Family<OfReason, Number>,
    positive: Family<OfBoard, Number>,
    negative: Family<OfBoard, Number>,
    state: Family<OfState, Number>,
    bond_open: Family<OfBoard, Number>,
    urgency: Family<OfBoard, Number>,
    age: Family<OfBoard, Number>,
    events: Family<OfKind, Counter>,
    trips: Family<OfBoard, Counter>,
    recording: Number,
    readable: Number,
    bytes: Number,
}

impl Told {
    fn new(all: &mut Registry) -> Self {
        let told = Self {
            rms: Family::default(),
            dc: Family::default(),
            current_limit: Family::default(),
            current_missing: Family::default(),
            insulation: Family::default(),
            insulation_bound: Family::default(),
            insulation_limit: Family::default(),
            insulation_missing: Family::default(),
            positive: Family::default(),
            negative: Family::default(),
            state: Family::default(),
            bond_open: Family::default(),
            urgency: Family::default(),
            age: Family::default(),
            events: Family::default(),
            trips: Family::default(),
            recording: Number::default(),
            readable: Number::default(),
            bytes: Number::default(),
        };
        let ohms = || Unit::Other("ohms".into());
        all.register_with_unit(
            "bond_current_rms",
            "RMS of the bond current, DC included, at the last reading; absent while not measured",
            Unit::Amperes,
            told.rms.clone(),
        );
        all.register_with_unit(
            "bond_current_dc",
            "Mean of the bond current, positive out of the array conductor into earth; absent while not measured",
            Unit::Amperes,
            told.dc.clone(),
        );
        all.register_with_unit(
            "bond_current_limit",
            "Trip level set on the board: continuous is of the RMS, ground-fault of the DC",
            Unit::Amperes,
            told.current_limit.clone(),
        );
        all.register(
            "bond_current_not_measured",
            "1 while there is no bond current, with the reason",
            told.current_missing.clone(),
        );
        all.register_with_unit(
            "insulation",
            "Insulation resistance of the whole array as last measured; absent while not measured or known as a bound only",
            ohms(),
            told.insulation.clone(),
        );
        all.register_with_unit(
            "insulation_at_least",
            "Bound that the insulation resistance is known to be above, where no value can be told from noise",
            ohms(),
            told.insulation_bound.clone(),
        );
        all.register_with_unit(
            "insulation_limit",
            "Levels set on the board: warn, trip, reset",
            ohms(),
            told.insulation_limit.clone(),
        );
        all.register(
            "insulation_not_measured",
            "1 while there is no insulation measurement, with the reason",
            told.insulation_missing.clone(),
        );
        all.register_with_unit(
            "positive_pole_to_earth",
            "Positive conductor to earth",
            Unit::Volts,
            told.positive.clone(),
        );
        all.register_with_unit(
            "negative_pole_to_earth",
            "Negative conductor to earth",
            Unit::Volts,
            told.negative.clone(),
        );
        all.register(
            "state",
            "1 for the state the trip logic is in, 0 for every other",
            told.state.clone(),
        );
        all.register(
            "bond_open",
            "1 while the bond is open: grounded conductors may stand at array voltage",
            told.bond_open.clone(),
        );
        all.register(
            "urgency",
            "The worst there is to know: 0 watching, 1 waiting, 2 look at it, 3 danger",
            told.urgency.clone(),
        );
        all.register_with_unit(
            "reading_age",
            "Since the last reading; absent before the first",
            Unit::Seconds,
            told.age.clone(),
        );
        all.register("events", "Events kept, by kind", told.events.clone());
        all.register("trips", "Trips kept", told.trips.clone());
        all.register(
            "recording",
            "1 while a recorder holds the store",
            told.recording.clone(),
        );
        all.register(
            "store_readable",
            "1 when the last look at the store succeeded; with 0 every other number is old",
            told.readable.clone(),
        );
        all.register_with_unit(
            "store_size",
            "Size of the store's folder",
            Unit::Bytes,
            told.bytes.clone(),
        );
        told
    }

    fn board(&self, board: &str, now: &crate::now::BoardNow, now_us: i64, urgency: u8) {
        let of = OfBoard {
            board: board.to_owned(),
        };
        self.urgency.get_or_create(&of).set(f64::from(urgency));
        if let Some(set) = &now.settings {
            let limits = [
                (
                    &self.current_limit,
                    "continuous",
                    set.current.continuous.above.0,
                ),
                (
                    &self.current_limit,
                    "ground-fault",
                    set.current.ground_fault.above.0,
                ),
                (&self.insulation_limit, "warn", set.insulation.warn_below.0),
                (&self.insulation_limit, "trip", set.insulation.trip_below.0),
                (
                    &self.insulation_limit,
                    "reset",
                    set.insulation.reset_above.0,
                ),
            ];
            for (family, limit, level) in limits {
                let board = board.to_owned();
                let of = OfLimit { board, limit };
                family.get_or_create(&of).set(plain(level));
            }
        }
        let Some(last) = &now.last else {
            return;
        };
        let reading = &last.reading;
        if let Some(age_us) = now.age_us(now_us) {
            self.age.get_or_create(&of).set(age_us as f64 * 1e-6);
        }
        for state in STATES {
            let is = f64::from(u8::from(state == reading.state));
            let of = OfState {
                board: board.to_owned(),
                state: state_word(state),
            };
            self.state.get_or_create(&of).set(is);
        }
        self.bond_open
            .get_or_create(&of)
            .set(f64::from(u8::from(reading.bond_open)));
        for (quantity, family) in [
            (Quantity::CurrentRms, &self.rms),
            (Quantity::CurrentDc, &self.dc),
            (Quantity::Insulation, &self.insulation),
            (Quantity::PositivePole, &self.positive),
            (Quantity::NegativePole, &self.negative),
        ] {
            match quantity.of(reading) {
                Value::Is(value) if value.is_finite() => {
                    family.get_or_create(&of).set(plain(value));
                }
                Value::AtLeast(bound) if bound.is_finite() => {
                    self.insulation_bound.get_or_create(&of).set(plain(bound));
                }
                Value::Missing(Some(why)) => {
                    let missing = match quantity {
                        Quantity::CurrentRms => &self.current_missing,
                        Quantity::Insulation => &self.insulation_missing,
                        _ => continue,
                    };
                    let of = OfReason {
                        board: board.to_owned(),
                        reason: reason_word(why),
                    };
                    missing.get_or_create(&of).set(1.0);
                }
                _ => {}
            }
        }
    }
}

/// As many digits as the value had: 0.3, not 0.30000001192092896.
fn plain(value: f32) -> f64 {
    value.to_string().parse().unwrap_or(f64::from(value))
}
