//! A trace as CSV, and what is expected of it as TOML: refused in one line, or a case for the bench.
//!
//! Input: the CSV; behind a line `# trace.toml:` what stands beside it.
#![no_main]

use libfuzzer_sys::{fuzz_mutator, fuzz_target};
use ohmward::bench::trace::{Expected, Trace};
use ohmward_fuzz::scratch::{self, is_one_line};
use ohmward_fuzz::text::{self, Pool};
use std::sync::OnceLock;
use tempfile::TempDir;

const POOL: Pool = Pool {
    files: &[
        include_str!("../corpus/trace/step.csv"),
        include_str!("../corpus/trace/captured.csv"),
    ],
};

fuzz_mutator!(|data: &mut [u8], size: usize, max_size: usize, seed: u32| {
    text::mutate(POOL, data, size, max_size, seed)
});

fuzz_target!(|data: &[u8]| {
    const BETWEEN: &[u8] = b"# trace.toml:\n";
    static FOLDER: OnceLock<TempDir> = OnceLock::new();
    let folder = FOLDER.get_or_init(scratch::folder).path();
    let at = data
        .windows(BETWEEN.len())
        .position(|bytes| bytes == BETWEEN);
    let (csv, beside) = at.map_or((data, &[][..]), |at| {
        (&data[..at], &data[at + BETWEEN.len()..])
    });
    scratch::file(folder, "trace.toml", beside);
    let path = scratch::file(folder, "trace.csv", csv);
    let trace = match Trace::open(&path, &Expected::default()) {
        Ok(trace) => trace,
        Err(error) => return is_one_line(&error),
    };
    for remark in trace.remarks() {
        is_one_line(&remark);
    }
    assert_eq!(trace.settings.check(), Ok(()));
    match trace.playable() {
        Ok(playable) => assert!(playable.calibration.is_sound()),
        Err(error) => is_one_line(&error),
    }
    if let Err(error) = trace.case() {
        is_one_line(&error);
    }
});
