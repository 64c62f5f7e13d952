//! One event, gathered: what happened before, at and after it.

use super::ReportError;
use super::limits::{self, Row};
use super::trips::{Trip, trips};
use crate::chart::{self, ChartError, LimitSources, OverviewData, WaveformData};
use crate::plan::Plan;
use crate::store::{EventFilter, Head, Run, Store, StoredEvent};
use ohmward_proto::EventId;
use ohmward_proto::Settings;
use ohmward_proto::message::BoardId;
use std::collections::BTreeMap;

/// Time before and after the event that is told and drawn, µs.
const AROUND_US: i64 = 1_800_000_000;
/// A trip is looked for, and its reset waited for, this far.
const RESET_US: i64 = 7 * 86_400_000_000;

/// One event and what is around it.
#[derive(Clone, Debug)]
pub struct Incident {
    /// A name above it all.
    pub title: Option<String>,
    /// When this was made, Unix microseconds.
    pub made_us: i64,
    /// The store, as a person named it.
    pub store: String,
    /// The event.
    pub event: StoredEvent,
    /// Its times, if it is a trip.
    pub trip: Option<Trip>,
    /// Its run.
    pub run: Option<Run>,
    /// Samples a second, by run.
    pub rates_hz: BTreeMap<u32, u32>,
    /// What happened half an hour before and after, itself among them.
    pub around: Vec<StoredEvent>,
    /// The waveform as a picture, SVG, or why there is none.
    pub waveform: Result<String, String>,
    /// The time around it as one.
    pub overview: Option<String>,
    /// What is set on the board, as last heard.
    pub settings: Option<Settings>,
    /// The same as rows.
    pub limits: Vec<Row>,
    /// The event log: count and hash.
    pub head: Option<Head>,
    /// What does not hold in it.
    pub log_faults: Vec<String>,
}

impl Incident {
    /// Gathers it.
    ///
    /// # Errors
    /// [`ReportError`]: the store cannot be read, or there is no such event.
    pub fn from_store(
        store: &Store,
        board: BoardId,
        event: EventId,
        plan: Option<&Plan>,
        title: Option<String>,
        made_us: i64,
    ) -> Result<Self, ReportError> {
        let of_board = EventFilter {
            board: Some(board),
            ..EventFilter::default()
        };
        let all = store.events(&of_board)?;
        let stored = *all
            .iter()
            .find(|stored| stored.event.id == event)
            .ok_or(ChartError::NoEvent { board, event })?;
        let within = |span_us: i64| {
            let (from, to) = (
                stored.t_us.saturating_sub(span_us),
                stored.t_us.saturating_add(span_us),
            );
            let all = all.iter().copied();
            all.filter(|other| (from..=to).contains(&other.t_us))
                .collect::<Vec<_>>()
        };
        let runs = store.runs(board)?;
        let rates_hz: BTreeMap<u32, u32> = runs
            .iter()
            .map(|run| (run.boot, run.sample_rate_hz))
            .collect();
        let trip = trips(&within(RESET_US), &rates_hz)
            .into_iter()
            .find(|trip| trip.event.event.id == event);
        let settings = store.settings(board)?;
        let range = stored.t_us.saturating_sub(AROUND_US)..stored.t_us.saturating_add(AROUND_US);
        let overview = match OverviewData::from_store(store, board, range) {
            Ok(mut data) => {
                data.sources = plan.map(LimitSources::of).unwrap_or_default();
                Some(chart::svg(&data)?)
            }
            Err(ChartError::NoReadings { .. }) => None,
            Err(other) => return Err(other.into()),
        };
        let waveform = WaveformData::from_store(store, board, event)
            .and_then(|data| chart::svg(&data))
            .map_err(|why| why.to_string());
        Ok(Self {
            title,
            made_us,
            store: store.dir().display().to_string(),
            event: stored,
            trip,
            run: runs.into_iter().find(|run| run.boot == event.boot),
            rates_hz,
            around: within(AROUND_US),
            waveform,
            overview,
            limits: settings
                .as_ref()
                .map_or_else(Vec::new, |settings| limits::rows(settings, plan)),
            settings,
            head: store.event_head()?,
            log_faults: store.event_log_faults()?,
        })
    }
}
