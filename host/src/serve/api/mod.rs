//! Answers in JSON. Times are µs since 1970 (`_us`), units stand in the names, what is not known is null.
//!
//! - this file: what may be asked, what is said to wrong questions, boards. - [`readings`]: columns over a time.
//! - [`events`]: what happened, and captured waveforms. - [`trend`]: findings, worked out now and then.

mod events;
mod readings;
mod trend;

pub use events::{event, events, waveform};
pub use readings::readings;
pub use trend::{Trends, trend};

use super::live::{LOOK_OLD_US, Look, now_us};
use super::{Shared, State};
use crate::now;
use crate::store::{Store, StoreError};
use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{FromRequestParts, Path, Query};
use axum::http::StatusCode;
use axum::http::request::Parts;
use axum::response::{IntoResponse, Response};
use ohmward_proto::message::BoardId;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use std::sync::Arc;

/// A question that has no answer: what, where, what to do.
#[derive(Debug)]
pub struct Wrong {
    status: StatusCode,
    what: String,
}

impl Wrong {
    pub fn new(status: StatusCode, what: impl Into<String>) -> Self {
        Self {
            status,
            what: what.into(),
        }
    }

    /// 400.
    pub fn asked(what: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, what)
    }

    /// 404.
    pub fn unknown(what: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, what)
    }
}

impl IntoResponse for Wrong {
    fn into_response(self) -> Response {
        (self.status, Json(json!({ "error": self.what }))).into_response()
    }
}

impl From<StoreError> for Wrong {
    fn from(error: StoreError) -> Self {
        Self::new(StatusCode::SERVICE_UNAVAILABLE, error.to_string())
    }
}

/// Parts of the path; one that is no text is told in our form.
pub struct Part<T>(pub T);

impl<T: DeserializeOwned + Send, S: Send + Sync> FromRequestParts<S> for Part<T> {
    type Rejection = Wrong;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Wrong> {
        let part = Path::from_request_parts(parts, state).await;
        part.map(|Path(part)| Self(part))
            .map_err(|fault| Wrong::asked(format!("the address cannot be read: {fault}")))
    }
}

/// What stands behind the question mark.
pub struct Params(Vec<(String, String)>);

impl<S: Send + Sync> FromRequestParts<S> for Params {
    type Rejection = Wrong;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Wrong> {
        let query: Result<Query<Vec<(String, String)>>, QueryRejection> =
            Query::from_request_parts(parts, state).await;
        query
            .map(|Query(pairs)| Self(pairs))
            .map_err(|fault| Wrong::asked(format!("the query cannot be read: {fault}")))
    }
}

impl Params {
    /// Nothing else may be asked: a misspelt name would otherwise be passed over.
    pub fn only(&self, names: &[&str]) -> Result<(), Wrong> {
        match self
            .0
            .iter()
            .find(|(name, _)| !names.contains(&name.as_str()))
        {
            None => Ok(()),
            Some((name, _)) if names.is_empty() => Err(Wrong::asked(format!(
                "'{name}' cannot be asked here: nothing can, leave the query away"
            ))),
            Some((name, _)) => Err(Wrong::asked(format!(
                "'{name}' cannot be asked here: use {}",
                names.join(", ")
            ))),
        }
    }

    pub fn all<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a str> {
        let pairs = self.0.iter();
        pairs
            .filter(move |(given, _)| given == name)
            .map(|(_, value)| value.as_str())
    }

    pub fn one<'a>(&'a self, name: &'a str) -> Result<Option<&'a str>, Wrong> {
        let mut values = self.all(name);
        let first = values.next();
        match values.next() {
            None => Ok(first),
            Some(_) => Err(Wrong::asked(format!(
                "'{name}' is given twice: give it once"
            ))),
        }
    }

    /// A moment: microseconds since 1970, or RFC 3339.
    pub fn moment(&self, name: &str) -> Result<Option<i64>, Wrong> {
        let Some(text) = self.one(name)? else {
            return Ok(None);
        };
        let moment = text
            .parse()
            .ok()
            .or_else(|| text.parse().map(jiff::Timestamp::as_microsecond).ok());
        moment.map(Some).ok_or_else(|| {
            Wrong::asked(format!(
                "{name}={text} is no moment: write microseconds since 1970, or 2026-05-03T14:20:00Z"
            ))
        })
    }

    /// A count from 1 to `most`.
    pub fn count(&self, name: &str, default: usize, most: usize) -> Result<usize, Wrong> {
        let Some(text) = self.one(name)? else {
            return Ok(default);
        };
        text.parse()
            .ok()
            .filter(|count| (1..=most).contains(count))
            .ok_or_else(|| {
                Wrong::asked(format!(
                    "{name}={text} is no count: write a whole number from 1 to {most}"
                ))
            })
    }
}

/// The board behind a name, if it is one of those there are.
pub fn known_board(look: &Look, name: &str) -> Result<BoardId, Wrong> {
    const SHOWN: usize = 5;
    let board = u64::from_str_radix(name, 16).map(BoardId).map_err(|_| {
        Wrong::asked(format!(
            "'{name}' is no board's number: write up to 16 hex digits, as /api/boards lists them"
        ))
    })?;
    if look.boards.contains_key(&board) {
        return Ok(board);
    }
    if let (0, Some(why)) = (look.n, &look.error) {
        return Err(Wrong::new(StatusCode::SERVICE_UNAVAILABLE, why));
    }
    let names: Vec<_> = look
        .boards
        .keys()
        .take(SHOWN)
        .map(ToString::to_string)
        .collect();
    Err(Wrong::unknown(match look.boards.len() {
        0 => format!("no board {board}: nothing has been recorded yet"),
        n if n > SHOWN => format!(
            "no board {board}: /api/boards lists the {n} there are, {} …",
            names.join(", ")
        ),
        _ => format!("no board {board}: there is {}", names.join(", ")),
    }))
}

/// Reads the store where waiting harms nobody; a few at a time.
async fn read<T: Send + 'static>(
    shared: &Arc<Shared>,
    question: impl FnOnce(&Store) -> Result<T, Wrong> + Send + 'static,
) -> Result<T, Wrong> {
    let broken = |what: String| Wrong::new(StatusCode::INTERNAL_SERVER_ERROR, what);
    let place = Arc::clone(&shared.readers).acquire_owned().await;
    let dir = shared.store.clone();
    let answer = tokio::task::spawn_blocking(move || {
        let _place = place;
        question(&Store::open_existing(&dir)?)
    });
    answer
        .await
        .map_err(|fault| broken(format!("the answer could not be worked out: {fault}")))?
}

/// `/api/boards`
pub async fn boards(state: State, params: Params) -> Result<Json<Value>, Wrong> {
    params.only(&[])?;
    let look = Arc::clone(&state.looks.borrow());
    Ok(Json(json!({
        "now_us": look.now_us,
        "recording": look.recording,
        "error": look.error,
        "good_us": look.good_us,
        "boards": look.rows(),
    })))
}

/// `/api/boards/{board}`
pub async fn board(
    state: State,
    Part(name): Part<String>,
    params: Params,
) -> Result<Json<Value>, Wrong> {
    params.only(&[])?;
    let look = Arc::clone(&state.looks.borrow());
    let board = known_board(&look, &name)?;
    let (span, settings) = read(&state, move |store| {
        Ok((store.span(board)?, store.settings(board)?))
    })
    .await?;
    let mut answer = look
        .boards
        .get(&board)
        .map_or(Value::Null, |seen| now::json(&seen.now, look.now_us));
    if let Value::Object(answer) = &mut answer {
        answer.insert("from_us".into(), json!(span.map(|(from_us, _)| from_us)));
        answer.insert("to_us".into(), json!(span.map(|(_, to_us)| to_us)));
        answer.insert("settings".into(), json!(settings));
        answer.insert(
            "limits_from".into(),
            json!("the settings last heard from the board"),
        );
    }
    Ok(Json(answer))
}

/// `/api/health`
pub async fn health(state: State, params: Params) -> Result<Response, Wrong> {
    params.only(&[])?;
    let look = Arc::clone(&state.looks.borrow());
    let age_us = now_us().saturating_sub(look.now_us).max(0);
    let is_well = look.error.is_none() && age_us < LOOK_OLD_US;
    let status = if is_well {
        StatusCode::OK
    } else {
        StatusCode::SERVICE_UNAVAILABLE
    };
    let answer = json!({
        "ok": is_well,
        "error": look.error,
        "look_age_us": age_us,
        "recording": look.recording,
        "boards": look.boards.len(),
        "store_bytes": look.bytes,
        "version": env!("CARGO_PKG_VERSION"),
    });
    Ok((status, Json(answer)).into_response())
}
