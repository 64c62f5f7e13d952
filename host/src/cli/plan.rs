//! `plan`: limits, grounding and cautions for an array.

use super::remark;
use clap::Args;
use ohmward::array_file::ArrayFile;
use ohmward::plan::changes::Looser;
use ohmward::plan::{plan, settings_file, text};
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

/// Arguments of `plan`.
#[derive(Debug, Args)]
#[command(
    after_help = "An instrument's plan, no approval: local codes, the authority having jurisdiction and licensed persons decide.\n\
                  Exit status: 0 nothing found wrong, 1 a problem was found or a limit is looser than its source, 2 no plan."
)]
pub struct PlanArgs {
    /// The array (TOML; host/scenarios/heron-bend-array.toml is a commented example)
    array: PathBuf,
    /// Write the board's settings to this file, each limit with its source; a file that is there is left alone
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
    /// Take [settings] of the array file that are looser than their source, and mark them everywhere
    #[arg(long)]
    accept_looser: bool,
    /// One JSON object; units in the names
    #[arg(long)]
    json: bool,
}

/// Plans, writes the settings if asked to, prints.
pub fn run(args: &PlanArgs) -> anyhow::Result<ExitCode> {
    let file = ArrayFile::load(&args.array)?;
    let looser = if args.accept_looser {
        Looser::AcceptMarked
    } else {
        Looser::Refuse
    };
    let plan = plan(&file, looser)?;
    if let Some(path) = &args.settings {
        settings_file::write(&plan, path)?;
    }
    let mut out = std::io::stdout().lock();
    if args.json {
        serde_json::to_writer_pretty(&mut out, &plan)?;
        writeln!(out)?;
    } else {
        out.write_all(text::render(&plan).as_bytes())?;
    }
    out.flush()?;
    if let Some(path) = &args.settings {
        remark(&format!("settings written to {}", path.display()));
    }
    let found = plan.problems() > 0 || plan.looser().next().is_some();
    Ok(ExitCode::from(u8::from(found)))
}
