//! Settings: in the units of the path of a sample, and how new ones come into force.

use super::Monitor;
use super::current::STEP_QUARTERS;
use crate::calibrate::MicroAmps;
use crate::despike::Despike;
use crate::fuse::Fuse;
use crate::insulation::Setup;
use crate::latch::LatchTimes;
use crate::limits::DefiniteTime;
use crate::self_test::SelfTest;
use crate::window::whole_cycles;
use ohmward_proto::event::EventKind;
use ohmward_proto::measure::TripState;
use ohmward_proto::settings::{self, Calibration, Settings, SettingsFault};

/// Feedback contacts may bounce for this long without meaning anything.
const FEEDBACK_BOUNCE_MS: u64 = 20;
/// Settings are taken at most this often, in s: taking them begins every timer afresh.
const APPLY_EVERY_S: u64 = 10;

/// Settings in samples and integer units.
#[derive(Clone, Copy, Debug)]
pub(super) struct Derived {
    pub(super) continuous: DefiniteTime,
    pub(super) ground_fault: DefiniteTime,
    pub(super) latch: LatchTimes,
    pub(super) reading_every: u64,
    pub(super) v_min_mv: i64,
}

impl Derived {
    pub(super) fn of(settings: &Settings, rate: u32) -> Self {
        let samples = |ms: u64| ms * u64::from(rate) / 1000;
        let definite = |limit: settings::DefiniteTime| {
            let above = MicroAmps::from_amps(limit.above);
            DefiniteTime::new(above.0, samples(u64::from(limit.hold_ms)))
        };
        Self {
            continuous: definite(settings.current.continuous),
            ground_fault: definite(settings.current.ground_fault),
            latch: LatchTimes {
                open_max: samples(u64::from(settings.contactor.open_ms_max)),
                close_max: samples(u64::from(settings.contactor.close_ms_max)),
                bounce_max: samples(FEEDBACK_BOUNCE_MS),
            },
            reading_every: samples(u64::from(settings.reading_every_ms)).max(1),
            v_min_mv: v_min_mv(settings),
        }
    }
}

fn v_min_mv(settings: &Settings) -> i64 {
    (settings.check.v_min.0 * 1e3) as i64
}

/// What insulation is measured with.
pub(super) fn setup(
    settings: &Settings,
    calibration: &Calibration,
    rate: u32,
    window: usize,
) -> Setup {
    Setup {
        bridge: calibration.bridge,
        sample_rate_hz: rate,
        window: window as u32,
        bond: settings.earthing.has_bond(),
        state_max: (u64::from(settings.check.state_ms_max) * u64::from(rate) / 1000) as u32,
        v_min_mv: v_min_mv(settings),
    }
}

impl Monitor {
    /// Takes new settings into force. The trip state stays; measurements under way begin again.
    ///
    /// # Errors
    /// As [`Self::new`]; then nothing has changed. [`SettingsFault::NotNow`] while something is being
    /// timed or measured, while the contactor moves, and within ten seconds of the last ones.
    pub fn apply(&mut self, settings: Settings) -> Result<(), SettingsFault> {
        self.may_apply(&settings)?;
        if settings == self.settings {
            return Ok(());
        }
        self.applied_at = Some(self.now);
        self.remember_current(STEP_QUARTERS);
        let rate = self.identity.sample_rate_hz;
        let window = whole_cycles(rate, settings.mains)?;
        self.settings = settings;
        self.derived = Derived::of(&settings, rate);
        self.despike = Despike::new(MicroAmps::from_amps(settings.current.surge_above), rate);
        self.sudden
            .begin(&settings.current.sudden, rate, settings.mains.hz());
        if self.fuse.rating() != settings.current.ground_fault.above {
            self.fuse = Fuse::new(rate, settings.current.ground_fault.above);
        }
        self.self_test = SelfTest::new(rate, settings.earthing, settings.current.continuous.above);
        self.spectrum = None;
        self.i_bond.begin(window);
        self.v_pos.begin(window);
        self.v_neg.begin(window);
        self.poles_seen = false;
        self.continuous.clear();
        self.ground_fault.clear();
        let setup = setup(&settings, self.front_end.calibration(), rate, window);
        self.watch.apply(setup, settings.insulation, settings.check);
        self.next_reading = self.now.after(self.derived.reading_every);
        self.note(EventKind::SettingsApplied {
            hash: settings.hash(),
        });
        Ok(())
    }

    /// Whether [`Self::apply`] would take these settings now.
    pub fn may_apply(&self, settings: &Settings) -> Result<(), SettingsFault> {
        settings.check()?;
        whole_cycles(self.identity.sample_rate_hz, settings.mains)?;
        // A latched fault is looked at again and again; new settings may be the only way out of it.
        let measuring = self.watch.measuring() && !self.latch.tripped();
        let pause = self.identity.samples(APPLY_EVERY_S * 1000);
        let soon = self.applied_at.is_some_and(|at| self.now.since(at) < pause);
        if self.latch.busy()
            || self.state() == TripState::FailedToOpen
            || measuring
            || (self.self_test.busy() && !self.latch.tripped())
            || self.timing()
            || soon
        {
            return Err(SettingsFault::NotNow);
        }
        Ok(())
    }
}
