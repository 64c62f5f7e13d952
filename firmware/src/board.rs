//! A board around the monitor: pins, converter, flash and byte link by embedded traits.
//!
//! A new board is a [`SampleSource`], [`Pins`] filled with its embedded-hal pins, an `embedded-storage` NOR flash and
//! an `embedded-io` byte link. The simulated board is built of the same parts, so this code runs there too.
//!
//! [`Board::turn`] takes one sample through: inputs, decision, outputs; then what may take its time: flash, a little of
//! it ([`crate::nv`] says how little), and the link as far as it has room. [`Board::decide`] touches neither, so a trip
//! has switched its outputs before flash hears of it.

use crate::memory::{self, InPlace, Memory};
use crate::monitor::{Identity, Inputs, Monitor, Outputs, Rest, Sample};
use crate::nv::{CAUGHT_UP_MS, Found, HELD_BACK_MS_MAX, Kept, KeptCalibration, Nv, Permit};
use embedded_hal::digital::{InputPin, OutputPin};
use embedded_io::{Read, ReadReady, Write, WriteReady};
use embedded_storage::nor_flash::NorFlash;
use ohmward_proto::decoder::Decoder;
use ohmward_proto::event::{MemoryFault, TripCause};
use ohmward_proto::frame::{MAX_FRAME, encode};
use ohmward_proto::measure::Reading;
use ohmward_proto::message::{LinkStats, Message};
use ohmward_proto::settings::{
    Calibration, CalibrationFault, CalibrationState, Settings, SettingsFault,
};
use ohmward_proto::units::{Amps, SampleIndex, Volts};

/// Bytes taken from the link at a time, and given to it: a sample must not wait for a talkative host. At 4 kS/s that is 128 kB/s
/// in and some 200 kB/s out.
const INBOX: usize = 32;
const SENT_MAX: usize = 64;
/// The same in one [`Board::serve_link`], which is for whoever has time.
const BYTES_IN_MAX: usize = 256;
const FRAMES_OUT_MAX: usize = 8;
/// Pages of the event ring that are erased before the first sample: a few hundred events.
const PAGES_AT_START: usize = 2;
/// Samples until a save that flash refused is tried again: a second or less.
const SAVE_AGAIN_SAMPLES: u64 = 1000;

/// Gives one sample after the other, at the board's rate.
pub trait SampleSource {
    /// Why there is none.
    type Error: core::fmt::Debug;

    /// The next sample; waits for it. Samples that were missed are counted in it, not made up.
    fn next(&mut self) -> Result<Sample, Self::Error>;
}

/// The board's wires. Outputs are active high: no power, no drive, contactor open.
#[derive(Debug)]
pub struct Pins<O, I> {
    /// Contactor coil.
    pub contactor: O,
    /// Bond switch: driven = bond open.
    pub bond_switch: O,
    /// Extra bridge conductance, positive pole.
    pub bridge_pos: O,
    /// Extra bridge conductance, negative pole.
    pub bridge_neg: O,
    /// Self-test current.
    pub inject: O,
    /// Lamp.
    pub lamp: O,
    /// Buzzer.
    pub buzzer: O,
    /// Auxiliary contact: high = contactor closed.
    pub contactor_feedback: I,
    /// Reset button.
    pub reset: I,
    /// Maintenance switch.
    pub arm: I,
}

/// A pin that did not do what it was told.
#[derive(Debug)]
pub struct PinFault;

impl<O: OutputPin, I: InputPin> Pins<O, I> {
    fn read(&mut self) -> Result<Inputs, PinFault> {
        Ok(Inputs {
            contactor_feedback: self.contactor_feedback.is_high().map_err(|_| PinFault)?,
            reset: self.reset.is_high().map_err(|_| PinFault)?,
            arm: self.arm.is_high().map_err(|_| PinFault)?,
        })
    }

    fn drive(&mut self, out: &Outputs) -> Result<(), PinFault> {
        // The contactor first; and every pin, whatever an earlier one says.
        let mut driven = Ok(());
        for (pin, on) in [
            (&mut self.contactor, out.contactor),
            (&mut self.bond_switch, out.bond_switch),
            (&mut self.bridge_pos, out.bridge_pos),
            (&mut self.bridge_neg, out.bridge_neg),
            (&mut self.inject, out.inject),
            (&mut self.lamp, out.lamp),
            (&mut self.buzzer, out.buzzer),
        ] {
            driven = pin.set_state(on.into()).map_err(|_| PinFault).and(driven);
        }
        driven
    }
}

/// Why a board cannot go on.
#[derive(Debug)]
pub enum BoardFault<S> {
    /// No samples.
    Sample(S),
    /// A pin.
    Pin(PinFault),
    /// Flash at start, or a sample rate without whole mains cycles.
    Start(SettingsFault),
}

/// What a board is made of, for [`Board::start`].
pub struct Parts<S, O, I, F, L> {
    /// Converter.
    pub source: S,
    /// Wires.
    pub pins: Pins<O, I>,
    /// Flash for the two slots and the event ring, see [`crate::nv`].
    pub flash: F,
    /// Byte link to the host.
    pub link: L,
    /// Memory for the large arrays.
    pub memory: InPlace<Memory>,
}

/// What has been looked at of what has come.
struct Heard {
    bytes: usize,
    /// It was the end of a frame.
    frame: bool,
}

/// A running board.
pub struct Board<S, O, I, F, L> {
    source: S,
    pins: Pins<O, I>,
    nv: Nv<F>,
    kept: Kept,
    /// What the front end is designed to be, and when the calibration in force was made.
    design: Calibration,
    calibrated_unix_s: Option<i64>,
    /// A save failed half way: what is in force has to be saved again.
    kept_unsure: bool,
    /// Flash refused: not before this sample again.
    save_again: SampleIndex,
    /// Flash was written last after this sample.
    wrote_at: Option<SampleIndex>,
    link: L,
    /// Bytes that have come; those from `taken` on wait to be looked at.
    inbox: [u8; INBOX],
    arrived: usize,
    taken: usize,
    /// The last piece of work for the link was a frame that had come: the next one that goes is first.
    heard: bool,
    decoder: Decoder,
    frame: InPlace<[u8; MAX_FRAME]>,
    frame_len: usize,
    frame_sent: usize,
    stats: LinkStats,
    arm: bool,
    monitor: Monitor,
}

impl<S, O, I, F, L> Board<S, O, I, F, L>
where
    S: SampleSource,
    O: OutputPin,
    I: InputPin,
    F: NorFlash,
    L: Read + ReadReady + Write + WriteReady,
{
    /// Starts: counts the boot, takes the kept settings and calibration, else `defaults` and `calibration` (a new board).
    /// May erase three blocks of flash: some 150 ms, 1.2 s at most, before the first sample.
    ///
    /// `identity.boot` is filled in here. Damaged settings start the monitor tripped, on `defaults`; so does a trip that
    /// nobody had reset when the supply went away.
    ///
    /// # Errors
    /// [`BoardFault::Start`] when flash cannot hold the boot count: event numbers would repeat.
    #[inline(never)]
    pub fn start(
        parts: Parts<S, O, I, F, L>,
        identity: Identity,
        defaults: Settings,
        calibration: Calibration,
    ) -> Result<Self, BoardFault<S::Error>> {
        let not_stored = BoardFault::Start(SettingsFault::NotStored);
        let Ok((mut nv, found)) = Nv::open(parts.flash) else {
            return Err(not_stored);
        };
        let kept = match found {
            Found::Kept(kept) if kept.settings.check().is_ok() => kept,
            Found::Nothing => Kept {
                boot: identity.boot.saturating_sub(1),
                settings: defaults,
                tripped: None,
                trips: 0,
                calibration: None,
            },
            Found::Kept(kept) => Kept {
                settings: defaults,
                tripped: Some(TripCause::SettingsLost),
                ..kept
            },
            // The count is gone too. From the upper half of the numbers, by what the damage looks like.
            Found::Damaged { sum } => Kept {
                boot: sum | 1 << 31,
                settings: defaults,
                tripped: Some(TripCause::SettingsLost),
                // Nobody knows: the worst.
                trips: u8::MAX,
                calibration: None,
            },
        };
        let kept = Kept {
            // Events of a run that the slots do not know of any more still have its number.
            boot: kept.boot.max(nv.newest_boot()).wrapping_add(1),
            ..kept
        };
        if nv.save(&kept, true).is_err() {
            return Err(not_stored);
        }
        let prepared = nv.prepare(PAGES_AT_START);
        let design = calibration;
        let calibration = kept.calibration.map_or(design, |own| own.values);
        let identity = Identity {
            boot: kept.boot,
            ..identity
        };
        let window = Monitor::window_for(&identity, &kept.settings, &calibration)
            .map_err(BoardFault::Start)?;
        let (memory, frame) = memory::split(parts.memory);
        let mut monitor = Monitor::placed(identity, kept.settings, calibration, window, memory);
        monitor.begin();
        if let Some(cause) = kept.tripped {
            // Trips that had been reset when the supply went away are over: a board without power at night would count
            // them for ever.
            monitor.keep_counting(kept.trips);
            monitor.start_tripped(cause);
        }
        let now = monitor.now();
        if let Err(fault) = prepared {
            nv.failed(monitor.journal_mut(), now, fault);
        }
        nv.serve(monitor.journal_mut(), now, Permit::Read);
        Ok(Self {
            source: parts.source,
            pins: parts.pins,
            nv,
            kept,
            design,
            calibrated_unix_s: kept.calibration.and_then(|own| own.made_unix_s),
            kept_unsure: false,
            save_again: SampleIndex(0),
            wrote_at: None,
            link: parts.link,
            inbox: [0; INBOX],
            arrived: 0,
            taken: 0,
            heard: false,
            decoder: Decoder::new(),
            // A zero first: a frame that the supply did not last through ends here, not with the hello.
            frame,
            frame_len: 1,
            frame_sent: 0,
            stats: LinkStats::default(),
            arm: false,
            monitor,
        })
    }

    /// One sample through the board, then a piece of work for flash or the link: what a sample's time has room for.
    ///
    /// # Errors
    /// A converter or pin that fails. The caller lets the watchdog open the contactor.
    pub fn turn(&mut self) -> Result<Outputs, BoardFault<S::Error>> {
        let outputs = self.decide()?;
        self.serve();
        Ok(outputs)
    }

    /// One sample through the board, flash and link left alone.
    pub fn decide(&mut self) -> Result<Outputs, BoardFault<S::Error>> {
        let sample = self.source.next().map_err(BoardFault::Sample)?;
        let inputs = self.pins.read().map_err(BoardFault::Pin)?;
        self.arm = inputs.arm;
        let outputs = self.monitor.step(&sample, &inputs);
        self.pins.drive(&outputs).map_err(BoardFault::Pin)?;
        Ok(outputs)
    }

    /// What flash may be used for after this sample. While the array is connected nothing is written that a trip could fall
    /// into, and not before the board has caught up with the last write; but no event waits for ever.
    fn permit(&self) -> Permit {
        let monitor = &self.monitor;
        if monitor.may_stall() {
            return Permit::Erase;
        }
        if !monitor.is_connected() {
            return Permit::Write;
        }
        // How near a trip could be is asked only where that matters: this runs after every sample.
        if !self.trip_unkept() && !self.nv.wants_write(monitor.journal()) {
            return Permit::Read;
        }
        let passed = |since: Option<SampleIndex>, ms: u64| {
            since.is_some_and(|since| monitor.now().since(since) >= monitor.samples(ms))
        };
        let caught_up = self.wrote_at.is_none() || passed(self.wrote_at, CAUGHT_UP_MS);
        if caught_up
            && (self.is_clear_for(CAUGHT_UP_MS)
                || passed(monitor.unwritten_since(), HELD_BACK_MS_MAX))
        {
            Permit::Write
        } else {
            Permit::Read
        }
    }

    /// Nothing that has begun can trip within this time.
    fn is_clear_for(&self, ms: u64) -> bool {
        !self.monitor.is_connected() || self.monitor.soonest_trip() >= self.monitor.samples(ms)
    }

    /// One piece of work for flash, if there is any and a trip cannot fall into it: the trip before everything else. Part of
    /// [`Self::serve`] and [`Self::serve_link`]; by itself for whoever looks at the link less often than after every sample.
    /// True when it has written or erased, or tried to.
    pub fn serve_flash(&mut self) -> bool {
        let permit = self.permit();
        let now = self.monitor.now();
        let worked =
            self.keep_trip(permit) || self.nv.serve(self.monitor.journal_mut(), now, permit);
        if worked {
            self.wrote_at = Some(now);
        }
        worked
    }

    /// What the slots say of a trip is not so, or not sure.
    fn trip_unkept(&self) -> bool {
        self.monitor.latched_cause() != self.kept.tripped || self.kept_unsure
    }

    /// A trip survives a power cut, and so does its reset. Tried again every so many samples while flash refuses. True when
    /// flash has been written.
    fn keep_trip(&mut self, permit: Permit) -> bool {
        let now = self.monitor.now();
        if !self.trip_unkept() || now < self.save_again || permit < Permit::Write {
            return false;
        }
        let kept = Kept {
            tripped: self.monitor.latched_cause(),
            trips: self.monitor.recent_trips(),
            ..self.kept
        };
        match self.nv.save(&kept, permit >= Permit::Erase) {
            Ok(()) => {
                self.kept = kept;
                self.kept_unsure = false;
                self.nv.worked(now);
            }
            Err(fault) => {
                self.save_again = now.after(SAVE_AGAIN_SAMPLES);
                self.nv.failed(self.monitor.journal_mut(), now, fault);
            }
        }
        true
    }

    /// What a sample's time has room for beside the decision: a piece of work for flash; or else one frame that has come, or
    /// one that goes: made ready, or some bytes of it sent. A broken link is no fault of the protection: what could not be
    /// sent stays in the monitor.
    pub fn serve(&mut self) {
        if self.serve_flash() {
            return;
        }
        let hears_first = !self.heard;
        self.heard = hears_first && self.hear().is_some_and(|heard| heard.frame);
        if self.heard {
            return;
        }
        if !self.send_some(SENT_MAX) && !self.fill_frame() && !hears_first {
            self.heard = self.hear().is_some_and(|heard| heard.frame);
        }
    }

    /// As [`Self::serve`], with all that the host has sent and all that the link has room for: takes far longer than a sample.
    pub fn serve_link(&mut self) {
        self.serve_flash();
        let mut bytes = 0;
        while bytes < BYTES_IN_MAX
            && let Some(heard) = self.hear()
        {
            bytes += heard.bytes;
        }
        for _ in 0..FRAMES_OUT_MAX {
            if !self.fill_frame() {
                return;
            }
            while self.send_some(MAX_FRAME) {}
            if self.frame_sent < self.frame_len {
                return;
            }
        }
    }

    /// Looks at what has come, up to the end of the first frame in it; `None` when nothing has.
    fn hear(&mut self) -> Option<Heard> {
        if self.taken >= self.arrived {
            self.taken = 0;
            self.arrived = 0;
            if !self.link.read_ready().unwrap_or(false) {
                return None;
            }
            self.arrived = self.link.read(&mut self.inbox).ok()?.min(INBOX);
        }
        let waiting = self.inbox.get(self.taken..self.arrived)?;
        let end = waiting.iter().position(|&byte| byte == 0);
        let piece = waiting.get(..end.map_or(waiting.len(), |end| end + 1))?;
        if piece.is_empty() {
            return None;
        }
        self.taken += piece.len();
        let heard = Heard {
            bytes: piece.len(),
            frame: end.is_some(),
        };
        let mut said = None;
        self.decoder
            .feed_to_board(piece, |message| said = message.ok());
        if let Some(Some(message)) = said {
            self.receive(&message);
        }
        Some(heard)
    }

    /// Sends so many bytes of the frame that is ready. False when nothing went: there is none, or the link has no room.
    fn send_some(&mut self, most: usize) -> bool {
        let rest = self
            .frame
            .get(self.frame_sent..self.frame_len)
            .unwrap_or_default();
        let some = rest.get(..most).unwrap_or(rest);
        if some.is_empty() || !self.link.write_ready().unwrap_or(false) {
            return false;
        }
        let sent = self.link.write(some).unwrap_or(0);
        self.frame_sent += sent;
        sent > 0
    }

    /// Puts the next message into the frame buffer when that is empty. False when there is nothing to send.
    fn fill_frame(&mut self) -> bool {
        if self.frame_sent < self.frame_len {
            return true;
        }
        self.frame_sent = 0;
        self.frame_len = 0;
        // Nothing is taken from the monitor before the link can take it: a reading waiting there is still the newest.
        if !self.link.write_ready().unwrap_or(false) {
            return false;
        }
        let Some(message) = self.monitor.poll() else {
            return false;
        };
        if let Ok(len) = encode(&message, &mut self.frame[..]) {
            self.frame_len = len;
            self.stats.frames_out = self.stats.frames_out.wrapping_add(1);
        }
        true
    }

    fn receive(&mut self, message: &Message) {
        match message {
            Message::SettingsPut(settings) => {
                let result = self.put_settings(settings);
                self.monitor.answer(Message::SettingsResult(result));
            }
            Message::CalibrationPut {
                calibration,
                made_unix_s,
            } => {
                let result = self
                    .keep_calibration(*calibration, Some(*made_unix_s))
                    .map(|()| calibration.id);
                self.monitor.answer(Message::CalibrationResult(result));
            }
            Message::CalibrationGet => {
                let in_force = *self.monitor.calibration();
                let next = self.kept.calibration.map(|own| own.values.id);
                self.monitor
                    .answer(Message::CalibrationIs(CalibrationState {
                        in_force,
                        made_unix_s: self.calibrated_unix_s,
                        design: self.design,
                        next_id: next.filter(|id| *id != in_force.id),
                    }));
            }
            Message::LinkStatsAsk => {
                let counts = self.decoder.counts();
                let mut stats = self.stats;
                stats.frames_in = counts.messages as u32;
                stats.bad_crc = counts.bad_crc as u32;
                stats.bad_form = (counts.bad_form + counts.unknown) as u32;
                self.monitor.add_link_stats(&mut stats);
                self.monitor.answer(Message::LinkStatsAre(stats));
            }
            other => self.monitor.receive(other),
        }
    }

    /// Checks, stores, then applies: settings that are in force are always in flash too.
    fn put_settings(&mut self, settings: &Settings) -> Result<u32, SettingsFault> {
        if settings == self.monitor.settings() {
            return Ok(settings.hash());
        }
        self.monitor.may_apply(settings)?;
        if settings.loosens(self.monitor.settings()) && !self.arm {
            return Err(SettingsFault::LooserNeedsArm);
        }
        let kept = Kept {
            settings: *settings,
            ..self.kept
        };
        self.keep(kept)?;
        self.monitor.apply(*settings)?;
        Ok(settings.hash())
    }

    /// Keeps a calibration of this board's own; in force from the next start on. `made_unix_s`: when it was made.
    ///
    /// A latched trip does not stand in the way: a zero that has drifted fails the self-test and trips, the currents of a
    /// calibration trip, and calibrating is the only way out of the former. The trip itself stays latched, over the next
    /// start too, and its reset wants insulation measured with the new values.
    ///
    /// # Errors
    /// [`CalibrationFault`]; the old one stays.
    pub fn keep_calibration(
        &mut self,
        values: Calibration,
        made_unix_s: Option<i64>,
    ) -> Result<(), CalibrationFault> {
        if !values.is_sound() {
            return Err(CalibrationFault::Unsound);
        }
        if values.id != values.number() {
            return Err(CalibrationFault::WrongNumber);
        }
        if !self.arm {
            return Err(CalibrationFault::NotArmed);
        }
        if !self.monitor.is_surely_open() {
            return Err(CalibrationFault::ContactorNotOpen);
        }
        let own = KeptCalibration {
            values,
            made_unix_s,
        };
        // A host that did not hear the answer asks again: no second write.
        if self.kept.calibration == Some(own) && !self.kept_unsure {
            return Ok(());
        }
        let kept = Kept {
            calibration: Some(own),
            ..self.kept
        };
        self.keep(kept).map_err(|fault| match fault {
            SettingsFault::NoRoomYet => CalibrationFault::NoRoomYet,
            // Never of an open contactor.
            SettingsFault::NotNow => CalibrationFault::ContactorNotOpen,
            _ => CalibrationFault::NotStored,
        })
    }

    /// What a host asks to be kept: a write of its own, twice when it does not read back, and perhaps behind that of an event.
    fn keep(&mut self, kept: Kept) -> Result<(), SettingsFault> {
        if !self.is_clear_for(3 * CAUGHT_UP_MS) {
            return Err(SettingsFault::NotNow);
        }
        let may_erase = self.permit() >= Permit::Erase;
        if !may_erase && !self.nv.has_room_to_save() {
            return Err(SettingsFault::NoRoomYet);
        }
        self.wrote_at = Some(self.monitor.now());
        if let Err(fault) = self.nv.save(&kept, may_erase) {
            self.kept_unsure |= fault != MemoryFault::Full;
            let now = self.monitor.now();
            self.nv.failed(self.monitor.journal_mut(), now, fault);
            return Err(SettingsFault::NotStored);
        }
        self.kept = kept;
        self.kept_unsure = false;
        Ok(())
    }

    /// What is kept in flash, the events apart.
    pub fn kept(&self) -> &Kept {
        &self.kept
    }

    /// The monitor, to look at.
    pub fn monitor(&self) -> &Monitor {
        &self.monitor
    }

    /// The flash, to look at.
    pub fn flash(&self) -> &F {
        self.nv.flash()
    }

    /// The converter, to look at.
    pub fn source(&self) -> &S {
        &self.source
    }

    /// The converter.
    pub fn source_mut(&mut self) -> &mut S {
        &mut self.source
    }

    /// See [`Monitor::rest`]; a frame on its way does not count, the link has its own time.
    pub fn rest(&self) -> Rest {
        self.monitor.rest()
    }

    /// See [`Monitor::quiet_reading`].
    pub fn quiet_reading(&mut self, dc: Amps, rms: Amps, v_pos: Volts, v_neg: Volts) -> Reading {
        self.monitor.quiet_reading(dc, rms, v_pos, v_neg)
    }

    /// See [`Monitor::skip_to`].
    pub fn skip_to(&mut self, at: SampleIndex) {
        self.monitor.skip_to(at);
    }

    /// The supply goes away: only what is in flash stays.
    pub fn into_flash(self) -> F {
        self.nv.into_flash()
    }
}
