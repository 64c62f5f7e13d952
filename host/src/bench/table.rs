//! The table for people.

use super::case::{Limit, Must};
use super::report::{Group, Report, Run};
use crate::words;
use std::fmt::Write;

/// Longest list of cases that failed; the rest is counted.
const FAILED_SHOWN: usize = 20;

/// The table of groups, then what failed; with `verbose` every case.
pub fn table(report: &Report, verbose: bool) -> String {
    let mut rows = vec![
        [
            "case group",
            "cases",
            "limit",
            "allowed",
            "aim",
            "worst",
            "margin",
            "",
            "source",
        ]
        .map(str::to_owned),
    ];
    let groups = report.groups();
    for group in &groups {
        rows.push(group_row(group));
        if verbose {
            rows.extend(group.runs.iter().map(|run| run_row(run)));
        }
    }
    let mut out = aligned(&rows);
    out.push('\n');
    // A drawn case is nowhere else to be seen; a trace is its file.
    if let [run] = report.runs.as_slice()
        && run.case.waveform.recorded.is_none()
    {
        let _ = writeln!(out, "{:?}\n", run.case.waveform);
    }
    out.push_str(&summary(report));
    out
}

fn group_row(group: &Group<'_>) -> [String; 9] {
    let worst = group.worst();
    let must = worst.and_then(|run| run.case.expect.must);
    let failed = group.failed();
    let above = group.above_aim();
    let verdict = match (failed, above) {
        (0, 0) => "ok".to_owned(),
        (0, above) => format!("ok, {above} above aim"),
        (failed, _) => format!("{failed} FAILED"),
    };
    let source = group.source();
    [
        group.name.to_owned(),
        group.runs.len().to_string(),
        group.limit().map_or_else(|| "several".to_owned(), limit),
        allowed(group.runs.first().and_then(|run| run.case.expect.must)),
        must.map_or_else(String::new, |must| time(must.aim_s)),
        worst
            .and_then(|run| run.outcome.reached_s)
            .map_or_else(|| "–".to_owned(), time),
        worst
            .and_then(Run::margin_percent)
            .map_or_else(String::new, percent),
        verdict,
        source.map_or_else(String::new, |s| {
            format!("{} [{}]", s.text, s.confidence.words())
        }),
    ]
}

fn run_row(run: &Run) -> [String; 9] {
    let case = &run.case;
    [
        format!("  {}", case.name),
        String::new(),
        limit(case.limit),
        allowed(case.expect.must),
        case.expect
            .must
            .map_or_else(String::new, |must| time(must.aim_s)),
        run.outcome.reached_s.map_or_else(|| "–".to_owned(), time),
        run.margin_percent().map_or_else(String::new, percent),
        run.outcome.verdict.word().to_owned(),
        run.outcome
            .cause
            .as_ref()
            .map_or_else(String::new, words::cause),
    ]
}

fn summary(report: &Report) -> String {
    let mut out = String::new();
    let failed: Vec<_> = report.failed().collect();
    for run in failed.iter().take(FAILED_SHOWN) {
        let _ = writeln!(out, "FAILED  {}: {}", run.case.name, why(run));
        let _ = writeln!(out, "        again, alone: {}", run.command());
    }
    if failed.len() > FAILED_SHOWN {
        let _ = writeln!(out, "        and {} more", failed.len() - FAILED_SHOWN);
    }
    let samples: u64 = report.runs.iter().map(|run| run.outcome.samples).sum();
    let _ = write!(
        out,
        "{} cases, {} failed; {:.1} h of virtual time",
        report.runs.len(),
        failed.len(),
        samples as f64 / f64::from(super::run::RATE_HZ) / 3600.0
    );
    if let Some(seed) = report.seed {
        let _ = write!(out, "; random cases from seed {seed}");
    }
    out.push('\n');
    let _ = writeln!(out, "firmware: {}", report.firmware());
    if let Some(words) = report.comparison() {
        let _ = writeln!(out, "{words}");
    }
    if let Some(alone @ 1..) = report.image.as_ref().map(|run| run.alone) {
        let _ = writeln!(
            out,
            "{alone} cases were run sample by sample: the image switched its outputs otherwise than the linked firmware"
        );
    }
    if let Some(run) = report.worst()
        && let (Some(reached_s), Some(must)) = (run.outcome.reached_s, run.case.expect.must)
    {
        let _ = writeln!(
            out,
            "worst margin {}: {} after {}, allowed {} ({})",
            percent(run.margin_percent().unwrap_or_default()),
            must.what.word(),
            time(reached_s),
            time(must.latest_s),
            run.case.name
        );
    }
    out
}

/// Why a case failed, in words.
pub fn why(run: &Run) -> String {
    use super::run::Verdict;
    let outcome = &run.outcome;
    let what = run.case.expect.must.map_or("", |must| must.what.word());
    let latest = run
        .case
        .expect
        .must
        .map_or_else(String::new, |must| time(must.latest_s));
    let cause = outcome
        .cause
        .as_ref()
        .map_or_else(String::new, |cause| format!(" ({})", words::cause(cause)));
    match outcome.verdict {
        Verdict::Pass => "as demanded".to_owned(),
        Verdict::Late => format!(
            "{what} after {}, allowed {latest}{cause}",
            outcome.reached_s.map_or_else(String::new, time)
        ),
        Verdict::Missed => format!("no {what} within {}", time(run.case.watch_s)),
        Verdict::False => match (outcome.against, outcome.reached_s) {
            (Some(against), _) => format!("{} must not happen here{cause}", against.word()),
            (None, Some(reached_s)) => {
                format!("{what} {} before the fault began{cause}", time(-reached_s))
            }
            (None, None) => format!("must not happen here{cause}"),
        },
        Verdict::WrongEnd => format!("ends {:?}{cause}", outcome.state),
        Verdict::Differs => outcome
            .difference
            .as_ref()
            .map_or_else(String::new, ToString::to_string),
        Verdict::NotConnected => format!("the array was never connected before the onset{cause}"),
    }
}

fn limit(limit: Limit) -> String {
    match limit {
        Limit::Current { a } => words::si(a as f32, "A"),
        Limit::Resistance { ohm } => words::si(ohm as f32, "Ω"),
        Limit::None => "–".to_owned(),
    }
}

fn allowed(must: Option<Must>) -> String {
    must.map_or_else(|| "never".to_owned(), |must| time(must.latest_s))
}

/// Milliseconds below a second, seconds above.
fn time(s: f64) -> String {
    if s < 1.0 {
        format!("{:.1} ms", s * 1e3)
    } else {
        format!("{s:.1} s")
    }
}

fn percent(percent: f64) -> String {
    format!("{percent:.0} %")
}

/// Columns: the first and the last two to the left, numbers to the right.
fn aligned(rows: &[[String; 9]]) -> String {
    let width: [usize; 9] = std::array::from_fn(|c| {
        rows.iter()
            .map(|row| row[c].chars().count())
            .max()
            .unwrap_or(0)
    });
    let mut out = String::new();
    for row in rows {
        let mut line = String::new();
        for (c, cell) in row.iter().enumerate() {
            let pad = " ".repeat(width[c] - cell.chars().count());
            let left = c == 0 || c >= 7;
            line.push_str(if left { "" } else { &pad });
            line.push_str(cell);
            line.push_str(if left { &pad } else { "" });
            line.push_str("  ");
        }
        out.push_str(line.trim_end());
        out.push('\n');
    }
    out
}
