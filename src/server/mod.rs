//! What is shown and received over HTTP.
//!
//! One router: `/fhir` (REST intake and reading), `/health/*`, `/metrics`, and the pages. Every
//! request passes [`guard`] (Host and Origin checks, security headers) and [`auth`] (the secret of
//! `[auth]`), and is counted by its route template. Nothing here decides anything clinical: bodies go to the intake and are
//! answered after its commit, everything shown comes from the store.

pub mod auth;
pub mod charts;
pub mod connections;
pub mod fhir;
pub mod guard;
pub mod health;
pub mod live;
pub mod metrics;
pub mod pages;

pub use auth::Auth;
pub use connections::ConnectionLimits;
pub use guard::Hosts;
pub use health::Health;
pub use live::LiveEvent;
pub use metrics::Metrics;

use crate::config::ServerConfig;
use crate::fhir::Instant;
use crate::source::Intake;
use crate::store::{Store, StoreError};
use axum::Router;
use axum::extract::{MatchedPath, Request, State};
use axum::http::{StatusCode, header};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use std::any::Any;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::broadcast;
use tower_http::catch_panic::CatchPanicLayer;

/// Where the time comes from: made once in `main`, so that tests can set it.
pub type Clock = Arc<dyn Fn() -> Instant + Send + Sync>;

/// How many live events a slow page may lag behind before it misses some (it then redraws whole).
pub const LIVE_EVENTS_KEPT: usize = 256;

/// Bounds on what a request may ask of us (invariant 11).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Limits {
    /// One resource, bytes (1 MiB).
    pub max_body_bytes: usize,
    /// A Bundle, bytes (16 MiB).
    pub max_bundle_bytes: usize,
    /// Nesting of JSON (64).
    pub max_depth: usize,
    /// Entries of a Bundle (10 000).
    pub max_bundle_entries: usize,
    /// For the whole body to arrive (30 s).
    pub body_timeout: Duration,
    /// From the head of a `/fhir` request to the head of its answer (60 s).
    pub answer_timeout: Duration,
}

impl From<&ServerConfig> for Limits {
    fn from(config: &ServerConfig) -> Self {
        Self {
            max_body_bytes: config.max_body_bytes,
            max_bundle_bytes: config.max_bundle_bytes,
            max_depth: config.max_depth,
            max_bundle_entries: 10_000,
            body_timeout: Duration::from_secs(config.body_seconds),
            answer_timeout: Duration::from_secs(60),
        }
    }
}

/// What every handler has at hand, as each of them gets it: one count for all of it, not one for each part.
pub type Shared = Arc<AppState>;

/// What every handler has at hand.
#[derive(Clone)]
pub struct AppState {
    /// The door to the engine.
    pub intake: Intake,
    /// What is kept. Calls block: use [`AppState::with_store`].
    pub store: Arc<dyn Store>,
    /// Bounds.
    pub limits: Limits,
    /// Which Host headers are ours.
    pub hosts: Arc<Hosts>,
    /// What a request must carry; None: nothing, and then only loopback is listened on.
    pub auth: Option<Arc<Auth>>,
    /// The base URL of `/fhir` for absolute links when a proxy stands in front
    /// (`https://ward.example/fhir`); None: taken from a Host header that passed the check.
    pub public_base: Option<String>,
    /// Now.
    pub clock: Clock,
    /// Counters.
    pub metrics: Arc<Metrics>,
    /// Signs of life of the other parts.
    pub health: Arc<Health>,
    /// True when there is no sink: derived resources are kept and served here only.
    pub self_contained: bool,
    /// What open pages are told.
    pub events: broadcast::Sender<LiveEvent>,
    /// Held from the search to the commit of a conditional interaction, so that two equal
    /// conditional creates never both find nothing.
    pub conditional: Arc<tokio::sync::Mutex<()>>,
    /// Free bytes for bodies that are being received and worked on.
    pub receiving: Arc<tokio::sync::Semaphore>,
    /// Free bytes for what is read and being sent.
    pub answers: fhir::room::AnswerRoom,
}

impl AppState {
    /// The state of a server as `config` says; `health` and `metrics` are shared with the engine.
    pub fn new(intake: Intake, store: Arc<dyn Store>, config: &ServerConfig, clock: Clock) -> Self {
        let public = config.public_base.as_ref();
        Self {
            intake,
            store,
            limits: Limits::from(config),
            hosts: Arc::new(Hosts::new(
                config.listen,
                &public
                    .and_then(url::Url::host_str)
                    .map(str::to_owned)
                    .into_iter()
                    .collect::<Vec<_>>(),
            )),
            auth: None,
            public_base: public.map(|base| base.as_str().to_owned()),
            clock,
            metrics: Arc::new(Metrics::new()),
            health: Arc::new(Health::default()),
            self_contained: true,
            events: broadcast::channel(LIVE_EVENTS_KEPT).0,
            conditional: Arc::default(),
            receiving: Arc::new(tokio::sync::Semaphore::new(config.max_waiting_bytes)),
            answers: fhir::room::AnswerRoom::default(),
        }
    }

    /// Now, as the clock says.
    pub fn now(&self) -> Instant {
        (self.clock)()
    }

    /// Run a store call on a thread that may block.
    ///
    /// # Errors
    /// The store's own; a call that panicked is one as well.
    pub async fn with_store<T, F>(&self, call: F) -> Result<T, StoreError>
    where
        T: Send + 'static,
        F: FnOnce(&dyn Store) -> Result<T, StoreError> + Send + 'static,
    {
        let store = Arc::clone(&self.store);
        match tokio::task::spawn_blocking(move || call(store.as_ref())).await {
            Ok(result) => result,
            Err(error) => Err(StoreError::Statement {
                action: "finish a query",
                cause: error.to_string(),
            }),
        }
    }
}

/// Everything that is served on the one port; `pages` have a state of their own.
pub fn router(app: AppState, pages: Router) -> Router {
    let app = Shared::new(app);
    Router::new()
        .merge(fhir::router(&app))
        .merge(pages.with_state(()))
        .route("/health/live", get(health::live))
        .route("/health/ready", get(health::ready))
        .route("/metrics", get(metrics::serve))
        .fallback(not_found)
        .layer(CatchPanicLayer::custom(on_panic))
        .layer(from_fn_with_state(Shared::clone(&app), auth::require))
        .layer(from_fn_with_state(Shared::clone(&app), guard::guard))
        .layer(from_fn_with_state(Shared::clone(&app), count_request))
        .with_state(app)
}

async fn not_found() -> Response {
    (StatusCode::NOT_FOUND, "Nothing is served under this path.\n").into_response()
}

/// A panic is a defect: it is logged without its request, and the caller gets a plain 500.
fn on_panic(_panic: Box<dyn Any + Send + 'static>) -> Response {
    tracing::error!("a request handler panicked; the request was answered with 500");
    (
        StatusCode::INTERNAL_SERVER_ERROR,
        [(header::CONTENT_TYPE, "text/plain; charset=utf-8")],
        "The request could not be answered because of a defect in this service.\n",
    )
        .into_response()
}

/// Counts the answer by route template, never by path: a path may hold an identifier.
async fn count_request(State(app): State<Shared>, request: Request, next: Next) -> Response {
    let method = request.method().clone();
    let route = request
        .extensions()
        .get::<MatchedPath>()
        .map_or_else(|| String::from("unmatched"), |path| path.as_str().to_owned());
    let response = next.run(request).await;
    app.metrics.request(&method, &route, response.status());
    response
}
