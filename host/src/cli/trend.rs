//! `trend`: which insulation is on its way down.

use super::board_id;
use anyhow::{Context, bail};
use clap::Args;
use ohmward::store::Store;
use ohmward::trend::days::{Dwell, Weather};
use ohmward::trend::json::{BoardTrend, record_dwell};
use ohmward::trend::record::{add_weather, from_store};
use ohmward::trend::{Assessment, Kind, Limit, findings};
use ohmward::words::si;
use ohmward_proto::Settings;
use ohmward_proto::message::BoardId;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Arguments of `trend`.
#[derive(Debug, Args)]
#[command(
    after_help = "Exit status: 0 every board healthy, 1 anything else (not enough data included), 2 could not be done."
)]
pub struct TrendArgs {
    /// The store's folder
    #[arg(long)]
    store: PathBuf,
    /// Only this board
    #[arg(long, value_parser = board_id)]
    board: Option<BoardId>,
    /// Logged weather: CSV with columns time (2026-05-03T14:20:00Z), cell_c and/or wetness (0 dry to 1 wet)
    #[arg(long)]
    weather: Option<PathBuf>,
    /// JSON, one object a board and line; units in the names
    #[arg(long)]
    json: bool,
}

/// Assesses and tells.
pub fn run(args: &TrendArgs) -> anyhow::Result<ExitCode> {
    let store = Store::open_existing(&args.store)?;
    let known = store.boards()?;
    let boards = match args.board {
        None if known.is_empty() => {
            bail!("nothing has been recorded in {} yet", args.store.display())
        }
        None => known,
        Some(board) => {
            store.require(board)?;
            vec![board]
        }
    };
    let weather = args.weather.as_deref().map(read_weather).transpose()?;
    let mut out = std::io::stdout().lock();
    let mut all_healthy = true;
    for board in boards {
        let mut record = from_store(&store, board)?;
        if let Some(lines) = &weather
            && add_weather(&mut record, lines) == 0
        {
            super::remark(&format!(
                "no line of the weather file lies within an hour of a measurement of board {board}: it is not used"
            ));
        }
        let settings = store.settings(board)?;
        let insulation = settings.unwrap_or(Settings::SMALL_BONDED).insulation;
        let limits = [Limit::trip(&insulation), Limit::warning(&insulation)];
        let days = record.days();
        let found = Assessment::of(&days, &limits);
        let findings = findings(&days, &found);
        all_healthy &= findings.iter().all(|finding| finding.kind == Kind::Healthy);
        if args.json {
            let told = BoardTrend::new(board, settings.is_none(), &record, &found, &findings);
            writeln!(out, "{}", serde_json::to_string(&told)?)?;
            continue;
        }
        writeln!(
            out,
            "board {board}: {} days, {} measured; median dwell {}",
            found.days,
            found.measured_days,
            dwell_words(record_dwell(&record))
        )?;
        if settings.is_none() {
            writeln!(
                out,
                "  no settings of this board are stored: limits are the defaults"
            )?;
        }
        for finding in &findings {
            writeln!(
                out,
                "\n  {}: {}",
                finding.weight.word().to_uppercase(),
                finding.kind.heading()
            )?;
            for (label, text) in [
                ("seen", finding.seen.as_str()),
                ("sure", &finding.sure),
                ("check first", &finding.check_first),
                ("caution", finding.caution),
            ] {
                for (k, line) in text.lines().enumerate() {
                    writeln!(out, "  {:<12} {line}", if k == 0 { label } else { "" })?;
                }
            }
        }
        writeln!(out)?;
    }
    Ok(if all_healthy {
        ExitCode::SUCCESS
    } else {
        ExitCode::from(1)
    })
}

fn dwell_words(dwell: Option<Dwell>) -> String {
    dwell.map_or_else(
        || "not logged".into(),
        |dwell| {
            format!(
                "{}, {:.0} % extrapolated to rest",
                si(dwell.dwell_s as f32, "s"),
                100.0 * dwell.extrapolated_share
            )
        },
    )
}

/// Lines in the order of time.
pub(super) fn read_weather(file: &Path) -> anyhow::Result<Vec<(f64, Weather)>> {
    let name = file.display();
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .from_path(file)
        .with_context(|| format!("{name} cannot be read"))?;
    let heads = reader
        .headers()
        .with_context(|| format!("{name} has no head line"))?
        .clone();
    let column = |head: &str| heads.iter().position(|h| h == head);
    let Some(time) = column("time") else {
        bail!("{name} has no column 'time'; it needs time and one of cell_c, wetness");
    };
    let (cell, wet) = (column("cell_c"), column("wetness"));
    if cell.is_none() && wet.is_none() {
        bail!("{name} has neither a column 'cell_c' nor 'wetness'");
    }
    let mut lines = Vec::new();
    for (k, row) in reader.records().enumerate() {
        let line = k + 2;
        let row = row.with_context(|| format!("{name} line {line} is no CSV"))?;
        let Ok(t) = row.get(time).unwrap_or_default().parse::<jiff::Timestamp>() else {
            bail!(
                "{name} line {line}: '{}' is no time; write 2026-05-03T14:20:00Z",
                row.get(time).unwrap_or_default()
            );
        };
        let number = |at: Option<usize>, low: f64, high: f64| -> anyhow::Result<Option<f64>> {
            let text = at.and_then(|at| row.get(at)).unwrap_or_default();
            match text.parse::<f64>() {
                _ if text.is_empty() => Ok(None),
                Ok(value) if (low..=high).contains(&value) => Ok(Some(value)),
                _ => bail!(
                    "{name} line {line}: '{text}' is no number from {low} to {high}; leave the field empty where nothing is known"
                ),
            }
        };
        let weather = Weather {
            cell_c: number(cell, -60.0, 120.0)?,
            wetness: number(wet, 0.0, 1.0)?,
        };
        lines.push((t.as_microsecond() as f64 * 1e-6, weather));
    }
    lines.sort_by(|a, b| a.0.total_cmp(&b.0));
    Ok(lines)
}
