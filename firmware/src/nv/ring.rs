//! The log of events in flash: a ring of erase blocks ("pages"), written in places of one size.
//!
//! ```text
//! page   ┌──────┬───────┬───────┬───────┬──   a place is 64 bytes: postcard, filled up with FF, CRC-32C last
//!        │ head │ event │ event │ acked │ …   a unit is what one write fills: one place, or four where words are 256 bytes
//!        └──────┴───────┴───────┴───────┴──
//! order of the pages: the number in their heads · order within: the address · one number ("serial") for each event
//! ```
//!
//! Why a log of our own and not the crate `sequential-storage` (8.0.2 looked at). Its items have lengths of their own, so a
//! torn header is skipped a word at a time, and what is written behind it can make a header of the rubble and itself: an
//! acknowledged write is gone after two power cuts (its issue 136, open; `tests/power_cuts_elsewhere.rs` shows it for its
//! map and its queue). Its queue gives up its oldest item only by overwriting it, and one call erases whenever it likes. Here:
//!
//! - every place begins at a multiple of its size: it is blank, whole or torn, and nothing depends on its neighbours;
//! - nothing is ever written twice between two erases, so flash with check bits of its own will do;
//! - a page gets its head after its erase has ended: without a head it is erased again, however blank it reads;
//! - what was written is read back; what differs is written again into the next unit, same bytes, same serials;
//! - a page is erased only when every event in it is acknowledged and a record outside it says so;
//! - one call does one write of at most [`UNIT_MAX`] bytes, or one erase, and the caller says which is allowed now.
//!
//! A serial that is missing between two that are there is an event lost, and is told.

use embedded_storage::nor_flash::NorFlash;
use ohmward_proto::checksum::CRC;
use ohmward_proto::event::{Event, EventId, MemoryFault};
use serde::{Deserialize, Serialize};

/// Bytes of a place. The longest event takes 51 with its serial (a test below); a check sum more is 55.
pub const PLACE: usize = 64;
/// Longest unit: the largest write size that a flash may have.
pub const UNIT_MAX: usize = 256;
/// Most pages that are used.
pub const PAGES_MAX: usize = 32;
/// So many make a page one that is left out, until all are.
const FAULTS_MAX: u8 = 3;
/// Places read in one call.
const READ_MAX: usize = 4;
/// Writes in a row that fail until a unit, or a page where they leave traces, is left.
const FAILED_MAX: u8 = 4;
/// Marks a head of this layout.
const LAYOUT: u32 = 0x4F57_5201;

#[derive(Serialize, Deserialize)]
enum Place {
    Head {
        layout: u32,
        order: u32,
        acked_below: u32,
        next_serial: u32,
    },
    Event {
        serial: u32,
        event: Event,
    },
    Acked {
        below: u32,
    },
}

enum Seen {
    Blank,
    Torn,
    Whole(Place),
}

/// What a read of the log gave.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Read {
    /// The next event and its serial.
    Event(u32, Event),
    /// So many events are damaged.
    Lost(u32),
    /// Nothing in the places looked at; there is more.
    More,
    /// Every event in flash has been read.
    End,
}

#[derive(Clone, Copy, Default, Debug)]
struct Page {
    /// Number in its head, from 1; 0 = no head: to be erased.
    order: u32,
    /// Serial after its last event.
    end: u32,
    /// Erases, or writes of its head, that failed in this run.
    faults: u8,
}

#[derive(Clone, Copy, Default, Debug)]
struct At {
    page: usize,
    /// Byte within the page.
    offset: usize,
}

/// What the next write puts there, kept until it reads back.
#[derive(Debug)]
struct Staged {
    bytes: [u8; UNIT_MAX],
    events: heapless::Vec<EventId, { UNIT_MAX / PLACE }>,
    acked_below: Option<u32>,
}

/// The ring, as it was found and as it has grown since.
#[derive(Debug)]
pub struct Ring {
    /// Address of the first page.
    base: u32,
    page_size: usize,
    unit: usize,
    count: usize,
    pages: [Page; PAGES_MAX],
    /// Where the next unit goes; `None` before any page has a head.
    write: Option<At>,
    /// Order of the page that was last written to and shows it: after a cut, writing goes on there or behind it.
    written_order: u32,
    next_serial: u32,
    read: At,
    read_serial: u32,
    /// As the newest record in flash says, and the page that record is in.
    acked_below: u32,
    /// `None`: it is in the slots.
    acked_in: Option<usize>,
    staged: Option<Staged>,
    failed: u8,
    /// Highest boot count of any event in flash.
    newest_boot: u32,
}

fn encode(place: &Place, into: &mut [u8]) -> Result<(), MemoryFault> {
    let (body, sum) = into.split_last_chunk_mut::<4>().ok_or(MemoryFault::Write)?;
    body.fill(0xFF);
    postcard::to_slice(place, body).map_err(|_| MemoryFault::Write)?;
    *sum = CRC.checksum(body).to_le_bytes();
    Ok(())
}

fn decode(bytes: &[u8; PLACE]) -> Seen {
    if bytes.iter().all(|&b| b == 0xFF) {
        return Seen::Blank;
    }
    match bytes.split_last_chunk::<4>() {
        Some((body, sum)) if CRC.checksum(body) == u32::from_le_bytes(*sum) => {
            postcard::take_from_bytes(body).map_or(Seen::Torn, |(place, _)| Seen::Whole(place))
        }
        _ => Seen::Torn,
    }
}

impl Ring {
    /// Whether a ring fits behind the first `first` blocks of such a flash.
    pub fn fits<F: NorFlash>(flash: &F, first: usize) -> bool {
        let unit = F::WRITE_SIZE.max(PLACE);
        unit <= UNIT_MAX
            && unit.is_multiple_of(F::WRITE_SIZE)
            && PLACE.is_multiple_of(F::READ_SIZE)
            && F::ERASE_SIZE.is_multiple_of(unit)
            && F::ERASE_SIZE >= 4 * unit
            && flash.capacity() >= (first + 3) * F::ERASE_SIZE
    }

    /// Reads the whole ring: where it goes on, and what nobody has acknowledged. `acked_below`: as the slots know it.
    pub fn open<F: NorFlash>(
        flash: &mut F,
        first: usize,
        acked_below: u32,
    ) -> Result<Self, MemoryFault> {
        let mut ring = Self {
            base: (first * F::ERASE_SIZE) as u32,
            page_size: F::ERASE_SIZE,
            unit: F::WRITE_SIZE.max(PLACE),
            count: (flash.capacity() / F::ERASE_SIZE)
                .saturating_sub(first)
                .min(PAGES_MAX),
            pages: [Page::default(); PAGES_MAX],
            write: None,
            written_order: 0,
            next_serial: acked_below,
            read: At::default(),
            read_serial: 0,
            acked_below,
            acked_in: None,
            staged: None,
            failed: 0,
            newest_boot: 0,
        };
        // Order of the newest page with anything behind its head, and where that ends.
        let mut newest: Option<(u32, At)> = None;
        for page in 0..ring.count {
            if let Some((order, end)) = ring.look_at(flash, page)?
                && end.offset > ring.unit
                && newest.is_none_or(|(best, _)| order > best)
            {
                newest = Some((order, end));
            }
        }
        ring.written_order = newest.map_or(0, |(order, _)| order);
        ring.write = newest.map(|(_, end)| end).or_else(|| {
            let page = ring.page_after(0)?;
            let offset = ring.unit;
            Some(At { page, offset })
        });
        ring.read_serial = ring.acked_below;
        // The first page that can hold an event nobody has acknowledged.
        let mut order = 0;
        while let Some(page) = ring.page_after(order) {
            ring.read = At {
                page,
                offset: ring.unit,
            };
            order = ring.page(page).order;
            if ring.page(page).end > ring.acked_below {
                break;
            }
        }
        Ok(ring)
    }

    /// Reads a page at start: its order, and where its first unused unit begins.
    fn look_at<F: NorFlash>(
        &mut self,
        flash: &mut F,
        page: usize,
    ) -> Result<Option<(u32, At)>, MemoryFault> {
        let head = self.look(flash, At { page, offset: 0 })?;
        let Seen::Whole(Place::Head {
            layout: LAYOUT,
            order,
            acked_below,
            next_serial,
        }) = head
        else {
            return Ok(None);
        };
        self.note_acked(acked_below, page);
        self.next_serial = self.next_serial.max(next_serial).max(acked_below);
        let mut end = 0;
        let mut used = PLACE;
        for offset in (self.unit..self.page_size).step_by(PLACE) {
            match self.look(flash, At { page, offset })? {
                Seen::Blank => continue,
                Seen::Whole(Place::Event { serial, event }) => {
                    self.newest_boot = self.newest_boot.max(event.id.boot);
                    end = end.max(serial.saturating_add(1));
                }
                Seen::Whole(Place::Acked { below }) => self.note_acked(below, page),
                Seen::Whole(Place::Head { .. }) | Seen::Torn => {}
            }
            used = offset + PLACE;
        }
        self.next_serial = self.next_serial.max(end).max(self.acked_below);
        if let Some(slot) = self.pages.get_mut(page) {
            slot.order = order;
            slot.end = end;
        }
        let offset = used.next_multiple_of(self.unit);
        Ok(Some((order, At { page, offset })))
    }

    fn look<F: NorFlash>(&self, flash: &mut F, at: At) -> Result<Seen, MemoryFault> {
        let mut bytes = [0; PLACE];
        flash
            .read(self.address(at), &mut bytes)
            .map_err(|_| MemoryFault::Read)?;
        Ok(decode(&bytes))
    }

    /// `>=`: of two records of one number the later one outlives the other's page.
    fn note_acked(&mut self, below: u32, page: usize) {
        if below >= self.acked_below {
            self.acked_below = below;
            self.acked_in = Some(page);
        }
    }

    /// The slots say now that events below this are acknowledged.
    pub fn acked_in_slots(&mut self, below: u32) {
        self.acked_below = below;
        self.acked_in = None;
    }

    fn address(&self, at: At) -> u32 {
        self.base + (at.page * self.page_size + at.offset) as u32
    }

    fn page(&self, page: usize) -> Page {
        self.pages.get(page).copied().unwrap_or_default()
    }

    /// The page with the next higher order.
    fn page_after(&self, order: u32) -> Option<usize> {
        (0..self.count)
            .filter(|&p| self.page(p).order > order)
            .min_by_key(|&p| self.page(p).order)
    }

    fn newest_page(&self) -> Option<usize> {
        (0..self.count)
            .filter(|&p| self.page(p).order > 0)
            .max_by_key(|&p| self.page(p).order)
    }

    /// Order of the page that is written to.
    fn write_order(&self) -> u32 {
        self.write.map_or(0, |at| self.page(at.page).order)
    }

    /// Nothing in it that is still wanted.
    fn is_free(&self, page: usize, acked_below: u32) -> bool {
        let Page { order, end, .. } = self.page(page);
        order == 0 || (order < self.written_order && end <= acked_below)
    }

    fn units_in_page(&self) -> usize {
        self.page_size / self.unit - 1
    }

    /// Units that can be written without an erase.
    pub fn ready(&self) -> usize {
        let Some(at) = self.write else { return 0 };
        let order = self.write_order();
        let spare = (0..self.count).filter(|&p| self.page(p).order > order);
        self.page_size.saturating_sub(at.offset) / self.unit + spare.count() * self.units_in_page()
    }

    /// Events that can still be taken one at a time, erases included, once `acked_below` is written.
    pub fn room(&self, acked_below: u32) -> usize {
        let free = (0..self.count).filter(|&p| self.is_free(p, acked_below));
        self.ready() + free.count() * self.units_in_page()
    }

    /// The same of an empty ring.
    pub fn room_empty(&self) -> usize {
        self.count * self.units_in_page()
    }

    /// Events in flash that have not been read since the start.
    pub fn unread(&self) -> u32 {
        self.next_serial.saturating_sub(self.read_serial)
    }

    /// Serial of the next event that [`Self::read`] gives, or that is written when there is none to read.
    pub fn read_serial(&self) -> u32 {
        self.read_serial
    }

    /// Highest boot count that an event found at start has.
    pub fn newest_boot(&self) -> u32 {
        self.newest_boot
    }

    /// Every event below this is acknowledged, says flash.
    pub fn acked_below(&self) -> u32 {
        self.acked_below
    }

    /// The next event that has not been read, oldest first; looks at a few places only.
    pub fn read<F: NorFlash>(&mut self, flash: &mut F) -> Result<Read, MemoryFault> {
        for _ in 0..READ_MAX {
            if self.unread() == 0 {
                return Ok(Read::End);
            }
            let here = self.page(self.read.page).order;
            let at_end = self
                .write
                .is_none_or(|w| w.page == self.read.page && self.read.offset >= w.offset);
            if at_end || here == 0 || here > self.write_order() {
                let lost = self.unread();
                self.read_serial = self.next_serial;
                return Ok(Read::Lost(lost));
            }
            if self.read.offset >= self.page_size {
                self.read = At {
                    page: self.page_after(here).unwrap_or(self.read.page),
                    offset: self.unit,
                };
                continue;
            }
            let seen = self.look(flash, self.read)?;
            if let Seen::Whole(Place::Event { serial, event }) = seen
                && serial >= self.read_serial
            {
                let missing = serial - self.read_serial;
                self.read_serial = serial;
                if missing > 0 {
                    return Ok(Read::Lost(missing));
                }
                self.read_serial = serial.saturating_add(1);
                self.read.offset += PLACE;
                return Ok(Read::Event(serial, event));
            }
            self.read.offset += PLACE;
        }
        Ok(Read::More)
    }

    /// Something is staged: [`Self::write`] comes next.
    pub fn is_staged(&self) -> bool {
        self.staged.is_some()
    }

    /// How many events one unit takes.
    pub fn events_in_unit(&self) -> usize {
        self.unit / PLACE
    }

    /// Makes the next unit of these events, and of what is acknowledged where there is room for it.
    pub fn stage<'e>(
        &mut self,
        events: impl Iterator<Item = &'e Event>,
        acked_below: u32,
    ) -> Result<(), MemoryFault> {
        let mut staged = Staged {
            bytes: [0xFF; UNIT_MAX],
            events: heapless::Vec::new(),
            acked_below: None,
        };
        let unit = staged.bytes.get_mut(..self.unit).unwrap_or_default();
        let mut places = unit.chunks_exact_mut(PLACE);
        let mut serial = self.next_serial;
        for event in events.take(self.unit / PLACE) {
            let Some(place) = places.next() else { break };
            let event = *event;
            encode(&Place::Event { serial, event }, place)?;
            serial = serial.checked_add(1).ok_or(MemoryFault::Full)?;
            let _ = staged.events.push(event.id);
        }
        if acked_below > self.acked_below
            && let Some(place) = places.next()
        {
            encode(&Place::Acked { below: acked_below }, place)?;
            staged.acked_below = Some(acked_below);
        }
        if !staged.events.is_empty() || staged.acked_below.is_some() {
            self.staged = Some(staged);
        }
        Ok(())
    }

    /// Writes what is staged into the next unit and reads it back. Returns the events that are in flash now; the first has
    /// the serial [`Self::next_serial`] had before.
    ///
    /// # Errors
    /// The next call tries the unit after that. [`MemoryFault::Full`] when no erased unit is left.
    pub fn write<F: NorFlash>(
        &mut self,
        flash: &mut F,
    ) -> Result<heapless::Vec<EventId, { UNIT_MAX / PLACE }>, MemoryFault> {
        let Some(staged) = self.staged.as_ref() else {
            return Ok(heapless::Vec::new());
        };
        let mut at = self.write.ok_or(MemoryFault::Full)?;
        if at.offset + self.unit > self.page_size {
            at = At {
                page: self
                    .page_after(self.write_order())
                    .ok_or(MemoryFault::Full)?,
                offset: self.unit,
            };
        }
        if self.unread() == 0 {
            self.read = at;
        }
        let bytes = staged.bytes.get(..self.unit).unwrap_or_default();
        let written = write_and_check(flash, self.address(at), bytes);
        if let Err(fault) = written {
            self.failed = self.failed.saturating_add(1);
            let often = self.failed >= FAILED_MAX;
            // A unit that shows nothing of a write that was refused gets another chance.
            if self.is_blank(flash, at) && !often {
                // Stays.
            } else if self.is_blank(flash, at) || !often {
                at.offset += self.unit;
            } else {
                at.offset = self.page_size;
            }
            if often {
                self.failed = 0;
            }
            self.write = Some(at);
            return Err(fault);
        }
        self.failed = 0;
        at.offset += self.unit;
        self.write = Some(at);
        self.written_order = self.write_order();
        let Some(staged) = self.staged.take() else {
            return Ok(heapless::Vec::new());
        };
        self.next_serial += staged.events.len() as u32;
        if !staged.events.is_empty()
            && let Some(page) = self.pages.get_mut(at.page)
        {
            page.end = self.next_serial;
        }
        if let Some(below) = staged.acked_below {
            self.note_acked(below, at.page);
        }
        Ok(staged.events)
    }

    fn is_blank<F: NorFlash>(&self, flash: &mut F, at: At) -> bool {
        (at.offset..at.offset + self.unit)
            .step_by(PLACE)
            .all(|offset| {
                let place = At { offset, ..at };
                matches!(self.look(flash, place), Ok(Seen::Blank))
            })
    }

    /// Serial of the next event that is written.
    pub fn next_serial(&self) -> u32 {
        self.next_serial
    }

    /// The caller has kept what was written last: there is nothing to read any more.
    pub fn skip_to_end(&mut self) {
        self.read_serial = self.next_serial;
        self.read = self.write.unwrap_or_default();
    }

    /// The page that [`Self::prepare`] would erase.
    fn to_prepare(&self, acked_below: u32) -> Option<usize> {
        let after = self.newest_page().map_or(0, |p| p + 1);
        let page = (after..after + self.count)
            .map(|p| p % self.count)
            .find(|&p| self.page(p).faults < FAULTS_MAX)?;
        self.is_free(page, acked_below).then_some(page)
    }

    /// A page waits for its erase.
    pub fn wants_erase(&self) -> bool {
        self.to_prepare(self.acked_below).is_some()
    }

    /// One would, were `acked_below` written.
    pub fn would_want_erase(&self, acked_below: u32) -> bool {
        !self.wants_erase() && self.to_prepare(acked_below).is_some()
    }

    /// That page holds the record of what is acknowledged: write another one first.
    pub fn wants_record(&self) -> bool {
        self.to_prepare(self.acked_below)
            .is_some_and(|page| self.acked_in == Some(page) && self.acked_below > 0)
    }

    /// Makes the newest record of what is acknowledged anew.
    pub fn stage_record(&mut self) -> Result<(), MemoryFault> {
        let below = self.acked_below;
        let mut staged = Staged {
            bytes: [0xFF; UNIT_MAX],
            events: heapless::Vec::new(),
            acked_below: Some(below),
        };
        let place = staged.bytes.get_mut(..PLACE).unwrap_or_default();
        encode(&Place::Acked { below }, place)?;
        self.staged = Some(staged);
        Ok(())
    }

    /// Erases the next page that nobody wants any more, and gives it its head. An erase takes tens of milliseconds on real
    /// flash: not while anything is watched.
    pub fn prepare<F: NorFlash>(&mut self, flash: &mut F) -> Result<(), MemoryFault> {
        let Some(page) = self.to_prepare(self.acked_below) else {
            return Ok(());
        };
        let order = self
            .newest_page()
            .map_or(0, |p| self.page(p).order)
            .checked_add(1)
            .ok_or(MemoryFault::Erase)?;
        if self.read.page == page && self.unread() > 0 {
            // Read to its end: or it would not be free.
            self.read = At {
                page: self.page_after(self.page(page).order).unwrap_or(page),
                offset: self.unit,
            };
        }
        let faults = self.page(page).faults;
        // Without a head until everything has worked.
        let without = Page {
            faults: faults.saturating_add(1),
            ..Page::default()
        };
        self.set_page(page, without);
        if (0..self.count).all(|p| self.page(p).faults >= FAULTS_MAX) {
            for slot in &mut self.pages {
                slot.faults = 0;
            }
        }
        let head = Place::Head {
            layout: LAYOUT,
            order,
            acked_below: self.acked_below,
            next_serial: self.next_serial,
        };
        let from = self.address(At { page, offset: 0 });
        flash
            .erase(from, from + self.page_size as u32)
            .map_err(|_| MemoryFault::Erase)?;
        let mut bytes = [0xFF; UNIT_MAX];
        encode(&head, bytes.get_mut(..PLACE).unwrap_or_default())?;
        write_and_check(flash, from, bytes.get(..self.unit).unwrap_or_default())?;
        let headed = Page {
            order,
            ..Page::default()
        };
        self.set_page(page, headed);
        self.note_acked(self.acked_below, page);
        if self.write.is_none() {
            let offset = self.unit;
            self.write = Some(At { page, offset });
            self.skip_to_end();
        }
        Ok(())
    }

    fn set_page(&mut self, page: usize, to: Page) {
        if let Some(slot) = self.pages.get_mut(page) {
            *slot = to;
        }
    }
}

/// Writes, reads back, compares.
pub fn write_and_check<F: NorFlash>(
    flash: &mut F,
    address: u32,
    bytes: &[u8],
) -> Result<(), MemoryFault> {
    flash
        .write(address, bytes)
        .map_err(|_| MemoryFault::Write)?;
    let mut at = address;
    for wanted in bytes.chunks(PLACE) {
        let mut there = [0; PLACE];
        let there = there.get_mut(..wanted.len()).unwrap_or_default();
        flash.read(at, there).map_err(|_| MemoryFault::Read)?;
        if there != wanted {
            return Err(MemoryFault::Write);
        }
        at += wanted.len() as u32;
    }
    Ok(())
}
