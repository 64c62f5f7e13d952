//! `simulate`: a board to connect to.

use super::{remark, stop_on_signal};
use clap::Args;
use ohmward::sim::serve::{Line, Speed, serve};
use ohmward_plant::Scenario;
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

/// Arguments of `simulate`.
#[derive(Debug, Args)]
pub struct SimulateArgs {
    /// The scenario (TOML; see host/scenarios)
    scenario: PathBuf,
    /// Where a host reaches the board: pty, or tcp:IP:PORT
    #[arg(long, default_value = "pty", value_parser = clap::value_parser!(Line))]
    link: Line,
    /// realtime, xN (N times as fast), or max (waits for a host, then as fast as it goes)
    #[arg(long, default_value = "realtime", value_parser = clap::value_parser!(Speed))]
    speed: Speed,
}

/// Serves until the scenario's end or Ctrl-C. Prints the place to record from as the first line.
pub fn run(args: &SimulateArgs) -> anyhow::Result<ExitCode> {
    let scenario = Scenario::load(&args.scenario)?;
    let stop = stop_on_signal()?;
    let ended = serve(&scenario, &args.link, args.speed, &stop, |place| {
        // Whoever reads the first line may close the pipe after it; the board goes on.
        let _ = writeln!(std::io::stdout(), "{place}").and_then(|()| std::io::stdout().flush());
        remark(&format!(
            "simulated board {} ({}), {:.1} h; in another shell: ohmward record --from {place} --store DIR",
            scenario.board.id,
            scenario.name.escape_debug(),
            scenario.duration_h
        ));
    })?;
    remark(if ended {
        "the scenario is over"
    } else {
        "stopped"
    });
    Ok(ExitCode::SUCCESS)
}
