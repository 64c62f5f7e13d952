//! Findings of the trend, worked out in the background: one board at a time, and not again for some minutes.

use super::{Params, Part, Wrong, known_board};
use crate::serve::live::now_us;
use crate::serve::{Shared, State};
use crate::store::Store;
use crate::trend::json::BoardTrend;
use crate::trend::record::from_store;
use crate::trend::{Assessment, Limit, findings};
use axum::Json;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use ohmward_proto::Settings;
use ohmward_proto::message::BoardId;
use serde::Serialize;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::Semaphore;

/// Findings are of days: they are worked out again after this long at the earliest,
const AGAIN_AFTER: Duration = Duration::from_secs(300);
/// and never so often that they take more than one part in this of a processor.
const SHARE: u32 = 20;

/// What has been worked out.
pub struct Trends {
    known: Mutex<BTreeMap<BoardId, Known>>,
    /// One board at a time.
    work: Arc<Semaphore>,
}

impl Default for Trends {
    fn default() -> Self {
        Self {
            known: Mutex::default(),
            work: Arc::new(Semaphore::new(1)),
        }
    }
}

#[derive(Default)]
struct Known {
    is_working: bool,
    /// The answer or why there is none, when the next may be begun.
    last: Option<(Result<Value, String>, Instant)>,
}

/// `/api/boards/{board}/trend`
pub async fn trend(
    state: State,
    Part(name): Part<String>,
    params: Params,
) -> Result<Response, Wrong> {
    params.only(&[])?;
    let board = known_board(&state.looks.borrow(), &name)?;
    let shared = Arc::clone(&state);
    let last = shared
        .trends
        .ask(board, || begin(Arc::clone(&shared), board));
    match last {
        Some(Ok(answer)) => Ok(Json(answer).into_response()),
        Some(Err(why)) => Err(Wrong::new(StatusCode::SERVICE_UNAVAILABLE, why)),
        None => {
            let answer = json!({
                "board": board.to_string(),
                "working": true,
                "what": "the findings are being worked out: ask again in two seconds",
            });
            Ok((StatusCode::ACCEPTED, [("retry-after", "2")], Json(answer)).into_response())
        }
    }
}

impl Trends {
    /// What is known; begins to work it out where that is due.
    fn ask(&self, board: BoardId, begin: impl FnOnce()) -> Option<Result<Value, String>> {
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        let known = known.entry(board).or_default();
        let is_due = known
            .last
            .as_ref()
            .is_none_or(|(_, next)| Instant::now() >= *next);
        if is_due && !known.is_working {
            known.is_working = true;
            begin();
        }
        known.last.as_ref().map(|(answer, _)| answer.clone())
    }

    fn keep(&self, board: BoardId, answer: Result<Value, String>, took: Duration) {
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        let next = Instant::now() + AGAIN_AFTER.max(took * SHARE);
        known.insert(
            board,
            Known {
                is_working: false,
                last: Some((answer, next)),
            },
        );
    }
}

fn begin(shared: Arc<Shared>, board: BoardId) {
    tokio::spawn(async move {
        let _place = Arc::clone(&shared.trends.work).acquire_owned().await;
        let dir = shared.store.clone();
        let begun = Instant::now();
        let worked = tokio::task::spawn_blocking(move || work_out(&dir, board)).await;
        let answer = match worked {
            Ok(Ok(answer)) => Ok(answer),
            Ok(Err(why)) => Err(why),
            Err(fault) => Err(format!("the findings could not be worked out: {fault}")),
        };
        shared.trends.keep(board, answer, begun.elapsed());
    });
}

/// The answer once there is one.
#[derive(Serialize)]
struct Answer<'a> {
    working: bool,
    at_us: i64,
    #[serde(flatten)]
    trend: BoardTrend<'a>,
}

fn work_out(dir: &Path, board: BoardId) -> Result<Value, String> {
    let store = Store::open_existing(dir).map_err(|fault| fault.to_string())?;
    let settings = store.settings(board).map_err(|fault| fault.to_string())?;
    let insulation = settings.unwrap_or(Settings::SMALL_BONDED).insulation;
    let limits = [Limit::trip(&insulation), Limit::warning(&insulation)];
    let record = from_store(&store, board).map_err(|fault| fault.to_string())?;
    let days = record.days();
    let found = Assessment::of(&days, &limits);
    let findings = findings(&days, &found);
    let answer = Answer {
        working: false,
        at_us: now_us(),
        trend: BoardTrend::new(board, settings.is_none(), &record, &found, &findings),
    };
    serde_json::to_value(answer)
        .map_err(|fault| format!("the findings cannot be written as JSON: {fault}"))
}
