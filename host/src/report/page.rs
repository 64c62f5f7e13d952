//! Data → HTML. Pictures are SVG within the page; nothing is loaded from elsewhere, and there is no script.
//! One event has its page in `page/incident.rs`.

mod incident;

pub use incident::incident;

use super::coverage::{Coverage, reasons_in_words};
use super::limits::Row;
use super::period::{BoardPart, InsulationDay, Period};
use super::tests_file::InsulationTest;
use super::trips::Trip;
use crate::plan::{NOTICE, Plan};
use crate::store::{Head, StoredEvent};
use crate::trend::Weight;
use crate::words::{self, si, utc};
use maud::{DOCTYPE, Markup, PreEscaped, html};
use ohmward_proto::EventKind;
use std::collections::BTreeMap;

const STYLE: &str = include_str!("style.css");
const PICKUP: &str = "Pickup is when a limit was first seen passed: a fault begins before that, as its waveform shows.";
/// Days of insulation that stand in the table; longer periods show the lowest of each so many days.
const ROWS: usize = 45;

/// A share for people; a trace of something is never "0 %".
pub fn percent(share: f64) -> String {
    match share * 100.0 {
        p if p > 0.0 && p < 0.1 => "under 0.1 %".into(),
        p if p > 99.9 && p < 100.0 => "over 99.9 %".into(),
        p if p < 10.0 => format!("{p:.1} %"),
        p => format!("{p:.0} %"),
    }
}

fn shell(title: &str, body: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'; img-src data:";
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body { (body) }
        }
    }
}

fn cautions() -> Markup {
    html! {
        div.caution role="note" {
            @for line in NOTICE { p { (line) } }
        }
    }
}

/// A period.
pub fn period(report: &Period) -> Markup {
    let title = report
        .title
        .clone()
        .unwrap_or_else(|| "Ground faults and insulation".into());
    let (from, to) = (utc(report.range.start), utc(report.range.end - 1));
    shell(
        &format!("{title}, {from} to {to}"),
        &html! {
            header {
                h1 { (title) }
                p.lead {
                    (from) " to " (to) " UTC. Made " (utc(report.made_us)) " UTC by ohmward " (env!("CARGO_PKG_VERSION"))
                    " from the store " span.mono { (report.store) } "."
                }
            }
            (cautions())
            (summary(report))
            @for part in &report.boards { (board(part, report)) }
            @if !report.tests.is_empty() {
                h2 { "Insulation tests by people, of no board named here" }
                (people_tests(&report.tests, report.plan.as_ref()))
            }
            @if let Some(words) = report.tests_outside_words() { p { (words) "." } }
            (log(report.head, &report.log_faults))
            (signature())
            (footer())
        },
    )
}

fn summary(report: &Period) -> Markup {
    html! {
        h2 { "In short" }
        table {
            thead { tr {
                th { "board" } th.n { "trips" } th.n { "self-tests failed" } th.n { "lowest insulation" }
                th.n { "recorded" } th { "weightiest finding" }
            } }
            tbody {
                @for part in &report.boards {
                    tr {
                        td.mono { a href=(format!("#b{}", part.board)) { (part.board) } }
                        td.n { (part.trips.len()) }
                        td.n { (count(part, "self-test-failed")) }
                        td.n {
                            @match lowest(&part.days) {
                                Some(day) => { (si(day.least_ohm as f32, "Ω")) }
                                None => { "not measured" }
                            }
                        }
                        td.n { (part.coverage.recorded_share().map_or("not known".into(), percent)) }
                        td { (weightiest(part)) }
                    }
                }
            }
        }
        @if let Some(plan) = &report.plan {
            p { "Limits are held against the plan of " (plan.name) " (" span.mono { (plan.file) } ")." }
            @match report.looser() {
                0 => { p { "No board is set looser than the sources of that plan ask." } }
                n => { p.bad { (n) " board" (if n == 1 { "" } else { "s" }) " set looser than a source asks: see the settings." } }
            }
        } @else {
            p { "No description of the array was given: where the limits come from, and whether one is looser than its source, is not "
                "told here." }
        }
        @if !report.log_faults.is_empty() {
            p.bad { "The event log does not hold together: see its section." }
        }
    }
}

fn weightiest(part: &BoardPart) -> String {
    let findings = part.trend.iter().flat_map(|trend| &trend.findings);
    findings.max_by_key(|finding| finding.weight).map_or_else(
        || "no measurement to judge by".into(),
        |finding| format!("{}: {}", finding.weight.word(), finding.kind.heading()),
    )
}

fn count(part: &BoardPart, kind: &str) -> usize {
    let kinds = part.kinds.iter();
    kinds
        .filter(|(word, _)| *word == kind)
        .map(|(_, n)| n)
        .sum()
}

fn lowest(days: &[InsulationDay]) -> Option<&InsulationDay> {
    days.iter()
        .min_by(|a, b| a.least_ohm.total_cmp(&b.least_ohm))
}

fn board(part: &BoardPart, report: &Period) -> Markup {
    html! {
        section.board id=(format!("b{}", part.board)) {
            h2 { "Board " span.mono { (part.board) } }
            (runs(part))
            @if let Some(picture) = &part.overview {
                figure {
                    (PreEscaped(picture))
                    figcaption { "Bond current, contactor and insulation over the period." }
                }
            } @else {
                p { "No reading of this board is stored for the period." }
            }
            h3 { "Trips" }
            (trips(part))
            h3 { "Insulation" }
            (insulation(part))
            h3 { "Trend, as it was at the end of the period" }
            (trend(part))
            h3 { "Tests" }
            (self_tests(part))
            @if part.tests.is_empty() {
                p { "No insulation test by people within the period was given for this board (TESTS.toml)." }
            } @else {
                (people_tests(&part.tests, report.plan.as_ref()))
            }
            h3 { "Settings" }
            (settings(&part.limits, part.settings.as_ref().map(ohmward_proto::Settings::hash)))
            h3 { "What was recorded, and what was not" }
            (coverage(&part.coverage))
            (kinds(part))
        }
    }
}

fn runs(part: &BoardPart) -> Markup {
    html! {
        @if part.runs.is_empty() {
            p { "The board has not said in this period who it is." }
        } @else {
            table {
                thead { tr { th { "run" } th { "first heard" } th { "firmware" } th.n { "samples/s" } th { "calibration" } } }
                tbody {
                    @for run in &part.runs {
                        tr {
                            td { (run.boot) } td.when { (utc(run.first_seen_us)) } td { (run.firmware) }
                            td.n { (run.sample_rate_hz) } td.mono { (format!("{:08x}", run.calibration_id)) }
                        }
                    }
                }
            }
        }
    }
}

fn ms(value: Option<f64>) -> String {
    value.map_or("not known".into(), |ms| format!("{ms:.1} ms"))
}

fn trips(part: &BoardPart) -> Markup {
    if part.trips.is_empty() {
        return html! { p { "None in this period." } };
    }
    html! {
        table {
            thead { tr {
                th { "when (UTC)" } th { "event" } th { "cause" } th.n { "pickup to trip" } th.n { "trip to open" } th { "reset" }
            } }
            tbody { @for trip in &part.trips { (trip_row(trip)) } }
        }
        p.lead { (PICKUP) }
        @for (event, picture) in &part.waveforms {
            @match picture {
                Ok(picture) => {
                    figure {
                        (PreEscaped(picture))
                        figcaption { "Event " (event.event.id) ", " (utc(event.t_us)) " UTC: the waveform as captured." }
                    }
                }
                Err(why) => { p { "Event " (event.event.id) ": " (why) "." } }
            }
        }
        @if part.not_drawn > 0 {
            p { (part.not_drawn) " earlier trips are in the table and not drawn; one event has a report of its own with "
                span.mono { "--incident" } "." }
        }
    }
}

fn trip_row(trip: &Trip) -> Markup {
    html! {
        tr {
            td.when { (utc(trip.event.t_us)) (within(&trip.event)) }
            td.mono { (trip.event.event.id) }
            td {
                (trip.cause)
                @if let Some(place) = &trip.place { br; "Place: " (place) }
            }
            td.n { (ms(trip.pickup_to_trip_ms)) }
            td.n {
                @if trip.failed_to_open { span.bad { "did not open in time" } br; }
                (ms(trip.trip_to_open_ms))
            }
            td.when { (trip.reset_us.map_or("not in this period".into(), utc)) }
        }
    }
}

/// How well a moment is known.
fn within(stored: &StoredEvent) -> String {
    match stored.t_sigma_us {
        Some(us) if us >= 1000 => format!(" ± {}", si(us as f32 * 1e-6, "s")),
        _ => String::new(),
    }
}

fn insulation(part: &BoardPart) -> Markup {
    let days = &part.days;
    let Some(low) = lowest(days) else {
        return html! { p { "Never measured in this period. Not measured is not good." } };
    };
    // The lowest of each so many days: nothing low falls between rows.
    let each = days.len().div_ceil(ROWS).max(1);
    html! {
        p { "Measured on " (days.len()) " day" (if days.len() == 1 { "" } else { "s" }) ", "
            (days.iter().map(|day| day.count).sum::<u64>()) " times. Lowest: "
            strong { (si(low.least_ohm as f32, "Ω")) } " on " (&utc(low.start_us)[..10]) "." }
        table {
            caption { @if each == 1 { "By day (UTC)" } @else { "The lowest of every " (each) " days (UTC)" } }
            thead { tr { th { "day" } th.n { "measurements" } th.n { "lowest" } th.n { "median" } } }
            tbody {
                @for some in days.chunks(each) {
                    @if let Some(day) = lowest(some) {
                        tr {
                            td.when { (&utc(day.start_us)[..10]) }
                            td.n { (day.count) }
                            td.n { (si(day.least_ohm as f32, "Ω")) }
                            td.n { (si(day.median_ohm as f32, "Ω")) }
                        }
                    }
                }
            }
        }
        p.lead { "A value beyond what the board can tell apart from noise stands with its bound: the insulation is at least that." }
    }
}

fn trend(part: &BoardPart) -> Markup {
    let Some(trend) = &part.trend else {
        return html! { p { "No measurement of insulation up to the end of the period: nothing can be said." } };
    };
    html! {
        @for finding in &trend.findings {
            div class=(format!("finding {}", if finding.weight >= Weight::Unknown { "warning" } else { "calm" })) {
                p { strong { (finding.weight.word().to_uppercase()) ": " (finding.kind.heading()) } }
                dl {
                    dt { "Seen" } dd { (finding.seen) }
                    dt { "Sure" } dd { (finding.sure) }
                    dt { "Check first" } dd { (finding.check_first) }
                }
            }
        }
        @if let Some(finding) = trend.findings.first() { p { (finding.caution) } }
        @if let Some(picture) = &part.forecast {
            figure {
                (PreEscaped(picture))
                figcaption { "Insulation by day, and what is to be expected. A date is a range, never a promise." }
            }
        }
    }
}

fn self_tests(part: &BoardPart) -> Markup {
    let (passed, failed) = (
        count(part, "self-test-passed"),
        count(part, "self-test-failed"),
    );
    let worth = part
        .self_tests
        .iter()
        .filter(|stored| !matches!(stored.event.kind, EventKind::SelfTestPassed { .. }));
    let last = part
        .self_tests
        .iter()
        .rev()
        .find(|stored| matches!(stored.event.kind, EventKind::SelfTestPassed { .. }));
    html! {
        p { "The board's tests of itself: " (passed) " passed, " (failed) " failed." }
        @if let Some(last) = last {
            p { "Last passed " (utc(last.t_us)) " UTC: " (words::event(&last.event.kind, None)) "." }
        } @else {
            p.bad { "No self-test has passed in this period." }
        }
        (events(&worth.copied().collect::<Vec<_>>(), &part.rates_hz))
    }
}

fn people_tests(tests: &[InsulationTest], plan: Option<&Plan>) -> Markup {
    let planned = plan.and_then(|plan| plan.commissioning);
    html! {
        table {
            caption { "Insulation tests by people" }
            thead { tr {
                th { "day" } th { "part" } th.n { "test voltage" } th.n { "read" } th.n { "least allowed" } th { "result" }
                th { "instrument, by whom" }
            } }
            tbody {
                @for test in tests {
                    @let least = test.r_min_ohm.or(planned.map(|test| test.r_min_ohm));
                    tr {
                        td.when { (test.date) }
                        td { (test.part) @if !test.note.is_empty() { br; (test.note) } }
                        td.n {
                            (si(test.test_v as f32, "V"))
                            @if let Some(wanted) = planned {
                                @if test.test_v < wanted.test_v { br; span.bad { "asked: " (si(wanted.test_v as f32, "V")) } }
                            }
                        }
                        td.n { (si(test.r_ohm as f32, "Ω")) }
                        td.n { (least.map_or("not given".into(), |r| si(r as f32, "Ω"))) }
                        td {
                            @match least {
                                Some(least) if test.r_ohm >= least => { "passed" }
                                Some(_) => { span.bad { "NOT PASSED" } }
                                None => { "cannot be judged" }
                            }
                        }
                        td { (test.instrument) ", " (test.by) }
                    }
                }
            }
        }
        @if let Some(test) = planned {
            p.lead { "Test voltage and least resistance where none is given: " (test.source.label()) "." }
        }
    }
}

fn settings(rows: &[Row], hash: Option<u32>) -> Markup {
    let Some(hash) = hash else {
        return html! { p.bad { "The board's settings were never received: its limits are not known." } };
    };
    let has_plan = rows.iter().any(|row| row.source.is_some());
    html! {
        p {
            "Settings " span.mono { (format!("{hash:08x}")) } ", as the board last reported them."
            @if !has_plan { " Where each comes from is told when the array's description is given." }
        }
        table {
            thead { tr {
                th { "setting" } th.n { "on the board" }
                @if has_plan { th { "where it comes from" } }
            } }
            tbody {
                @for row in rows {
                    tr {
                        td { span.mono { (row.key) } @if !row.what.is_empty() { br; (row.what) } }
                        td.n { (row.set) }
                        @if has_plan {
                            td {
                                @if let Some(than) = &row.looser_than { span.bad { "LOOSER THAN " (than) } br; }
                                @if let Some(planned) = &row.planned { "The plan has " (planned) ". " }
                                @match &row.source {
                                    Some(source) => { (source) }
                                    None => { "as the array's description says" }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn coverage(coverage: &Coverage) -> Markup {
    let missing = |what: &str, missing: &[(ohmward_proto::NotMeasured, u64)]| {
        html! {
            li {
                (what) " measured in " (coverage.measured_share(missing).map_or("no reading".into(), percent)) " of the readings"
                @if !missing.is_empty() { "; not measured: " (reasons_in_words(missing, coverage.readings)) }
                "."
            }
        }
    };
    html! {
        ul {
            li {
                (coverage.readings) " readings stored"
                @if let Some(expected) = coverage.expected {
                    " of " (expected) " that there would be without a gap"
                    @if let Some(share) = coverage.recorded_share() { " (" (percent(share)) ")" }
                }
                "."
            }
            (missing("Bond current", &coverage.current_missing))
            (missing("Insulation", &coverage.insulation_missing))
            @if coverage.no_numbers > 0 { li.bad { (coverage.no_numbers) " values were no numbers: the board is damaged." } }
            @if coverage.gaps.is_empty() {
                li { "Every event that the board numbered is here." }
            } @else {
                @for gap in &coverage.gaps { li.bad { (gap) "." } }
            }
            @match coverage.line {
                None => { li { "How the line to the board did was not counted." } }
                Some(line) => {
                    li {
                        "The line, whole days: " (line.frames) " frames came whole, " (line.damaged) " damaged"
                        @if line.damaged > 0 { " (" (percent(line.damaged as f64 / (line.frames + line.damaged) as f64)) ")" }
                        @if line.unknown > 0 { ", " (line.unknown) " of a kind that the recorder did not know" }
                        "; it broke " (line.breaks) " time" (if line.breaks == 1 { "" } else { "s" }) "."
                    }
                }
            }
            @match coverage.silent_all {
                (0, _) => { li { "No whole hour without a reading." } }
                (n, us) => {
                    li {
                        (n) " stretch" (if n == 1 { "" } else { "es" }) " without a reading for an hour or more, "
                        (hours(us)) " in all; the longest:"
                        ul { @for span in &coverage.silent { li { (utc(span.start)) " to " (utc(span.end)) } } }
                    }
                }
            }
        }
    }
}

fn hours(us: i64) -> String {
    let hours = us as f64 / 3.6e9;
    if hours < 72.0 {
        format!("{hours:.0} h")
    } else {
        format!("{:.0} days", hours / 24.0)
    }
}

fn kinds(part: &BoardPart) -> Markup {
    let words: Vec<_> = part
        .kinds
        .iter()
        .map(|(kind, n)| format!("{kind} {n}"))
        .collect();
    html! {
        p { "Events: " (if words.is_empty() { "none".into() } else { words.join(", ") }) "." }
        @if !part.unread.is_empty() {
            p.bad { (part.unread.len()) " events are of kinds that this version does not know; they are kept." }
        }
    }
}

fn events(list: &[StoredEvent], rates_hz: &BTreeMap<u32, u32>) -> Markup {
    if list.is_empty() {
        return html! {};
    }
    html! {
        table {
            thead { tr { th { "when (UTC)" } th { "event" } th { "what" } } }
            tbody {
                @for stored in list {
                    @let id = stored.event.id;
                    tr {
                        td.when { (utc(stored.t_us)) (within(stored)) }
                        td.mono { (id) }
                        td { (words::event(&stored.event.kind, rates_hz.get(&id.boot).copied())) }
                    }
                }
            }
        }
    }
}

fn log(head: Option<Head>, faults: &[String]) -> Markup {
    html! {
        h2 { "The event log" }
        @match head {
            Some(head) => {
                p { "Every event is chained to the one before it by SHA-256, in the order in which it was stored. Count and hash of the "
                    "chain when this was made:" }
                p.mono { (head) }
                p { "Write them down where nobody can change them: " span.mono { "ohmward record --check --store DIR --head COUNT:HASH" }
                    " later shows whether the log still contains what this report was made from." }
                @if faults.is_empty() {
                    p { "The chain was gone through for this report: every event is as it was stored." }
                } @else {
                    p.bad { "The chain does not hold:" }
                    ul { @for fault in faults { li.bad { (fault) } } }
                }
            }
            None => { p { "This store was written by an older program and has no chain yet: edits would not show." } }
        }
    }
}

fn signature() -> Markup {
    html! {
        div.sign {
            h2 { "Judged by a licensed person" }
            p { "The numbers above are an instrument's. Whether the installation is safe to use is for a licensed person to say." }
            table {
                tbody {
                    @for line in ["Judgement", "Name, licence", "Date, place", "Signature"] { tr { th { (line) } td { } } }
                }
            }
        }
    }
}

fn footer() -> Markup {
    html! { footer { "Ohmward is an instrument, not a listed protective device. All times UTC." } }
}
