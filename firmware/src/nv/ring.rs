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
use ohmward_proto::event::{Event, EventId, MemoryFault};
use place::{Place, Seen, decode};

mod place;
mod write;

pub use place::{PLACE, write_and_check};

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
}
