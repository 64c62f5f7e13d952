//! The host's side of a line: whatever a board or noise says, whenever it says it, and whatever becomes of what is to be stored.
#![no_main]

use arbitrary::{Arbitrary, Unstructured};
use libfuzzer_sys::fuzz_target;
use ohmward::link::{Moment, Session};
use ohmward::store::{Entry, Written};
use ohmward_fuzz::flash;
use ohmward_proto::message::{BoardId, Hello, PROTOCOL_VERSION};
use ohmward_proto::units::SampleIndex;
use ohmward_proto::{Decoder, EventId, MAX_FRAME, Message, encode};

#[derive(Arbitrary, Debug)]
enum Op {
    /// Bytes as they are.
    Noise(Vec<u8>),
    /// A message of any kind, drawn behind this.
    Say,
    Hello {
        board: u8,
        boot: u8,
        protocol: u8,
        at: u64,
        rate: u32,
        epoch: Option<i64>,
    },
    Peer,
    /// An answer to one of the latest questions.
    Counter {
        back: u8,
        boot: u8,
        at: u64,
    },
    Time {
        mono_us: u32,
        unix_us: i32,
    },
    /// The wall clock is set.
    Clock {
        unix_us: i64,
    },
    Tick,
    /// What has come is on disk; or some of it was refused.
    Commit {
        refuse: u8,
        capture: Option<(u32, u64)>,
    },
}

fn run(input: &mut Unstructured) -> arbitrary::Result<()> {
    let mut session = Session::asking_from(input.arbitrary()?);
    let mut now = Moment {
        mono_us: 0,
        unix_us: 1_780_000_000_000_000,
    };
    let mut batch: Vec<Entry> = Vec::new();
    let mut asked: Vec<u32> = Vec::new();
    let mut ops = 0_u32;
    while !input.is_empty() && ops < 400 {
        ops += 1;
        let mut said = None;
        match input.arbitrary::<Op>()? {
            Op::Noise(bytes) => session.receive(&bytes, now, &mut batch),
            Op::Say => said = flash::message(input),
            Op::Hello {
                board,
                boot,
                protocol,
                at,
                rate,
                epoch,
            } => {
                said = Some(Message::Hello(Hello {
                    protocol: u16::from(protocol % 6),
                    firmware: (0, 1, 0),
                    board: BoardId(u64::from(board % 3)),
                    boot: u32::from(boot % 4),
                    at: SampleIndex(at),
                    sample_rate_hz: rate,
                    settings_hash: 0,
                    calibration_id: 0,
                    epoch_unix_ms: epoch,
                }));
            }
            Op::Peer => {
                said = Some(Message::PeerIs {
                    protocol: PROTOCOL_VERSION,
                })
            }
            Op::Counter { back, boot, at } => {
                if let Some(token) = asked.iter().rev().nth(usize::from(back % 8)) {
                    said = Some(Message::CounterIs {
                        token: *token,
                        boot: u32::from(boot % 4),
                        at: SampleIndex(at),
                    });
                }
            }
            Op::Time { mono_us, unix_us } => {
                now.mono_us += i64::from(mono_us);
                now.unix_us = now
                    .unix_us
                    .saturating_add(i64::from(mono_us))
                    .saturating_add(i64::from(unix_us));
            }
            // Any date that a computer may show.
            Op::Clock { unix_us } => now.unix_us = unix_us % 253_402_300_800_000_000,
            Op::Tick => session.tick(now),
            Op::Commit { refuse, capture } => {
                let board = session.board();
                let mut written = Written::default();
                if let Some(board) = board {
                    if refuse & 1 == 1 {
                        written.refused.push((board, u32::from(refuse >> 1)));
                    }
                    if let Some((seq, parts)) = capture {
                        let id = EventId { boot: 1, seq };
                        written.captures_complete.push((board, id));
                        written.captures_partial.push((board, id, parts));
                    }
                }
                session.committed(&batch, &written);
                batch.clear();
            }
        }
        if let Some(message) = said {
            let mut frame = [0; MAX_FRAME];
            let len = encode(&message, &mut frame).expect("every message fits");
            session.receive(&frame[..len], now, &mut batch);
        }
        let out = session.take_output();
        // The first byte of all ends what another host left; the rest are frames.
        Decoder::new().feed(&out, |outcome| {
            match outcome.expect("a host says messages") {
                Message::TimeAsk { token } => asked.push(token),
                _ => {}
            }
        });
        let _ = (
            session.report(),
            session.stamp(SampleIndex(u64::from(ops))),
            session.stamp(SampleIndex(u64::MAX)),
        );
    }
    Ok(())
}

fuzz_target!(|data: &[u8]| {
    let _ = run(&mut Unstructured::new(data));
});
