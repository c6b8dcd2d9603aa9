//! The life of one process: it ends at a counted moment, whatever it is doing.

use std::future::Future;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::task::{Context, Poll};
use tokio::sync::Notify;

#[derive(Debug)]
pub struct Life {
    dead: AtomicBool,
    /// Moments left: awaits, requests, answers and store operations each count one.
    left: AtomicU64,
    pub died: Notify,
}

impl Life {
    /// Dies at the given moment, counted from 1; 0: never.
    pub fn new(moments: u64) -> Arc<Self> {
        Arc::new(Self {
            dead: AtomicBool::new(false),
            left: AtomicU64::new(moments),
            died: Notify::new(),
        })
    }

    pub fn is_dead(&self) -> bool {
        self.dead.load(Ordering::SeqCst)
    }

    pub fn end(&self) {
        self.dead.store(true, Ordering::SeqCst);
        self.died.notify_one();
    }

    /// Never die any more.
    pub fn spare(&self) {
        self.left.store(0, Ordering::SeqCst);
    }

    /// One moment passes. True when the process is dead now.
    pub fn moment(&self) -> bool {
        let left = self.left.load(Ordering::SeqCst);
        if left > 0 && !self.is_dead() {
            self.left.store(left - 1, Ordering::SeqCst);
            if left == 1 {
                self.end();
            }
        }
        self.is_dead()
    }
}

/// A task of the process: a moment passes each time that it is polled, so it can die at every await.
pub struct Mortal {
    work: Pin<Box<dyn Future<Output = ()> + Send>>,
    life: Arc<Life>,
}

impl Mortal {
    pub fn new(life: &Arc<Life>, work: impl Future<Output = ()> + Send + 'static) -> Self {
        Self {
            work: Box::pin(work),
            life: Arc::clone(life),
        }
    }
}

impl Future for Mortal {
    type Output = ();

    fn poll(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<()> {
        if self.life.moment() {
            return Poll::Pending;
        }
        self.work.as_mut().poll(context)
    }
}
