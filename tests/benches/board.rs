//! What a whole simulated board costs: world, sensors, firmware and link together.

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use ohmward::sim::{Gear, SimBoard};
use ohmward_plant::Scenario;
use std::hint::black_box;

const SCENARIO: &str = r#"name = "bench"
note = "Invented, for benchmarks."
seed = 7
start = "2026-06-10T08:00:00Z"
duration_h = 80000.0
[board]
id = "00000000000000d3"
[settings]
reading_every_ms = 60000
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

fn board(gear: Gear) -> SimBoard {
    let scenario = Scenario::parse("bench.toml", SCENARIO).unwrap_or_else(|e| panic!("{e}"));
    SimBoard::new(&scenario, gear).unwrap_or_else(|e| panic!("{e}"))
}

/// Moves on by that many samples, whatever the board says meanwhile.
fn go(board: &mut SimBoard, samples: u64) {
    let until = board.now().after(samples);
    while board.now() < until {
        let left = until.since(board.now());
        board.run(left).unwrap_or_else(|e| panic!("{e}"));
        black_box((board.take_output(), board.take_readings()));
    }
}

fn gears(c: &mut Criterion) {
    let hour = 3600 * 4000;
    let mut group = c.benchmark_group("board");
    group.sample_size(10);
    for (name, gear, samples) in [
        ("every sample, a minute", Gear::EverySample, hour / 60),
        ("quiet skipped, an hour", Gear::SkipQuiet, hour),
        ("readings only, a day", Gear::ReadingsOnly, 24 * hour),
    ] {
        let mut board = board(gear);
        group.throughput(Throughput::Elements(samples));
        group.bench_function(name, |b| b.iter(|| go(&mut board, samples)));
    }
    group.finish();
}

criterion_group!(benches, gears);
criterion_main!(benches);
