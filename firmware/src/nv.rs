//! What survives a power cut: settings, boot count, calibration and trip in two slots (`nv/slots.rs`), events in a ring
//! behind them (`nv/ring.rs`).
//!
//! A board's flash is reached by `embedded-storage`'s NOR traits: the first two erase blocks are the slots, what follows is
//! the ring. Geometry: writes of at most 256 bytes, erase blocks of a multiple of that, at least five of them (an RP2040's
//! flash: words of 256, blocks of 4096; a flash in RAM: words of 4).
//!
//! # What one call costs
//!
//! Flash is never touched between a sample and the outputs that answer it. [`Nv::serve`] is called afterwards and does at
//! most one of: a write of 64 bytes (256 where words are that long) and reading it back; an erase of one block and the
//! write of its head. [`Nv::save`] writes 256 bytes, twice when they do not read back. Each call may also read four places of 64 bytes. [`Permit`] says what is allowed now: on real flash a
//! write stops an RP2040 for 0.4 ms, 3 ms at most, an erase for 45 ms, 400 ms at most (values from memory, of the usual
//! serial NOR chips), so erases have to wait until the contactor is open and nothing is measured. A board's converter has
//! to buffer as many samples as three writes take, and a step to take half a sample's time at most.
//!
//! # When it is written
//!
//! While the contactor is closed a write begins only when nothing that has begun could trip within [`CAUGHT_UP_MS`]
//! ([`Monitor::soonest_trip`](crate::Monitor::soonest_trip)), and not sooner than that after the write before. So no trip is
//! ever late by a write; but one whose fault begins while the write lasts, and needs no hold time, by 1 ms and what catching up
//! takes: 3 ms at most. An event for which there is no such gap within [`HELD_BACK_MS_MAX`] is written all the same, for only a
//! value that plays about its limit holds a trip near for so long; that trip may be late by a write, 3 ms. A trip that a host
//! asks for, too. What a host wants saved waits in the same way for three times as long a gap, and is refused otherwise.
//!
//! # What a cut leaves
//!
//! Settings, boot count, calibration and trip: the old record or the new one. Events: all that had been written, and of those
//! the ones not acknowledged come again. Acknowledgements are written late, [`ACKED_LATE_SAMPLES`] or [`ACKED_MANY`] of them:
//! an event may come twice after a cut, under its own number, never not at all. Events that were not yet written when the
//! supply went are lost. That is what happened within [`in_ram_ms_max`] before: 120 ms, and 6 ms for each event that is not
//! there yet either; almost always it is one sample. It holds while flash works and has erased room.
//!
//! # Room for settings
//!
//! A block of a slot holds 16 records at 4096 bytes. The other block is erased when the contactor has been open since the last
//! change of blocks (at once with eight places left or fewer, else from ten seconds after the start on). So a connected board
//! takes 12 to 27 saves from a host, 5 or more before it has been open for a while in this run; the last four places are for
//! trips. After that it answers [`SettingsFault::NoRoomYet`](ohmward_proto::settings::SettingsFault::NoRoomYet) until it opens.

use crate::journal::{Backing, Journal};
use embedded_storage::nor_flash::NorFlash;
use ohmward_proto::event::{EventKind, MemoryFault, TripCause};
use ohmward_proto::settings::{Calibration, Settings};
use ohmward_proto::units::SampleIndex;
use ring::{Read, Ring};
use serde::{Deserialize, Serialize};
use slots::Slots;

mod ring;
mod slots;

pub use slots::Found;

/// How long a write may stop the processor, in ms: the longest of usual serial NOR chips (value from memory).
pub const WRITE_MS_MAX: u64 = 3;
/// After so long, in ms, a board whose step takes at most half a sample's time has taken through all that came meanwhile.
pub const CAUGHT_UP_MS: u64 = 2 * WRITE_MS_MAX;
/// While the array is connected an event waits in RAM at most this long, in ms, for a trip that could fall. All that can be
/// near a trip either trips or is over by then: five mains cycles of a sudden change are the longest, 109 ms at 46 Hz. What
/// is left is a value that plays about its limit, and holds the timer just short of its end.
pub const HELD_BACK_MS_MAX: u64 = 120;

/// From an event's making until it is in flash, in ms at most, with so many events before it that are not there either.
/// As long as flash works and has erased room. The trip record and a record that was under way go first.
pub const fn in_ram_ms_max(before: usize) -> u64 {
    HELD_BACK_MS_MAX + (before as u64 + 3) * CAUGHT_UP_MS
}

/// Number of the first run of a board whose flash is blank. `drawn`: by lot at this start, from whatever the board has that is
/// never the same twice (a noise generator, a clock on the wall).
///
/// A board that begins again from 1 once its flash has been erased gives new events the numbers of old ones, and a host takes
/// what it finds in its store for what it has. Of 2^31 numbers to begin with two lives of 5000 starts each meet in one case of
/// 200 000 (2 · 5000 / 2^31, arithmetic). The upper half is for boards that lost their count, see [`crate::board`].
pub const fn first_boot(drawn: u32) -> u32 {
    match drawn & (u32::MAX >> 1) {
        0 => 1,
        boot => boot,
    }
}

/// Erase blocks that the slots take.
const SLOT_BLOCKS: usize = 2;
/// Acknowledgements are written when the oldest of them is a minute old, at 4 kS/s,
pub const ACKED_LATE_SAMPLES: u64 = 240_000;
/// or when there are so many.
pub const ACKED_MANY: u32 = 16;
/// Events that the ring keeps room for when it refuses frequent ones; a quarter of a ring that is small.
const RESERVED: usize = 24;
/// Units for other things than events: the last one is for the record that sets pages free.
const KEPT_FREE: usize = 1;
/// Failures that are followed by another try at once; then after a quarter of a second, doubled up to a minute.
const AT_ONCE: u32 = 4;
const AGAIN_SAMPLES: u64 = 1000;
const AGAIN_DOUBLED_MAX: u32 = 8;
/// A minute, at 4 kS/s, without a failure: then flash works again. Events about flash are written to it, too: without this
/// one that fails now and then would fill itself with them.
const WORKS_SAMPLES: u64 = 240_000;

/// What is kept of a board.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Kept {
    /// Starts so far.
    pub boot: u32,
    /// Settings in force.
    pub settings: Settings,
    /// A trip that nobody has reset yet: a power cut does not clear it.
    pub tripped: Option<TripCause>,
    /// Trips that count towards the lock-out: a power cut does not forget them either.
    pub trips: u8,
    /// This board's own calibration; `None`: it was never calibrated, the design values hold.
    pub calibration: Option<KeptCalibration>,
}

impl Kept {
    /// A board can measure with its calibration, if it has one: another firmware may have kept it.
    pub(crate) fn is_measurable(&self) -> bool {
        self.calibration.is_none_or(|own| own.values.is_sound())
    }
}

/// A calibration, and when it was made.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct KeptCalibration {
    /// Its values and its number.
    pub values: Calibration,
    /// Unix time in seconds, as whoever calibrated told.
    pub made_unix_s: Option<i64>,
}

/// What flash may be used for right now.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Permit {
    /// A trip could fall, or the samples of the last write are still being caught up with: reading only.
    Read,
    /// Short work: writes.
    Write,
    /// Nothing is watched or measured that an erase could disturb.
    Erase,
}

/// Why a flash cannot be used at all.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum OpenError {
    /// Its erase blocks or write size do not fit; see [`crate::nv`].
    Geometry,
    /// The slots cannot be read.
    Unreadable,
}

/// The flash, and what is known of it.
#[derive(Debug)]
pub struct Nv<F> {
    flash: F,
    slots: Slots,
    /// `None`: it could not be read at start.
    ring: Option<Ring>,
    /// As saved last.
    kept: Option<Kept>,
    told: Option<MemoryFault>,
    /// Since then everything that was tried has worked.
    works_since: Option<SampleIndex>,
    failures: u32,
    not_before: SampleIndex,
    acked: Option<AckedUnwritten>,
    /// How things were when there was nothing to do.
    idle: Option<Idle>,
}

/// Something is acknowledged and not written.
#[derive(Clone, Copy, Debug)]
struct AckedUnwritten {
    since: SampleIndex,
    /// It is much, or its room is wanted.
    hurry: bool,
}

impl AckedUnwritten {
    fn due(self, now: SampleIndex) -> bool {
        self.hurry || now.since(self.since) >= ACKED_LATE_SAMPLES
    }
}

/// What could give work: places taken in the journal, serials read and acknowledged, permit.
type Idle = ((usize, usize), u32, u32, Permit);

impl<F: NorFlash> Nv<F> {
    /// Reads slots and ring.
    ///
    /// # Errors
    /// [`OpenError`]. A ring that cannot be read is no error: events stay in RAM then, and that is told.
    pub fn open(mut flash: F) -> Result<(Self, Found), OpenError> {
        if !Slots::fits::<F>() || !Ring::fits(&flash, SLOT_BLOCKS) {
            return Err(OpenError::Geometry);
        }
        let (slots, found, acked_below) =
            Slots::open(&mut flash).map_err(|_| OpenError::Unreadable)?;
        let ring = Ring::open(&mut flash, SLOT_BLOCKS, acked_below).ok();
        let nv = Self {
            flash,
            slots,
            ring,
            kept: match found {
                Found::Kept(kept) => Some(kept),
                Found::Nothing | Found::Damaged { .. } => None,
            },
            told: None,
            works_since: None,
            failures: 0,
            not_before: SampleIndex(0),
            acked: None,
            idle: None,
        };
        Ok((nv, found))
    }

    /// Highest boot count that any event in the ring has.
    pub fn newest_boot(&self) -> u32 {
        self.ring.as_ref().map_or(0, Ring::newest_boot)
    }

    /// Writes a new record beside the newest one; erases a slot for it only when `may_erase`.
    ///
    /// # Errors
    /// [`MemoryFault::Full`]: there is no place without an erase. After any other the old record or this one may be found at
    /// the next start: save again what is to hold.
    pub fn save(&mut self, kept: &Kept, may_erase: bool) -> Result<(), MemoryFault> {
        self.idle = None;
        let acked = self.ring.as_ref().map_or(0, Ring::acked_below);
        let flash = &mut self.flash;
        match self.slots.save(flash, kept, acked, may_erase) {
            // A cut that left no trace to see may have weakened the place: the next one.
            Err(MemoryFault::Write) => self.slots.save(flash, kept, acked, may_erase)?,
            done => done?,
        }
        self.kept = Some(*kept);
        Ok(())
    }

    /// [`Self::save`] would need no erase, and would leave room for trips.
    pub fn has_room_to_save(&self) -> bool {
        self.slots.has_room::<F>()
    }

    /// Work that can take long, before anything is watched: erases up to `pages` pages of the ring.
    pub fn prepare(&mut self, pages: usize) -> Result<(), MemoryFault> {
        let Some(ring) = &mut self.ring else {
            return Err(MemoryFault::Read);
        };
        for _ in 0..pages {
            if !ring.wants_record() {
                ring.prepare(&mut self.flash)?;
            }
        }
        Ok(())
    }

    /// Moves events between the journal and flash, a little at a time. What fails becomes an event, once, and is tried again.
    /// True when it has written or erased, or tried to.
    pub fn serve(&mut self, journal: &mut Journal, now: SampleIndex, permit: Permit) -> bool {
        if now < self.not_before {
            return false;
        }
        // Most of the time nothing is: one look, not a walk over all pages, after every sample.
        let read = self.ring.as_ref().map_or(0, Ring::read_serial);
        let idle = (journal.fill(), read, journal.acked_below(read), permit);
        if self.told.is_none() && self.idle == Some(idle) && !self.acks_due(now) {
            return false;
        }
        self.idle = None;
        let done = self.work(journal, now, permit);
        match done {
            Ok(Done::Nothing) => {
                let reading = self.ring.as_ref().is_some_and(|r| r.unread() > 0);
                self.idle = (!reading || !journal.has_window()).then_some(idle);
            }
            Ok(Done::Something) => self.worked(now),
            Err(fault) => self.failed(journal, now, fault),
        }
        self.tell_works(journal, now);
        let backing = match &self.ring {
            Some(ring) if self.told != Some(MemoryFault::Read) => {
                let low = journal.acked_below(ring.read_serial());
                let reserve = RESERVED.min(ring.room_empty() / 4);
                Some(Backing {
                    room_for_frequent: ring.room(low).saturating_sub(reserve),
                    behind_window: ring.unread(),
                })
            }
            _ => None,
        };
        journal.back(backing);
        !matches!(done, Ok(Done::Nothing))
    }

    /// Events could be written now, or what is acknowledged of them has waited for long enough.
    pub fn wants_write(&self, journal: &Journal, now: SampleIndex) -> bool {
        self.ring
            .as_ref()
            .is_some_and(|ring| journal.fresh_len() > 0 || ring.is_staged() || self.acks_due(now))
    }

    fn acks_due(&self, now: SampleIndex) -> bool {
        self.acked.is_some_and(|acked| acked.due(now))
    }

    /// Something did not work: told once, tried again after a while that grows.
    pub fn failed(&mut self, journal: &mut Journal, now: SampleIndex, fault: MemoryFault) {
        // In a journal without a place it is told at the next failure.
        if matches!(self.told, None | Some(MemoryFault::Full))
            && journal
                .note_own(now, EventKind::MemoryFailed(fault))
                .is_some()
        {
            self.told = Some(fault);
        }
        self.works_since = None;
        self.failures = self.failures.saturating_add(1);
        if self.failures >= AT_ONCE {
            let doubled = (self.failures - AT_ONCE).min(AGAIN_DOUBLED_MAX);
            self.not_before = now.after(AGAIN_SAMPLES << doubled);
        }
    }

    /// A write or an erase has worked.
    pub fn worked(&mut self, now: SampleIndex) {
        self.failures = 0;
        self.works_since.get_or_insert(now);
    }

    /// Tells when a fault is over.
    fn tell_works(&mut self, journal: &mut Journal, now: SampleIndex) {
        let over = match (self.told, self.works_since) {
            (None, _) | (_, None) => false,
            (Some(MemoryFault::Full), _) => {
                // Half of it: or what has waited in RAM fills it again at once.
                let ring = self.ring.as_ref();
                ring.is_some_and(|ring| ring.ready() * 2 >= ring.room_empty())
            }
            (Some(_), Some(since)) => now.since(since) >= WORKS_SAMPLES,
        };
        if over && journal.note_own(now, EventKind::MemoryWorks).is_some() {
            self.told = None;
        }
    }

    fn work(
        &mut self,
        journal: &mut Journal,
        now: SampleIndex,
        permit: Permit,
    ) -> Result<Done, MemoryFault> {
        let flash = &mut self.flash;
        let ring = self.ring.as_mut().ok_or(MemoryFault::Read)?;
        if journal.has_window() && ring.unread() > 0 {
            match ring.read(flash)? {
                Read::Event(serial, event) => journal.take_in(serial, event),
                Read::Lost(count) => journal.lost(now, count),
                Read::More | Read::End => {}
            }
        }
        let low = journal.acked_below(ring.read_serial());
        self.acked = (low > ring.acked_below()).then(|| AckedUnwritten {
            since: self.acked.map_or(now, |acked| acked.since),
            hurry: low - ring.acked_below() >= ACKED_MANY || ring.would_want_erase(low),
        });
        let acks_due = self.acked.is_some_and(|acked| acked.due(now));
        if permit < Permit::Write {
            return Ok(Done::Nothing);
        }
        let may_erase = permit >= Permit::Erase;
        let ready = ring.ready();
        if may_erase && ready <= KEPT_FREE + 1 {
            if ring.wants_erase() && !ring.wants_record() {
                ring.prepare(flash)?;
                return Ok(Done::Something);
            }
            // Cuts have eaten the room for the record that sets pages free: the slots take it.
            if ready == 0
                && (ring.wants_record() || ring.would_want_erase(low))
                && let Some(kept) = &self.kept
            {
                self.slots.save(flash, kept, low, true)?;
                ring.acked_in_slots(low);
                return Ok(Done::Something);
            }
        }
        if !ring.is_staged() {
            if ready > KEPT_FREE && journal.fresh_len() > 0 {
                if ready == KEPT_FREE + 1 && self.told.is_none() {
                    // The last that fits says so, with what fits beside it.
                    self.told = journal
                        .note_own(now, EventKind::MemoryFailed(MemoryFault::Full))
                        .map(|_| MemoryFault::Full);
                    let beside = ring.events_in_unit() - 1;
                    let events = journal.fresh().take(beside.min(journal.fresh_len() - 1));
                    ring.stage(events.chain(journal.newest_fresh()), low)?;
                } else {
                    ring.stage(journal.fresh(), low)?;
                }
            } else if acks_due && (ready > KEPT_FREE || ring.would_want_erase(low)) {
                ring.stage(core::iter::empty(), low)?;
            } else if may_erase && ring.wants_record() {
                ring.stage_record()?;
            }
        }
        if ring.is_staged() && ready > 0 {
            let (serial, behind) = (ring.next_serial(), ring.unread() > 0);
            let ids = ring.write(flash)?;
            if !ids.is_empty() && journal.written(&ids, serial, behind) {
                ring.skip_to_end();
            }
            return Ok(Done::Something);
        }
        if may_erase && self.slots.wants_erase::<F>(now) {
            self.slots.erase_other(flash)?;
            return Ok(Done::Something);
        }
        if may_erase && ring.wants_erase() && !ring.wants_record() {
            ring.prepare(flash)?;
            return Ok(Done::Something);
        }
        Ok(Done::Nothing)
    }

    /// Gives the flash back.
    pub fn into_flash(self) -> F {
        self.flash
    }

    /// The flash, to look at.
    pub fn flash(&self) -> &F {
        &self.flash
    }

    /// The flash, to break it.
    pub fn flash_mut(&mut self) -> &mut F {
        &mut self.flash
    }
}

#[derive(Clone, Copy)]
enum Done {
    Nothing,
    Something,
}
