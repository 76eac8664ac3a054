//! The pages over HTTP: status, metrics, the live view, and the morning's pages. They read; what they change is marks and
//! acknowledgements.
//!
//! One thread with a runtime of its own, apart from everything that records and files. Connections, header size, body
//! size and the time for each are bounded; a client that does not read its updates is given fewer of them.

mod guard;
mod live;
mod metrics;
mod morning;
mod overview;
mod words;
#[cfg(test)]
mod tests;

use std::net::{SocketAddr, TcpListener};
use std::sync::mpsc::Sender;
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::Duration;

use axum::Router;
use axum::extract::{DefaultBodyLimit, State};
use axum::http::StatusCode;
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use nix::sys::socket::{setsockopt, sockopt};
use tokio::sync::Semaphore;

use super::boards::Boards;
use super::clock::now_us;
use super::status::{Status, Stop};
use crate::board::Mark;
use crate::day::ServiceDays;
use crate::settings::gateway::Pages;
use guard::Guard;

/// Connections at a time; more wait with the kernel.
const CONNECTIONS_MAX: usize = 64;
/// Of these, so many may watch a live view.
const WATCHERS_MAX: usize = 16;
/// For a request's head to come; a connection that asks for nothing is closed after it too.
const HEAD_WITHIN: Duration = Duration::from_secs(10);
/// For a request's body to come, and for the answer to begin.
const ANSWER_WITHIN: Duration = Duration::from_secs(10);
/// A client that takes nothing for so long is gone.
const TAKEN_WITHIN_MS: u32 = 30_000;
/// Bytes of a request's head.
const HEAD_BYTES_MAX: usize = 16 << 10;
/// Header fields of a request.
const HEADERS_MAX: usize = 64;
/// Bytes of a request's body.
const BODY_BYTES_MAX: usize = 64 << 10;
/// How often is looked whether the service ends.
const LOOK_EVERY: Duration = Duration::from_millis(200);

/// Why there are no pages.
#[derive(Debug, thiserror::Error)]
pub enum PagesError {
    /// The address cannot be listened on.
    #[error(
        "the pages cannot listen on {address}: {source}; choose another address with `listen` under [pages], or end what listens there"
    )]
    Listen {
        /// The address.
        address: SocketAddr,
        /// Why.
        source: std::io::Error,
    },
    /// The system gives no thread or runtime.
    #[error("the pages cannot start: {0}")]
    Start(#[from] std::io::Error),
}

/// What the pages speak of.
#[derive(Debug)]
pub struct Subject {
    /// Counters and troubles.
    pub status: Arc<Status>,
    /// Live values.
    pub boards: Arc<Boards>,
    /// Whose clocks the pages show.
    pub days: Mutex<ServiceDays>,
    /// Where marks go to be kept.
    pub marks: Sender<Mark>,
}

/// The pages at work.
#[derive(Debug)]
pub struct Running {
    /// Where they listen.
    pub address: SocketAddr,
    /// Ends within a second of the request to stop.
    pub thread: JoinHandle<()>,
}

/// Starts the pages; none where the settings want none.
///
/// # Errors
/// The address cannot be listened on, or the system gives no thread.
pub fn start(settings: &Pages, subject: Arc<Subject>, stop: Arc<Stop>) -> Result<Option<Running>, PagesError> {
    start_with(settings, subject, stop, HEAD_WITHIN)
}

/// As [`start`], with another patience for a request's head.
fn start_with(
    settings: &Pages,
    subject: Arc<Subject>,
    stop: Arc<Stop>,
    head_within: Duration,
) -> Result<Option<Running>, PagesError> {
    let Some(address) = settings.listen else { return Ok(None) };
    let listen = |source| PagesError::Listen { address, source };
    let listener = TcpListener::bind(address).map_err(listen)?;
    listener.set_nonblocking(true).map_err(listen)?;
    let address = listener.local_addr().map_err(listen)?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_io().enable_time().build()?;
    let morning = morning::Pages::new(settings.morning.clone());
    let router = router(subject, morning, Guard::new(address, &settings.names));
    let thread = std::thread::Builder::new().name("pages".into()).spawn(move || {
        let served = runtime.block_on(async {
            tokio::select! {
                served = serve(listener, router, head_within) => served,
                () = stopped(&stop) => Ok(()),
            }
        });
        if let Err(error) = served {
            tracing::error!("the pages ended: {error}");
        }
        // Whoever still watches is hung up on.
        runtime.shutdown_timeout(LOOK_EVERY);
    })?;
    Ok(Some(Running { address, thread }))
}

async fn stopped(stop: &Stop) {
    while !stop.is_set() {
        tokio::time::sleep(LOOK_EVERY).await;
    }
}

async fn serve(listener: TcpListener, router: Router, head_within: Duration) -> std::io::Result<()> {
    let listener = tokio::net::TcpListener::from_std(listener)?;
    let room = Arc::new(Semaphore::new(CONNECTIONS_MAX));
    loop {
        let permit = room.clone().acquire_owned().await.map_err(std::io::Error::other)?;
        let stream = match listener.accept().await {
            Ok((stream, _)) => stream,
            Err(error) => {
                // A client that hung up before it was greeted, or no file handles for now.
                tracing::debug!("a connection could not be accepted: {error}");
                tokio::time::sleep(LOOK_EVERY).await;
                continue;
            }
        };
        if let Err(error) = setsockopt(&stream, sockopt::TcpUserTimeout, &TAKEN_WITHIN_MS) {
            tracing::debug!("no limit to how long a client may take nothing: {error}");
        }
        let service = TowerToHyperService::new(router.clone());
        tokio::spawn(async move {
            let connection = http1::Builder::new()
                .timer(TokioTimer::new())
                .header_read_timeout(head_within)
                .max_buf_size(HEAD_BYTES_MAX)
                .max_headers(HEADERS_MAX)
                .serve_connection(TokioIo::new(stream), service);
            if let Err(error) = connection.await {
                tracing::debug!("a connection ended early: {error}");
            }
            drop(permit);
        });
    }
}

fn router(subject: Arc<Subject>, morning: morning::Pages, guard: Guard) -> Router {
    let watchers = Arc::new(Semaphore::new(WATCHERS_MAX));
    Router::new()
        .route("/", get(overview::page))
        .route("/status.json", get(status_json))
        .route("/metrics", get(metrics::metrics))
        .route("/live", get(live::page))
        .route("/live/stream", get(live::stream))
        .route("/live/mark", post(live::mark))
        .route("/live/acknowledge", post(live::acknowledge))
        .route("/morning", get(morning::moved))
        .route("/morning/", get(morning::index))
        .route("/morning/{*path}", get(morning::page))
        .route("/pages.css", get(|| asset("text/css; charset=utf-8", include_str!("files/pages.css"))))
        .route("/overview.js", get(|| asset("text/javascript; charset=utf-8", include_str!("files/overview.js"))))
        .route("/live.js", get(|| asset("text/javascript; charset=utf-8", include_str!("files/live.js"))))
        .fallback(|| async {
            (
                StatusCode::NOT_FOUND,
                "There is no such page. / is the status, /live the live view, /morning/ the morning's pages.\n",
            )
        })
        .layer(DefaultBodyLimit::max(BODY_BYTES_MAX))
        .layer(axum::middleware::from_fn_with_state(Arc::new(guard), guard::guarded))
        .with_state(Served { subject, watchers, morning })
}

/// What the handlers are given.
#[derive(Debug, Clone)]
struct Served {
    subject: Arc<Subject>,
    watchers: Arc<Semaphore>,
    morning: morning::Pages,
}

impl Served {
    fn days(&self) -> ServiceDays {
        self.subject.days.lock().unwrap_or_else(std::sync::PoisonError::into_inner).clone()
    }
}

async fn asset(kind: &'static str, text: &'static str) -> Response {
    // Asked for again each time: an upgrade must not meet yesterday's script.
    ([(CONTENT_TYPE, kind), (CACHE_CONTROL, "no-cache")], text).into_response()
}

async fn status_json(State(served): State<Served>) -> Response {
    axum::Json(served.subject.status.snapshot(now_us())).into_response()
}
