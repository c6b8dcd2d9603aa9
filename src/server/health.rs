//! `/health/live` and `/health/ready`.
//!
//! Live: this process answers. Ready: a write can be committed, the engine takes its turns, the
//! source was polled in time, and (with a sink) nothing is stopped in the outbox or has waited too
//! long in it. Each check that is red says why; 503 then. No patient data.

use super::{AppState, Metrics, Shared};
use crate::delivery::status::DeliveryStatus;
use crate::fhir::Instant;
use crate::source::status::SourceStatus;
use crate::store::{Counts, StoreError};
use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, OnceLock, PoisonError};
use std::time::Duration;
use tokio::sync::Mutex;

/// A look at the store serves for this long, however often a probe asks (milliseconds).
const LOOK_MAX_AGE_MILLIS: i64 = 5_000;
/// A store that does not answer within this time counts as not writable.
const LOOK_TIMEOUT: Duration = Duration::from_secs(2);
/// The engine takes a turn at least every second when idle; this long without one is red.
const ENGINE_MAX_SILENCE_MILLIS: i64 = 30_000;
/// An outbox entry that has waited longer makes the service not ready (15 minutes).
const OUTBOX_MAX_AGE_MILLIS: i64 = 15 * 60_000;
/// Polls may miss this many intervals.
const POLL_INTERVALS: i64 = 3;
/// Polls that fail in a row before it is red, however short the intervals were.
const POLL_FAILURES: u64 = 3;
/// "Never".
const NEVER: i64 = i64::MIN;

/// Signs of life that the other parts give, and what was last seen of the store.
#[derive(Debug)]
pub struct Health {
    started: AtomicI64,
    engine: AtomicI64,
    /// 0: nothing is polled.
    poll_interval_millis: AtomicI64,
    source: OnceLock<Arc<SourceStatus>>,
    procedures: OnceLock<Arc<SourceStatus>>,
    delivery: OnceLock<Arc<DeliveryStatus>>,
    /// Why the last commit of the engine failed; None when it went through.
    failed: std::sync::Mutex<Option<&'static str>>,
    look: Mutex<Option<Look>>,
}

/// What one look at the store saw.
#[derive(Clone, Debug)]
struct Look {
    at: Instant,
    writable: Result<(), String>,
    oldest: Option<Instant>,
    stopped: u64,
}

impl Default for Health {
    fn default() -> Self {
        Self {
            started: AtomicI64::new(NEVER),
            engine: AtomicI64::new(NEVER),
            poll_interval_millis: AtomicI64::new(0),
            source: OnceLock::new(),
            procedures: OnceLock::new(),
            delivery: OnceLock::new(),
            failed: std::sync::Mutex::new(None),
            look: Mutex::new(None),
        }
    }
}

impl Health {
    /// A source is polled every `interval_seconds`; `now` starts the wait for its first poll.
    pub fn expect_polls(&self, interval_seconds: u64, now: Instant) {
        let millis = i64::try_from(interval_seconds.saturating_mul(1000)).unwrap_or(i64::MAX);
        self.poll_interval_millis.store(millis.max(1), Ordering::Relaxed);
        self.started.store(now.millis(), Ordering::Relaxed);
    }

    /// The engine took a turn (also an idle one, at least every second).
    pub fn engine_beat(&self, now: Instant) {
        self.engine.store(now.millis(), Ordering::Relaxed);
    }

    /// The last commit of the engine failed for this reason (without a path or patient data), or
    /// went through: then None.
    pub fn commit_failed(&self, reason: Option<&'static str>) {
        // Nothing panics while it is held.
        *self.failed.lock().unwrap_or_else(PoisonError::into_inner) = reason;
    }

    fn failed(&self) -> Option<&'static str> {
        *self.failed.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Where polling tells how it fares.
    pub fn watch_source(&self, status: Arc<SourceStatus>) {
        // Set once at start; a second source does not exist.
        let _ = self.source.set(status);
    }

    /// Where the polling of Procedures tells how it fares. Its trouble is shown and never makes the
    /// service not ready: what it brings only adds to what the readings say.
    pub fn watch_procedures(&self, status: Arc<SourceStatus>) {
        let _ = self.procedures.set(status);
    }

    /// Where delivery tells how it fares.
    pub fn watch_delivery(&self, status: Arc<DeliveryStatus>) {
        let _ = self.delivery.set(status);
    }

    /// Bring the figures of polling and delivery into the metrics.
    pub fn observe(&self, metrics: &Metrics) {
        if let Some(source) = self.source.get() {
            metrics.observe_source(&source.snapshot());
        }
        if let Some(procedures) = self.procedures.get() {
            metrics.observe_procedures(&procedures.snapshot());
        }
        if let Some(delivery) = self.delivery.get() {
            metrics.observe_delivery(&delivery.snapshot());
        }
    }

    /// When a poll last went through.
    fn last_polled(&self) -> i64 {
        let seen = self.source.get().and_then(|source| source.snapshot().last_success);
        seen.map_or(NEVER, Instant::millis)
    }

    fn engine_check(&self, now: Instant) -> Check {
        match self.engine.load(Ordering::Relaxed) {
            NEVER => Check::red("engine", "the engine has not taken a turn yet"),
            at => {
                let silence = now.millis_since(Instant::from_millis(at));
                Check::new(
                    "engine",
                    silence <= ENGINE_MAX_SILENCE_MILLIS,
                    format!("last turn {} s ago", silence / 1000),
                )
            }
        }
    }

    fn poll_check(&self, now: Instant) -> Option<Check> {
        let interval = self.poll_interval_millis.load(Ordering::Relaxed);
        if interval == 0 {
            return None;
        }
        let last = self.last_polled();
        let since = match last {
            NEVER => self.started.load(Ordering::Relaxed),
            at => at,
        };
        let age = now.millis_since(Instant::from_millis(since));
        let in_time = age <= interval.saturating_mul(POLL_INTERVALS);
        let seconds = age / 1000;
        let mut detail = match last {
            NEVER => format!("no poll has gone through yet; waiting for {seconds} s"),
            _ => format!("last poll ended {seconds} s ago"),
        };
        let failed = |status: &OnceLock<Arc<SourceStatus>>| {
            status.get().map_or((0, String::new()), |source| {
                let seen = source.snapshot();
                (seen.consecutive_failures, seen.last_trouble)
            })
        };
        let (failures, trouble) = failed(&self.source);
        if failures > 0 {
            // The trouble names no patient; see `SourceSnapshot::last_trouble`.
            detail = format!("{detail}; {failures} in a row failed, the last: {trouble}");
        }
        let (missed, trouble) = failed(&self.procedures);
        if missed > 0 {
            detail = format!("{detail}; of Procedures {missed} in a row failed, the last: {trouble}");
        }
        Some(Check::new("poll", in_time && failures < POLL_FAILURES, detail))
    }
}

#[derive(Serialize)]
struct Check {
    name: &'static str,
    ok: bool,
    detail: String,
}

impl Check {
    fn new(name: &'static str, ok: bool, detail: String) -> Self {
        Self { name, ok, detail }
    }

    fn red(name: &'static str, detail: &str) -> Self {
        Self::new(name, false, detail.to_owned())
    }
}

#[derive(Serialize)]
struct Report {
    status: &'static str,
    checks: Vec<Check>,
}

/// `GET /health/live`.
pub async fn live() -> Response {
    Json(Report {
        status: "live",
        checks: Vec::new(),
    })
    .into_response()
}

/// `GET /health/ready`.
pub async fn ready(State(app): State<Shared>) -> Response {
    let now = app.now();
    let look = look(&app, now).await;
    let mut checks = vec![store_check(&look, app.health.failed()), app.health.engine_check(now)];
    // Without a sink nothing is to be delivered.
    if !app.self_contained {
        checks.push(outbox_check(&look, now));
    }
    checks.extend(app.health.poll_check(now));
    let ready = checks.iter().all(|check| check.ok);
    let (code, status) = match ready {
        true => (StatusCode::OK, "ready"),
        false => (StatusCode::SERVICE_UNAVAILABLE, "not-ready"),
    };
    (code, Json(Report { status, checks })).into_response()
}

/// The last look if it is young enough, else a new one. One at a time: probes wait for it.
async fn look(app: &AppState, now: Instant) -> Look {
    let mut kept = app.health.look.lock().await;
    // A clock that was set back must not keep an old look alive.
    let young = |look: &Look| (0..=LOOK_MAX_AGE_MILLIS).contains(&now.millis_since(look.at));
    if let Some(look) = kept.as_ref().filter(|look| young(look)) {
        return look.clone();
    }
    let asking = app.with_store(|store| {
        store.probe_writable()?;
        store.counts()
    });
    let seen: Result<Counts, String> = match tokio::time::timeout(LOOK_TIMEOUT, asking).await {
        Ok(result) => result.map_err(|error: StoreError| {
            // The path is for the log only.
            tracing::warn!(%error, "the store did not pass its health check");
            format!("a write cannot be committed: {}", error.reason())
        }),
        Err(_) => Err(format!("no answer within {} s", LOOK_TIMEOUT.as_secs())),
    };
    let look = match seen {
        Ok(counts) => Look {
            at: now,
            writable: Ok(()),
            oldest: counts.outbox_oldest,
            stopped: counts.outbox_stopped,
        },
        Err(reason) => Look {
            at: now,
            writable: Err(reason),
            oldest: None,
            stopped: 0,
        },
    };
    *kept = Some(look.clone());
    look
}

fn store_check(look: &Look, failed: Option<&'static str>) -> Check {
    match (&look.writable, failed) {
        // A small write may still go through where a commit does not.
        (Ok(()), Some(reason)) => Check::red("store", &format!("the last commit failed: {reason}")),
        (Ok(()), None) => Check::new("store", true, String::from("a write can be committed")),
        (Err(reason), _) => Check::new("store", false, reason.clone()),
    }
}

fn outbox_check(look: &Look, now: Instant) -> Check {
    if look.writable.is_err() {
        return Check::red("outbox", "not known: the store does not answer");
    }
    let stopped = match look.stopped {
        0 => String::new(),
        stopped => format!("; {stopped} stopped entries need a person: see /stopped"),
    };
    // What is stopped goes out only when a person sends it again.
    let none_stopped = look.stopped == 0;
    match look.oldest {
        None => Check::new("outbox", none_stopped, format!("nothing waits{stopped}")),
        Some(oldest) => {
            let age = now.millis_since(oldest).max(0);
            let detail = format!("oldest entry waits {} s{stopped}", age / 1000);
            Check::new("outbox", none_stopped && age <= OUTBOX_MAX_AGE_MILLIS, detail)
        }
    }
}
