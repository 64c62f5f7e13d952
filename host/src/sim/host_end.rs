//! The host's end of a board's link where nothing is stored: asks who is there, keeps what is told, acknowledges all of it.

use ohmward_proto::message::{Ack, Message};
use ohmward_proto::{Decoder, Event, MAX_FRAME, PROTOCOL_VERSION, Reading, encode};

/// One host.
#[derive(Debug, Default)]
pub struct HostEnd {
    decoder: Decoder,
    capture_left: u16,
    /// Events, in the order in which they came; again when they were sent again.
    pub events: Vec<Event>,
    /// Lines of the log.
    pub readings: Vec<Reading>,
    /// Frames that were no message.
    pub unsound: u32,
}

impl HostEnd {
    /// What it says first.
    pub fn greeting() -> Vec<u8> {
        let protocol = PROTOCOL_VERSION;
        frame(&Message::HelloAsk { protocol })
    }

    /// Takes what a board has said; returns what to answer.
    pub fn hear(&mut self, bytes: &[u8]) -> Vec<u8> {
        let mut answer = Vec::new();
        self.decoder.feed(bytes, |message| match message {
            Err(_) => self.unsound += 1,
            Ok(Message::Event(event)) => {
                answer.extend(frame(&Message::Ack(Ack::Event(event.id))));
                self.events.push(event);
            }
            Ok(Message::Reading(reading) | Message::RunReading { reading, .. }) => {
                self.readings.push(reading);
            }
            Ok(Message::CaptureHead(head)) => self.capture_left = head.samples,
            Ok(Message::CapturePart(part)) => {
                self.capture_left = self.capture_left.saturating_sub(part.codes.len() as u16);
                if self.capture_left == 0 {
                    answer.extend(frame(&Message::Ack(Ack::Capture(part.event))));
                }
            }
            Ok(_) => {}
        });
        answer
    }
}

fn frame(message: &Message) -> Vec<u8> {
    let mut frame = [0; MAX_FRAME];
    match encode(message, &mut frame) {
        Ok(len) => frame[..len].to_vec(),
        Err(why) => unreachable!("every message fits into the longest frame: {why:?}"),
    }
}

/// The messages in some bytes, in words.
pub fn messages(bytes: &[u8]) -> Vec<String> {
    let mut words = Vec::new();
    Decoder::new().feed(bytes, |message| match message {
        Ok(message) => words.push(format!("{message:?}")),
        Err(why) => words.push(format!("no message: {why:?}")),
    });
    words
}
