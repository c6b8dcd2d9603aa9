//! Room for answers: what searches and reads of all callers hold in memory at once is bounded, from
//! the look into the store until the reader has taken the last byte.

use super::problem::Problem;
use axum::body::{Body, Bytes, HttpBody};
use hyper::body::{Frame, SizeHint};
use std::convert::Infallible;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// Bytes of answers at once (64 MiB).
const ANSWER_BYTES: usize = 64 * 1024 * 1024;
/// How long a search waits for room before it is answered 503.
const PATIENCE: Duration = Duration::from_secs(2);
/// Bytes that are handed to the connection at a time: what it has not taken stays counted here.
const FRAME_BYTES: usize = 64 * 1024;

/// The room of one service; cheap to clone.
#[derive(Clone, Debug)]
pub struct AnswerRoom(Arc<Semaphore>);

impl Default for AnswerRoom {
    fn default() -> Self {
        Self(Arc::new(Semaphore::new(ANSWER_BYTES)))
    }
}

impl AnswerRoom {
    /// Room for an answer of at most `bytes`.
    ///
    /// # Errors
    /// 503 with Retry-After when other answers hold it all.
    pub async fn take(&self, bytes: usize) -> Result<OwnedSemaphorePermit, Problem> {
        let bytes = u32::try_from(bytes.min(ANSWER_BYTES)).unwrap_or(u32::MAX);
        let taken = Arc::clone(&self.0).acquire_many_owned(bytes);
        match tokio::time::timeout(PATIENCE, taken).await {
            Ok(Ok(room)) => Ok(room),
            _ => Err(Problem::try_again(
                "Too much is being read at once; send the request again, or ask for a smaller _count.",
            )),
        }
    }
}

/// A text as a body that holds its room until it is taken or given up.
pub fn body(text: String, mut room: OwnedSemaphorePermit) -> Body {
    let surplus = room.num_permits().saturating_sub(text.len());
    // What the answer did not need is free again at once.
    drop(room.split(surplus));
    Body::new(Held {
        rest: Bytes::from(text),
        _room: room,
    })
}

struct Held {
    rest: Bytes,
    _room: OwnedSemaphorePermit,
}

impl HttpBody for Held {
    type Data = Bytes;
    type Error = Infallible;

    fn poll_frame(mut self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<Option<Result<Frame<Bytes>, Infallible>>> {
        if self.rest.is_empty() {
            return Poll::Ready(None);
        }
        let bytes = self.rest.len().min(FRAME_BYTES);
        Poll::Ready(Some(Ok(Frame::data(self.rest.split_to(bytes)))))
    }

    fn is_end_stream(&self) -> bool {
        self.rest.is_empty()
    }

    fn size_hint(&self) -> SizeHint {
        SizeHint::with_exact(u64::try_from(self.rest.len()).unwrap_or(u64::MAX))
    }
}
