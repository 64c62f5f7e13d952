//! What the page's server answers, held to the readings, events and codes that were put into the store.

use ohmward::store::{Entry, Store};
use ohmward_proto::measure::Codes;
use ohmward_proto::message::BoardId;
use ohmward_proto::settings::{Calibration, Settings};
use ohmward_proto::{BondCurrent, Insulation, Reading, SampleIndex};
use ohmward_tests::served::{
    CAPTURED, RATE_HZ, SOUND, Served, TRIGGER, TRIP, TRIPPED, code, now_us, reading, served,
};
use serde_json::Value;
use std::collections::BTreeMap;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

fn strings(value: &Value) -> Vec<&str> {
    let values = value.as_array().expect("a list").iter();
    values.map(|value| value.as_str().expect("text")).collect()
}

/// Buckets against the readings themselves, worked out here without roll-ups.
#[test]
fn columns_are_what_the_readings_say() {
    let (_folder, served) = served(3);
    let of = format!("/api/boards/{SOUND}/readings");
    let all = served.get(&format!("{of}?points=300")).json();
    assert_eq!(all["made_of"], "roll-ups");
    let step_us = all["step_us"].as_i64().unwrap();
    assert_eq!(
        step_us, 900_000_000,
        "the finest of at most 300 over 3 days"
    );
    let times: Vec<i64> = serde_json::from_value(all["t_us"].clone()).unwrap();
    let numbers =
        |column: &Value| -> Vec<Option<f64>> { serde_json::from_value(column.clone()).unwrap() };
    let board = served.get(&format!("/api/boards/{SOUND}")).json();
    let start_us = board["from_us"].as_i64().unwrap();
    let end_us = board["to_us"].as_i64().unwrap();
    let mut buckets: BTreeMap<i64, Vec<(f64, Option<f64>)>> = BTreeMap::new();
    for s in (0..=3 * 86_400).step_by(10) {
        let row = reading(s);
        let t_us = start_us + (s * 1_000_000) as i64;
        assert!(t_us <= end_us);
        let BondCurrent::Measured { dc, .. } = row.i_bond else {
            panic!("it is measured");
        };
        let r_ohm = match row.insulation {
            Insulation::Measured { leakage, .. } => Some(f64::from(leakage.r_iso().bound().0)),
            Insulation::NotMeasured { .. } => None,
        };
        buckets
            .entry(t_us.div_euclid(step_us) * step_us + step_us / 2)
            .or_default()
            .push((f64::from(dc.0), r_ohm));
    }
    assert_eq!(times, buckets.keys().copied().collect::<Vec<_>>());
    let (least, median, most) = (
        numbers(&all["i_dc_a"]["min"]),
        numbers(&all["i_dc_a"]["median"]),
        numbers(&all["i_dc_a"]["max"]),
    );
    let share = numbers(&all["r_iso_not_measured_share"]);
    let r_ohm = numbers(&all["r_iso_ohm"]["median"]);
    for (k, rows) in buckets.values().enumerate() {
        let mut values: Vec<f64> = rows.iter().map(|(dc, _)| *dc).collect();
        values.sort_by(f64::total_cmp);
        // Boards send whole µA; five digits are given.
        let near = |got: Option<f64>, want: f64, part: f64| {
            let got = got.expect("measured");
            assert!(
                (got - want).abs() <= 1.01e-6 + part * want.abs(),
                "{k}: {got} {want}"
            );
        };
        near(least[k], values[0], 1e-4);
        near(most[k], values[values.len() - 1], 1e-4);
        near(median[k], values[values.len().div_ceil(2) - 1], 1.0 / 256.0);
        let missing = rows.iter().filter(|(_, r)| r.is_none()).count();
        let want = missing as f64 / rows.len() as f64;
        assert!((share[k].unwrap() - want).abs() < 1e-3, "{k}");
        if missing == rows.len() {
            assert_eq!(r_ohm[k], None, "dark is no value, at {k}");
        }
    }
    let lit = r_ohm.iter().flatten().count();
    // Measured every half hour, and repeated by readings between: hardly a lit bucket is empty.
    assert!(lit > 120, "{lit}");

    // Zoomed in: the rows themselves.
    let from_us = start_us + 43_200_000_000;
    let to_us = from_us + 600_000_000;
    let rows = served
        .get(&format!("{of}?from={from_us}&to={to_us}"))
        .json();
    assert_eq!(rows["made_of"], "readings");
    let times: Vec<i64> = serde_json::from_value(rows["t_us"].clone()).unwrap();
    assert_eq!(times.len(), 60);
    for (t_us, got) in times.iter().zip(numbers(&rows["v_pos_v"]["value"])) {
        let want = reading(((t_us - start_us) / 1_000_000) as u64)
            .v_pos
            .unwrap()
            .0;
        assert!((got.unwrap() - f64::from(want)).abs() < 1e-3);
    }
    // A time of which there is nothing has columns without entries, and all of time costs nothing.
    let none = served.get(&format!("{of}?from=0&to=1000")).json();
    assert_eq!(none["t_us"].as_array().unwrap().len(), 0);
    assert_eq!(
        served
            .get(&format!("{of}?from={}&to={}", i64::MIN, i64::MAX))
            .status,
        200
    );
}

#[test]
fn gaps_stay_gaps() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(folder.path()).unwrap();
    let board = BoardId(5);
    let start_us = now_us() - 86_400_000_000;
    let row = |s: u64| Entry::Reading {
        board,
        boot: 1,
        t_us: start_us + (s * 1_000_000) as i64,
        reading: Reading {
            at: SampleIndex(s * u64::from(RATE_HZ)),
            ..reading(43_200 + s % 1000)
        },
    };
    // Half a day, six hours of nothing, a quarter of a day.
    let seconds = (0..43_200).step_by(5).chain((64_800..86_400).step_by(5));
    store.write(&seconds.map(row).collect::<Vec<_>>()).unwrap();
    drop(store);
    let served = Served::start(folder.path().to_owned(), None);
    for points in [200, 5000] {
        let all = served
            .get(&format!("/api/boards/{board}/readings?points={points}"))
            .json();
        let times: Vec<i64> = serde_json::from_value(all["t_us"].clone()).unwrap();
        let column = if all["step_us"] == 0 {
            "value"
        } else {
            "median"
        };
        let values: Vec<Option<f64>> =
            serde_json::from_value(all["i_rms_a"][column].clone()).unwrap();
        assert_eq!(times.len(), values.len());
        let empty: Vec<i64> = times
            .iter()
            .zip(&values)
            .filter(|(_, value)| value.is_none())
            .map(|(t_us, _)| (t_us - start_us) / 1_000_000)
            .collect();
        assert_eq!(empty.len(), 1, "one gap, told once: {empty:?}");
        assert!((43_200..64_800).contains(&empty[0]), "{empty:?}");
    }
}

#[test]
fn events_and_their_waveform() {
    let (_folder, served) = served(1);
    let of = format!("/api/boards/{TRIPPED}");
    let all = served.get(&format!("{of}/events")).json();
    let ids: Vec<_> = all["events"]
        .as_array()
        .unwrap()
        .iter()
        .map(|event| event["id"].as_str().unwrap())
        .collect();
    assert_eq!(
        ids,
        ["1.5", "1.4", "1.3", "1.2", "1.1", "1.0"],
        "newest first"
    );
    assert!(strings(&all["kinds"]).contains(&"tripped"));
    let trips = served
        .get(&format!("{of}/events?kind=tripped&kind=reset"))
        .json();
    assert_eq!(trips["events"].as_array().unwrap().len(), 1);
    assert_eq!(trips["events"][0]["waveform"], true);
    let two = served.get(&format!("{of}/events?limit=2")).json();
    assert_eq!(two["events"].as_array().unwrap().len(), 2);
    assert_eq!(two["events"][0]["id"], "1.5");
    assert_eq!(two["older_left_out"], true);
    let one = served.get(&format!("{of}/events/1.4")).json();
    assert!(one["words"].as_str().unwrap().contains("4.2 A"), "{one}");

    let wave = served.get(&format!("{of}/events/{TRIP}/waveform")).json();
    let numbers = |name: &str| -> Vec<f64> { serde_json::from_value(wave[name].clone()).unwrap() };
    let (ms, amps, volts) = (numbers("t_ms"), numbers("i_bond_a"), numbers("v_pos_v"));
    assert_eq!(ms.len(), usize::from(CAPTURED));
    assert!(ms[TRIGGER as usize].abs() < 1e-9);
    assert!((ms[0] + TRIGGER as f64 * 1000.0 / f64::from(RATE_HZ)).abs() < 1e-9);
    // The codes scaled by hand: ±25 A and ±600 V over 32768 counts (hardware-notes).
    for k in 0..CAPTURED {
        let Codes {
            i_fine,
            i_wide,
            v_pos,
            ..
        } = code(k);
        let want = if i_fine >= Calibration::REFERENCE.rail_high {
            f64::from(i_wide) * 25.0 / 32768.0
        } else {
            f64::from(i_fine) * 1.25 / 32768.0
        };
        assert!((amps[usize::from(k)] - want).abs() < 1e-5, "{k}");
        assert!(
            (volts[usize::from(k)] - f64::from(v_pos) * 600.0 / 32768.0).abs() < 1e-3,
            "{k}"
        );
    }
    let mark = |what: &str| {
        let marks = wave["marks"].as_array().unwrap().iter();
        let found = marks
            .filter(|mark| mark["what"] == what)
            .map(|mark| mark["t_ms"].as_f64().unwrap());
        found.collect::<Vec<_>>()
    };
    // 80 and 140 samples after the pickup, at 4 kS/s.
    assert_eq!(
        (mark("picked up"), mark("tripped"), mark("contactor open")),
        (vec![0.0], vec![20.0], vec![35.0])
    );
    let closed: Vec<bool> = serde_json::from_value(wave["contactor_closed"].clone()).unwrap();
    assert_eq!(
        closed.iter().filter(|is| **is).count(),
        TRIGGER as usize + 140
    );
    let limit = f64::from(Settings::SMALL_BONDED.current.ground_fault.above.0);
    let limits = wave["limits"].as_array().unwrap();
    assert!(
        limits
            .iter()
            .any(|one| one["level_a"].as_f64() == Some(limit)),
        "{limits:?}"
    );
}

#[test]
fn findings_come_and_are_kept() {
    let (_folder, served) = served(2);
    let path = format!("/api/boards/{SOUND}/trend");
    let until = Instant::now() + Duration::from_secs(60);
    let found = loop {
        let answer = served.get(&path);
        if answer.status == 200 {
            break answer.json();
        }
        assert_eq!(answer.status, 202);
        assert_eq!(answer.json()["working"], true);
        assert!(Instant::now() < until);
        std::thread::sleep(Duration::from_millis(100));
    };
    let findings = found["findings"].as_array().unwrap();
    // Two days say nothing of a trend, and that is said.
    assert_eq!(findings[0]["kind"], "not-enough-data", "{found}");
    assert!(!findings[0]["caution"].as_str().unwrap().is_empty());
    assert_eq!(
        served.get(&path).json()["at_us"],
        found["at_us"],
        "worked out once"
    );
}

/// Parsed by the OpenMetrics parser of PyPI's `prometheus-client`.
#[test]
fn metrics_are_openmetrics() {
    let (_folder, served) = served(1);
    let answer = served.get("/metrics");
    assert!(
        answer
            .header("content-type")
            .unwrap()
            .starts_with("application/openmetrics-text; version=1.0.0")
    );
    let text = answer.text();
    assert!(text.ends_with("# EOF\n"));
    let check = |text: &str| {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("reference/openmetrics_check.py");
        let mut child = Command::new("python3")
            .arg(script)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()?;
        // It may end before it has read all.
        let _ = child
            .stdin
            .take()
            .expect("piped")
            .write_all(text.as_bytes());
        child.wait_with_output()
    };
    let output = match check(&text) {
        Ok(output) if output.status.code() != Some(77) => output,
        skipped => {
            assert!(
                std::env::var_os("OHMWARD_REQUIRE_TOOLS").is_none(),
                "{skipped:?}"
            );
            eprintln!("skipped: {skipped:?}");
            return;
        }
    };
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(
        output.status.success(),
        "{said}{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let samples: Vec<Value> = said
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    let find = |name: &str, labels: &[(&str, &str)]| -> Vec<f64> {
        let has = |sample: &&Value| {
            sample["name"] == name
                && labels
                    .iter()
                    .all(|(key, value)| sample["labels"][*key] == *value)
        };
        samples
            .iter()
            .filter(has)
            .map(|sample| sample["value"].as_f64().unwrap())
            .collect()
    };
    let (sound, tripped) = (SOUND.to_string(), TRIPPED.to_string());
    let (sound, tripped) = ([("board", sound.as_str())], [("board", tripped.as_str())]);
    let BondCurrent::Measured { rms, .. } = reading(86_400).i_bond else {
        panic!("it is measured");
    };
    let got = find("ohmward_bond_current_rms_amperes", &sound);
    assert!(
        got.len() == 1 && (got[0] - f64::from(rms.0)).abs() < 1e-6,
        "{got:?}"
    );
    // The tripped board's bond is open: no current, neither 0 nor NaN, and a reason.
    assert!(find("ohmward_bond_current_rms_amperes", &tripped).is_empty());
    assert_eq!(
        find(
            "ohmward_bond_current_not_measured",
            &[tripped[0], ("reason", "bond-open")]
        ),
        [1.0]
    );
    let state = find("ohmward_state", &tripped);
    assert_eq!((state.len(), state.iter().sum::<f64>()), (7, 1.0));
    assert_eq!(
        find("ohmward_state", &[tripped[0], ("state", "latched")]),
        [1.0]
    );
    assert_eq!(find("ohmward_urgency", &tripped), [3.0]);
    assert_eq!(find("ohmward_trips_total", &tripped), [1.0]);
    assert_eq!(
        find("ohmward_events_total", &[tripped[0], ("kind", "rested")]),
        [3.0]
    );
    let trip_ohm = f64::from(Settings::SMALL_BONDED.insulation.trip_below.0);
    assert_eq!(
        find(
            "ohmward_insulation_limit_ohms",
            &[sound[0], ("limit", "trip")]
        ),
        [trip_ohm]
    );
    assert_eq!(find("ohmward_recording", &[]), [0.0]);
    assert!(find("ohmward_store_size_bytes", &[])[0] > 1e5);
    assert!(!said.contains("NaN"), "{said}");

    // That it can fail: without its end it is no OpenMetrics.
    let cut = check(text.trim_end_matches("# EOF\n")).unwrap();
    assert_eq!(cut.status.code(), Some(1), "{cut:?}");
}
