//! The report as JSON, units in the names.

use super::case::{Case, Limit};
use super::report::{Group, Report, Run};
use super::run::Verdict;
use super::table;
use serde_json::{Map, Value, json};

/// Everything: totals, groups, cases.
pub fn json(report: &Report) -> Value {
    let groups: Vec<_> = report.groups().iter().map(group).collect();
    let runs: Vec<_> = report.runs.iter().map(run).collect();
    json!({
        "sample_rate_hz": super::run::RATE_HZ,
        "seed": report.seed,
        "firmware": firmware(report),
        "case_count": report.runs.len(),
        "failed_count": report.failed().count(),
        "worst_margin_percent": report.worst().and_then(Run::margin_percent),
        "worst_case": report.worst().map(|run| &run.case.name),
        "groups": groups,
        "cases": runs,
    })
}

fn firmware(report: &Report) -> Value {
    let Some(run) = &report.image else {
        return json!({ "runs": "linked", "version": env!("CARGO_PKG_VERSION") });
    };
    json!({
        "runs": "image",
        "image": run.identity.name,
        "image_bytes": run.identity.bytes,
        "image_sha256": run.identity.sha256,
        "emulator": run.identity.emulator,
        "cases_sample_by_sample_count": run.alone,
        "compared": run.compared.map(|compared| json!({
            "sample_count": compared.samples,
            "link_byte_count": compared.link_bytes,
            "flash_count": compared.flashes,
            "differing_case_count": report.count(Verdict::Differs),
        })),
    })
}

fn group(group: &Group<'_>) -> Value {
    let worst = group.worst();
    let source = group.source();
    let mut object = Map::new();
    object.insert("group".into(), json!(group.name));
    object.insert("case_count".into(), json!(group.runs.len()));
    object.insert("failed_count".into(), json!(group.failed()));
    object.insert("above_aim_count".into(), json!(group.above_aim()));
    if let Some(limit) = group.limit() {
        put_limit(&mut object, limit);
    }
    if let Some(run) = worst {
        put_times(&mut object, run);
        object.insert("worst_case".into(), json!(run.case.name));
    }
    object.insert("source".into(), json!(source.map(|source| &source.text)));
    object.insert(
        "source_confidence".into(),
        json!(source.map(|source| source.confidence.words())),
    );
    Value::Object(object)
}

fn run(run: &Run) -> Value {
    let case: &Case = &run.case;
    let mut object = Map::new();
    object.insert("case".into(), json!(case.name));
    object.insert("group".into(), json!(case.group));
    put_limit(&mut object, case.limit);
    put_times(&mut object, run);
    object.insert(
        "must".into(),
        json!(case.expect.must.map(|must| must.what.word())),
    );
    let never: Vec<_> = case.expect.never.iter().map(|what| what.word()).collect();
    object.insert("must_not".into(), json!(never));
    object.insert("watched_s".into(), json!(case.watch_s));
    object.insert("verdict".into(), json!(run.outcome.verdict.word()));
    object.insert("passed".into(), json!(run.outcome.passed()));
    if !run.outcome.passed() {
        object.insert("why".into(), json!(table::why(run)));
    }
    if let Some(difference) = &run.outcome.difference {
        object.insert(
            "difference".into(),
            json!({
                "at_sample": difference.sample,
                "field": difference.field,
                "linked": difference.linked,
                "image": difference.image,
            }),
        );
    }
    object.insert("trip_cause".into(), json!(run.outcome.cause));
    object.insert("state_at_end".into(), json!(run.outcome.state));
    object.insert("noise_seed".into(), json!(case.seed));
    object.insert("source".into(), json!(case.source.text));
    object.insert(
        "source_confidence".into(),
        json!(case.source.confidence.words()),
    );
    object.insert("command".into(), json!(run.command()));
    Value::Object(object)
}

fn put_limit(object: &mut Map<String, Value>, limit: Limit) {
    match limit {
        Limit::Current { a } => object.insert("limit_a".into(), json!(a)),
        Limit::Resistance { ohm } => object.insert("limit_ohm".into(), json!(ohm)),
        Limit::None => None,
    };
}

fn put_times(object: &mut Map<String, Value>, run: &Run) {
    if let Some(must) = run.case.expect.must {
        object.insert("allowed_s".into(), json!(must.latest_s));
        object.insert("aim_s".into(), json!(must.aim_s));
        object.insert("reached_s".into(), json!(run.outcome.reached_s));
        object.insert("margin_percent".into(), json!(run.margin_percent()));
    }
}
