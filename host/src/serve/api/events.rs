//! What happened, and the waveforms captured then.

use super::{Params, Part, Wrong, known_board, read};
use crate::chart::{ChartError, WaveformData};
use crate::export::wires::Wires;
use crate::serve::State;
use crate::store::{EventFilter, Store, StoredEvent, event_kind_word, event_kind_words};
use crate::words;
use axum::Json;
use ohmward_proto::message::BoardId;
use ohmward_proto::{EventId, EventKind, SampleIndex, Settings};
use serde::Serialize;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};

const LIMIT: usize = 200;
const LIMIT_MOST: usize = 5000;

/// `/api/boards/{board}/events`
pub async fn events(
    state: State,
    Part(name): Part<String>,
    params: Params,
) -> Result<Json<Value>, Wrong> {
    params.only(&["from", "to", "kind", "limit"])?;
    let board = known_board(&state.looks.borrow(), &name)?;
    let filter = EventFilter {
        board: Some(board),
        from_us: params.moment("from")?,
        to_us: params.moment("to")?,
        kinds: params.all("kind").map(ToOwned::to_owned).collect(),
        // One more than asked for, to know whether there are more.
        limit: Some(params.count("limit", LIMIT, LIMIT_MOST)? + 1),
    };
    if let (Some(from_us), Some(to_us)) = (filter.from_us, filter.to_us)
        && from_us >= to_us
    {
        return Err(Wrong::asked(format!(
            "from={from_us} is not before to={to_us}: exchange them"
        )));
    }
    let known = event_kind_words();
    if let Some(kind) = filter
        .kinds
        .iter()
        .find(|kind| !known.contains(&kind.as_str()))
    {
        return Err(Wrong::asked(format!(
            "kind={kind} is no kind of event: use {}",
            known.join(", ")
        )));
    }
    let answer = read(&state, move |store| {
        let about = About::of(store, board)?;
        let mut found = store.events(&filter)?;
        let is_cut = filter.limit.is_some_and(|limit| found.len() == limit);
        if is_cut {
            found.remove(0);
        }
        let unread = store.unread_events()?;
        Ok(json!({
            "board": board.to_string(),
            // Newest first, as the list shows them.
            "events": found.iter().rev().map(|stored| about.event(stored)).collect::<Vec<_>>(),
            "older_left_out": is_cut,
            "unreadable": unread.iter().filter(|unread| unread.board == board).count(),
            "kinds": known,
        }))
    });
    Ok(Json(answer.await?))
}

/// `/api/boards/{board}/events/{event}`
pub async fn event(
    state: State,
    Part((name, event)): Part<(String, String)>,
    params: Params,
) -> Result<Json<Value>, Wrong> {
    params.only(&[])?;
    let board = known_board(&state.looks.borrow(), &name)?;
    let event = event_id(&event)?;
    let answer = read(&state, move |store| {
        let about = About::of(store, board)?;
        let found = store.events(&EventFilter {
            board: Some(board),
            ..EventFilter::default()
        })?;
        let stored = found.iter().find(|stored| stored.event.id == event);
        let stored = stored.ok_or_else(|| no_event(board, event))?;
        Ok(about.event(stored))
    });
    Ok(Json(answer.await?))
}

/// What events need to be told.
struct About {
    rates_hz: BTreeMap<u32, u32>,
    waveforms: BTreeSet<EventId>,
}

impl About {
    fn of(store: &Store, board: BoardId) -> Result<Self, Wrong> {
        let runs = store.runs(board)?;
        Ok(Self {
            rates_hz: runs
                .iter()
                .map(|run| (run.boot, run.sample_rate_hz))
                .collect(),
            waveforms: store
                .captures(board)?
                .into_iter()
                .map(|(event, _)| event)
                .collect(),
        })
    }

    fn event(&self, stored: &StoredEvent) -> Value {
        let id = stored.event.id;
        let rate_hz = self.rates_hz.get(&id.boot).copied();
        json!({
            "id": id.to_string(),
            "boot": id.boot,
            "seq": id.seq,
            "t_us": stored.t_us,
            "t_sigma_us": stored.t_sigma_us,
            "host_us": stored.host_us,
            "at_sample": stored.event.at.0,
            "kind": event_kind_word(&stored.event.kind),
            "words": words::event(&stored.event.kind, rate_hz),
            "detail": stored.event.kind,
            "waveform": self.waveforms.contains(&id),
        })
    }
}

fn event_id(text: &str) -> Result<EventId, Wrong> {
    text.parse()
        .map_err(|want| Wrong::asked(format!("'{text}' names no event: {want}")))
}

fn no_event(board: BoardId, event: EventId) -> Wrong {
    Wrong::unknown(format!(
        "no event {event} of board {board}: /api/boards/{board}/events lists them"
    ))
}

/// The waveform as columns. Samples that never arrived are null.
#[derive(Serialize)]
pub struct Waveform {
    event: Value,
    sample_rate_hz: u32,
    /// From the trigger.
    t_ms: Vec<f64>,
    i_bond_a: Vec<Option<f32>>,
    v_pos_v: Vec<Option<f32>>,
    v_neg_v: Vec<Option<f32>>,
    missing_samples: usize,
    /// Moments that events name.
    marks: Vec<Mark>,
    /// The contactor was confirmed closed, sample by sample; null with `contactor_unknown`.
    contactor_closed: Option<Vec<bool>>,
    contactor_unknown: Option<&'static str>,
    limits: Vec<LimitLine>,
    calibration_id: u32,
}

#[derive(Serialize)]
struct Mark {
    t_ms: f64,
    what: &'static str,
}

#[derive(Serialize)]
struct LimitLine {
    what: &'static str,
    level_a: f32,
    hold_ms: u16,
    from: &'static str,
}

/// `/api/boards/{board}/events/{event}/waveform`
pub async fn waveform(
    state: State,
    Part((name, event)): Part<(String, String)>,
    params: Params,
) -> Result<Json<Waveform>, Wrong> {
    params.only(&[])?;
    let board = known_board(&state.looks.borrow(), &name)?;
    let event = event_id(&event)?;
    let answer = read(&state, move |store| {
        let data = WaveformData::from_store(store, board, event).map_err(|fault| match fault {
            ChartError::Store(fault) => Wrong::from(fault),
            ChartError::NoEvent { .. } => no_event(board, event),
            other => Wrong::unknown(other.to_string()),
        })?;
        let events = store.events(&EventFilter {
            board: Some(board),
            ..EventFilter::default()
        })?;
        let about = About::of(store, board)?;
        Ok(columns(&data, &events, about.event(&data.event)))
    });
    Ok(Json(answer.await?))
}

fn columns(data: &WaveformData, events: &[StoredEvent], event: Value) -> Waveform {
    let head = &data.capture.head;
    let rate_hz = f64::from(data.sample_rate_hz.max(1));
    let ms = |at: SampleIndex| {
        let samples = i128::from(at.0) - i128::from(head.trigger.0);
        samples as f64 * 1000.0 / rate_hz
    };
    let codes = &data.capture.codes;
    let during = head.first..head.first.after(codes.len() as u64);
    let finite = |value: f32| Some(value).filter(|value| value.is_finite());
    let wires = Wires::of(events, data.event.event.id.boot, during.clone());
    let (contactor_closed, contactor_unknown) = match wires.contactor {
        Ok(closed) => (Some(closed), None),
        Err(why) => (None, Some(why)),
    };
    let mut marks = Vec::new();
    let own = events.iter().map(|stored| stored.event);
    for event in own.filter(|event| event.id.boot == data.event.event.id.boot) {
        let mut mark = |at: SampleIndex, what| {
            if during.contains(&at) {
                marks.push(Mark { t_ms: ms(at), what });
            }
        };
        match event.kind {
            EventKind::Tripped { picked_up, .. } => {
                if picked_up < event.at {
                    mark(picked_up, "picked up");
                }
                mark(event.at, "tripped");
            }
            EventKind::Opened { .. } | EventKind::OpenedLate { .. } => {
                mark(event.at, "contactor open");
            }
            EventKind::FailedToOpen => mark(event.at, "contactor did not open"),
            EventKind::Connected => mark(event.at, "contactor closed"),
            EventKind::Surge { .. } => mark(event.at, "surge"),
            EventKind::Reset => mark(event.at, "reset"),
            _ => {}
        }
    }
    let calibration = &head.calibration;
    Waveform {
        event,
        sample_rate_hz: data.sample_rate_hz,
        t_ms: (0..codes.len() as u64)
            .map(|k| ms(head.first.after(k)))
            .collect(),
        i_bond_a: codes
            .iter()
            .map(|codes| codes.and_then(|codes| finite(calibration.i_bond(&codes).0)))
            .collect(),
        v_pos_v: codes
            .iter()
            .map(|codes| codes.and_then(|codes| finite(calibration.v_pos.value(codes.v_pos))))
            .collect(),
        v_neg_v: codes
            .iter()
            .map(|codes| codes.and_then(|codes| finite(calibration.v_neg.value(codes.v_neg))))
            .collect(),
        missing_samples: codes.iter().filter(|codes| codes.is_none()).count(),
        marks,
        contactor_closed,
        contactor_unknown,
        limits: data.settings.map_or(Vec::new(), |set| limits(&set)),
        calibration_id: calibration.id,
    }
}

fn limits(set: &Settings) -> Vec<LimitLine> {
    const FROM: &str = "the settings last heard from the board";
    let current = &set.current;
    [
        ("ground fault, DC", current.ground_fault),
        ("continuous, RMS", current.continuous),
    ]
    .into_iter()
    .map(|(what, limit)| LimitLine {
        what,
        level_a: limit.above.0,
        hold_ms: limit.hold_ms,
        from: FROM,
    })
    .collect()
}
