//! Rows of an hour → its minutes, and the hour itself.

use super::super::quantity::{Quantity, r_iso};
use super::super::reduce::Bucket;
pub use super::super::reduce::severity;
use super::measurement::Measurement;
use super::{HOUR_US, Level, MINUTE_US, Rollup, count_reason};
use crate::store::StoredReading;
use ohmward_proto::{BondCurrent, Insulation};

/// An hour, worked out of its rows.
#[derive(Debug, Default)]
pub struct Hour {
    /// Start and roll-up of every minute of which there is anything.
    pub minutes: Vec<(i64, Rollup)>,
    /// The whole.
    pub rollup: Rollup,
    /// Rows that hold its ends and extremes: what a picture of a long time is drawn from.
    pub rows: Vec<StoredReading>,
    /// The usual time from one row to the next, microseconds; 0 of fewer than two rows.
    pub step_us: i64,
}

/// Collects the rows of the hour that begins at `start_us`, in any order but for [`Hour::rows`], which wants that of time.
pub struct Collector {
    start_us: i64,
    minutes: Vec<Rollup>,
    bucket: Bucket,
    last_us: Option<i64>,
    steps_us: Vec<i64>,
}

/// Works out an hour: rows in the order of time, and the measurements made in it.
pub fn hour(start_us: i64) -> Collector {
    Collector {
        start_us,
        minutes: vec![Rollup::default(); (HOUR_US / MINUTE_US) as usize],
        bucket: Bucket::default(),
        last_us: None,
        steps_us: Vec::new(),
    }
}

impl Collector {
    fn minute(&mut self, t_us: i64) -> Option<&mut Rollup> {
        let place =
            usize::try_from(t_us.saturating_sub(self.start_us).div_euclid(MINUTE_US)).ok()?;
        self.minutes.get_mut(place)
    }

    /// Takes a row.
    pub fn row(&mut self, row: StoredReading) {
        if let Some(last_us) = self.last_us.replace(row.t_us) {
            self.steps_us.push(row.t_us.saturating_sub(last_us));
        }
        if let Some(minute) = self.minute(row.t_us) {
            minute.reading(&row);
        }
        self.bucket.take(row);
    }

    /// Takes a measurement of insulation.
    pub fn measurement(&mut self, made: &Measurement) {
        if let Some(minute) = self.minute(made.t_us) {
            minute.measurement(made);
        }
    }

    /// The hour.
    pub fn finish(mut self) -> Hour {
        let mut rollup = Rollup::default();
        for minute in &self.minutes {
            rollup.merge(minute);
        }
        let middle = self.steps_us.len() / 2;
        let step_us = match self.steps_us.as_mut_slice() {
            [] => 0,
            steps => *steps.select_nth_unstable(middle).1,
        };
        let starts = (0..).map(|k| self.start_us.saturating_add(k * Level::Minute.length_us()));
        let minutes = starts
            .zip(self.minutes)
            .filter(|(_, minute)| *minute != Rollup::default())
            .collect();
        Hour {
            minutes,
            rollup,
            rows: self.bucket.kept(),
            step_us,
        }
    }
}

impl Rollup {
    fn reading(&mut self, row: &StoredReading) {
        self.readings += 1;
        let r = &row.reading;
        match r.i_bond {
            BondCurrent::Measured { dc, rms } => {
                self.value(Quantity::BondDc, dc.0);
                self.value(Quantity::BondRms, rms.0);
            }
            BondCurrent::NotMeasured(why) => count_reason(&mut self.current_missing, why, 1),
        }
        for (pole, (quantity, volts)) in [(Quantity::VPos, r.v_pos), (Quantity::VNeg, r.v_neg)]
            .into_iter()
            .enumerate()
        {
            match volts {
                Some(volts) => self.value(quantity, volts.0),
                None => self.poles_missing[pole] += 1,
            }
        }
        if let Insulation::NotMeasured { why, .. } = r.insulation {
            count_reason(&mut self.insulation_missing, why, 1);
        }
        self.note_state(r.state);
        self.bond_open += u64::from(r.bond_open);
    }

    fn measurement(&mut self, made: &Measurement) {
        let leakage = &made.leakage;
        self.value(Quantity::GPos, leakage.g_pos.0);
        self.value(Quantity::GNeg, leakage.g_neg.0);
        self.value(Quantity::RIso, r_iso(leakage));
        self.value(Quantity::C, leakage.c.0);
    }

    fn value(&mut self, quantity: Quantity, value: f32) {
        match quantity.code(value) {
            Some(code) => self.spreads[quantity as usize].add(code),
            None => self.no_numbers += 1,
        }
    }
}
