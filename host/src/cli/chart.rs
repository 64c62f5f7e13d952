//! `chart`: pictures.

use super::{board_id, moment};
use anyhow::bail;
use clap::Args;
use ohmward::chart::{OverviewData, WaveformData, draw_overview, draw_waveform};
use ohmward::store::{EventFilter, Store};
use ohmward_proto::EventId;
use ohmward_proto::message::BoardId;
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

/// Arguments of `chart`.
#[derive(Debug, Args)]
pub struct ChartArgs {
    /// The store's folder
    #[arg(long)]
    store: PathBuf,
    /// The board; needed when the store has several
    #[arg(long, value_parser = board_id)]
    board: Option<BoardId>,
    /// From this moment on (2026-05-03 or 2026-05-03T14:20:00Z); the whole record without it
    #[arg(long, value_parser = moment, conflicts_with = "event")]
    since: Option<i64>,
    /// Before this moment
    #[arg(long, value_parser = moment, conflicts_with = "event")]
    until: Option<i64>,
    /// Draw the captured waveform of this event (BOOT.SEQ, as `events` prints it) instead
    #[arg(long)]
    event: Option<EventId>,
    /// The picture to write, .svg or .png
    #[arg(long, default_value = "chart.png")]
    out: PathBuf,
}

/// Draws and prints the file's name.
pub fn run(args: &ChartArgs) -> anyhow::Result<ExitCode> {
    let store = Store::open_existing(&args.store)?;
    let board = match (args.board, store.boards()?.as_slice()) {
        (Some(board), _) => board,
        (None, [board]) => *board,
        (None, []) => bail!("nothing has been recorded in {} yet", args.store.display()),
        (None, several) => {
            let names: Vec<_> = several.iter().map(ToString::to_string).collect();
            bail!(
                "{} has several boards: choose one with --board {}",
                args.store.display(),
                names.join(" | ")
            );
        }
    };
    if let Some(event) = args.event {
        draw_waveform(&WaveformData::from_store(&store, board, event)?, &args.out)?;
    } else {
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
        if let (Some(since), Some(until)) = (args.since, args.until)
            && until <= since
        {
            bail!("--until is not after --since: exchange them");
        }
        // The end is not part of a range, the last reading is.
        let range = args.since.unwrap_or(first)..args.until.unwrap_or(last + 1);
        draw_overview(&OverviewData::from_store(&store, board, range)?, &args.out)?;
    }
    writeln!(std::io::stdout(), "{}", args.out.display())?;
    Ok(ExitCode::SUCCESS)
}
