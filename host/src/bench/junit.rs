//! The report as JUnit XML: a suite a group, a test a case. Times in it are virtual, in seconds.

use super::report::Report;
use super::table;
use quick_junit::{NonSuccessKind, Report as Junit, TestCase, TestCaseStatus, TestSuite};
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;
use std::time::Duration;

/// The file could not be written.
#[derive(Debug, thiserror::Error)]
#[error("cannot write {path}: {why}")]
pub struct JunitError {
    path: String,
    why: String,
}

/// Writes the file, an earlier one is replaced.
///
/// # Errors
/// [`JunitError`], with path and reason.
pub fn write(report: &Report, path: &Path) -> Result<(), JunitError> {
    let error = |why: String| JunitError {
        path: path.display().to_string(),
        why,
    };
    let mut file = BufWriter::new(File::create(path).map_err(|why| error(why.to_string()))?);
    junit(report)
        .serialize(&mut file)
        .map_err(|why| error(why.to_string()))?;
    file.flush().map_err(|why| error(why.to_string()))
}

fn junit(report: &Report) -> Junit {
    let mut junit = Junit::new("ohmward bench");
    for group in report.groups() {
        let mut suite = TestSuite::new(group.name);
        if let Some(source) = group.source() {
            let words = format!("{} [{}]", source.text, source.confidence.words());
            suite.add_property(("source", words.as_str()));
        }
        suite.add_property(("firmware", report.firmware().as_str()));
        if let Some(words) = report.comparison() {
            suite.add_property(("comparison", words.as_str()));
        }
        for run in &group.runs {
            let status = if run.outcome.passed() {
                TestCaseStatus::success()
            } else {
                let mut status = TestCaseStatus::non_success(NonSuccessKind::Failure);
                status
                    .set_type(run.outcome.verdict.word())
                    .set_message(table::why(run))
                    .set_description(run.command());
                status
            };
            let mut case = TestCase::new(run.case.name.as_str(), status);
            case.set_classname(group.name);
            if let Some(reached_s) = run.outcome.reached_s {
                case.set_time(Duration::from_secs_f64(reached_s.max(0.0)));
            }
            suite.add_test_case(case);
        }
        junit.add_test_suite(suite);
    }
    junit
}
