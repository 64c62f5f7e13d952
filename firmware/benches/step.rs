//! Samples per second through the whole core, at rest and while measuring insulation.

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use ohmward_core::{Identity, Inputs, Monitor, Sample};
use ohmward_proto::event::StartReason;
use ohmward_proto::measure::Codes;
use ohmward_proto::message::{BoardId, Command, Message};
use ohmward_proto::settings::{Calibration, Settings};
use std::hint::black_box;

fn monitor() -> Monitor {
    let identity = Identity {
        board: BoardId(1),
        boot: 1,
        reason: StartReason::PowerOn,
        sample_rate_hz: 4000,
        epoch_unix_ms: None,
    };
    Monitor::new(identity, Settings::SMALL_BONDED, Calibration::REFERENCE).expect("sound settings")
}

/// One second of a bond current with hum and a few counts of noise, both poles lit.
fn second() -> Vec<Sample> {
    (0..4000u32)
        .map(|n| {
            let noise = (n.wrapping_mul(2_654_435_761) >> 27) as i16 - 16;
            let hum = ((n % 80) as f32 / 80.0 * std::f32::consts::TAU).sin() * 60.0;
            let i = hum as i16 + noise;
            Sample {
                codes: Codes {
                    i_fine: i,
                    i_wide: i / 20,
                    v_pos: 11_000 + noise,
                    v_neg: noise,
                },
                lost_before: 0,
            }
        })
        .collect()
}

fn bench(c: &mut Criterion) {
    let samples = second();
    let mut group = c.benchmark_group("step");
    group.throughput(Throughput::Elements(samples.len() as u64));
    let inputs = Inputs::default();
    for (name, measure) in [("quiet", false), ("measuring", true)] {
        let mut monitor = monitor();
        group.bench_function(name, |b| {
            b.iter(|| {
                if measure {
                    monitor.receive(&Message::Command(Command::MeasureInsulation));
                }
                for sample in &samples {
                    black_box(monitor.step(black_box(sample), &inputs));
                }
                while let Some(message) = monitor.poll() {
                    if let Message::Event(event) = message {
                        monitor
                            .receive(&Message::Ack(ohmward_proto::message::Ack::Event(event.id)));
                    }
                }
            });
        });
    }
}

criterion_group!(benches, bench);
criterion_main!(benches);
