//! Golden files, and damaged files answered with one line; `properties`: everything written reads back, and no bytes panic.

mod properties;

use super::*;
use jiff::civil::date;
use std::path::PathBuf;
use tempfile::TempDir;

/// Five channels, four samples; made by hand, read by the PyPI package `comtrade` 0.2.0 with these values.
const CFG: &str = "ohmward bench,board-01,2013\r\n5,2A,3D\r\n1,I_BOND,,ARRAY,mA,0.01,0,0,-32767,32767,1,1,P\r\n\
                   2,V_POS,,ARRAY,V,0.05,0,0,-32767,32767,1,1,P\r\n1,CONTACTOR,,ARRAY,1\r\n2,TRIP,,ARRAY,0\r\n\
                   3,LAMP,,ARRAY,0\r\n60\r\n1\r\n4000,4\r\n01/02/2026,03:04:05.000000\r\n01/02/2026,03:04:05.000500\r\n\
                   ASCII\r\n1\r\n0,0\r\n0,3\r\n";
const DAT: &str = "1,0,100,7000,1,0,0\r\n2,250,-50,7001,1,0,0\r\n3,500,3100,-7002,0,1,1\r\n4,750,32767,0,0,1,1\r\n";
const BINARY: &str = "01000000000000006400581b010002000000fa000000ceff591b010003000000f40100001c0ca6e4060004000000ee020000\
                      ff7f00000600";
const BINARY32: &str = "010000000000000064000000581b0000010002000000fa000000ceffffff591b0000010003000000f40100001c0c0000a6e4\
                        ffff060004000000ee020000ff7f0000000000000600";
const FLOAT32: &str = "01000000000000000000c84200c0da45010002000000fa000000000048c200c8da45010003000000f401000000c0414500d0\
                       dac5060004000000ee02000000feff46000000000600";

fn unhex(hex: &str) -> Vec<u8> {
    (0..hex.len() / 2)
        .map(|k| u8::from_str_radix(&hex[2 * k..2 * k + 2], 16).expect("hex"))
        .collect()
}

/// A folder with these files, and the path of the first.
fn folder(files: &[(&str, &[u8])]) -> (TempDir, PathBuf) {
    let dir = tempfile::tempdir().expect("a folder");
    for (name, bytes) in files {
        std::fs::write(dir.path().join(name), bytes).expect("writes");
    }
    let first = dir.path().join(files[0].0);
    (dir, first)
}

fn load(cfg: &str, dat: &[u8]) -> Result<Record, ComtradeError> {
    let (_dir, path) = folder(&[("t.cfg", cfg.as_bytes()), ("t.dat", dat)]);
    Record::load(&path)
}

/// What is wrong, as it is told: one line that names the file.
fn complaint(cfg: &str, dat: &[u8]) -> String {
    let told = load(cfg, dat).expect_err("is refused").to_string();
    assert!(told.contains("t.cfg") || told.contains("t.dat"), "{told}");
    assert_eq!(told.lines().count(), 1, "{told}");
    told
}

fn assert_golden(record: &Record) {
    let bond = record.channel("i_bond").expect("there");
    let near = |channel: &Analog, want: [f64; 4]| {
        for (value, want) in channel.values().zip(want) {
            assert!(
                (value.expect("there") - want).abs() < 1e-9,
                "{value:?} {want}"
            );
        }
    };
    near(bond, [1.0, -0.5, 31.0, 327.67]);
    near(
        record.channel("V_POS").expect("there"),
        [350.0, 350.05, -350.1, 0.0],
    );
    assert_eq!(bond.unit, "mA");
    let bits = |name| -> Vec<bool> {
        record
            .status_channel(name)
            .expect("there")
            .bits
            .iter()
            .collect()
    };
    assert_eq!(bits("CONTACTOR"), [true, true, false, false]);
    assert_eq!(bits("TRIP"), [false, false, true, true]);
    assert_eq!(bits("LAMP"), [false, false, true, true]);
    assert_eq!(record.times_s(), [0.0, 0.000_25, 0.000_5, 0.000_75]);
    assert!((record.trigger_s() - 0.000_5).abs() < 1e-12);
    assert_eq!(record.samples(), 4);
    assert_eq!(record.start, date(2026, 2, 1).at(3, 4, 5, 0));
    assert_eq!(record.line_hz, Some(60.0));
}

#[test]
fn golden_files_of_every_encoding_read_as_the_reference_reader_reads_them() {
    for (word, dat) in [
        ("ASCII", DAT.as_bytes().to_vec()),
        ("BINARY", unhex(BINARY)),
        ("BINARY32", unhex(BINARY32)),
        ("FLOAT32", unhex(FLOAT32)),
    ] {
        let cfg = CFG.replace("ASCII", word);
        assert_golden(&load(&cfg, &dat).expect("reads"));
        let cff = [
            format!(
                "--- file type: CFG ---\r\n{cfg}--- file type: INF ---\r\n--- file type: HDR ---\r\nnotes\r\n\
                 --- file type: DAT {word}{} ---\r\n",
                if word == "ASCII" { String::new() } else { format!(": {}", dat.len()) }
            )
            .into_bytes(),
            dat,
        ]
        .concat();
        let (_dir, path) = folder(&[("t.CFF", &cff)]);
        let record = Record::load(&path).expect("reads");
        assert_golden(&record);
        assert_eq!(record.notes, "notes");
    }
}

/// The writer gives the golden bytes themselves.
#[test]
fn golden_files_are_written_as_they_were_read() {
    let record = load(CFG, DAT.as_bytes()).expect("reads");
    let dir = tempfile::tempdir().expect("a folder");
    for (encoding, dat) in [
        (Encoding::Ascii, DAT.as_bytes().to_vec()),
        (Encoding::Binary, unhex(BINARY)),
        (Encoding::Binary32, unhex(BINARY32)),
        (Encoding::Float32, unhex(FLOAT32)),
    ] {
        let layout = Layout {
            revision: Revision::Y2013,
            encoding,
        };
        let path = dir.path().join("out.cfg");
        record.save(&path, layout).expect("writes");
        let cfg = std::fs::read_to_string(&path).expect("there");
        assert_eq!(cfg, CFG.replace("ASCII", encoding.word()));
        assert_eq!(
            std::fs::read(path.with_extension("dat")).expect("there"),
            dat
        );
    }
}

#[test]
fn line_ends_byte_order_marks_and_letter_case_do_not_matter() {
    for end in ["\n", "\r", "\r\r\n"] {
        let of = |text: &str| text.replace("\r\n", end);
        assert_golden(&load(&of(CFG), of(DAT).as_bytes()).expect("reads"));
    }
    let marked = format!("\u{feff}{}", CFG.replace("ASCII", " ascii "));
    assert_golden(&load(&marked, format!("{DAT}\r\n\u{1a}").as_bytes()).expect("reads"));
    for names in [
        ["Bay.CFG", "BAY.dat"],
        ["bay.cfg", "bay.DAT"],
        ["bay.Dat", "BAY.cFg"],
    ] {
        let pair = if names[0].to_ascii_lowercase().ends_with("cfg") {
            [CFG.as_bytes(), DAT.as_bytes()]
        } else {
            [DAT.as_bytes(), CFG.as_bytes()]
        };
        let (_dir, path) = folder(&[(names[0], pair[0]), (names[1], pair[1])]);
        assert_golden(&Record::load(&path).expect("reads"));
    }
}

#[test]
fn what_is_missing_is_missing_and_not_a_number() {
    let dat = DAT.replace("3100", "99999").replace("-50,", ",");
    let record = load(CFG, dat.as_bytes()).expect("reads");
    let bond = record.channel("I_BOND").expect("there");
    assert_eq!((bond.value(1), bond.value(2)), (None, None));
    assert!(bond.value(3).is_some());
    // 2013: a channel that states larger counts may mean 99999.
    let wide = CFG.replacen("-32767,32767", "-200000,200000", 1);
    let record = load(&wide, DAT.replace("3100", "99999").as_bytes()).expect("reads");
    assert_eq!(
        record.channel("I_BOND").expect("there").count(2),
        Some(99_999.0)
    );
}

/// 1991 has the month first, no year in the first line, shorter channel lines, and ends after the file type.
#[test]
fn the_first_revision_reads() {
    let cfg = "old place,7\r\n2,1A,1D\r\n1,I,,,A,0.5,1,0,-2048,2047\r\n1,OPEN,0\r\n50\r\n0\r\n0,2\r\n02/28/91,10:00:00.0\r\n\
               02/28/91,10:00:00.000250\r\nASCII\r\n";
    let record = load(cfg, b"1,0,4,1\r\n2,250,-4,0\r\n\x1a").expect("reads");
    assert_eq!(record.revision, Revision::Y1991);
    assert_eq!(record.start.date(), date(1991, 2, 28));
    assert_eq!(record.times_s(), [0.0, 0.000_25]);
    let values: Vec<_> = record.analogs[0].values().collect();
    assert_eq!(values, [Some(3.0), Some(-1.0)]);
}

/// Two rates: 1 kS/s to the third sample, 4 kS/s from there. The step to a sample has the rate of the sample's own stretch,
/// as the reference reader has it.
#[test]
fn several_rates_and_none() {
    let cfg = CFG.replace("\r\n1\r\n4000,4\r\n", "\r\n2\r\n1000,3\r\n4000,4\r\n");
    let times = load(&cfg, DAT.as_bytes()).expect("reads").times_s();
    for (t, want) in times.iter().zip([0.0, 0.001, 0.002, 0.002_25]) {
        assert!((t - want).abs() < 1e-12, "{times:?}");
    }
    let cfg = CFG
        .replace("\r\n1\r\n4000,4\r\n", "\r\n0\r\n0,4\r\n")
        .replace("ASCII\r\n1\r\n", "ASCII\r\n2\r\n");
    let times = load(&cfg, DAT.as_bytes()).expect("reads").times_s();
    assert_eq!(times, [0.0, 0.000_5, 0.001, 0.001_5]);
    // Nine decimals: stamps are nanoseconds.
    let fine = cfg.replace("05.000000\r\n", "05.000000000\r\n");
    let times = load(&fine, DAT.as_bytes()).expect("reads").times_s();
    assert!((times[3] - 1.5e-6).abs() < 1e-15);
}

#[test]
fn secondary_values_name_their_ratio() {
    let cfg = CFG.replacen("32767,1,1,P", "32767,200,5,S", 1);
    let record = load(&cfg, DAT.as_bytes()).expect("reads");
    assert!((record.analogs[0].to_primary() - 40.0).abs() < 1e-12);
    assert!((record.analogs[1].to_primary() - 1.0).abs() < 1e-12);
}

#[test]
fn a_mistake_is_answered_with_file_line_and_advice() {
    let cases: [(&str, &str, &str, &[&str]); 22] = [
        ("5,2A,3D", "6,2A,3D", "", &["t.cfg:2", "6 channels"]),
        ("5,2A,3D", "5,2,3D", "", &["t.cfg:2", "'2'"]),
        (
            "5,2A,3D",
            "999999,999996A,3D",
            "",
            &["t.cfg:5", "5 fields", "13"],
        ),
        (
            "5,2A,3D",
            "9999999,9999996A,3D",
            "",
            &["t.cfg:2", "999999A"],
        ),
        (
            "4000,4",
            "4000,1000000000",
            "",
            &["t.dat", "4 samples", "1000000000"],
        ),
        (
            "4000,4",
            "4000,5",
            "",
            &["t.dat", "4 samples", "promises 5"],
        ),
        ("4000,4", "0,4\r\n0,4", "", &["t.cfg:11", "date"]),
        ("4000,4", "-1,4", "", &["t.cfg:10", "-1"]),
        ("4000,4", "inf,4", "", &["t.cfg:10", "finite"]),
        ("0.01", "NaN", "", &["t.cfg:3", "finite"]),
        ("0.01", "", "", &["t.cfg:3", "a of analog channel 1"]),
        ("mA,", "mA,,", "", &["t.cfg:3", "14 fields"]),
        ("1,P", "1,Q", "", &["t.cfg:3", "'Q'"]),
        ("2013", "2031", "", &["t.cfg:1", "2031"]),
        ("01/02/2026", "31/02/2026", "", &["t.cfg:11", "dd/mm/yyyy"]),
        ("01/02/2026", "01/02/", "", &["t.cfg:11", "no date"]),
        ("ASCII", "WAV", "", &["t.cfg:13", "WAV"]),
        (
            "ASCII\r\n1\r\n",
            "ASCII\r\n0\r\n",
            "",
            &["t.cfg:14", "timemult"],
        ),
        (
            "",
            "",
            "3,500,nan,-7002,0,1,1",
            &["t.dat:3", "I_BOND", "nan"],
        ),
        (
            "",
            "",
            "3,500,3100,-7002,0,1,2",
            &["t.dat:3", "LAMP", "0 or 1"],
        ),
        ("", "", "3,500,3100,-7002,0,1", &["t.dat:3", "6 fields"]),
        (
            "",
            "",
            "9,500,3100,-7002,0,1,1",
            &["t.dat:3", "number 9 where 3"],
        ),
    ];
    for (from, to, third, words) in cases {
        let cfg = if from.is_empty() {
            CFG.to_owned()
        } else {
            CFG.replacen(from, to, 1)
        };
        let mut dat: Vec<&str> = DAT.lines().collect();
        if !third.is_empty() {
            dat[2] = third;
        }
        let told = complaint(&cfg, dat.join("\n").as_bytes());
        for word in words {
            assert!(
                told.contains(word),
                "{from} → {to}{third}: no {word} in: {told}"
            );
        }
    }
    for cut in [10, 60, 150, 260] {
        let told = complaint(&CFG[..cut], DAT.as_bytes());
        assert!(told.contains("t.cfg:"), "{told}");
    }
    let told = complaint(&CFG[..CFG.find("01/02").expect("there")], DAT.as_bytes());
    assert!(told.contains("ends where the date"), "{told}");
    let mut latin = DAT.as_bytes().to_vec();
    latin[25] = 0xb5;
    assert!(complaint(CFG, &latin).contains("t.dat:2: is not UTF-8"));
    let binary = CFG.replace("ASCII", "BINARY");
    let whole = unhex(BINARY);
    assert!(complaint(&binary, &whole[..42]).contains("has 3 samples"));
    let mut more = whole.clone();
    more.push(0);
    assert!(complaint(&binary, &more).contains("57 bytes"));
    let float = CFG.replace("ASCII", "FLOAT32");
    let mut nan = unhex(FLOAT32);
    nan[8..12].copy_from_slice(&f32::NAN.to_le_bytes());
    let told = complaint(&float, &nan);
    assert!(
        told.contains("record 1") && told.contains("I_BOND"),
        "{told}"
    );
}

#[test]
fn missing_and_foreign_files_are_named() {
    let (_dir, path) = folder(&[("lone.cfg", CFG.as_bytes())]);
    let told = Record::load(&path).expect_err("no samples").to_string();
    assert!(told.contains("lone.dat"), "{told}");
    let (_dir, path) = folder(&[("x.cfg", CFG.as_bytes()), ("X.dat", b""), ("x.Dat", b"")]);
    let told = Record::load(&path).expect_err("two").to_string();
    assert!(told.contains("rename one"), "{told}");
    for (name, bytes, word) in [
        ("a.cff", &b"hello"[..], "does not begin"),
        ("a.cff", &b""[..], "CFG"),
        (
            "a.cff",
            &b"--- file type: CFG ---\r\nx,y,2013\r\n"[..],
            "ends where",
        ),
        ("a.csv", &b""[..], ".cfg"),
    ] {
        let (_dir, path) = folder(&[(name, bytes)]);
        let told = Record::load(&path).expect_err("is refused").to_string();
        assert!(told.contains(word), "{told}");
    }
    let cff =
        format!("--- file type: CFG ---\r\n{CFG}--- file type: DAT BINARY: 4000000000 ---\r\nabc")
            .replace("ASCII", "BINARY");
    let (_dir, path) = folder(&[("a.cff", cff.as_bytes())]);
    let told = Record::load(&path).expect_err("is cut short").to_string();
    assert!(
        told.contains("a.cff:18") && told.contains("4000000000"),
        "{told}"
    );
}

#[test]
fn what_a_format_cannot_hold_is_refused() {
    let mut record = load(CFG, DAT.as_bytes()).expect("reads");
    let save = |record: &Record, name: &str, revision, encoding| {
        let dir = tempfile::tempdir().expect("a folder");
        record
            .save(&dir.path().join(name), Layout { revision, encoding })
            .expect_err("is refused")
            .to_string()
    };
    let told = save(&record, "a.cff", Revision::Y1999, Encoding::Ascii);
    assert!(told.contains("2013"), "{told}");
    let told = save(&record, "a.cfg", Revision::Y1999, Encoding::Float32);
    assert!(told.contains("2013"), "{told}");
    assert!(save(&record, "a.txt", Revision::Y2013, Encoding::Ascii).contains(".cff"));
    record.station = "here, there".to_owned();
    assert!(save(&record, "a.cfg", Revision::Y2013, Encoding::Ascii).contains("no comma"));
    record.station.clear();
    for (count, encoding, word) in [
        (99_999.0, Encoding::Ascii, "99999"),
        (0.5, Encoding::Binary, "whole"),
        (-32_768.0, Encoding::Binary, "does not fit"),
        (3e9, Encoding::Binary32, "does not fit"),
        (1e40, Encoding::Float32, "does not fit"),
        (f64::from(f32::MIN), Encoding::Float32, "does not fit"),
    ] {
        record.analogs[0].counts[2] = count;
        let told = save(&record, "a.cfg", Revision::Y2013, encoding);
        assert!(told.contains(word) && told.contains("sample 3"), "{told}");
    }
}
