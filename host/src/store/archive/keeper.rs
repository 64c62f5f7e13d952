//! When what is due is done: at the start, and then once an hour; and on which thread.
//!
//! ```text
//!   Idle ─→ Building ─→ Placing ─→ Removing        Building, Placing: a thread of their own, a reading connection
//!    ↑ ↑       │           │ rows came  │ moved    the arrows, Removing, RollingUp, Dropping: the writer, some 20 ms a turn
//!    │ └───────┼───────────┴────────────┘
//!    │         └ nothing is due ─→ RollingUp ─→ Dropping ┐
//!    └───────────────────────────────────────────────────┘
//! ```

use super::build::Built;
use super::rules::{Old, due};
use super::{Rules, Sealed};
use crate::store::rollup::keep;
use crate::store::rows::{Board, day_us};
use crate::store::{Store, StoreError};
use std::collections::VecDeque;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

const EVERY: Duration = Duration::from_secs(3600);
/// After a day to which readings came while it was built.
const STILL_COMING: Duration = if cfg!(test) {
    Duration::from_millis(5)
} else {
    Duration::from_secs(60)
};
/// A thread at work is looked after this often.
const LOOK: Duration = Duration::from_millis(20);
/// Rows read back for roll-ups in one turn: some 20 ms.
const ROWS_A_TURN: u64 = 20_000;

/// Keeps the rules while a recorder goes on.
#[derive(Debug)]
pub struct Keeper {
    rules: Rules,
    next: Instant,
    stage: Stage,
}

#[derive(Debug, Default)]
enum Stage {
    #[default]
    Idle,
    Building(JoinHandle<Result<Found, StoreError>>),
    Placing(JoinHandle<Result<Built, StoreError>>),
    /// The slice that is next.
    Removing(Box<Built>, usize),
    RollingUp(VecDeque<(Board, Vec<i64>)>),
    Dropping(VecDeque<Old>),
}

/// What a thread that looked for a day to build came to.
#[derive(Debug)]
enum Found {
    Nothing,
    /// Roll-ups of the day wait, and must be worked off by the writer first.
    Stale(Board, i64),
    Built(Box<Built>),
}

/// What a turn came to.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Turn {
    /// A day was moved; there may be more.
    Sealed(Sealed),
    /// Something is under way: the next turn is due after this long, or when it suits.
    Busy(Duration),
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
            stage: Stage::Idle,
        }
    }

    /// Does a little of what is due: of moving a day into the archive; when no day is left, of roll-ups that wait and files
    /// that a rule no longer keeps. What takes long is done by a thread of its own.
    ///
    /// `now_us` is the clock, Unix microseconds; for a scenario the time it has come to.
    ///
    /// # Errors
    /// [`StoreError`]: no reading is lost, and the next turn is in an hour. Recording goes on.
    pub fn turn(&mut self, store: &mut Store, now_us: i64) -> Result<Turn, StoreError> {
        let turn = self.go_on(store, now_us);
        if turn.is_err() {
            self.stage = Stage::Idle;
            self.next = Instant::now() + EVERY;
        }
        turn
    }

    fn go_on(&mut self, store: &mut Store, now_us: i64) -> Result<Turn, StoreError> {
        let at_once = Ok(Turn::Busy(Duration::ZERO));
        let later = Ok(Turn::Busy(LOOK));
        match std::mem::take(&mut self.stage) {
            Stage::Idle => {
                let wait = self.next.saturating_duration_since(Instant::now());
                if !wait.is_zero() {
                    return Ok(Turn::Nothing(wait));
                }
                store.refuse_reader()?;
                self.stage = Stage::Building(self.look(store, now_us));
                later
            }
            Stage::Building(thread) if !thread.is_finished() => {
                self.stage = Stage::Building(thread);
                later
            }
            Stage::Building(thread) => match joined(thread)? {
                Found::Nothing => {
                    self.stage = Stage::RollingUp(store.hours_waiting()?);
                    at_once
                }
                Found::Stale(board, date) => {
                    store.work_off_some(board, &day_us(date), ROWS_A_TURN)?;
                    self.stage = Stage::Building(self.look(store, now_us));
                    later
                }
                Found::Built(built) => {
                    store.announce(&built)?;
                    self.stage = Stage::Placing(std::thread::spawn(move || {
                        built.put_in_place()?;
                        Ok(*built)
                    }));
                    later
                }
            },
            Stage::Placing(thread) if !thread.is_finished() => {
                self.stage = Stage::Placing(thread);
                later
            }
            Stage::Placing(thread) => {
                let built = joined(thread)?;
                if !store.record(&built)? {
                    // Its readings are still coming: not at every one of them all over again.
                    self.next = Instant::now() + STILL_COMING;
                    return Ok(Turn::Nothing(STILL_COMING));
                }
                self.stage = Stage::Removing(Box::new(built), 0);
                at_once
            }
            Stage::Removing(built, slice) => {
                let all_gone = store.remove(&built, slice)?;
                if all_gone && slice + 1 < built.slices.len() {
                    self.stage = Stage::Removing(built, slice + 1);
                    return at_once;
                }
                Ok(Turn::Sealed(Sealed::from(&*built)))
            }
            Stage::RollingUp(mut hours) => {
                self.stage = if hours.is_empty() {
                    Stage::Dropping(store.old_days(&self.rules, now_us)?)
                } else {
                    store.work_off_hours(&mut hours, ROWS_A_TURN)?;
                    Stage::RollingUp(hours)
                };
                at_once
            }
            Stage::Dropping(mut days) => {
                let Some(old) = days.pop_front() else {
                    self.next = Instant::now() + EVERY;
                    return Ok(Turn::Nothing(EVERY));
                };
                store.drop_day(&old)?;
                self.stage = Stage::Dropping(days);
                at_once
            }
        }
    }

    /// Looks for a day that is due, and builds its file.
    fn look(&self, store: &Store, now_us: i64) -> JoinHandle<Result<Found, StoreError>> {
        let rules = self.rules;
        let at = store.place();
        std::thread::spawn(move || {
            let db = at.open()?;
            let source = at.source(&db);
            let Some((board, date)) = due(&source, &rules, now_us)? else {
                return Ok(Found::Nothing);
            };
            if !keep::stale(&source, board, &day_us(date))?.is_empty() {
                return Ok(Found::Stale(board, date));
            }
            let built = at.plan(board, date).build()?;
            // One writer alone removes rows, and it has a turn when this is over: there was something.
            Ok(built.map_or(Found::Nothing, |built| Found::Built(Box::new(built))))
        })
    }
}

impl Drop for Keeper {
    /// What is under way ends before the store is let go of.
    fn drop(&mut self) {
        match std::mem::take(&mut self.stage) {
            Stage::Building(thread) => drop(thread.join()),
            Stage::Placing(thread) => drop(thread.join()),
            Stage::Idle | Stage::Removing(..) | Stage::RollingUp(_) | Stage::Dropping(_) => {}
        }
    }
}

fn joined<T>(thread: JoinHandle<Result<T, StoreError>>) -> Result<T, StoreError> {
    thread
        .join()
        .unwrap_or_else(|panic| std::panic::resume_unwind(panic))
}
