//! Message ↔ bytes.
//!
//! A frame is `COBS( postcard(message) ++ CRC-32C of that, little-endian ) ++ 00`. The zero byte stands nowhere else,
//! so a receiver that lost its place finds it again at the next one.

use crate::checksum::CRC;
use crate::message::{Message, said_to_board};

/// Longest postcard body.
pub const MAX_BODY: usize = 320;
/// Longest frame, final zero included: body, check sum, one COBS byte for every 254 or part, zero.
pub const MAX_FRAME: usize = MAX_BODY + CRC_LEN + 2 + 1;
/// Length of the check sum.
pub const CRC_LEN: usize = 4;

/// Why bytes did not become a message. Counted by kind; never ends the link.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum FrameError {
    /// No zero byte came within [`MAX_FRAME`]: noise, or a foreign protocol. Skipped up to the next zero.
    TooLong,
    /// Not a COBS block, or too short to hold a check sum.
    Form,
    /// The check sum differs: noise, or a frame cut short by a reset. The board sends events again.
    Crc,
    /// Sound, but of a kind this side does not know: the peer is newer. Name the side to update.
    UnknownMessage {
        /// Its number on the wire.
        kind: u32,
    },
    /// Sound, but not a message of its kind: both sides disagree about the format.
    Body,
}

impl core::fmt::Display for FrameError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::TooLong => f.write_str("no end of frame where one was due"),
            Self::Form => f.write_str("not a frame"),
            Self::Crc => f.write_str("check sum differs"),
            Self::UnknownMessage { kind } => {
                write!(
                    f,
                    "message kind {kind} is unknown here: the other side is newer"
                )
            }
            Self::Body => f.write_str("message body does not fit its kind"),
        }
    }
}

/// Writes one frame, final zero included, and returns its length.
///
/// # Errors
/// [`FrameError::TooLong`] when `into` is too short; [`MAX_FRAME`] bytes always suffice.
pub fn encode(message: &Message, into: &mut [u8]) -> Result<usize, FrameError> {
    // Each step over all bytes at once: less work than byte by byte through all of them, and the serialiser is there once.
    let mut whole = [0; MAX_BODY + CRC_LEN];
    let body = postcard::to_slice(message, whole.get_mut(..MAX_BODY).unwrap_or_default());
    let len = body.map_err(|_| FrameError::TooLong)?.len();
    let sum = CRC.checksum(whole.get(..len).unwrap_or_default());
    whole
        .get_mut(len..len + CRC_LEN)
        .ok_or(FrameError::TooLong)?
        .copy_from_slice(&sum.to_le_bytes());
    let whole = whole.get(..len + CRC_LEN).unwrap_or_default();
    let len = cobs::try_encode(whole, into).map_err(|_| FrameError::TooLong)?;
    *into.get_mut(len).ok_or(FrameError::TooLong)? = 0;
    Ok(len + 1)
}

/// Reads one frame without its final zero. Decodes in place: `frame` is rubble afterwards.
///
/// # Errors
/// Any [`FrameError`] but `TooLong`. The check sum is looked at before the content.
pub fn decode_in_place(frame: &mut [u8]) -> Result<Message, FrameError> {
    message_of(body_in_place(frame)?)
}

/// Takes frame and check sum off: what is left is the body that was sent. Decodes in place.
pub(crate) fn body_in_place(frame: &mut [u8]) -> Result<&[u8], FrameError> {
    let decoded = cobs::decode_in_place_report(frame).map_err(|_| FrameError::Form)?;
    if decoded.src_used != frame.len() {
        return Err(FrameError::Form); // a zero inside: what stands before it is not "one frame"
    }
    let whole = frame.get(..decoded.dst_used).ok_or(FrameError::Form)?;
    let (body, check) = whole
        .split_last_chunk::<CRC_LEN>()
        .ok_or(FrameError::Form)?;
    if CRC.checksum(body) != u32::from_le_bytes(*check) {
        return Err(FrameError::Crc);
    }
    Ok(body)
}

/// What a sound body says.
pub(crate) fn message_of(body: &[u8]) -> Result<Message, FrameError> {
    match postcard::take_from_bytes::<Message>(body) {
        Ok((message, [])) => Ok(message),
        // Left-over bytes: the sender's version of this message is longer than ours.
        Ok(_) => Err(FrameError::Body),
        Err(_) => match postcard::take_from_bytes::<u32>(body) {
            Ok((kind, _)) if kind >= Message::KINDS => Err(FrameError::UnknownMessage { kind }),
            _ => Err(FrameError::Body),
        },
    }
}

/// What a sound body says to a board; `None` for what only boards say.
pub(crate) fn said_to_board_of(body: &[u8]) -> Result<Option<Message>, FrameError> {
    let (kind, rest) = postcard::take_from_bytes::<u32>(body).map_err(|_| FrameError::Body)?;
    if kind >= Message::KINDS {
        return Err(FrameError::UnknownMessage { kind });
    }
    match said_to_board(kind, rest) {
        Ok((message, [])) => Ok(message),
        Ok(_) | Err(_) => Err(FrameError::Body),
    }
}
