//! One file a command: what may be written, then one library call, then what is printed.

mod bench;
mod calibrate;
mod chart;
mod demo;
mod events;
mod export;
mod plan;
mod record;
mod report;
mod selftest;
mod serve;
mod settings;
mod simulate;
mod trend;
mod watch;
mod whatif;

use clap::{Parser, Subcommand};
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Ground-fault monitor for photovoltaic arrays: simulate, record, list, chart and hand over.
///
/// An instrument, not a listed protective device. PV conductors stay live in daylight; a good reading is no proof of
/// isolation. Local codes, the authority having jurisdiction and licensed persons decide.
#[derive(Debug, Parser)]
#[command(name = "ohmward", version, max_term_width = 100)]
pub struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Thirty days of an invented workshop's array in under a minute: simulated, recorded, charted
    Demo(demo::DemoArgs),
    /// Run a simulated board: real firmware in a simulated world, behind a pseudo-terminal or a TCP port
    Simulate(simulate::SimulateArgs),
    /// Limits for an array with their sources, expected values, grounding, cautions; the board's settings
    Plan(plan::PlanArgs),
    /// What a fault would do to an array: currents, touch, heat, what trips and when, what would not
    Whatif(whatif::WhatIfArgs),
    /// Record one or more boards into a store
    Record(record::RecordArgs),
    /// Show what is set on a board, or set it
    Settings(settings::SettingsArgs),
    /// Have a board test its own sensor and zero
    Selftest(selftest::SelftestArgs),
    /// Calibrate a board with known currents, voltages and resistors, or see how far it has drifted
    Calibrate(calibrate::CalibrateArgs),
    /// Boards in the terminal, as they are now
    Watch(watch::WatchArgs),
    /// A store in the browser, read-only: live values, charts over any time, events, trend; metrics and JSON for machines
    Serve(serve::ServeArgs),
    /// List what happened
    Events(events::EventsArgs),
    /// Draw bond current and insulation over time, or the captured waveform of one event
    Chart(chart::ChartArgs),
    /// Hand over one event's waveform (COMTRADE, CSV), or readings and events over time (CSV)
    Export(export::ExportArgs),
    /// Which insulation is on its way down, when it will pass its limits, where to look
    Trend(trend::TrendArgs),
    /// A period, or one event, as one HTML file that prints well
    Report(report::ReportArgs),
    /// Trip times of the firmware against the standards' limits: built-in cases, random ones, and recorded traces
    Bench(bench::BenchArgs),
}

/// Carries a command out.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    match args.command {
        Command::Demo(args) => demo::run(&args),
        Command::Simulate(args) => simulate::run(&args),
        Command::Plan(args) => plan::run(&args),
        Command::Whatif(args) => whatif::run(&args),
        Command::Record(args) => record::run(args),
        Command::Settings(args) => settings::run(args),
        Command::Selftest(args) => selftest::run(args),
        Command::Calibrate(args) => calibrate::run(args),
        Command::Watch(args) => watch::run(&args),
        Command::Serve(args) => serve::run(args),
        Command::Events(args) => events::run(&args),
        Command::Chart(args) => chart::run(&args),
        Command::Export(args) => export::run(&args),
        Command::Trend(args) => trend::run(&args),
        Command::Report(args) => report::run(&args),
        Command::Bench(args) => bench::run(&args),
    }
}

/// A flag that Ctrl-C and SIGTERM set, so that whatever runs can end cleanly.
fn stop_on_signal() -> anyhow::Result<Arc<AtomicBool>> {
    let stop = Arc::new(AtomicBool::new(false));
    let flag = Arc::clone(&stop);
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    std::thread::spawn(move || {
        runtime.block_on(async {
            signal().await;
            flag.store(true, Ordering::Relaxed);
            // A second one means it: leave without ceremony.
            signal().await;
            std::process::exit(130);
        });
    });
    Ok(stop)
}

#[cfg(unix)]
async fn signal() {
    use tokio::signal::unix::{SignalKind, signal};
    match signal(SignalKind::terminate()) {
        Ok(mut terminate) => {
            tokio::select! {
                _ = tokio::signal::ctrl_c() => {}
                _ = terminate.recv() => {}
            }
        }
        Err(_) => {
            let _ = tokio::signal::ctrl_c().await;
        }
    }
}

#[cfg(not(unix))]
async fn signal() {
    let _ = tokio::signal::ctrl_c().await;
}

/// A line on standard error, as far as anybody reads it.
fn remark(line: &str) {
    use std::io::Write;
    let _ = writeln!(std::io::stderr(), "{line}");
}

/// A board's number as people write it.
fn board_id(text: &str) -> Result<ohmward_proto::message::BoardId, String> {
    u64::from_str_radix(text, 16)
        .map(ohmward_proto::message::BoardId)
        .map_err(|_| "a board is named by up to 16 hex digits, as `events` prints it".to_owned())
}

/// A channel of a trace for a role: `i_bond=NAME`.
fn channel(text: &str) -> Result<(String, String), String> {
    use ohmward::bench::trace::ROLES;
    match text.split_once('=') {
        Some((role, name)) if ROLES.contains(&role) && !name.is_empty() => {
            Ok((role.to_owned(), name.to_owned()))
        }
        _ => Err(format!(
            "'{text}' chooses no channel: write ROLE=NAME with a role of {}",
            ROLES.join(", ")
        )),
    }
}

/// A moment: RFC 3339 with or without a time.
fn moment(text: &str) -> Result<i64, String> {
    text.parse::<jiff::Timestamp>()
        .or_else(|_| format!("{text}T00:00:00Z").parse())
        .map(jiff::Timestamp::as_microsecond)
        .map_err(|_| "a moment is written 2026-05-03 or 2026-05-03T14:20:00Z".to_owned())
}
