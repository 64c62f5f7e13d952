//! What is on for a while: buttons, welds, shade, people, lifted soil.

use crate::fault::at_hours;
use ohmward_proto::SampleIndex;
use std::ops::Range;

/// A button, a weld, a shadow: on during these samples.
pub(super) struct Spell<T> {
    pub what: T,
    pub during: Range<SampleIndex>,
}

impl<T> Spell<T> {
    pub fn hours(what: T, from_h: f64, to_h: Option<f64>, rate: u32) -> Self {
        let to = to_h.map_or(SampleIndex(u64::MAX), |h| at_hours(h, rate));
        let during = at_hours(from_h, rate)..to;
        Self { what, during }
    }

    pub fn seconds(what: T, at_h: f64, for_s: f64, rate: u32) -> Self {
        let from = at_hours(at_h, rate);
        let samples = (for_s * f64::from(rate)).round().max(1.0) as u64;
        let during = from..from.after(samples);
        Self { what, during }
    }
}

/// Spells that change the circuit, and which of them are on.
pub(super) struct Spells<T> {
    all: Vec<Spell<T>>,
    on: Vec<bool>,
}

impl<T> Spells<T> {
    pub fn new(all: impl Iterator<Item = Spell<T>>) -> Self {
        let all: Vec<_> = all.collect();
        let on = vec![false; all.len()];
        Self { all, on }
    }

    /// Goes on to `now`; true if any began or ended.
    pub fn turn(&mut self, now: SampleIndex, mut soonest: impl FnMut(SampleIndex)) -> bool {
        let mut turned = false;
        for (spell, on) in self.all.iter().zip(&mut self.on) {
            let is_on = spell.during.contains(&now);
            turned |= is_on != *on;
            *on = is_on;
            soonest(spell.during.start);
            soonest(spell.during.end);
        }
        turned
    }

    pub fn running(&self) -> impl Iterator<Item = &T> {
        let both = self.all.iter().zip(&self.on);
        both.filter(|(_, on)| **on).map(|(spell, _)| &spell.what)
    }
}
