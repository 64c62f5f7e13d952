//! Drawn records and drawn damage.

use super::*;
use proptest::prelude::*;

fn counts(layout: Layout) -> BoxedStrategy<Option<f64>> {
    let some = match layout.encoding {
        // Text that can say "missing" keeps below its code.
        Encoding::Ascii => (-99_998..=99_998_i32).prop_map(f64::from).boxed(),
        Encoding::Binary => (-32_767..=32_767_i32).prop_map(f64::from).boxed(),
        Encoding::Binary32 => (-i32::MAX..=i32::MAX).prop_map(f64::from).boxed(),
        Encoding::Float32 => proptest::num::f32::NORMAL
            .prop_filter("the code for missing", |x| *x > f32::MIN)
            .prop_map(f64::from)
            .boxed(),
    };
    proptest::option::weighted(0.9, some).boxed()
}

fn layouts() -> impl Strategy<Value = Layout> {
    use Encoding::{Ascii, Binary, Binary32, Float32};
    use Revision::{Y1999, Y2013};
    proptest::sample::select(vec![
        (Y1999, Ascii),
        (Y1999, Binary),
        (Y2013, Ascii),
        (Y2013, Binary),
        (Y2013, Binary32),
        (Y2013, Float32),
    ])
    .prop_map(|(revision, encoding)| Layout { revision, encoding })
}

fn records() -> impl Strategy<Value = (Record, Layout, bool)> {
    let sizes = (
        layouts(),
        0..4_usize,
        0..40_usize,
        1..40_usize,
        any::<bool>(),
    );
    sizes.prop_flat_map(|(layout, analogs, statuses, samples, cff)| {
        let analogs = if analogs + statuses == 0 { 1 } else { analogs };
        let name = "[A-Za-z_µ -~&&[^,]]{1,12}".prop_map(|name: String| name.trim().to_owned());
        let real = -1e6..1e6_f64;
        let analog = (
            name.clone(),
            (real.clone(), real.clone(), -100.0..100.0_f64),
            proptest::collection::vec(counts(layout), samples),
            any::<bool>(),
        )
            .prop_map(|(name, (a, b, skew_us), counts, secondary)| Analog {
                skew_us,
                side: if secondary {
                    Side::Secondary
                } else {
                    Side::Primary
                },
                primary: 200.0,
                secondary: 5.0,
                ..Analog::from_counts(&name, "mA", (a, b), counts)
            });
        let status = (
            name.clone(),
            any::<bool>(),
            proptest::collection::vec(any::<bool>(), samples),
        )
            .prop_map(|(name, normal, bits)| Status::from_bits(&name, normal, bits));
        let stamps = proptest::collection::vec(0..4_000_000_000_u64, samples);
        (
            proptest::collection::vec(analog, analogs),
            proptest::collection::vec(status, statuses),
            (0..3_usize, 100.0..1e6_f64, stamps),
            (
                0..4_000_000_000_i64,
                -1_000_000..1_000_000_i64,
                any::<bool>(),
            ),
            name,
        )
            .prop_map(
                move |(analogs, statuses, (rates, hz, stamps), (at, apart, nanoseconds), name)| {
                    let start =
                        date(2026, 1, 1).at(0, 0, 0, 0) + jiff::SignedDuration::from_micros(at);
                    let middle = (samples as u64).div_ceil(2);
                    let rates = match rates {
                        2 if middle < samples as u64 => {
                            vec![
                                Rate { hz, last: middle },
                                Rate {
                                    hz: hz / 3.0,
                                    last: samples as u64,
                                },
                            ]
                        }
                        0 => Vec::new(),
                        _ => vec![Rate {
                            hz,
                            last: samples as u64,
                        }],
                    };
                    let record = Record {
                        station: name,
                        recorder: "board".to_owned(),
                        revision: layout.revision,
                        encoding: layout.encoding,
                        analogs,
                        statuses,
                        line_hz: Some(50.0),
                        stamps: if rates.is_empty() { stamps } else { Vec::new() },
                        rates,
                        start,
                        trigger: start + jiff::SignedDuration::from_micros(apart),
                        timemult: 1.5,
                        nanoseconds,
                        clock: (layout.revision == Revision::Y2013).then(|| Clock {
                            time_code: "0".to_owned(),
                            local_code: "x".to_owned(),
                            quality: "F".to_owned(),
                            leap_second: "3".to_owned(),
                        }),
                        notes: "invented".to_owned(),
                    };
                    (record, layout, cff && layout.revision == Revision::Y2013)
                },
            )
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Everything that is written reads back: every count, so every value within far less than one LSB.
    #[test]
    fn what_is_written_reads_back((record, layout, cff) in records()) {
        let dir = tempfile::tempdir().expect("a folder");
        let path = dir.path().join(if cff { "t.cff" } else { "t.cfg" });
        record.save(&path, layout).expect("writes");
        let mut read = Record::load(&path).expect("reads");
        for channel in &mut read.analogs {
            (channel.min, channel.max) = (None, None); // stated by the writer
        }
        read.notes = read.notes.trim().to_owned();
        // NaN is what a missing count is held as, and no NaN equals another.
        prop_assert_eq!(format!("{read:?}"), format!("{record:?}"));
        prop_assert_eq!(read.times_s().len(), record.samples());
    }

    /// Any bytes whatever: a record or one line, never a panic.
    #[test]
    fn damaged_files_never_panic(
        (record, layout, cff) in records(),
        at in any::<proptest::sample::Index>(),
        junk in proptest::collection::vec(any::<u8>(), 0..20),
        cut in any::<bool>(),
        in_dat in any::<bool>(),
    ) {
        let dir = tempfile::tempdir().expect("a folder");
        let path = dir.path().join(if cff { "t.cff" } else { "t.cfg" });
        record.save(&path, layout).expect("writes");
        let hurt = if in_dat && !cff { path.with_extension("dat") } else { path.clone() };
        let mut bytes = std::fs::read(&hurt).expect("there");
        let at = at.index(bytes.len());
        let end = if cut { bytes.len() } else { (at + junk.len()).min(bytes.len()) };
        bytes.splice(at..end, junk);
        std::fs::write(&hurt, bytes).expect("writes");
        if let Err(told) = Record::load(&path) {
            prop_assert_eq!(told.to_string().lines().count(), 1, "{}", told);
        }
    }

    #[test]
    fn random_bytes_never_panic(
        cfg in proptest::collection::vec(any::<u8>(), 0..200),
        dat in proptest::collection::vec(any::<u8>(), 0..200),
    ) {
        let (_dir, path) = folder(&[("t.cfg", &cfg), ("t.dat", &dat), ("t.cff", &dat)]);
        let _ = Record::load(&path);
        let _ = Record::load(&path.with_extension("cff"));
        for word in ["ASCII", "BINARY", "BINARY32", "FLOAT32"] {
            let _ = load(&CFG.replace("ASCII", word), &dat);
        }
    }
}
