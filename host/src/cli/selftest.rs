//! `selftest`: has a board prove its sensor.

use clap::Args;
use ohmward::link::Source;
use ohmward::talk::{Line, SelfTested, self_test};
use ohmward::words;
use std::io::Write;
use std::process::ExitCode;
use std::time::Duration;

/// Arguments of `selftest`.
#[derive(Debug, Args)]
#[command(after_help = "Exit status: 0 passed, 1 not passed, 2 could not be done.")]
pub struct SelftestArgs {
    /// A serial device or tcp://HOST:PORT
    #[arg(long, value_parser = clap::value_parser!(Source))]
    from: Source,
    /// Speed of a serial line, baud
    #[arg(long, default_value_t = 115_200, value_parser = clap::value_parser!(u32).range(300..=12_000_000))]
    baud: u32,
    /// Wait this long for the result, in seconds
    #[arg(long, default_value_t = 60, value_parser = clap::value_parser!(u64).range(1..=3600))]
    wait_s: u64,
}

/// Asks, waits, says. Exit status 0 only for a pass.
pub fn run(args: SelftestArgs) -> anyhow::Result<ExitCode> {
    let line = Line {
        from: args.from,
        baud: args.baud,
    };
    let tested = self_test(&line, Duration::from_secs(args.wait_s))?;
    let (text, passed) = match tested {
        SelfTested::Passed { injected, zero } => (
            format!(
                "passed: the sensor shows {} of a test current of 100 mA, and {} with the bond open\n\
                 (the measuring resistor is tested at rest, before the array connects)",
                words::si(injected.0, "A"),
                words::si(zero.0, "A")
            ),
            true,
        ),
        SelfTested::Failed(fault) => (
            format!(
                "FAILED: {}. The board stays open",
                words::self_test(&fault)
            ),
            false,
        ),
        SelfTested::Tripped(cause) => (
            format!("not finished: the board tripped: {}", words::cause(&cause)),
            false,
        ),
        SelfTested::NotNow => (
            "not now: a connected array is measured at most once a minute, and not while the contactor moves; try again"
                .to_owned(),
            false,
        ),
        SelfTested::NoResult { last } => (
            match last {
                Some(why) => format!(
                    "no result within {} s: the insulation check it goes with was not possible ({})",
                    args.wait_s,
                    words::not_measured(why)
                ),
                None => format!(
                    "no result within {} s: with the array connected it waits for the next possible check; --wait-s waits longer",
                    args.wait_s
                ),
            },
            false,
        ),
    };
    writeln!(std::io::stdout(), "self-test {text}")?;
    Ok(ExitCode::from(u8::from(!passed)))
}
