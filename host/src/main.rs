//! The command line: reads arguments, calls the library, prints.
//!
//! Data goes to standard output, remarks to standard error. Exit status: 0 fine, 1 a finding, 2 could not do it.

mod cli;

use clap::Parser;
use std::io::Write;
use std::process::ExitCode;

fn main() -> ExitCode {
    let args = cli::Args::parse();
    match cli::run(args) {
        Ok(code) => code,
        Err(error) => {
            if let Some(io) = error.root_cause().downcast_ref::<std::io::Error>()
                && io.kind() == std::io::ErrorKind::BrokenPipe
            {
                return ExitCode::SUCCESS; // whoever reads our output has had enough
            }
            // A full or closed standard error is no reason to fail otherwise.
            let _ = writeln!(std::io::stderr(), "ohmward: {error}");
            ExitCode::from(2)
        }
    }
}
