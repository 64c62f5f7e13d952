//! Every small damage of a frame, one after the other: none of them is taken for a message.
//!
//! What the check sum promises stands in `checksum.rs`; it holds before COBS. Here the whole way is tried: all single and
//! double bit errors of an event's frame, every byte lost, doubled, changed to any other value, every byte added anywhere, and
//! every run of bytes lost.

use ohmward_proto::event::TripCause;
use ohmward_proto::{
    Amps, Decoder, Event, EventId, EventKind, MAX_FRAME, Message, SampleIndex, encode,
};

fn frame() -> Vec<u8> {
    let event = Event {
        id: EventId { boot: 3, seq: 300 },
        at: SampleIndex(1_000_000),
        kind: EventKind::Tripped {
            cause: TripCause::GroundFaultCurrent {
                dc: Amps(1.25),
                limit: Amps(1.0),
            },
            picked_up: SampleIndex(999_000),
        },
    };
    let mut room = [0; MAX_FRAME];
    let len = encode(&Message::Event(event), &mut room).unwrap();
    room[..len].to_vec()
}

/// Messages made of a damaged frame that are not the one that was sent. A zero after it: the next frame begins.
fn made_up(sent: &[u8], damaged: &[u8]) -> u32 {
    let mut whole = Vec::new();
    Decoder::new().feed(sent, |m| whole.extend(m.ok()));
    let mut decoder = Decoder::new();
    let mut count = 0;
    let mut look = |bytes: &[u8]| {
        decoder.feed(bytes, |m| {
            count += u32::from(m.is_ok_and(|m| !whole.contains(&m)));
        });
    };
    look(damaged);
    look(&[0]);
    count
}

#[test]
fn no_small_damage_makes_up_a_message() {
    let sent = frame();
    assert_eq!(made_up(&sent, &sent), 0);
    let mut tried = 0;
    let mut try_one = |damaged: &[u8]| {
        assert_eq!(made_up(&sent, damaged), 0, "{damaged:02x?}");
        tried += 1;
    };
    let bits = sent.len() * 8;
    let flip = |bytes: &mut Vec<u8>, bit: usize| bytes[bit / 8] ^= 1 << (bit % 8);
    for a in 0..bits {
        for b in a..bits {
            let mut damaged = sent.clone();
            flip(&mut damaged, a);
            if b > a {
                flip(&mut damaged, b);
            }
            try_one(&damaged);
        }
    }
    for place in 0..sent.len() {
        for value in 0..=255 {
            let mut damaged = sent.clone();
            damaged[place] = value;
            try_one(&damaged);
            let mut damaged = sent.clone();
            damaged.insert(place, value);
            try_one(&damaged);
        }
        for end in place + 1..=sent.len() {
            let mut damaged = sent.clone();
            damaged.drain(place..end);
            try_one(&damaged);
            let mut damaged = sent.clone();
            let again: Vec<u8> = sent[place..end].to_vec();
            damaged.splice(place..place, again);
            try_one(&damaged);
        }
    }
    assert!(tried > 30_000, "{tried}");
}
