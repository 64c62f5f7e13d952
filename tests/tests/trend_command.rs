//! `ohmward trend` on a store: an invented year of a board written as readings, told in words and in JSON.

use ohmward::link::Source;
use ohmward::record::{Options, record};
use ohmward::sim::Gear;
use ohmward::store::{Entry, Rules, Store};
use ohmward_proto::measure::{Dwell, PoleLeakage, TripState};
use ohmward_proto::message::{BoardId, Hello, PROTOCOL_VERSION};
use ohmward_proto::{
    Amps, BondCurrent, Farads, Insulation, Reading, SampleIndex, Settings, Siemens, Volts,
};
use ohmward_tests::ohmward;
use ohmward_tests::years::{Fate, Year, year};
use std::process::Output;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

const RATE_HZ: f64 = 4000.0;

fn write(store: &mut Store, board: BoardId, year: &Year, days: f64) {
    write_dwelling(store, board, year, days, |_| None);
}

/// `dwell_s`: what the board tells of each measurement, by days from the first.
fn write_dwelling(
    store: &mut Store,
    board: BoardId,
    year: &Year,
    days: f64,
    dwell_s: impl Fn(f64) -> Option<f64>,
) {
    let start_s = year.record.looks[0].t_s;
    let until = year
        .record
        .looks
        .iter()
        .take_while(|look| look.t_s < start_s + days * 86_400.0);
    let settings = Settings::SMALL_BONDED;
    let run = Entry::Run {
        board,
        hello: Hello {
            protocol: PROTOCOL_VERSION,
            firmware: (0, 1, 0),
            board,
            boot: 1,
            at: SampleIndex(0),
            sample_rate_hz: RATE_HZ as u32,
            settings_hash: settings.hash(),
            calibration_id: 1,
            epoch_unix_ms: None,
        },
        received_us: (start_s * 1e6) as i64,
    };
    let mut batch = vec![run, Entry::Settings { board, settings }];
    for look in until {
        let at = SampleIndex(((look.t_s - start_s) * RATE_HZ) as u64);
        let v = look.v_v.unwrap_or(100.0) as f32;
        // Before its reading, as it may come.
        if let Some(dwell_s) = dwell_s((look.t_s - start_s) / 86_400.0) {
            batch.push(Entry::Dwell {
                board,
                boot: 1,
                dwell: Dwell {
                    at,
                    a_samples: (dwell_s * RATE_HZ) as u32,
                    b_samples: (dwell_s * RATE_HZ) as u32 + 400,
                    extrapolated: dwell_s < 2.0,
                },
            });
        }
        batch.push(Entry::Reading {
            board,
            boot: 1,
            t_us: (look.t_s * 1e6) as i64,
            reading: Reading {
                at,
                i_bond: BondCurrent::Measured {
                    dc: Amps(1e-5),
                    rms: Amps(2e-5),
                },
                v_pos: Some(Volts(v)),
                v_neg: Some(Volts(0.0)),
                insulation: Insulation::Measured {
                    leakage: PoleLeakage {
                        g_pos: Siemens(look.g_pos_s as f32),
                        g_neg: Siemens(look.g_neg_s as f32),
                        g_sigma: Siemens(look.g_sigma_s as f32),
                        c: Farads(look.c_f as f32),
                        c_sigma: Farads(0.02 * look.c_f as f32),
                    },
                    at,
                },
                state: TripState::Closed,
                bond_open: false,
            },
        });
    }
    store.write(&batch).expect("writes");
}

fn trend(dir: &std::path::Path, more: &[&str]) -> Output {
    ohmward()
        .arg("trend")
        .arg("--store")
        .arg(dir)
        .args(more)
        .output()
        .expect("runs")
}

#[test]
fn tells_a_failing_board_from_a_healthy_one() {
    let dir = tempfile::tempdir().expect("a folder");
    let (healthy, failing) = (BoardId(0xa1), BoardId(0xb2));
    let bad = year(73_000, Fate::OnePlace, 365);
    let crosses = bad.crosses(30e3).expect("crosses");
    {
        let mut store = Store::open_or_create(dir.path()).expect("a store");
        write(
            &mut store,
            healthy,
            &year(72_000, Fate::Healthy, 150),
            150.0,
        );
        write(&mut store, failing, &bad, crosses as f64 - 5.0);
    }
    let text = |output: &Output| String::from_utf8_lossy(&output.stdout).into_owned();

    let good = trend(dir.path(), &["--board", "a1"]);
    assert_eq!(good.status.code(), Some(0), "{}", text(&good));
    assert!(text(&good).contains("FINE: healthy"), "{}", text(&good));

    let bad = trend(dir.path(), &[]);
    assert_eq!(bad.status.code(), Some(1));
    for part in [
        "WARNING",
        "check first",
        "caution",
        "stay live in daylight",
        "trip level of 30 kΩ",
    ] {
        assert!(text(&bad).contains(part), "no '{part}' in {}", text(&bad));
    }

    let lines = trend(dir.path(), &["--json"]);
    let boards: Vec<serde_json::Value> = text(&lines)
        .lines()
        .map(|line| serde_json::from_str(line).expect("JSON"))
        .collect();
    assert_eq!(boards.len(), 2);
    assert_eq!(boards[1]["findings"][0]["weight"], "warning");
    assert!(boards[1]["findings"][0]["heading"].is_string());
    assert_eq!(boards[1]["limits_are_defaults"], false);
    let first = &boards[1]["decline"]["forecasts"][0]["first"];
    assert!(
        first["p5_days"].as_f64().expect("a day") <= first["p50_days"].as_f64().expect("a day")
    );
}

/// Two days after a repair nothing warns of a fault that is gone: the repair is told, as a question, and that it is to be looked into
/// when nobody mended anything.
#[test]
fn two_days_after_a_repair_nothing_warns() {
    for (seed, fate) in [
        (73_000, Fate::OnePlace),
        (73_003, Fate::Steady),
        (73_006, Fate::Step),
    ] {
        let broken = year(seed, fate, 365);
        let repair = broken.crosses(30e3).expect("crosses") + 1;
        let year = broken.mended(repair);
        let from_first_look = (year.record.looks[0].t_s - year.start_s) / 86_400.0;
        let said = |days_after: f64| {
            let dir = tempfile::tempdir().expect("a folder");
            let board = BoardId(0xc3);
            {
                let mut store = Store::open_or_create(dir.path()).expect("a store");
                let days = repair as f64 + days_after - from_first_look;
                write(&mut store, board, &year, days);
            }
            let output = trend(dir.path(), &[]);
            assert_eq!(output.status.code(), Some(1), "{seed} {fate:?}");
            String::from_utf8_lossy(&output.stdout).into_owned()
        };
        let before = said(0.0);
        assert!(before.contains("WARNING"), "{seed} {fate:?}: {before}");
        let after = said(2.0);
        assert!(!after.contains("WARNING"), "{seed} {fate:?}: {after}");
        for part in [
            "NOTICE: back to healthy",
            "(repair?)",
            "are both earth leads of the board whole?",
            "no proof of isolation",
        ] {
            assert!(
                after.contains(part),
                "{seed} {fate:?}: no '{part}' in {after}"
            );
        }
    }
}

/// Resistance rises with the time under voltage: values of unlike dwell are not laid side by side without a word.
#[test]
fn unlike_dwell_is_told_with_its_numbers() {
    let dir = tempfile::tempdir().expect("a folder");
    let year = year(73_000, Fate::OnePlace, 365);
    let (begins, crosses) = (
        year.begins.expect("begins"),
        year.crosses(30e3).expect("crosses"),
    );
    let boards = [0xd1, 0xd2, 0xd3, 0xd4].map(BoardId);
    let dwells: [&dyn Fn(f64) -> Option<f64>; 4] = [
        &|day| Some(if day < begins { 1.0 } else { 4.0 }),
        &|day| Some(if day < begins { 4.0 } else { 1.0 }),
        &|day| Some(if day < begins { 1.0 } else { 1.5 }),
        &|_| None,
    ];
    {
        let mut store = Store::open_or_create(dir.path()).expect("a store");
        for (board, dwell_s) in boards.into_iter().zip(dwells) {
            write_dwelling(&mut store, board, &year, crosses as f64 - 2.0, dwell_s);
        }
    }
    let said = |board: &str| {
        let output = trend(dir.path(), &["--board", board]);
        String::from_utf8_lossy(&output.stdout).into_owned()
    };
    for (board, parts) in [
        (
            "d1",
            [
                "dwelt 4 s of late, 1 s when healthy (medians, 4.00 times)",
                "more is lost",
            ],
        ),
        (
            "d2",
            [
                "dwelt 1 s of late, 4 s when healthy (medians, 0.25 times)",
                "shorter dwell",
            ],
        ),
        (
            "d3",
            [
                "dwelt alike: 1 s when healthy, 1.5 s of late",
                "median dwell 1 s",
            ],
        ),
        ("d4", ["dwelt was not logged", "median dwell not logged"]),
    ] {
        let text = said(board);
        for part in parts {
            assert!(text.contains(part), "no '{part}' in {text}");
        }
    }
    let json = |board: &str| -> serde_json::Value {
        let output = trend(dir.path(), &["--json", "--board", board]);
        serde_json::from_slice(&output.stdout).expect("JSON")
    };
    let d1 = json("d1");
    assert_eq!(d1["dwell_unlike_ratio"], 4.0);
    assert_eq!(
        (&d1["dwell_healthy_s"], &d1["dwell_now_s"]),
        (&1.0.into(), &4.0.into())
    );
    let share = d1["dwell_extrapolated_share"].as_f64().expect("a share");
    assert!(share > 0.0 && share < 1.0, "{share}");
    assert!(json("d3")["dwell_unlike_ratio"].is_null());
    assert!(json("d4")["dwell_s"].is_null());
}

/// From the firmware's own measurements, over the link, into the store, into words: how long they dwelt.
#[test]
fn a_simulated_boards_dwell_is_logged_and_told() {
    let dir = tempfile::tempdir().expect("a folder");
    let scenario = dir.path().join("invented.toml");
    let text = "name = \"Invented shed\"\nseed = 3\nstart = \"2026-05-01T00:00:00Z\"\nduration_h = 16.0\n\
                [board]\nid = \"00000000000000e5\"\n\
                [settings]\nearthing = \"negative-bonded\"\nreading_every_ms = 60_000\ncheck.every_s = 900\n\
                [array]\nstrings = 2\nmodules_per_string = 4\n";
    std::fs::write(&scenario, text).expect("writes");
    let folder = dir.path().join("store");
    let options = Options {
        sources: vec![Source::Sim(scenario)],
        store: folder.clone(),
        baud: 0,
        gear: Gear::ReadingsOnly,
        duration: None,
        comes_back: false,
        rules: Rules::default(),
        wall_clock: std::time::SystemTime::now,
    };
    let stop = Arc::new(AtomicBool::new(false));
    let outcome = record(&options, &stop, |_| {}, |_| {}).expect("records");
    assert!(outcome.failed.is_empty(), "{:?}", outcome.failed);

    let board = BoardId(0xe5);
    let store = Store::open_existing(&folder).expect("a store");
    let check = store
        .settings(board)
        .expect("reads")
        .expect("settings")
        .check;
    let measured = store
        .measured(board, &(0..i64::MAX))
        .expect("reads")
        .expect("this layout");
    assert!(measured.len() > 10, "{} measurements", measured.len());
    let mut times: Vec<f64> = measured
        .iter()
        .map(|measured| measured.dwell.expect("each is told of").dwell_ms)
        .collect();
    // No shorter than six mains cycles of rows need, no longer than is set.
    assert!(
        times
            .iter()
            .all(|ms| (120.0..=f64::from(check.state_ms_max) + 1.0).contains(ms)),
        "{times:?}"
    );
    times.sort_by(f64::total_cmp);
    let middle_s = 0.5e-3 * (times[(times.len() - 1) / 2] + times[times.len() / 2]);
    let output = trend(&folder, &[]);
    let text = String::from_utf8_lossy(&output.stdout);
    let dwell = format!("median dwell {}", ohmward::words::si(middle_s as f32, "s"));
    assert!(text.contains(&dwell), "no '{dwell}' in {text}");
}

#[test]
fn what_it_cannot_do_is_one_line_that_says_what_to_do() {
    let dir = tempfile::tempdir().expect("a folder");
    let refused = |output: &Output, part: &str| {
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{said}");
        assert!(
            said.contains(part) && said.trim_end().lines().count() == 1,
            "{said}"
        );
    };
    refused(&trend(dir.path(), &[]), "store");
    {
        let mut store = Store::open_or_create(dir.path()).expect("a store");
        write(
            &mut store,
            BoardId(0xa1),
            &year(72_000, Fate::Healthy, 5),
            5.0,
        );
    }
    refused(&trend(dir.path(), &["--board", "ff"]), "no board");
    let file = dir.path().join("weather.csv");
    let weather = |text: &str| {
        std::fs::write(&file, text).expect("writes");
        trend(dir.path(), &["--weather", file.to_str().expect("a name")])
    };
    refused(&weather("when,cell_c\n"), "no column 'time'");
    refused(&weather("time,wind\n"), "neither");
    refused(&weather("time,cell_c\nyesterday,3\n"), "line 2");
    refused(
        &weather("time,cell_c\n2026-05-03T14:20:00Z,900\n"),
        "line 2",
    );
    // Five days are no record to judge by, and that is no all-clear.
    let short = trend(dir.path(), &[]);
    assert_eq!(short.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&short.stdout).contains("not enough data"));
}
