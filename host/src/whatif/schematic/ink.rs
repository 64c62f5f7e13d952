//! Pen and paper: lines, boxes, measured text, and currents as bands whose width follows their amperes.

use crate::chart::text_width;
use crate::plan::facts::quantity;
use svg::node::element::path::Data;
use svg::node::element::{Circle, Group, Path, Polygon, Rectangle, Text};

/// A place on the sheet.
pub type At = (f64, f64);

pub const INK: &str = "#222222";
pub const QUIET: &str = "#606060";
pub const ALARM: &str = "#9c0018";
pub const SOIL: &str = "#f1e6d2";
pub const METAL: &str = "#e6e6e9";
pub const METAL_EDGE: &str = "#8a8a90";
pub const MODULE: &str = "#fbfbfc";

/// Letters for reading, px.
pub const TEXT: f64 = 15.0;
/// Letters beside things.
pub const SMALL: f64 = 13.0;
/// From one line of text to the next.
pub const LINE: f64 = 20.0;

/// What a current flows through; each has a colour that people who see few colours tell apart (Okabe and Ito, darkened), and a name.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Way {
    Fault,
    /// Fault current on its way through the array's own conductors and modules.
    Loop,
    Bond,
    Frames,
    Egc,
    Tie,
    Earth,
    Person,
}

impl Way {
    pub fn colour(self) -> &'static str {
        match self {
            Self::Fault | Self::Frames => "#d55e00",
            Self::Loop => "#56a5d8",
            Self::Bond => "#005a91",
            Self::Egc => "#00795a",
            Self::Tie => "#3f8f75",
            Self::Earth => "#8a5a00",
            Self::Person => "#a8266f",
        }
    }

    pub fn name(self) -> &'static str {
        match self {
            Self::Fault => "fault",
            Self::Loop => "loop",
            Self::Bond => "bond",
            Self::Frames => "frames",
            Self::Egc => "egc",
            Self::Tie => "tie",
            Self::Earth => "earth",
            Self::Person => "person",
        }
    }
}

/// Below this a current is not drawn, A.
pub const NOTHING_A: f64 = 1e-6;
/// From here on the width is to scale, A; below it is a dotted line.
pub const SCALE_FROM_A: f64 = 1e-3;
/// Width at [`SCALE_FROM_A`], px.
const WIDTH_FROM: f64 = 2.0;
/// More for each tenfold, px.
const WIDTH_PER_DECADE: f64 = 3.2;

/// Width of a current's band, px: logarithmic, [`WIDTH_FROM`] at 1 mA and [`WIDTH_PER_DECADE`] more for each tenfold.
pub fn width(amps: f64) -> f64 {
    WIDTH_FROM + WIDTH_PER_DECADE * (amps.abs() / SCALE_FROM_A).log10().max(0.0)
}

/// A text and its rectangle: left, top, right, bottom.
#[derive(Clone, Debug)]
#[cfg_attr(not(test), allow(dead_code))] // what the tests look at
pub struct Label {
    pub text: String,
    pub box_px: [f64; 4],
}

/// The sheet.
pub struct Sheet {
    pub group: Group,
    /// Where text stands, to see that none overlaps.
    pub labels: Vec<Label>,
}

/// How text stands to its place.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Side {
    Left,
    Middle,
    Right,
}

/// How text looks.
#[derive(Clone, Copy)]
pub struct Face {
    pub px: f64,
    pub colour: &'static str,
    pub bold: bool,
}

pub const PLAIN: Face = Face {
    px: TEXT,
    colour: INK,
    bold: false,
};
pub const BOLD: Face = Face {
    bold: true,
    ..PLAIN
};
pub const NOTE: Face = Face {
    px: SMALL,
    colour: QUIET,
    bold: false,
};

impl Face {
    pub fn in_colour(self, colour: &'static str) -> Self {
        Self { colour, ..self }
    }

    pub fn small(self) -> Self {
        Self { px: SMALL, ..self }
    }

    /// Width of a text, px. Bold is taken as a tenth wider.
    pub fn width(self, text: &str) -> f64 {
        text_width(text, self.px) * if self.bold { 1.1 } else { 1.0 }
    }
}

impl Sheet {
    pub fn new() -> Self {
        Self {
            group: Group::new(),
            labels: Vec::new(),
        }
    }

    fn put(&mut self, node: impl Into<Box<dyn svg::Node>>) {
        let group = std::mem::take(&mut self.group);
        self.group = group.add(node);
    }

    /// Text with its middle height at `at`.
    pub fn text(&mut self, text: &str, at: At, side: Side, face: Face) {
        let width = face.width(text);
        let (anchor, left) = match side {
            Side::Left => ("start", at.0),
            Side::Middle => ("middle", at.0 - width / 2.0),
            Side::Right => ("end", at.0 - width),
        };
        self.labels.push(Label {
            text: text.to_owned(),
            box_px: [
                left,
                at.1 - face.px * 0.55,
                left + width,
                at.1 + face.px * 0.55,
            ],
        });
        let mut node = Text::new(text)
            .set("x", px(at.0))
            .set("y", px(at.1 + face.px * 0.36))
            .set("font-size", px(face.px))
            .set("text-anchor", anchor)
            .set("fill", face.colour)
            // Lines that pass behind stay behind.
            .set("stroke", "#ffffff")
            .set("stroke-width", 3)
            .set("stroke-linejoin", "round")
            .set("paint-order", "stroke");
        if face.bold {
            node = node.set("font-weight", "bold");
        }
        self.put(node);
    }

    /// Several lines, the first at `at`, wrapped to `width`; gives the y below the last.
    pub fn paragraph(&mut self, text: &str, at: At, width: f64, face: Face) -> f64 {
        let line_px = face.px * LINE / TEXT;
        let mut y = at.1;
        let mut line = String::new();
        for word in text.split_whitespace() {
            let longer = if line.is_empty() {
                word.to_owned()
            } else {
                format!("{line} {word}")
            };
            if face.width(&longer) > width && !line.is_empty() {
                self.text(&line, (at.0, y), Side::Left, face);
                y += line_px;
                word.clone_into(&mut line);
            } else {
                line = longer;
            }
        }
        if !line.is_empty() {
            self.text(&line, (at.0, y), Side::Left, face);
            y += line_px;
        }
        y
    }

    pub fn area(&mut self, [left, top, right, bottom]: [f64; 4], fill: &str, edge: &str) {
        self.put(
            Rectangle::new()
                .set("x", px(left))
                .set("y", px(top))
                .set("width", px(right - left))
                .set("height", px(bottom - top))
                .set("fill", fill)
                .set("stroke", edge),
        );
    }

    /// A conductor, over the band of its current.
    pub fn core(&mut self, points: &[At]) {
        self.put(polyline(points, INK, 1.2));
    }

    pub fn stroke(&mut self, points: &[At], colour: &str, width: f64) {
        self.put(polyline(points, colour, width));
    }

    pub fn dot(&mut self, at: At, radius: f64, fill: &str) {
        self.put(
            Circle::new()
                .set("cx", px(at.0))
                .set("cy", px(at.1))
                .set("r", px(radius))
                .set("fill", fill)
                .set("stroke", INK),
        );
    }

    /// A letter in a ring.
    pub fn badge(&mut self, letter: char, at: At) {
        self.put(
            Circle::new()
                .set("cx", px(at.0))
                .set("cy", px(at.1))
                .set("r", 8)
                .set("fill", "#ffffff")
                .set("stroke", ALARM)
                .set("stroke-width", 1.6),
        );
        self.put(
            Text::new(letter.to_string())
                .set("x", px(at.0))
                .set("y", px(at.1 + 4.3))
                .set("font-size", 12)
                .set("font-weight", "bold")
                .set("text-anchor", "middle")
                .set("fill", ALARM),
        );
    }

    /// A current along `points`, positive in their order: a band as wide as its amperes, arrows along it. Returns whether there was
    /// anything to draw.
    pub fn flow(&mut self, way: Way, points: &[At], amps: f64) -> bool {
        if amps.abs() < NOTHING_A {
            return false;
        }
        let width = width(amps);
        let mut node = polyline(points, way.colour(), width)
            .set("class", "current")
            .set("data-path", way.name())
            .set("data-amps", format!("{amps:e}"));
        if amps.abs() < SCALE_FROM_A {
            node = node.set("stroke-dasharray", "1.5 4");
        } else if way == Way::Earth {
            node = node.set("stroke-dasharray", "14 4");
        }
        self.put(node);
        for pair in points.windows(2) {
            self.arrow(pair[0], pair[1], amps, way.colour());
        }
        true
    }

    /// A piece of a band for the legend: no current of the array, so without its marks.
    pub fn sample(&mut self, way: Way, amps: f64, (x, y): At, length: f64) {
        let mut node = polyline(&[(x, y), (x + length, y)], way.colour(), width(amps));
        if amps < SCALE_FROM_A {
            node = node.set("stroke-dasharray", "1.5 4");
        } else if way == Way::Earth {
            node = node.set("stroke-dasharray", "14 4");
        }
        self.put(node);
    }

    /// In the middle of a stretch that is long enough for one.
    fn arrow(&mut self, from: At, to: At, amps: f64, colour: &str) {
        let (dx, dy) = (to.0 - from.0, to.1 - from.1);
        let length = dx.hypot(dy);
        let half = width(amps) / 2.0 + 3.5;
        if length < 4.5 * half {
            return;
        }
        let sign = if amps < 0.0 { -1.0 } else { 1.0 };
        let (ux, uy) = (sign * dx / length, sign * dy / length);
        let (mx, my) = (f64::midpoint(from.0, to.0), f64::midpoint(from.1, to.1));
        let tip = half * 1.3;
        let corner = |along: f64, across: f64| {
            format!(
                "{},{}",
                px(mx + ux * along - uy * across),
                px(my + uy * along + ux * across)
            )
        };
        self.put(
            Polygon::new()
                .set(
                    "points",
                    [corner(tip, 0.0), corner(-tip, half), corner(-tip, -half)].join(" "),
                )
                .set("fill", colour)
                .set("stroke", "#ffffff")
                .set("stroke-width", 0.8),
        );
    }

    /// "EGC 79.4 mΩ: 1.29 A", the amperes in the current's own colour.
    pub fn amps(&mut self, what: &str, amps: f64, at: At, side: Side, way: Way) {
        let shown = if amps.abs() < NOTHING_A {
            0.0
        } else {
            amps.abs()
        };
        let text = format!("{what} {}", quantity(shown, "A"));
        self.text(&text, at, side, BOLD.in_colour(way.colour()));
    }
}

fn polyline(points: &[At], colour: &str, width: f64) -> Path {
    let mut data = Data::new();
    for (k, (x, y)) in points.iter().enumerate() {
        let at = (round(*x), round(*y));
        data = if k == 0 {
            data.move_to(at)
        } else {
            data.line_to(at)
        };
    }
    Path::new()
        .set("d", data)
        .set("fill", "none")
        .set("stroke", colour)
        .set("stroke-width", px(width))
        .set("stroke-linejoin", "round")
}

fn round(x: f64) -> f64 {
    (x * 100.0).round() / 100.0
}

/// A number of pixels without a tail of digits.
pub fn px(x: f64) -> String {
    format!("{}", round(x))
}
