//! `ohmward report`: what stands in it is what the store holds, counted here from `events` and `export` on their own.

use ohmward_tests::{data, ohmward};
use std::collections::BTreeMap;
use std::path::Path;
use std::process::Output;

/// One invented day: a surge at 5 h, a hard fault at 7 h, a reset refused and one granted.
fn store(dir: &Path) -> std::path::PathBuf {
    let store = dir.join("store");
    let recorded = ohmward()
        .arg("record")
        .arg("--from")
        .arg(format!("sim:{}", data("one-day.toml").display()))
        .arg("--store")
        .arg(&store)
        .output()
        .expect("runs");
    assert!(recorded.status.success(), "{recorded:?}");
    store
}

fn report(store: &Path, out: &Path, more: &[&str]) -> Output {
    ohmward()
        .arg("report")
        .arg("--store")
        .arg(store)
        .arg("--out")
        .arg(out)
        .args(more)
        .output()
        .expect("runs")
}

fn events(store: &Path) -> Vec<serde_json::Value> {
    let listed = ohmward()
        .args(["events", "--json", "--store"])
        .arg(store)
        .output()
        .expect("runs");
    String::from_utf8(listed.stdout)
        .expect("text")
        .lines()
        .map(|line| serde_json::from_str(line).expect("JSON"))
        .collect()
}

/// What a person reads: tags gone, blanks as one.
fn words(html: &str) -> String {
    let mut text = String::new();
    let mut rest = html;
    while let Some((before, tag)) = rest.split_once('<') {
        text.push_str(before);
        text.push(' ');
        rest = tag.split_once('>').map_or("", |(_, after)| after);
    }
    text.push_str(rest);
    text.replace("&amp;", "&")
        .replace("&quot;", "\"")
        .split_whitespace()
        .collect::<Vec<_>>()
        .join(" ")
}

#[test]
fn a_period_says_what_the_store_holds() {
    let dir = tempfile::tempdir().expect("a folder");
    let store = store(dir.path());
    let tests = dir.path().join("tests.toml");
    let test = |r: f64| {
        format!(
            "[[insulation_test]]\ndate = {}\npart = \"string 1 <north>\"\ntest_v = 500\nr_ohm = {r}\n\
             r_min_ohm = 1e6\ninstrument = \"tester 7\"\nby = \"n. n.\"\n",
            day_of(&store)
        )
    };
    let elsewhen = test(5e6).replace(&day_of(&store), "2020-01-02");
    std::fs::write(&tests, test(3.2e6) + &test(0.4e6) + &elsewhen).expect("writes");
    let out = dir.path().join("report.html");
    let array =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("../host/scenarios/heron-bend-array.toml");
    let made = report(
        &store,
        &out,
        &[
            "--tests",
            tests.to_str().expect("text"),
            "--array",
            array.to_str().expect("text"),
            "--title",
            "An invented <site>",
        ],
    );
    assert!(made.status.success(), "{made:?}");
    let html = std::fs::read_to_string(&out).expect("written");

    // One file that needs nothing else: no script, and no address but the names of XML's own spaces.
    assert!(!html.contains("<script"));
    let elsewhere = html.match_indices("://").filter(|(k, _)| {
        !html[..*k].ends_with("\"http") || !html[*k..].starts_with("://www.w3.org/")
    });
    assert_eq!(elsewhere.count(), 0);
    // What people write is text, never markup.
    assert!(html.contains("An invented &lt;site&gt;") && html.contains("string 1 &lt;north&gt;"));

    let page = words(&html);
    let all = events(&store);
    let mut kinds: BTreeMap<&str, usize> = BTreeMap::new();
    for event in &all {
        *kinds
            .entry(event["kind"].as_str().expect("a word"))
            .or_default() += 1;
    }
    assert_eq!(kinds["tripped"], 1);
    for (kind, n) in &kinds {
        assert!(
            page.contains(&format!("{kind} {n}")),
            "no \"{kind} {n}\" in {page}"
        );
    }
    // Pickup to trip from the event's own counters, at 4 kS/s.
    let trip = all
        .iter()
        .find(|e| e["kind"] == "tripped")
        .expect("it tripped");
    let picked_up = trip["detail"]["tripped"]["picked_up_at_sample"]
        .as_u64()
        .expect("a count");
    let ms = (trip["at_sample"].as_u64().expect("a count") - picked_up) as f64 / 4.0;
    assert!(
        page.contains(&format!("{ms:.1} ms")),
        "no {ms:.1} ms in {page}"
    );
    assert!(page.contains("PV conductors stay live in daylight"));
    assert!(page.contains("Judged by a licensed person"));
    assert_eq!(page.matches(" passed tester 7").count(), 1, "{page}");
    assert_eq!(page.matches("NOT PASSED").count(), 1);
    // What was given and is not shown is said, in the report and beside it.
    let outside = "1 insulation test by people lies outside the period (2020-01-02)";
    assert!(page.contains(outside), "{page}");
    assert!(String::from_utf8_lossy(&made.stderr).contains(outside));
    // The board has the standard's own values: 0.3 A in single precision is no looser than 0.3 A.
    assert!(
        page.contains("300 mA") && !page.contains("LOOSER THAN IEC 62109-2"),
        "{page}"
    );
    // The overview, the forecast or not, and the trip's waveform.
    assert!(html.matches("<svg").count() >= 2);

    // The chain's head is the one that a check finds.
    let checked = ohmward()
        .args(["record", "--check", "--json", "--store"])
        .arg(&store)
        .output()
        .expect("runs");
    let checked: serde_json::Value = serde_json::from_slice(&checked.stdout).expect("JSON");
    assert!(page.contains(checked["head"].as_str().expect("a head")));
}

/// The day of the first event, as TOML writes it.
fn day_of(store: &Path) -> String {
    let t_us = events(store)[0]["t_us"].as_i64().expect("a time");
    let moment = jiff::Timestamp::from_microsecond(t_us).expect("a moment");
    moment.strftime("%Y-%m-%d").to_string()
}

#[test]
fn one_event_has_a_page_of_its_own() {
    let dir = tempfile::tempdir().expect("a folder");
    let store = store(dir.path());
    let all = events(&store);
    let trip = all
        .iter()
        .find(|e| e["kind"] == "tripped")
        .expect("it tripped");
    let id = format!("{}.{}", trip["boot"], trip["seq"]);
    let out = dir.path().join("incident.html");
    let made = report(&store, &out, &["--incident", &id]);
    assert!(made.status.success(), "{made:?}");
    let html = std::fs::read_to_string(&out).expect("written");
    let page = words(&html);
    assert!(page.contains(&format!("Event {id} of board")));
    assert!(page.contains("Pickup to trip"));
    assert!(html.contains("<svg"), "no waveform");
    // The surge two hours before is not around it; the contactor's opening is.
    assert!(page.contains("Contactor open,"), "{page}");
    assert!(!page.contains("Surge,"), "{page}");

    let wrong = report(&store, &out, &["--incident", "9.9"]);
    assert_eq!(wrong.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&wrong.stderr).contains("no event 9.9"));
    // Nothing was written over the good one.
    assert_eq!(std::fs::read_to_string(&out).expect("there"), html);
}

#[test]
fn an_edited_log_is_said_on_the_page_and_by_the_status() {
    let dir = tempfile::tempdir().expect("a folder");
    let store = store(dir.path());
    let db = rusqlite::Connection::open(store.join("ohmward.sqlite")).expect("opens");
    let edited = db
        .execute(
            "UPDATE event SET t_us = t_us + 1 WHERE kind = 'tripped'",
            [],
        )
        .expect("edits");
    assert_eq!(edited, 1);
    drop(db);
    let out = dir.path().join("report.html");
    let made = report(&store, &out, &[]);
    assert_eq!(made.status.code(), Some(1), "{made:?}");
    let page = words(&std::fs::read_to_string(&out).expect("written"));
    assert!(page.contains("does not hold together"), "{page}");
}

#[test]
fn nothing_to_report_on_is_one_line() {
    let dir = tempfile::tempdir().expect("a folder");
    let store = store(dir.path());
    let out = dir.path().join("report.html");
    for (more, words) in [
        (
            &["--from", "2001-01-01", "--to", "2001-02-01"][..],
            "the store knows",
        ),
        (
            &["--from", "2026-02-01", "--to", "2026-01-01"],
            "exchange them",
        ),
        (&["--board", "77"], "no board"),
        (&["--tests", "/nowhere/tests.toml"], "check the path"),
    ] {
        let made = report(&store, &out, more);
        assert_eq!(made.status.code(), Some(2), "{made:?}");
        let said = String::from_utf8(made.stderr).expect("text");
        assert_eq!(said.trim_end().lines().count(), 1, "{said}");
        assert!(said.contains(words), "{said}");
        assert!(!out.exists());
    }
}
