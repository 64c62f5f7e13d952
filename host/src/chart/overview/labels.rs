//! Events above the upper panel: a mark each, and as many labels as find room.

use super::{LANE, OverviewData};
use crate::chart::canvas::{Area, Canvas, Drawn, Side};
use crate::chart::colour;
use crate::chart::marks::{self, Mark, Place};
use crate::chart::time_axis::TimeAxis;
use plotters::prelude::*;

const LANES_MAX: i32 = 4;

/// The marks of a sheet's events and the places of their labels.
pub struct Labels {
    /// One for each event that is marked.
    marks: Vec<Mark>,
    /// With like neighbours joined.
    labels: Vec<(Mark, Option<Place>)>,
}

impl Labels {
    pub fn place<B: DrawingBackend>(
        canvas: &Canvas<B>,
        data: &OverviewData,
        axis: &TimeAxis,
    ) -> Result<Self, String> {
        let marks: Vec<Mark> = data
            .events
            .iter()
            .filter_map(|stored| {
                let (text, colour, rank) = marks::wording(&stored.event.kind)?;
                Some(Mark {
                    x: axis.x(stored.t_us),
                    text,
                    colour,
                    rank,
                })
            })
            .collect();
        let joined = marks::joined(marks.clone());
        let widths: Result<Vec<i32>, String> = joined
            .iter()
            .map(|mark| canvas.width_of(&mark.text))
            .collect();
        let places = marks::place(
            &joined,
            &widths?,
            LANES_MAX,
            (20, canvas.sheet().right - 10),
        );
        Ok(Self {
            marks,
            labels: joined.into_iter().zip(places).collect(),
        })
    }

    pub fn lanes(&self) -> i32 {
        let lanes = self.labels.iter().filter_map(|(_, place)| *place);
        lanes.map(|place| place.lane + 1).max().unwrap_or(0)
    }

    /// Lines down through the panel, of the weighty ones.
    pub fn draw_lines<B: DrawingBackend>(&self, canvas: &Canvas<B>, panel: Area) -> Drawn {
        for (mark, _) in self.labels.iter().filter(|(mark, _)| mark.rank <= 2) {
            canvas.line(
                &[(mark.x, panel.top), (mark.x, panel.bottom)],
                mark.colour,
                2,
            )?;
        }
        Ok(())
    }

    pub fn draw<B: DrawingBackend>(&self, canvas: &Canvas<B>, panel: Area) -> Drawn {
        for mark in &self.marks {
            canvas.pointer((mark.x, panel.top), mark.colour)?;
        }
        let mut without = 0;
        for (mark, place) in &self.labels {
            let Some(place) = place else {
                without += 1;
                continue;
            };
            let y = panel.top - 20 - place.lane * LANE;
            canvas.line(&[(mark.x, panel.top - 9), (mark.x, y - 7)], mark.colour, 2)?;
            let (x, side) = if place.flipped {
                (mark.x - 6, Side::Right)
            } else {
                (mark.x + 6, Side::Left)
            };
            canvas.text(&mark.text, (x, y), side, mark.colour)?;
        }
        if without > 0 {
            let text = format!("{without} more marks without a label: see the event list");
            let at = (canvas.sheet().right - 24, canvas.sheet().bottom - 22);
            canvas.text(&text, at, Side::Right, colour::INK)?;
        }
        Ok(())
    }
}
