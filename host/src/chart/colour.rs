//! The palette: Okabe and Ito's set for colour-blind readers (common practice), darkened where it carries text.

use plotters::style::RGBColor;

pub const INK: RGBColor = RGBColor(0x22, 0x22, 0x22);
pub const QUIET: RGBColor = RGBColor(0x60, 0x60, 0x60);
pub const GRID: RGBColor = RGBColor(0xe2, 0xe2, 0xe2);
pub const WHITE: RGBColor = RGBColor(0xff, 0xff, 0xff);

/// The sum: RMS, or the whole array.
pub const WHOLE: RGBColor = RGBColor(0x22, 0x22, 0x22);
/// Positive: direction or pole.
pub const PLUS: RGBColor = RGBColor(0xd5, 0x5e, 0x00);
/// Negative: direction or pole.
pub const MINUS: RGBColor = RGBColor(0x00, 0x72, 0xb2);

/// Lowest to highest, and where nine of ten lie.
pub const ALL_OF_IT: RGBColor = RGBColor(0xdc, 0xdc, 0xdc);
pub const MOST_OF_IT: RGBColor = RGBColor(0xb0, 0xb0, 0xb0);

/// A limit at which it trips.
pub const TRIP: RGBColor = RGBColor(0xa0, 0x20, 0x60);
/// A limit at which it warns.
pub const WARN: RGBColor = RGBColor(0x8a, 0x62, 0x00);
/// A limit that lets go again.
pub const RESET: RGBColor = RGBColor(0x00, 0x6b, 0x4e);

/// No light.
pub const DARK: RGBColor = RGBColor(0xe9, 0xe9, 0xec);
/// The same as a share of a column.
pub const DARK_STRIP: RGBColor = RGBColor(0x9a, 0x9a, 0xa2);
/// Not measured for another reason.
pub const UNSEEN: RGBColor = RGBColor(0xff, 0xee, 0xbf);
/// Nothing was recorded.
pub const NO_RECORD: RGBColor = RGBColor(0xd3, 0xe6, 0xf5);
/// Strokes on either of them.
pub const UNSEEN_STROKE: RGBColor = RGBColor(0xb8, 0x8a, 0x10);
pub const NO_RECORD_STROKE: RGBColor = RGBColor(0x5a, 0x8f, 0xb8);

pub const CLOSED: RGBColor = RGBColor(0x5d, 0xc0, 0xa2);
pub const RESTING: RGBColor = RGBColor(0xc4, 0xc4, 0xc8);
pub const MOVING: RGBColor = RGBColor(0xf0, 0xe4, 0x42);
/// The bond stands open.
pub const MOVING_DARK: RGBColor = RGBColor(0x8a, 0x7a, 0x00);
pub const LATCHED: RGBColor = RGBColor(0xe8, 0x7a, 0x2c);
pub const LOCKED: RGBColor = RGBColor(0xb0, 0x3a, 0x2e);
pub const FAILED: RGBColor = RGBColor(0x7a, 0x00, 0x2a);
