//! The mains-frequency part of the bond current as a vector: where it stood, how it moved when something happened, and how far that
//! was against the levels for sudden changes. 30 mA in quadrature to a standing 300 mA hardly move the RMS; here they are a step.
//!
//! Of a captured waveform: a Fourier sum over one mains cycle, moved on sample by sample. The angle is against a cosine that turns
//! with the mains as found on the capture's own beginning, so a vector that stays stands still.

use super::canvas::{Area, Canvas, Drawn, Entry, Px, Side, Swatch};
use super::levels::{self, LimitSources};
use super::marks;
use super::picture::Picture;
use super::scale::LinearScale;
use super::time_axis::moment;
use super::waveform::WaveformData;
use super::{CAUTION, colour};
use crate::words::si;
use ohmward_proto::Settings;
use ohmward_proto::message::BoardId;
use plotters::prelude::*;
use std::f64::consts::{SQRT_2, TAU};

/// The plane: a square.
const PLANE: Area = Area {
    left: 110,
    top: 160,
    right: 760,
    bottom: 810,
};
const TABLE_LEFT: i32 = 800;
/// Cycles at the beginning of a capture from which the mains is found.
const STANDING_CYCLES: f64 = 4.0;

/// A vector at a moment; RMS.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Phasor {
    /// End of its cycle, ms from the trigger.
    pub ms: f64,
    /// In phase with the reference, A.
    pub re_a: f64,
    /// A quarter of a cycle ahead of it, A.
    pub im_a: f64,
}

impl Phasor {
    fn size_a(&self) -> f64 {
        self.re_a.hypot(self.im_a)
    }

    fn away_a(&self, other: &Self) -> f64 {
        (self.re_a - other.re_a).hypot(self.im_a - other.im_a)
    }
}

/// The path of the vector through a capture.
#[derive(Clone, PartialEq, Debug)]
pub struct PhasorData {
    /// The board.
    pub board: BoardId,
    /// Stands beside the board's number.
    pub note: Option<String>,
    /// What happened, in words, and when.
    pub event: (String, String),
    /// A whole cycle each, by time; missing samples leave a gap.
    pub path: Vec<Phasor>,
    /// Before anything happened.
    pub standing: Option<Phasor>,
    /// The last whole cycle before trip or trigger.
    pub at_trigger: Option<Phasor>,
    /// The last of the capture.
    pub last: Option<Phasor>,
    /// Mains frequency, Hz; found on the standing current, else nominal.
    pub mains_hz: f64,
    /// It was found.
    pub mains_found: bool,
    /// The settings last heard from the board; without them no limits are drawn.
    pub settings: Option<Settings>,
    /// Where limits come from.
    pub sources: LimitSources,
}

impl PhasorData {
    /// The path in a captured waveform. Without settings the mains is taken for 50 Hz, and that is said.
    #[must_use]
    pub fn of(data: &WaveformData) -> Self {
        let calibration = &data.capture.head.calibration;
        let current: Vec<Option<f64>> = data
            .capture
            .codes
            .iter()
            .map(|codes| {
                let i = f64::from(calibration.i_bond(codes.as_ref()?).0);
                i.is_finite().then_some(i)
            })
            .collect();
        let rate = f64::from(data.sample_rate_hz.max(1));
        let nominal = f64::from(data.settings.map_or(50, |settings| settings.mains.hz()));
        // Something begins with the pickup; of a surge, at the trigger less a cycle.
        let begins_ms = data.pickup().map_or(0.0, |(from, _)| from).min(0.0) - 1000.0 / nominal;
        let quiet = current
            .iter()
            .enumerate()
            .take_while(|(k, _)| data.ms_of(*k) < begins_ms)
            .count();
        let found = mains_period(&current[..quiet], rate / nominal);
        let period = found.unwrap_or(rate / nominal);
        let path: Vec<Phasor> = vectors(&current, period)
            .map(|(end, re_a, im_a)| Phasor {
                ms: data.ms_of(end),
                re_a,
                im_a,
            })
            .collect();
        let before: Vec<&Phasor> = path.iter().filter(|p| p.ms < begins_ms).collect();
        let standing = (!before.is_empty()).then(|| Phasor {
            ms: begins_ms,
            re_a: before.iter().map(|p| p.re_a).sum::<f64>() / before.len() as f64,
            im_a: before.iter().map(|p| p.im_a).sum::<f64>() / before.len() as f64,
        });
        let kind = &data.event.event.kind;
        let (words, ..) = marks::wording(kind).unwrap_or_else(|| ("event".into(), colour::INK, 0));
        Self {
            board: data.event.board,
            note: data.note.clone(),
            event: (
                words,
                format!("event {}, {}", data.event.event.id, moment(data.event.t_us)),
            ),
            at_trigger: path.iter().rfind(|p| p.ms <= 0.0).copied(),
            last: path.last().copied(),
            standing,
            path,
            mains_hz: rate / period,
            mains_found: found.is_some(),
            settings: data.settings,
            sources: data.sources.clone(),
        }
    }

    fn named(&self) -> Vec<(&'static str, &'static str, Phasor)> {
        [
            ("A", "standing, before it began", self.standing),
            ("B", "at the trip or trigger", self.at_trigger),
            ("C", "at the end of the capture", self.last),
        ]
        .into_iter()
        .filter_map(|(letter, words, phasor)| Some((letter, words, phasor?)))
        .collect()
    }
}

/// Fourier sums over one cycle of `period` samples, the last sample in part: index of that sample, then the vector, A RMS.
fn vectors(current: &[Option<f64>], period: f64) -> impl Iterator<Item = (usize, f64, f64)> {
    let whole = period.ceil() as usize;
    let last_part = period - (whole as f64 - 1.0);
    current
        .windows(whole.max(1))
        .enumerate()
        .filter_map(move |(start, window)| {
            let (mut re, mut im) = (0.0, 0.0);
            for (k, i) in window.iter().enumerate() {
                let weight = if k + 1 == whole { last_part } else { 1.0 };
                let (sin, cos) = (TAU * (start + k) as f64 / period).sin_cos();
                let i = (*i)? * weight;
                re += i * cos;
                im -= i * sin;
            }
            let scale = SQRT_2 / period;
            Some((start + whole - 1, re * scale, im * scale))
        })
}

/// The period of the standing current in samples; `None` when there is too little of it, or too short a time.
fn mains_period(current: &[Option<f64>], nominal: f64) -> Option<f64> {
    let mut period = nominal;
    // Each turn of the vector over the time tells how far off the period was; thrice is exact to a millionth.
    for _ in 0..3 {
        let path: Vec<(usize, f64, f64)> = vectors(current, period).collect();
        let ((from, re, im), (to, re_2, im_2)) = (*path.first()?, *path.last()?);
        let samples = (to - from) as f64;
        // Below a milliampere the angle is noise.
        if samples < STANDING_CYCLES * nominal || re.hypot(im).min(re_2.hypot(im_2)) < 1e-3 {
            return None;
        }
        let turned = (im_2 * re - re_2 * im).atan2(re_2 * re + im_2 * im);
        let hz = 1.0 / period + turned / TAU / samples;
        period = (1.0 / hz).clamp(0.9 * nominal, 1.1 * nominal);
    }
    Some(period)
}

impl Picture for PhasorData {
    fn draw<B: DrawingBackend>(&self, canvas: &Canvas<B>) -> Drawn {
        let sheet = canvas.sheet();
        canvas.title(
            &super::board_words(self.board, self.note.as_deref()),
            (24, 28),
        )?;
        let (what, when) = &self.event;
        canvas.text(
            &format!("{what}; {when}"),
            (24, 62),
            Side::Left,
            colour::INK,
        )?;
        let found = if self.mains_found {
            "found on the standing current"
        } else {
            "nominal"
        };
        canvas.text(
            &format!(
                "Mains-frequency part of the bond current, RMS, each whole cycle of {:.2} Hz ({found}) in the capture",
                self.mains_hz
            ),
            (24, 88),
            Side::Left,
            colour::INK,
        )?;
        let entries = [
            Entry::new(Swatch::Line(colour::QUIET, 2), "path"),
            Entry::new(
                Swatch::Line(colour::PLUS, 3),
                "A to B, the change until the trip",
            ),
            Entry::new(
                Swatch::Dashed(colour::MINUS, (6, 4), 3),
                "B to C, what followed",
            ),
        ];
        canvas.legend("Vector", (24, 122), sheet.right - 16, &entries)?;
        self.plane(canvas)?;
        self.table(canvas)?;
        let line = self.sources.line(
            self.settings.as_ref(),
            &levels::sudden(self.settings.as_ref()),
        );
        canvas.paragraph(
            &line,
            (24, PLANE.bottom + 38),
            sheet.right - 24,
            colour::QUIET,
        )?;
        canvas.text(CAUTION, (24, sheet.bottom - 18), Side::Left, colour::INK)
    }
}

impl PhasorData {
    fn plane<B: DrawingBackend>(&self, canvas: &Canvas<B>) -> Drawn {
        let reach = self
            .path
            .iter()
            .chain(&self.standing)
            .map(|p| p.re_a.abs().max(p.im_a.abs()))
            .fold(1e-3, f64::max);
        // The lowest level about the standing vector is worth the room.
        let around = self.standing.map_or(0.0, |standing| {
            let least = self
                .settings
                .map_or(0.0, |s| f64::from(s.current.sudden.low.above.0));
            standing.re_a.abs().max(standing.im_a.abs()) + least
        });
        let reach = 1.12 * reach.max(around);
        let x = LinearScale::new((-reach, reach), (PLANE.left, PLANE.right));
        let y = LinearScale::new((-reach, reach), (PLANE.bottom, PLANE.top));
        let px = |p: &Phasor| -> Px { (x.px(p.re_a), y.px(p.im_a)) };
        for value in x.ticks(6) {
            let (at_x, at_y) = (x.px(value), y.px(value));
            canvas.line(&[(at_x, PLANE.top), (at_x, PLANE.bottom)], colour::GRID, 1)?;
            canvas.line(&[(PLANE.left, at_y), (PLANE.right, at_y)], colour::GRID, 1)?;
            let label = si(value as f32, "A");
            canvas.text(&label, (PLANE.left - 10, at_y), Side::Right, colour::INK)?;
            canvas.small(&label, (at_x, PLANE.bottom + 16), Side::Center, colour::INK)?;
        }
        canvas.frame(PLANE, colour::QUIET)?;
        let origin = (x.px(0.0), y.px(0.0));
        canvas.line(
            &[(origin.0 - 8, origin.1), (origin.0 + 8, origin.1)],
            colour::INK,
            1,
        )?;
        canvas.line(
            &[(origin.0, origin.1 - 8), (origin.0, origin.1 + 8)],
            colour::INK,
            1,
        )?;
        for circle in self.circles() {
            let centre = px(&circle.centre);
            let radius = (x.px(circle.radius_a) - origin.0).abs();
            let whole = circle.centre.re_a.abs().max(circle.centre.im_a.abs()) + circle.radius_a;
            if whole <= reach && radius > 2 {
                ring(canvas, centre, radius, circle.dash, circle.colour)?;
            }
        }
        for piece in self.path.chunk_by(|a, b| b.ms - a.ms < 1.0) {
            let line: Vec<Px> = piece.iter().map(px).collect();
            canvas.line(&line, colour::QUIET, 2)?;
        }
        if let (Some(a), Some(b)) = (&self.standing, &self.at_trigger) {
            canvas.arrow(px(a), px(b), colour::PLUS, 3)?;
        }
        if let (Some(b), Some(c)) = (&self.at_trigger, &self.last) {
            canvas.dashed(&[px(b), px(c)], (6, 4), colour::MINUS, 3)?;
        }
        // A letter that would lie on another goes to the next side.
        let mut taken: Vec<Px> = Vec::new();
        for (letter, _, phasor) in self.named() {
            let at = px(&phasor);
            canvas.dot(at, 5, colour::INK)?;
            let sides = [
                (12, -12),
                (-12, -12),
                (12, 14),
                (-12, 14),
                (24, 0),
                (-24, 0),
            ];
            let free = sides
                .map(|(dx, dy)| (at.0 + dx, at.1 + dy))
                .into_iter()
                .find(|place| {
                    taken
                        .iter()
                        .all(|t| (t.0 - place.0).abs() > 14 || (t.1 - place.1).abs() > 16)
                });
            if let Some(place) = free {
                taken.push(place);
                canvas.bold(letter, (place.0 - 5, place.1), colour::INK)?;
            }
        }
        if self.path.is_empty() {
            canvas.text(
                "no whole cycle was captured without a missing sample",
                (i32::midpoint(PLANE.left, PLANE.right), PLANE.top + 60),
                Side::Center,
                colour::INK,
            )?;
        }
        Ok(())
    }

    fn circles(&self) -> Vec<Circle> {
        let zero = Phasor {
            ms: 0.0,
            re_a: 0.0,
            im_a: 0.0,
        };
        let levels = levels::sudden(self.settings.as_ref());
        levels
            .into_iter()
            .filter_map(|level| {
                let continuous = level.key == levels::CONTINUOUS;
                Some(Circle {
                    centre: if continuous { zero } else { self.standing? },
                    radius_a: f64::from(level.value),
                    words: level.text,
                    about: if continuous { "about 0" } else { "about A" },
                    dash: level.dash,
                    colour: level.colour,
                })
            })
            .collect()
    }

    fn table<B: DrawingBackend>(&self, canvas: &Canvas<B>) -> Drawn {
        let right = canvas.sheet().right - 24;
        let mut y = PLANE.top + 14;
        for (letter, words, phasor) in self.named() {
            canvas.bold(&format!("{letter}  {words}"), (TABLE_LEFT, y), colour::INK)?;
            let value = format!(
                "{} RMS at {:.0}°, cycle to {:.1} ms",
                si(phasor.size_a() as f32, "A"),
                phasor.im_a.atan2(phasor.re_a).to_degrees(),
                phasor.ms
            )
            .replace('-', "−");
            canvas.text(&value, (TABLE_LEFT + 20, y + 24), Side::Left, colour::INK)?;
            y += 60;
        }
        if let (Some(a), Some(b)) = (&self.standing, &self.at_trigger) {
            let words = [
                format!("moved A to B by {}", si(b.away_a(a) as f32, "A")),
                format!(
                    "while RMS changed by {}",
                    si((b.size_a() - a.size_a()) as f32, "A")
                ),
            ];
            for words in words {
                canvas.text(&words, (TABLE_LEFT, y), Side::Left, colour::PLUS)?;
                y += 24;
            }
        }
        y += 20;
        canvas.bold("Circles", (TABLE_LEFT, y), colour::INK)?;
        y += 26;
        for circle in self.circles() {
            canvas.dashed(
                &[(TABLE_LEFT, y), (TABLE_LEFT + 40, y)],
                circle.dash,
                circle.colour,
                2,
            )?;
            let words = format!("{}, {}", circle.words, circle.about);
            canvas.text(&words, (TABLE_LEFT + 50, y), Side::Left, circle.colour)?;
            y += 24;
        }
        y += 12;
        canvas.paragraph(
            "A circle larger than the plane is not drawn. The board holds the whole change against its levels, direct current and \
             harmonics included; here is its mains-frequency part.",
            (TABLE_LEFT, y),
            right,
            colour::QUIET,
        )?;
        Ok(())
    }
}

/// A limit as a circle.
struct Circle {
    centre: Phasor,
    radius_a: f64,
    words: String,
    about: &'static str,
    dash: (i32, i32),
    colour: RGBColor,
}

fn ring<B: DrawingBackend>(
    canvas: &Canvas<B>,
    centre: Px,
    radius: i32,
    dash: (i32, i32),
    colour: RGBColor,
) -> Drawn {
    let steps = (radius * 2).clamp(24, 360);
    let points: Vec<Px> = (0..=steps)
        .map(|k| {
            let (sin, cos) = (TAU * f64::from(k) / f64::from(steps)).sin_cos();
            let r = f64::from(radius);
            (
                centre.0 + (r * cos).round() as i32,
                centre.1 + (r * sin).round() as i32,
            )
        })
        .collect();
    canvas.dashed(&points, dash, colour, 2)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A cosine of known RMS and angle, off the nominal frequency (definition of the Fourier series).
    #[test]
    fn a_vector_comes_out_as_it_went_in() {
        for hz in [49.6, 50.0, 50.3, 60.2] {
            let wave = |n: usize| 0.3 * SQRT_2 * (TAU * hz * n as f64 / 4000.0 + 0.7).cos() + 0.05;
            let current: Vec<Option<f64>> = (0..1600).map(|n| Some(wave(n))).collect();
            let nominal = if hz > 55.0 { 4000.0 / 60.0 } else { 80.0 };
            let period = mains_period(&current, nominal).unwrap();
            assert!(
                (4000.0 / period - hz).abs() < 0.02,
                "{hz}: {}",
                4000.0 / period
            );
            for (_, re, im) in vectors(&current, period) {
                let off = (re - 0.3 * 0.7_f64.cos()).hypot(im - 0.3 * 0.7_f64.sin());
                assert!(off < 0.006, "{hz}: {re} {im}");
            }
        }
    }

    #[test]
    fn a_missing_sample_leaves_a_gap_and_noise_has_no_frequency() {
        let mut current = vec![Some(1e-5); 800];
        assert_eq!(mains_period(&current, 80.0), None);
        current[400] = None;
        let ends: Vec<usize> = vectors(&current, 80.0).map(|(end, ..)| end).collect();
        assert!(ends.contains(&399) && ends.contains(&480));
        assert!(!ends.iter().any(|end| (400..480).contains(end)));
    }
}
