//! Invented years of one board: weather and insulation of the plant, measured on schedule with noise, healthy or degrading by a
//! known law. Everything follows from the seed.
//!
//! Leakage is split between the poles as with modules that share the voltage alike (contactor open), which is what the plant's
//! circuit gives; `tests/tests/trend_years.rs` holds that.

use ohmward::trend::days::{Look, Record, Weather as Logged};
use ohmward_plant::array::{Array, ArraySettings, Description, Load};
use ohmward_plant::insulation::Insulation;
use ohmward_plant::module::KINDS;
use ohmward_plant::weather::{Weather, WeatherSettings};
use ohmward_proto::settings::{Calibration, Earthing};
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64Mcg;

const DAY_S: f64 = 86_400.0;
/// Between checks, s.
pub const CHECK_S: u32 = 1800;
/// Least light to measure in, W/m².
const LIT_W_M2: f64 = 20.0;
/// One standard deviation of a pole's conductance: 5 nS and 0.3 %. The bridge's 0.1 % of 5.5 µS (`hardware-notes`) is 5 nS.
const NOISE_S: f64 = 5e-9;
const NOISE_SHARE: f64 = 0.003;
/// 2026-01-01T00:00:00Z.
const NEW_YEAR_UNIX_S: f64 = 1_767_225_600.0;

/// What happens to the insulation.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash)]
pub enum Fate {
    /// Nothing.
    Healthy,
    /// All modules decline alike.
    Steady,
    /// A connector that conducts when wet only.
    WetOnly,
    /// A surge protection part broken by a storm, going on to fail.
    Step,
    /// One place in a string, dry and wet.
    OnePlace,
}

impl Fate {
    /// All of them.
    pub const ALL: [Self; 5] = [
        Self::Healthy,
        Self::Steady,
        Self::WetOnly,
        Self::Step,
        Self::OnePlace,
    ];
}

/// How a fault's conductance grows from beginning to end.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Grows {
    /// By the same share every day.
    Exponentially,
    /// By the same amount every day.
    Linearly,
}

/// A year with its truth.
#[derive(Clone, Debug)]
pub struct Year {
    /// Seed it came from.
    pub seed: u64,
    /// What happens.
    pub fate: Fate,
    /// Which climate, by name.
    pub climate: &'static str,
    /// Somebody logs temperature and wetness at the array.
    pub logged: bool,
    /// Start of the first day, Unix s.
    pub start_s: f64,
    /// What the board recorded.
    pub record: Record,
    /// Lowest true resistance at the checks of each day from the first, Ω; infinite on a day without light.
    pub true_lowest_ohm: Vec<f64>,
    /// What the fault truly adds to each of the record's looks, S.
    pub true_excess_s: Vec<f64>,
    /// Day on which degrading begins.
    pub begins: Option<f64>,
    /// How it grows.
    pub grows: Grows,
    /// Place of the fault, 0 at the negative end.
    pub place: f64,
}

impl Year {
    /// First day with a true value below `r_ohm`, days from the first.
    pub fn crosses(&self, r_ohm: f64) -> Option<usize> {
        self.true_lowest_ohm.iter().position(|r| *r < r_ohm)
    }

    /// Share of what the fault adds that is on the positive pole.
    pub fn place_of_excess(&self) -> f64 {
        if self.fate == Fate::Steady {
            0.5
        } else {
            self.place
        }
    }

    /// As it would be had the fault been mended at the end of that day: what the fault truly adds is gone from then on.
    #[must_use]
    pub fn mended(mut self, day: usize) -> Self {
        let mended_s = self.start_s + DAY_S * day as f64;
        let place = self.place_of_excess();
        for (look, excess_s) in self.record.looks.iter_mut().zip(&self.true_excess_s) {
            if look.t_s >= mended_s {
                look.g_pos_s -= place * excess_s;
                look.g_neg_s -= (1.0 - place) * excess_s;
            }
        }
        self
    }

    /// First number of days with which a degrading year could be told at all: by one who knows healthy insulation and the weather of every
    /// look exactly and needs but two days on which the fault stands clear of the board's noise by three standard deviations (one
    /// day shows no growth). Nothing that reads the record can be earlier and no guess.
    pub fn could_be_told(&self) -> Option<usize> {
        let start_s = self.begins.map(|_| self.start_s)?;
        let clear = (self.record.looks.iter().zip(&self.true_excess_s))
            .filter(|(look, excess_s)| **excess_s > 3.0 * look.g_sigma_s)
            .map(|(look, _)| ((look.t_s - start_s) / DAY_S) as usize);
        let mut days: Vec<usize> = clear.collect();
        days.dedup();
        days.get(1).map(|day| day + 1)
    }
}

fn climates() -> [(&'static str, WeatherSettings); 4] {
    let base = WeatherSettings {
        step_s: CHECK_S,
        ..WeatherSettings::default()
    };
    [
        (
            "mild coast",
            WeatherSettings {
                latitude_deg: 51.0,
                cloudiness: 0.6,
                mean_c: 11.0,
                season_swing_c: 6.0,
                humidity: 0.82,
                rain_days_per_week: 3.0,
                ..base.clone()
            },
        ),
        (
            "continental",
            WeatherSettings {
                latitude_deg: 46.0,
                cloudiness: 0.4,
                mean_c: 9.0,
                season_swing_c: 12.0,
                day_swing_c: 7.0,
                humidity: 0.7,
                rain_days_per_week: 1.5,
                ..base.clone()
            },
        ),
        (
            "dry and hot",
            WeatherSettings {
                latitude_deg: 33.0,
                tilt_deg: 20.0,
                cloudiness: 0.12,
                mean_c: 21.0,
                season_swing_c: 9.0,
                day_swing_c: 8.0,
                humidity: 0.45,
                rain_days_per_week: 0.4,
                ..base.clone()
            },
        ),
        (
            "warm and wet, southern",
            WeatherSettings {
                latitude_deg: -26.0,
                tilt_deg: 20.0,
                cloudiness: 0.45,
                mean_c: 21.0,
                season_swing_c: 5.0,
                humidity: 0.85,
                rain_days_per_week: 2.5,
                ..base
            },
        ),
    ]
}

/// One year of `days` days. The seed decides everything but the fate.
pub fn year(seed: u64, fate: Fate, days: usize) -> Year {
    let mut rng = Pcg64Mcg::seed_from_u64(0x7965_6172 ^ seed.wrapping_mul(0x9e37_79b9_7f4a_7c15));
    let between =
        |rng: &mut Pcg64Mcg, low: f64, high: f64| low + (high - low) * rng.random::<f64>();
    let log_between =
        |rng: &mut Pcg64Mcg, low: f64, high: f64| (between(rng, low.ln(), high.ln())).exp();
    let normal = |rng: &mut Pcg64Mcg| -> f64 { StandardNormal.sample(rng) };

    let (climate, weather) = climates()[rng.random_range(0..4)].clone();
    let logged = rng.random::<bool>();
    let strings = rng.random_range(1..=4_u32);
    let in_series = rng.random_range(4..=14_u32);
    let insulation = Insulation {
        r_dry_25c_ohm: log_between(&mut rng, 0.5e9, 4e9),
        c_dry_f: 25e-9,
        activation_energy_ev: between(&mut rng, 0.6, 0.9),
        wet_factor: log_between(&mut rng, 5.0, 40.0),
        wet_capacitance_factor: between(&mut rng, 1.5, 2.5),
        capacitance_percent_per_k: 0.2,
    };
    let modules = f64::from(strings * in_series);
    let start_s = NEW_YEAR_UNIX_S + DAY_S * f64::from(rng.random_range(0..365_u32));
    let begins = between(&mut rng, 35.0, 0.4 * days as f64);
    let ends = begins + between(&mut rng, 80.0, (days as f64 - begins).max(90.0));
    let grows = if rng.random::<f64>() < 0.3 {
        Grows::Linearly
    } else {
        Grows::Exponentially
    };
    // Resistance of the fault at the beginning and at the end; the end lies below every limit, the date of the crossing follows.
    let (r_begin, r_end) = match fate {
        Fate::Step => (log_between(&mut rng, 0.3e6, 2e6), 12e3),
        Fate::WetOnly => (log_between(&mut rng, 5e6, 50e6), 6e3),
        _ => (log_between(&mut rng, 10e6, 100e6), 12e3),
    };
    let place = if fate == Fate::Step {
        f64::from(rng.random::<bool>())
    } else {
        f64::from(rng.random_range(0..=in_series)) / f64::from(in_series)
    };
    let wet_divisor = between(&mut rng, 1.0, 4.0);
    let sensor_c = normal(&mut rng);

    let settings = ArraySettings {
        strings,
        modules_per_string: in_series,
        module: KINDS[0].name.to_owned(),
        string_cable_ohm: 0.2,
        main_cable_ohm: 0.0,
        insulation_mohm_per_module: insulation.r_dry_25c_ohm * 1e-6,
        leakage_nf_per_module: 25.0,
        activation_energy_ev: insulation.activation_energy_ev,
        wet_factor: insulation.wet_factor,
        wet_capacitance_factor: insulation.wet_capacitance_factor,
        capacitance_percent_per_k: insulation.capacitance_percent_per_k,
    };
    let mut array = Array::new(&Description {
        load: Load::WorkingPoint,
        ..Description::new(
            &settings,
            &KINDS[0],
            Earthing::NegativeBonded,
            &Calibration::REFERENCE.bridge,
        )
    });
    let mut world = Weather::new(&weather, start_s, seed);
    let mut record = Record::default();
    let mut true_excess_s = Vec::new();
    let mut true_lowest_ohm = vec![f64::INFINITY; days];
    // Dirt makes water conduct, slowly; rain washes it. Nobody logs it.
    let mut dirt = 0.0_f64;
    let mut silent_until = -1.0;
    let ticks = days * (DAY_S as usize / CHECK_S as usize);
    for tick in 0..ticks {
        let t_s = tick as f64 * f64::from(CHECK_S);
        let day = t_s / DAY_S;
        let sky = world.next_tick();
        dirt = if sky.raining {
            0.9 * dirt
        } else {
            dirt + 0.25 / 48.0 / 10.0
        };
        let at = sky.conditions;
        if at.irradiance_w_m2 < LIT_W_M2 {
            continue;
        }
        let done = ((day - begins) / (ends - begins)).min(1.0);
        let grown = |from: f64, to: f64| match grows {
            Grows::Exponentially => from * (to / from).powf(done),
            Grows::Linearly => from + (to - from) * done,
        };
        let module_s = insulation.conductance_s(at.cell_temp_c, at.wetness * (1.0 + dirt));
        let mut g_healthy = modules * module_s;
        let mut fault_s = 0.0;
        let mut excess_s = 0.0;
        if done >= 0.0 {
            match fate {
                Fate::Healthy => {}
                // It ends at 60 kΩ dry at 25 °C: heat and water take it below every limit long before.
                Fate::Steady => {
                    excess_s = -g_healthy;
                    g_healthy *= grown(1.0, 1.0 / (60e3 * modules / insulation.r_dry_25c_ohm));
                    excess_s += g_healthy;
                }
                Fate::WetOnly => {
                    fault_s =
                        ((at.wetness - 0.1) / 0.9).max(0.0) * grown(1.0 / r_begin, 1.0 / r_end);
                }
                Fate::Step | Fate::OnePlace => {
                    fault_s = grown(1.0 / r_begin, 1.0 / r_end)
                        * (1.0 + (wet_divisor - 1.0) * at.wetness);
                }
            }
        }
        excess_s += fault_s;
        let g_pos = 0.5 * g_healthy + place * fault_s;
        let g_neg = 0.5 * g_healthy + (1.0 - place) * fault_s;
        let today = &mut true_lowest_ohm[day as usize];
        *today = today.min(1.0 / (g_pos + g_neg));
        // Recorder, link or board off for a while, ten days a year in all; a measurement now and then comes to nothing.
        if rng.random::<f64>() < 0.0002 {
            silent_until = day + between(&mut rng, 0.1, 5.0);
        }
        if day < silent_until || rng.random::<f64>() < 0.02 {
            continue;
        }
        array.set_conditions(at);
        let mut noisy =
            |g: f64| g * (1.0 + NOISE_SHARE * normal(&mut rng)) + NOISE_S * normal(&mut rng);
        let (g_pos_s, g_neg_s) = (noisy(g_pos), noisy(g_neg));
        let c_true = modules * insulation.capacitance_f(at.cell_temp_c, at.wetness);
        true_excess_s.push(excess_s);
        record.looks.push(Look {
            t_s: start_s + t_s,
            g_pos_s,
            g_neg_s,
            g_sigma_s: 1.5 * NOISE_S + NOISE_SHARE * (g_pos_s + g_neg_s).abs(),
            c_f: c_true * (1.0 + 0.02 * normal(&mut rng)),
            v_v: Some(array.v_maximum_power() * (1.0 + 0.002 * normal(&mut rng))),
            dwell: None,
            weather: if logged {
                Logged {
                    cell_c: Some(at.cell_temp_c + sensor_c + 0.7 * normal(&mut rng)),
                    wetness: Some((0.9 * at.wetness + 0.03 * normal(&mut rng)).clamp(0.0, 1.0)),
                }
            } else {
                Logged::default()
            },
        });
    }
    Year {
        seed,
        fate,
        climate,
        logged,
        start_s,
        record,
        true_lowest_ohm,
        true_excess_s,
        begins: (fate != Fate::Healthy).then_some(begins),
        grows,
        place,
    }
}
