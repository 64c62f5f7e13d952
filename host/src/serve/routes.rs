//! Everything that can be asked, in one table: the router and the page `/api` are made of it.

use super::{Shared, State, api, guard, hex, live, metrics};
use axum::Router;
use axum::extract::Request;
use axum::http::header::{ACCEPT, CACHE_CONTROL, CONTENT_TYPE, ETAG, IF_NONE_MATCH};
use axum::http::{HeaderMap, HeaderValue, StatusCode};
use axum::response::{IntoResponse, Response};
use axum::routing::{MethodRouter, get};
use serde_json::json;
use sha2::{Digest, Sha256};
use std::sync::Arc;

/// One thing that can be asked.
pub struct Route {
    /// As axum writes it: `{name}` is a part that is chosen.
    pub path: &'static str,
    /// What may stand behind a question mark, and what it means.
    pub takes: &'static [(&'static str, &'static str)],
    /// What comes back.
    pub gives: &'static str,
    handler: fn() -> MethodRouter<Arc<Shared>>,
}

const FROM: (&str, &str) = (
    "from",
    "from this moment on: µs since 1970, or 2026-05-03T14:20:00Z",
);
const TO: (&str, &str) = ("to", "before this moment");

/// All of it.
pub fn routes() -> [Route; 11] {
    [
        Route {
            path: "/api",
            takes: &[],
            gives: "this list; as JSON unless HTML is accepted",
            handler: || get(index),
        },
        Route {
            path: "/api/health",
            takes: &[],
            gives: "whether the store can be read, whether a recorder writes to it, its size; status 503 when it cannot be read",
            handler: || get(api::health),
        },
        Route {
            path: "/api/boards",
            takes: &[],
            gives: "every board, by number: urgency (rank 0 watching, 1 waiting, 2 look at it, 3 danger), the worst in words, state",
            handler: || get(api::boards),
        },
        Route {
            path: "/api/boards/{board}",
            takes: &[],
            gives: "all that is known of a board now: concerns, gauges with limits, settings, newest events, first and last moment stored",
            handler: || get(api::board),
        },
        Route {
            path: "/api/boards/{board}/readings",
            takes: &[
                FROM,
                TO,
                (
                    "points",
                    "about so many at most, 1 to 5000; 1200 without it",
                ),
            ],
            gives: "columns: t_us and, of each quantity, value (readings) or min, q05, median, q95, max (roll-ups of step_us); shares not \
                    measured; worst state. Insulation and capacitance repeat the last measurement as readings do; null is never 0",
            handler: || get(api::readings),
        },
        Route {
            path: "/api/boards/{board}/events",
            takes: &[
                FROM,
                TO,
                ("kind", "only this kind; may be given several times"),
                ("limit", "the newest so many, 1 to 5000; 200 without it"),
            ],
            gives: "events, newest first, in words and in detail; whether each has a waveform",
            handler: || get(api::events),
        },
        Route {
            path: "/api/boards/{board}/events/{event}",
            takes: &[],
            gives: "one event, named BOOT.SEQ",
            handler: || get(api::event),
        },
        Route {
            path: "/api/boards/{board}/events/{event}/waveform",
            takes: &[],
            gives: "the waveform captured then, as columns in A and V over ms from the trigger; pickup, trip and contactor; limits",
            handler: || get(api::waveform),
        },
        Route {
            path: "/api/boards/{board}/trend",
            takes: &[],
            gives: "findings of the trend, worked out every few minutes at most; status 202 while the first are being worked out",
            handler: || get(api::trend),
        },
        Route {
            path: "/api/live",
            takes: &[("board", "send all that is known of this board, too")],
            gives: "server-sent events, one a second: the lines of /api/boards that changed, all of them in the first",
            handler: || get(live::live),
        },
        Route {
            path: "/metrics",
            takes: &[],
            gives: "OpenMetrics 1.0 text",
            handler: || get(metrics::metrics),
        },
    ]
}

/// A file of the page.
struct File {
    path: &'static str,
    kind: &'static str,
    bytes: &'static [u8],
}

macro_rules! file {
    ($path:literal, $name:literal, $kind:literal) => {
        File {
            path: $path,
            kind: $kind,
            bytes: include_bytes!(concat!("page/", $name)),
        }
    };
}

const SCRIPT: &str = "text/javascript; charset=utf-8";

macro_rules! script {
    ($name:literal) => {
        File {
            path: concat!("/", $name),
            kind: SCRIPT,
            bytes: include_bytes!(concat!("page/", $name)),
        }
    };
}

const FILES: [File; 15] = [
    file!("/", "index.html", "text/html; charset=utf-8"),
    file!("/style.css", "style.css", "text/css; charset=utf-8"),
    file!("/sign.svg", "sign.svg", "image/svg+xml"),
    script!("main.js"),
    script!("live.js"),
    script!("boards.js"),
    script!("board.js"),
    script!("charts.js"),
    script!("chart.js"),
    script!("events.js"),
    script!("waveform.js"),
    script!("trend.js"),
    script!("format.js"),
    script!("vendor/uPlot.iife.min.js"),
    file!(
        "/vendor/uPlot.min.css",
        "vendor/uPlot.min.css",
        "text/css; charset=utf-8"
    ),
];

/// Everything, guarded.
pub fn router(shared: Arc<Shared>) -> Router {
    let mut router = Router::new();
    for route in &routes() {
        router = router.route(route.path, (route.handler)());
    }
    for file in &FILES {
        let tag = Sha256::digest(file.bytes);
        let tag = format!("\"{}\"", hex(&tag[..8]));
        router = router.route(
            file.path,
            get(move |headers: HeaderMap| async move { give(file, &tag, &headers) }),
        );
    }
    router
        .fallback(nowhere)
        .layer(axum::middleware::from_fn_with_state(
            Arc::clone(&shared),
            guard::guard,
        ))
        .with_state(shared)
}

/// A file, unless the browser has it already.
fn give(file: &'static File, tag: &str, headers: &HeaderMap) -> Response {
    let known = headers
        .get(IF_NONE_MATCH)
        .and_then(|known| known.to_str().ok());
    let mut answer = if known == Some(tag) {
        StatusCode::NOT_MODIFIED.into_response()
    } else {
        ([(CONTENT_TYPE, file.kind)], file.bytes).into_response()
    };
    // Asked for again each time, so that a newer program brings its own page.
    let headers = answer.headers_mut();
    headers.insert(CACHE_CONTROL, HeaderValue::from_static("no-cache"));
    if let Ok(tag) = HeaderValue::from_str(tag) {
        headers.insert(ETAG, tag);
    }
    answer
}

async fn nowhere(request: Request) -> api::Wrong {
    api::Wrong::unknown(format!(
        "there is no {}: /api lists what there is",
        request.uri().path()
    ))
}

/// `/api`
async fn index(_: State, headers: HeaderMap, params: api::Params) -> Result<Response, api::Wrong> {
    params.only(&[])?;
    let wants_page = headers
        .get(ACCEPT)
        .and_then(|accept| accept.to_str().ok())
        .is_some_and(|accept| accept.contains("text/html"));
    if !wants_page {
        let routes = routes();
        let routes = routes.iter().map(|route| {
            let takes = route.takes.iter();
            let takes: serde_json::Map<String, serde_json::Value> = takes
                .map(|(name, what)| ((*name).to_owned(), json!(what)))
                .collect();
            json!({ "path": route.path, "takes": takes, "gives": route.gives })
        });
        let answer = json!({ "read_only": true, "routes": routes.collect::<Vec<_>>() });
        return Ok(axum::Json(answer).into_response());
    }
    let page = maud::html! {
        (maud::DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { "What can be asked · Ohmward" }
                link rel="stylesheet" href="/style.css";
                link rel="icon" href="/sign.svg";
            }
            body class="plain" {
                main {
                    h1 { "What can be asked" }
                    p {
                        "JSON, by GET; nothing can be changed. Times are microseconds since 1970 (" code { "_us" }
                        "), units stand in the names, what is not known is null. A wrong question is answered with status 400 and one line: "
                        code { "{\"error\": \"what, where, what to do\"}" } ". " a href="/" { "Back to the boards" }
                    }
                    dl {
                        @for route in &routes() {
                            dt { code { (route.path) } }
                            dd {
                                (route.gives)
                                @if !route.takes.is_empty() {
                                    ul {
                                        @for (name, what) in route.takes {
                                            li { code { (name) } ": " (what) }
                                        }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    };
    Ok((
        [(CONTENT_TYPE, "text/html; charset=utf-8")],
        page.into_string(),
    )
        .into_response())
}
