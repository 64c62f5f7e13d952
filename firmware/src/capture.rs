//! Captured waveforms: raw codes from before to after a trigger.
//!
//! Raw codes, because they can be put through the firmware again and must decide the same. Two buffers: one always
//! records, the other may hold a finished capture until the host has it. A trip is worth more than a surge, so a
//! finished surge gives way to a trip, and nothing gives way to a surge.

use crate::memory::InPlace;
use ohmward_proto::event::EventId;
use ohmward_proto::measure::Codes;
use ohmward_proto::message::{CaptureHead, CapturePart, PART_SAMPLES};
use ohmward_proto::settings::Calibration;
use ohmward_proto::units::SampleIndex;

/// Samples kept from before the trigger: longer than window, surge hold-back and hold time of the default limits, so
/// that the onset of the fault is in the picture.
pub const PRE_SAMPLES: usize = 640;
/// Samples from the trigger on: contactor opening included.
pub const POST_SAMPLES: usize = 384;
const LEN: usize = PRE_SAMPLES + POST_SAMPLES;
/// RAM of the two buffers, bytes.
pub const CAPTURE_BYTES: usize = 2 * LEN * size_of::<Codes>();

/// What a capture is of.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Worth {
    Surge,
    Trip,
}

#[derive(Clone, Copy, Debug)]
struct Trigger {
    event: EventId,
    worth: Worth,
    at: SampleIndex,
}

/// A ring of samples.
#[derive(Debug)]
pub struct Buffer {
    codes: [Codes; LEN],
    /// Place of the next sample.
    next: usize,
    filled: usize,
}

impl Buffer {
    /// Empty.
    pub const fn new() -> Self {
        Self {
            codes: [Codes {
                i_fine: 0,
                i_wide: 0,
                v_pos: 0,
                v_neg: 0,
            }; LEN],
            next: 0,
            filled: 0,
        }
    }

    fn push(&mut self, codes: Codes) {
        if let Some(place) = self.codes.get_mut(self.next) {
            *place = codes;
        }
        self.next = (self.next + 1) % LEN;
        self.filled = (self.filled + 1).min(LEN);
    }

    /// The `n`-th oldest sample.
    fn get(&self, n: usize) -> Option<Codes> {
        let oldest = self.next + LEN - self.filled;
        (n < self.filled).then(|| self.codes.get((oldest + n) % LEN).copied())?
    }
}

/// A finished capture, and how much of it has been handed to the link.
#[derive(Debug)]
struct Finished {
    trigger: Trigger,
    first: SampleIndex,
    head_sent: bool,
    sent: usize,
    /// Pieces that the host has, by their place; these are not sent.
    had: u64,
    /// When the last part went out, for sending again.
    last_sent_at: SampleIndex,
}

impl Finished {
    fn host_has(&self, part: usize) -> bool {
        part < u64::BITS as usize && self.had >> part & 1 == 1
    }
}

/// Records always; keeps one finished capture.
#[derive(Debug)]
pub struct Capture {
    buffers: InPlace<[Buffer; 2]>,
    /// Index of the recording buffer.
    live: usize,
    pending: Option<(Trigger, usize)>,
    finished: Option<Finished>,
}

impl Capture {
    pub fn new(buffers: InPlace<[Buffer; 2]>) -> Self {
        Self {
            buffers,
            live: 0,
            pending: None,
            finished: None,
        }
    }

    /// Post-trigger samples are still being collected.
    pub fn busy(&self) -> bool {
        self.pending.is_some()
    }

    /// Samples are missing from here on: what was recorded before does not join on to what comes.
    pub fn break_off(&mut self, now: SampleIndex) {
        if self.pending.is_some() {
            self.finish(now);
        }
        if let Some(live) = self.buffers.get_mut(self.live) {
            live.filled = 0;
        }
    }

    /// One sample; `now` is its index.
    pub fn push(&mut self, now: SampleIndex, codes: Codes) {
        if let Some(live) = self.buffers.get_mut(self.live) {
            live.push(codes);
        }
        if let Some((_, left)) = &mut self.pending {
            *left -= 1;
            if *left == 0 {
                self.finish(now.after(1));
            }
        }
    }

    /// Keeps what surrounds this moment under the name of `event`. Call after [`Self::push`] of the same sample.
    ///
    /// Returns whether a capture was begun: one already running keeps its name unless the new one is worth more.
    pub fn trigger(&mut self, now: SampleIndex, event: EventId, worth: Worth) -> bool {
        let occupied = self.finished.as_ref().map(|f| f.trigger.worth);
        if occupied.is_some_and(|kept| worth <= kept)
            || self.pending.is_some_and(|(t, _)| worth <= t.worth)
        {
            return false;
        }
        let trigger = Trigger {
            event,
            worth,
            at: now,
        };
        self.pending = Some((trigger, POST_SAMPLES - 1));
        true
    }

    fn finish(&mut self, end: SampleIndex) {
        let Some((trigger, _)) = self.pending.take() else {
            return;
        };
        let filled = self.buffers.get(self.live).map_or(0, |b| b.filled);
        self.finished = Some(Finished {
            trigger,
            first: SampleIndex(end.0.saturating_sub(filled as u64)),
            head_sent: false,
            sent: 0,
            had: 0,
            last_sent_at: end,
        });
        self.live = 1 - self.live;
        if let Some(live) = self.buffers.get_mut(self.live) {
            live.filled = 0;
        }
    }

    fn kept(&self) -> Option<&Buffer> {
        self.buffers.get(1 - self.live)
    }

    /// The head of a finished capture, if it is due; then [`Self::next_part`] gives its parts.
    pub fn next_head(&mut self, calibration: &Calibration) -> Option<CaptureHead> {
        let samples = self.kept()?.filled as u16;
        let finished = self.finished.as_mut().filter(|f| !f.head_sent)?;
        finished.head_sent = true;
        Some(CaptureHead {
            event: finished.trigger.event,
            first: finished.first,
            trigger: finished.trigger.at,
            samples,
            calibration: *calibration,
        })
    }

    /// The next piece of a finished capture.
    pub fn next_part(&mut self, now: SampleIndex) -> Option<CapturePart> {
        let finished = self.finished.as_ref().filter(|f| f.head_sent)?;
        let kept = self.kept()?;
        let mut offset = finished.sent;
        while offset < kept.filled && finished.host_has(offset / PART_SAMPLES) {
            offset += PART_SAMPLES;
        }
        let codes: heapless::Vec<_, PART_SAMPLES> = (offset..)
            .map_while(|n| kept.get(n))
            .take(PART_SAMPLES)
            .collect();
        let finished = self.finished.as_mut()?;
        let before = core::mem::replace(&mut finished.sent, offset + codes.len());
        if codes.is_empty() {
            if before < offset {
                finished.last_sent_at = now; // nothing was left to send after the head
            }
            return None;
        }
        finished.last_sent_at = now;
        Some(CapturePart {
            event: finished.trigger.event,
            offset: offset as u16,
            codes,
        })
    }

    /// Begins again with a capture that was sent whole and not acknowledged for `retry` samples.
    pub fn retry(&mut self, now: SampleIndex, retry: u64) {
        let filled = self.kept().map_or(0, |b| b.filled);
        if let Some(f) = &mut self.finished
            && f.sent >= filled
            && now.since(f.last_sent_at) > retry
        {
            f.head_sent = false;
            f.sent = 0;
        }
    }

    /// The host has asked afresh, or another one has: send from the beginning, until it says what it has.
    pub fn resend(&mut self) {
        if let Some(f) = &mut self.finished {
            f.head_sent = false;
            f.sent = 0;
            f.had = 0;
        }
    }

    /// The host has these pieces of it, and no others.
    pub fn has(&mut self, event: EventId, parts: u64) {
        if let Some(f) = &mut self.finished
            && f.trigger.event == event
        {
            f.had = parts;
        }
    }

    /// The host has all of it.
    pub fn acknowledge(&mut self, event: EventId) {
        if self
            .finished
            .as_ref()
            .is_some_and(|f| f.trigger.event == event)
        {
            self.finished = None;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // A test has stack enough.
    #[allow(clippy::large_stack_arrays)]
    fn capture() -> Capture {
        Capture::new([const { Buffer::new() }; 2])
    }

    fn event(seq: u32) -> EventId {
        EventId { boot: 1, seq }
    }

    fn code(n: u64) -> Codes {
        Codes {
            i_fine: n as i16,
            ..Codes::default()
        }
    }

    fn collect(capture: &mut Capture, now: SampleIndex) -> (CaptureHead, Vec<Codes>) {
        let head = capture.next_head(&Calibration::REFERENCE).expect("a head");
        let mut all = Vec::new();
        while let Some(part) = capture.next_part(now) {
            assert_eq!(usize::from(part.offset), all.len());
            all.extend_from_slice(&part.codes);
        }
        (head, all)
    }

    extern crate std;
    use std::vec::Vec;

    fn record(capture: &mut Capture, from: u64, to: u64) {
        for n in from..to {
            capture.push(SampleIndex(n), code(n));
        }
    }

    #[test]
    fn holds_what_surrounds_the_trigger_in_order() {
        let mut capture = capture();
        record(&mut capture, 0, 5001);
        assert!(capture.trigger(SampleIndex(5000), event(7), Worth::Trip));
        record(&mut capture, 5001, 9000);
        let (head, codes) = collect(&mut capture, SampleIndex(9000));
        assert_eq!(head.trigger, SampleIndex(5000));
        assert_eq!(usize::from(head.samples), LEN);
        assert_eq!(head.trigger.since(head.first), PRE_SAMPLES as u64);
        let expected: Vec<_> = (head.first.0..head.first.0 + LEN as u64)
            .map(code)
            .collect();
        assert_eq!(codes, expected);
    }

    #[test]
    fn a_trip_replaces_a_surge_and_a_surge_replaces_nothing() {
        let mut capture = capture();
        record(&mut capture, 0, 1000);
        assert!(capture.trigger(SampleIndex(999), event(1), Worth::Surge));
        record(&mut capture, 1000, 3000);
        assert!(!capture.trigger(SampleIndex(2999), event(2), Worth::Surge));
        assert!(capture.trigger(SampleIndex(2999), event(3), Worth::Trip));
        record(&mut capture, 3000, 5000);
        assert_eq!(collect(&mut capture, SampleIndex(5000)).0.event, event(3));
        capture.acknowledge(event(1));
        capture.retry(SampleIndex(20_000), 8000);
        assert_eq!(collect(&mut capture, SampleIndex(20_000)).0.event, event(3));
        capture.acknowledge(event(3));
        capture.retry(SampleIndex(50_000), 8000);
        assert!(capture.next_head(&Calibration::REFERENCE).is_none());
    }

    #[test]
    fn only_what_the_host_lacks_is_sent_again() {
        let mut capture = capture();
        record(&mut capture, 0, 5001);
        assert!(capture.trigger(SampleIndex(5000), event(7), Worth::Trip));
        record(&mut capture, 5001, 9000);
        collect(&mut capture, SampleIndex(9000));
        let last = LEN.div_ceil(PART_SAMPLES) - 1;
        capture.has(event(6), u64::MAX); // another capture
        capture.has(event(7), !(1 << 3 | 1 << last));
        capture.retry(SampleIndex(99_000), 8000);
        assert!(capture.next_head(&Calibration::REFERENCE).is_some());
        let mut offsets = Vec::new();
        while let Some(part) = capture.next_part(SampleIndex(99_000)) {
            offsets.push(usize::from(part.offset));
        }
        assert_eq!(offsets, [3 * PART_SAMPLES, last * PART_SAMPLES]);
        // All of it there, and yet no acknowledgement: the head is said again, so that the host says so.
        capture.has(event(7), u64::MAX);
        capture.retry(SampleIndex(199_000), 8000);
        assert!(capture.next_head(&Calibration::REFERENCE).is_some());
        assert!(capture.next_part(SampleIndex(199_000)).is_none());
        capture.retry(SampleIndex(199_001), 8000);
        assert!(
            capture.next_head(&Calibration::REFERENCE).is_none(),
            "not at once"
        );
        capture.retry(SampleIndex(299_000), 8000);
        assert!(capture.next_head(&Calibration::REFERENCE).is_some());
        // Another host knows nothing of it.
        capture.resend();
        assert_eq!(collect(&mut capture, SampleIndex(300_000)).1.len(), LEN);
    }

    #[test]
    fn a_gap_in_the_samples_is_never_bridged() {
        let mut capture = capture();
        record(&mut capture, 0, 1000);
        capture.break_off(SampleIndex(1000));
        record(&mut capture, 90_000, 90_101);
        capture.trigger(SampleIndex(90_100), event(1), Worth::Trip);
        record(&mut capture, 90_101, 91_000);
        let (head, codes) = collect(&mut capture, SampleIndex(91_000));
        assert_eq!(head.first, SampleIndex(90_000));
        assert_eq!(codes[0], code(90_000));
        assert_eq!(codes.len(), 101 + POST_SAMPLES - 1);
    }
}
