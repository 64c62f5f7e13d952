//! Text, lines and areas in pixels, on any backend.

use super::{Format, SIZE};
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

/// A sheet of [`SIZE`] to draw on.
pub struct Canvas<B: DrawingBackend> {
    sheet: DrawingArea<B, Shift>,
    on: Format,
}

impl<B: DrawingBackend> Canvas<B> {
    pub fn new(backend: B, on: Format) -> Self {
        fonts();
        Self {
            sheet: backend.into_drawing_area(),
            on,
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
        let style = TextStyle::from(("sans-serif", TEXT).into_font());
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

impl Area {
    /// The whole sheet.
    pub fn sheet() -> Self {
        Self {
            left: 0,
            top: 0,
            right: SIZE.0 as i32,
            bottom: SIZE.1 as i32,
        }
    }
}

fn said(fault: impl std::fmt::Display) -> String {
    fault.to_string()
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
