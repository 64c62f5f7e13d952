//! All of it once: an invented workshop's thirty days, simulated, recorded, and drawn.

use crate::chart::{ChartError, OverviewData, WaveformData, save};
use crate::link::Source;
use crate::record::{Options, Progress, RecordError, record};
use crate::sim::Gear;
use crate::store::{EventFilter, Rules, Store, StoreError, StoredEvent};
use ohmward_plant::{Scenario, ScenarioError};
use ohmward_proto::EventKind;
use ohmward_proto::units::SampleIndex;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// The scenario, part of the program.
const SCENARIO: &str = include_str!("../scenarios/heron-bend.toml");
/// Its name in the demo's folder.
const SCENARIO_FILE: &str = "heron-bend.toml";

/// Beside the board's number on every picture.
const INVENTED: &str = "simulated, invented data";
/// Says that a folder is a demo's.
const MARK: &str = "ohmward-demo.txt";

/// Why the demo did not come to its end.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// The folder is there and not a demo's.
    #[error("{} exists and is not an untouched earlier demo: name another folder with --out", .0.display())]
    NotOurs(PathBuf),
    /// The folder cannot be used.
    #[error("cannot use {}: {source}. Name another folder with --out", .folder.display())]
    Folder {
        /// Which.
        folder: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The scenario.
    #[error(transparent)]
    Scenario(#[from] ScenarioError),
    /// Recording.
    #[error(transparent)]
    Record(#[from] RecordError),
    /// Reading back.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Drawing.
    #[error(transparent)]
    Chart(#[from] ChartError),
}

/// What the demo has to tell.
#[derive(Debug)]
pub struct Demo {
    /// Name of the scenario.
    pub name: String,
    /// Days of virtual time that went by.
    pub days: f64,
    /// Readings recorded.
    pub readings: u64,
    /// Everything that happened.
    pub events: Vec<StoredEvent>,
    /// Trips, each with the ms from the beginning of the fault that was meant to cause it.
    pub trips: Vec<(StoredEvent, Option<f64>)>,
    /// Samples per second of the board.
    pub sample_rate_hz: u32,
    /// The folder.
    pub folder: PathBuf,
    /// The pictures.
    pub pictures: Vec<PathBuf>,
    /// It was stopped before its end.
    pub stopped: bool,
}

/// Runs the demo into `folder`, which is made, or emptied of an earlier demo.
///
/// # Errors
/// [`DemoError`].
pub fn run(
    folder: &Path,
    stop: &Arc<AtomicBool>,
    progress: impl FnMut(&Progress) + Send + 'static,
) -> Result<Demo, DemoError> {
    prepare(folder)?;
    let scenario = Scenario::load(&folder.join(SCENARIO_FILE))?;
    let store_dir = folder.join("store");
    let options = Options {
        sources: vec![Source::Sim(folder.join(SCENARIO_FILE))],
        store: store_dir.clone(),
        baud: 0,
        gear: Gear::SkipQuiet,
        duration: None,
        comes_back: false,
        rules: Rules::default(),
    };
    let outcome = record(&options, stop, progress, |_| {})?;
    if let Some(error) = outcome.failed.into_iter().next() {
        return Err(error.into());
    }
    let store = Store::open_existing(&store_dir)?;
    let events = store.events(&EventFilter::default())?;
    let trips: Vec<_> = events
        .iter()
        .filter(|stored| matches!(stored.event.kind, EventKind::Tripped { .. }))
        .map(|stored| (*stored, after_fault_ms(&scenario, stored.event.at)))
        .collect();
    let mut pictures = Vec::new();
    if let Some((first, last)) = store.span(scenario.board.id)? {
        let overview = folder.join("overview.png");
        let mut data = OverviewData::from_store(&store, scenario.board.id, first..last + 1)?;
        data.note = Some(INVENTED.to_owned());
        save(&data, &overview)?;
        pictures.push(overview);
    }
    if let Some((trip, _)) = trips.first() {
        let waveform = folder.join("trip.png");
        let mut data = WaveformData::from_store(&store, scenario.board.id, trip.event.id)?;
        data.note = Some(INVENTED.to_owned());
        save(&data, &waveform)?;
        pictures.push(waveform);
    }
    Ok(Demo {
        name: scenario.name.clone(),
        days: store
            .span(scenario.board.id)?
            .map_or(0.0, |(first, last)| (last - first) as f64 / 86_400e6),
        readings: outcome.progress.readings,
        events,
        trips,
        sample_rate_hz: scenario.board.sample_rate_hz,
        folder: folder.to_owned(),
        pictures,
        stopped: stop.load(std::sync::atomic::Ordering::Relaxed),
    })
}

/// An empty folder, or one from which an earlier demo's files have been taken. Nothing else is ever removed: the folder
/// must carry the demo's mark, the scenario in it must be untouched, and its store must hold the demo's board alone.
fn prepare(folder: &Path) -> Result<(), DemoError> {
    let not_ours = || DemoError::NotOurs(folder.to_owned());
    let failed = |source| DemoError::Folder {
        folder: folder.to_owned(),
        source,
    };
    if folder.exists() {
        let is_empty = folder.read_dir().map_err(failed)?.next().is_none();
        let scenario = std::fs::read_to_string(folder.join(SCENARIO_FILE));
        let is_ours = folder.join(MARK).is_file() && scenario.is_ok_and(|text| text == SCENARIO);
        if !is_empty && !is_ours {
            return Err(not_ours());
        }
        let store_dir = folder.join("store");
        if store_dir.exists() {
            // As a writer: a store that someone records into right now is refused.
            let store = Store::open_or_create(&store_dir)?;
            let demo = Scenario::parse(SCENARIO_FILE, SCENARIO)?.board.id;
            if store.boards()?.iter().any(|board| *board != demo) {
                return Err(not_ours());
            }
            for file in ["ohmward.sqlite-wal", "ohmward.sqlite-shm", "ohmward.sqlite"] {
                ignore_missing(std::fs::remove_file(store_dir.join(file))).map_err(failed)?;
            }
        }
        for picture in ["overview.png", "trip.png"] {
            ignore_missing(std::fs::remove_file(folder.join(picture))).map_err(failed)?;
        }
    }
    std::fs::create_dir_all(folder)
        .and_then(|()| {
            std::fs::write(
                folder.join(MARK),
                "Made by `ohmward demo`, which may replace it.\n",
            )
        })
        .and_then(|()| std::fs::write(folder.join(SCENARIO_FILE), SCENARIO))
        .map_err(failed)
}

fn ignore_missing(result: io::Result<()>) -> io::Result<()> {
    match result {
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(()),
        other => other,
    }
}

/// ms from the beginning of the newest constant fault before this moment.
fn after_fault_ms(scenario: &Scenario, at: SampleIndex) -> Option<f64> {
    let rate = f64::from(scenario.board.sample_rate_hz);
    let at_s = at.0 as f64 / rate;
    scenario
        .faults
        .iter()
        .filter(|fault| fault.ohm.is_some())
        .map(|fault| fault.from_h * 3600.0)
        .filter(|from_s| *from_s <= at_s)
        .max_by(f64::total_cmp)
        .map(|from_s| (at_s - from_s) * 1e3)
}
