//! The present of a board for a machine: what `watch --once --json` prints and what the page is sent.

use super::{BoardNow, Gauge, Value, Verdict};
use crate::link::LinkReport;
use crate::store::{event_kind_word, reason_word, state_word};
use crate::words;
use serde_json::json;

/// One object a board.
#[must_use]
pub fn json(board: &BoardNow, now_us: i64) -> serde_json::Value {
    let concerns = board.concerns(now_us);
    json!({
        "board": board.board.to_string(),
        "now_us": now_us,
        "t_us": board.last.map(|last| last.t_us),
        "state": board.last.map(|last| state_word(last.reading.state)),
        "bond_open": board.last.map(|last| last.reading.bond_open),
        "urgency": concerns.first().map(|worst| worst.urgency.word()),
        "concerns": concerns.iter().map(|concern| json!({
            "urgency": concern.urgency.word(),
            "words": concern.words,
            "since_us": concern.since_us,
        })).collect::<Vec<_>>(),
        "gauges": board.gauges().iter().map(gauge_json).collect::<Vec<_>>(),
        "silent": board.is_silent(now_us),
        "measurement_age_us": board.measurement_age_us(),
        "boot": board.run.as_ref().map(|run| run.boot),
        "firmware": board.run.as_ref().map(|run| run.firmware.clone()),
        "events": board.events.iter().rev().map(|stored| json!({
            "t_us": stored.t_us,
            "boot": stored.event.id.boot,
            "seq": stored.event.id.seq,
            "id": stored.event.id.to_string(),
            "kind": event_kind_word(&stored.event.kind),
            "words": words::event(&stored.event.kind, board.run.as_ref().map(|run| run.sample_rate_hz)),
            "waveform": board.waveforms.contains(&stored.event.id),
        })).collect::<Vec<_>>(),
        "line": board.line.as_ref().map(line_json),
    })
}

fn gauge_json(gauge: &Gauge) -> serde_json::Value {
    let (value, at_least, why) = match gauge.value {
        Value::Is(x) => (Some(x), None, None),
        Value::AtLeast(x) => (None, Some(x), None),
        Value::Missing(why) => (None, None, Some(why.map_or("not-measured", reason_word))),
    };
    let level = |level| words::si(level, gauge.quantity.unit());
    json!({
        "name": gauge.quantity.name(),
        "unit": gauge.quantity.unit(),
        "value": value,
        "at_least": at_least,
        "not_measured": why,
        "warn": gauge.warn,
        "trip": gauge.trip,
        "warn_words": gauge.warn.map(level),
        "trip_words": gauge.trip.map(level),
        "used": gauge.used(),
        "words": gauge.words(),
        "verdict": gauge.verdict().word(),
    })
}

fn line_json(report: &LinkReport) -> serde_json::Value {
    json!({
        "frames": report.received.messages,
        "damaged": report.received.bad_crc + report.received.bad_form,
        "round_trip_least_us": report.round_trip_us.map(|(least, _)| least),
        "drift_ppm": report.drift.map(|(drift, _)| drift * 1e6),
        "events_sent_again": report.board.map(|board| board.events_resent),
    })
}

impl Verdict {
    /// As JSON says it.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Within => "within",
            Self::NoLimit => "no-limit",
            Self::Unknown => "unknown",
            Self::Warned => "warned",
            Self::Beyond => "beyond",
        }
    }
}
