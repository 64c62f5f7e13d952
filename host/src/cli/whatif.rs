//! `whatif`: what a fault would do, and what the board would do about it.

use super::remark;
use clap::{Args, ValueEnum};
use ohmward::array_file::ArrayFile;
use ohmward::chart::save;
use ohmward::plan::changes::Looser;
use ohmward::whatif::circuit::Touches;
use ohmward::whatif::fault::FaultSpec;
use ohmward::whatif::sweep::{self, Range, Sight, sweep};
use ohmward::whatif::{Question, Sun, WhatIfError, schematic, text, what_if};
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

/// Arguments of `whatif`.
#[derive(Debug, Args)]
#[command(
    after_help = "A fault: string=S,module=M,ohms=R[,to=frame|soil] or conductor=positive|negative,ohms=R[,to=frame|soil].\n\
                  \n\
                  \x20 negative end --[1]--+--[2]--+--[3]-- ... --[N]-- positive end\n\
                  \x20              module=1     module=2           (module=0: the negative end itself)\n\
                  \n\
                  M counts the modules between the negative end of the string and the fault. to=frame is the default.\n\
                  A model's answer, no approval: local codes, the authority having jurisdiction and licensed persons decide.\n\
                  Exit status: 0 every danger found is ended in time, 1 a danger that nothing ends in time (a blind spot), 2 no answer, or none about the board."
)]
pub struct WhatIfArgs {
    /// The array (TOML; host/scenarios/heron-bend-array.toml is a commented example)
    array: PathBuf,
    /// A fault; up to four
    #[arg(long = "fault", value_name = "KEY=VALUE,…", required = true)]
    faults: Vec<String>,
    /// What the person touches, standing on the soil at the array
    #[arg(long, value_enum, default_value_t = TouchArg::Frame)]
    touch: TouchArg,
    /// The person's shoes, Ω; 0 is bare or soaked
    #[arg(long, default_value_t = 0.0, value_name = "OHMS", value_parser = shoes)]
    shoes_ohm: f64,
    /// Light in the plane of the modules, W/m²
    #[arg(long, default_value_t = 1000.0, value_name = "W_M2", value_parser = light)]
    irradiance_w_m2: f64,
    /// Of the cells, °C
    #[arg(long, default_value_t = 25.0, value_name = "C", value_parser = cells, allow_negative_numbers = true)]
    cell_c: f64,
    /// 0 dry to 1 covered with water
    #[arg(long, default_value_t = 0.0, value_name = "0..1", value_parser = wetness)]
    wetness: f64,
    /// Run the first fault over a range of resistances instead: ohms=0.1..1e6[,points=41]
    #[arg(long, value_name = "ohms=LOW..HIGH", conflicts_with = "svg")]
    sweep: Option<String>,
    /// Draw the sweep: trip time and bond current over the resistance (.svg or .png)
    #[arg(long, value_name = "FILE", requires = "sweep")]
    chart: Option<PathBuf>,
    /// Take [settings] of the array file that are looser than their source
    #[arg(long)]
    accept_looser: bool,
    /// Draw the array with the fault and every current, bond closed and opened, into this file (.svg)
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// One JSON object; units in the names
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug, ValueEnum)]
enum TouchArg {
    Frame,
    Positive,
    Negative,
}

fn between(text: &str, low: f64, high: f64) -> Result<f64, String> {
    text.parse()
        .ok()
        .filter(|x| (low..=high).contains(x))
        .ok_or_else(|| format!("give {low} to {high}"))
}

fn shoes(text: &str) -> Result<f64, String> {
    between(text, 0.0, 1e9)
}
fn light(text: &str) -> Result<f64, String> {
    between(text, 50.0, 1500.0)
}
fn cells(text: &str) -> Result<f64, String> {
    between(text, -60.0, 120.0)
}
fn wetness(text: &str) -> Result<f64, String> {
    between(text, 0.0, 1.0)
}

/// Read here and not while arguments are taken apart: a mistake is one line, as everywhere.
fn faults(args: &WhatIfArgs) -> anyhow::Result<Vec<FaultSpec>> {
    args.faults
        .iter()
        .enumerate()
        .map(|(k, text)| {
            // A swept fault gets its ohms from the sweep.
            let swept = k == 0 && args.sweep.is_some() && !text.contains("ohms");
            let whole = if swept {
                format!("{text},ohms=1")
            } else {
                text.clone()
            };
            whole
                .parse()
                .map_err(|e| anyhow::anyhow!("--fault \"{text}\": {e}"))
        })
        .collect()
}

fn run_sweep(
    args: &WhatIfArgs,
    file: &ArrayFile,
    question: &Question,
    range: Range,
) -> anyhow::Result<ExitCode> {
    let swept = sweep(file, question, range)?;
    if let Some(path) = &args.chart {
        save(&swept, path)?;
    }
    let mut out = std::io::stdout().lock();
    if args.json {
        serde_json::to_writer_pretty(&mut out, &swept)?;
        writeln!(out)?;
    } else {
        out.write_all(sweep::render(&swept).as_bytes())?;
    }
    out.flush()?;
    if let Some(path) = &args.chart {
        remark(&format!("chart written to {}", path.display()));
    }
    if swept.points.iter().any(|p| p.sight == Sight::NotTold) {
        return Ok(ExitCode::from(2));
    }
    Ok(ExitCode::from(u8::from(!swept.seen_in_time())))
}

/// Answers and prints.
pub fn run(args: &WhatIfArgs) -> anyhow::Result<ExitCode> {
    let file = ArrayFile::load(&args.array)?;
    let question = Question {
        faults: faults(args)?,
        sun: Sun {
            irradiance_w_m2: args.irradiance_w_m2,
            cell_temp_c: args.cell_c,
            wetness: args.wetness,
        },
        touches: match args.touch {
            TouchArg::Frame => Touches::Frame,
            TouchArg::Positive => Touches::Positive,
            TouchArg::Negative => Touches::Negative,
        },
        shoes_ohm: args.shoes_ohm,
        looser: if args.accept_looser {
            Looser::AcceptMarked
        } else {
            Looser::Refuse
        },
    };
    if let Some(range) = &args.sweep {
        let range = range.parse().map_err(WhatIfError::Range)?;
        return run_sweep(args, &file, &question, range);
    }
    let answer = what_if(&file, &question)?;
    if let Some(path) = &args.svg {
        schematic::draw(&answer, path)?;
    }
    let mut out = std::io::stdout().lock();
    if args.json {
        serde_json::to_writer_pretty(&mut out, &answer)?;
        writeln!(out)?;
    } else {
        out.write_all(text::render(&answer).as_bytes())?;
    }
    out.flush()?;
    if let Some(path) = &args.svg {
        remark(&format!("schematic written to {}", path.display()));
    }
    if answer.while_connected.never_connected.is_some() {
        return Ok(ExitCode::from(2));
    }
    Ok(ExitCode::from(u8::from(!answer.verdict.seen_in_time)))
}
