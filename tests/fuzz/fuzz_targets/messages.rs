//! A body under its right check sum: what is read as a message is the same when it has been sent on, and older hosts are told
//! something that they can read (`older.rs`; `v1` and `v2` are their readers as they were).
#![no_main]

#[path = "../../../shared-proto/tests/older/v1.rs"]
#[allow(dead_code)]
mod v1;
#[path = "../../../shared-proto/tests/older/v2.rs"]
#[allow(dead_code)]
mod v2;

use libfuzzer_sys::fuzz_target;
use ohmward_proto::message::PROTOCOL_VERSION;
use ohmward_proto::older::{KEEPS_UNKNOWN, for_host};
use ohmward_proto::settings::SettingsFault;
use ohmward_proto::{Decoder, MAX_BODY, MAX_FRAME, Message, UnknownEvent, encode};
use serde::Deserialize;

const NO_ROOM_YET: Message = Message::SettingsResult(Err(SettingsFault::NoRoomYet));
const NOT_STORED: Message = Message::SettingsResult(Err(SettingsFault::NotStored));

fn frame(body: &[u8]) -> Vec<u8> {
    let mut whole = body.to_vec();
    whole.extend(ohmward_proto::checksum::CRC.checksum(body).to_le_bytes());
    let mut line = vec![0; cobs::max_encoding_length(whole.len()) + 1];
    let len = cobs::encode(&whole, &mut line);
    line.truncate(len);
    line.push(0);
    line
}

fn decoded(frame: &[u8]) -> Option<(Message, Vec<u8>)> {
    let mut seen = None;
    Decoder::new().feed_bodies(frame, |outcome, body| {
        assert!(seen.is_none(), "one frame gave two");
        seen = outcome.ok().map(|message| (message, body.to_vec()));
    });
    seen
}

fn sent(message: &Message) -> Vec<u8> {
    let mut room = [0; MAX_FRAME];
    let len = encode(message, &mut room).expect("every message fits into a frame");
    room[..len].to_vec()
}

/// Reads all of it, as those versions do.
fn all<T: for<'de> Deserialize<'de>>(bytes: &[u8]) -> Option<T> {
    match postcard::take_from_bytes::<T>(bytes) {
        Ok((value, [])) => Some(value),
        _ => None,
    }
}

fuzz_target!(|body: &[u8]| {
    if body.len() > MAX_BODY {
        return;
    }
    if let Some(unknown) = UnknownEvent::of_body(body) {
        // Behind the number of the kind, which a stranger may write in more bytes than it needs.
        assert!(body.ends_with(unknown.bytes));
    }
    let Some((message, _)) = decoded(&frame(body)) else {
        return;
    };
    // Bytes and not values: a NaN does not equal itself.
    let bytes = sent(&message);
    let (again, canonical) = decoded(&bytes).expect("what was encoded decodes");
    assert_eq!(sent(&again), bytes);

    for protocol in 0..=PROTOCOL_VERSION {
        let Some(told) = for_host(message.clone(), protocol) else {
            continue;
        };
        if protocol >= KEEPS_UNKNOWN {
            // The one answer that somebody waits for and version 3 has no word for.
            let as_known = if protocol == 3 && message == NO_ROOM_YET {
                sent(&NOT_STORED)
            } else {
                bytes.clone()
            };
            assert_eq!(sent(&told), as_known, "told to version {protocol}");
            continue;
        }
        let told = sent(&told);
        let (_, told) = decoded(&told).expect("sound");
        match (&message, protocol) {
            (Message::Event(event), 0..=1) => match all::<v1::Message>(&told) {
                Some(v1::Message::Event(seen)) => {
                    assert_eq!((seen.id, seen.at), (event.id, event.at))
                }
                other => panic!("{event:?} is told to version 1 as {other:?}"),
            },
            (Message::Event(event), _) => {
                let seen: v2::Event = all(&told[1..]).expect("version 2 reads it");
                assert_eq!((seen.id, seen.at), (event.id, event.at));
            }
            (Message::Reading(reading) | Message::RunReading { reading, .. }, 0..=1) => {
                match all::<v1::Message>(&told) {
                    Some(v1::Message::Reading(seen)) => assert_eq!(seen.at, reading.at),
                    other => panic!("{reading:?} is told to version 1 as {other:?}"),
                }
            }
            (Message::Reading(reading) | Message::RunReading { reading, .. }, _) => {
                let seen: v2::Reading = all(&told[1..]).expect("version 2 reads it");
                assert_eq!(seen.at, reading.at);
            }
            _ => {}
        }
    }
    // What this version reads of a body is all of it: nothing is left over, nothing is made up.
    assert!(canonical.len() <= body.len());
});
