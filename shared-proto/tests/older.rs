//! A board with this crate's messages and hosts of protocol versions 1 and 2, which are kept here as they were.
//!
//! Before version 3 a host drops what it does not know and never acknowledges it. So whatever a board may say, it has to
//! come out of [`for_host`] as something that version reads, under the same number.

#[path = "golden/messages.rs"]
#[allow(dead_code)]
mod messages;
#[path = "older/v1.rs"]
mod v1;
#[path = "older/v2.rs"]
mod v2;

use ohmward_proto::event::{Event, EventId, EventKind, UnknownEvent};
use ohmward_proto::older::for_host;
use ohmward_proto::settings::SettingsFault;
use ohmward_proto::{Decoder, FrameError, MAX_BODY, Message, SampleIndex, encode};

fn body(message: &Message) -> Vec<u8> {
    postcard::to_slice(message, &mut [0; MAX_BODY])
        .unwrap()
        .to_vec()
}

/// Reads all of it, as a version does that is strict about what is left over.
fn read<T: for<'de> serde::Deserialize<'de>>(bytes: &[u8]) -> Option<T> {
    match postcard::take_from_bytes::<T>(bytes) {
        Ok((value, [])) => Some(value),
        _ => None,
    }
}

#[test]
fn a_host_of_version_1_reads_every_event_and_every_reading() {
    let mut unreadable_as_they_are = 0;
    for (name, message) in messages::all() {
        if !matches!(message, Message::Event(_) | Message::Reading(_)) {
            continue;
        }
        unreadable_as_they_are += u32::from(read::<v1::Message>(&body(&message)).is_none());
        let said = for_host(message.clone(), 1).expect("has a word for it");
        match (read::<v1::Message>(&body(&said)), message) {
            (Some(v1::Message::Event(seen)), Message::Event(event)) => {
                assert_eq!((seen.id, seen.at), (event.id, event.at), "{name}");
            }
            (Some(v1::Message::Reading(seen)), Message::Reading(reading)) => {
                assert_eq!((seen.at, seen.v_neg), (reading.at, reading.v_neg), "{name}");
            }
            (seen, _) => panic!("{name}: {seen:?}"),
        }
    }
    assert!(unreadable_as_they_are > 20, "{unreadable_as_they_are}");
}

#[test]
fn a_host_of_version_2_reads_every_event_and_every_reading() {
    let mut unreadable_as_they_are = 0;
    for (name, message) in messages::all() {
        let said = for_host(message.clone(), 2).map(|said| body(&said)[1..].to_vec());
        let as_it_is = body(&message)[1..].to_vec();
        match message {
            Message::Event(event) => {
                unreadable_as_they_are += u32::from(read::<v2::Event>(&as_it_is).is_none());
                let seen: v2::Event =
                    read(&said.expect("has a word for it")).unwrap_or_else(|| panic!("{name}"));
                assert_eq!((seen.id, seen.at), (event.id, event.at), "{name}");
            }
            Message::Reading(reading) => {
                let seen: v2::Reading =
                    read(&said.expect("has a word for it")).unwrap_or_else(|| panic!("{name}"));
                assert_eq!(seen.at, reading.at, "{name}");
            }
            _ => {}
        }
    }
    assert!(unreadable_as_they_are >= 5, "{unreadable_as_they_are}");
}

/// What an older host knows is said as it is: nothing is made vaguer than it has to be.
#[test]
fn what_an_older_host_knows_stays_as_it_is() {
    for (name, message) in messages::all() {
        let bytes = body(&message);
        let known = match &message {
            Message::Event(_) => read::<v2::Event>(&bytes[1..]).is_some(),
            Message::Reading(_) => read::<v2::Reading>(&bytes[1..]).is_some(),
            _ => false,
        };
        if known {
            assert_eq!(
                for_host(message.clone(), 2),
                Some(message.clone()),
                "{name}"
            );
        }
        if read::<v1::Message>(&bytes).is_some() {
            assert_eq!(
                for_host(message.clone(), 1),
                Some(message.clone()),
                "{name}"
            );
        }
        // Nobody waits for this one, and nothing is lost with it that an older host would have.
        if matches!(message, Message::RunDwell { .. }) {
            for protocol in 1..=3 {
                assert_eq!(for_host(message.clone(), protocol), None, "{name}");
            }
        } else if matches!(
            message,
            Message::CalibrationIs(_) | Message::CalibrationResult(_) | Message::CodesAre { .. }
        ) {
            // Answers to questions that only a host of version 5 has.
            for protocol in 1..=4 {
                assert_eq!(for_host(message.clone(), protocol), None, "{name}");
            }
        } else if message != NO_ROOM_YET {
            assert_eq!(
                for_host(message.clone(), 3),
                Some(message.clone()),
                "{name}"
            );
        }
        assert_eq!(
            for_host(message.clone(), 5),
            Some(message.clone()),
            "{name}"
        );
        assert_eq!(
            for_host(message.clone(), 9),
            Some(message),
            "{name}: a newer host"
        );
    }
}

/// Somebody waits for the answer to settings: a reason that his program does not know would be no answer.
const NO_ROOM_YET: Message = Message::SettingsResult(Err(SettingsFault::NoRoomYet));

#[test]
fn hosts_before_version_4_are_told_that_settings_were_not_stored() {
    for protocol in 1..=3 {
        assert_eq!(
            for_host(NO_ROOM_YET, protocol),
            Some(Message::SettingsResult(Err(SettingsFault::NotStored)))
        );
    }
}

/// What this side is to a newer board.
#[test]
fn an_event_of_a_kind_from_the_future_has_a_number_and_a_moment() {
    let event = Event {
        id: EventId { boot: 3, seq: 300 },
        at: SampleIndex(1_000_000),
        kind: EventKind::Connected,
    };
    let known = body(&Message::Event(event));
    // Kind 99 with a detail, and a known kind with more behind it than it should have.
    for (cut, tail) in [(1, [99, 1, 2].as_slice()), (0, &[7])] {
        let mut future = known[..known.len() - cut].to_vec();
        future.extend_from_slice(tail);
        let mut frame = future.clone();
        frame.extend_from_slice(&ohmward_proto::checksum::CRC.checksum(&future).to_le_bytes());
        let mut line = vec![0; frame.len() + 8];
        let len = cobs::encode(&frame, &mut line);
        line.truncate(len);
        line.push(0);
        let mut seen = Vec::new();
        Decoder::new().feed_bodies(&line, |outcome, body| seen.push((outcome, body.to_vec())));
        assert_eq!(seen, [(Err(FrameError::Body), future.clone())]);
        let unknown = UnknownEvent::of_body(&future).expect("an event");
        assert_eq!((unknown.id, unknown.at), (event.id, event.at));
        assert_eq!(unknown.bytes, &future[1..]);
    }
    assert_eq!(
        UnknownEvent::of_body(&known[..known.len() - 1]),
        None,
        "without a kind"
    );
    assert_eq!(UnknownEvent::of_body(&body(&Message::SettingsGet)), None);
    assert_eq!(UnknownEvent::of_body(&[]), None);
    // A damaged frame has no body to look into.
    let mut room = [0; 64];
    let len = encode(&Message::Event(event), &mut room).unwrap();
    room[3] ^= 1;
    Decoder::new().feed_bodies(&room[..len], |outcome, body| {
        assert_eq!((outcome, body), (Err(FrameError::Crc), [].as_slice()));
    });
}
