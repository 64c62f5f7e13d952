//! What a board makes of every message: what hosts say arrives as it was said, what boards say is nothing to it.

#[path = "golden/messages.rs"]
mod messages;

use ohmward_proto::{Decoder, FrameError, MAX_FRAME, Message, encode};

/// No `_`: a new message has to be given its direction here.
fn is_for_boards(message: &Message) -> bool {
    match message {
        Message::HelloAsk { .. }
        | Message::Ack(_)
        | Message::TimeAsk { .. }
        | Message::SettingsGet
        | Message::SettingsPut(_)
        | Message::Command(_)
        | Message::LinkStatsAsk
        | Message::Acks(_)
        | Message::CaptureHave(_)
        | Message::CalibrationGet
        | Message::CalibrationPut { .. }
        | Message::CodesAsk { .. } => true,
        Message::Hello(_)
        | Message::Reading(_)
        | Message::Event(_)
        | Message::CaptureHead(_)
        | Message::CapturePart(_)
        | Message::TimeIs { .. }
        | Message::SettingsAre(_)
        | Message::SettingsResult(_)
        | Message::CommandResult { .. }
        | Message::LinkStatsAre(_)
        | Message::Spectrum(_)
        | Message::PeerIs { .. }
        | Message::CounterIs { .. }
        | Message::RunReading { .. }
        | Message::RunSpectrum { .. }
        | Message::RunDwell { .. }
        | Message::CalibrationIs(_)
        | Message::CalibrationResult(_)
        | Message::CodesAre { .. } => false,
    }
}

fn heard(bytes: &[u8]) -> Vec<Result<Option<Message>, FrameError>> {
    let mut heard = Vec::new();
    Decoder::new().feed_to_board(bytes, |outcome| heard.push(outcome));
    heard
}

#[test]
fn a_board_hears_what_hosts_say_and_nothing_else() {
    let mut for_boards = 0;
    for (name, message) in messages::all() {
        let mut frame = [0; MAX_FRAME];
        let len = encode(&message, &mut frame).expect("fits");
        let wanted = is_for_boards(&message).then_some(message);
        for_boards += u32::from(wanted.is_some());
        assert_eq!(heard(&frame[..len]), [Ok(wanted)], "{name}");
    }
    assert!(for_boards >= 12, "{for_boards}");
}

/// A frame of this body, by hand: body, CRC-32C (published check value in `published.rs`), COBS by the general crate.
fn frame_of(body: &[u8]) -> Vec<u8> {
    let mut whole = body.to_vec();
    let sum = crc::Crc::<u32>::new(&crc::CRC_32_ISCSI).checksum(body);
    whole.extend(sum.to_le_bytes());
    let mut frame = [0; 64];
    let len = cobs::encode(&whole, &mut frame);
    frame[..=len].to_vec()
}

#[test]
fn a_newer_host_and_a_body_that_does_not_fit_are_told_apart() {
    let kind = Message::KINDS;
    let newer = frame_of(&[kind as u8, 1, 2]);
    assert_eq!(heard(&newer), [Err(FrameError::UnknownMessage { kind })]);
    // SettingsGet with something behind it; HelloAsk without its number.
    assert_eq!(heard(&frame_of(&[9, 0])), [Err(FrameError::Body)]);
    assert_eq!(heard(&frame_of(&[1])), [Err(FrameError::Body)]);
    assert_eq!(heard(&frame_of(&[])), [Err(FrameError::Body)]);
}
