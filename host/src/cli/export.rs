//! `export`: what a store holds, in open formats.

use super::{board_id, moment, remark};
use anyhow::bail;
use clap::{Args, ValueEnum};
use ohmward::comtrade::{Encoding, Layout, Revision};
use ohmward::export::{event::CapturedEvent, span};
use ohmward::store::Store;
use ohmward_proto::EventId;
use ohmward_proto::message::BoardId;
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

/// Arguments of `export`.
#[derive(Debug, Args)]
pub struct ExportArgs {
    /// The store's folder
    #[arg(long)]
    store: PathBuf,
    /// The board; with --event needed when the store has several, else only this one
    #[arg(long, value_parser = board_id)]
    board: Option<BoardId>,
    /// The captured waveform of this event (BOOT.SEQ, as `events` prints it); readings and events over time without it
    #[arg(long)]
    event: Option<EventId>,
    /// From this moment on (2026-05-03 or 2026-05-03T14:20:00Z); from the beginning without it
    #[arg(long, visible_alias = "since", value_parser = moment, conflicts_with = "event")]
    from: Option<i64>,
    /// Before this moment; to the end without it
    #[arg(long, visible_alias = "until", value_parser = moment, conflicts_with = "event")]
    to: Option<i64>,
    /// In which format
    #[arg(long)]
    format: Format,
    /// What to write. COMTRADE: a .cfg, with .dat and .hdr beside it, or a .cff. CSV: with --event a file that `bench` reads,
    /// else a folder for readings.csv and events.csv. Parquet: one file. What is there already is overwritten
    #[arg(long)]
    out: PathBuf,
    /// COMTRADE: how samples are written; 32 bits need revision 2013. BINARY32 without it
    #[arg(long, requires = "event")]
    encoding: Option<EncodingArg>,
    /// COMTRADE: revision of the standard; 2013 without it
    #[arg(long, requires = "event")]
    revision: Option<RevisionArg>,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug, ValueEnum)]
enum Format {
    /// One event's waveform, IEEE C37.111
    Comtrade,
    /// Text, units in the headers
    Csv,
    /// Readings of one board, units and scales with each column; for data-frame libraries
    Parquet,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug, ValueEnum)]
enum EncodingArg {
    Ascii,
    Binary,
    Binary32,
    Float32,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug, ValueEnum)]
enum RevisionArg {
    #[value(name = "1999")]
    Y1999,
    #[value(name = "2013")]
    Y2013,
}

/// Writes, and prints the names of the files.
pub fn run(args: &ExportArgs) -> anyhow::Result<ExitCode> {
    let store = Store::open_existing(&args.store)?;
    let known = store.boards()?;
    if let Some(board) = args.board {
        store.require(board)?;
    }
    let files = match args.event {
        Some(event) => {
            let board = match (args.board, known.as_slice()) {
                (Some(board), _) | (None, &[board]) => board,
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
            waveform(args, &CapturedEvent::from_store(&store, board, event)?)?
        }
        None => readings(args, &store, &known)?,
    };
    let mut out = std::io::stdout().lock();
    for file in files {
        writeln!(out, "{}", file.display())?;
    }
    Ok(ExitCode::SUCCESS)
}

fn waveform(args: &ExportArgs, captured: &CapturedEvent) -> anyhow::Result<Vec<PathBuf>> {
    let missing = captured.missing();
    if missing > 0 {
        remark(&format!(
            "{missing} of {} samples never arrived: they are marked as missing",
            captured.data.capture.codes.len()
        ));
    }
    if let Err(why) = captured.wires.contactor {
        remark(&format!("how the contactor stood is left out: {why}"));
    }
    match args.format {
        Format::Parquet => {
            bail!("Parquet holds readings: leave --event out, or use --format csv or comtrade")
        }
        Format::Csv if args.encoding.is_some() || args.revision.is_some() => {
            bail!(
                "--encoding and --revision are of COMTRADE: leave them out, or use --format comtrade"
            );
        }
        Format::Csv => Ok(captured.save_csv(&args.out)?),
        Format::Comtrade => {
            let layout = Layout {
                encoding: match args.encoding.unwrap_or(EncodingArg::Binary32) {
                    EncodingArg::Ascii => Encoding::Ascii,
                    EncodingArg::Binary => Encoding::Binary,
                    EncodingArg::Binary32 => Encoding::Binary32,
                    EncodingArg::Float32 => Encoding::Float32,
                },
                revision: match args.revision.unwrap_or(RevisionArg::Y2013) {
                    RevisionArg::Y1999 => Revision::Y1999,
                    RevisionArg::Y2013 => Revision::Y2013,
                },
            };
            Ok(captured.save_comtrade(&args.out, layout)?)
        }
    }
}

fn readings(args: &ExportArgs, store: &Store, known: &[BoardId]) -> anyhow::Result<Vec<PathBuf>> {
    if args.format == Format::Comtrade {
        bail!(
            "COMTRADE holds the waveform of one event: name it with --event, or use --format csv"
        );
    }
    if let (Some(from), Some(to)) = (args.from, args.to)
        && to <= from
    {
        bail!("--to is not after --from: exchange them");
    }
    let boards = args
        .board
        .map_or_else(|| known.to_vec(), |board| vec![board]);
    if args.format == Format::Parquet {
        let [board] = boards[..] else {
            let names: Vec<_> = boards.iter().map(ToString::to_string).collect();
            bail!(
                "a Parquet file holds one board: choose one with --board {}",
                names.join(" | ")
            );
        };
        let range = args.from.unwrap_or(i64::MIN)..args.to.unwrap_or(i64::MAX);
        let readings = store.export_parquet(board, range, &args.out)?;
        remark(&format!("{readings} readings"));
        return Ok(vec![args.out.clone()]);
    }
    let written = span::save_csv(store, &boards, (args.from, args.to), &args.out)?;
    remark(&format!(
        "{} readings, {} events",
        written.readings, written.events
    ));
    Ok(written.files)
}
