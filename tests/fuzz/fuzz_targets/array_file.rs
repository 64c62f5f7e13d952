//! The description of an array: refused in one line, or planned for, and the settings of that plan are settings.
#![no_main]

use libfuzzer_sys::{fuzz_mutator, fuzz_target};
use ohmward::array_file::ArrayFile;
use ohmward::plan::changes::Looser;
use ohmward::plan::{plan, settings_file, text as plan_text};
use ohmward_fuzz::scratch::is_one_line;
use ohmward_fuzz::text::{self, Pool};

const POOL: Pool = Pool {
    files: &[
        include_str!("../../../host/scenarios/heron-bend-array.toml"),
        include_str!("../corpus/array_file/everything.toml"),
    ],
};

fuzz_mutator!(|data: &mut [u8], size: usize, max_size: usize, seed: u32| {
    text::mutate(POOL, data, size, max_size, seed)
});

fuzz_target!(|data: &[u8]| {
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    let file = match ArrayFile::parse("array.toml", text) {
        Ok(file) => file,
        Err(error) => return is_one_line(&error),
    };
    if let Err(error) = plan(&file, Looser::Refuse) {
        is_one_line(&error);
    }
    let plan = match plan(&file, Looser::AcceptMarked) {
        Ok(plan) => plan,
        Err(error) => return is_one_line(&error),
    };
    assert_eq!(plan.settings.check(), Ok(()));
    assert!(!plan_text::render(&plan).is_empty());
    match settings_file::render(&plan) {
        // `render` has read it back itself; so do we, by another name.
        Ok(text) => match settings_file::read("again.toml", &text) {
            Ok(again) => assert_eq!(again, plan.settings),
            Err(error) => panic!("a settings file of our own is refused: {error}\n{text}"),
        },
        Err(error) => panic!("planned settings cannot be written: {error}"),
    }
});
