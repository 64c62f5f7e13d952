//! `bench`: trip times against the standards.

use super::{channel, remark};
use anyhow::bail;
use clap::Args;
use ohmward::bench::on_image::OnImage;
use ohmward::bench::report::{Report, shell_word};
use ohmward::bench::{self, On};
use std::collections::HashSet;
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;

/// Arguments of `bench`.
#[derive(Debug, Args)]
#[command(
    after_help = "Exit status: 0 all as demanded, 1 something was not, 2 it could not be run."
)]
pub struct BenchArgs {
    /// Recorded traces instead of the built-in and drawn cases: COMTRADE (.cfg with its .dat, or .cff), or CSV with a
    /// header row of time_s, i_bond_a and, if recorded, v_pos_v and v_neg_v. What is expected stands in a file of the
    /// same name ending in .toml (limit_a, latest_ms, onset_s, must_not_trip, source, [channel], [settings]) or in the
    /// flags below, which win
    #[arg(value_name = "TRACE")]
    traces: Vec<PathBuf>,
    /// Traces: the limit they are about, A (printed; settings are set in the .toml file)
    #[arg(long, value_name = "A", requires = "traces")]
    limit_a: Option<f64>,
    /// Traces: latest time from the onset of the fault to the trip, ms
    #[arg(long, value_name = "MS", requires = "traces")]
    latest_ms: Option<f64>,
    /// Traces: when the fault begins, in the trace's own time (COMTRADE: after its first sample). Without it a COMTRADE
    /// record's trigger, or an earlier rise of a status channel called pickup; of a captured event, as `export` writes it,
    /// where the current leaves what repeated until then
    #[arg(
        long,
        value_name = "S",
        requires = "traces",
        allow_negative_numbers = true
    )]
    onset_s: Option<f64>,
    /// Traces: COMTRADE channel for i_bond, v_pos, v_neg (analog) or pickup (status), by name or as #2; may be given
    /// several times. Units of A and V, also with m, k or u, are scaled
    #[arg(long, value_name = "ROLE=NAME", requires = "traces", value_parser = channel)]
    channel: Vec<(String, String)>,
    /// Traces: they are healthy
    #[arg(long, requires = "traces", conflicts_with_all = ["latest_ms", "onset_s"])]
    must_not_trip: bool,
    /// Draw this many faults that must trip and as many disturbances that must not
    #[arg(
        long,
        value_name = "N",
        default_value_t = 300,
        conflicts_with = "traces"
    )]
    random: u64,
    /// Seed of the drawn cases
    #[arg(long, value_name = "S", default_value_t = 1)]
    seed: u64,
    /// Only this one of the drawn cases
    #[arg(long, value_name = "K", conflicts_with_all = ["random", "case", "traces"])]
    only: Option<u64>,
    /// Only the built-in cases whose name is or begins with this; may be given several times
    #[arg(long, value_name = "NAME", conflicts_with = "traces")]
    case: Vec<String>,
    /// Only every Nth of the built-in cases, and the first of each group
    #[arg(
        long,
        value_name = "N",
        default_value_t = 1,
        conflicts_with_all = ["traces", "case", "only"],
        value_parser = clap::value_parser!(u32).range(1..)
    )]
    every: u32,
    /// Run this image (ELF; DEVELOPERS.md says how it is built) in an emulator, qemu-system-arm, instead of the firmware that is
    /// linked into this program
    #[arg(long, value_name = "FILE")]
    image: Option<PathBuf>,
    /// Image: a case fails, too, where any output, trip state, byte on the link or byte of flash is another than the linked
    /// firmware's
    #[arg(long, requires = "image")]
    compare: bool,
    /// Every case, not only the groups
    #[arg(long)]
    verbose: bool,
    /// One JSON object, units in the names
    #[arg(long, conflicts_with = "verbose")]
    json: bool,
    /// Write JUnit XML to this file, too
    #[arg(long, value_name = "FILE")]
    junit: Option<PathBuf>,
}

/// Runs and prints. Exit status 1 when any case did not do as demanded.
pub fn run(args: &BenchArgs) -> anyhow::Result<ExitCode> {
    let image = match &args.image {
        Some(path) => Some(OnImage::new(path, args.compare)?),
        None => None,
    };
    let on = image.as_ref().map_or(On::Linked, On::Image);
    let mut report = if !args.traces.is_empty() {
        traces(on, args)?
    } else if let Some(only) = args.only {
        let Some(end) = only.checked_add(1) else {
            bail!("--only {only} is beyond the series: give a smaller number");
        };
        Report {
            runs: bench::run_random(on, args.seed, only..end)?,
            seed: Some(args.seed),
            image: None,
        }
    } else if args.case.is_empty() {
        built_in_and_drawn(on, args)?
    } else {
        named(on, &args.case)?
    };
    report.image = image.as_ref().map(OnImage::summary);
    if let Some(path) = &args.junit {
        bench::junit::write(&report, path)?;
    }
    let mut out = std::io::stdout().lock();
    if args.json {
        writeln!(out, "{:#}", bench::json::json(&report))?;
    } else {
        let verbose = args.verbose || report.runs.len() == 1;
        write!(out, "{}", bench::table::table(&report, verbose))?;
    }
    Ok(if report.failed().next().is_some() {
        ExitCode::from(1)
    } else {
        ExitCode::SUCCESS
    })
}

fn traces(on: On<'_>, args: &BenchArgs) -> anyhow::Result<Report> {
    let flags = bench::trace::Expected {
        limit_a: args.limit_a,
        latest_ms: args.latest_ms,
        onset_s: args.onset_s,
        must_not_trip: args.must_not_trip.then_some(true),
        channel: args.channel.iter().cloned().collect(),
        ..Default::default()
    };
    let mut cases = Vec::new();
    for path in &args.traces {
        let trace = bench::trace::Trace::open(path, &flags)?;
        for words in trace.remarks() {
            remark(&format!("{}: {words}", path.display()));
        }
        let case = trace.case()?;
        if let Some(recorded) = &case.waveform.recorded {
            remark(&format!(
                "{}: {}",
                path.display(),
                recorded.pre_roll.words()
            ));
        }
        cases.push((path.display().to_string(), case));
    }
    let mut runs = bench::run_traces(on, &cases)?;
    let options = trace_options(args);
    for run in &mut runs {
        run.options.push_str(&options);
    }
    Ok(Report {
        runs,
        ..Report::default()
    })
}

/// The flags about traces as they were typed, so that the command printed for one of them runs.
fn trace_options(args: &BenchArgs) -> String {
    let mut options = String::new();
    let mut add = |flag: &str, value: String| {
        let _ = write!(options, " --{flag} {}", shell_word(&value));
    };
    if let Some(a) = args.limit_a {
        add("limit-a", a.to_string());
    }
    if let Some(ms) = args.latest_ms {
        add("latest-ms", ms.to_string());
    }
    if let Some(s) = args.onset_s {
        add("onset-s", s.to_string());
    }
    for (role, name) in &args.channel {
        add("channel", format!("{role}={name}"));
    }
    if args.must_not_trip {
        options.push_str(" --must-not-trip");
    }
    options
}

fn built_in_and_drawn(on: On<'_>, args: &BenchArgs) -> anyhow::Result<Report> {
    let Some(count) = args.random.checked_mul(2).filter(|n| *n <= 2_000_000) else {
        bail!("--random {}: at most 1000000", args.random);
    };
    let mut cases = bench::matrix::all();
    let (mut k, mut groups) = (0, HashSet::new());
    cases.retain(|case| {
        k += 1;
        groups.insert(case.group) || k % args.every == 0
    });
    let mut runs = bench::run_matrix(on, &cases)?;
    runs.extend(bench::run_random(on, args.seed, 0..count)?);
    Ok(Report {
        runs,
        seed: (count > 0).then_some(args.seed),
        image: None,
    })
}

fn named(on: On<'_>, names: &[String]) -> anyhow::Result<Report> {
    let mut cases = bench::matrix::all();
    for name in names {
        if !cases.iter().any(|case| case.name.starts_with(name)) {
            bail!("no case is called '{name}': `ohmward bench --verbose` lists them");
        }
    }
    // A whole name means that case alone, even where others begin with it.
    let whole: Vec<_> = names
        .iter()
        .filter(|name| cases.iter().any(|case| case.name == **name))
        .cloned()
        .collect();
    cases.retain(|case| {
        names.iter().any(|name| {
            case.name == *name || (!whole.contains(name) && case.name.starts_with(name))
        })
    });
    Ok(Report {
        runs: bench::run_matrix(on, &cases)?,
        ..Report::default()
    })
}
