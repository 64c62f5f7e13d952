//! Sudden changes: every level over shape, sign, frequency, baseline and phase of onset; and half of every level.

use super::source::{HALF_SOURCE, Level, SUDDEN, SUDDEN_SOURCE};
use super::{sign_word, spread, word};
use crate::bench::case::{Case, Expect, Limit};
use crate::bench::waveform::{Part, Shape, Waveform};

/// Both settings of the mains, off their nominal frequency by as much as generators and islands go.
const MAINS_HZ: [f64; 6] = [47.0, 49.9, 53.0, 57.0, 60.1, 63.0];
const ONSETS: usize = 4;

/// What stands before the change.
#[derive(Clone, Copy)]
enum Baseline {
    Nothing,
    /// 300 mA of capacitive current with harmonics; the change is in quadrature where it alternates.
    Capacitive,
    /// 120 mA of direct current and 1 mA of noise.
    Direct,
}

impl Baseline {
    const ALL: [Self; 3] = [Self::Nothing, Self::Capacitive, Self::Direct];

    fn word(self) -> &'static str {
        match self {
            Self::Nothing => "none",
            Self::Capacitive => "cap300ma",
            Self::Direct => "dc120ma",
        }
    }

    fn waveform(self, hz: f64) -> Waveform {
        let mut waveform = Waveform::quiet(hz);
        match self {
            Self::Nothing => {}
            Self::Capacitive => {
                waveform.standing_ac_a = 0.3;
                waveform.harmonics = [0.0, 0.05, 0.0, 0.03];
                waveform.noise_a = 0.000_5;
            }
            Self::Direct => {
                waveform.standing_dc_a = 0.12;
                waveform.noise_a = 0.001;
            }
        }
        waveform
    }
}

fn shape(kind: usize, baseline: Baseline, n: usize) -> Shape {
    let lead_cycles = match baseline {
        Baseline::Capacitive => 0.25,
        Baseline::Nothing | Baseline::Direct => spread(7 * n),
    };
    match kind {
        0 => Shape::Dc,
        1 => Shape::Ac { lead_cycles },
        _ => Shape::HalfWave { lead_cycles },
    }
}

/// One change of `rms_a`.
fn case(
    level: &Level,
    rms_a: f64,
    expect: Expect,
    at: (usize, f64, Baseline, f64, usize),
    n: usize,
) -> Case {
    let (kind, sign, baseline, hz, onset) = at;
    let shape = shape(kind, baseline, n);
    let mut waveform = baseline.waveform(hz).with(Part::Step {
        from_s: 0.0,
        to_s: None,
        shape,
        rms_a: sign * rms_a,
    });
    waveform.onset_cycles = (onset as f64 + spread(n)) / ONSETS as f64;
    let half = if expect.must.is_none() {
        "half-of-"
    } else {
        ""
    };
    let name = format!(
        "sudden/{half}{}ma-{}-{}-{}-{hz}hz-{onset}",
        level.ma,
        word(shape),
        sign_word(sign),
        baseline.word(),
    );
    let group = if half.is_empty() {
        level.group
    } else {
        level.half_group
    };
    Case::residual(group, name, waveform, expect).set(|s| {
        // The test method of the standard has the continuous limit out of the way too.
        if matches!(baseline, Baseline::Capacitive) {
            s.current.continuous.above.0 = 2.0;
        }
    })
}

/// Everything at its level.
pub fn cases() -> Vec<Case> {
    let mut cases = Vec::new();
    for level in &SUDDEN {
        each(ONSETS, |at, n| {
            let expect = Expect::trip(level.latest_s);
            let case = case(level, level.a, expect, at, n);
            cases.push(case.by(Limit::Current { a: level.a }, SUDDEN_SOURCE));
        });
    }
    cases
}

/// Everything at half of it, with all three levels set to the one in question: another would trip on it, and rightly.
pub fn halves() -> Vec<Case> {
    let mut cases = Vec::new();
    for level in &SUDDEN {
        each(1, |at, n| {
            let case = case(level, level.a / 2.0, Expect::no_trip(), at, n).set(|s| {
                let sudden = &mut s.current.sudden;
                for limit in [&mut sudden.low, &mut sudden.middle, &mut sudden.high] {
                    limit.above.0 = level.a as f32;
                }
            });
            cases.push(case.by(Limit::Current { a: level.a }, HALF_SOURCE));
        });
    }
    cases
}

fn each(onsets: usize, mut take: impl FnMut((usize, f64, Baseline, f64, usize), usize)) {
    let mut n = 0;
    for kind in 0..3 {
        for hz in MAINS_HZ {
            for baseline in Baseline::ALL {
                for sign in [1.0, -1.0] {
                    for onset in 0..onsets {
                        n += 1;
                        take((kind, sign, baseline, hz, onset), n);
                    }
                }
            }
        }
    }
}
