//! How fast each gear goes: `cargo run --release -p ohmward-tests --example gear_speed -- HOURS_EVERY DAYS_SKIP DAYS_READINGS [READING_MS]`.
//!
//! One board in a temperate year with rain, dew and checks every half hour. For numbers in the notes; benches/ has the steps.

use ohmward::sim::{Gear, SimBoard};
use ohmward_plant::Scenario;
use std::time::Instant;

const SCENARIO: &str = r#"name = "a year"
note = "Invented, for timing."
seed = 7
start = "2026-01-01T00:00:00Z"
duration_h = HOURS
[board]
id = "00000000000000d3"
[settings]
reading_every_ms = READING_MS
[array]
strings = 2
modules_per_string = 10
[weather]
latitude_deg = 46.0
cloudiness = 0.45
rain_days_per_week = 2.0
[sensors]
hum_bond_ma = 1.5
hum_pole_v = 0.4
"#;

fn main() {
    let args: Vec<f64> = std::env::args()
        .skip(1)
        .filter_map(|a| a.parse().ok())
        .collect();
    let arg = |k: usize, or: f64| args.get(k).copied().unwrap_or(or);
    let reading_ms = arg(3, 60_000.0);
    for (gear, hours, start) in [
        (Gear::EverySample, arg(0, 1.0), "2026-06-10T10:00:00Z"),
        (Gear::SkipQuiet, arg(1, 10.0) * 24.0, "2026-01-01T00:00:00Z"),
        (
            Gear::ReadingsOnly,
            arg(2, 365.0) * 24.0,
            "2026-01-01T00:00:00Z",
        ),
    ] {
        if hours <= 0.0 {
            continue;
        }
        let text = SCENARIO
            .replace("HOURS", &format!("{hours:.3}"))
            .replace("READING_MS", &format!("{reading_ms:.0}"))
            .replace("2026-01-01T00:00:00Z", start);
        let scenario = Scenario::parse("year.toml", &text).unwrap_or_else(|e| panic!("{e}"));
        let mut board = SimBoard::new(&scenario, gear).unwrap_or_else(|e| panic!("{e}"));
        let begun = Instant::now();
        let (mut goes_on, mut bytes, mut drawn) = (true, 0, 0);
        while goes_on {
            goes_on = board.run(u64::MAX / 2).unwrap_or_else(|e| panic!("{e}"));
            bytes += board.take_output().len();
            drawn += board.take_readings().len();
        }
        let took_s = begun.elapsed().as_secs_f64();
        println!(
            "{gear:?}: {hours:.0} h in {took_s:.2} s, {:.0} times real time, {:.2} M samples of virtual time a second; \
             {drawn} readings drawn, {bytes} bytes over the link",
            hours * 3600.0 / took_s,
            hours * 3600.0 * 4000.0 / took_s / 1e6,
        );
    }
}
