//! What stands in a block's body: a byte for its layout, then postcard of [`Body`]. Lossless: every bit of every number comes back.
//! A pole's NaN is kept as no value, as the archive keeps it.

use crate::store::StoredReading;
use crate::store::rollup::Level;
use ohmward_proto::measure::{NotMeasured, TripState};
use ohmward_proto::{Amps, BondCurrent, Insulation, PoleLeakage, Reading, SampleIndex, Volts};
use serde::{Deserialize, Serialize};

/// Layout of the body. Higher means newer.
const VERSION: u8 = 1;
const MINUTE_US: u64 = Level::Minute.length_us() as u64;

/// Layout 1, column by column. What changes seldom stands once, with the number of readings that have it.
#[derive(Default, Serialize, Deserialize)]
struct Body {
    shapes: Vec<(u32, Shape)>,
    insulation: Vec<(u32, Insulation)>,
    /// Microseconds from the minute's beginning, and counts: how much the step from the reading before differs from the step before
    /// that (at first from nothing). A board that keeps its beat needs a byte for each.
    t: Vec<i64>,
    at: Vec<i64>,
    /// As many as its shape says for each reading: DC, RMS, positive and negative pole.
    values: Vec<f32>,
}

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
    fn change(&mut self, next: u64) -> i64 {
        let step = next.wrapping_sub(self.last);
        let change = step.wrapping_sub(self.step) as i64;
        (self.last, self.step) = (next, step);
        change
    }

    /// The next number, by what was written.
    fn next(&mut self, change: i64) -> u64 {
        self.step = self.step.wrapping_add_signed(change);
        self.last = self.last.wrapping_add(self.step);
        self.last
    }
}

/// Readings of one run that lie in the minute that begins at `minute_us`, in whatever order.
pub fn encode(minute_us: i64, rows: &[StoredReading]) -> postcard::Result<Vec<u8>> {
    let mut body = Body {
        values: Vec::with_capacity(4 * rows.len()),
        ..Body::default()
    };
    for run in rows.chunk_by(|a, b| Shape::of(&a.reading) == Shape::of(&b.reading)) {
        body.shapes
            .push((run.len() as u32, Shape::of(&run[0].reading)));
    }
    for run in rows.chunk_by(|a, b| is_same(&a.reading.insulation, &b.reading.insulation)) {
        body.insulation
            .push((run.len() as u32, run[0].reading.insulation));
    }
    let (mut t, mut at) = (Beat::default(), Beat::default());
    for StoredReading { t_us, reading, .. } in rows {
        body.t.push(t.change(t_us.wrapping_sub(minute_us) as u64));
        body.at.push(at.change(reading.at.0));
        if let BondCurrent::Measured { dc, rms } = reading.i_bond {
            body.values.extend([dc.0, rms.0]);
        }
        let poles = [number(reading.v_pos), number(reading.v_neg)];
        body.values.extend(poles.into_iter().flatten().map(|v| v.0));
    }
    let mut bytes = Vec::with_capacity(64 + 20 * rows.len());
    bytes.push(VERSION);
    postcard::to_extend(&body, bytes)
}

/// Gives every reading of a body, in the order in which they were put in.
///
/// # Errors
/// In what way it cannot be understood.
#[inline]
pub fn each(
    bytes: &[u8],
    (minute_us, boot): (i64, u32),
    mut take: impl FnMut(StoredReading),
) -> Result<(), String> {
    let damaged = || "its body is cut short or damaged".to_owned();
    let (version, bytes) = bytes.split_first().ok_or_else(damaged)?;
    if *version != VERSION {
        return Err(format!(
            "its body has layout {version}, this program knows {VERSION}"
        ));
    }
    let (body, rest): (Body, _) = postcard::take_from_bytes(bytes).map_err(|_| damaged())?;
    if !rest.is_empty() {
        return Err(format!("{} bytes too many", rest.len()));
    }
    if body.t.len() != body.at.len() {
        return Err(damaged());
    }
    let (mut t, mut at) = (Beat::default(), Beat::default());
    let mut shapes = each_of(&body.shapes);
    let mut insulation = each_of(&body.insulation);
    let mut values = body.values.iter().copied();
    for (t_change, at_change) in body.t.iter().zip(&body.at) {
        let shape = shapes.next().ok_or_else(damaged)?;
        let insulation = insulation.next().ok_or_else(damaged)?;
        let since_us = t.next(*t_change);
        if since_us >= MINUTE_US {
            return Err("a reading in it is of another minute".into());
        }
        let mut value = || values.next().ok_or_else(damaged);
        let i_bond = match shape.i_why {
            Some(why) => BondCurrent::NotMeasured(why),
            None => BondCurrent::Measured {
                dc: Amps(value()?),
                rms: Amps(value()?),
            },
        };
        let mut volts = |is_there| -> Result<_, String> {
            Ok(if is_there {
                Some(Volts(value()?))
            } else {
                None
            })
        };
        take(StoredReading {
            boot,
            t_us: minute_us.wrapping_add(since_us as i64),
            reading: Reading {
                at: SampleIndex(at.next(*at_change)),
                i_bond,
                v_pos: volts(shape.has_v_pos)?,
                v_neg: volts(shape.has_v_neg)?,
                insulation,
                state: shape.state,
                bond_open: shape.bond_open,
            },
        });
    }
    if values.next().is_none() && shapes.next().is_none() && insulation.next().is_none() {
        Ok(())
    } else {
        Err(damaged())
    }
}

/// A value for each reading.
fn each_of<T: Copy>(runs: &[(u32, T)]) -> impl Iterator<Item = T> {
    runs.iter()
        .flat_map(|(readings, value)| std::iter::repeat_n(*value, *readings as usize))
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

    /// Byte for byte: layout 1 is read for ever.
    #[test]
    fn layout_1_is_as_written_down() {
        let rows = [steady(0), steady(1), steady(2)];
        let dc_rms_v = [0, 0, 0x80, 0x3e, 0, 0, 0, 0x3f, 0, 0, 0xbe, 0x43];
        let mut wanted = vec![1];
        wanted.extend([1, 3, 0, 1, 0, 2, 0]); // three alike: a current, v_pos, no v_neg, closed, bond not open
        wanted.extend([1, 3, 1, 0, 0xac, 0x02]); // three alike: not measured, never yet, since 300
        wanted.extend([3, 0, 0x80, 0x89, 0x7a, 0]); // a second, written as 2 000 000 by zigzag; the same again
        wanted.extend([3, 0, 0xc0, 0x3e, 0]); // 4000 samples
        wanted.push(9);
        wanted.extend([dc_rms_v; 3].concat());
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
