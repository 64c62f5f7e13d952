use super::*;
use crate::store::Written;
use ohmward_proto::event::{Event, EventKind};
use ohmward_proto::message::Ack;

const T0: Moment = Moment {
    mono_us: 0,
    unix_us: 0,
};

fn frame(message: &Message) -> Vec<u8> {
    let mut bytes = [0; MAX_FRAME];
    let len = encode(message, &mut bytes).expect("fits");
    bytes[..len].to_vec()
}

fn said(session: &mut Session) -> Vec<Message> {
    let mut messages = Vec::new();
    Decoder::new().feed(&session.take_output(), |m| messages.extend(m.ok()));
    messages
}

fn hello(boot: u32) -> Message {
    hello_of(1, boot, Some(0))
}

fn hello_of(protocol: u16, boot: u32, epoch_unix_ms: Option<i64>) -> Message {
    Message::Hello(Hello {
        protocol,
        firmware: (0, 1, 0),
        board: BoardId(5),
        boot,
        at: SampleIndex(0),
        sample_rate_hz: 4000,
        settings_hash: 0,
        calibration_id: 0,
        epoch_unix_ms,
    })
}

fn event(boot: u32, seq: u32) -> Message {
    Message::Event(Event {
        id: EventId { boot, seq },
        at: SampleIndex(8000),
        kind: EventKind::Connected,
    })
}

#[test]
fn nothing_is_acknowledged_before_it_is_committed() {
    let mut session = Session::new();
    let mut batch = Vec::new();
    session.tick(T0);
    assert!(matches!(
        said(&mut session)[..],
        [Message::HelloAsk { .. }, Message::TimeAsk { .. }]
    ));
    // An event before the hello is not kept and not acknowledged: it will come again.
    session.receive(&frame(&event(1, 0)), T0, &mut batch);
    assert!(batch.is_empty());
    session.receive(&frame(&hello(1)), T0, &mut batch);
    session.receive(&frame(&event(1, 0)), T0, &mut batch);
    assert_eq!(batch.len(), 2);
    let acks = |messages: Vec<Message>| {
        messages
            .into_iter()
            .filter(|m| matches!(m, Message::Ack(_)))
            .count()
    };
    assert_eq!(acks(said(&mut session)), 0);
    session.committed(&batch, &Written::default());
    assert_eq!(acks(said(&mut session)), 1);
}

#[test]
fn a_board_that_starts_again_is_met_anew() {
    let mut session = Session::new();
    let mut batch = Vec::new();
    session.receive(&frame(&hello(1)), T0, &mut batch);
    session.receive(&frame(&hello(2)), T0, &mut batch);
    session.receive(&frame(&event(2, 0)), T0, &mut batch);
    let stamp = session.stamp(SampleIndex(4000)).expect("known");
    assert_eq!((stamp.t_us, stamp.within_us), (1_000_000, None));
    assert!(matches!(
        batch[2],
        Entry::Event {
            t_us: 2_000_000,
            ..
        }
    ));
}

fn at_ms(ms: i64) -> Moment {
    Moment {
        mono_us: ms * 1000,
        unix_us: 1_700_000_000_000_000 + ms * 1000,
    }
}

fn time_is(messages: &[Message], at: u64) -> Message {
    let token = messages
        .iter()
        .rev()
        .find_map(|m| match m {
            Message::TimeAsk { token } => Some(*token),
            _ => None,
        })
        .expect("asked");
    Message::CounterIs {
        token,
        boot: 1,
        at: SampleIndex(at),
    }
}

/// A board that has not said in whose words it speaks may speak in an older host's.
#[test]
fn a_board_of_today_is_taken_at_its_word_only_once_it_speaks_to_us() {
    let mut session = Session::new();
    let mut batch = Vec::new();
    session.tick(at_ms(0));
    let asked = said(&mut session);
    let mut hear = |session: &mut Session, ms, message: &Message| {
        let before = batch.len();
        session.receive(&frame(message), at_ms(ms), &mut batch);
        batch.len() - before
    };
    assert_eq!(hear(&mut session, 20, &hello_of(3, 1, None)), 1);
    hear(&mut session, 20, &time_is(&asked, 0));
    assert_eq!(hear(&mut session, 20, &event(1, 0)), 0);
    hear(&mut session, 20, &Message::PeerIs { protocol: 2 });
    assert_eq!(
        hear(&mut session, 20, &event(1, 0)),
        0,
        "an older host's words"
    );
    hear(&mut session, 20, &Message::PeerIs { protocol: 3 });
    assert_eq!(hear(&mut session, 20, &event(1, 0)), 1);
    let Some(Entry::Event {
        t_us,
        host_us,
        t_sigma_us,
        ..
    }) = batch.last()
    else {
        panic!("{batch:?}");
    };
    // Sample 8000 is two seconds after sample 0, which was taken within the 20 ms of the round trip.
    assert_eq!(*host_us, at_ms(20).unix_us);
    assert!((t_us - at_ms(2010).unix_us).abs() <= 400, "{t_us}");
    assert!((10_000..11_000).contains(&t_sigma_us.expect("known")));
    // The answer to a host of that version is asked for again once the board has started afresh.
    session.receive(&frame(&hello_of(3, 2, None)), at_ms(9_000), &mut batch);
    assert!(said(&mut session).contains(&Message::HelloAsk {
        protocol: PROTOCOL_VERSION
    }));
}

#[test]
fn many_events_are_acknowledged_in_one_message_and_an_old_board_hears_each() {
    for (protocol, frames) in [(3, 2), (2, 4)] {
        let mut session = Session::new();
        let mut batch = Vec::new();
        session.receive(&frame(&hello_of(protocol, 1, Some(0))), T0, &mut batch);
        if protocol == 3 {
            session.receive(&frame(&Message::PeerIs { protocol }), T0, &mut batch);
        }
        for seq in [7, 5, 69, 70] {
            session.receive(&frame(&event(1, seq)), T0, &mut batch);
        }
        said(&mut session);
        session.committed(&batch, &Written::default());
        let acks = said(&mut session);
        assert_eq!(acks.len(), frames, "{acks:?}");
        let mut named: Vec<u32> = acks
            .iter()
            .flat_map(|m| match m {
                Message::Ack(Ack::Event(id)) => vec![id.seq],
                Message::Acks(acks) => {
                    assert_eq!(acks.board, BoardId(5));
                    acks.events().map(|id| id.seq).collect()
                }
                other => panic!("{other:?}"),
            })
            .collect();
        named.sort_unstable();
        assert_eq!(named, [5, 7, 69, 70]);
    }
}

/// The line now leads to another board: what is on disk is the first one's.
#[test]
fn a_commit_acknowledges_nothing_to_another_board() {
    let mut session = Session::new();
    let mut batch = Vec::new();
    session.receive(&frame(&hello(1)), T0, &mut batch);
    session.receive(&frame(&event(1, 0)), T0, &mut batch);
    let Message::Hello(first) = hello(1) else {
        unreachable!()
    };
    let other = Message::Hello(Hello {
        board: BoardId(6),
        ..first
    });
    session.receive(&frame(&other), T0, &mut Vec::new());
    said(&mut session);
    session.committed(&batch, &Written::default());
    assert_eq!(said(&mut session), []);
}

fn reading(at: u64) -> Reading {
    Reading {
        at: SampleIndex(at),
        i_bond: ohmward_proto::BondCurrent::NotMeasured(ohmward_proto::NotMeasured::WindowFilling),
        v_pos: None,
        v_neg: None,
        insulation: ohmward_proto::Insulation::NotMeasured {
            why: ohmward_proto::NotMeasured::NeverYet,
            since: SampleIndex(0),
        },
        state: ohmward_proto::measure::TripState::Closed,
        bond_open: false,
    }
}

/// The hello of a second run was lost: nothing of it goes under the first one, by whatever the board shows it.
#[test]
fn readings_of_a_run_whose_hello_was_lost_are_not_kept_under_the_run_before() {
    let named = |boot, at| Message::RunReading {
        boot,
        reading: reading(at),
    };
    let plain = |at| Message::Reading(reading(at));
    let cases = [
        (3, named(1, 40_000), named(2, 44_000), 11_000),
        (3, named(1, 40_000), plain(44_000), 11_000),
        (2, plain(40_000), plain(8_000), 11_000),
        // The counter is past the last reading again, but an hour late.
        (2, plain(40_000), plain(60_000), 3_600_000),
    ];
    for (protocol, first, second, second_ms) in cases {
        let mut session = Session::new();
        let mut batch = Vec::new();
        session.tick(at_ms(0));
        let asked = said(&mut session);
        let time = match time_is(&asked, 0) {
            Message::CounterIs { token, at, .. } if protocol < 3 => Message::TimeIs { token, at },
            time => time,
        };
        session.receive(&frame(&hello_of(protocol, 1, None)), at_ms(20), &mut batch);
        if protocol == 3 {
            session.receive(&frame(&Message::PeerIs { protocol }), at_ms(20), &mut batch);
        }
        session.receive(&frame(&time), at_ms(20), &mut batch);
        session.receive(&frame(&first), at_ms(10_010), &mut batch);
        assert_eq!(batch.len(), 2, "{first:?}");
        said(&mut session);
        session.receive(&frame(&second), at_ms(second_ms), &mut batch);
        assert_eq!(batch.len(), 2, "{second:?}");
        assert_eq!(session.board(), None);
        session.tick(at_ms(second_ms + 2000));
        assert!(said(&mut session).contains(&Message::HelloAsk {
            protocol: PROTOCOL_VERSION
        }));
    }
}
