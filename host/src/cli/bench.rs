//! `bench`: trip times against the standards.

use clap::Args;
use ohmward::bench;
use std::io::Write;
use std::process::ExitCode;

/// Arguments of `bench`.
#[derive(Debug, Args)]
pub struct BenchArgs {
    /// Every case, not only the groups
    #[arg(long)]
    verbose: bool,
}

/// Runs and prints the table.
pub fn run(args: &BenchArgs) -> anyhow::Result<ExitCode> {
    let report = bench::report::Report {
        runs: bench::run_matrix(&bench::matrix::all())?,
        seed: None,
    };
    write!(
        std::io::stdout(),
        "{}",
        bench::table::table(&report, args.verbose)
    )?;
    Ok(if report.failed().next().is_some() {
        ExitCode::from(1)
    } else {
        ExitCode::SUCCESS
    })
}
