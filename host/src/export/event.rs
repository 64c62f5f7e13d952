//! The captured waveform of one event.
//!
//! | channel | what | unit, scale |
//! |---|---|---|
//! | `I_BOND` | bond current: the sensitive range inside its rails, else the wide one; + out of the array conductor into earth | A |
//! | `I_FINE`, `I_WIDE` | both ranges as the converter gave them | A, from the calibration |
//! | `V_POS`, `V_NEG` | poles to earth as the converter gave them | V, from the calibration |
//! | `PICKUP`, `TRIP`, `CONTACTOR` | see [`super::wires`] | |

use super::wires::Wires;
use super::{CAUTION, ExportError, utc};
use crate::chart::WaveformData;
use crate::comtrade::{Analog, Clock, Encoding, Layout, Rate, Record, Status};
use crate::store::{EventFilter, Store};
use crate::words;
use jiff::tz::Offset;
use jiff::{SignedDuration, Timestamp};
use ohmward_proto::message::BoardId;
use ohmward_proto::settings::Scale;
use ohmward_proto::{Codes, EventId};
use std::io::Write;
use std::path::{Path, PathBuf};

/// What is handed over of one event.
#[derive(Clone, PartialEq, Debug)]
pub struct CapturedEvent {
    /// The event, its codes, their scales.
    pub data: WaveformData,
    /// What the board did meanwhile.
    pub wires: Wires,
}

impl CapturedEvent {
    /// Gathers it.
    ///
    /// # Errors
    /// No such event, no waveform of it, or the store cannot be read.
    pub fn from_store(store: &Store, board: BoardId, event: EventId) -> Result<Self, ExportError> {
        let data = WaveformData::from_store(store, board, event)?;
        let events = store.events(&EventFilter {
            board: Some(board),
            ..EventFilter::default()
        })?;
        let first = data.capture.head.first;
        let wires = Wires::of(
            &events,
            event.boot,
            first..first.after(data.capture.codes.len() as u64),
        );
        Ok(Self { data, wires })
    }

    /// Samples that never arrived.
    #[must_use]
    pub fn missing(&self) -> usize {
        let codes = self.data.capture.codes.iter();
        codes.filter(|codes| codes.is_none()).count()
    }

    /// As a COMTRADE record; `encoding` decides how fine `I_BOND` is where it takes from both ranges.
    ///
    /// # Errors
    /// The event has no date that can be written.
    pub fn record(&self, encoding: Encoding) -> Result<Record, ExportError> {
        let (head, rate_hz) = (&self.data.capture.head, self.data.sample_rate_hz);
        let calibration = &head.calibration;
        let event = &self.data.event;
        let moment = |at: ohmward_proto::SampleIndex| {
            let samples = i128::from(at.0) - i128::from(event.event.at.0);
            let nanos = samples * 1_000_000_000 / i128::from(rate_hz);
            Timestamp::from_microsecond(event.t_us)
                .and_then(|t| t.checked_add(SignedDuration::from_nanos(nanos as i64)))
                .map(|t| Offset::UTC.to_datetime(t))
                .map_err(|_| ExportError::Date { t_us: event.t_us })
        };
        let channel = |name, unit, scale: Scale, code: fn(&Codes) -> i16| {
            let (a, b) = line(scale);
            // 8000h means "missing" in 16 bits; a rail one count short of it is a rail still.
            let count = |codes: &Codes| f64::from(code(codes).max(-i16::MAX));
            let all = self.data.capture.codes.iter();
            with_limits(
                Analog::from_counts(name, unit, (a, b), all.map(|c| c.as_ref().map(count))),
                f64::from(calibration.rail_low.max(-i16::MAX)),
                f64::from(calibration.rail_high),
            )
        };
        let samples = self.data.capture.codes.len() as u64;
        let mut statuses = vec![
            Status::from_bits("PICKUP", false, self.wires.pickup.iter().copied()),
            Status::from_bits("TRIP", false, self.wires.trip.iter().copied()),
        ];
        if let Ok(contactor) = &self.wires.contactor {
            statuses.push(Status::from_bits(
                "CONTACTOR",
                true,
                contactor.iter().copied(),
            ));
        }
        Ok(Record {
            station: "Ohmward".to_owned(),
            recorder: event.board.to_string(),
            revision: crate::comtrade::Revision::Y2013,
            encoding,
            analogs: vec![
                self.bond(encoding),
                channel("I_FINE", "A", calibration.i_fine, |c| c.i_fine),
                channel("I_WIDE", "A", calibration.i_wide, |c| c.i_wide),
                channel("V_POS", "V", calibration.v_pos, |c| c.v_pos),
                channel("V_NEG", "V", calibration.v_neg, |c| c.v_neg),
            ],
            statuses,
            line_hz: self
                .data
                .settings
                .map(|settings| f64::from(settings.mains.hz())),
            rates: vec![Rate {
                hz: f64::from(rate_hz),
                last: samples,
            }],
            start: moment(head.first)?,
            trigger: moment(head.trigger)?,
            timemult: 1.0,
            nanoseconds: false,
            stamps: Vec::new(),
            clock: Some(Clock {
                time_code: "0".to_owned(),
                local_code: "x".to_owned(),
                quality: "F".to_owned(),
                leap_second: "3".to_owned(),
            }),
            notes: self.notes(),
        })
    }

    /// The bond current. Codes of the sensitive range alone stay as they are; where the wide one is needed, too, a scale is
    /// chosen that holds both as finely as the encoding can.
    fn bond(&self, encoding: Encoding) -> Analog {
        let calibration = &self.data.capture.head.calibration;
        let codes = || self.data.capture.codes.iter().map(Option::as_ref);
        let fine_alone = codes().flatten().all(|c| !calibration.at_rail(c.i_fine));
        let amps = || codes().map(|c| c.map(|c| f64::from(calibration.i_bond(c).0)));
        let largest = amps().flatten().fold(0.0_f64, |max, i| max.max(i.abs()));
        let named =
            |scale, counts: Vec<Option<f64>>| Analog::from_counts("I_BOND", "A", scale, counts);
        let full = match encoding {
            _ if fine_alone || largest == 0.0 => {
                let counts = codes().map(|c| c.map(|c| f64::from(c.i_fine)));
                return with_limits(
                    named(line(calibration.i_fine), counts.collect()),
                    f64::from(calibration.rail_low),
                    f64::from(calibration.rail_high),
                );
            }
            Encoding::Float32 => {
                return with_limits(named((1.0, 0.0), amps().collect()), -largest, largest);
            }
            // Clear of 99999, which means "missing" in text.
            Encoding::Ascii => 90_000.0,
            Encoding::Binary => 32_767.0,
            Encoding::Binary32 => 100_000_000.0,
        };
        let a = largest / full;
        let counts = amps().map(|i| i.map(|i| (i / a).round()));
        with_limits(named((a, 0.0), counts.collect()), -full, full)
    }

    /// Free text beside the record: what it is, and what its channels rest on.
    fn notes(&self) -> String {
        let (head, event) = (&self.data.capture.head, &self.data.event);
        let mut lines = vec![
            format!("Board {}, event {}, {}", event.board, event.event.id, utc(event.t_us)),
            words::event(&event.event.kind, Some(self.data.sample_rate_hz)),
            format!(
                "{} samples at {} Hz, {} of them missing; calibration {}",
                self.data.capture.codes.len(),
                self.data.sample_rate_hz,
                self.missing(),
                head.calibration.id
            ),
            String::new(),
            "I_BOND: bond current, the sensitive range inside its rails, else the wide one; + out of the array conductor into earth."
                .to_owned(),
            "I_FINE, I_WIDE, V_POS, V_NEG: converter codes with the calibration's scale, behind the front end's anti-alias filter."
                .to_owned(),
            "A capture holds converter codes alone. The status channels come from the board's events:".to_owned(),
            "PICKUP: from when the limit that tripped was first seen passed, to the trip. A pickup that did not trip is not told; \
             the fault itself began before."
                .to_owned(),
            "TRIP: from the trip, when the contactor was told to open, to a reset. Events of this run of the board alone.".to_owned(),
        ];
        lines.push(match &self.wires.contactor {
            Ok(_) => "CONTACTOR: confirmed closed by its feedback; it falls when the open contact had stood for its confirmation time."
                .to_owned(),
            Err(why) => format!("CONTACTOR: left out, for {why}."),
        });
        lines.push(
            "Dates are UTC as the recorder or the board had it; nothing here checks that clock (quality F).".to_owned(),
        );
        lines.push(String::new());
        lines.push(CAUTION.to_owned());
        lines.join("\n")
    }

    /// Writes COMTRADE files; see [`Record::save`].
    ///
    /// # Errors
    /// As that.
    pub fn save_comtrade(&self, path: &Path, layout: Layout) -> Result<Vec<PathBuf>, ExportError> {
        Ok(self.record(layout.encoding)?.save(path, layout)?)
    }

    /// Writes CSV that `bench` reads: seconds from the trigger, A, V; empty where a sample or the contactor is not known.
    ///
    /// # Errors
    /// [`ExportError::Write`].
    pub fn save_csv(&self, path: &Path) -> Result<Vec<PathBuf>, ExportError> {
        let write = || -> std::io::Result<()> {
            let mut out = std::io::BufWriter::new(std::fs::File::create(path)?);
            writeln!(out, "time_s,i_bond_a,v_pos_v,v_neg_v,pickup,trip,contactor")?;
            let head = &self.data.capture.head;
            let c = &head.calibration;
            let rate = f64::from(self.data.sample_rate_hz);
            for (n, codes) in self.data.capture.codes.iter().enumerate() {
                let at = head.first.0 as f64 + n as f64 - head.trigger.0 as f64;
                let values = codes.map_or_else(
                    || ",,".to_owned(),
                    |codes| {
                        format!(
                            "{},{},{}",
                            c.i_bond(&codes).0,
                            c.v_pos.value(codes.v_pos),
                            c.v_neg.value(codes.v_neg)
                        )
                    },
                );
                let contactor = match &self.wires.contactor {
                    Ok(row) => u8::from(row[n]).to_string(),
                    Err(_) => String::new(),
                };
                writeln!(
                    out,
                    "{:.9},{values},{},{},{contactor}",
                    at / rate,
                    u8::from(self.wires.pickup[n]),
                    u8::from(self.wires.trip[n])
                )?;
            }
            out.flush()
        };
        write().map_err(|source| ExportError::Write {
            file: path.to_path_buf(),
            source,
        })?;
        Ok(vec![path.to_path_buf()])
    }
}

/// (code − zero)·per_count as a·count + b.
fn line(scale: Scale) -> (f64, f64) {
    let a = f64::from(scale.per_count);
    (a, 0.0 - f64::from(scale.zero) * a)
}

fn with_limits(mut channel: Analog, min: f64, max: f64) -> Analog {
    (channel.min, channel.max) = (Some(min), Some(max));
    channel
}
