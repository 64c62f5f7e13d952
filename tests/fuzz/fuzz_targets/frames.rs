//! A line with anything on it, in pieces of any size: every sound frame is delivered, once, and nothing else is.
//!
//! The oracle cuts at the zeros and reads each run by itself, with a COBS decoder (Cheshire and Baker 1999) and a CRC-32C
//! (polynomial 0x1EDC6F41 reflected, RFC 3720 appendix B.4) written here, a bit at a time.
#![no_main]

use arbitrary::{Arbitrary, Unstructured};
use libfuzzer_sys::fuzz_target;
use ohmward_proto::frame::CRC_LEN;
use ohmward_proto::{Decoder, FrameError, MAX_FRAME};

/// What comes over the line.
#[derive(Arbitrary, Debug)]
enum Piece {
    Rubble(Vec<u8>),
    /// Longer than any frame.
    Noise {
        byte: u8,
        count: u16,
    },
    /// A body with its right sum.
    Frame(Vec<u8>),
    /// A message as its golden bytes have it; then hit, or not.
    Known {
        row: u8,
        damage: Option<Damage>,
    },
}

#[derive(Arbitrary, Debug)]
enum Damage {
    Flip { at: u16, bits: u8 },
    Lose { at: u16 },
    Insert { at: u16, byte: u8 },
    CutShort { at: u16 },
}

/// Frames of `tests/golden`, final zero included.
fn golden() -> Vec<Vec<u8>> {
    include_str!("../../../shared-proto/tests/golden/v1.txt")
        .lines()
        .filter(|row| !row.starts_with('#'))
        .filter_map(|row| row.split_once(" = "))
        .map(|(_, hex)| {
            (0..hex.len() / 2)
                .map(|k| u8::from_str_radix(&hex[2 * k..2 * k + 2], 16).expect("hex"))
                .collect()
        })
        .collect()
}

fn crc32c(bytes: &[u8]) -> u32 {
    let mut crc = !0_u32;
    for byte in bytes {
        crc ^= u32::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 {
                crc >> 1 ^ 0x82F6_3B78
            } else {
                crc >> 1
            };
        }
    }
    !crc
}

fn cobs(bytes: &[u8]) -> Vec<u8> {
    let mut out = vec![0];
    let mut code_at = 0;
    for byte in bytes {
        if *byte != 0 {
            out.push(*byte);
        }
        if *byte == 0 || out.len() - code_at == 0xFF {
            out[code_at] = (out.len() - code_at) as u8;
            code_at = out.len();
            out.push(0);
        }
    }
    out[code_at] = (out.len() - code_at) as u8;
    out
}

fn uncobs(run: &[u8]) -> Option<Vec<u8>> {
    let mut out = Vec::new();
    let mut rest = run;
    while let Some((code, behind)) = rest.split_first() {
        let (block, behind) = behind.split_at_checked(usize::from(*code) - 1)?;
        out.extend(block);
        if *code != 0xFF && !behind.is_empty() {
            out.push(0);
        }
        rest = behind;
    }
    Some(out)
}

/// The body of a run between two zeros, if it is a sound frame.
fn body(run: &[u8]) -> Option<Vec<u8>> {
    if run.len() >= MAX_FRAME {
        return None;
    }
    let mut whole = uncobs(run)?;
    let sum = whole.split_off(whole.len().checked_sub(CRC_LEN)?);
    (crc32c(&whole).to_le_bytes().as_slice() == sum).then_some(whole)
}

fn line(pieces: Vec<Piece>) -> Vec<u8> {
    let golden = golden();
    let mut line = Vec::new();
    for piece in pieces {
        match piece {
            Piece::Rubble(bytes) => line.extend(bytes),
            Piece::Noise { byte, count } => {
                line.extend(std::iter::repeat_n(byte, usize::from(count % 2000)))
            }
            Piece::Frame(mut bytes) => {
                bytes.extend(crc32c(&bytes).to_le_bytes());
                line.extend(cobs(&bytes));
                line.push(0);
            }
            Piece::Known { row, damage } => {
                let mut frame = golden[usize::from(row) % golden.len()].clone();
                let place = |at: u16| usize::from(at) % frame.len();
                match damage {
                    None => {}
                    Some(Damage::Flip { at, bits }) => {
                        let at = place(at);
                        frame[at] ^= bits;
                    }
                    Some(Damage::Lose { at }) => {
                        frame.remove(place(at));
                    }
                    Some(Damage::Insert { at, byte }) => frame.insert(place(at), byte),
                    Some(Damage::CutShort { at }) => frame.truncate(place(at)),
                }
                line.extend(frame);
            }
        }
    }
    line
}

fuzz_target!(|data: &[u8]| {
    let mut input = Unstructured::new(data);
    let Ok(cuts) = input.arbitrary::<[u8; 8]>() else {
        return;
    };
    let Ok(pieces) = input.arbitrary::<Vec<Piece>>() else {
        return;
    };
    let line = line(pieces);

    let mut seen = Vec::new();
    let mut decoder = Decoder::new();
    let mut rest = line.as_slice();
    for cut in cuts.iter().cycle() {
        let (piece, behind) = rest.split_at(
            usize::from(*cut)
                .clamp(1, rest.len().max(1))
                .min(rest.len()),
        );
        decoder.feed_bodies(piece, |outcome, body| seen.push((outcome, body.to_vec())));
        rest = behind;
        if rest.is_empty() {
            break;
        }
    }

    let ended = line
        .iter()
        .rposition(|b| *b == 0)
        .map_or(&[][..], |last| &line[..last]);
    let runs: Vec<&[u8]> = ended
        .split(|b| *b == 0)
        .filter(|run| !run.is_empty())
        .collect();
    assert_eq!(seen.len(), runs.len());
    let mut dropped = 0;
    for ((outcome, body_seen), run) in seen.iter().zip(&runs) {
        let sound = body(run);
        assert_eq!(body_seen, &sound.clone().unwrap_or_default());
        match outcome {
            Ok(_) => assert!(sound.is_some(), "a message without its check sum"),
            Err(FrameError::Body | FrameError::UnknownMessage { .. }) => assert!(sound.is_some()),
            Err(FrameError::TooLong) => assert!(run.len() >= MAX_FRAME),
            Err(FrameError::Form | FrameError::Crc) => {
                assert!(sound.is_none(), "a sound frame was lost")
            }
        }
        if outcome.is_err() {
            dropped += run.len() as u64 + 1;
        }
    }
    assert_eq!(decoder.counts().bytes_dropped, dropped);

    // Whatever came before: after a zero the next frame is found.
    let mut last = None;
    decoder.feed(&[0], |_| {});
    decoder.feed(&golden()[0], |outcome| last = Some(outcome));
    assert!(matches!(last, Some(Ok(_))), "{last:?}");
});
