//! How fast a host reads what its boards send: `cargo bench -p ohmward-proto`, once more with `--features fast-crc`.
//!
//! The mix is a busy board's: mostly readings, some events, and the parts of a captured waveform.

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use ohmward_proto::measure::TripState;
use ohmward_proto::message::CapturePart;
use ohmward_proto::{
    Amps, BondCurrent, Codes, Decoder, Event, EventId, EventKind, Farads, Insulation, MAX_FRAME,
    Message, PoleLeakage, Reading, SampleIndex, Siemens, Volts, encode,
};
use std::hint::black_box;

fn decode(c: &mut Criterion) {
    let stream = stream();
    let mut group = c.benchmark_group("decode");
    group.throughput(Throughput::Bytes(stream.len() as u64));
    for piece in [64, 4096] {
        group.bench_function(format!("pieces of {piece} B"), |b| {
            b.iter(|| {
                let mut decoder = Decoder::new();
                for piece in stream.chunks(piece) {
                    decoder.feed(piece, |outcome| {
                        let _ = black_box(outcome);
                    });
                }
                assert_eq!(decoder.counts().bytes_dropped, 0);
                decoder.counts().messages
            });
        });
    }
    group.finish();
}

/// 2000 readings, 100 events, 10 captures of 50 parts, interleaved as a board would: no two alike.
fn stream() -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut push = |message: &Message| {
        let mut room = [0; MAX_FRAME];
        let len = encode(message, &mut room).expect("a message fits a frame");
        bytes.extend_from_slice(&room[..len]);
    };
    for k in 0..2000_u32 {
        push(&Message::Reading(reading(k)));
        if k % 20 == 0 {
            push(&Message::Event(Event {
                id: EventId {
                    boot: 9,
                    seq: k / 20,
                },
                at: SampleIndex(u64::from(k) * 4000),
                kind: EventKind::Surge {
                    peak: Amps(3.0 + k as f32),
                    samples: 7,
                },
            }));
        }
        if k % 4 == 0 {
            push(&Message::CapturePart(capture_part(k)));
        }
    }
    bytes
}

fn reading(k: u32) -> Reading {
    let wave = (k as f32 * 0.1).sin();
    Reading {
        at: SampleIndex(u64::from(k) * 4000 + 400_000_000),
        i_bond: BondCurrent::Measured {
            dc: Amps(-0.002 + 1e-4 * wave),
            rms: Amps(0.0025 + 1e-4 * wave),
        },
        v_pos: Some(Volts(380.0 + wave)),
        v_neg: Some(Volts(0.3 * wave)),
        insulation: Insulation::Measured {
            leakage: PoleLeakage {
                g_pos: Siemens(1.1e-6),
                g_neg: Siemens(2.3e-7),
                g_sigma: Siemens(1e-9),
                c: Farads(1.2e-7),
                c_sigma: Farads(1e-9),
            },
            at: SampleIndex(400_000_000),
        },
        state: TripState::Closed,
        bond_open: false,
    }
}

fn capture_part(k: u32) -> CapturePart {
    CapturePart {
        event: EventId {
            boot: 9,
            seq: k / 200,
        },
        offset: (k % 200) as u16 * 6,
        codes: (0..24_u32)
            .map(|j| {
                let wave = ((k + j) as f32 * 0.08).sin();
                Codes {
                    i_fine: (3000.0 * wave) as i16,
                    i_wide: (150.0 * wave) as i16,
                    v_pos: 20_000 + (40.0 * wave) as i16,
                    v_neg: (25.0 * wave) as i16,
                }
            })
            .collect(),
    }
}

criterion_group!(benches, decode);
criterion_main!(benches);
