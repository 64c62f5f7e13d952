//! What stands in a block's body. Lossless: every bit of every number comes back.
//!
//! ```text
//! 1                    layout of the body
//! n                    readings, varint
//! n1 shape n2 shape …  what is there and what is missing, until n readings have one; shape: postcard of [`Shape`]
//! n1 ins n2 ins …      insulation likewise, postcard; a measurement is repeated until there is another
//! n times              t, at, then f32 each as its shape has them: DC, RMS, positive and negative pole; little-endian
//! ```
//! t and at are how much the step from the reading before differs from the step before that (at first from nothing): a board that
//! keeps its beat needs a byte for each. Varints are LEB128, signed ones zigzag. t counts microseconds from the minute's beginning.
//! A pole's NaN is kept as no value, as the archive keeps it.

use crate::store::StoredReading;
use crate::store::rollup::Level;
use ohmward_proto::measure::{NotMeasured, TripState};
use ohmward_proto::{Amps, BondCurrent, Insulation, PoleLeakage, Reading, SampleIndex, Volts};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

/// Layout of the body. Higher means newer.
const VERSION: u8 = 1;
const MINUTE_US: u64 = Level::Minute.length_us() as u64;

/// What of a reading is there, and what changes seldom.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
struct Shape {
    i_why: Option<NotMeasured>,
    has_v_pos: bool,
    has_v_neg: bool,
    state: TripState,
    bond_open: bool,
}

impl Shape {
    fn of(reading: &Reading) -> Self {
        Self {
            i_why: match reading.i_bond {
                BondCurrent::Measured { .. } => None,
                BondCurrent::NotMeasured(why) => Some(why),
            },
            has_v_pos: number(reading.v_pos).is_some(),
            has_v_neg: number(reading.v_neg).is_some(),
            state: reading.state,
            bond_open: reading.bond_open,
        }
    }
}

fn number(volts: Option<Volts>) -> Option<Volts> {
    volts.filter(|volts| !volts.0.is_nan())
}

/// From one number to the next but one.
#[derive(Clone, Copy, Default)]
struct Beat {
    last: u64,
    step: u64,
}

impl Beat {
    /// What is written for the next number.
    fn change(&mut self, next: u64) -> u64 {
        let step = next.wrapping_sub(self.last);
        let change = step.wrapping_sub(self.step) as i64;
        (self.last, self.step) = (next, step);
        ((change << 1) ^ (change >> 63)) as u64
    }

    /// The next number, by what was written.
    fn next(&mut self, change: u64) -> u64 {
        let change = (change >> 1) ^ (change & 1).wrapping_neg();
        self.step = self.step.wrapping_add(change);
        self.last = self.last.wrapping_add(self.step);
        self.last
    }
}

/// Readings of one run that lie in the minute that begins at `minute_us`, in whatever order.
pub fn encode(minute_us: i64, rows: &[StoredReading]) -> postcard::Result<Vec<u8>> {
    let mut body = Vec::with_capacity(64 + 20 * rows.len());
    body.push(VERSION);
    put(&mut body, rows.len() as u64);
    for run in rows.chunk_by(|a, b| Shape::of(&a.reading) == Shape::of(&b.reading)) {
        put(&mut body, run.len() as u64);
        body = postcard::to_extend(&Shape::of(&run[0].reading), body)?;
    }
    for run in rows.chunk_by(|a, b| is_same(&a.reading.insulation, &b.reading.insulation)) {
        put(&mut body, run.len() as u64);
        body = postcard::to_extend(&run[0].reading.insulation, body)?;
    }
    let (mut t, mut at) = (Beat::default(), Beat::default());
    for row in rows {
        let r = &row.reading;
        put(&mut body, t.change(row.t_us.wrapping_sub(minute_us) as u64));
        put(&mut body, at.change(r.at.0));
        if let BondCurrent::Measured { dc, rms } = r.i_bond {
            body.extend(dc.0.to_le_bytes());
            body.extend(rms.0.to_le_bytes());
        }
        for volts in [number(r.v_pos), number(r.v_neg)].into_iter().flatten() {
            body.extend(volts.0.to_le_bytes());
        }
    }
    Ok(body)
}

/// Gives every reading of a body, in the order in which they were put in.
///
/// # Errors
/// In what way it cannot be understood.
#[inline]
pub fn each(
    body: &[u8],
    (minute_us, boot): (i64, u32),
    mut take: impl FnMut(StoredReading),
) -> Result<(), String> {
    let mut left = Left(body);
    match left.bytes::<1>()? {
        [VERSION] => {}
        [found] => {
            return Err(format!(
                "its body has layout {found}, this program knows {VERSION}"
            ));
        }
    }
    let count = left.number()?;
    let shapes: Vec<(u64, Shape)> = left.runs(count)?;
    let insulations: Vec<(u64, Insulation)> = left.runs(count)?;
    let (mut t, mut at) = (Beat::default(), Beat::default());
    let mut insulations = insulations.into_iter();
    let mut insulation = None;
    let mut same_for = 0;
    for (rows, shape) in shapes {
        for _ in 0..rows {
            if same_for == 0 {
                (same_for, insulation) = insulations
                    .next()
                    .map_or((0, None), |(rows, insulation)| (rows, Some(insulation)));
            }
            let Some(insulation) = insulation else {
                return Err(damaged());
            };
            same_for -= 1;
            let since_us = t.next(left.number()?);
            if since_us >= MINUTE_US {
                return Err("a reading in it is of another minute".into());
            }
            let t_us = minute_us.wrapping_add(since_us as i64);
            let at = SampleIndex(at.next(left.number()?));
            let i_bond = match shape.i_why {
                Some(why) => BondCurrent::NotMeasured(why),
                None => BondCurrent::Measured {
                    dc: Amps(left.real()?),
                    rms: Amps(left.real()?),
                },
            };
            let mut volts = |is_there| -> Result<Option<Volts>, String> {
                Ok(if is_there {
                    Some(Volts(left.real()?))
                } else {
                    None
                })
            };
            take(StoredReading {
                boot,
                t_us,
                reading: Reading {
                    at,
                    i_bond,
                    v_pos: volts(shape.has_v_pos)?,
                    v_neg: volts(shape.has_v_neg)?,
                    insulation,
                    state: shape.state,
                    bond_open: shape.bond_open,
                },
            });
        }
    }
    if left.0.is_empty() {
        Ok(())
    } else {
        Err(format!("{} bytes too many", left.0.len()))
    }
}

/// The same, bit by bit.
fn is_same(a: &Insulation, b: &Insulation) -> bool {
    let bits =
        |l: &PoleLeakage| [l.g_pos.0, l.g_neg.0, l.g_sigma.0, l.c.0, l.c_sigma.0].map(f32::to_bits);
    match (a, b) {
        (
            Insulation::Measured { leakage, at },
            Insulation::Measured {
                leakage: other,
                at: other_at,
            },
        ) => at == other_at && bits(leakage) == bits(other),
        (Insulation::NotMeasured { .. }, Insulation::NotMeasured { .. }) => a == b,
        _ => false,
    }
}

fn put(body: &mut Vec<u8>, mut number: u64) {
    while number >= 0x80 {
        body.push(number as u8 | 0x80);
        number >>= 7;
    }
    body.push(number as u8);
}

fn damaged() -> String {
    "its body is cut short or damaged".into()
}

/// What of a body has not been read.
struct Left<'a>(&'a [u8]);

impl Left<'_> {
    fn bytes<const N: usize>(&mut self) -> Result<[u8; N], String> {
        let (first, rest) = self.0.split_first_chunk().ok_or_else(damaged)?;
        self.0 = rest;
        Ok(*first)
    }

    fn real(&mut self) -> Result<f32, String> {
        self.bytes().map(f32::from_le_bytes)
    }

    fn number(&mut self) -> Result<u64, String> {
        let mut number = 0;
        for shift in (0..64).step_by(7) {
            let [byte] = self.bytes()?;
            number |= u64::from(byte & 0x7f) << shift;
            if byte < 0x80 {
                return Ok(number);
            }
        }
        Err(damaged())
    }

    /// Values with the number of readings that have them, until `count` have one.
    fn runs<T: DeserializeOwned>(&mut self, count: u64) -> Result<Vec<(u64, T)>, String> {
        let mut runs = Vec::new();
        let mut left = count;
        while left > 0 {
            let rows = self.number()?;
            left = left
                .checked_sub(rows)
                .filter(|_| rows > 0)
                .ok_or_else(damaged)?;
            let (value, rest) =
                postcard::take_from_bytes(self.0).map_err(|fault| fault.to_string())?;
            self.0 = rest;
            runs.push((rows, value));
        }
        Ok(runs)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::words;
    use ohmward_proto::{Farads, Siemens};
    use proptest::prelude::*;

    const FROM_US: i64 = 1_777_845_600_000_000;

    fn decoded(body: &[u8]) -> Result<Vec<StoredReading>, String> {
        let mut rows = Vec::new();
        each(body, (FROM_US, 3), |row| rows.push(row)).map(|()| rows)
    }

    /// Whatever bits there are, NaNs among them.
    fn any_f32() -> impl Strategy<Value = f32> {
        any::<u32>().prop_map(f32::from_bits)
    }

    fn any_reading() -> impl Strategy<Value = StoredReading> {
        let why = || prop::sample::select(words::REASONS.to_vec());
        let leakage = [any_f32(), any_f32(), any_f32(), any_f32(), any_f32()];
        (
            prop_oneof![Just(None), why().prop_map(Some)],
            [any_f32(), any_f32()],
            prop::option::of(any_f32()),
            prop::option::of(any_f32()),
            prop_oneof![Just(None), why().prop_map(Some)],
            leakage,
            [any::<u64>(), any::<u64>()],
            0..MINUTE_US as i64,
            prop::sample::select(words::STATES.to_vec()),
            any::<bool>(),
        )
            .prop_map(
                |(
                    i_why,
                    [dc, rms],
                    v_pos,
                    v_neg,
                    ins_why,
                    l,
                    [at, ins_at],
                    since_us,
                    state,
                    open,
                )| {
                    let reading = Reading {
                        at: SampleIndex(at),
                        i_bond: i_why.map_or(
                            BondCurrent::Measured {
                                dc: Amps(dc),
                                rms: Amps(rms),
                            },
                            BondCurrent::NotMeasured,
                        ),
                        v_pos: number(v_pos.map(Volts)),
                        v_neg: number(v_neg.map(Volts)),
                        insulation: match ins_why {
                            Some(why) => Insulation::NotMeasured {
                                why,
                                since: SampleIndex(ins_at),
                            },
                            None => Insulation::Measured {
                                leakage: PoleLeakage {
                                    g_pos: Siemens(l[0]),
                                    g_neg: Siemens(l[1]),
                                    g_sigma: Siemens(l[2]),
                                    c: Farads(l[3]),
                                    c_sigma: Farads(l[4]),
                                },
                                at: SampleIndex(ins_at),
                            },
                        },
                        state,
                        bond_open: open,
                    };
                    StoredReading {
                        boot: 3,
                        t_us: FROM_US + since_us,
                        reading,
                    }
                },
            )
    }

    proptest! {
        /// Told apart by the bytes that a board would send: those tell one NaN from another, and 0 from -0.
        #[test]
        fn every_bit_comes_back(rows in prop::collection::vec((any_reading(), 1_usize..4), 0..20)) {
            let rows: Vec<_> = rows.into_iter().flat_map(|(row, times)| vec![row; times]).collect();
            let back = decoded(&encode(FROM_US, &rows).unwrap()).unwrap();
            prop_assert_eq!(back.len(), rows.len());
            for (a, b) in rows.iter().zip(&back) {
                let bytes = |row| postcard::to_extend(row, Vec::new()).unwrap();
                prop_assert_eq!(bytes(a), bytes(b));
            }
        }

        #[test]
        fn whatever_bytes_there_are_no_harm_is_done(mut bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            if let Some(first) = bytes.first_mut() {
                *first = VERSION;
            }
            let _ = decoded(&bytes); // an answer is all that is asked
        }
    }

    fn steady(k: i64) -> StoredReading {
        StoredReading {
            boot: 3,
            t_us: FROM_US + 1_000_000 * k,
            reading: Reading {
                at: SampleIndex(4000 * k as u64),
                i_bond: BondCurrent::Measured {
                    dc: Amps(0.25),
                    rms: Amps(0.5),
                },
                v_pos: Some(Volts(380.0)),
                v_neg: None,
                insulation: Insulation::NotMeasured {
                    why: NotMeasured::NeverYet,
                    since: SampleIndex(300),
                },
                state: TripState::Closed,
                bond_open: false,
            },
        }
    }

    /// Byte for byte as the module's head says it: layout 1 is read for ever.
    #[test]
    fn layout_1_is_as_written_down() {
        let rows = [steady(0), steady(1), steady(2)];
        let dc_rms_v = [0, 0, 0x80, 0x3e, 0, 0, 0, 0x3f, 0, 0, 0xbe, 0x43];
        let mut wanted = vec![1, 3];
        wanted.extend([3, 0, 1, 0, 2, 0]); // three alike: a current, v_pos, no v_neg, closed, bond not open
        wanted.extend([3, 1, 0, 0xac, 0x02]); // three alike: not measured, never yet, since 300
        wanted.extend([0, 0]);
        wanted.extend(dc_rms_v);
        wanted.extend([0x80, 0x89, 0x7a, 0xc0, 0x3e]); // zigzag: 2 000 000 µs, 8000 samples
        wanted.extend(dc_rms_v);
        wanted.extend([0, 0]); // the same step again
        wanted.extend(dc_rms_v);
        assert_eq!(encode(FROM_US, &rows).unwrap(), wanted);
        assert_eq!(decoded(&wanted).unwrap(), rows);
    }

    #[test]
    fn what_is_cut_short_changed_or_newer_is_told() {
        let rows: Vec<_> = (0..60).map(steady).collect();
        let body = encode(FROM_US, &rows).unwrap();
        assert!(body.len() < 60 * 15, "{} bytes", body.len());
        for end in 0..body.len() {
            decoded(&body[..end]).unwrap_err();
        }
        let longer = [body.as_slice(), &[0]].concat();
        assert_eq!(decoded(&longer).unwrap_err(), "1 bytes too many");
        let mut early = rows;
        early[0].t_us -= 1;
        let early = encode(FROM_US, &early).unwrap();
        assert!(decoded(&early).unwrap_err().contains("another minute"));
        let newer = [&[2], &body[1..]].concat();
        assert!(decoded(&newer).unwrap_err().contains("layout 2"));
    }
}
