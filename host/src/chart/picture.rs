//! What every picture is: data that knows its sheet.

use super::SIZE;
use super::canvas::{Canvas, Drawn};
use plotters::prelude::DrawingBackend;

/// Data that can be drawn, by [`super::save`] and [`super::svg`]. Drawing reads nothing but the data.
pub trait Picture {
    /// Width and height of the sheet in pixels.
    fn size(&self) -> (u32, u32) {
        SIZE
    }

    /// Draws it on a sheet of that size.
    #[doc(hidden)]
    fn draw<B: DrawingBackend>(&self, canvas: &Canvas<B>) -> Drawn;
}
