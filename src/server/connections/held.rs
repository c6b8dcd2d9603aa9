//! What each open connection is doing since when, and which one has to go.

use super::ConnectionLimits;
use axum::body::{Body, Bytes};
use hyper::body::{Body as HttpBody, Frame, SizeHint};
use std::collections::HashMap;
use std::pin::Pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, Weak};
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

/// A connection that asked less than this ago is about to ask again: closed now, its request would be
/// lost on the way.
const RESTED: Duration = Duration::from_secs(1);

/// What a connection does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Doing {
    /// No whole request head came yet.
    New,
    /// A part of a further head came.
    Head,
    /// Between two requests.
    Idle,
    /// A request is carried out or answered.
    Busy,
}

/// One open connection. It leaves the registry when it is dropped.
pub struct Held {
    id: u64,
    state: Mutex<(Doing, Instant)>,
    cut: CancellationToken,
    registry: Weak<Registry>,
    pub(super) write_timeout: Duration,
}

impl Held {
    fn set(&self, doing: Doing) {
        *locked(&self.state) = (doing, Instant::now());
    }

    /// Bytes came in.
    pub fn heard(&self) {
        let mut state = locked(&self.state);
        if state.0 == Doing::Idle {
            *state = (Doing::Head, Instant::now());
        }
    }

    /// A whole head came in.
    pub fn begins(&self) {
        self.set(Doing::Busy);
    }

    /// Returns once the connection has to be closed.
    pub async fn cut(&self) {
        self.cut.cancelled().await;
    }
}

impl Drop for Held {
    fn drop(&mut self) {
        if let Some(registry) = self.registry.upgrade() {
            locked(&registry.open).remove(&self.id);
        }
    }
}

/// Every open connection.
pub struct Registry {
    limits: ConnectionLimits,
    open: Mutex<HashMap<u64, Weak<Held>>>,
    next: std::sync::atomic::AtomicU64,
}

impl Registry {
    pub fn new(limits: ConnectionLimits) -> Self {
        Self {
            limits,
            open: Mutex::default(),
            next: std::sync::atomic::AtomicU64::new(0),
        }
    }

    /// A place for a new connection; None when every place has a request under way.
    pub fn admit(self: &Arc<Self>) -> Option<Arc<Held>> {
        if locked(&self.open).len() >= self.limits.max_connections && !self.make_room() {
            return None;
        }
        let id = self.next.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
        let held = Arc::new(Held {
            id,
            state: Mutex::new((Doing::New, Instant::now())),
            cut: CancellationToken::new(),
            registry: Arc::downgrade(self),
            write_timeout: self.limits.write_timeout,
        });
        locked(&self.open).insert(id, Arc::downgrade(&held));
        Some(held)
    }

    /// Every connection with what it does. The strong references are dropped by the caller, outside
    /// the lock: dropping the last one takes it.
    fn all(&self) -> Vec<(Arc<Held>, Doing, Instant)> {
        let open: Vec<Arc<Held>> = locked(&self.open).values().filter_map(Weak::upgrade).collect();
        open.into_iter()
            .map(|held| {
                let (doing, since) = *locked(&held.state);
                (held, doing, since)
            })
            .collect()
    }

    /// Close the one that has done nothing for longest, at least [`RESTED`] when it asked before; false
    /// when there is none. Of those that never asked a few are closed at once: a flood then costs a look at all of them only
    /// now and then.
    pub fn make_room(&self) -> bool {
        let all = self.all();
        let mut silent: Vec<_> = all.iter().filter(|(_, doing, _)| *doing == Doing::New).collect();
        silent.sort_unstable_by_key(|(_, _, since)| *since);
        silent.truncate((self.limits.max_connections / 16).max(1));
        if silent.is_empty() {
            let rests = |doing: &Doing, since: &Instant| *doing != Doing::Busy && since.elapsed() >= RESTED;
            let waiting = all.iter().filter(|(_, doing, since)| rests(doing, since));
            silent.extend(waiting.min_by_key(|(_, _, since)| *since));
        }
        for (held, ..) in &silent {
            held.cut.cancel();
            locked(&self.open).remove(&held.id);
        }
        !silent.is_empty()
    }

    /// Close every connection that is past the deadline of what it does.
    pub fn cut_overdue(&self) {
        let now = Instant::now();
        for (held, doing, since) in self.all() {
            let limit = match doing {
                Doing::New | Doing::Head => self.limits.head_timeout,
                Doing::Idle => self.limits.idle_timeout,
                Doing::Busy => self.limits.answer_timeout,
            };
            if now.duration_since(since) > limit {
                held.cut.cancel();
            }
        }
    }
}

/// A lock whose holder panicked guards plain values: they are whole.
fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// An answer's body; once it is sent or dropped, its connection waits for the next request.
pub struct Answered {
    body: Body,
    held: Arc<Held>,
}

impl Answered {
    pub fn new(body: Body, held: Arc<Held>) -> Self {
        Self { body, held }
    }
}

impl Drop for Answered {
    fn drop(&mut self) {
        self.held.set(Doing::Idle);
    }
}

impl HttpBody for Answered {
    type Data = Bytes;
    type Error = axum::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Self::Data>, Self::Error>>> {
        Pin::new(&mut self.body).poll_frame(context)
    }

    fn is_end_stream(&self) -> bool {
        self.body.is_end_stream()
    }

    fn size_hint(&self) -> SizeHint {
        self.body.size_hint()
    }
}
