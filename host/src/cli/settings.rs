//! `settings`: what is set on a board, and set it.

use super::remark;
use anyhow::Context;
use clap::Args;
use ohmward::link::Source;
use ohmward::plan::{changes, settings_file};
use ohmward::talk::{self, Line};
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

/// Arguments of `settings`.
#[derive(Debug, Args)]
#[command(after_help = "Exit status: 0 shown or set, 1 refused by the board, 2 could not be done.")]
pub struct SettingsArgs {
    /// A serial device or tcp://HOST:PORT
    #[arg(long, value_parser = clap::value_parser!(Source))]
    from: Source,
    /// Speed of a serial line, baud
    #[arg(long, default_value_t = 115_200, value_parser = clap::value_parser!(u32).range(300..=12_000_000))]
    baud: u32,
    /// Set these, a file as `plan --settings` writes it. What protects less than the present settings is taken only with
    /// the maintenance switch on the board turned on
    #[arg(long, value_name = "FILE")]
    put: Option<PathBuf>,
    /// One JSON object, units in the names
    #[arg(long)]
    json: bool,
}

/// Prints what is set, after setting it if asked to. Exit status 1 when the board refuses.
pub fn run(args: SettingsArgs) -> anyhow::Result<ExitCode> {
    let line = Line {
        from: args.from,
        baud: args.baud,
    };
    if let Some(file) = &args.put {
        let name = file.display().to_string();
        let text = std::fs::read_to_string(file)
            .map_err(|e| anyhow::anyhow!("{name} cannot be read ({e}); name a settings file"))?;
        let settings = settings_file::read(&name, &text)?;
        let (_, before) = talk::settings(&line)?;
        if settings.loosens(&before) {
            remark(
                "these protect less than what is set now: the maintenance switch on the board has to be on",
            );
            for change in changes::loosened(&settings, &before) {
                remark(&format!("  {change}"));
            }
        }
        match talk::put_settings(&line, &settings)? {
            Ok(hash) => remark(&format!("in force and stored on the board ({hash:08x})")),
            Err(fault) => {
                let key = fault.key();
                let space = if key.is_empty() { "" } else { " " };
                remark(&format!("refused by the board: {key}{space}{fault}"));
                return Ok(ExitCode::from(1));
            }
        }
    }
    let (hello, settings) = talk::settings(&line)?;
    let text = if args.json {
        serde_json::to_string(&settings)?
    } else {
        let text = toml::to_string(&settings).context("the settings do not fit in TOML")?;
        format!(
            "# Board {}, settings {:08x}. What each limit rests on: `ohmward plan`.\n{text}",
            hello.board, hello.settings_hash
        )
    };
    writeln!(std::io::stdout(), "{}", text.trim_end())?;
    Ok(ExitCode::SUCCESS)
}
