//! Many boards at once for one recorder, over loopback TCP: the load, and what comes back.
//!
//! ```sh
//! cargo run --release -p ohmward-tests --example many_boards -- 2000 60 > sources.txt &
//! taskset -c 0 ohmward record --from-file sources.txt --store DIR --for 70s --json
//! ```
//!
//! Each board speaks real frames as firmware of today does: hello, answers to questions, a reading a second (spread over
//! the second), and every 20 s or so an event, sent again after two seconds without an acknowledgement, or when a host asks
//! who is there. At the end it prints how long acknowledgements took, seen from the boards, and whether any event was left without one.

use ohmward_proto::decoder::Decoder;
use ohmward_proto::event::{Event, EventId, EventKind};
use ohmward_proto::frame::{MAX_FRAME, encode};
use ohmward_proto::measure::{BondCurrent, Insulation, PoleLeakage, Reading, TripState};
use ohmward_proto::message::{Ack, BoardId, Hello, LinkStats, Message, PROTOCOL_VERSION};
use ohmward_proto::settings::Settings;
use ohmward_proto::units::{Amps, Farads, SampleIndex, Siemens, Volts};
use std::collections::BTreeMap;
use std::io::{ErrorKind, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::time::{Duration, Instant};

const RATE: u32 = 4000;
const EVENT_EVERY_S: f64 = 20.0;
const AGAIN: Duration = Duration::from_secs(2);

/// A host at the other end, and what it has not taken yet.
struct Wire {
    port: TcpStream,
    decoder: Decoder,
    unsent: Vec<u8>,
}

struct FakeBoard {
    id: BoardId,
    listener: TcpListener,
    wire: Option<Wire>,
    next_reading_s: f64,
    next_event_s: f64,
    seq: u32,
    /// Made when, sent when.
    waiting: BTreeMap<u32, (Event, Instant, Option<Instant>)>,
}

struct Sums {
    readings: u64,
    skipped: u64,
    events: u64,
    resent: u64,
    ack_ms: Vec<f64>,
}

fn main() {
    let mut args = std::env::args()
        .skip(1)
        .map(|a| a.parse::<u32>().expect("a number"));
    let boards = args.next().unwrap_or(2000);
    let seconds = f64::from(args.next().unwrap_or(60));
    let begun = Instant::now();
    let mut all: Vec<FakeBoard> = (0..boards)
        .map(|n| {
            let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
            listener.set_nonblocking(true).expect("does");
            println!("tcp://{}", listener.local_addr().expect("bound"));
            let part = f64::from(n) / f64::from(boards);
            FakeBoard {
                id: BoardId(0xb0a_0000 + u64::from(n)),
                listener,
                wire: None,
                next_reading_s: 1.0 + part,
                next_event_s: EVENT_EVERY_S * part,
                seq: 0,
                waiting: BTreeMap::new(),
            }
        })
        .collect();
    std::io::stdout().flush().expect("prints");
    let mut sums = Sums {
        readings: 0,
        skipped: 0,
        events: 0,
        resent: 0,
        ack_ms: Vec::new(),
    };
    let mut connected_at = None;
    loop {
        let now = Instant::now();
        let now_s = begun.elapsed().as_secs_f64();
        let connected = all.iter().filter(|b| b.wire.is_some()).count();
        if connected == all.len() {
            connected_at.get_or_insert(now_s);
        }
        let over = connected_at.is_some_and(|at| now_s > at + seconds);
        let waiting: usize = all.iter().map(|b| b.waiting.len()).sum();
        if (over && waiting == 0) || connected_at.is_some_and(|at| now_s > at + seconds + 10.0) {
            break;
        }
        for board in &mut all {
            board.turn(now, now_s, over, &mut sums);
        }
        std::thread::sleep(Duration::from_millis(5).saturating_sub(now.elapsed()));
    }
    let unacknowledged: usize = all.iter().map(|b| b.waiting.len()).sum();
    sums.ack_ms.sort_by(f64::total_cmp);
    let at = |part: f64| {
        let n = (part * sums.ack_ms.len() as f64) as usize;
        sums.ack_ms
            .get(n.min(sums.ack_ms.len().saturating_sub(1)))
            .copied()
            .unwrap_or(f64::NAN)
    };
    eprintln!(
        "{boards} boards, {} readings sent, {} skipped, {} events, {} sent again, {unacknowledged} never acknowledged; \
         acknowledged after {:.0} ms (half), {:.0} ms (99 of 100), {:.0} ms (longest)",
        sums.readings,
        sums.skipped,
        sums.events,
        sums.resent,
        at(0.5),
        at(0.99),
        at(1.0)
    );
}

impl FakeBoard {
    fn turn(&mut self, now: Instant, now_s: f64, over: bool, sums: &mut Sums) {
        if self.wire.is_none()
            && let Ok((port, _)) = self.listener.accept()
        {
            port.set_nonblocking(true).expect("does");
            port.set_nodelay(true).expect("does");
            self.wire = Some(Wire {
                port,
                decoder: Decoder::new(),
                unsent: Vec::new(),
            });
        }
        let at = SampleIndex((now_s * f64::from(RATE)) as u64);
        self.hear(now, at, sums);
        if !over && now_s >= self.next_event_s && self.wire.is_some() {
            self.next_event_s = now_s + EVENT_EVERY_S;
            let event = Event {
                id: EventId {
                    boot: 1,
                    seq: self.seq,
                },
                at,
                kind: EventKind::Surge {
                    peak: Amps(9.0),
                    samples: 3,
                },
            };
            self.waiting.insert(self.seq, (event, now, None));
            self.seq += 1;
            sums.events += 1;
        }
        let mut say = Vec::new();
        for (event, _, sent) in self.waiting.values_mut() {
            if self.wire.is_some() && sent.is_none_or(|sent| now - sent > AGAIN) {
                sums.resent += u64::from(sent.is_some());
                *sent = Some(now);
                say.push(Message::Event(*event));
            }
        }
        if !over && now_s >= self.next_reading_s {
            self.next_reading_s += 1.0;
            if self.wire.as_ref().is_some_and(|w| w.unsent.is_empty()) {
                sums.readings += 1;
                say.push(Message::RunReading {
                    boot: 1,
                    reading: reading(at),
                });
            } else {
                sums.skipped += 1;
            }
        }
        self.say(&say);
    }

    fn say(&mut self, messages: &[Message]) {
        let Some(wire) = &mut self.wire else { return };
        for message in messages {
            let mut frame = [0; MAX_FRAME];
            let len = encode(message, &mut frame).expect("fits");
            wire.unsent.extend_from_slice(&frame[..len]);
        }
        if wire.unsent.is_empty() {
            return;
        }
        match wire.port.write(&wire.unsent) {
            Ok(n) => {
                wire.unsent.drain(..n);
            }
            Err(e) if e.kind() == ErrorKind::WouldBlock => {}
            Err(_) => self.wire = None,
        }
    }

    fn hear(&mut self, now: Instant, at: SampleIndex, sums: &mut Sums) {
        let Some(wire) = &mut self.wire else { return };
        let mut bytes = [0; 512];
        let n = match wire.port.read(&mut bytes) {
            Ok(0) => {
                self.wire = None;
                return;
            }
            Ok(n) => n,
            Err(_) => return,
        };
        let mut heard = Vec::new();
        wire.decoder.feed(&bytes[..n], |m| heard.extend(m.ok()));
        let mut answers = Vec::new();
        for message in heard {
            match message {
                Message::HelloAsk { protocol } => {
                    answers.push(Message::Hello(Hello {
                        protocol: PROTOCOL_VERSION,
                        firmware: (0, 1, 0),
                        board: self.id,
                        boot: 1,
                        at,
                        sample_rate_hz: RATE,
                        settings_hash: Settings::SMALL_BONDED.hash(),
                        calibration_id: 0,
                        epoch_unix_ms: None,
                    }));
                    answers.push(Message::PeerIs { protocol });
                    // A host has appeared: it gets everything that waits, at once.
                    for (_, _, sent) in self.waiting.values_mut() {
                        sums.resent += u64::from(sent.is_some());
                        *sent = None;
                    }
                }
                Message::TimeAsk { token } => {
                    answers.push(Message::CounterIs { token, boot: 1, at });
                }
                Message::SettingsGet => answers.push(Message::SettingsAre(Settings::SMALL_BONDED)),
                Message::LinkStatsAsk => answers.push(Message::LinkStatsAre(LinkStats::default())),
                Message::Acks(acks) if acks.board == self.id => {
                    for id in acks.events() {
                        self.acknowledged(id, now, sums);
                    }
                }
                Message::Ack(Ack::Event(id)) => self.acknowledged(id, now, sums),
                _ => {}
            }
        }
        self.say(&answers);
    }

    fn acknowledged(&mut self, id: EventId, now: Instant, sums: &mut Sums) {
        if let Some((_, made, _)) = self.waiting.remove(&id.seq) {
            sums.ack_ms.push((now - made).as_secs_f64() * 1e3);
        }
    }
}

fn reading(at: SampleIndex) -> Reading {
    let wobble = (at.0 % 977) as f32 * 1e-6;
    Reading {
        at,
        i_bond: BondCurrent::Measured {
            dc: Amps(-0.002 + wobble),
            rms: Amps(0.003 + wobble),
        },
        v_pos: Some(Volts(380.0 + wobble)),
        v_neg: Some(Volts(-1.0)),
        insulation: Insulation::Measured {
            leakage: PoleLeakage {
                g_pos: Siemens(1e-6),
                g_neg: Siemens(2e-6),
                g_sigma: Siemens(1e-9),
                c: Farads(1e-7),
                c_sigma: Farads(1e-9),
            },
            at: SampleIndex(100),
        },
        state: TripState::Closed,
        bond_open: false,
    }
}
