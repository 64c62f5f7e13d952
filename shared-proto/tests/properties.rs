//! What must hold for every message and for every stream of bytes, tried with random ones.

#[path = "properties/strategies.rs"]
mod strategies;

use ohmward_proto::{Decoder, FrameError, MAX_FRAME, Message, encode};
use proptest::collection::vec;
use proptest::prelude::*;
use strategies::message;

proptest! {
    #![proptest_config(ProptestConfig::with_cases(600))]

    #[test]
    fn a_message_comes_back_as_it_left(message in message()) {
        let bytes = frame(&message);
        prop_assert!(bytes.len() <= MAX_FRAME);
        prop_assert_eq!(bytes.iter().position(|&byte| byte == 0), Some(bytes.len() - 1));
        let (seen, _) = decode(&[&bytes]);
        prop_assert_eq!(seen.len(), 1);
        // Bytes and not values: a NaN does not equal itself.
        prop_assert_eq!(frame(seen[0].as_ref().unwrap()), bytes);
    }

    #[test]
    fn encoding_into_too_little_room_is_an_error(message in message(), short in 1_usize..400) {
        let bytes = frame(&message);
        let mut room = vec![0; bytes.len().saturating_sub(short)];
        prop_assert_eq!(encode(&message, &mut room), Err(FrameError::TooLong));
    }

    /// Whatever comes, in whatever pieces: no panic, no message without its check sum, no byte without a count.
    #[test]
    fn every_byte_is_in_a_message_or_counted(soup in soup(), cuts in vec(any::<prop::sample::Index>(), 0..20)) {
        let expected = Expected::of(&soup);
        let mut cuts: Vec<usize> = cuts.iter().map(|cut| cut.index(soup.len() + 1)).collect();
        cuts.sort_unstable();
        let mut pieces = Vec::new();
        let mut from = 0;
        for cut in cuts {
            pieces.push(&soup[from..cut]);
            from = cut;
        }
        pieces.push(&soup[from..]);

        let (seen, counts) = decode(&pieces);
        let messages: Vec<_> = seen.iter().flatten().map(frame).collect();
        let faults = seen.iter().filter(|outcome| outcome.is_err()).count() as u64;
        prop_assert_eq!(messages.len() as u64, counts.messages);
        prop_assert_eq!(faults, counts.bad_crc + counts.bad_form + counts.unknown);
        prop_assert_eq!(counts.messages + faults, expected.runs);
        prop_assert!(counts.messages <= expected.sound, "a message without its check sum");
        prop_assert_eq!(counts.bad_crc, expected.bad_sum);
        let delivered: u64 = seen.iter().zip(&expected.run_lengths).filter(|(outcome, _)| outcome.is_ok())
            .map(|(_, length)| *length).sum();
        prop_assert_eq!(
            delivered + counts.bytes_dropped + expected.idle_zeros + expected.unfinished,
            soup.len() as u64
        );
    }

    #[test]
    fn a_frame_after_rubble_and_a_zero_is_found(rubble in vec(any::<u8>(), 0..1000), message in message()) {
        let bytes = frame(&message);
        let (seen, _) = decode(&[&rubble, &[0], &bytes]);
        let last = seen.last().cloned().unwrap();
        prop_assert_eq!(last.map(|message| frame(&message)), Ok(bytes));
    }

    #[test]
    fn up_to_five_flipped_bits_deliver_nothing_and_cost_one_frame(
        damaged in message(), next in message(), flips in vec(any::<prop::sample::Index>(), 1..=5),
    ) {
        let mut bytes = frame(&damaged);
        let mut places: Vec<_> = flips.iter().map(|flip| flip.index(bytes.len() * 8)).collect();
        places.sort_unstable();
        places.dedup(); // flipped twice is not flipped
        for place in places {
            bytes[place / 8] ^= 1 << (place % 8);
        }
        // The zero keeps a flip in the final zero from costing the next frame too.
        let following = frame(&next);
        let (seen, _) = decode(&[&bytes, &[0], &following]);
        let delivered: Vec<_> = seen.iter().flatten().map(frame).collect();
        prop_assert_eq!(delivered, vec![following]);
    }

    #[test]
    fn a_lost_byte_never_delivers_another_message(message in message(), lost in any::<prop::sample::Index>()) {
        let mut bytes = frame(&message);
        let lost = lost.index(bytes.len() - 1); // not the final zero: then nothing ends
        bytes.remove(lost);
        let (seen, counts) = decode(&[&bytes]);
        prop_assert!(seen.iter().all(Result::is_err));
        prop_assert_eq!(counts.bytes_dropped, bytes.len() as u64);
    }

    #[test]
    fn a_newer_peers_message_is_named(kind in Message::KINDS..100_000, tail in vec(any::<u8>(), 0..200)) {
        let mut body = [0; 400];
        let len = postcard::to_slice(&kind, &mut body).unwrap().len();
        body[len..len + tail.len()].copy_from_slice(&tail);
        let sound = framed(&body[..len + tail.len()]);
        let (seen, counts) = decode(&[&sound]);
        prop_assert_eq!(seen, vec![Err(FrameError::UnknownMessage { kind })]);
        prop_assert_eq!(counts.unknown, 1);
    }
}

/// Every single bit of one frame of each golden message: not a sample, all of them.
#[test]
fn no_single_flipped_bit_delivers_anything() {
    let rows = include_str!("golden/v1.txt").lines();
    for row in rows.filter(|row| !row.is_empty() && !row.starts_with('#')) {
        let hex = row.split_once(" = ").unwrap().1;
        let sound: Vec<u8> = (0..hex.len())
            .step_by(2)
            .map(|k| u8::from_str_radix(&hex[k..k + 2], 16).unwrap())
            .collect();
        for place in 0..sound.len() * 8 {
            let mut bytes = sound.clone();
            bytes[place / 8] ^= 1 << (place % 8);
            let (seen, _) = decode(&[&bytes, &[0]]);
            assert!(seen.iter().all(Result::is_err), "bit {place} of {row}");
        }
    }
}

fn frame(message: &Message) -> Vec<u8> {
    let mut room = [0; MAX_FRAME];
    let len = encode(message, &mut room).unwrap();
    room[..len].to_vec()
}

fn decode(
    pieces: &[&[u8]],
) -> (
    Vec<Result<Message, FrameError>>,
    ohmward_proto::DecoderCounts,
) {
    let mut decoder = Decoder::new();
    let mut seen = Vec::new();
    for piece in pieces {
        decoder.feed(piece, |outcome| seen.push(outcome));
    }
    (seen, *decoder.counts())
}

/// Noise, zeros, whole frames, frames with a hole, and runs without a zero longer than any frame.
fn soup() -> impl Strategy<Value = Vec<u8>> {
    let ingredient = prop_oneof![
        4 => message().prop_map(|message| frame(&message)),
        2 => vec(any::<u8>(), 0..60),
        2 => vec(1..=255_u8, 0..900),
        1 => vec(Just(0), 1..4),
        2 => (message(), any::<prop::sample::Index>(), any::<u8>()).prop_map(|(message, at, byte)| {
            let mut bytes = frame(&message);
            let at = at.index(bytes.len());
            bytes[at] = byte;
            bytes
        }),
        // A sound frame around any body: what an unknown, or a disagreeing, peer sends.
        1 => vec(any::<u8>(), 0..300).prop_map(|body| framed(&body)),
    ];
    vec(ingredient, 0..12).prop_map(|parts| parts.concat())
}

/// A stream looked at as a whole, with the plainest code there is: what the decoder must come to piece by piece.
#[derive(Default)]
struct Expected {
    /// Runs of bytes ended by a zero.
    runs: u64,
    /// Their lengths, zero included.
    run_lengths: Vec<u64>,
    /// Runs that are a COBS block with a fitting check sum.
    sound: u64,
    /// Runs that are a COBS block with another one.
    bad_sum: u64,
    idle_zeros: u64,
    unfinished: u64,
}

impl Expected {
    fn of(stream: &[u8]) -> Self {
        let mut expected = Self::default();
        let mut runs: Vec<&[u8]> = stream.split(|&byte| byte == 0).collect();
        expected.unfinished = runs.pop().unwrap_or_default().len() as u64;
        for run in runs {
            if run.is_empty() {
                expected.idle_zeros += 1;
                continue;
            }
            expected.runs += 1;
            expected.run_lengths.push(run.len() as u64 + 1);
            if run.len() >= MAX_FRAME {
                continue;
            }
            if let Some(data) = uncobs(run).filter(|data| data.len() >= 4) {
                let (body, sum) = data.split_at(data.len() - 4);
                if crc_32c(body).to_le_bytes() == sum {
                    expected.sound += 1;
                } else {
                    expected.bad_sum += 1;
                }
            }
        }
        expected
    }
}

/// COBS by the letter of the paper (IEEE/ACM Transactions on Networking 7(2), 1999).
fn uncobs(mut run: &[u8]) -> Option<Vec<u8>> {
    let mut data = Vec::new();
    while let Some((&code, rest)) = run.split_first() {
        let (block, rest) = rest.split_at_checked(usize::from(code) - 1)?;
        data.extend_from_slice(block);
        if code < 255 && !rest.is_empty() {
            data.push(0);
        }
        run = rest;
    }
    Some(data)
}

fn framed(body: &[u8]) -> Vec<u8> {
    let data = [body, &crc_32c(body).to_le_bytes()].concat();
    let mut bytes = Vec::new();
    let mut rest = &data[..];
    loop {
        let run = rest
            .iter()
            .position(|&byte| byte == 0)
            .unwrap_or(rest.len());
        let len = run.min(254);
        bytes.push(len as u8 + 1);
        bytes.extend_from_slice(&rest[..len]);
        rest = &rest[len..];
        if rest.is_empty() {
            break;
        }
        if len < 254 {
            rest = &rest[1..]; // the zero that the code stands for
        }
    }
    bytes.push(0);
    bytes
}

/// CRC-32C bit by bit, from its catalogue parameters (reveng: CRC-32/ISCSI), reflected.
fn crc_32c(bytes: &[u8]) -> u32 {
    let mut sum = u32::MAX;
    for &byte in bytes {
        sum ^= u32::from(byte);
        for _ in 0..8 {
            sum = (sum >> 1) ^ (0x82F6_3B78 & (sum & 1).wrapping_neg());
        }
    }
    !sum
}
