//! A scenario and the weather file beside it: refused in one line, or its world turns.
//!
//! Input: the scenario; where it has a line `# weather.csv:`, what follows is the file that `weather.csv` names.
#![no_main]

use libfuzzer_sys::{fuzz_mutator, fuzz_target};
use ohmward_fuzz::scratch::{self, is_one_line};
use ohmward_fuzz::text::{self, Pool};
use ohmward_plant::{Scenario, Switches, World};
use ohmward_proto::settings::Calibration;
use std::sync::OnceLock;
use tempfile::TempDir;

const POOL: Pool = Pool {
    files: &[
        include_str!("../corpus/scenario/everything.toml"),
        include_str!("../corpus/scenario/measured.toml"),
        include_str!("../../../host/scenarios/heron-bend.toml"),
        include_str!("../../../host/plant/tests/data/small.toml"),
    ],
};
/// Larger arrays turn as well, but slower than a fuzzer has time for.
const MODULES_MAX: u32 = 60;

fuzz_mutator!(|data: &mut [u8], size: usize, max_size: usize, seed: u32| {
    text::mutate(POOL, data, size, max_size, seed)
});

fuzz_target!(|data: &[u8]| {
    static FOLDER: OnceLock<TempDir> = OnceLock::new();
    let folder = FOLDER.get_or_init(scratch::folder).path();
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    let (text, weather) = text.split_once("# weather.csv:\n").unwrap_or((text, ""));
    // Any other name may be a file of this machine.
    if text.matches("csv").count()
        != text.matches("csv = \"weather.csv\"").count() + text.matches("csv_gap_max_s").count()
    {
        return;
    }
    scratch::file(folder, "weather.csv", weather.as_bytes());
    let name = folder.join("scenario.toml");
    let scenario = match Scenario::parse(&name.display().to_string(), text) {
        Ok(scenario) => scenario,
        Err(error) => return is_one_line(&error),
    };
    if scenario
        .array
        .strings
        .saturating_mul(scenario.array.modules_per_string)
        > MODULES_MAX
    {
        return;
    }
    let mut world = match World::new(&scenario, &Calibration::REFERENCE) {
        Ok(world) => world,
        Err(error) => return is_one_line(&error),
    };
    let mut switches = Switches::default();
    for n in 0_u8..12 {
        switches.contactor = n > 2;
        switches.bond_open = matches!(n, 5..=8);
        switches.bridge_pos = matches!(n, 6 | 7);
        switches.bridge_neg = n == 8;
        switches.inject = n == 10;
        if let Err(error) = world.step(&switches) {
            return is_one_line(&error);
        }
    }
});
