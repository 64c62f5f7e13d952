//! Everything around the firmware, a sample at a time: the array's poles, the bond current as it plays, the front end and the
//! contactor. The bench puts cases into it; a replay puts a whole board into it.

use super::array::{Array, Leakage, Poles};
use super::run::{CORNER_HZ, RATE_HZ, SAMPLE_S};
use super::waveform::{Player, Waveform};
use ohmward_core::{Outputs, TEST_CURRENT};
use ohmward_plant::contactor::{Contactor, ContactorSettings};
use ohmward_plant::sensors::{FrontEnd, Seen, SensorSettings};
use ohmward_plant::surge::LowPass;
use ohmward_proto::Settings;
use ohmward_proto::measure::Codes;
use ohmward_proto::settings::Calibration;
use ohmward_proto::units::SampleIndex;
use rand::{Rng, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// Converter noise of the wide range, RMS: 4 mA, of the poles: 0.1 V (plant's defaults).
const WIDE_NOISE_MA: f64 = 4.0;
/// Steps of the front end's filter in a sample, and while a stroke flows: 1 µs then.
const PARTS: u32 = 2;
const FINE_PARTS: u32 = 250;

/// What it is made of.
#[derive(Clone, Copy, Debug)]
pub struct Parts<'a> {
    /// The bond current besides what the array's leakage drives.
    pub waveform: &'a Waveform,
    /// Settings of the board: earthing arrangement and mains.
    pub settings: &'a Settings,
    /// What the board takes its front end to be.
    pub calibration: &'a Calibration,
    /// What its front end is.
    pub sensors: SensorSettings,
    /// The contactor.
    pub contactor: ContactorSettings,
    /// The array to begin with.
    pub leakage: Leakage,
    /// Seed of the noise.
    pub seed: u64,
}

/// The reference front end with the waveform's noise.
pub fn sensors(waveform: &Waveform) -> SensorSettings {
    SensorSettings {
        corner_hz: CORNER_HZ,
        fine_noise_ma: waveform.noise_a * 1e3,
        wide_noise_ma: WIDE_NOISE_MA,
        inject_ma: f64::from(TEST_CURRENT.0) * 1e3,
        ..SensorSettings::default()
    }
}

/// The world of a case or a replay.
#[derive(Debug)]
pub struct Around {
    array: Array,
    /// The array's leakage now.
    pub leakage: Leakage,
    /// The current as it plays.
    pub player: Player,
    front_end: FrontEnd,
    corner_hz: f64,
    coarse: LowPass,
    fine: LowPass,
    pink: Pink,
    pink_a: f64,
    contactor: Contactor,
    samples: u64,
}

impl Around {
    /// At rest; the contactor is open.
    pub fn new(parts: &Parts) -> Self {
        let corner_hz = parts.sensors.corner_hz;
        let mains_hz = parts.settings.mains.hz();
        Self {
            array: Array::new(parts.settings.earthing, parts.calibration.bridge),
            leakage: parts.leakage,
            player: Player::new(parts.waveform),
            front_end: FrontEnd::new(
                &parts.sensors,
                parts.calibration,
                RATE_HZ,
                mains_hz,
                parts.seed,
            ),
            corner_hz,
            coarse: LowPass::new(corner_hz, SAMPLE_S / f64::from(PARTS)),
            fine: LowPass::new(corner_hz, SAMPLE_S / f64::from(FINE_PARTS)),
            pink: Pink::new(parts.seed),
            pink_a: parts.waveform.pink_noise_a,
            contactor: Contactor::new(&parts.contactor, RATE_HZ),
            samples: 0,
        }
    }

    /// The contactor welds once it is closed, or does not.
    #[must_use]
    pub fn welded(mut self, welded: bool) -> Self {
        self.contactor.set_welded(welded);
        self
    }

    /// Samples made.
    pub fn samples(&self) -> u64 {
        self.samples
    }

    /// What the mirror contact says.
    pub fn contactor_closed(&self) -> bool {
        self.contactor.closed()
    }

    /// One sample period with the board's outputs set so.
    pub fn step(&mut self, outputs: &Outputs) -> Codes {
        self.contactor
            .step(SampleIndex(self.samples), outputs.contactor);
        self.player.contactor(self.contactor.closed());
        let mut poles: Poles = self.array.step(&self.leakage, outputs, SAMPLE_S);
        if let Some([v_pos, v_neg]) = self.player.poles_v() {
            (poles.v_pos, poles.v_neg) = (f64::from(v_pos), f64::from(v_neg));
        }
        let surging = self.player.needs_fine_steps(SAMPLE_S);
        let (filter, parts) = if surging {
            (&self.fine, FINE_PARTS)
        } else {
            (&self.coarse, PARTS)
        };
        let step_s = SAMPLE_S / f64::from(parts);
        let player = &mut self.player;
        let currents = (0..parts).map(|_| {
            let i_a = player.step(step_s);
            // Nothing flows through a bond that is open but what the array itself drives: nothing.
            poles.i_bond_a + if poles.bond_closed { i_a } else { 0.0 }
        });
        let mut i_a = self.front_end.filter_fine(filter, currents);
        if poles.bond_closed {
            i_a += self.player.ripple_a(self.corner_hz);
        }
        if self.player.stands() {
            i_a += self.pink.next() * self.pink_a;
        }
        let seen = Seen {
            i_a,
            v_pos: poles.v_pos,
            v_neg: poles.v_neg,
        };
        self.samples += 1;
        self.front_end
            .convert(self.samples, &seen, false, outputs.inject)
    }
}

/// Noise of density 1/f over ten octaves below a quarter of the sample rate: rows that are drawn anew every 2, 4, 8 …
/// samples, one at a time (the Voss-McCartney form).
#[derive(Debug)]
struct Pink {
    rows: [f64; ROWS],
    sum: f64,
    count: u32,
    dice: Pcg64Mcg,
}

const ROWS: usize = 10;

impl Pink {
    fn new(seed: u64) -> Self {
        Self {
            rows: [0.0; ROWS],
            sum: 0.0,
            count: 0,
            dice: Pcg64Mcg::seed_from_u64(seed ^ 0x1f),
        }
    }

    /// RMS 1.
    fn next(&mut self) -> f64 {
        self.count = self.count.wrapping_add(1);
        let row = (self.count.trailing_zeros() as usize).min(ROWS - 1);
        // Uniform of variance 1: from −√3 to √3.
        let drawn =
            ((self.dice.next_u64() >> 11) as f64 / (1_u64 << 52) as f64 - 1.0) * 3.0_f64.sqrt();
        self.sum += drawn - self.rows[row];
        self.rows[row] = drawn;
        self.sum / (ROWS as f64).sqrt()
    }
}
