//! Writing the ring: units of events, records of what is acknowledged, pages made ready.

use super::place::{PLACE, Place, Seen, encode, write_and_check};
use super::{At, FAILED_MAX, FAULTS_MAX, LAYOUT, Page, Ring, Staged, UNIT_MAX};
use embedded_storage::nor_flash::NorFlash;
use ohmward_proto::event::{Event, EventId, MemoryFault};

impl Ring {
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
