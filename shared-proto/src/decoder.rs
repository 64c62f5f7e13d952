//! A stream of bytes with anything in it → messages, and a count of what was dropped.

use crate::frame::{FrameError, MAX_FRAME, body_in_place, message_of, said_to_board_of};
use crate::message::Message;

/// What a decoder has seen. Nothing is dropped without a count here.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct DecoderCounts {
    /// Messages delivered.
    pub messages: u64,
    /// Frames whose check sum differed.
    pub bad_crc: u64,
    /// Frames of no form, overlong, or with a body that does not fit.
    pub bad_form: u64,
    /// Sound frames of a kind unknown here.
    pub unknown: u64,
    /// Bytes in all frames that were dropped.
    pub bytes_dropped: u64,
}

/// Finds frames in a byte stream. Holds at most one frame; finds its feet at every zero byte.
#[derive(Debug)]
pub struct Decoder {
    frame: [u8; MAX_FRAME],
    /// Bytes collected; stays at `MAX_FRAME` while an overlong run is being skipped.
    len: usize,
    /// The run since the last zero outgrew a frame: `skipped` bytes of it are gone.
    overlong: bool,
    skipped: u64,
    counts: DecoderCounts,
}

impl Default for Decoder {
    fn default() -> Self {
        Self::new()
    }
}

impl Decoder {
    /// An empty decoder.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            frame: [0; MAX_FRAME],
            len: 0,
            overlong: false,
            skipped: 0,
            counts: DecoderCounts {
                messages: 0,
                bad_crc: 0,
                bad_form: 0,
                unknown: 0,
                bytes_dropped: 0,
            },
        }
    }

    /// What has been seen so far.
    #[must_use]
    pub fn counts(&self) -> &DecoderCounts {
        &self.counts
    }

    /// Takes bytes as they come, in pieces of any size, and hands on each message or fault.
    pub fn feed(&mut self, bytes: &[u8], mut each: impl FnMut(Result<Message, FrameError>)) {
        self.feed_bodies(bytes, |outcome, _| each(outcome));
    }

    /// As [`Self::feed`], for a board: hands on what a host says, and `None` for what only boards say.
    pub fn feed_to_board(
        &mut self,
        bytes: &[u8],
        mut each: impl FnMut(Result<Option<Message>, FrameError>),
    ) {
        self.feed_with(bytes, said_to_board_of, |outcome, _| each(outcome));
    }

    /// As [`Self::feed`], with the body of each frame whose check sum was right; an empty one for every other.
    pub fn feed_bodies(
        &mut self,
        bytes: &[u8],
        each: impl FnMut(Result<Message, FrameError>, &[u8]),
    ) {
        self.feed_with(bytes, message_of, each);
    }

    fn feed_with<M>(
        &mut self,
        bytes: &[u8],
        read: fn(&[u8]) -> Result<M, FrameError>,
        mut each: impl FnMut(Result<M, FrameError>, &[u8]),
    ) {
        let mut rest = bytes;
        while !rest.is_empty() {
            let zero = rest.iter().position(|&b| b == 0);
            let piece = rest.get(..zero.unwrap_or(rest.len())).unwrap_or_default();
            self.collect(piece);
            let Some(zero) = zero else { return };
            self.finish(read, &mut each);
            rest = rest.get(zero + 1..).unwrap_or_default();
        }
    }

    fn collect(&mut self, piece: &[u8]) {
        let end = self.len + piece.len();
        match self.frame.get_mut(self.len..end) {
            // A frame's final zero is not collected, so a full buffer is already one byte too many.
            Some(room) if end < MAX_FRAME && !self.overlong => {
                room.copy_from_slice(piece);
                self.len = end;
            }
            _ => {
                self.overlong = true;
                self.skipped = self.skipped.saturating_add(piece.len() as u64);
            }
        }
    }

    /// A zero byte came: what is collected is a frame, or rubble, or nothing.
    fn finish<M>(
        &mut self,
        read: fn(&[u8]) -> Result<M, FrameError>,
        each: &mut impl FnMut(Result<M, FrameError>, &[u8]),
    ) {
        let len = core::mem::take(&mut self.len);
        let overlong = core::mem::take(&mut self.overlong);
        let skipped = core::mem::take(&mut self.skipped);
        if len == 0 && !overlong {
            return; // zeros between frames are legal idle
        }
        let body = if overlong {
            Err(FrameError::TooLong)
        } else {
            body_in_place(self.frame.get_mut(..len).unwrap_or_default())
        };
        let (outcome, body) = match body {
            Ok(body) => (read(body), body),
            Err(fault) => (Err(fault), [].as_slice()),
        };
        match &outcome {
            Ok(_) => self.counts.messages += 1,
            Err(fault) => {
                match fault {
                    FrameError::Crc => self.counts.bad_crc += 1,
                    FrameError::UnknownMessage { .. } => self.counts.unknown += 1,
                    FrameError::TooLong | FrameError::Form | FrameError::Body => {
                        self.counts.bad_form += 1;
                    }
                }
                self.counts.bytes_dropped += len as u64 + skipped + 1;
            }
        }
        each(outcome, body);
    }
}
