//! The numbers that limits stand on, each with where it comes from and how sure that is.
//!
//! In our own words; nothing here is a standard's text. `id` is stable: JSON and settings files name it.
//! A number read on a published page is [`Confidence::LookedUp`]; one that is recalled is [`Confidence::Memory`] and is
//! called "unverified" wherever it is shown, until a person with the standard in hand changes its entry.
//! - [`limits`]: trip currents, residual limits, insulation, commissioning, fuses.
//! - [`body`]: effects of current on people.
//! - [`grounding`]: conductor sizes and resistances, electrodes.

pub mod body;
pub mod grounding;
pub mod limits;

use serde::Serialize;

/// How far a number can be trusted.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Confidence {
    /// Read on a published page.
    LookedUp,
    /// Recalled; the document was not at hand.
    Memory,
    /// Trade rule, order of magnitude or our own choice.
    CommonPractice,
    /// Our arithmetic from other numbers.
    Computed,
}

/// Where a number comes from.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct Source {
    /// Stable name of the entry.
    pub id: &'static str,
    /// Standard with clause or table; or what it was computed from.
    pub standard: &'static str,
    /// How sure.
    pub confidence: Confidence,
}

impl Source {
    /// As it is printed beside a number.
    pub fn label(&self) -> String {
        match self.confidence {
            Confidence::LookedUp => self.standard.to_owned(),
            Confidence::Memory => format!("default, after {}, unverified", self.standard),
            Confidence::CommonPractice => "common practice, no source".to_owned(),
            Confidence::Computed => format!("computed from {}", self.standard),
        }
    }

    /// As it is named in a mark: never "common practice, no source" alone.
    pub fn short(&self) -> String {
        match self.confidence {
            Confidence::LookedUp | Confidence::Memory => self.standard.to_owned(),
            Confidence::CommonPractice => format!("{} (common practice)", self.standard),
            Confidence::Computed => format!("what is computed from {}", self.standard),
        }
    }
}

/// A value with its source.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Sourced<T> {
    /// The value.
    pub value: T,
    /// Where it comes from.
    pub source: Source,
}

/// For the tables below.
const fn entry<T>(
    id: &'static str,
    confidence: Confidence,
    standard: &'static str,
    value: T,
) -> Sourced<T> {
    Sourced {
        value,
        source: Source {
            id,
            standard,
            confidence,
        },
    }
}

/// Rows of a table by rating: `(over, up to and including, value)`.
pub type ByRating = &'static [(f64, f64, f64)];

/// The row of a rating. A value on an edge belongs to the lower row; `None`: the table ends before it.
pub fn row_of(table: ByRating, rating: f64) -> Option<f64> {
    // Ratings are products of decimals: what differs from an edge by rounding alone lies on it.
    let slack = 1.0 + 1e-9;
    table
        .iter()
        .find(|(over, to, _)| rating > *over && rating <= to * slack)
        .map(|(_, _, value)| *value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_label_says_how_sure() {
        let labels = [
            limits::CONTINUOUS_TIME_S.source.label(),
            limits::UL1741_GFDI_A_BY_KW.source.label(),
            limits::OWN_RESET.label(),
        ];
        assert_eq!(
            labels,
            [
                "IEC 62109-2:2011 4.8.3.5.2",
                "default, after UL 1741 Table 31.1, unverified",
                "common practice, no source",
            ]
        );
    }

    #[test]
    fn nothing_is_in_no_row() {
        let table: ByRating = &[(0.0, 1.0, 5.0), (1.0, 2.0, 6.0)];
        assert_eq!(row_of(table, 0.0), None);
        assert_eq!(row_of(table, -1.0), None);
        assert_eq!(row_of(table, f64::NAN), None);
        assert_eq!(row_of(table, 1.0), Some(5.0));
        assert_eq!(
            row_of(table, 0.1 * 3.0 / 0.3),
            Some(5.0),
            "1.0000000000000002"
        );
        assert_eq!(row_of(table, 1.000_001), Some(6.0));
        assert_eq!(row_of(table, 2.1), None);
    }
}
