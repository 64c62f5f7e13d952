//! The world a sample at a time.
//!
//! Everything that can change by itself has a known next time, so a step in quiet is a decay, a filter and four
//! conversions. The circuit is solved only for a new *regime* (weather tick × faults × contacts), and each regime of
//! the present tick is kept: a measuring bridge that switches to and fro costs its solutions once.

use crate::ageing::{Aged, AgeingSettings};
use crate::array::{Array, Contacts, Description, OperatingPoint};
use crate::contactor::Contactor;
use crate::converter_noise::{ConverterNoise, Noise, NoiseRegime};
use crate::fault::{Fault, at_hours};
use crate::fuse::Fuse;
use crate::network::NetworkError;
use crate::scenario::{Button, EarthPotential, PersonSettings, Scenario, Shade};
use crate::sensors::{FrontEnd, Seen, SensorSettings};
use crate::surge::{LowPass, Surge};
use crate::transient::{Electrical, Target, Transient};
use crate::weather::{Sky, Weather};
use ohmward_proto::settings::Earthing;
use ohmward_proto::{Calibration, Codes, SampleIndex};
use spells::{Spell, Spells};

mod quiet;
mod spells;

pub use quiet::AtRest;

/// What the board sets.
// One switch, one bool: any combination is possible.
#[allow(clippy::struct_excessive_bools)]
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Switches {
    /// Contactor coil energised: its contacts close.
    pub contactor: bool,
    /// Bond switch open.
    pub bond_open: bool,
    /// Measuring resistor at the positive conductor.
    pub bridge_pos: bool,
    /// Measuring resistor at the negative conductor.
    pub bridge_neg: bool,
    /// Self-test current on.
    pub inject: bool,
}

/// What the board senses.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Sensed {
    /// Converter codes.
    pub codes: Codes,
    /// Mirror contact: true = closed.
    pub contactor_feedback: bool,
    /// Reset button pressed.
    pub reset: bool,
    /// Maintenance switch on.
    pub arm: bool,
}

/// Why the world cannot go on.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub enum WorldError {
    /// The circuit of this scenario has no solution at this moment.
    #[error(
        "{file}: at {at_h:.4} h: {why}; check the faults and resistances of the scenario, or report this with the file"
    )]
    Circuit {
        /// The scenario file.
        file: String,
        /// Hours from the start.
        at_h: f64,
        /// What the solver said.
        why: NetworkError,
    },
}

/// What a regime of the circuit comes to in a sample.
#[derive(Clone)]
struct Entered {
    target: Target,
    noise: Option<NoiseRegime>,
}

/// The simulated world.
pub struct World {
    file: String,
    sample_rate_hz: u32,
    start_unix_ms: i64,
    end: SampleIndex,
    now: SampleIndex,
    next_change: SampleIndex,
    /// The next one that is not of the weather.
    next_event: SampleIndex,
    /// Latest sample in which anything became otherwise.
    changed: SampleIndex,

    array: Array,
    weather: Weather,
    sky: Sky,
    /// Of the next tick, when that was looked at and put back.
    ahead: Option<Sky>,
    ageing: AgeingSettings,
    aged: Aged,
    tick_samples: u64,
    next_tick: SampleIndex,
    faults: Vec<Fault>,
    fault_s: Vec<f64>,
    presses: Vec<Spell<Button>>,
    welds: Vec<Spell<()>>,
    shades: Spells<Shade>,
    persons: Spells<PersonSettings>,
    potentials: Spells<EarthPotential>,
    earth_potential_v: f64,
    fuse: Option<Fuse>,
    converter_noise: Option<ConverterNoise>,
    sensors: SensorSettings,
    earthing: Earthing,
    mains_hz: u32,
    surges: Vec<Surge>,
    /// Surges that flow or are about to.
    surging: Vec<Surge>,

    contactor: Contactor,
    reset: bool,
    arm: bool,

    contacts: Contacts,
    transient: Transient,
    noise: Option<NoiseRegime>,
    /// Weather or a fault has ended the regime; the next step enters its successor.
    stale: bool,
    /// Regimes of the present tick and faults, by contacts.
    known: [Option<Entered>; 16],
    front_end: FrontEnd,
    fine: LowPass,
    fine_parts: u32,
    seed: u64,
}

/// A surge is followed in steps of at most this.
const FINE_S: f64 = 1e-6;

impl World {
    /// A world at the start of its scenario, seen through a front end of that design.
    pub fn new(scenario: &Scenario, calibration: &Calibration) -> Result<Self, WorldError> {
        let rate = scenario.board.sample_rate_hz;
        let sample_s = 1.0 / f64::from(rate);
        let settings = &scenario.settings;
        let mut array = Array::new(&Description {
            parts: scenario.earthing,
            ground: scenario.ground,
            load: scenario.load,
            faults: scenario.fault_paths.clone(),
            ..Description::new(
                &scenario.array,
                scenario.module,
                settings.earthing,
                &scenario.sensors.bridge(&calibration.bridge),
            )
        });
        let start_unix_s = scenario.start.as_millisecond() as f64 / 1000.0;
        let mut weather = Weather::new(&scenario.weather, start_unix_s, scenario.seed);
        let sky = weather.next_tick();
        let tick_samples = u64::from(scenario.weather.step_s) * u64::from(rate);
        let faults: Vec<_> = scenario
            .faults
            .iter()
            .enumerate()
            .map(|(k, fault)| Fault::new(fault, rate, scenario.seed, k))
            .collect();
        let presses = scenario.presses.iter();
        let presses = presses.map(|p| Spell::seconds(p.button, p.at_h, p.for_s, rate));
        let welds = scenario.welds.iter();
        let welds = welds.map(|w| Spell::hours((), w.from_h, w.to_h, rate));
        let shades = scenario.shades.iter();
        let shades = shades.map(|s| Spell::hours(*s, s.from_h, s.to_h, rate));
        let persons = scenario.persons.iter();
        let persons = persons.map(|p| Spell::hours(*p, p.from_h, p.to_h, rate));
        let potentials = scenario.earth_potentials.iter();
        let potentials = potentials.map(|e| Spell::seconds(*e, e.at_h, e.for_s, rate));
        let mut surges: Vec<_> = scenario
            .surges
            .iter()
            .map(|s| Surge {
                at: at_hours(s.at_h, rate),
                peak_a: s.peak_a,
                wave: s.wave,
            })
            .collect();
        surges.sort_by_key(|surge| surge.at);
        let fine_parts = (sample_s / FINE_S).ceil() as u32;
        // A stand-in until the first weather is in: a dark array at rest.
        let dark = array
            .solve(Contacts::default())
            .map_err(|why| WorldError::Circuit {
                file: scenario.file.clone(),
                at_h: 0.0,
                why,
            })?;
        let transient = Transient::at(Target::new(dark, sample_s), sample_s);
        let mut world = Self {
            file: scenario.file.clone(),
            sample_rate_hz: rate,
            start_unix_ms: scenario.start.as_millisecond(),
            end: scenario.end(),
            now: SampleIndex(0),
            next_change: SampleIndex(0),
            next_event: SampleIndex(0),
            changed: SampleIndex(0),
            fault_s: vec![0.0; faults.len()],
            array,
            weather,
            sky,
            ahead: None,
            ageing: scenario.ageing.clone(),
            aged: scenario.ageing.at_h(0.0),
            tick_samples,
            next_tick: SampleIndex(tick_samples),
            faults,
            presses: presses.collect(),
            welds: welds.collect(),
            shades: Spells::new(shades),
            persons: Spells::new(persons),
            potentials: Spells::new(potentials),
            earth_potential_v: scenario.ground.earth_potential_v.unwrap_or(0.0),
            fuse: scenario.fuse.as_ref().map(Fuse::new),
            converter_noise: scenario.converter_noise,
            sensors: scenario.sensors,
            earthing: settings.earthing,
            mains_hz: settings.mains.hz(),
            surges,
            surging: Vec::new(),
            contactor: Contactor::new(&scenario.contactor, rate),
            reset: false,
            arm: false,
            contacts: Contacts::default(),
            transient,
            noise: None,
            stale: true,
            known: Default::default(),
            front_end: FrontEnd::new(
                &scenario.sensors,
                calibration,
                rate,
                settings.mains.hz(),
                scenario.seed,
            ),
            fine: LowPass::new(scenario.sensors.corner_hz, sample_s / f64::from(fine_parts)),
            fine_parts,
            seed: scenario.seed,
        };
        world.array.set_age(world.aged);
        world.array.set_conditions(sky.conditions);
        world.change();
        // Fails now rather than after a day if the circuit cannot be solved at all. The scenario begins at rest.
        let target = world.regime_for(Contacts::default())?.target;
        world.transient = Transient::at(target, sample_s);
        world.front_end.rest(world.transient.regime().i_bond_a());
        Ok(world)
    }

    /// One sample period with these switches; then [`now`](Self::now) is one later. No allocation in quiet.
    pub fn step(&mut self, switches: &Switches) -> Result<Sensed, WorldError> {
        if self.now >= self.next_change {
            self.change();
        }
        self.contactor.step(self.now, switches.contactor);
        let contacts = self.contacts(self.contactor.closed(), switches);
        if self.stale || contacts != self.contacts {
            self.enter(contacts)?;
        }
        let electrical = match self.transient.step(&mut self.array) {
            Ok(electrical) => electrical,
            Err(why) => return Err(self.circuit(why)),
        };
        let bond_closed = !contacts.bond_open;
        let (i_a, surge_a2) = if self.surging.is_empty() {
            (self.front_end.filter(electrical.i_bond_a), None)
        } else {
            self.filter_surge(electrical, bond_closed)
        };
        self.heat_fuse(surge_a2.unwrap_or(electrical.i_bond_a.powi(2)), bond_closed);
        let noise = self
            .noise
            .map_or(Noise::default(), |noise| noise.at(self.now));
        let seen = Seen {
            i_a: i_a + noise.i_a,
            v_pos: electrical.v_pos + noise.v_pos,
            v_neg: electrical.v_neg + noise.v_neg,
        };
        let codes = self
            .front_end
            .convert(self.now.0, &seen, bond_closed, switches.inject);
        self.now = self.now.after(1);
        Ok(Sensed {
            codes,
            contactor_feedback: self.contactor.closed(),
            reset: self.reset,
            arm: self.arm,
        })
    }

    /// The sample the next step makes.
    pub fn now(&self) -> SampleIndex {
        self.now
    }

    /// First sample after the scenario. The world goes on if stepped further, with nothing new but weather.
    pub fn end(&self) -> SampleIndex {
        self.end
    }

    /// Next change of any kind: weather tick, fault edge, shade, person, soil, surge, button, weld, end, or the fuse
    /// melting at the present current. At [`now`](Self::now) it takes effect in the next step.
    pub fn next_change(&self) -> SampleIndex {
        self.fuse_melts().min(self.next_change)
    }

    /// The sample during which the fuse melts if nothing changes.
    fn fuse_melts(&self) -> SampleIndex {
        let after_s = match &self.fuse {
            Some(fuse) if !self.contacts.bond_open => fuse.melts_after_s(self.steady_a2()),
            _ => None,
        };
        after_s.map_or(SampleIndex(u64::MAX), |after_s| {
            // The cast saturates: an hour of the fuse's time is no more than that.
            self.now
                .after((after_s * f64::from(self.sample_rate_hz)).floor() as u64)
        })
    }

    /// Mean square of the bond current at rest, A².
    fn steady_a2(&self) -> f64 {
        let noise_a2 = self.noise.map_or(0.0, |noise| noise.mean_square_a2());
        self.transient.regime().i_bond_a().powi(2) + noise_a2
    }

    /// First sample with the ground-fault fuse open, once it has melted.
    pub fn fuse_melted(&self) -> Option<SampleIndex> {
        self.fuse.and_then(|fuse| fuse.melted())
    }

    /// The current at rest through the fuse, from now to `at`.
    fn carry_steadily(&mut self, at: SampleIndex) {
        let carried_a2 = if self.contacts.bond_open {
            0.0
        } else {
            self.steady_a2()
        };
        let for_s = at.since(self.now) as f64 / f64::from(self.sample_rate_hz);
        if let Some(fuse) = &mut self.fuse {
            self.stale |= fuse.carry(carried_a2, for_s, at);
        }
    }

    /// One sample of bond current through the fuse.
    fn heat_fuse(&mut self, mean_square_a2: f64, bond_closed: bool) {
        let noise_a2 = self.noise.map_or(0.0, |noise| noise.mean_square_a2());
        let Some(fuse) = &mut self.fuse else { return };
        let carried_a2 = if bond_closed {
            mean_square_a2 + noise_a2
        } else {
            0.0
        };
        let sample_s = 1.0 / f64::from(self.sample_rate_hz);
        // Open from the next sample on, in a regime of its own.
        self.stale |= fuse.carry(carried_a2, sample_s, self.now.after(1));
    }

    /// A melted fuse opens the bond whatever its switch does.
    fn contacts(&self, contactor_closed: bool, switches: &Switches) -> Contacts {
        Contacts {
            contactor_closed,
            bond_open: switches.bond_open || self.fuse_melted().is_some(),
            bridge_pos: switches.bridge_pos,
            bridge_neg: switches.bridge_neg,
        }
    }

    /// Unix time of a sample, ms.
    pub fn unix_ms(&self, at: SampleIndex) -> i64 {
        let ms = u128::from(at.0) * 1000 / u128::from(self.sample_rate_hz);
        self.start_unix_ms
            .saturating_add(i64::try_from(ms).unwrap_or(i64::MAX))
    }

    /// The weather of the present tick.
    pub fn sky(&self) -> &Sky {
        &self.sky
    }

    /// The array at rest in the present weather and faults, if the switches (and the contactor's contacts with its
    /// coil) stood so. Changes nothing.
    pub fn operating_point(&mut self, switches: &Switches) -> Result<OperatingPoint, WorldError> {
        let contacts = self.contacts(switches.contactor, switches);
        self.solve(contacts)
    }

    /// Takes over everything that is due.
    fn change(&mut self) {
        let now = self.now;
        let mut new_regimes = false;
        let event = now >= self.next_event;
        while self.next_tick <= now {
            let next = || self.weather.next_tick();
            let sky = self.ahead.take().unwrap_or_else(next);
            let tick_h = self.next_tick.0 as f64 / f64::from(self.sample_rate_hz) / 3600.0;
            let aged = self.ageing.at_h(tick_h);
            self.next_tick = self.next_tick.after(self.tick_samples);
            if sky.conditions != self.sky.conditions || aged != self.aged {
                self.aged = aged;
                self.array.set_age(aged);
                self.array.set_conditions(sky.conditions);
                new_regimes = true;
            }
            self.sky = sky;
        }
        let mut next = SampleIndex(u64::MAX);
        let mut soonest = |at: SampleIndex| {
            if at > now && at < next {
                next = at;
            }
        };
        for (k, fault) in self.faults.iter_mut().enumerate() {
            let siemens = fault.conductance_s(now, self.sky.conditions.wetness);
            if siemens.to_bits() != self.fault_s[k].to_bits() {
                self.fault_s[k] = siemens;
                self.array.set_fault(k, siemens);
                new_regimes = true;
            }
            soonest(fault.next_change(now));
        }
        if self.shades.turn(now, &mut soonest) {
            self.array.set_full_light();
            for shade in self.shades.running() {
                let modules = match shade.modules {
                    Some([first, last]) => first - 1..last,
                    None => 0..u32::MAX,
                };
                self.array.set_light(shade.string - 1, modules, shade.light);
            }
            new_regimes = true;
        }
        if self.persons.turn(now, &mut soonest) {
            let person = self.persons.running().next().map(PersonSettings::person);
            self.array.set_person(person);
            new_regimes = true;
        }
        if self.potentials.turn(now, &mut soonest) {
            let lifts: f64 = self.potentials.running().map(|lift| lift.volts).sum();
            self.array
                .set_earth_potential(self.earth_potential_v + lifts);
            new_regimes = true;
        }
        (self.reset, self.arm) = (false, false);
        for press in &self.presses {
            if press.during.contains(&now) {
                match press.what {
                    Button::Reset => self.reset = true,
                    Button::Arm => self.arm = true,
                }
            }
            soonest(press.during.start);
            soonest(press.during.end);
        }
        self.contactor
            .set_welded(self.welds.iter().any(|weld| weld.during.contains(&now)));
        for weld in &self.welds {
            soonest(weld.during.start);
            soonest(weld.during.end);
        }
        let begun = self.surges.partition_point(|surge| surge.at <= now);
        self.surging.extend(self.surges.drain(..begun));
        if let Some(surge) = self.surges.first() {
            soonest(surge.at);
        }
        soonest(self.end);
        self.next_event = next;
        self.next_change = next.min(self.next_tick);
        if new_regimes || event {
            self.changed = now;
        }
        if new_regimes {
            self.known = Default::default();
            self.stale = true;
        }
    }

    /// Goes over to the regime of these contacts.
    fn enter(&mut self, contacts: Contacts) -> Result<(), WorldError> {
        let entered = self.regime_for(contacts)?;
        self.changed = self.now;
        self.transient
            .enter(&mut self.array, contacts, entered.target)
            .map_err(|why| self.circuit(why))?;
        self.noise = entered.noise;
        self.contacts = contacts;
        self.stale = false;
        Ok(())
    }

    fn regime_for(&mut self, contacts: Contacts) -> Result<Entered, WorldError> {
        let index = usize::from(contacts.contactor_closed)
            | usize::from(contacts.bond_open) << 1
            | usize::from(contacts.bridge_pos) << 2
            | usize::from(contacts.bridge_neg) << 3;
        if let Some(entered) = &self.known[index] {
            return Ok(entered.clone());
        }
        let point = self.solve(contacts)?;
        // A converter without light does not switch.
        let feeding = contacts.contactor_closed && !self.array.is_dark();
        let noise = self.converter_noise.filter(|_| feeding).map(|noise| {
            NoiseRegime::new(
                &noise,
                &point,
                self.earthing,
                &self.sensors,
                self.sample_rate_hz,
                self.mains_hz,
            )
        });
        let entered = Entered {
            target: Target::new(point, 1.0 / f64::from(self.sample_rate_hz)),
            noise,
        };
        self.known[index] = Some(entered.clone());
        Ok(entered)
    }

    fn solve(&mut self, contacts: Contacts) -> Result<OperatingPoint, WorldError> {
        let solved = self.array.solve(contacts);
        solved.map_err(|why| self.circuit(why))
    }

    fn circuit(&self, why: NetworkError) -> WorldError {
        WorldError::Circuit {
            file: self.file.clone(),
            at_h: self.now.0 as f64 / f64::from(self.sample_rate_hz) / 3600.0,
            why,
        }
    }

    /// A sample in which surges flow: through the filter in fine steps. An open bond lets none through. Gives what the
    /// filter says and the mean square of the bond current, A².
    fn filter_surge(&mut self, electrical: Electrical, bond_closed: bool) -> (f64, Option<f64>) {
        let rate = f64::from(self.sample_rate_hz);
        let part_s = 1.0 / rate / f64::from(self.fine_parts);
        let (now, surging) = (self.now, &self.surging);
        let mut sum_a2 = 0.0;
        let parts = (0..self.fine_parts).map(|part| {
            let pulses = surging.iter().map(|surge| {
                let t_s = now.since(surge.at) as f64 / rate + (f64::from(part) + 0.5) * part_s;
                surge.current_a(t_s)
            });
            let i_a = electrical.i_bond_a + if bond_closed { pulses.sum() } else { 0.0 };
            sum_a2 += i_a * i_a;
            i_a
        });
        let i_a = self.front_end.filter_fine(&self.fine, parts);
        let after = self.now.after(1);
        self.surging
            .retain(|surge| surge.wave.flows(after.since(surge.at) as f64 / rate));
        (i_a, Some(sum_a2 / f64::from(self.fine_parts)))
    }
}
