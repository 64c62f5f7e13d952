//! Weather taken out: what healthy insulation would show in the temperature and water of each look.
//!
//! `G = b · (exp(Ea/k·(1/T₂₅ − 1/T)) + s·w)`: a thermally activated bulk path beside a wet surface. Ea and s come from
//! differences *within* a fortnight (noon against morning, wet day against dry day), each fortnight having a level of its own:
//! so neither season nor decline can pass for weather. b comes from the first days.

use super::days::{DayFeatures, Look};
use super::statistics::{median, quantile, quantile_of};
use ohmward_plant::module::{BOLTZMANN_EV_PER_K, ZERO_CELSIUS_K};

/// Days whose differences are compared with each other.
const BLOCK_DAYS: i64 = 14;
/// Relative change of the voltage at the most powerful point of crystalline silicon, 1/K. Common practice, no source.
const VOLTAGE_PER_K: f64 = -0.0045;
/// Activation energy before anything is known, eV, and how far it may lie: `activation_energy_leakage_ev`, memory.
const EA_EV: (f64, f64) = (0.7, 0.15);
/// Natural logarithm of the wet surface over the dry bulk at 25 °C before anything is known, and how far. Memory.
const LN_WET: (f64, f64) = (3.0, 1.5);
/// Days looked at in a fit, at most, evenly spread.
const ROW_DAYS: usize = 120;
/// Scatter of ln G within a fortnight that weather leaves even when known. Own choice.
const LEFT_OVER: f64 = 0.2;

/// Where temperature, or water, was taken from.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Known {
    /// Logged at the site.
    Logged,
    /// Temperature from the array's own voltage; water from its capacitance.
    Inferred,
    /// Not at all.
    No,
}

/// Temperature and water of one look, as far as known.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Air {
    /// Ea multiplies this: (1/T₂₅ − 1/T)/k, 1/eV; 0 where temperature is not known.
    pub per_ev: f64,
    /// Water; 0 where not known.
    pub wetness: f64,
}

/// What the activation energy multiplies at a temperature: (1/T₂₅ − 1/T)/k, 1/eV.
fn per_ev_above_25c(cell_c: f64) -> f64 {
    let inverse = |c: f64| 1.0 / (BOLTZMANN_EV_PER_K * (c + ZERO_CELSIUS_K));
    inverse(25.0) - inverse(cell_c.clamp(-60.0, 110.0))
}

/// Turns looks into temperature and water.
#[derive(Clone, PartialEq, Debug)]
pub struct Senses {
    /// Temperature.
    pub temperature: Known,
    /// Water.
    pub water: Known,
    v_25c: f64,
    /// Dry capacitance by day, in the order of the days.
    c_dry_f: Vec<f64>,
    first_day: i64,
}

impl Senses {
    /// Looks at what the days carry.
    pub fn of(days: &[DayFeatures]) -> Self {
        let noons: Vec<&Look> = days
            .iter()
            .filter_map(|day| day.dry_noon.as_ref())
            .collect();
        let most = |has: &dyn Fn(&Look) -> bool| {
            10 * noons.iter().filter(|look| has(look)).count() > 8 * noons.len()
        };
        let volts: Vec<f64> = noons.iter().filter_map(|look| look.v_v).collect();
        let v_25c = median(&volts).unwrap_or(0.0);
        // A battery holds the voltage: no thermometer then.
        let moves = match (quantile(&volts, 0.9), quantile(&volts, 0.1)) {
            (Some(high), Some(low)) => high - low > 0.02 * v_25c,
            _ => false,
        };
        let temperature = if most(&|look| look.weather.cell_c.is_some()) {
            Known::Logged
        } else if moves && most(&|look| look.v_v.is_some()) {
            Known::Inferred
        } else {
            Known::No
        };
        let water = if most(&|look| look.weather.wetness.is_some()) {
            Known::Logged
        } else {
            Known::Inferred
        };
        let noon_c: Vec<Option<f64>> = days
            .iter()
            .map(|day| day.dry_noon.map(|look| look.c_f))
            .collect();
        let c_dry_f = (0..days.len())
            .map(|k| {
                let mut near: Vec<f64> = noon_c[k.saturating_sub(60)..=k]
                    .iter()
                    .copied()
                    .flatten()
                    .collect();
                if near.len() < 10 {
                    near = noon_c.iter().take(60).copied().flatten().collect();
                }
                quantile_of(&mut near, 0.2).unwrap_or(0.0)
            })
            .collect();
        Self {
            temperature,
            water,
            v_25c,
            c_dry_f,
            first_day: days.first().map_or(0, |day| day.day),
        }
    }

    /// Weather at one look of a day.
    pub fn air(&self, day: i64, look: &Look) -> Air {
        let cell_c = match self.temperature {
            Known::Logged => look.weather.cell_c,
            // 25 °C at the median: a shift of the scale that b takes up.
            Known::Inferred => look
                .v_v
                .map(|v| 25.0 + (v / self.v_25c - 1.0) / VOLTAGE_PER_K),
            Known::No => None,
        };
        let per_ev = cell_c.map_or(0.0, per_ev_above_25c);
        let wetness = if self.water == Known::Logged {
            look.weather.wetness.unwrap_or(0.0).clamp(0.0, 1.0)
        } else {
            let at = usize::try_from(day - self.first_day).ok();
            let dry = at.and_then(|k| self.c_dry_f.get(k)).copied().unwrap_or(0.0);
            if dry > 0.0 {
                // Three percent are noise; twice the dry capacitance is wet through (crystalline modules: memory).
                (look.c_f / dry - 1.03).clamp(0.0, 1.0)
            } else {
                0.0
            }
        };
        Air { per_ev, wetness }
    }
}

/// Healthy insulation of this array.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Healthy {
    /// Dry at 25 °C, S.
    pub b_s: f64,
    /// Activation energy, eV.
    pub ea_ev: f64,
    /// Wet surface over dry bulk at 25 °C.
    pub wet_factor: f64,
}

impl Healthy {
    /// Conductance in that weather over the one dry at 25 °C.
    pub fn relative(&self, air: Air) -> f64 {
        (self.ea_ev * air.per_ev).exp() + self.wet_factor * air.wetness
    }

    /// Conductance in that weather, S.
    pub fn g_s(&self, air: Air) -> f64 {
        self.b_s * self.relative(air)
    }

    /// Fits Ea and s to `law_days`, b to `level_days`, the first of `days` each; begins at `near` where an earlier fit is known.
    pub fn fit(
        days: &[DayFeatures],
        senses: &Senses,
        law_days: usize,
        level_days: usize,
        near: Option<&Self>,
    ) -> Option<Self> {
        let rows = rows(&days[..law_days.min(days.len())], senses);
        let mut best = (f64::INFINITY, EA_EV.0, LN_WET.0);
        let try_at = |ea: f64, ln_wet: f64, best: &mut (f64, f64, f64)| {
            let cost = cost(&rows, ea, ln_wet);
            if cost < best.0 {
                *best = (cost, ea, ln_wet);
            }
        };
        let eas = if senses.temperature == Known::No {
            0
        } else {
            3
        };
        if let Some(near) = near {
            try_at(near.ea_ev, near.wet_factor.ln(), &mut best);
        } else {
            for i in -eas..=eas {
                for j in -4..=3 {
                    let ea_ev = EA_EV.0 + 0.1 * f64::from(i);
                    try_at(ea_ev, LN_WET.0 + f64::from(j), &mut best);
                }
            }
        }
        let (mut step_ea, mut step_wet) = (0.05, 0.5);
        for _ in 0..4 {
            let (_, ea, ln_wet) = best;
            for (i, j) in [
                (-1, 0),
                (1, 0),
                (0, -1),
                (0, 1),
                (-1, -1),
                (1, 1),
                (-1, 1),
                (1, -1),
            ] {
                if i == 0 || eas > 0 {
                    try_at(
                        ea + f64::from(i) * step_ea,
                        ln_wet + f64::from(j) * step_wet,
                        &mut best,
                    );
                }
            }
            step_ea *= 0.5;
            step_wet *= 0.5;
        }
        let shape = Self {
            b_s: 1.0,
            ea_ev: best.1,
            wet_factor: best.2.exp(),
        };
        let noons = days[..level_days.min(days.len())]
            .iter()
            .filter_map(|day| day.dry_noon.map(|look| (day.day, look)));
        let b: Vec<f64> = noons
            .map(|(day, look)| look.g_s() / shape.relative(senses.air(day, &look)))
            .collect();
        let b_s = median(&b)?.max(1e-12);
        Some(Self { b_s, ..shape })
    }
}

struct Row {
    block: usize,
    ln_g: f64,
    air: Air,
    weight: f64,
}

/// Three looks a day at most, in blocks; only what stands clear of noise has a logarithm.
fn rows(days: &[DayFeatures], senses: &Senses) -> Vec<Row> {
    let first = days.first().map_or(0, |day| day.day);
    let mut rows = Vec::new();
    let every = days.len().div_ceil(ROW_DAYS).max(1);
    for day in days.iter().step_by(every) {
        for look in [day.dry_noon, day.wet_morning, day.lowest]
            .into_iter()
            .flatten()
        {
            let g = look.g_s();
            if g > 4.0 * look.g_sigma_s && g > 0.0 {
                let noise = look.g_sigma_s / g;
                rows.push(Row {
                    block: ((day.day - first) / BLOCK_DAYS) as usize,
                    ln_g: g.ln(),
                    air: senses.air(day.day, &look),
                    weight: 1.0 / (LEFT_OVER * LEFT_OVER + noise * noise),
                });
            }
        }
    }
    rows
}

/// Huber's loss of what is left within each block, and what was thought before.
fn cost(rows: &[Row], ea_ev: f64, ln_wet: f64) -> f64 {
    let shape = Healthy {
        b_s: 1.0,
        ea_ev,
        wet_factor: ln_wet.exp(),
    };
    let mut total =
        ((ea_ev - EA_EV.0) / EA_EV.1).powi(2) + ((ln_wet - LN_WET.0) / LN_WET.1).powi(2);
    let mut rest = Vec::new();
    for block in rows.chunk_by(|a, b| a.block == b.block) {
        rest.clear();
        rest.extend(
            block
                .iter()
                .map(|row| row.ln_g - shape.relative(row.air).ln()),
        );
        let Some(level) = quantile_of(&mut rest.clone(), 0.5) else {
            continue;
        };
        for (row, rest) in block.iter().zip(&rest) {
            let z = (rest - level).abs() * row.weight.sqrt();
            total += if z < 1.5 { z * z } else { 3.0 * z - 2.25 };
        }
    }
    total
}
