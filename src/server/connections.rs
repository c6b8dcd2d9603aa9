//! Open connections: how many, and how long each may do nothing (invariant 11).
//!
//! Anyone who reaches the port can open connections and say nothing, send a head or a body byte by
//! byte, or ask for a page and not read it. None of that may keep a ward's reading out. So every
//! connection is in one of four states with a deadline for each, and when `max_connections` are
//! open, the next one takes the place of one that does nothing: first of those that never sent a
//! whole request, then of those that wait between two for more than a second, each time the eldest. Only
//! when every connection asks or has just asked is a new one answered 503 and closed.

mod held;
mod stream;

use crate::config::ServerConfig;
use crate::fhir::outcome::{Issue, IssueType, outcome};
use axum::Router;
use axum::body::Body;
use held::{Answered, Held, Registry};
use hyper::body::Incoming;
use hyper::service::service_fn;
use hyper_util::rt::TokioIo;
use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;
use stream::Guarded;
use tokio::io::AsyncWriteExt;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tower::ServiceExt;

/// How often deadlines are looked at; a connection is cut at most this much late.
const LOOK: Duration = Duration::from_millis(500);
/// After an error of `accept` (no file descriptor left): the wait before the next try.
const ACCEPT_PAUSE: Duration = Duration::from_millis(50);
/// Connections turned away at once whose 503 is brought to its end; more are closed after the first try.
const TURNED_AWAY_MAX: usize = 64;
/// How long a connection that is turned away may take to read its answer.
const TURN_AWAY_TIMEOUT: Duration = Duration::from_secs(2);
/// The longest head of a request, bytes: a search with many codes fits well.
const MAX_HEAD_BYTES: usize = 64 * 1024;
/// Header lines of one request.
const MAX_HEADERS: usize = 64;

/// Bounds of connections. `[server]` of the configuration sets them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ConnectionLimits {
    /// Open at once (768).
    pub max_connections: usize,
    /// For the whole head of a request, from its first byte, or of the first request from the
    /// connection's start (10 s).
    pub head_timeout: Duration,
    /// Between two requests (60 s).
    pub idle_timeout: Duration,
    /// Without the reader taking a byte of the answer (30 s).
    pub write_timeout: Duration,
    /// One request from its head to the last byte of its answer (900 s): above the 600 s for which a
    /// page may listen to changes.
    pub answer_timeout: Duration,
}

impl From<&ServerConfig> for ConnectionLimits {
    fn from(config: &ServerConfig) -> Self {
        Self {
            max_connections: config.max_connections,
            head_timeout: Duration::from_secs(config.head_seconds),
            idle_timeout: Duration::from_secs(config.idle_seconds),
            write_timeout: Duration::from_secs(config.write_seconds),
            answer_timeout: Duration::from_secs(900),
        }
    }
}

/// Accept and serve until `stop`; then requests under way may end, for as long as the caller goes on
/// polling this future.
pub async fn serve(listener: TcpListener, router: Router, limits: ConnectionLimits, stop: CancellationToken) {
    let registry = Arc::new(Registry::new(limits));
    let connections = TaskTracker::new();
    let turning_away = Arc::new(Semaphore::new(TURNED_AWAY_MAX));
    let mut look = tokio::time::interval(LOOK);
    loop {
        tokio::select! {
            () = stop.cancelled() => break,
            _ = look.tick() => registry.cut_overdue(),
            accepted = listener.accept() => match accepted {
                Ok((stream, _)) => match registry.admit() {
                    Some(held) => {
                        connections.spawn(connection(stream, router.clone(), held, stop.clone()));
                    }
                    None => match Arc::clone(&turning_away).try_acquire_owned() {
                        Ok(place) => drop(tokio::spawn(turn_away(stream, place))),
                        Err(_) => drop(stream.try_write(turned_away().as_bytes())),
                    },
                },
                Err(error) => {
                    tracing::warn!(%error, "a connection could not be accepted; one that does nothing is closed");
                    registry.make_room();
                    tokio::time::sleep(ACCEPT_PAUSE).await;
                }
            },
        }
    }
    connections.close();
    drop(listener);
    let overdue = async {
        loop {
            look.tick().await;
            registry.cut_overdue();
        }
    };
    tokio::select! {
        () = connections.wait() => {}
        () = overdue => {}
    }
}

/// One connection until its end, its cut, or the end of the request under way after `stop`.
async fn connection(stream: TcpStream, router: Router, held: Arc<Held>, stop: CancellationToken) {
    // Small answers go out at once.
    let _only_slower_without = stream.set_nodelay(true);
    let service = {
        let held = Arc::clone(&held);
        service_fn(move |request: hyper::Request<Incoming>| {
            held.begins();
            let (router, held) = (router.clone(), Arc::clone(&held));
            async move {
                let Ok(response) = router.oneshot(request.map(Body::new)).await;
                Ok::<_, Infallible>(response.map(|body| Answered::new(body, held)))
            }
        })
    };
    let io = TokioIo::new(Guarded::new(stream, Arc::clone(&held)));
    let mut builder = hyper::server::conn::http1::Builder::new();
    builder.max_buf_size(MAX_HEAD_BYTES).max_headers(MAX_HEADERS);
    // A peer that closes its side is taken as gone, so that a request nobody waits for frees its place.
    builder.half_close(false);
    let mut served = std::pin::pin!(builder.serve_connection(io, service));
    let mut stopping = false;
    loop {
        tokio::select! {
            // A peer that broke off or sent no HTTP was answered or is gone: nothing is left to do.
            _ended = served.as_mut() => return,
            () = held.cut() => return,
            () = stop.cancelled(), if !stopping => {
                stopping = true;
                served.as_mut().graceful_shutdown();
            }
        }
    }
}

/// 503 to a connection for which there is no place. What it sends is read to its end or for a moment:
/// closed with bytes unread, the answer would be lost with them (RFC 9112, section 9.6).
async fn turn_away(mut stream: TcpStream, _place: OwnedSemaphorePermit) {
    let answered = async {
        stream.write_all(turned_away().as_bytes()).await?;
        stream.shutdown().await?;
        tokio::io::copy(&mut stream, &mut tokio::io::sink()).await
    };
    // The peer may be gone, or never stop: then nothing is left to do.
    let _ended = tokio::time::timeout(TURN_AWAY_TIMEOUT, answered).await;
}

fn turned_away() -> String {
    let text = "Every connection of this service has a request under way; nothing was kept. Send the request again.";
    let body = outcome(&[Issue::error(IssueType::Transient, text)]).to_string();
    format!(
        "HTTP/1.1 503 Service Unavailable\r\nRetry-After: 1\r\nContent-Type: application/fhir+json\r\n\
         Cache-Control: no-store\r\nContent-Length: {}\r\nConnection: close\r\n\r\n{body}",
        body.len()
    )
}
