//! A TCP stream that notes what comes in and gives up on a reader that takes nothing.

use super::held::Held;
use std::io::{Error, ErrorKind, IoSlice, Result};
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::time::Sleep;

/// See the module.
pub struct Guarded {
    stream: TcpStream,
    held: Arc<Held>,
    /// Runs while the kernel takes no further byte.
    blocked: Option<Pin<Box<Sleep>>>,
}

impl Guarded {
    pub fn new(stream: TcpStream, held: Arc<Held>) -> Self {
        Self {
            stream,
            held,
            blocked: None,
        }
    }

    /// The outcome of a write, or an error once nothing was taken for `write_timeout`.
    fn within<T>(&mut self, context: &mut Context<'_>, outcome: Poll<Result<T>>) -> Poll<Result<T>> {
        if outcome.is_ready() {
            self.blocked = None;
            return outcome;
        }
        let timeout = self.held.write_timeout;
        let sleep = self
            .blocked
            .get_or_insert_with(|| Box::pin(tokio::time::sleep(timeout)));
        match sleep.as_mut().poll(context) {
            Poll::Ready(()) => Poll::Ready(Err(Error::from(ErrorKind::TimedOut))),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl AsyncRead for Guarded {
    fn poll_read(mut self: Pin<&mut Self>, context: &mut Context<'_>, buffer: &mut ReadBuf<'_>) -> Poll<Result<()>> {
        let before = buffer.filled().len();
        let outcome = Pin::new(&mut self.stream).poll_read(context, buffer);
        if buffer.filled().len() > before {
            self.held.heard();
        }
        outcome
    }
}

impl AsyncWrite for Guarded {
    fn poll_write(mut self: Pin<&mut Self>, context: &mut Context<'_>, bytes: &[u8]) -> Poll<Result<usize>> {
        let outcome = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.within(context, outcome)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        slices: &[IoSlice<'_>],
    ) -> Poll<Result<usize>> {
        let outcome = Pin::new(&mut self.stream).poll_write_vectored(context, slices);
        self.within(context, outcome)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}
