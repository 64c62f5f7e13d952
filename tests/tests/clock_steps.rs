//! This computer's clock is set while the recorder runs: a day forward, then back by a day and an hour.
//!
//! The recorder is the real one, on a TCP port; its clock is given to it. The oracle is that very clock, read by the board of this test
//! when it makes an event.

use ohmward::link::Source;
use ohmward::record::{Notice, Options, record};
use ohmward::sim::Gear;
use ohmward::store::{CheckOptions, EventFilter, Level, Rules, Store};
use ohmward_proto::decoder::Decoder;
use ohmward_proto::event::{Event, EventId, EventKind};
use ohmward_proto::frame::{MAX_FRAME, encode};
use ohmward_proto::measure::{BondCurrent, Insulation, NotMeasured, Reading, TripState};
use ohmward_proto::message::{Ack, BoardId, Hello, LinkStats, Message, PROTOCOL_VERSION};
use ohmward_proto::settings::Settings;
use ohmward_proto::units::{Amps, SampleIndex, Volts};
use std::collections::BTreeMap;
use std::io::{ErrorKind, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

const BOARD: BoardId = BoardId(0x00c1_0c00);
const RATE_HZ: u32 = 4000;
/// How far the clock stands from this computer's.
static SET_BY_S: AtomicI64 = AtomicI64::new(0);

fn clock() -> SystemTime {
    let by = SET_BY_S.load(Ordering::SeqCst);
    let size = Duration::from_secs(by.unsigned_abs());
    if by < 0 {
        SystemTime::now() - size
    } else {
        SystemTime::now() + size
    }
}

fn unix_us() -> i64 {
    clock()
        .duration_since(UNIX_EPOCH)
        .expect("after 1970")
        .as_micros() as i64
}

/// What the clock said when an event was made, by number.
type Made = BTreeMap<u32, i64>;

fn reading(at: SampleIndex) -> Reading {
    Reading {
        at,
        i_bond: BondCurrent::Measured {
            dc: Amps(1e-6 * (at.0 % 977) as f32),
            rms: Amps(0.002),
        },
        v_pos: Some(Volts(380.0)),
        v_neg: Some(Volts(-1.0)),
        insulation: Insulation::NotMeasured {
            why: NotMeasured::NeverYet,
            since: SampleIndex(0),
        },
        state: TripState::Closed,
        bond_open: false,
    }
}

/// A board at the other end of `port`: an event and a reading ten times a second until `end`, then what is not acknowledged yet.
fn board(mut port: TcpStream, end: &AtomicBool) -> Made {
    port.set_nonblocking(true).expect("does");
    port.set_nodelay(true).expect("does");
    let begun = Instant::now();
    let at = || SampleIndex((begun.elapsed().as_secs_f64() * f64::from(RATE_HZ)) as u64 + 1000);
    let mut decoder = Decoder::new();
    let mut made = Made::new();
    let mut waiting: BTreeMap<u32, Event> = BTreeMap::new();
    let mut met = false;
    let mut next = Duration::ZERO;
    let mut again = Duration::ZERO;
    let say = |port: &mut TcpStream, message: &Message| {
        let mut frame = [0; MAX_FRAME];
        let len = encode(message, &mut frame).expect("fits");
        let mut left = &frame[..len];
        while !left.is_empty() {
            match port.write(left) {
                Ok(n) => left = &left[n..],
                Err(e) if e.kind() == ErrorKind::WouldBlock => {
                    std::thread::sleep(Duration::from_millis(1));
                }
                Err(fault) => panic!("{fault}"),
            }
        }
    };
    loop {
        let mut bytes = [0; 512];
        let mut heard = Vec::new();
        match port.read(&mut bytes) {
            Ok(0) => return made,
            Ok(n) => decoder.feed(&bytes[..n], |message| heard.extend(message.ok())),
            Err(e) if e.kind() == ErrorKind::WouldBlock => {}
            Err(_) => return made,
        }
        for message in heard {
            match message {
                Message::HelloAsk { protocol } => {
                    let hello = Hello {
                        protocol: PROTOCOL_VERSION,
                        firmware: (0, 1, 0),
                        board: BOARD,
                        boot: 1,
                        at: at(),
                        sample_rate_hz: RATE_HZ,
                        settings_hash: Settings::SMALL_BONDED.hash(),
                        calibration_id: 0,
                        epoch_unix_ms: None,
                    };
                    say(&mut port, &Message::Hello(hello));
                    say(&mut port, &Message::PeerIs { protocol });
                }
                Message::TimeAsk { token } => {
                    let counter = Message::CounterIs {
                        token,
                        boot: 1,
                        at: at(),
                    };
                    say(&mut port, &counter);
                    met = true;
                }
                Message::SettingsGet => {
                    say(&mut port, &Message::SettingsAre(Settings::SMALL_BONDED));
                }
                Message::LinkStatsAsk => {
                    say(&mut port, &Message::LinkStatsAre(LinkStats::default()));
                }
                Message::Acks(acks) if acks.board == BOARD => acks.events().for_each(|id| {
                    waiting.remove(&id.seq);
                }),
                Message::Ack(Ack::Event(id)) => {
                    waiting.remove(&id.seq);
                }
                _ => {}
            }
        }
        if met && begun.elapsed() >= next && !end.load(Ordering::SeqCst) {
            next = begun.elapsed() + Duration::from_millis(100);
            let seq = made.len() as u32;
            let event = Event {
                id: EventId { boot: 1, seq },
                at: at(),
                kind: EventKind::Surge {
                    peak: Amps(9.0),
                    samples: 3,
                },
            };
            made.insert(seq, unix_us());
            waiting.insert(seq, event);
            say(&mut port, &Message::Event(event));
            let reading = reading(event.at);
            say(&mut port, &Message::RunReading { boot: 1, reading });
        }
        if end.load(Ordering::SeqCst) && waiting.is_empty() {
            return made;
        }
        if begun.elapsed() >= again {
            again = begun.elapsed() + Duration::from_secs(1);
            for event in waiting.values() {
                say(&mut port, &Message::Event(*event));
            }
        }
        std::thread::sleep(Duration::from_millis(2));
    }
}

#[test]
fn events_keep_their_bound_and_the_store_holds_when_the_clock_is_set() {
    let dir = tempfile::tempdir().expect("a folder");
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let place = format!("tcp://{}", listener.local_addr().expect("bound"));
    let (end, stop) = (AtomicBool::new(false), Arc::new(AtomicBool::new(false)));
    let mut told = Vec::new();
    let (made, steps_us) = std::thread::scope(|scope| {
        let end = &end;
        let board = scope.spawn(|| board(listener.accept().expect("somebody comes").0, end));
        let (stop_when_done, ended) = (Arc::clone(&stop), end);
        let setter = scope.spawn(move || {
            let mut steps_us = Vec::new();
            for set_by_s in [86_400, -3600] {
                std::thread::sleep(Duration::from_secs(4));
                let before = unix_us();
                SET_BY_S.store(set_by_s, Ordering::SeqCst);
                steps_us.push((before, unix_us()));
            }
            std::thread::sleep(Duration::from_secs(4));
            ended.store(true, Ordering::SeqCst);
            steps_us
        });
        let stopper = scope.spawn(move || {
            let made = board.join().expect("ends");
            std::thread::sleep(Duration::from_millis(300));
            stop_when_done.store(true, Ordering::SeqCst);
            made
        });
        let options = Options {
            sources: vec![place.parse::<Source>().expect("a place")],
            store: dir.path().join("store"),
            baud: 115_200,
            gear: Gear::SkipQuiet,
            duration: None,
            comes_back: false,
            rules: Rules::default(),
            wall_clock: clock,
        };
        let _ = record(&options, &stop, |_| {}, |notice| told.push(notice.clone()));
        (stopper.join().expect("ends"), setter.join().expect("ends"))
    });
    let set: Vec<i64> = told
        .iter()
        .filter_map(|notice| match notice {
            Notice::ClockSet { by_us } => Some(by_us / 1_000_000),
            _ => None,
        })
        .collect();
    assert!(
        set.len() == 2 && (set[0] - 86_400).abs() < 2 && (set[1] + 90_000).abs() < 2,
        "{told:?}"
    );

    let store = Store::open_existing(dir.path().join("store")).expect("a store");
    let events = store.events(&EventFilter::default()).expect("reads");
    assert_eq!(events.len(), made.len());
    assert!(made.len() > 60, "{}", made.len());
    let mut checked = 0;
    for event in &events {
        let true_us = made[&event.event.id.seq];
        // Made before the clock was set and received after it: either time is right.
        let near_a_step = steps_us
            .iter()
            .any(|(before, after)| (true_us - before).abs().min((true_us - after).abs()) < 700_000);
        if near_a_step {
            continue;
        }
        let within = event.t_sigma_us.expect("a bound");
        // The clock was read a moment after the counter, and a sample is 250 µs.
        assert!(
            (event.t_us - true_us).abs() <= within + 20_000,
            "{event:?}, made at {true_us}"
        );
        assert!(within < 1_000_000, "{event:?}");
        checked += 1;
    }
    assert!(checked > 40, "{checked}");

    let report = store.check(&CheckOptions::default()).expect("reads");
    assert_eq!((report.faults, report.gaps), (vec![], vec![]));
    // Three stretches, on two days or three: every reading is in the roll-ups, at its own time.
    let all = i64::MIN / 4..i64::MAX / 4;
    let days = store
        .rollups(BOARD, Level::Day, all.clone())
        .expect("reads");
    let in_days: u64 = days.iter().map(|(_, day)| day.readings).sum();
    let readings = store.readings(BOARD, all, 10_000).expect("reads");
    assert!(days.len() >= 2, "{}", days.len());
    assert_eq!(
        (in_days, readings.stored),
        (report.readings, report.readings)
    );
    assert!(report.readings > 60, "{}", report.readings);
}
