//! A line that damages what it carries, in virtual time: same seed, same damage, whatever the machine.
//!
//! One [`Line`] is one direction. Bytes leave at the line's speed, each may be flipped, dropped, doubled or joined by one that
//! nobody sent; runs of them may be lost or held up; and while the line is unplugged all are lost.

use crate::rig::Draw;
use std::collections::VecDeque;

/// How a line behaves. Rates are per byte.
#[derive(Clone, Copy, Debug)]
pub struct Manners {
    /// Speed; a byte is ten bits.
    pub baud: u32,
    /// Bytes that wait at the sender; beyond that it is told that there is no room.
    pub fifo: usize,
    /// Least time on the way.
    pub delay_us: u64,
    /// A bit is flipped.
    pub flipped: f64,
    /// The byte is gone.
    pub dropped: f64,
    /// It comes twice.
    pub doubled: f64,
    /// A byte that nobody sent comes before it.
    pub inserted: f64,
    /// A run of up to so many bytes is lost, beginning here.
    pub cut: (f64, u64),
    /// Everything is held up for up to so many µs, beginning here.
    pub held_up: (f64, u64),
}

impl Manners {
    /// A line as it should be.
    pub fn clean(baud: u32) -> Self {
        Self {
            baud,
            fifo: 256,
            delay_us: 100,
            flipped: 0.0,
            dropped: 0.0,
            doubled: 0.0,
            inserted: 0.0,
            cut: (0.0, 0),
            held_up: (0.0, 0),
        }
    }

    /// Any line: a speed, and each kind of damage on every other line, from hardly ever to one byte in two hundred.
    pub fn draw(draw: &mut Draw) -> Self {
        let bauds = [9600, 19_200, 57_600, 115_200, 1_000_000];
        let baud = bauds[(draw.uniform() * 5.0) as usize % 5];
        let mut rate = |most: f64| {
            if draw.uniform() < 0.5 {
                draw.decades(1e-5, most)
            } else {
                0.0
            }
        };
        Self {
            baud,
            fifo: 256,
            delay_us: 100,
            flipped: rate(5e-3),
            dropped: rate(5e-3),
            doubled: rate(5e-3),
            inserted: rate(5e-3),
            cut: (rate(3e-4), 600),
            held_up: (rate(3e-4), 1_500_000),
        }
    }
}

/// One direction.
#[derive(Debug)]
pub struct Line {
    manners: Manners,
    draw: Draw,
    /// When a byte arrives, and what it is then.
    under_way: VecDeque<(u64, u8)>,
    /// When the last byte has left.
    free_us: u64,
    last_arrival_us: u64,
    /// Bytes still to be lost.
    cutting: u64,
    unplugged: bool,
    /// Bytes that did not come as they left.
    pub harmed: u64,
}

impl Line {
    /// A line whose damage follows from `seed`.
    pub fn new(manners: Manners, seed: u64) -> Self {
        Self {
            manners,
            draw: Draw::new(seed),
            under_way: VecDeque::new(),
            free_us: 0,
            last_arrival_us: 0,
            cutting: 0,
            unplugged: false,
            harmed: 0,
        }
    }

    /// From now on it behaves like this.
    pub fn behave(&mut self, manners: Manners) {
        self.manners = manners;
        self.cutting = 0;
    }

    /// What is on the way is lost, and whatever comes.
    pub fn unplug(&mut self) {
        self.unplugged = true;
        self.under_way.clear();
    }

    /// It is there again.
    pub fn plug(&mut self) {
        self.unplugged = false;
    }

    fn byte_us(&self) -> u64 {
        (10_000_000 / u64::from(self.manners.baud)).max(1)
    }

    /// Bytes the sender may give now.
    pub fn room(&self, now_us: u64) -> usize {
        let waiting = self.free_us.saturating_sub(now_us) / self.byte_us();
        self.manners.fifo.saturating_sub(waiting as usize)
    }

    /// Sends; a sender that gives more than there is room for waits longer, nothing is refused.
    pub fn send(&mut self, bytes: &[u8], now_us: u64) {
        for &byte in bytes {
            self.free_us = self.free_us.max(now_us) + self.byte_us();
            if self.unplugged {
                continue;
            }
            self.carry(byte);
        }
    }

    fn carry(&mut self, byte: u8) {
        let manners = self.manners;
        let mut chance = |rate: f64| rate > 0.0 && self.draw.uniform() < rate;
        let (flip, drop, double, insert) = (
            chance(manners.flipped),
            chance(manners.dropped),
            chance(manners.doubled),
            chance(manners.inserted),
        );
        let (cut, hold) = (chance(manners.cut.0), chance(manners.held_up.0));
        if cut {
            self.cutting = 1 + (self.draw.uniform() * manners.cut.1 as f64) as u64;
        }
        let mut arrival = self.free_us + manners.delay_us;
        if hold {
            arrival += (self.draw.uniform() * manners.held_up.1 as f64) as u64;
        }
        // Nothing overtakes.
        arrival = arrival.max(self.last_arrival_us);
        self.last_arrival_us = arrival;
        if insert {
            let stray = (self.draw.uniform() * 256.0) as u8;
            self.under_way.push_back((arrival, stray));
        }
        let lost = drop || self.cutting > 0;
        self.cutting = self.cutting.saturating_sub(1);
        self.harmed += u64::from(flip || lost || double || insert);
        if lost {
            return;
        }
        let byte = if flip {
            byte ^ 1 << (self.draw.uniform() * 8.0) as u32
        } else {
            byte
        };
        self.under_way.push_back((arrival, byte));
        if double {
            self.under_way.push_back((arrival, byte));
        }
    }

    /// What has arrived.
    pub fn receive(&mut self, now_us: u64, most: usize) -> Vec<u8> {
        let n = self
            .under_way
            .iter()
            .take(most)
            .take_while(|(at, _)| *at <= now_us)
            .count();
        self.under_way.drain(..n).map(|(_, byte)| byte).collect()
    }

    /// Whether anything has arrived.
    pub fn has_arrived(&self, now_us: u64) -> bool {
        self.under_way.front().is_some_and(|(at, _)| *at <= now_us)
    }
}
