//! COMTRADE, in one file or two: refused in one line, or read; and what was read and written again is the same record.
//!
//! Input: a .cff, which begins with its header line; else a .cfg, a line `=== dat ===`, and a .dat.
#![no_main]

use libfuzzer_sys::{fuzz_mutator, fuzz_target};
use ohmward::bench::trace::{Expected, Trace};
use ohmward::comtrade::{Layout, Record, Revision};
use ohmward_fuzz::scratch::{self, is_one_line};
use ohmward_fuzz::text::{self, Pool};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use tempfile::TempDir;

const POOL: Pool = Pool {
    files: &[
        include_str!("../../data/comtrade/ascii-1991.cfg"),
        include_str!("../../data/comtrade/ascii-1999.cfg"),
        include_str!("../../data/comtrade/ascii-1999.dat"),
        include_str!("../../data/comtrade/float32-2013.cfg"),
        include_str!("../../data/comtrade/BINARY-1999.CFG"),
    ],
};
const BETWEEN: &[u8] = b"=== dat ===\n";

fuzz_mutator!(|data: &mut [u8], size: usize, max_size: usize, seed: u32| {
    text::mutate(POOL, data, size, max_size, seed)
});

fuzz_target!(|data: &[u8]| {
    static FOLDER: OnceLock<TempDir> = OnceLock::new();
    let folder = FOLDER.get_or_init(scratch::folder).path();
    let path = files(folder, data);
    let record = match Record::load(&path) {
        Ok(record) => record,
        Err(error) => {
            assert!(Trace::open(&path, &Expected::default()).is_err());
            return is_one_line(&error);
        }
    };
    assert_eq!(record.times_s().len(), record.samples());
    let _ = record.trigger_s();
    for channel in &record.analogs {
        assert_eq!(channel.values().count(), record.samples());
    }
    written_and_read(&record, folder);
    played(&path);
});

fn files(folder: &Path, data: &[u8]) -> PathBuf {
    let at = data
        .windows(BETWEEN.len())
        .position(|bytes| bytes == BETWEEN);
    match at {
        Some(at) if !data.starts_with(b"---") => {
            scratch::file(folder, "in.dat", &data[at + BETWEEN.len()..]);
            scratch::file(folder, "in.cfg", &data[..at])
        }
        _ => scratch::file(folder, "in.cff", data),
    }
}

/// Whatever can be written reads back: names, scales, times, every count.
fn written_and_read(record: &Record, folder: &Path) {
    let revision = match record.revision {
        Revision::Y1991 | Revision::Y1999 => Revision::Y1999,
        Revision::Y2013 => Revision::Y2013,
    };
    let layout = Layout {
        revision,
        encoding: record.encoding,
    };
    let path = folder.join(if revision == Revision::Y2013 {
        "out.cff"
    } else {
        "out.cfg"
    });
    if let Err(error) = record.save(&path, layout) {
        return is_one_line(&error);
    }
    let again = match Record::load(&path) {
        Ok(again) => again,
        Err(error) => panic!("what was written is refused: {error}\n{record:?}"),
    };
    assert_eq!(said(&again), said(record));
}

/// What a record says, to compare: by its text, for a missing count is a NaN, and no NaN equals another.
fn said(record: &Record) -> String {
    let mut record = record.clone();
    // The writer states the least and the greatest count where nobody has; free text is no part of a record; 1991 is written as 1999.
    for channel in &mut record.analogs {
        (channel.min, channel.max) = (None, None);
    }
    record.notes.clear();
    if record.revision == Revision::Y1991 {
        record.revision = Revision::Y1999;
    }
    format!("{record:#?}")
}

/// As a trace for the bench.
fn played(path: &Path) {
    for flags in [
        Expected::default(),
        Expected {
            must_not_trip: Some(true),
            ..Expected::default()
        },
        Expected {
            onset_s: Some(0.03),
            latest_ms: Some(1.0),
            ..Expected::default()
        },
    ] {
        let trace = match Trace::open(path, &flags) {
            Ok(trace) => trace,
            Err(error) => return is_one_line(&error),
        };
        for remark in trace.remarks() {
            is_one_line(&remark);
        }
        if let Err(error) = trace.playable() {
            is_one_line(&error);
        }
        if let Err(error) = trace.case() {
            is_one_line(&error);
        }
    }
}
