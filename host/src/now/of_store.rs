//! The present as a store has it, whether or not somebody is writing to it.

use super::concern::CONDITIONS;
use super::{BoardNow, RunNow};
use crate::store::{EventFilter, Store, StoreError};
use ohmward_proto::message::BoardId;

/// Enough to know every condition that stands, and what ended the others.
const CONDITIONS_MAX: usize = 64;

/// How much of the past belongs to the present.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Depth {
    /// Readings from this long before the latest on, µs.
    pub recent_us: i64,
    /// At most about so many of them.
    pub readings: usize,
    /// So many events.
    pub events: usize,
}

impl Default for Depth {
    /// Ten minutes, twelve events.
    fn default() -> Self {
        Self {
            recent_us: 600_000_000,
            readings: 600,
            events: 12,
        }
    }
}

/// Every board of the store, in the order of their numbers.
///
/// # Errors
/// [`StoreError`], when it cannot be read.
pub fn boards(store: &Store, depth: Depth) -> Result<Vec<BoardNow>, StoreError> {
    let boards = store.boards()?.into_iter();
    boards.map(|id| board(store, id, depth)).collect()
}

/// One board.
///
/// # Errors
/// [`StoreError`], when it cannot be read.
pub fn board(store: &Store, board: BoardId, depth: Depth) -> Result<BoardNow, StoreError> {
    let of_this = EventFilter {
        board: Some(board),
        ..EventFilter::default()
    };
    let latest = store.latest_reading(board)?;
    let recent = match &latest {
        Some(last) => {
            let range = last.t_us.saturating_sub(depth.recent_us)..last.t_us.saturating_add(1);
            store.readings(board, range, depth.readings)?
        }
        None => crate::store::Readings::default(),
    };
    Ok(BoardNow {
        run: store.runs(board)?.pop().map(|run| RunNow {
            boot: run.boot,
            firmware: run.firmware,
            protocol: run.protocol,
            sample_rate_hz: run.sample_rate_hz,
            calibration_id: run.calibration_id,
        }),
        settings: store.settings(board)?,
        last: latest,
        spacing_us: recent.spacing_us,
        recent: recent.rows,
        events: store.events(&EventFilter {
            limit: Some(depth.events),
            ..of_this.clone()
        })?,
        conditions: store.events(&EventFilter {
            kinds: CONDITIONS.iter().map(ToString::to_string).collect(),
            limit: Some(CONDITIONS_MAX),
            ..of_this
        })?,
        waveforms: store
            .captures(board)?
            .into_iter()
            .filter_map(|(event, whole)| whole.then_some(event))
            .collect(),
        ..BoardNow::unknown(board)
    })
}
