//! `report`: a period, or one event, on paper.

use super::trend::read_weather;
use super::{board_id, moment, remark};
use anyhow::bail;
use clap::Args;
use ohmward::array_file::ArrayFile;
use ohmward::plan::changes::Looser;
use ohmward::plan::{Plan, plan};
use ohmward::report::{Incident, Period, Wanted, save, tests_file};
use ohmward::store::Store;
use ohmward_proto::EventId;
use ohmward_proto::message::BoardId;
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

/// Arguments of `report`.
#[derive(Debug, Args)]
#[command(
    after_help = "The report holds an instrument's numbers and no judgement: that is for a licensed person, and has its place at the end.\n\
                  Exit status: 0 written, 1 written, and the event log does not hold together, 2 not written."
)]
pub struct ReportArgs {
    /// The store's folder
    #[arg(long)]
    store: PathBuf,
    /// Only this board; may be given several times
    #[arg(long, value_parser = board_id)]
    board: Vec<BoardId>,
    /// From this moment on (2026-05-03 or 2026-05-03T14:20:00Z); from the beginning without it
    #[arg(long, visible_alias = "since", value_parser = moment, conflicts_with = "incident")]
    from: Option<i64>,
    /// Before this moment; to the end without it
    #[arg(long, visible_alias = "until", value_parser = moment, conflicts_with = "incident")]
    to: Option<i64>,
    /// One event (BOOT.SEQ, as `events` prints it) instead of a period
    #[arg(long)]
    incident: Option<EventId>,
    /// The array (TOML, as for `plan`): where limits come from, and which are looser than that
    #[arg(long, value_name = "ARRAY.toml")]
    array: Option<PathBuf>,
    /// Insulation tests that people made, to stand in the report
    #[arg(long, value_name = "TESTS.toml", conflicts_with = "incident")]
    tests: Option<PathBuf>,
    /// Logged weather for the trend: CSV with time and one of cell_c, wetness
    #[arg(long, value_name = "FILE.csv", conflicts_with = "incident")]
    weather: Option<PathBuf>,
    /// A name above it all: a site's
    #[arg(long)]
    title: Option<String>,
    /// The HTML file to write; what is there is replaced
    #[arg(long, default_value = "report.html")]
    out: PathBuf,
}

/// Gathers, writes, prints the file's name.
pub fn run(args: &ReportArgs) -> anyhow::Result<ExitCode> {
    let store = Store::open_existing(&args.store)?;
    let known = store.boards()?;
    for board in &args.board {
        store.require(*board)?;
    }
    if let (Some(from), Some(to)) = (args.from, args.to)
        && to <= from
    {
        bail!("--to is not after --from: exchange them");
    }
    // What is set on the boards is judged, not what the file would change: its looser settings are marked like any other.
    let plan = match &args.array {
        Some(file) => Some(plan(&ArrayFile::load(file)?, Looser::AcceptMarked)?),
        None => None,
    };
    let made_us = jiff::Timestamp::now().as_microsecond();
    let (html, faults) = if let Some(event) = args.incident {
        let board = one_board(args, &known)?;
        let title = args.title.clone();
        let incident = Incident::from_store(&store, board, event, plan.as_ref(), title, made_us)?;
        (incident.html(), incident.log_faults)
    } else {
        let period = Period::from_store(&store, &wanted(args, plan, made_us)?)?;
        if let Some(words) = period.tests_outside_words() {
            remark(&words);
        }
        (period.html(), period.log_faults)
    };
    save(&html, &args.out)?;
    writeln!(std::io::stdout(), "{}", args.out.display())?;
    for fault in &faults {
        remark(&format!("the event log does not hold: {fault}"));
    }
    Ok(ExitCode::from(u8::from(!faults.is_empty())))
}

/// The board that an incident is of.
fn one_board(args: &ReportArgs, known: &[BoardId]) -> anyhow::Result<BoardId> {
    match (args.board.as_slice(), known) {
        (&[board], _) | (&[], &[board]) => Ok(board),
        (_, []) => bail!("nothing has been recorded in {} yet", args.store.display()),
        _ => {
            let names: Vec<_> = known.iter().map(ToString::to_string).collect();
            bail!(
                "an incident is of one board: choose it with --board {}",
                names.join(" | ")
            )
        }
    }
}

fn wanted(args: &ReportArgs, plan: Option<Plan>, made_us: i64) -> anyhow::Result<Wanted> {
    Ok(Wanted {
        boards: args.board.clone(),
        from_us: args.from,
        to_us: args.to,
        title: args.title.clone(),
        plan,
        tests: match &args.tests {
            Some(file) => tests_file::load(file)?,
            None => Vec::new(),
        },
        weather: match &args.weather {
            Some(file) => read_weather(file)?,
            None => Vec::new(),
        },
        made_us,
    })
}
