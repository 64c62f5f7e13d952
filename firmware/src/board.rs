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
use link::INBOX;
use ohmward_proto::decoder::Decoder;
use ohmward_proto::event::{MemoryFault, TripCause};
use ohmward_proto::frame::MAX_FRAME;
use ohmward_proto::measure::Reading;
use ohmward_proto::message::LinkStats;
use ohmward_proto::settings::{Calibration, CalibrationFault, Settings, SettingsFault};
use ohmward_proto::units::{Amps, SampleIndex, Volts};

mod link;

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

/// A board whose flash has been read and whose settings are sound; see [`Board::open`].
#[must_use]
pub struct Opened<S, O, I, F, L> {
    source: S,
    pins: Pins<O, I>,
    nv: Nv<F>,
    kept: Kept,
    link: L,
    memory: InPlace<Memory>,
    identity: Identity,
    design: Calibration,
    calibration: Calibration,
    window: usize,
}

impl<S, O, I, F, L> Opened<S, O, I, F, L> {
    /// The board, to be begun: [`Board::begin`].
    #[inline(never)]
    pub fn board(self) -> Board<S, O, I, F, L> {
        let (memory, frame) = memory::split(self.memory);
        Board {
            source: self.source,
            pins: self.pins,
            nv: self.nv,
            design: self.design,
            calibrated_unix_s: self.kept.calibration.and_then(|own| own.made_unix_s),
            kept: self.kept,
            kept_unsure: false,
            save_again: SampleIndex(0),
            wrote_at: None,
            link: self.link,
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
            monitor: Monitor::placed(
                self.identity,
                self.kept.settings,
                self.calibration,
                self.window,
                memory,
            ),
        }
    }
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
    pub fn start(
        parts: Parts<S, O, I, F, L>,
        identity: Identity,
        defaults: Settings,
        calibration: Calibration,
    ) -> Result<Self, BoardFault<S::Error>> {
        let mut board = Self::open(parts, identity, defaults, calibration)?.board();
        board.begin();
        Ok(board)
    }

    /// The first part of [`Self::start`], all that can fail: for a chip, on which a board that is made, wrapped and handed on
    /// would take its size on the stack each time. Then [`Opened::board`] where the board stays, and [`Self::begin`].
    ///
    /// # Errors
    /// As [`Self::start`].
    #[inline(never)]
    // The parts of a board, as everywhere here.
    #[allow(clippy::type_complexity)]
    pub fn open(
        parts: Parts<S, O, I, F, L>,
        identity: Identity,
        defaults: Settings,
        calibration: Calibration,
    ) -> Result<Opened<S, O, I, F, L>, BoardFault<S::Error>> {
        let not_stored = BoardFault::Start(SettingsFault::NotStored);
        let Ok((mut nv, found)) = Nv::open(parts.flash) else {
            return Err(not_stored);
        };
        let kept = match found {
            Found::Kept(kept) if kept.settings.check().is_ok() && kept.is_measurable() => kept,
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
                calibration: kept.calibration.filter(|_| kept.is_measurable()),
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
        let design = calibration;
        let calibration = kept.calibration.map_or(design, |own| own.values);
        let identity = Identity {
            boot: kept.boot,
            ..identity
        };
        let window = Monitor::window_for(&identity, &kept.settings, &calibration)
            .map_err(BoardFault::Start)?;
        Ok(Opened {
            source: parts.source,
            pins: parts.pins,
            nv,
            kept,
            design,
            link: parts.link,
            memory: parts.memory,
            identity,
            calibration,
            window,
        })
    }

    /// The last part of [`Self::start`], before the first sample.
    pub fn begin(&mut self) {
        let prepared = self.nv.prepare(PAGES_AT_START);
        self.monitor.begin();
        if let Some(cause) = self.kept.tripped {
            // Trips that had been reset when the supply went away are over: a board without power at night would count
            // them for ever.
            self.monitor.keep_counting(self.kept.trips);
            self.monitor.start_tripped(cause);
        }
        let now = self.monitor.now();
        if let Err(fault) = prepared {
            self.nv.failed(self.monitor.journal_mut(), now, fault);
        }
        self.nv.serve(self.monitor.journal_mut(), now, Permit::Read);
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
        let now = monitor.now();
        if !self.trip_unkept() && !self.nv.wants_write(monitor.journal(), now) {
            return Permit::Read;
        }
        let passed = |since: Option<SampleIndex>, ms: u64| {
            since.is_some_and(|since| now.since(since) >= monitor.samples(ms))
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
