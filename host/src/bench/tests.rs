//! The bench itself: a subset of the matrix is as demanded, and turns red when what it tests is made wrong.
//!
//! Levels and times come with the cases (`matrix::source`, each with its document). The whole matrix is what the binary runs
//! in release.

use super::case::{Case, Limit};
use super::matrix::{self, source::SUDDEN};
use super::report::{Report, Run};
use super::run::Verdict;
use super::{On, json, junit, random, run_matrix, run_random, run_traces, table, trace};
use ohmward_proto::Settings;
use std::fmt::Write;
use std::path::PathBuf;

/// Every `n`-th case whose name begins so.
fn some(prefix: &str, n: usize) -> Vec<Case> {
    matrix::all()
        .into_iter()
        .filter(|case| case.name.starts_with(prefix))
        .step_by(n)
        .collect()
}

fn verdicts(cases: &[Case], change: impl Fn(&mut Settings)) -> Vec<Run> {
    let changed: Vec<_> = cases.iter().map(|case| case.clone().set(&change)).collect();
    run_matrix(On::Linked, &changed).expect("the firmware starts")
}

fn count(runs: &[Run], verdict: Verdict) -> usize {
    runs.iter()
        .filter(|run| run.outcome.verdict == verdict)
        .count()
}

fn scaled(factor: f32) -> impl Fn(&mut Settings) {
    move |settings| {
        let current = &mut settings.current;
        let sudden = &mut current.sudden;
        for limit in [
            &mut current.continuous,
            &mut current.ground_fault,
            &mut sudden.low,
            &mut sudden.middle,
            &mut sudden.high,
        ] {
            limit.above.0 *= factor;
        }
    }
}

/// Faults of the matrix, one in many, every level and the continuous limit among them.
fn faults() -> Vec<Case> {
    let mut cases = some("sudden/30ma", 29);
    cases.extend(some("sudden/60ma", 29));
    cases.extend(some("sudden/150ma", 29));
    cases.extend(some("continuous/330ma", 9));
    cases
}

#[test]
fn names_are_unique_and_every_group_has_a_source() {
    let cases = matrix::all();
    let mut names: Vec<_> = cases.iter().map(|case| &case.name).collect();
    names.sort_unstable();
    names.dedup();
    assert_eq!(names.len(), cases.len());
    assert!(cases.iter().all(|case| !case.source.text.is_empty()));
    // IEC 62109-2:2011 Table 31 (memory): the three levels are all there, in both mains, with their times.
    for level in &SUDDEN {
        let of_level = |case: &&Case| {
            case.limit == (Limit::Current { a: level.a }) && case.expect.must.is_some()
        };
        assert!(cases.iter().filter(of_level).count() > 300);
    }
}

#[test]
fn faults_trip_in_time_and_their_halves_do_not() {
    let runs = verdicts(&faults(), |_| {});
    assert_eq!(
        count(&runs, Verdict::Pass),
        runs.len(),
        "{}",
        table_of(runs)
    );
    let runs = verdicts(&some("sudden/half-of", 23), |_| {});
    assert_eq!(
        count(&runs, Verdict::Pass),
        runs.len(),
        "{}",
        table_of(runs)
    );
}

/// The same waveforms with the limits raised: faults at their level go unseen or come late.
#[test]
fn with_the_limits_raised_the_same_faults_are_missed() {
    let runs = verdicts(&faults(), scaled(6.0));
    let missed = count(&runs, Verdict::Missed) + count(&runs, Verdict::Late);
    assert_eq!(missed, runs.len(), "{}", table_of(runs));
}

/// The same waveforms with the limits lowered: half of a level is then above it.
#[test]
fn with_the_limits_lowered_halves_trip() {
    let runs = verdicts(&some("sudden/half-of", 23), scaled(0.45));
    let false_trips = count(&runs, Verdict::False) + count(&runs, Verdict::NotConnected);
    assert_eq!(false_trips, runs.len(), "{}", table_of(runs));
}

#[test]
fn without_the_detector_of_sudden_changes_they_are_missed() {
    let sudden: Vec<_> = faults()
        .into_iter()
        .filter(|case| case.name.starts_with("sudden"))
        .collect();
    let runs = verdicts(&sudden, |s| s.current.sudden.enabled = false);
    assert_eq!(
        count(&runs, Verdict::Missed),
        runs.len(),
        "{}",
        table_of(runs)
    );
}

/// Insulation: a trip level under the resistance lets a bad array connect, one above it keeps a good one off.
#[test]
fn insulation_cases_turn_red_too() {
    let near = |what: &str| -> Vec<Case> {
        let wanted = |case: &Case| case.name.contains("220v-0.1uf") && case.name.ends_with(what);
        matrix::all().into_iter().filter(wanted).collect()
    };
    let (low, good) = (near("0.9x-told"), near("connects"));
    assert_eq!((low.len(), good.len()), (3, 3));
    let passed = verdicts(&[low.clone(), good.clone()].concat(), |_| {});
    assert_eq!(count(&passed, Verdict::Pass), 6, "{}", table_of(passed));
    let lowered = verdicts(&low, |s| s.insulation.trip_below.0 /= 3.0);
    assert_eq!(count(&lowered, Verdict::False), 3, "{}", table_of(lowered));
    let raised = verdicts(&good, |s| s.insulation.trip_below.0 *= 1.4);
    let off = count(&raised, Verdict::False) + count(&raised, Verdict::Missed);
    assert_eq!(off, 3, "{}", table_of(raised));
}

/// A drawn case alone is the one that was drawn among others, to the sample, whatever the threads did.
#[test]
fn a_drawn_case_alone_is_the_same() {
    let together = run_random(On::Linked, 3, 0..6).expect("runs");
    for (only, run) in (0..).zip(&together) {
        let alone = run_random(On::Linked, 3, only..only + 1).expect("runs");
        assert_eq!(alone[0].case, run.case);
        assert_eq!(alone[0].outcome.reached_s, run.outcome.reached_s);
        assert_eq!(alone[0].outcome.verdict, run.outcome.verdict);
        assert_eq!(run.case, random::case(3, only));
    }
}

/// Machines find units in every name of a quantity, and failed cases in both forms.
#[test]
fn json_and_junit_tell_what_failed() {
    let runs = verdicts(&some("sudden/30ma-dc", 40), scaled(6.0));
    let failed = runs.len();
    let report = Report {
        runs,
        ..Report::default()
    };
    let json = json::json(&report);
    assert_eq!(json["failed_count"], failed);
    let case = &json["cases"][0];
    assert_eq!(case["limit_a"], 0.03);
    assert_eq!(case["allowed_s"], 0.3);
    assert_eq!(case["aim_s"], 0.15);
    assert!(case["reached_s"].is_null() && case["why"].is_string());
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("bench.xml");
    junit::write(&report, &path).expect("writes");
    let xml = std::fs::read_to_string(&path).expect("reads");
    // JUnit's own counts (the form that test runners and CI read; common practice, no standard).
    assert!(xml.contains(&format!("failures=\"{failed}\"")), "{xml}");
    let nowhere = folder.path().join("no/such/folder.xml");
    assert!(junit::write(&report, &nowhere).is_err());
}

fn table_of(runs: Vec<Run>) -> String {
    table::table(
        &Report {
            runs,
            ..Report::default()
        },
        false,
    )
}

/// A folder with one trace in it.
struct Folder(tempfile::TempDir);

impl Folder {
    fn new() -> Self {
        Self(tempfile::tempdir().expect("a folder"))
    }

    fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.0.path().join(name);
        std::fs::write(&path, text).expect("writes");
        path
    }
}

/// 240 mA of 49.7 Hz, and from 0.5 s on 30 mA RMS in quadrature, at this rate.
fn quadrature(rate_hz: f64) -> String {
    let mut text = "time_s,i_bond_a\n".to_owned();
    for n in 0..rate_hz as u32 {
        let t_s = f64::from(n) / rate_hz;
        let (sin, cos) = (t_s * 49.7 * std::f64::consts::TAU).sin_cos();
        let fault = if t_s >= 0.5 { 0.03 * cos } else { 0.0 };
        let i_a = (0.24 * sin + fault) * std::f64::consts::SQRT_2;
        writeln!(text, "{t_s:.7},{i_a:.6}").expect("a string");
    }
    text
}

/// 0.3 s: IEC 62109-2:2011 Table 31 (memory). The rate of the recording does not matter.
#[test]
fn a_trace_is_judged_like_a_made_up_current() {
    let folder = Folder::new();
    let expected = "limit_a = 0.03\nlatest_ms = 300\nonset_s = 0.5\nsource = \"IEC 62109-2 Table 31 (memory)\"\n";
    let mut cases = Vec::new();
    for (name, rate_hz) in [("a", 4000.0), ("b", 10_000.0), ("c", 2500.0)] {
        let path = folder.write(&format!("{name}.csv"), &quadrature(rate_hz));
        folder.write(&format!("{name}.toml"), expected);
        cases.push((
            name.to_owned(),
            trace::load(&path, &trace::Expected::default()).expect("loads"),
        ));
    }
    let runs = run_traces(On::Linked, &cases).expect("runs");
    assert_eq!(count(&runs, Verdict::Pass), 3, "{}", table_of(runs));
    let times: Vec<_> = runs
        .iter()
        .filter_map(|run| run.outcome.reached_s)
        .collect();
    assert!(
        times.iter().all(|s| (s - times[0]).abs() < 0.005),
        "{times:?}"
    );
    // What must not trip and does is a finding.
    let healthy = trace::Expected {
        must_not_trip: Some(true),
        ..Default::default()
    };
    let case = trace::load(&folder.0.path().join("a.csv"), &healthy).expect("loads");
    let runs = run_traces(On::Linked, &[("a".to_owned(), case)]).expect("runs");
    assert_eq!(runs[0].outcome.verdict, Verdict::False);
}

#[test]
fn settings_beside_a_trace_are_in_force() {
    let folder = Folder::new();
    let path = folder.write("a.csv", &quadrature(4000.0));
    folder.write(
        "a.toml",
        "latest_ms = 300\nonset_s = 0.5\n[settings]\ncurrent.sudden.enabled = false\n",
    );
    let case = trace::load(&path, &trace::Expected::default()).expect("loads");
    let runs = run_traces(On::Linked, &[("a".to_owned(), case)]).expect("runs");
    assert_eq!(runs[0].outcome.verdict, Verdict::Missed);
}

/// One line: file, line, what, what to do.
#[test]
fn a_bad_trace_is_told_with_file_and_line() {
    let folder = Folder::new();
    let rows = |f: &dyn Fn(u32) -> String| {
        (0..300).fold("time_s,i_bond_a\n".to_owned(), |all, n| all + &f(n))
    };
    let even = rows(&|n| format!("{},0\n", f64::from(n) / 1000.0));
    let healthy = trace::Expected {
        must_not_trip: Some(true),
        ..Default::default()
    };
    let fault = trace::Expected {
        latest_ms: Some(100.0),
        onset_s: Some(0.25),
        ..Default::default()
    };
    for (text, expected, said) in [
        (String::new(), &healthy, "a.csv:1: the header has no time_s"),
        (
            "t,i\n0,0\n".to_owned(),
            &healthy,
            "a.csv:1: the header has 't'",
        ),
        (
            "time_s,i_bond_a,v_pos_v\n0,0,0\n".to_owned(),
            &healthy,
            "a.csv:1: the header has one of",
        ),
        (
            "time_s,i_bond_a\n0,0\n0.001,NaN\n".to_owned(),
            &healthy,
            "a.csv:3: i_bond_a is NaN",
        ),
        (
            "time_s,i_bond_a\n0,0\n0.001,\n".to_owned(),
            &healthy,
            "a.csv:3: i_bond_a is '', not a number",
        ),
        (
            "time_s,i_bond_a\n0,0\n0.001\n".to_owned(),
            &healthy,
            "a.csv:3: 1 fields where the header has 2",
        ),
        (
            "time_s,i_bond_a\n0,0\n0,0\n".to_owned(),
            &healthy,
            "a.csv:3: time_s goes from 0 to 0",
        ),
        (
            rows(&|n| format!("{},0\n", if n < 9 { n } else { n + 5 })),
            &healthy,
            "a.csv:11: a gap",
        ),
        (
            rows(&|n| format!("{n},0\n")),
            &healthy,
            "a.csv: has 1 samples a second",
        ),
        (
            "time_s,i_bond_a\n0,0\n0.001,0\n".to_owned(),
            &healthy,
            "a.csv: is 0.001 s long",
        ),
        // Found by fuzzing: such a trace made a front end that no board can have.
        (
            rows(&|n| {
                format!(
                    "{},{}\n",
                    f64::from(n) / 1000.0,
                    if n == 9 { "-1e300" } else { "0" }
                )
            }),
            &healthy,
            "a.csv: has a bond current of -inf A",
        ),
        (
            rows(&|n| format!("{},0,200000,0\n", f64::from(n) / 1000.0))
                .replace("i_bond_a", "i_bond_a,v_pos_v,v_neg_v"),
            &healthy,
            "a.csv: a pole stands at ",
        ),
        (
            even.clone(),
            &fault,
            "a.csv: ends 50.0 ms after the fault begins",
        ),
        (
            even.clone(),
            &trace::Expected::default(),
            "a.csv: what is expected?",
        ),
    ] {
        let path = folder.write("a.csv", &text);
        let error = trace::load(&path, expected).expect_err(said).to_string();
        assert!(error.contains(said), "{error}\nnot {said}");
        assert!(!error.contains('\n'), "{error}");
    }
    for (text, said) in [
        ("latest_s = 3\n", "a.toml:1: unknown field `latest_s`"),
        (
            "must_not_trip = true\n[settings]\ncurrent.continous.above_a = 1\n",
            "a.toml: settings:",
        ),
        (
            "must_not_trip = true\n[settings.current.continuous]\nabove_a = 100.0\n",
            "must be 0.005 to 20 A",
        ),
    ] {
        let path = folder.write("a.csv", &even);
        folder.write("a.toml", text);
        let error = trace::load(&path, &trace::Expected::default())
            .expect_err(said)
            .to_string();
        assert!(error.contains(said), "{error}\nnot {said}");
        assert!(!error.contains('\n'), "{error}");
    }
}
