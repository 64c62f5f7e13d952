//! `watch`: boards in the terminal, as they are now.

use super::board_id;
use anyhow::bail;
use clap::Args;
use ohmward::link::Source;
use ohmward::watch::{self, Feed, plain};
use ohmward_proto::message::BoardId;
use std::io::{IsTerminal, Write};
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Duration;

/// How long `--once` waits for a line to tell what there is.
const ONCE_WITHIN: Duration = Duration::from_secs(6);

/// Arguments of `watch`.
#[derive(Debug, Args)]
#[command(group(clap::ArgGroup::new("what").required(true).args(["store", "from"])))]
pub struct WatchArgs {
    /// A store's folder, also while `record` writes to it
    #[arg(long)]
    store: Option<PathBuf>,
    /// A serial device or tcp://HOST:PORT, with no recorder on it; may be given several times. Nothing is acknowledged: the
    /// board keeps its events for a recorder
    #[arg(long)]
    from: Vec<Source>,
    /// Speed of serial lines
    #[arg(long, default_value_t = 115_200)]
    baud: u32,
    /// Only this board
    #[arg(long, value_parser = board_id)]
    board: Option<BoardId>,
    /// Look once, print it, end; exit status 1 when a board needs somebody to look at it
    #[arg(long)]
    once: bool,
    /// With --once: one JSON object a board and line; times in µs since 1970
    #[arg(long, requires = "once")]
    json: bool,
}

/// Shows.
pub fn run(args: &WatchArgs) -> anyhow::Result<ExitCode> {
    let feed = if let Some(dir) = &args.store {
        Feed::of_store(dir)?
    } else {
        for source in &args.from {
            if let Source::Sim(_) | Source::Pattern(_) = source {
                bail!(
                    "{source} is no line: watch takes serial devices and tcp://HOST:PORT; record a scenario or a pattern of \
                     devices into a store and watch that"
                );
            }
        }
        Feed::of_lines(args.from.clone(), args.baud)?
    };
    if args.once {
        return once(&feed, args);
    }
    if !std::io::stdout().is_terminal() {
        bail!("this is no terminal: use --once for one look as text, --once --json for a machine");
    }
    // no-color.org: any value but an empty one.
    let colour = std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty());
    watch::run(&feed, args.board, colour)?;
    Ok(ExitCode::SUCCESS)
}

fn once(feed: &Feed, args: &WatchArgs) -> anyhow::Result<ExitCode> {
    let mut shown = feed.look(args.board)?;
    if let Feed::Lines(_) = feed {
        // A reading a second, as a rule; the settings come with the hello.
        let until = std::time::Instant::now() + ONCE_WITHIN;
        let whole = |shown: &watch::Shown| {
            shown.boards.len() >= args.from.len()
                && shown
                    .boards
                    .iter()
                    .all(|board| board.last.is_some() && board.settings.is_some())
        };
        while !whole(&shown) && std::time::Instant::now() < until {
            std::thread::sleep(Duration::from_millis(50));
            shown = feed.look(args.board)?;
        }
    }
    let mut out = std::io::stdout().lock();
    if args.json {
        for board in &shown.boards {
            writeln!(out, "{}", ohmward::now::json(board, shown.now_us))?;
        }
    } else {
        write!(out, "{}", plain::text(&shown))?;
    }
    if shown.boards.is_empty() {
        let lines = shown.lines.iter();
        let told: Vec<_> = lines
            .map(|(from, line)| format!("{from}: {line}"))
            .collect();
        bail!(
            "no board seen{}{}",
            if told.is_empty() { "" } else { "; " },
            told.join("; ")
        );
    }
    let calm = shown
        .boards
        .iter()
        .all(|board| board.urgency(shown.now_us) < ohmward::now::Urgency::Look);
    Ok(if calm {
        ExitCode::SUCCESS
    } else {
        ExitCode::from(1)
    })
}
