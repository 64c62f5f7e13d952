//! `simulate`: a board to connect to.

use super::{channel, remark, stop_on_signal};
use anyhow::bail;
use clap::Args;
use ohmward::bench::trace::{Expected, Trace};
use ohmward::sim::SimBoard;
use ohmward::sim::calibration_bench::{Bench, BenchSetup};
use ohmward::sim::emulated::EmulatedBoard;
use ohmward::sim::image::identify;
use ohmward::sim::replay::{AFTER_S, ReplaySetup};
use ohmward::sim::serve::{Line, Speed, serve, serve_board};
use ohmward_plant::Scenario;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::atomic::AtomicBool;

/// Arguments of `simulate`.
#[derive(Debug, Args)]
pub struct SimulateArgs {
    /// The scenario (TOML; see host/scenarios). With --replay only its board, settings, sensors, contactor and start
    #[arg(required_unless_present = "replay")]
    scenario: Option<PathBuf>,
    /// Where a host reaches the board: pty, or tcp:IP:PORT
    #[arg(long, default_value = "pty", value_parser = clap::value_parser!(Line))]
    link: Line,
    /// realtime, xN (N times as fast), or max (waits for a host, then as fast as it goes)
    #[arg(long, default_value = "realtime", value_parser = clap::value_parser!(Speed))]
    speed: Speed,
    /// Run this image (ELF; DEVELOPERS.md says how it is built) in an emulator, qemu-system-arm, instead of the firmware that is
    /// linked into this program. Every sample is made, quiet time too, so max is some ten times real time; one processor
    /// is busy with it all the while
    #[arg(long, value_name = "FILE")]
    image: Option<PathBuf>,
    /// A recorded trace instead of a simulated array, COMTRADE (.cfg, .cff) or CSV as `bench` reads them: the board connects
    /// a healthy array, then meets the recorded bond current, and poles if they were recorded, then healthy values again.
    /// Without a scenario its settings are those of `bench` for that trace
    #[arg(long, value_name = "TRACE")]
    replay: Option<PathBuf>,
    /// Replay: when the fault begins, in the trace's own time; what comes before tells what is normal. Without it as `bench`
    /// takes it; the end of the trace if it is healthy all through
    #[arg(
        long,
        value_name = "S",
        requires = "replay",
        allow_negative_numbers = true
    )]
    onset_s: Option<f64>,
    /// Replay: COMTRADE channel for i_bond, v_pos, v_neg or pickup, by name or as #2; may be given several times
    #[arg(long, value_name = "ROLE=NAME", requires = "replay", value_parser = channel)]
    channel: Vec<(String, String)>,
    /// A calibration bench instead of an array: of the scenario only board, settings, sensors, contactor and start. Lines on
    /// standard input say what stands at the terminals: current A, earthed, poles V, supply V positive|negative OHM,
    /// arm on|off, reset on|off, power (off and on)
    #[arg(long, conflicts_with_all = ["replay", "image"])]
    calibration_bench: bool,
}

/// Serves until the end of scenario or trace, or Ctrl-C. Prints the place to record from as the first line.
pub fn run(args: &SimulateArgs) -> anyhow::Result<ExitCode> {
    if let Some(image) = &args.image {
        let identity = identify(image)?;
        remark(&format!("image {} in {}", identity.name, identity.emulator));
    }
    let scenario = match &args.scenario {
        Some(path) => Some(Scenario::load(path)?),
        None => None,
    };
    let stop = stop_on_signal()?;
    let ended = match (&args.replay, &scenario) {
        (Some(path), scenario) => replay(args, path, scenario.as_ref(), &stop)?,
        (None, Some(scenario)) if args.calibration_bench => bench(args, scenario, &stop)?,
        (None, Some(scenario)) => {
            let ready = |place: &str| {
                tell(place);
                remark(&format!(
                    "simulated board {} ({}), {:.1} h; in another shell: ohmward record --from {place} --store DIR",
                    scenario.board.id,
                    scenario.name.escape_debug(),
                    scenario.duration_h
                ));
            };
            match &args.image {
                Some(image) => {
                    let board = EmulatedBoard::new(image, scenario)?;
                    serve_board(board, &args.link, args.speed, &stop, ready)?
                }
                None => serve(scenario, &args.link, args.speed, &stop, ready)?,
            }
        }
        (None, None) => bail!("name a scenario, or a trace with --replay"),
    };
    remark(match (ended, &args.replay) {
        (false, _) => "stopped",
        (true, None) => "the scenario is over",
        (true, Some(_)) => "the replay is over",
    });
    Ok(ExitCode::SUCCESS)
}

/// A board at a bench; whoever writes lines has the hands.
fn bench(args: &SimulateArgs, scenario: &Scenario, stop: &AtomicBool) -> anyhow::Result<bool> {
    let bench = Bench::default();
    let board = SimBoard::at_bench(&BenchSetup::new(scenario, bench.clone()))?;
    std::thread::spawn(move || {
        for line in std::io::stdin().lines() {
            let Ok(line) = line else { return };
            match line.trim().parse() {
                Ok(order) => {
                    bench.put(order);
                    remark(&format!("bench: {}", line.trim()));
                }
                Err(why) => remark(&why),
            }
        }
    });
    Ok(serve_board(board, &args.link, args.speed, stop, |place| {
        tell(place);
        remark(&format!(
            "simulated board {} ({}) at a calibration bench; in another shell: ohmward calibrate {place}",
            scenario.board.id,
            scenario.name.escape_debug()
        ));
    })?)
}

fn replay(
    args: &SimulateArgs,
    path: &Path,
    scenario: Option<&Scenario>,
    stop: &AtomicBool,
) -> anyhow::Result<bool> {
    let flags = Expected {
        onset_s: args.onset_s,
        channel: args.channel.iter().cloned().collect(),
        ..Expected::default()
    };
    let trace = Trace::open(path, &flags)?;
    let setup = ReplaySetup::new(&trace, scenario, jiff::Timestamp::now())?;
    let name = path.display();
    for words in trace.remarks().iter().chain([&setup.words()]) {
        remark(&format!("{name}: {words}"));
    }
    let ready = |place: &str| {
        tell(place);
        remark(&format!(
            "simulated board {} meets {name}, and goes on for {AFTER_S:.0} s behind it; in another shell: ohmward record \
             --from {place} --store DIR",
            setup.board
        ));
    };
    if let Some(image) = &args.image {
        let board = EmulatedBoard::replay(image, &setup)?;
        return Ok(serve_board(board, &args.link, args.speed, stop, ready)?);
    }
    let board = SimBoard::replay(&setup)?;
    Ok(serve_board(board, &args.link, args.speed, stop, ready)?)
}

/// The place, on a line of its own.
fn tell(place: &str) {
    // Whoever reads the first line may close the pipe after it; the board goes on.
    let _ = writeln!(std::io::stdout(), "{place}").and_then(|()| std::io::stdout().flush());
}
