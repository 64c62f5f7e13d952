//! Where everything stands in a panel. Only here are pixels decided.
//!
//! ```text
//!            ┌── bonded conductor ─────────────────────────────┐
//!   string 1 │ ▭ ▭ ▭ ▭ │── contactor ── load ───────────────────┤
//!   string 2 │ ▭ ▭ ▭ ▭ │                                    bond switch, fuse, shunt
//!   frames (a plate behind the modules)                         │
//!   person ─┘   │electrode   └──── EGC ─────────────────────── bar
//!   ~~~~~~~~~~~~│~~~~~~~~~~~~~~~ soil ~~~~~~~~~~~~~~~~~~~~~~~~~~│~~
//! ```

use crate::whatif::WhatIf;
use crate::whatif::fault::{At as Place, Pole};
use ohmward_proto::settings::Earthing;

/// Width of the sheet and of a panel, px.
pub const WIDTH: f64 = 940.0;
pub const MARGIN: f64 = 20.0;

const PLATE_LEFT: f64 = 138.0;
const PLATE_RIGHT: f64 = 612.0;
const BUS_INSET: f64 = 22.0;
/// More strings or modules than these are left out of the middle.
const ROWS_MAX: usize = 12;
const COLUMNS_MAX: usize = 24;

/// One panel's places; y counts from its top.
pub struct Layout {
    /// Strings drawn, from 0; `None`: an ellipsis.
    pub rows: Vec<Option<u32>>,
    /// Modules drawn from left to right, from 1 at the negative end; `None`: an ellipsis.
    pub columns: Vec<Option<u32>>,
    /// Which pole is on the left, where the bond is.
    pub left: Pole,
    modules: u32,
    pub pitch_y: f64,
    pub pitch_x: f64,
    pub plate: [f64; 4],
    pub bus_left: f64,
    pub bus_right: f64,
    pub first_row_y: f64,
    pub run_y: f64,
    pub switched_y: f64,
    /// Collector of currents in the plate.
    pub collector_y: f64,
    pub hand_x: f64,
    pub array_electrode_x: f64,
    pub egc_x: f64,
    pub egc_y: f64,
    pub tie_y: f64,
    pub bar_x: f64,
    pub soil_y: f64,
    pub earth_y: f64,
    pub soil_bottom: f64,
    pub person_x: f64,
}

impl Layout {
    pub fn new(answer: &WhatIf) -> Self {
        let faulted = |k: u32| {
            answer
                .faults
                .iter()
                .any(|f| matches!(f.spec.at, Place::String { string, .. } if string == k + 1))
        };
        let strings = answer.strings;
        let rows = thinned((0..strings).collect(), ROWS_MAX, |k| {
            *k < 2 || *k + 1 == strings || faulted(*k)
        });
        let modules = answer.modules_per_string;
        let beside_tap = |m: u32| {
            answer.faults.iter().any(
                |f| matches!(f.spec.at, Place::String { module, .. } if module == m || module + 1 == m),
            )
        };
        let mut columns = thinned((1..=modules).collect(), COLUMNS_MAX, |m| {
            *m < 3 || *m + 1 >= modules || beside_tap(*m)
        });
        let left = match answer.earthing {
            Earthing::PositiveBonded => Pole::Positive,
            Earthing::NegativeBonded | Earthing::HighResistance | Earthing::NotEarthed => {
                Pole::Negative
            }
        };
        if left == Pole::Positive {
            columns.reverse();
        }
        let (bus_left, bus_right) = (PLATE_LEFT + BUS_INSET, PLATE_RIGHT - BUS_INSET);
        let pitch_x = ((bus_right - bus_left - 36.0) / columns.len() as f64).min(70.0);
        let pitch_y = match rows.len() {
            0..=3 => 64.0,
            4..=6 => 52.0,
            7..=9 => 44.0,
            _ => 40.0,
        };
        let plate_top = 126.0;
        let first_row_y = plate_top + 52.0;
        let last_row_y = first_row_y + (rows.len() as f64 - 1.0) * pitch_y;
        let plate_bottom = (last_row_y + 96.0).max(plate_top + 250.0);
        let soil_y = plate_bottom + 170.0;
        Self {
            left,
            modules,
            pitch_x,
            pitch_y,
            plate: [PLATE_LEFT, plate_top, PLATE_RIGHT, plate_bottom],
            bus_left,
            bus_right,
            first_row_y,
            run_y: plate_top - 22.0,
            switched_y: plate_top + 52.0,
            collector_y: plate_bottom - 18.0,
            hand_x: PLATE_LEFT + 8.0,
            array_electrode_x: PLATE_LEFT + 62.0,
            egc_x: PLATE_LEFT + 200.0,
            egc_y: plate_bottom + 44.0,
            tie_y: plate_bottom + 110.0,
            bar_x: 756.0,
            soil_y,
            earth_y: soil_y + 84.0,
            soil_bottom: soil_y + 118.0,
            person_x: 62.0,
            rows,
            columns,
        }
    }

    /// Middle of a row.
    pub fn row_y(&self, row: usize) -> f64 {
        self.first_row_y + row as f64 * self.pitch_y
    }

    pub fn last_row_y(&self) -> f64 {
        self.row_y(self.rows.len() - 1)
    }

    /// Left edge of a column.
    pub fn column_x(&self, column: usize) -> f64 {
        let all = self.pitch_x * self.columns.len() as f64;
        f64::midpoint(self.bus_left, self.bus_right) - all / 2.0 + column as f64 * self.pitch_x
    }

    /// Half the height of a module.
    pub fn half_module(&self) -> f64 {
        (self.pitch_y * 0.24).min(15.0)
    }

    /// Where a fault behind `module` modules from the negative end leaves its string.
    pub fn tap_x(&self, module: u32) -> f64 {
        let column = |m: u32| self.columns.iter().position(|c| *c == Some(m)).unwrap_or(0);
        let reversed = self.left == Pole::Positive;
        // The tap lies on its module's positive side; without a module, on the first one's negative side.
        let edge = self.column_x(column(module.max(1)));
        let on_the_right = (module > 0) != reversed;
        if on_the_right {
            edge + self.pitch_x
        } else {
            edge
        }
    }

    /// Modules passed on the way from the left bus to a tap, as a share of all: 0 at the left end.
    pub fn passed_from_left(&self, module: u32) -> u32 {
        match self.left {
            Pole::Negative => module,
            Pole::Positive => self.modules - module,
        }
    }

    /// Row in which a string (from 1) stands.
    pub fn row_of(&self, string: u32) -> usize {
        self.rows
            .iter()
            .position(|r| *r == Some(string - 1))
            .unwrap_or(0)
    }
}

/// All, or of too many those that are wanted, with a gap for what is left out.
fn thinned(all: Vec<u32>, most: usize, wanted: impl Fn(&u32) -> bool) -> Vec<Option<u32>> {
    if all.len() <= most {
        return all.into_iter().map(Some).collect();
    }
    let mut kept = Vec::new();
    let mut last = None;
    for k in all.into_iter().filter(wanted) {
        if last.is_some_and(|last: u32| k > last + 1) {
            kept.push(None);
        }
        kept.push(Some(k));
        last = Some(k);
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_out_leaves_a_gap() {
        let all = thinned((1..=4).collect(), 12, |_| false);
        assert_eq!(all, [Some(1), Some(2), Some(3), Some(4)]);
        let some = thinned((1..=40).collect(), 24, |m| [1, 2, 17, 18, 40].contains(m));
        assert_eq!(
            some,
            [Some(1), Some(2), None, Some(17), Some(18), None, Some(40)]
        );
    }
}
