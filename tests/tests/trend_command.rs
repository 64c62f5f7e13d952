//! `ohmward trend` on a store: an invented year of a board written as readings, told in words and in JSON.

use ohmward::store::{Entry, Store};
use ohmward_proto::measure::{PoleLeakage, TripState};
use ohmward_proto::message::BoardId;
use ohmward_proto::{
    Amps, BondCurrent, Farads, Insulation, Reading, SampleIndex, Settings, Siemens, Volts,
};
use ohmward_tests::ohmward;
use ohmward_tests::years::{Fate, Year, year};
use std::process::Output;

const RATE_HZ: f64 = 4000.0;

fn write(store: &mut Store, board: BoardId, year: &Year, days: f64) {
    let start_s = year.record.looks[0].t_s;
    let until = year
        .record
        .looks
        .iter()
        .take_while(|look| look.t_s < start_s + days * 86_400.0);
    let mut batch = vec![Entry::Settings {
        board,
        settings: Settings::SMALL_BONDED,
    }];
    for look in until {
        let at = SampleIndex(((look.t_s - start_s) * RATE_HZ) as u64);
        let v = look.v_v.unwrap_or(100.0) as f32;
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
    let first = &boards[1]["decline"]["forecasts"][0]["first"];
    assert!(
        first["p5_days"].as_f64().expect("a day") <= first["p50_days"].as_f64().expect("a day")
    );
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
