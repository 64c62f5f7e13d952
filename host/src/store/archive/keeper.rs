//! When what is due is done: at the start, and then once an hour, a little at a time.

use super::{Rules, Sealed};
use crate::store::{Store, StoreError};
use std::time::{Duration, Instant};

const EVERY: Duration = Duration::from_secs(3600);

/// Keeps the rules while a recorder has nothing else to do.
#[derive(Debug)]
pub struct Keeper {
    rules: Rules,
    next: Instant,
}

/// What a turn came to.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Turn {
    /// A day was moved; there may be more.
    Sealed(Sealed),
    /// Nothing is due before this long.
    Nothing(Duration),
}

impl Keeper {
    /// The first turn is due at once.
    #[must_use]
    pub fn new(rules: Rules) -> Self {
        Self {
            rules,
            next: Instant::now(),
        }
    }

    /// Does one thing that is due: a day into the archive; when there is none, roll-ups that wait and files that a rule no longer
    /// keeps. A day of 86 400 readings takes about half a second, in which nothing else can be written.
    ///
    /// `now_us` is the clock, Unix microseconds; for a scenario the time it has come to.
    ///
    /// # Errors
    /// [`StoreError`]: everything stays where it was, and the next turn is in an hour. Recording goes on.
    pub fn turn(&mut self, store: &mut Store, now_us: i64) -> Result<Turn, StoreError> {
        let wait = self.next.saturating_duration_since(Instant::now());
        if !wait.is_zero() {
            return Ok(Turn::Nothing(wait));
        }
        let done = store.seal_next(&self.rules, now_us);
        if let Ok(Some(sealed)) = done {
            return Ok(Turn::Sealed(sealed));
        }
        self.next = Instant::now() + EVERY;
        done?;
        store.work_off_rollups()?;
        store.drop_old(&self.rules, now_us)?;
        Ok(Turn::Nothing(EVERY))
    }
}
