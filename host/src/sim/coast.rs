//! Readings of quiet time, drawn: a year of them for the work on trends.
//!
//! Where nothing can happen but readings and small changes of the weather, neither is sampled. A reading is drawn from what
//! stands at the sensors and from the statistics of a window of noise and hum; a tick of the weather is passed over when what
//! it brings cannot matter to the firmware (the rules are in [`Harmless`]), and sampled when it might. Everything else goes
//! through world and firmware as ever: checks with their real noise, connecting, faults, trips, resets.

use super::board::{SimulatedBoard, until_seen};
use ohmward_core::{PRE_SAMPLES, Rest};
use ohmward_plant::{AtRest, WorldError};
use ohmward_proto::Reading;
use ohmward_proto::settings::{Earthing, Settings};
use ohmward_proto::units::{Amps, SampleIndex, Volts};

/// Readings that may wait to be taken.
const READINGS_MAX: usize = 4096;

/// Drawn readings, and what a board may be left alone with.
pub struct Coast {
    harmless: Harmless,
    readings: Vec<Reading>,
    /// A tick that might matter: everything is sampled until it is over.
    sampled_until: SampleIndex,
}

/// Whether the firmware may miss a change of the weather.
struct Harmless {
    earthing: Earthing,
    /// Steady current up to here picks nothing up, A.
    steady_a: f64,
    /// And a change up to here is no sudden one, A.
    change_a: f64,
    hum_peak_a: f64,
    /// Array voltages at which the firmware makes up its mind about light, V.
    lit_v: f64,
    dark_v: f64,
    /// The bonded pole is surely at earth up to here, V.
    held_v: f64,
}

/// Share of a limit that is left alone: far from any pickup.
const FAR_PART: f64 = 0.5;
/// A sudden change picks up at three quarters of its level; a quarter of it is none.
const CHANGE_PART: f64 = 0.25;
/// The firmware calls it dark below this part of the least voltage to measure with.
const DARK_PART: f64 = 0.8;
/// Noise of a window's mean is hundredths of a volt; closer than this to a threshold is sampled, V.
const NEAR_V: f64 = 0.5;
/// Half of what the firmware allows a bonded pole, V.
const HELD_V: f64 = 5.0;

impl Harmless {
    fn new(settings: &Settings, hum_bond_ma: f64) -> Self {
        let limits = &settings.current;
        let lowest = limits.continuous.above.0.min(limits.ground_fault.above.0);
        Self {
            earthing: settings.earthing,
            steady_a: FAR_PART * f64::from(lowest),
            change_a: CHANGE_PART * f64::from(limits.sudden.low.above.0),
            hum_peak_a: hum_bond_ma * 1e-3,
            lit_v: f64::from(settings.check.v_min.0),
            dark_v: DARK_PART * f64::from(settings.check.v_min.0),
            held_v: HELD_V,
        }
    }

    /// Which side of the thresholds of light; none when too near to one to tell.
    fn light(&self, at: &AtRest) -> Option<u8> {
        let v = at.v_pos - at.v_neg;
        let near = (v - self.lit_v).abs() < NEAR_V || (v - self.dark_v).abs() < NEAR_V;
        (!near).then_some(u8::from(v > self.dark_v) + u8::from(v > self.lit_v))
    }

    /// Standing like this, nothing is picked up.
    fn stands(&self, at: &AtRest) -> bool {
        let held = match self.earthing {
            Earthing::NegativeBonded => at.v_neg.abs() < self.held_v,
            Earthing::PositiveBonded => at.v_pos.abs() < self.held_v,
            Earthing::HighResistance | Earthing::NotEarthed => true,
        };
        let steady = at.i_bond_a.abs() + self.hum_peak_a < self.steady_a;
        steady && held
    }

    /// Going from one to the other means nothing to the firmware. `bond_open`: the bonded pole may stand anywhere.
    fn change(&self, from: &AtRest, to: &AtRest, bond_open: bool) -> bool {
        let light = self.light(from);
        light.is_some()
            && light == self.light(to)
            && (to.i_bond_a - from.i_bond_a).abs() < self.change_a
            && (bond_open || self.stands(to))
    }
}

impl Coast {
    pub fn new(settings: &Settings, hum_bond_ma: f64) -> Self {
        Self {
            harmless: Harmless::new(settings, hum_bond_ma),
            readings: Vec::new(),
            sampled_until: SampleIndex(0),
        }
    }

    pub fn is_full(&self) -> bool {
        self.readings.len() >= READINGS_MAX
    }

    pub fn take(&mut self) -> Vec<Reading> {
        std::mem::take(&mut self.readings)
    }

    /// Coasts as far as it goes, if it may begin.
    pub fn go(&mut self, board: &mut SimulatedBoard) -> Result<(), WorldError> {
        let window = board.monitor().window();
        let Some(world) = board.source().world() else {
            return Ok(());
        };
        let quiet =
            world.settled() && world.drawable() && world.unchanged_for() >= until_seen(window);
        let (event, mut now) = (world.next_event().0, world.now().0);
        if !quiet || board.monitor().now() < self.sampled_until {
            return Ok(());
        }
        let Rest::Until(firmware) = board.monitor().rest_but_for_readings() else {
            return Ok(());
        };
        let bond_open = board.monitor().bond_open();
        // The world counts samples taken, the firmware names the sample it is at: the n-th is n − 1 in the world.
        let horizon = (firmware.0 - 1).min(event.saturating_sub(PRE_SAMPLES as u64));
        let mut old: Option<(AtRest, u64)> = None;
        while !self.is_full() {
            let Some(world) = board.source().world() else {
                break;
            };
            let at_rest = world.at_rest();
            let tick = world.next_change().0;
            let to = tick.min(horizon);
            // A reading at firmware's sample n sees the world's samples up to n − 1.
            while board.monitor().next_reading().0 <= to && !self.is_full() {
                let at = board.monitor().next_reading();
                let seen = blend(&at_rest, old, at.0, window);
                let Some(world) = board.source().world() else {
                    break;
                };
                let drawn = world.draw_window(at, &seen, window);
                let [dc, rms] = [drawn.i_dc_a, drawn.i_rms_a].map(|a| Amps(a as f32));
                let [v_pos, v_neg] = [drawn.v_pos, drawn.v_neg].map(|v| Volts(v as f32));
                self.readings
                    .push(board.quiet_reading(dc, rms, v_pos, v_neg));
                now = now.max(at.0);
            }
            if self.is_full() {
                break;
            }
            now = now.max(to);
            if to == horizon {
                break;
            }
            let Some(world) = board.source_mut().world_mut() else {
                break;
            };
            let harmless = &self.harmless;
            // Sensors at a rail are a matter of their own.
            let before_in_range = world.poles_in_range(&at_rest);
            let passed = world
                .pass_tick(|next| before_in_range && harmless.change(&at_rest, next, bond_open))?;
            let in_range = passed && world.poles_in_range(&world.at_rest());
            if !in_range {
                self.sampled_until = SampleIndex(tick + 1);
                if !passed {
                    let before = tick.saturating_sub(PRE_SAMPLES as u64);
                    now = before.max(world.now().0);
                }
                break;
            }
            old = Some((at_rest, tick));
        }
        // No reading may be due before a window has filled again.
        let reading = board.monitor().next_reading().0;
        let room = window as u64 + 2;
        let Some(world) = board.source_mut().world_mut() else {
            return Ok(());
        };
        if reading < now + room {
            now = reading.saturating_sub(room).max(world.now().0);
        }
        world.skip_to(SampleIndex(now));
        let at = world.now();
        board.skip_to(at.after(1));
        Ok(())
    }
}

/// What a window that ends at `at` sees on the mean, when a tick of the weather falls into it.
fn blend(new: &AtRest, old: Option<(AtRest, u64)>, at: u64, window: usize) -> AtRest {
    let Some((old, tick)) = old else { return *new };
    let since = at.saturating_sub(tick);
    if since >= window as u64 {
        return *new;
    }
    let part = since as f64 / window as f64;
    let mean = |old: f64, new: f64| old + (new - old) * part;
    AtRest {
        i_bond_a: mean(old.i_bond_a, new.i_bond_a),
        v_pos: mean(old.v_pos, new.v_pos),
        v_neg: mean(old.v_neg, new.v_neg),
    }
}
