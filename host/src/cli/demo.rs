//! `demo`: thirty invented days, told in a few lines.

use super::record::{progress_bar, show};
use super::stop_on_signal;
use clap::Args;
use ohmward::words;
use ohmward::words::utc;
use ohmward_proto::EventKind;
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::{Duration, Instant};

/// Arguments of `demo`.
#[derive(Debug, Args)]
pub struct DemoArgs {
    /// The folder for store and pictures; an earlier demo in it is replaced
    #[arg(long, default_value = "ohmward-demo")]
    out: PathBuf,
}

/// Runs it and prints what was seen.
pub fn run(args: &DemoArgs) -> anyhow::Result<ExitCode> {
    let stop = stop_on_signal()?;
    let bar = progress_bar();
    let begun = Instant::now();
    let demo = {
        let bar = bar.clone();
        let mut shown = Instant::now();
        ohmward::demo::run(&args.out, &stop, move |progress| {
            if shown.elapsed() > Duration::from_millis(100) {
                shown = Instant::now();
                show(&bar, progress);
            }
        })
    };
    bar.finish_and_clear();
    let demo = demo?;
    let mut out = std::io::stdout().lock();
    writeln!(
        out,
        "{} (invented): {:.0} days in {:.1} s, {} readings, {} events{}",
        demo.name,
        demo.days,
        begun.elapsed().as_secs_f64(),
        demo.readings,
        demo.events.len(),
        if demo.stopped {
            "; STOPPED before its end"
        } else {
            ""
        }
    )?;
    writeln!(out)?;
    for stored in &demo.events {
        // Every morning and evening is in the store; here only what is out of the ordinary.
        if matches!(
            stored.event.kind,
            EventKind::Connected | EventKind::Rested | EventKind::SelfTestPassed { .. }
        ) {
            continue;
        }
        writeln!(
            out,
            "  {}  {}",
            utc(stored.t_us),
            words::event(&stored.event.kind, Some(demo.sample_rate_hz))
        )?;
    }
    writeln!(out)?;
    for (trip, after_ms) in &demo.trips {
        match after_ms {
            Some(ms) => writeln!(
                out,
                "Tripped {ms:.1} ms after the fault began (event {})",
                trip.event.id
            )?,
            None => writeln!(
                out,
                "Tripped without a fault in the scenario (event {})",
                trip.event.id
            )?,
        }
    }
    writeln!(out, "Pictures:")?;
    for picture in &demo.pictures {
        writeln!(out, "  {}", picture.display())?;
    }
    writeln!(
        out,
        "Store: {}  (ohmward events --store …, ohmward chart --store …)",
        demo.folder.join("store").display()
    )?;
    Ok(ExitCode::SUCCESS)
}
