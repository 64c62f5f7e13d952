//! `record`: boards into a store.

use super::{remark, stop_on_signal, utc};
use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};
use ohmward::link::Source;
use ohmward::record::{Options, Progress, RecordError, record};
use ohmward::sim::Gear;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::{Duration, Instant};

/// Arguments of `record`.
#[derive(Debug, Args)]
pub struct RecordArgs {
    /// A serial device, tcp://HOST:PORT, or sim:SCENARIO.toml; may be given several times
    #[arg(long = "from", required = true, value_parser = clap::value_parser!(Source))]
    from: Vec<Source>,
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
    let options = Options {
        sources: args.from,
        store: args.store,
        baud: args.baud,
        gear: args.gear,
        duration: args.duration,
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
        let tell = |error: &RecordError| told_on.suspend(|| remark(&format!("ohmward: {error}")));
        record(&options, &stop, watch, tell)
    };
    bar.finish_and_clear();
    let outcome = outcome?;
    let kept = &outcome.progress;
    if outcome.failed.is_empty() || kept.newest_us.is_some() || !kept.events.is_empty() {
        let damaged = match outcome.damaged_frames {
            0 => String::new(),
            n => format!("; {n} damaged frames dropped"),
        };
        remark(&format!(
            "{} readings, {} events, {} waveforms new in {}{damaged}",
            kept.readings,
            kept.events.len(),
            kept.captures,
            options.store.display()
        ));
    }
    Ok(if outcome.failed.is_empty() {
        ExitCode::SUCCESS
    } else {
        ExitCode::from(2)
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
    bar.set_message(format!("{} events  {date}", progress.events.len()));
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
