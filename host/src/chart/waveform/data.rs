//! What is drawn of one event, gathered from a store and kept apart from the drawing.

use crate::chart::ChartError;
use crate::chart::levels::LimitSources;
use crate::store::{Capture, EventFilter, Store, StoredEvent};
use ohmward_proto::message::BoardId;
use ohmward_proto::{Codes, EventId, EventKind, Settings};

/// The waveform around one event.
#[derive(Clone, PartialEq, Debug)]
pub struct WaveformData {
    /// The event.
    pub event: StoredEvent,
    /// What was captured.
    pub capture: Capture,
    /// Samples per second in that run.
    pub sample_rate_hz: u32,
    /// The settings last heard from the board; without them no limits are drawn.
    pub settings: Option<Settings>,
    /// Where limits come from.
    pub sources: LimitSources,
    /// How the contactor answered a trip: samples after it, and whether it opened.
    pub answer: Option<(u64, bool)>,
    /// Stands beside the board's number: a site's name, or "simulated".
    pub note: Option<String>,
}

impl WaveformData {
    /// Gathers what is stored of an event's waveform; it need not be whole.
    ///
    /// # Errors
    /// [`ChartError::NoEvent`], [`ChartError::NoCapture`], [`ChartError::NoRate`], or a [`ChartError::Store`].
    pub fn from_store(store: &Store, board: BoardId, event: EventId) -> Result<Self, ChartError> {
        let filter = EventFilter {
            board: Some(board),
            ..EventFilter::default()
        };
        let events = store.events(&filter)?;
        let stored = *events
            .iter()
            .find(|stored| stored.event.id == event)
            .ok_or(ChartError::NoEvent { board, event })?;
        let capture = store
            .capture(board, event)?
            .filter(|capture| capture.codes.iter().any(Option::is_some))
            .ok_or(ChartError::NoCapture { board, event })?;
        let rate = store
            .runs(board)?
            .iter()
            .find(|run| run.boot == event.boot)
            .map(|run| run.sample_rate_hz)
            .filter(|hz| *hz > 0)
            .ok_or(ChartError::NoRate {
                board,
                boot: event.boot,
            })?;
        Ok(Self {
            answer: answer(&events, &stored),
            sources: LimitSources::default(),
            event: stored,
            capture,
            sample_rate_hz: rate,
            settings: store.settings(board)?,
            note: None,
        })
    }

    /// A moment on the board's clock, in ms from the trigger.
    pub(in crate::chart) fn ms(&self, at_sample: u64) -> f64 {
        let samples = i128::from(at_sample) - i128::from(self.capture.head.trigger.0);
        samples as f64 * 1000.0 / f64::from(self.sample_rate_hz.max(1))
    }

    pub(in crate::chart) fn ms_of(&self, index: usize) -> f64 {
        self.ms(self.capture.head.first.0.saturating_add(index as u64))
    }

    pub(in crate::chart) fn samples(&self) -> impl Iterator<Item = (f64, Codes)> {
        let all = self.capture.codes.iter().enumerate();
        all.filter_map(|(k, codes)| codes.map(|codes| (self.ms_of(k), codes)))
    }

    /// Stretches in ms where `is` holds sample after sample.
    pub(in crate::chart) fn stretches(
        &self,
        is: impl Fn(Option<&Codes>) -> bool,
    ) -> Vec<(f64, f64)> {
        let flags: Vec<(usize, bool)> = self
            .capture
            .codes
            .iter()
            .map(|codes| is(codes.as_ref()))
            .enumerate()
            .collect();
        flags
            .chunk_by(|a, b| a.1 == b.1)
            .filter_map(|run| match (run.first(), run.last()) {
                (Some((from, true)), Some((to, _))) => {
                    Some((self.ms_of(*from), self.ms_of(to + 1)))
                }
                _ => None,
            })
            .collect()
    }

    /// Pickup and trip in ms from the trigger, of an event that is a trip.
    pub(in crate::chart) fn pickup(&self) -> Option<(f64, f64)> {
        match self.event.event.kind {
            // A limit without a hold time trips with its pickup: there is no stretch to show.
            EventKind::Tripped { picked_up, .. } if picked_up < self.event.event.at => {
                Some((self.ms(picked_up.0), self.ms(self.event.event.at.0)))
            }
            _ => None,
        }
    }

    /// When the contactor was seen open, or found not to have opened; ms from the trigger.
    pub(in crate::chart) fn answer_ms(&self) -> Option<(f64, bool)> {
        let (after, opened) = self.answer?;
        Some((self.ms(self.event.event.at.0.saturating_add(after)), opened))
    }

    /// The part of the capture that is worth the width of the sheet, in ms: where the current is not as usual, trigger and pickup
    /// included, with some room on both sides.
    pub(in crate::chart) fn window(&self) -> (f64, f64) {
        const ROOM_MS_MIN: f64 = 8.0;
        let whole = (self.ms_of(0), self.ms_of(self.capture.codes.len().max(2)));
        let calibration = &self.capture.head.calibration;
        let current: Vec<(f64, f32)> = self
            .samples()
            .map(|(ms, codes)| (ms, calibration.i_bond(&codes).0))
            .filter(|(_, i)| i.is_finite())
            .collect();
        let mut sorted: Vec<f32> = current.iter().map(|(_, i)| *i).collect();
        sorted.sort_by(f32::total_cmp);
        let usual = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
        let most = current
            .iter()
            .map(|(_, i)| (i - usual).abs())
            .fold(0.0, f32::max);
        let unusual = current
            .iter()
            .filter(|(_, i)| (i - usual).abs() > 0.03 * most)
            .map(|(ms, _)| *ms);
        let held = |ms: &f64| (whole.0..=whole.1).contains(ms);
        let points = unusual
            .chain([0.0])
            .chain(self.pickup().map(|(from, _)| from).filter(held))
            .chain(self.answer_ms().map(|(at, _)| at).filter(held));
        let (from, to) = points.fold((f64::INFINITY, f64::NEG_INFINITY), |(from, to), ms| {
            (from.min(ms), to.max(ms))
        });
        let room = ((to - from) * 0.3).max(ROOM_MS_MIN);
        ((from - room).max(whole.0), (to + room).min(whole.1))
    }
}

/// The first word of the contactor after a trip, before anything trips again.
fn answer(events: &[StoredEvent], trip: &StoredEvent) -> Option<(u64, bool)> {
    if !matches!(trip.event.kind, EventKind::Tripped { .. }) {
        return None;
    }
    let mut later: Vec<&StoredEvent> = events
        .iter()
        .filter(|other| {
            other.event.id.boot == trip.event.id.boot && other.event.id.seq > trip.event.id.seq
        })
        .collect();
    later.sort_by_key(|other| other.event.id.seq);
    later.iter().find_map(|other| match other.event.kind {
        EventKind::Opened { after } => Some(Some((u64::from(after), true))),
        EventKind::FailedToOpen => {
            let after = other.event.at.0.saturating_sub(trip.event.at.0);
            Some(Some((after, false)))
        }
        EventKind::Tripped { .. } | EventKind::Reset => Some(None),
        _ => None,
    })?
}
