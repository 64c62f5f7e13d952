//! A period of some boards, gathered.

use super::ReportError;
use super::coverage::Coverage;
use super::limits::{self, Row};
use super::tests_file::InsulationTest;
use super::trips::{Trip, trips};
use crate::chart::{self, ForecastData, LimitSources, OverviewData, WaveformData};
use crate::plan::Plan;
use crate::store::{
    EventFilter, Head, Level, Quantity, Run, Store, StoredEvent, UnreadEvent, event_kind_word,
};
use crate::trend;
use crate::trend::days::Weather;
use crate::words::utc;
use jiff::civil::Date;
use ohmward_proto::message::BoardId;
use ohmward_proto::{EventKind, Settings};
use std::collections::BTreeMap;
use std::ops::Range;

/// Waveforms that are drawn, newest first; a hundred would be a book.
const WAVEFORMS: usize = 12;

/// What a report is to be about.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// These boards; none means every one.
    pub boards: Vec<BoardId>,
    /// From this moment, Unix microseconds; without it from the first there is.
    pub from_us: Option<i64>,
    /// Before this moment.
    pub to_us: Option<i64>,
    /// A name above it all: a site's.
    pub title: Option<String>,
    /// A plan of the array, for sources and limits.
    pub plan: Option<Plan>,
    /// Tests that people made.
    pub tests: Vec<InsulationTest>,
    /// Weather, for the trend: Unix seconds.
    pub weather: Vec<(f64, Weather)>,
    /// When the report is made, Unix microseconds.
    pub made_us: i64,
}

/// A report on a period.
#[derive(Clone, Debug)]
pub struct Period {
    /// A name above it all.
    pub title: Option<String>,
    /// When it was made, Unix microseconds.
    pub made_us: i64,
    /// The store, as a person named it.
    pub store: String,
    /// The period, Unix microseconds.
    pub range: Range<i64>,
    /// Its boards.
    pub boards: Vec<BoardPart>,
    /// The event log: count and hash.
    pub head: Option<Head>,
    /// What does not hold in the log; empty when all of it does.
    pub log_faults: Vec<String>,
    /// The plan, if one was given.
    pub plan: Option<Plan>,
    /// Tests within the period that belong to none of its boards.
    pub tests: Vec<InsulationTest>,
    /// Days of the tests that were given and lie outside the period.
    pub tests_outside: Vec<Date>,
}

/// What a report says of one board.
#[derive(Clone, Debug)]
pub struct BoardPart {
    /// The board.
    pub board: BoardId,
    /// Runs that the period touches.
    pub runs: Vec<Run>,
    /// What is set on it, as last heard.
    pub settings: Option<Settings>,
    /// The same as rows, with sources where there is a plan.
    pub limits: Vec<Row>,
    /// What of the time was recorded and measured.
    pub coverage: Coverage,
    /// Insulation by day.
    pub days: Vec<InsulationDay>,
    /// Self-tests and their outcome.
    pub self_tests: Vec<StoredEvent>,
    /// Trips.
    pub trips: Vec<Trip>,
    /// Every kind of event and how many.
    pub kinds: Vec<(&'static str, usize)>,
    /// Events that this program cannot read.
    pub unread: Vec<UnreadEvent>,
    /// Tests that people made on its array.
    pub tests: Vec<InsulationTest>,
    /// The trend, looking back from the period's end; `None` without a measurement of insulation.
    pub trend: Option<ForecastData>,
    /// The period as a picture, SVG.
    pub overview: Option<String>,
    /// The trend as one.
    pub forecast: Option<String>,
    /// Waveforms: event and picture, or why there is none.
    pub waveforms: Vec<(StoredEvent, Result<String, String>)>,
    /// Trips beyond those whose waveform is drawn.
    pub not_drawn: usize,
    /// Samples a second, by run.
    pub rates_hz: BTreeMap<u32, u32>,
}

/// Insulation measured on one day (UTC).
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct InsulationDay {
    /// Begin of the day, Unix microseconds.
    pub start_us: i64,
    /// Measurements.
    pub count: u64,
    /// The lowest, Ω.
    pub least_ohm: f64,
    /// The median, Ω.
    pub median_ohm: f64,
}

impl Period {
    /// Gathers it.
    ///
    /// # Errors
    /// [`ReportError`]: the store cannot be read, or holds nothing of that period.
    pub fn from_store(store: &Store, wanted: &Wanted) -> Result<Self, ReportError> {
        let boards = if wanted.boards.is_empty() {
            store.boards()?
        } else {
            wanted.boards.clone()
        };
        let mut span: Option<(i64, i64)> = None;
        for &board in &boards {
            if let Some((from, to)) = store.span(board)? {
                span = Some(span.map_or((from, to), |(a, b)| (a.min(from), b.max(to))));
            }
        }
        let (first, last) = span.unwrap_or_default();
        // The end is not part of a range, the last reading is.
        let range = wanted.from_us.unwrap_or(first)..wanted.to_us.unwrap_or(last.saturating_add(1));
        if span.is_none() || range.start > last || range.end <= first {
            return Err(ReportError::Nothing {
                from: utc(range.start),
                to: utc(range.end),
                instead: span.map_or_else(
                    || "nothing has been recorded yet".to_owned(),
                    |(from, to)| format!("the store knows {} to {}", utc(from), utc(to)),
                ),
            });
        }
        let mut parts = Vec::new();
        for &board in &boards {
            parts.push(BoardPart::from_store(store, board, &range, wanted)?);
        }
        let known =
            |test: &InsulationTest| test.board.is_some_and(|id| boards.contains(&BoardId(id)));
        Ok(Self {
            title: wanted.title.clone(),
            made_us: wanted.made_us,
            store: store.dir().display().to_string(),
            head: store.event_head()?,
            log_faults: store.event_log_faults()?,
            plan: wanted.plan.clone(),
            tests: wanted
                .tests
                .iter()
                .filter(|test| within(test, &range) && !known(test))
                .cloned()
                .collect(),
            tests_outside: wanted
                .tests
                .iter()
                .filter(|test| !within(test, &range))
                .map(|test| test.date)
                .collect(),
            boards: parts,
            range,
        })
    }

    /// What is said of tests outside the period, if there are any: they were given, and stand nowhere in the report.
    pub fn tests_outside_words(&self) -> Option<String> {
        let (first, last) = (
            self.tests_outside.iter().min()?,
            self.tests_outside.iter().max()?,
        );
        let days = if first == last {
            format!("{first}")
        } else {
            format!("{first} to {last}")
        };
        let tests = match self.tests_outside.len() {
            1 => "1 insulation test by people lies".to_owned(),
            n => format!("{n} insulation tests by people lie"),
        };
        Some(format!(
            "{tests} outside the period ({days}) and stand only in a report of their own time"
        ))
    }

    /// Boards on which something protects less than its source asks.
    pub fn looser(&self) -> usize {
        let boards = self.boards.iter();
        boards
            .filter(|part| part.limits.iter().any(|row| row.looser_than.is_some()))
            .count()
    }
}

impl BoardPart {
    fn from_store(
        store: &Store,
        board: BoardId,
        range: &Range<i64>,
        wanted: &Wanted,
    ) -> Result<Self, ReportError> {
        let events = store.events(&EventFilter {
            board: Some(board),
            from_us: Some(range.start),
            to_us: Some(range.end),
            ..EventFilter::default()
        })?;
        let settings = store.settings(board)?;
        let runs = store.runs(board)?;
        let rates_hz: BTreeMap<u32, u32> = runs
            .iter()
            .map(|run| (run.boot, run.sample_rate_hz))
            .collect();
        let sources = wanted
            .plan
            .as_ref()
            .map(LimitSources::of)
            .unwrap_or_default();
        let mut kinds: BTreeMap<&'static str, usize> = BTreeMap::new();
        for stored in &events {
            *kinds
                .entry(event_kind_word(&stored.event.kind))
                .or_default() += 1;
        }
        let trips = trips(&events, &rates_hz);
        let newest = trips.iter().rev().take(WAVEFORMS);
        let waveforms: Vec<_> = newest
            .map(|trip| {
                let drawn = WaveformData::from_store(store, board, trip.event.event.id)
                    .and_then(|data| chart::svg(&data));
                (trip.event, drawn.map_err(|why| why.to_string()))
            })
            .collect();
        // A period without readings has events alone, and no picture.
        let overview = match OverviewData::from_store(store, board, range.clone()) {
            Ok(mut data) => {
                data.sources = sources.clone();
                Some(chart::svg(&data)?)
            }
            Err(chart::ChartError::NoReadings { .. }) => None,
            Err(other) => return Err(other.into()),
        };
        let mut trend = trend_of(store, board, range, settings, &wanted.weather)?;
        let forecast = match &mut trend {
            Some(trend) => {
                trend.sources = sources;
                Some(chart::svg(trend)?)
            }
            None => None,
        };
        Ok(Self {
            board,
            limits: settings.as_ref().map_or_else(Vec::new, |settings| {
                limits::rows(settings, wanted.plan.as_ref())
            }),
            coverage: Coverage::from_store(store, board, range, settings.as_ref())?,
            days: insulation_days(store, board, range)?,
            self_tests: events
                .iter()
                .filter(|stored| {
                    matches!(
                        stored.event.kind,
                        EventKind::SelfTestPassed { .. }
                            | EventKind::SelfTestFailed(_)
                            | EventKind::ZeroDrifted { .. }
                    )
                })
                .copied()
                .collect(),
            not_drawn: trips.len() - waveforms.len(),
            trips,
            kinds: kinds.into_iter().collect(),
            unread: store
                .unread_events()?
                .into_iter()
                .filter(|event| event.board == board && range.contains(&event.t_us))
                .collect(),
            tests: wanted
                .tests
                .iter()
                .filter(|test| test.board == Some(board.0) && within(test, range))
                .cloned()
                .collect(),
            runs: runs_within(runs, range),
            settings,
            trend,
            overview,
            forecast,
            waveforms,
            rates_hz,
        })
    }
}

/// Runs that a period touches: each lasts until the next begins.
fn runs_within(runs: Vec<Run>, range: &Range<i64>) -> Vec<Run> {
    let ends: Vec<i64> = runs
        .iter()
        .skip(1)
        .map(|next| next.first_seen_us)
        .chain([i64::MAX])
        .collect();
    runs.into_iter()
        .zip(ends)
        .filter(|(run, end)| run.first_seen_us < range.end && *end > range.start)
        .map(|(run, _)| run)
        .collect()
}

/// A test of the period, its last day included.
fn within(test: &InsulationTest, range: &Range<i64>) -> bool {
    let day_us = |t_us: i64| t_us.div_euclid(Level::Day.length_us());
    let epoch = jiff::civil::date(1970, 1, 1);
    let day = epoch
        .until(test.date)
        .map_or(i64::MIN, |span| i64::from(span.get_days()));
    // The end is not part of the period.
    (day_us(range.start)..=day_us(range.end.saturating_sub(1))).contains(&day)
}

fn insulation_days(
    store: &Store,
    board: BoardId,
    range: &Range<i64>,
) -> Result<Vec<InsulationDay>, ReportError> {
    let first = Level::Day.start_us(range.start);
    let days = store.rollups(board, Level::Day, first..range.end)?;
    let days = days.into_iter().filter_map(|(start_us, rollup)| {
        let spread = rollup.of(Quantity::RIso);
        let ohm = |steps: i64| Quantity::RIso.value(steps as f64);
        Some(InsulationDay {
            start_us,
            count: spread.count(),
            least_ohm: ohm(spread.min()?),
            median_ohm: ohm(spread.quantile(0.5)?),
        })
    });
    Ok(days.collect())
}

/// The trend as it was at the period's end: what came later is not looked at.
fn trend_of(
    store: &Store,
    board: BoardId,
    range: &Range<i64>,
    settings: Option<Settings>,
    weather: &[(f64, Weather)],
) -> Result<Option<ForecastData>, ReportError> {
    let mut record = trend::record::from_store(store, board)?;
    let end_s = range.end as f64 * 1e-6;
    record.looks.retain(|look| look.t_s < end_s);
    record.glances.retain(|glance| glance.t_s < end_s);
    record.zeros.retain(|(t_s, _)| *t_s < end_s);
    trend::record::add_weather(&mut record, weather);
    Ok(ForecastData::of_record(board, &record, settings))
}
