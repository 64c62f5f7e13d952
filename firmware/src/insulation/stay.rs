//! What was seen during one stay in one bridge state, and its weighted sums.
//!
//! Everything here goes a row at a time: `f64` in software takes hundreds of cycles for an addition, and a sample must not
//! wait for a stay's worth of them. What the unknowns are solved from is `f64`, being differences of large sums; how far
//! they may be off is `f32`.

use ohmward_proto::settings::Bridge;

/// What the bridge is doing.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum BridgeState {
    /// Extra conductance at the positive pole.
    A,
    /// Extra conductance at the negative pole.
    B,
    /// No extra conductance: the dividers alone.
    Rest,
}

impl BridgeState {
    /// What calibration says stands at the positive and at the negative pole, in siemens.
    pub fn known(self, bridge: &Bridge) -> (f64, f64) {
        let permanent = f64::from(bridge.g_permanent.0);
        match self {
            Self::A => (permanent + f64::from(bridge.g_switched_pos.0), permanent),
            Self::B => (permanent, permanent + f64::from(bridge.g_switched_neg.0)),
            Self::Rest => (permanent, permanent),
        }
    }
}

/// A stretch of time. Two that follow one another add up to one.
#[derive(Clone, Copy, Debug, Default)]
pub struct Row {
    /// ∫ v₊ dt, in volt seconds.
    pub pos_vs: f32,
    /// ∫ v₋ dt.
    pub neg_vs: f32,
    /// Change of the pole voltages over the stretch, in volts: mean of both poles.
    pub moved_v: f32,
    /// Change of the array voltage over the stretch, in volts.
    pub array_moved_v: f32,
}

impl Row {
    /// This stretch and the next one.
    #[must_use]
    pub fn and(self, next: Self) -> Self {
        Self {
            pos_vs: self.pos_vs + next.pos_vs,
            neg_vs: self.neg_vs + next.neg_vs,
            moved_v: self.moved_v + next.moved_v,
            array_moved_v: self.array_moved_v + next.array_moved_v,
        }
    }
}

/// Most rows of a stay.
pub const ROWS_MAX: usize = 32;

/// Rows of equal length from one stay in one state.
#[derive(Clone, Debug)]
pub struct Stay {
    /// Which state.
    pub state: BridgeState,
    /// The poles move up (+1) or down (−1) towards their rest in this state, by design of the sequence.
    pub toward: f64,
    /// Length of a row, s.
    pub row_s: f64,
    /// The rows.
    pub rows: heapless::Vec<Row, ROWS_MAX>,
    /// As many as it will have: the weights ask for it.
    planned: usize,
    /// Rows that are in both sums so far; twice as many as rows, and one more when only the level has the next.
    summed: usize,
    level: Sums,
    transient: Sums,
    /// The last stretch again, as short as they come: what has only just arrived stands out here.
    pub last: Row,
    /// Its length, s.
    pub last_s: f64,
    /// Samples from the switching to its end; 0 while it is under way.
    pub samples: u32,
}

/// Weighted sums over the rows of a stay.
#[derive(Clone, Copy, Debug, Default)]
pub struct Sums {
    /// Seconds.
    pub t: f64,
    /// V·s, positive pole.
    pub pos: f64,
    /// V·s, negative pole.
    pub neg: f64,
    /// V, mean move of both poles.
    pub moved: f64,
    /// V, half the change of the array voltage.
    pub spread: f64,
}

/// A row's place in its stay: its weights, and what its scatter is sorted by.
#[derive(Clone, Copy, Debug)]
pub struct Place {
    /// [`level`].
    pub level: f32,
    /// [`transient`], by the way that the poles go.
    pub transient: f32,
    orders: [f32; 4],
}

impl Stay {
    /// One that has not begun.
    pub const fn none() -> Self {
        const NOTHING: Sums = Sums {
            t: 0.0,
            pos: 0.0,
            neg: 0.0,
            moved: 0.0,
            spread: 0.0,
        };
        Self {
            // The first of them is a zero, as all else here: memory that is cleared needs no image in flash.
            state: BridgeState::A,
            toward: 0.0,
            row_s: 0.0,
            rows: heapless::Vec::new(),
            planned: 0,
            summed: 0,
            level: NOTHING,
            transient: NOTHING,
            last: Row {
                pos_vs: 0.0,
                neg_vs: 0.0,
                moved_v: 0.0,
                array_moved_v: 0.0,
            },
            last_s: 0.0,
            samples: 0,
        }
    }

    /// An empty one, for that many rows; in its place, without a copy.
    pub fn begin(&mut self, state: BridgeState, toward: f64, row_s: f64, planned: usize) {
        self.state = state;
        self.toward = toward;
        self.row_s = row_s;
        self.rows.clear();
        self.planned = planned.clamp(1, ROWS_MAX);
        self.summed = 0;
        self.level = Sums::default();
        self.transient = Sums::default();
        self.samples = 0;
    }

    /// All planned rows are there.
    pub fn complete(&self) -> bool {
        self.rows.len() >= self.planned
    }

    /// Adds half a row to the sums: its level, or its transient. False when there is none that waits.
    pub fn sum_some(&mut self) -> bool {
        let k = self.summed / 2;
        let Some(row) = self.rows.get(k) else {
            return false;
        };
        let x = (k as f64 + 0.5) / self.planned as f64;
        if self.summed.is_multiple_of(2) {
            self.level.add(row, self.row_s, level(x));
        } else {
            let weight = self.toward * level(x) * (1.0 - 2.0 * x);
            self.transient.add(row, self.row_s, weight);
        }
        self.summed += 1;
        true
    }

    /// The `k`-th row and its place.
    pub fn row(&self, k: usize) -> Option<(&Row, Place)> {
        let row = self.rows.get(k)?;
        // From −1 to 1.
        let x = (2 * k + 1) as f32 / self.planned as f32 - 1.0;
        let x2 = x * x;
        let level = 1.0 - x2;
        Some((
            row,
            Place {
                level,
                transient: self.toward as f32 * level * -x,
                orders: [
                    x,
                    5.0 * x2 - 1.0,
                    (7.0 * x2 - 3.0) * x,
                    (21.0 * x2 - 14.0) * x2 + 1.0,
                ],
            },
        ))
    }

    /// Seconds in its rows.
    pub fn seconds(&self) -> f32 {
        self.rows.len() as f32 * self.row_s as f32
    }

    /// Sums weighted for the level and for the transient, of what [`Self::sum_some`] has taken in.
    pub fn sums(&self) -> (&Sums, &Sums) {
        (&self.level, &self.transient)
    }
}

impl Sums {
    fn add(&mut self, row: &Row, row_s: f64, weight: f64) {
        self.t += weight * row_s;
        self.pos += weight * f64::from(row.pos_vs);
        self.neg += weight * f64::from(row.neg_vs);
        self.moved += weight * f64::from(row.moved_v);
        self.spread += weight * 0.5 * f64::from(row.array_moved_v);
    }
}

/// Weight that asks for the level: nothing at both ends, so that slow wander of the poles averages out instead of
/// leaving what it happens to be at the edges. The transient's is this times 1 − 2x, early against late: blind to a constant
/// level.
fn level(x: f64) -> f64 {
    4.0 * x * (1.0 - x)
}

/// Slowest wander of the poles that a short look allows for, as a period: a stay shorter than this may catch the wander on
/// its crest, where it shows least and shifts the level most.
const WANDER_S: f32 = 1.0;
/// How much more such wander counts, for a stay of one period.
const WANDER_FACTOR: f32 = 6.0;

/// Mean square of the level's weight against those of the four orders (integrals by hand).
const EVEN_OUT: [f32; 4] = [7.0, 21.0 / 16.0, 231.0 / 80.0, 429.0 / 320.0];

/// Variance of a sum of terms that follow one another and may hang together.
///
/// The terms carry the weight [`level`]. Multiplied by the polynomials that are orthogonal under it (Gegenbauer, order 3/2;
/// Abramowitz and Stegun, table 22.2, from memory) they add up to sums that are blind to the level and to all but slow
/// disturbance, as the wanted sum is: their mean square is its variance, whatever the colour of the disturbance.
#[derive(Clone, Copy, Debug, Default)]
pub struct Scatter {
    sum: f32,
    own: f32,
    sums: [f32; 4],
}

impl Scatter {
    /// The term of the next row.
    pub fn push(&mut self, term: f32, place: &Place) {
        self.sum += term;
        self.own += term * term;
        for (sum, order) in self.sums.iter_mut().zip(place.orders) {
            *sum += order * term;
        }
    }

    /// Their plain sum.
    pub fn sum(&self) -> f32 {
        self.sum
    }

    /// Variance of their sum over a stay of that many seconds.
    pub fn variance(&self, stay_s: f32) -> f32 {
        // Squares of the orders against those of the level alone (integrals by hand).
        let slow = self
            .sums
            .iter()
            .zip(EVEN_OUT)
            .map(|(sum, out)| out * sum * sum)
            .sum::<f32>()
            / 4.0;
        let periods = WANDER_S / stay_s;
        let wander = (slow - 2.0 * self.own).max(0.0);
        1.5 * slow + wander * WANDER_FACTOR * periods * periods
    }
}

/// Tells whether single values stand out from the scatter of all the others.
#[derive(Clone, Copy, Debug, Default)]
pub struct Outlier {
    largest: f32,
    squares: f32,
    count: u16,
}

impl Outlier {
    /// The next value.
    pub fn push(&mut self, value: f32) {
        self.largest = self.largest.max(value.abs());
        self.squares += value * value;
        self.count += 1;
    }

    /// RMS without the largest.
    pub fn scatter(&self) -> f32 {
        let others = (self.squares - self.largest * self.largest).max(0.0);
        libm::sqrtf(others / f32::from(self.count.saturating_sub(1).max(1)))
    }

    /// The largest magnitude.
    pub fn largest(&self) -> f32 {
        self.largest
    }
}
