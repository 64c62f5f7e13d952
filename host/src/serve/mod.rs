//! The page: a store, looked at through a browser. Nothing here changes anything.
//!
//! ```text
//!            guard (token, Host, method, headers)
//! browser ─→   routes ┬─→ page/     HTML, style, scripts: part of the program, nothing is loaded from elsewhere
//!                     ├─→ api       JSON: boards, readings, events, waveforms, trend ──┐
//!                     ├─→ metrics   OpenMetrics ← Look                                 ├─→ store
//!                     └─→ live      server-sent events ← Look ← one thread, a look a second ┘
//! ```
//! - this file: opening the port, ending. - [`routes`]: the one table of what can be asked. - [`guard`]: who may ask.
//! - [`live`]: the present of every board, kept and handed to whoever listens. - [`api`]: answers. - [`metrics`]: numbers for
//!   collectors.

mod api;
mod guard;
mod live;
mod metrics;
mod routes;

use crate::store::{Store, StoreError};
use std::fmt::Write;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tokio::sync::{Semaphore, watch};

pub use guard::{TOKEN_LEAST, Token};

/// Pages that may be live at once; more are told to come back.
pub const LIVE_MOST: usize = 100;
/// Questions that may read the store at once.
const READERS: usize = 4;
/// How long answers under way may take once the end has been asked for.
const END_WITHIN: Duration = Duration::from_secs(2);
const STOP_EVERY: Duration = Duration::from_millis(50);

/// What to serve, where, to whom.
#[derive(Debug)]
pub struct Options {
    /// The store's folder.
    pub store: PathBuf,
    /// Where to listen; port 0 takes a free one.
    pub listen: SocketAddr,
    /// Who knows it may look; needed everywhere but on loopback.
    pub token: Option<Token>,
}

/// Why nothing can be served.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The page would be open to everybody on the network.
    #[error(
        "--listen {0} lets other machines look: give --token-file FILE (or --token T), at least {TOKEN_LEAST} characters that they must \
         know"
    )]
    Open(SocketAddr),
    /// Somebody has the port.
    #[error(
        "port {} on {} is taken by another program: end it or choose another with --listen {}:PORT",
        .0.port(), .0.ip(), host(.0)
    )]
    Taken(SocketAddr),
    /// The address cannot be listened on.
    #[error("cannot listen on {at}: {source}")]
    Listen {
        /// The address.
        at: SocketAddr,
        /// Why.
        source: std::io::Error,
    },
    /// The system gives no threads or sockets.
    #[error("cannot serve: {0}")]
    System(std::io::Error),
}

fn host(at: &SocketAddr) -> String {
    match at {
        SocketAddr::V4(at) => at.ip().to_string(),
        SocketAddr::V6(at) => format!("[{}]", at.ip()),
    }
}

/// What every answer may need.
struct Shared {
    store: PathBuf,
    guard: guard::Guard,
    looks: watch::Receiver<Arc<live::Look>>,
    /// Free places for live pages.
    live: Arc<Semaphore>,
    readers: Arc<Semaphore>,
    trends: api::Trends,
}

type State = axum::extract::State<Arc<Shared>>;

/// Serves until `stop` is set. `started` is told the address once the port is open.
///
/// # Errors
/// [`ServeError`]: nothing was served. A store that can no longer be read later on is told to whoever asks.
pub fn run(
    options: &Options,
    stop: &Arc<AtomicBool>,
    started: impl FnOnce(SocketAddr),
) -> Result<(), ServeError> {
    if !options.listen.ip().is_loopback() && options.token.is_none() {
        return Err(ServeError::Open(options.listen));
    }
    Store::open_existing(&options.store)?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .max_blocking_threads(READERS + 4)
        .enable_all()
        .build()
        .map_err(ServeError::System)?;
    let served = runtime.block_on(async {
        let at = options.listen;
        let listener =
            tokio::net::TcpListener::bind(at)
                .await
                .map_err(|source| match source.kind() {
                    std::io::ErrorKind::AddrInUse => ServeError::Taken(at),
                    _ => ServeError::Listen { at, source },
                })?;
        let at = listener.local_addr().map_err(ServeError::System)?;
        let (looks, looker) = live::start(options.store.clone(), Arc::clone(stop)).await?;
        let shared = Arc::new(Shared {
            store: options.store.clone(),
            guard: guard::Guard::new(at, options.token.as_ref()),
            looks,
            live: Arc::new(Semaphore::new(LIVE_MOST)),
            readers: Arc::new(Semaphore::new(READERS)),
            trends: api::Trends::default(),
        });
        started(at);
        let ends = Arc::clone(stop);
        let ended = async move {
            while !ends.load(Ordering::Relaxed) {
                tokio::time::sleep(STOP_EVERY).await;
            }
        };
        let serving = axum::serve(listener, routes::router(shared)).with_graceful_shutdown(ended);
        let out_of_time = async {
            while !stop.load(Ordering::Relaxed) {
                tokio::time::sleep(STOP_EVERY).await;
            }
            tokio::time::sleep(END_WITHIN).await;
        };
        tokio::select! {
            served = serving => served.map_err(ServeError::System)?,
            // Somebody holds an answer open: the program ends all the same.
            () = out_of_time => {}
        }
        // The looker ends by the same flag, when the look it is at is over.
        let ended = tokio::task::spawn_blocking(move || looker.join());
        let _ = tokio::time::timeout(END_WITHIN, ended).await;
        Ok(())
    });
    // Whoever still reads for an answer nobody waits for is left behind: reading harms nothing.
    runtime.shutdown_timeout(END_WITHIN);
    served
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, byte| {
        // Writing to a string cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}
