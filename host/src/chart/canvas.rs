//! Text, lines and areas in pixels, on any backend.

use super::Format;
use plotters::coord::Shift;
use plotters::element::{Drawable, PointCollection};
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{FontStyle, register_font};
use std::sync::Once;

/// What a backend says when it cannot.
pub type Drawn = Result<(), String>;
/// A place in pixels from the left upper corner.
pub type Px = (i32, i32);

/// Font heights as plotters counts them: 18 is letters of 14.5 px.
pub const TEXT: u32 = 18;
pub const TITLE: u32 = 27;
/// Lines under a picture.
pub const SMALL: u32 = 16;
/// From one small line to the next.
pub const SMALL_ROW: i32 = 19;

pub use plotters::style::text_anchor::HPos as Side;

/// A rectangle in pixels.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Area {
    pub left: i32,
    pub top: i32,
    pub right: i32,
    pub bottom: i32,
}

/// Makes the program's own fonts known, once.
fn fonts() {
    static FONTS: Once = Once::new();
    FONTS.call_once(|| {
        // The fonts are part of the program and known to be sound; a failure would show as a drawing error below.
        let _ = register_font("sans-serif", FontStyle::Normal, dejavu::sans::regular());
        let _ = register_font("sans-serif", FontStyle::Bold, dejavu::sans::bold());
    });
}

/// Width of a text whose letters are `px` high as an SVG counts them, in pixels.
pub fn text_width(text: &str, px: f64) -> f64 {
    fonts();
    // plotters' sizes are larger than the SVG's by this.
    let font = ("sans-serif", px * 1.24).into_font();
    // A font that cannot be measured: the mean width of a letter.
    font.box_size(text)
        .map_or(text.chars().count() as f64 * px * 0.6, |(width, _)| {
            f64::from(width)
        })
}

/// A sheet to draw on.
pub struct Canvas<B: DrawingBackend> {
    sheet: DrawingArea<B, Shift>,
    on: Format,
}

impl<B: DrawingBackend> Canvas<B> {
    pub(super) fn new(backend: B, on: Format) -> Self {
        fonts();
        Self {
            sheet: backend.into_drawing_area(),
            on,
        }
    }

    /// The whole sheet.
    pub fn sheet(&self) -> Area {
        let (right, bottom) = self.sheet.dim_in_pixel();
        Area {
            left: 0,
            top: 0,
            right: right as i32,
            bottom: bottom as i32,
        }
    }

    pub fn clear(&self) -> Drawn {
        self.sheet.fill(&super::colour::WHITE).map_err(said)
    }

    pub fn present(&self) -> Drawn {
        self.sheet.present().map_err(said)
    }

    /// Text beside `at`, centred on its height; `side` is the end of the text that stands there.
    pub fn text(&self, text: &str, at: Px, side: Side, colour: RGBColor) -> Drawn {
        self.styled(text, at, side, colour, TEXT, FontStyle::Normal)
    }

    pub fn bold(&self, text: &str, at: Px, colour: RGBColor) -> Drawn {
        self.styled(text, at, HPos::Left, colour, TEXT, FontStyle::Bold)
    }

    pub fn title(&self, text: &str, at: Px) -> Drawn {
        let ink = super::colour::INK;
        self.styled(text, at, HPos::Left, ink, TITLE, FontStyle::Bold)
    }

    pub fn small(&self, text: &str, at: Px, side: Side, colour: RGBColor) -> Drawn {
        self.styled(text, at, side, colour, SMALL, FontStyle::Normal)
    }

    /// Small text from `at` on, broken between words where it would pass `right`; gives the height used.
    pub fn paragraph(
        &self,
        text: &str,
        at: Px,
        right: i32,
        colour: RGBColor,
    ) -> Result<i32, String> {
        let lines = small_lines(text, right - at.0);
        for (line, k) in lines.iter().zip(0..) {
            self.small(line, (at.0, at.1 + k * SMALL_ROW), HPos::Left, colour)?;
        }
        Ok(lines.len() as i32 * SMALL_ROW)
    }

    fn styled(
        &self,
        text: &str,
        at: Px,
        side: Side,
        colour: RGBColor,
        size: u32,
        face: FontStyle,
    ) -> Drawn {
        let style = TextStyle::from(("sans-serif", size, face).into_font())
            .color(&colour)
            .pos(Pos::new(side, VPos::Center));
        // The bitmap backend centres on the line with its room for accents, which puts the letters too high.
        let lower = match self.on {
            Format::Svg => 0,
            Format::Png => 3,
        };
        self.sheet
            .draw_text(text, &style, (at.0, at.1 + lower))
            .map_err(said)
    }

    /// Width of [`Canvas::text`] in pixels; bold is taken as a tenth wider.
    pub fn width_of(&self, text: &str) -> Result<i32, String> {
        self.width(text, TEXT)
    }

    /// Width of [`Canvas::small`] in pixels.
    pub fn small_width(&self, text: &str) -> Result<i32, String> {
        self.width(text, SMALL)
    }

    fn width(&self, text: &str, size: u32) -> Result<i32, String> {
        let style = TextStyle::from(("sans-serif", size).into_font());
        let (width, _) = self.sheet.estimate_text_size(text, &style).map_err(said)?;
        Ok(width as i32)
    }

    pub fn fill(&self, area: Area, colour: RGBColor) -> Drawn {
        let corners = [(area.left, area.top), (area.right, area.bottom)];
        self.put(&Rectangle::new(corners, colour.filled()))
    }

    pub fn frame(&self, area: Area, colour: RGBColor) -> Drawn {
        let corners = [(area.left, area.top), (area.right, area.bottom)];
        self.put(&Rectangle::new(corners, colour))
    }

    pub fn line(&self, points: &[Px], colour: RGBColor, width: u32) -> Drawn {
        match self.on {
            Format::Svg => self.put(&PathElement::new(
                points.to_vec(),
                colour.stroke_width(width),
            )),
            // The bitmap backend draws a sharp bend as a spike far beyond its point: one stroke at a time has no bends.
            Format::Png => points.windows(2).try_for_each(|ends| {
                self.put(&PathElement::new(ends.to_vec(), colour.stroke_width(width)))
            }),
        }
    }

    /// A line that is told from a whole one without colour. `dash` and `gap` in pixels along it.
    pub fn dashed(
        &self,
        points: &[Px],
        (dash, gap): (i32, i32),
        colour: RGBColor,
        width: u32,
    ) -> Drawn {
        let (dash, gap) = (f64::from(dash.max(1)), f64::from(gap.max(1)));
        // How far into dash and gap the line is.
        let mut phase = 0.0;
        for ends in points.windows(2) {
            let (from, to) = (ends[0], ends[1]);
            let (dx, dy) = (f64::from(to.0 - from.0), f64::from(to.1 - from.1));
            let length = dx.hypot(dy);
            let at = |along: f64| {
                let share = along / length;
                (
                    from.0 + (share * dx).round() as i32,
                    from.1 + (share * dy).round() as i32,
                )
            };
            let mut along = 0.0;
            while along < length {
                let is_dash = phase < dash;
                let left = if is_dash {
                    dash - phase
                } else {
                    dash + gap - phase
                };
                let next = (along + left).min(length);
                if is_dash {
                    self.line(&[at(along), at(next)], colour, width)?;
                }
                phase = (phase + next - along) % (dash + gap);
                along = next;
            }
        }
        Ok(())
    }

    /// An area with a border of its own points.
    pub fn polygon(&self, points: Vec<Px>, colour: RGBColor) -> Drawn {
        self.put(&Polygon::new(points, colour.filled()))
    }

    /// Stretches with an upper and a lower edge, in steps, as one area where they touch: left, right, top, bottom.
    pub fn band(&self, stretches: &[(i32, i32, i32, i32)], colour: RGBColor) -> Drawn {
        match self.on {
            Format::Svg => {
                for piece in stretches.chunk_by(|a, b| b.0 <= a.1 + 1) {
                    let above = piece.iter().flat_map(|s| [(s.0, s.2), (s.1, s.2)]);
                    let below = piece.iter().rev().flat_map(|s| [(s.1, s.3), (s.0, s.3)]);
                    self.polygon(above.chain(below).collect(), colour)?;
                }
                Ok(())
            }
            Format::Png => stretches
                .iter()
                .try_for_each(|&(left, right, top, bottom)| {
                    let area = Area {
                        left,
                        top,
                        right,
                        bottom,
                    };
                    self.fill(area, colour)
                }),
        }
    }

    pub fn circle(&self, at: Px, radius: i32, colour: RGBColor, width: u32) -> Drawn {
        self.put(&Circle::new(at, radius, colour.stroke_width(width)))
    }

    /// Strokes across an area, so that it is told from a value in grey print too.
    pub fn hatch(&self, area: Area, ground: RGBColor, strokes: RGBColor) -> Drawn {
        const APART: i32 = 6;
        self.fill(area, ground)?;
        // x + y is the same along a stroke, and a multiple on the whole sheet: neighbours join.
        let first = (area.left + area.top).div_euclid(APART) + 1;
        let last = (area.right + area.bottom - 1).div_euclid(APART);
        for sum in (first..=last).map(|k| k * APART) {
            let left = area.left.max(sum - area.bottom);
            let right = area.right.min(sum - area.top);
            if right > left {
                self.line(&[(left, sum - left), (right, sum - right)], strokes, 1)?;
            }
        }
        Ok(())
    }

    /// From one place to another, with a head.
    pub fn arrow(&self, from: Px, to: Px, colour: RGBColor, width: u32) -> Drawn {
        let (dx, dy) = (f64::from(to.0 - from.0), f64::from(to.1 - from.1));
        let length = dx.hypot(dy);
        if length < 4.0 {
            return self.dot(to, 3, colour);
        }
        let head = length.min(12.0);
        let place = |back: f64, side: f64| {
            (
                to.0 - ((dx * back - dy * side) / length).round() as i32,
                to.1 - ((dy * back + dx * side) / length).round() as i32,
            )
        };
        self.line(&[from, place(head, 0.0)], colour, width)?;
        self.polygon(vec![to, place(head, 5.0), place(head, -5.0)], colour)
    }

    /// A level across an area. `dash` and `gap` in pixels.
    pub fn dashes(
        &self,
        left: i32,
        right: i32,
        y: i32,
        (dash, gap): (i32, i32),
        colour: RGBColor,
    ) -> Drawn {
        let mut x = left;
        while x < right {
            self.line(&[(x, y), ((x + dash).min(right), y)], colour, 2)?;
            x += dash + gap;
        }
        Ok(())
    }

    pub fn dot(&self, at: Px, radius: i32, colour: RGBColor) -> Drawn {
        self.put(&Circle::new(at, radius, colour.filled()))
    }

    /// "At least this": a bar at the value and an arrow upward from it.
    pub fn at_least(&self, (x, y): Px, colour: RGBColor) -> Drawn {
        self.line(&[(x - 4, y), (x + 4, y)], colour, 2)?;
        self.line(&[(x, y), (x, y - 6)], colour, 2)?;
        let head = vec![(x - 4, y - 5), (x + 4, y - 5), (x, y - 11)];
        self.put(&Polygon::new(head, colour.filled()))
    }

    /// A mark at the upper edge of a panel, pointing down at it.
    pub fn pointer(&self, (x, y): Px, colour: RGBColor) -> Drawn {
        let corners = vec![(x - 6, y - 9), (x + 6, y - 9), (x, y)];
        self.put(&Polygon::new(corners, colour.filled()))
    }

    fn put<E>(&self, element: &E) -> Drawn
    where
        for<'b> &'b E: PointCollection<'b, Px>,
        E: Drawable<B>,
    {
        self.sheet.draw(element).map_err(said)
    }

    /// Legend entries in a row from `at`, new rows below where the sheet ends; returns the height used.
    pub fn legend(&self, head: &str, at: Px, right: i32, entries: &[Entry]) -> Result<i32, String> {
        const ROW: i32 = 23;
        const SWATCH: i32 = 30;
        self.bold(head, at, super::colour::INK)?;
        let indent = at.0 + self.width_of(head)? * 11 / 10 + 24;
        let (mut x, mut y) = (indent, at.1);
        for entry in entries {
            let width = self.width_of(&entry.text)?;
            if x + SWATCH + width > right && x > indent {
                (x, y) = (indent, y + ROW);
            }
            let swatch = Area {
                left: x,
                top: y - 8,
                right: x + SWATCH - 8,
                bottom: y + 8,
            };
            match entry.swatch {
                Swatch::Line(colour, width) => {
                    self.line(&[(swatch.left, y), (swatch.right, y)], colour, width)?;
                }
                Swatch::Area(colour) => {
                    self.fill(swatch, colour)?;
                    self.frame(swatch, super::colour::QUIET)?;
                }
                Swatch::Dashed(colour, dash, width) => {
                    self.dashed(&[(swatch.left, y), (swatch.right, y)], dash, colour, width)?;
                }
                Swatch::Hatched(ground, strokes) => {
                    self.hatch(swatch, ground, strokes)?;
                    self.frame(swatch, super::colour::QUIET)?;
                }
                Swatch::Framed(colour) => self.frame(swatch, colour)?,
                Swatch::Dot(colour) => self.dot((x + 11, y), 4, colour)?,
                Swatch::Ring(colour) => self.circle((x + 11, y), 4, colour, 2)?,
                Swatch::AtLeast(colour) => self.at_least((x + 11, y + 7), colour)?,
                Swatch::Nothing => x -= SWATCH,
            }
            self.text(&entry.text, (x + SWATCH, y), HPos::Left, super::colour::INK)?;
            x += SWATCH + width + 22;
        }
        Ok(y + ROW - at.1)
    }
}

/// One line of a legend.
pub struct Entry {
    pub swatch: Swatch,
    pub text: String,
}

pub enum Swatch {
    Line(RGBColor, u32),
    Area(RGBColor),
    Dashed(RGBColor, (i32, i32), u32),
    Hatched(RGBColor, RGBColor),
    Framed(RGBColor),
    Dot(RGBColor),
    Ring(RGBColor),
    AtLeast(RGBColor),
    Nothing,
}

impl Entry {
    pub fn new(swatch: Swatch, text: impl Into<String>) -> Self {
        Self {
            swatch,
            text: text.into(),
        }
    }
}

fn said(fault: impl std::fmt::Display) -> String {
    fault.to_string()
}

/// The lines of a small text, none wider than `most` pixels unless a single word is.
pub fn small_lines(text: &str, most: i32) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let longer = match lines.last() {
            Some(line) => format!("{line} {word}"),
            None => word.to_owned(),
        };
        match lines.last_mut() {
            Some(line) if text_width(&longer, f64::from(SMALL) / 1.24) <= f64::from(most) => {
                *line = longer;
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

/// A line for drawing: of all points in one column of pixels only the first, the extremes and the last.
pub fn thinned(points: &[Px]) -> Vec<Px> {
    let mut kept = Vec::new();
    for column in points.chunk_by(|a, b| a.0 == b.0) {
        let (Some(first), Some(last)) = (column.first(), column.last()) else {
            continue;
        };
        kept.push(*first);
        if column.len() > 1 {
            let ys = column.iter().map(|point| point.1);
            kept.extend(ys.clone().min().map(|y| (first.0, y)));
            kept.extend(ys.max().map(|y| (first.0, y)));
            kept.push(*last);
        }
    }
    kept.dedup();
    kept
}
