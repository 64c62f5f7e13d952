//! `chart`: pictures.

use super::trend::read_weather;
use super::{board_id, moment};
use anyhow::{Context, bail};
use clap::Args;
use ohmward::array_file::ArrayFile;
use ohmward::chart::{
    FleetData, ForecastData, LimitSources, OverviewData, PhasorData, TimelineData, WaveformData,
    WetDryData, save,
};
use ohmward::plan::changes::Looser;
use ohmward::plan::plan;
use ohmward::store::{EventFilter, Store};
use ohmward_proto::EventId;
use ohmward_proto::message::BoardId;
use std::io::Write;
use std::ops::Range;
use std::path::PathBuf;
use std::process::ExitCode;

/// Arguments of `chart`.
///
/// Without a kind: bond current, contactor and insulation over the period.
#[derive(Debug, Args)]
#[command(group(clap::ArgGroup::new("kind").multiple(false)))]
pub struct ChartArgs {
    /// The store's folder
    #[arg(long)]
    store: PathBuf,
    /// The board; needed when the store has several
    #[arg(long, value_parser = board_id, conflicts_with = "fleet")]
    board: Option<BoardId>,
    /// From this moment on (2026-05-03 or 2026-05-03T14:20:00Z); the whole record without it
    #[arg(long, value_parser = moment, conflicts_with_all = ["event", "forecast", "wet_dry", "fleet"])]
    since: Option<i64>,
    /// Before this moment; of --fleet, the moment at which boards are compared
    #[arg(long, value_parser = moment, conflicts_with_all = ["event", "forecast", "wet_dry"])]
    until: Option<i64>,
    /// The waveform captured at this event (BOOT.SEQ, as `events` prints it)
    #[arg(long, conflicts_with_all = ["forecast", "wet_dry", "timeline", "fleet"])]
    event: Option<EventId>,
    /// The mains-frequency vector in that waveform; without --event, of the newest capture
    #[arg(long, group = "kind")]
    phasor: bool,
    /// Daily insulation, where it is going, and when limits will be passed
    #[arg(long, group = "kind")]
    forecast: bool,
    /// Insulation by day and hour, wet against dry
    #[arg(long, group = "kind")]
    wet_dry: bool,
    /// What happened, one lane a kind of event
    #[arg(long, group = "kind")]
    timeline: bool,
    /// Every board of the store in a row, the worst first
    #[arg(long, group = "kind")]
    fleet: bool,
    /// Logged weather, as `trend` reads it; for --forecast and --wet-dry
    #[arg(long, conflicts_with_all = ["event", "phasor", "timeline", "fleet"])]
    weather: Option<PathBuf>,
    /// The array's description: names the standard behind each limit
    #[arg(long)]
    array: Option<PathBuf>,
    /// Stands beside the board's number, for example the site's name
    #[arg(long)]
    note: Option<String>,
    /// The picture to write, .svg or .png
    #[arg(long, default_value = "chart.png")]
    out: PathBuf,
}

/// Draws and prints the file's name.
pub fn run(args: &ChartArgs) -> anyhow::Result<ExitCode> {
    if args.weather.is_some() && !args.forecast && !args.wet_dry {
        bail!("--weather is used by --forecast and --wet-dry: name one of them");
    }
    let store = Store::open_existing(&args.store)?;
    let note = args.note.clone();
    let sources = sources(args)?;
    if args.fleet {
        let mut data = FleetData::from_store(&store, args.until)?;
        if data.rows.is_empty() {
            bail!("nothing has been recorded in {} yet", args.store.display());
        }
        data.note = note;
        save(&data, &args.out)?;
        return done(args);
    }
    let board = board(args, &store)?;
    let weather = args.weather.as_deref().map(read_weather).transpose()?;
    if args.phasor || args.event.is_some() {
        let event = match args.event {
            Some(event) => event,
            None => newest_capture(&store, board)?,
        };
        let mut data = WaveformData::from_store(&store, board, event)?;
        data.note = note;
        data.sources = sources;
        if args.phasor {
            save(&PhasorData::of(&data), &args.out)?;
        } else {
            save(&data, &args.out)?;
        }
    } else if args.forecast {
        let mut data = ForecastData::from_store(&store, board, weather.as_deref())?;
        data.note = note;
        data.sources = sources;
        save(&data, &args.out)?;
    } else if args.wet_dry {
        let mut data = WetDryData::from_store(&store, board, weather.as_deref())?;
        data.note = note;
        data.sources = sources;
        save(&data, &args.out)?;
    } else {
        let range = range(args, &store, board)?;
        if args.timeline {
            let mut data = TimelineData::from_store(&store, board, range)?;
            data.note = note;
            save(&data, &args.out)?;
        } else {
            let mut data = OverviewData::from_store(&store, board, range)?;
            data.note = note;
            data.sources = sources;
            save(&data, &args.out)?;
        }
    }
    done(args)
}

fn done(args: &ChartArgs) -> anyhow::Result<ExitCode> {
    writeln!(std::io::stdout(), "{}", args.out.display())?;
    Ok(ExitCode::SUCCESS)
}

fn sources(args: &ChartArgs) -> anyhow::Result<LimitSources> {
    let Some(path) = &args.array else {
        return Ok(LimitSources::default());
    };
    let file = ArrayFile::load(path)?;
    let plan = plan(&file, Looser::AcceptMarked)
        .with_context(|| format!("{} gives no plan", path.display()))?;
    Ok(LimitSources::of(&plan))
}

fn board(args: &ChartArgs, store: &Store) -> anyhow::Result<BoardId> {
    match (args.board, store.boards()?.as_slice()) {
        (Some(board), _) => Ok(board),
        (None, [board]) => Ok(*board),
        (None, []) => bail!("nothing has been recorded in {} yet", args.store.display()),
        (None, several) => {
            let names: Vec<_> = several.iter().map(ToString::to_string).collect();
            bail!(
                "{} has several boards: choose one with --board {}, or draw all with --fleet",
                args.store.display(),
                names.join(" | ")
            );
        }
    }
}

fn newest_capture(store: &Store, board: BoardId) -> anyhow::Result<EventId> {
    match store.captures(board)?.last() {
        Some((event, _)) => Ok(*event),
        None => bail!(
            "no waveform of board {board} is stored: trips and surges have one once the board has sent it"
        ),
    }
}

/// The whole record, or what was asked for of it.
fn range(args: &ChartArgs, store: &Store, board: BoardId) -> anyhow::Result<Range<i64>> {
    let Some((first, last)) = store.span(board)? else {
        bail!("board {board} has no readings in {}", args.store.display());
    };
    // Events may come later than the last reading; a trip must not fall off the sheet.
    let events = store.events(&EventFilter {
        board: Some(board),
        ..EventFilter::default()
    })?;
    let first = events.first().map_or(first, |e| e.t_us.min(first));
    let last = events.last().map_or(last, |e| e.t_us.max(last));
    // The end is not part of a range, the last reading is.
    let range = args.since.unwrap_or(first)..args.until.unwrap_or(last + 1);
    if range.is_empty() {
        match (args.since, args.until) {
            (Some(_), Some(_)) => bail!("--until is not after --since: exchange them"),
            (Some(_), None) => bail!("--since is after the end of the record"),
            _ => bail!("--until is before the beginning of the record"),
        }
    }
    Ok(range)
}
