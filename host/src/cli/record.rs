//! `record`: boards into a store.

use super::{remark, stop_on_signal};
use anyhow::bail;
use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};
use ohmward::link::Source;
use ohmward::record::{LinkSummary, Notice, Options, Outcome, Progress, record};
use ohmward::sim::Gear;
use ohmward::store::{CheckOptions, Head, Rules, Store};
use ohmward::words::utc;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, Instant};

/// Arguments of `record`.
#[derive(Debug, Args)]
#[command(
    after_help = "Exit status: 0 recorded as asked, or the store holds together (--check); 1 it does not; 2 could not record, or a source ended early (with --until-gone every line that closes has; what came is kept)."
)]
pub struct RecordArgs {
    /// A serial device, a pattern such as '/dev/ttyACM*' (quoted: boards plugged in later are found too), tcp://HOST:PORT, or
    /// sim:SCENARIO.toml; several are possible
    #[arg(long = "from", num_args = 1.., required_unless_present_any = ["from_file", "check"], value_parser = clap::value_parser!(Source))]
    from: Vec<Source>,
    /// A file with one source a line; empty lines and lines that begin with # do not count
    #[arg(long)]
    from_file: Option<PathBuf>,
    /// The folder to record into; made if it is not there
    #[arg(long)]
    store: PathBuf,
    /// Speed of serial lines, baud (8 data bits, no parity, 1 stop bit)
    #[arg(long, default_value_t = 115_200, value_parser = clap::value_parser!(u32).range(300..=12_000_000))]
    baud: u32,
    /// How scenarios are run: skip-quiet (all events, readings from samples), readings-only (readings in quiet are drawn: a
    /// year in seconds) or every-sample
    #[arg(long, default_value = "skip-quiet", value_parser = clap::value_parser!(Gear))]
    gear: Gear,
    /// Stop after this long (30s, 5m, 2h, 7d): by the clock for boards, in virtual time for scenarios
    #[arg(long = "for", value_parser = span)]
    duration: Option<Duration>,
    /// End when every source has gone away, instead of waiting for them to come back
    #[arg(long)]
    until_gone: bool,
    /// Whole days that stay in the store's tables after they have ended; older ones move into its archive (Parquet)
    #[arg(long, value_name = "DAYS", default_value_t = Rules::default().hot_days)]
    hot_days: u32,
    /// Remove a day's archived readings so many days after it has ended; events, captures, roll-ups and measurements of
    /// insulation stay. Without it nothing is ever removed
    #[arg(long, value_name = "DAYS")]
    drop_readings_after: Option<u32>,
    /// Record nothing: check that what is in the store holds together (hashes of the event log, numbering, archive, roll-ups).
    /// Exit status 1 when something does not
    #[arg(long, conflicts_with_all = ["from", "from_file"])]
    check: bool,
    /// With --check: a head of the event log as an earlier check printed it; the log must still contain it
    #[arg(long, value_name = "COUNT:HASH", requires = "check", value_parser = clap::value_parser!(Head))]
    head: Option<Head>,
    /// At the end, what was kept and how each line went, or what the check found, as one JSON object; units in the names
    #[arg(long)]
    json: bool,
}

/// Sources out of a file.
fn sources_in(file: &Path) -> anyhow::Result<Vec<Source>> {
    let text = std::fs::read_to_string(file).map_err(|e| {
        anyhow::anyhow!(
            "cannot read {}: {e}; give a text file with one source a line",
            file.display()
        )
    })?;
    let mut sources = Vec::new();
    for (n, line) in text.lines().enumerate() {
        let line = line.trim();
        if !line.is_empty() && !line.starts_with('#') {
            let source = line.parse();
            sources.push(
                source.map_err(|why: String| {
                    anyhow::anyhow!("{}:{}: {why}", file.display(), n + 1)
                })?,
            );
        }
    }
    if sources.is_empty() {
        bail!("{} names no source: write one a line", file.display());
    }
    Ok(sources)
}

fn span(text: &str) -> Result<Duration, String> {
    // A day has no fixed length in a calendar; here it is 24 hours.
    text.strip_suffix('d')
        .and_then(|days| days.parse::<f64>().ok())
        .filter(|days| (0.0..1e5).contains(days))
        .map(|days| Duration::from_secs_f64(days * 86_400.0))
        .or_else(|| {
            text.parse::<jiff::SignedDuration>()
                .ok()
                .and_then(|d| Duration::try_from(d).ok())
        })
        .ok_or_else(|| "a duration is written 30s, 5m, 2h or 7d".to_owned())
}

/// Records, then says what was kept.
pub fn run(args: RecordArgs) -> anyhow::Result<ExitCode> {
    if args.check {
        return check(&args);
    }
    let mut sources = args.from;
    if let Some(file) = &args.from_file {
        sources.extend(sources_in(file)?);
    }
    // A connection is a file to the system, which by habit allows a thousand. If more are refused, opening says so.
    let _ = rlimit::increase_nofile_limit(sources.len() as u64 + 1024);
    let options = Options {
        sources,
        store: args.store,
        baud: args.baud,
        gear: args.gear,
        duration: args.duration,
        comes_back: !args.until_gone,
        rules: Rules {
            hot_days: args.hot_days,
            drop_archive_after_days: args.drop_readings_after,
        },
        wall_clock: std::time::SystemTime::now,
    };
    let stop = stop_on_signal()?;
    let bar = progress_bar();
    let outcome = {
        let (shown_on, told_on) = (bar.clone(), bar.clone());
        let mut shown = Instant::now();
        let watch = move |progress: &Progress| {
            if shown.elapsed() > Duration::from_millis(100) {
                shown = Instant::now();
                show(&shown_on, progress);
            }
        };
        // At once, not at the end: others may go on recording for weeks.
        let tell = |notice: &Notice| told_on.suspend(|| remark(&format!("ohmward: {notice}")));
        record(&options, &stop, watch, tell)
    };
    bar.finish_and_clear();
    let outcome = outcome?;
    let kept = &outcome.progress;
    if args.json {
        let mut out = std::io::stdout().lock();
        writeln!(out, "{}", json(&outcome))?;
    } else if outcome.failed.is_empty() || kept.newest_us.is_some() || kept.events > 0 {
        let damaged = match outcome.damaged_frames() {
            0 => String::new(),
            n => format!("; {n} damaged frames dropped"),
        };
        remark(&format!(
            "{} readings, {} events, {} waveforms new in {}{damaged}",
            kept.readings,
            kept.events,
            kept.captures,
            options.store.display()
        ));
        // A crowd of boards is for --json.
        if outcome.links.len() <= LINES_TOLD {
            for link in &outcome.links {
                remark(&line(link));
            }
        }
    }
    Ok(if outcome.failed.is_empty() {
        ExitCode::SUCCESS
    } else {
        ExitCode::from(2)
    })
}

/// Whether the store holds together.
fn check(args: &RecordArgs) -> anyhow::Result<ExitCode> {
    let store = Store::open_existing(&args.store)?;
    let report = store.check(&CheckOptions { head: args.head })?;
    let mut out = std::io::stdout().lock();
    if args.json {
        writeln!(out, "{}", serde_json::to_string(&report)?)?;
    } else {
        for fault in &report.faults {
            writeln!(out, "DOES NOT HOLD: {fault}")?;
        }
        for gap in &report.gaps {
            writeln!(out, "gap: {gap}")?;
        }
        for note in &report.notes {
            writeln!(out, "note: {note}")?;
        }
        writeln!(
            out,
            "{}: {} boards, {} events, {} readings, {} archive files, {} roll-ups checked; {}",
            args.store.display(),
            report.boards,
            report.events,
            report.readings,
            report.files,
            report.rollups,
            if report.holds() {
                "all of it holds together"
            } else {
                "see above"
            }
        )?;
        if !report.head.is_empty() {
            writeln!(out, "head of the event log: {}", report.head)?;
        }
    }
    Ok(ExitCode::from(u8::from(!report.holds())))
}

/// Lines whose story is told at the end.
const LINES_TOLD: usize = 8;

fn line(link: &LinkSummary) -> String {
    let board = link
        .board
        .map_or_else(|| "no board".to_owned(), |board| format!("board {board}"));
    let received = &link.report.received;
    let mut parts = vec![format!(
        "  {}, {board}: {} frames, {} damaged",
        link.from,
        received.messages,
        received.bad_crc + received.bad_form
    )];
    if let Some((least, _)) = link.report.round_trip_us {
        parts.push(format!("round trip {:.1} ms", least as f64 * 1e-3));
    }
    if let Some((drift, off)) = link.report.drift {
        parts.push(format!(
            "its clock {:+.1} ppm, ± {:.1}",
            drift * 1e6,
            off * 1e6
        ));
    }
    if let Some(board) = link.report.board {
        parts.push(format!(
            "the board: {} frames sent, {} damaged, {} readings skipped, {} events sent again",
            board.frames_out,
            board.bad_crc + board.bad_form,
            board.readings_skipped,
            board.events_resent
        ));
    }
    if link.report.unread_events > 0 {
        parts.push(format!(
            "{} events kept that only a newer ohmward can read",
            link.report.unread_events
        ));
    }
    parts.join("; ")
}

fn json(outcome: &Outcome) -> serde_json::Value {
    let kept = &outcome.progress;
    let ms = |d: Duration| d.as_secs_f64() * 1e3;
    let links: Vec<_> = outcome.links.iter().map(link_json).collect();
    serde_json::json!({
        "readings": kept.readings,
        "events": kept.events,
        "captures": kept.captures,
        "newest_us": kept.newest_us,
        "damaged_frames": outcome.damaged_frames(),
        "commits": kept.latency.count(),
        "commit_p50_ms": ms(kept.latency.quantile(0.5)),
        "commit_p99_ms": ms(kept.latency.quantile(0.99)),
        "commit_max_ms": ms(kept.latency.most()),
        "failed": outcome.failed.iter().map(ToString::to_string).collect::<Vec<_>>(),
        "links": links,
    })
}

fn link_json(link: &LinkSummary) -> serde_json::Value {
    let (report, received) = (&link.report, &link.report.received);
    let board = report.board.map(|board| {
        serde_json::json!({
            "frames_in": board.frames_in,
            "frames_out": board.frames_out,
            "bad_crc": board.bad_crc,
            "bad_form": board.bad_form,
            "readings_skipped": board.readings_skipped,
            "events_resent": board.events_resent,
        })
    });
    serde_json::json!({
        "from": link.from,
        "board": link.board.map(|board| board.to_string()),
        "frames": received.messages,
        "bad_crc": received.bad_crc,
        "bad_form": received.bad_form,
        "unknown": received.unknown,
        "bytes_dropped": received.bytes_dropped,
        "events_acknowledged": report.acknowledged,
        "events_unread": report.unread_events,
        "round_trip_least_us": report.round_trip_us.map(|(least, _)| least),
        "round_trip_last_us": report.round_trip_us.map(|(_, last)| last),
        "drift_ppm": report.drift.map(|(drift, _)| drift * 1e6),
        "drift_bound_ppm": report.drift.map(|(_, off)| off * 1e6),
        "time_restarts": report.time_restarts,
        "clock_steps": report.clock_steps.0,
        "at_board": board,
    })
}

/// Shown on a terminal only.
pub fn progress_bar() -> ProgressBar {
    let bar = ProgressBar::new_spinner();
    if let Ok(style) =
        ProgressStyle::with_template("{spinner} {human_pos} readings ({per_sec})  {msg}")
    {
        bar.set_style(style);
    }
    bar
}

/// Count, rate and (virtual) date.
pub fn show(bar: &ProgressBar, progress: &Progress) {
    bar.set_position(progress.readings);
    let date = progress.newest_us.map(utc).unwrap_or_default();
    bar.set_message(format!("{} events  {date}", progress.events));
    bar.tick();
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn durations_as_people_write_them() {
        for (text, seconds) in [
            ("30s", 30),
            ("5m", 300),
            ("2h", 7200),
            ("7d", 604_800),
            ("1h 30m", 5400),
        ] {
            assert_eq!(span(text), Ok(Duration::from_secs(seconds)), "{text}");
        }
        for wrong in ["", "7", "-5s", "soon"] {
            assert!(span(wrong).is_err(), "{wrong}");
        }
    }
}
