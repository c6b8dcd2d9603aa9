//! The commit itself and what follows from it, on a thread of its own: while one commit waits for the
//! disk, the engine prepares the next. Nobody is answered before the commit that holds what they sent.

use super::outlets::{Outlets, Told};
use crate::source::intake::{Answer, IntakeError};
use crate::store::{Commit, Store, StoreError};
use std::cell::Cell;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender, TryRecvError, channel};
use std::thread::JoinHandle;
use tokio::runtime::Handle;
use tokio::sync::{Notify, oneshot};

/// Where the answers to one batch go.
pub(super) type Reply = oneshot::Sender<Result<Vec<Answer>, IntakeError>>;

/// How a commit ended; one that failed gives back whom it did not answer.
pub(super) type Ended = Result<(), (StoreError, Vec<Reply>)>;

/// A commit, and what follows when it has gone through.
pub(super) struct Ready {
    pub(super) commit: Commit,
    /// By batch.
    pub(super) answers: Vec<Vec<Answer>>,
    /// By batch.
    pub(super) replies: Vec<Reply>,
    pub(super) told: Told,
    /// When work on it began.
    pub(super) started: std::time::Instant,
}

/// Commits, tells and answers.
pub(super) struct Desk {
    store: Arc<dyn Store>,
    outlets: Outlets,
    /// Where answers are given: a runtime that is woken once for all of a commit. None: right here.
    answering: Option<Handle>,
}

impl Desk {
    pub(super) fn new(store: Arc<dyn Store>, outlets: Outlets, answering: Option<Handle>) -> Self {
        Self {
            store,
            outlets,
            answering,
        }
    }

    /// Commit, then tell, then answer.
    pub(super) fn finish(&self, ready: Ready) -> Ended {
        let Ready {
            commit,
            answers,
            replies,
            told,
            started,
        } = ready;
        if let Err(error) = write(self.store.as_ref(), commit) {
            return Err((error, replies));
        }
        self.outlets.health.commit_failed(None);
        self.outlets.metrics.commit(started.elapsed());
        for answer in answers.iter().flatten() {
            self.outlets.metrics.input(answer);
        }
        // Open pages first: whoever is answered may look at them at once.
        self.outlets.tell(told);
        let answer = move || {
            for (reply, answers) in replies.into_iter().zip(answers) {
                // A caller that went away has nothing to be told; the commit stands.
                let _ = reply.send(Ok(answers));
            }
        };
        match &self.answering {
            Some(runtime) => drop(runtime.spawn(async move { answer() })),
            None => answer(),
        }
        Ok(())
    }
}

/// The one commit.
///
/// # Errors
/// When the store cannot commit; then nothing of it stands.
pub(super) fn write(store: &dyn Store, commit: Commit) -> Result<(), StoreError> {
    #[cfg(feature = "mutations")]
    let (commit, after) = super::mutated::split(commit, store)?;
    store.commit(&commit)?;
    #[cfg(feature = "mutations")]
    store.commit(&after)?;
    Ok(())
}

/// Bring the index of searches up to date, in part while commits come without a pause.
pub(super) fn tidy(store: &dyn Store, idle: bool) {
    if let Err(error) = store.tidy(idle) {
        // Nothing is lost, and the next commit says what is wrong with the disk.
        tracing::warn!(%error, "what was received could not be indexed for searches; it is tried again");
    }
}

/// The thread. It ends, with what it has begun, when this is dropped.
pub(super) struct Writer {
    ready: Option<Sender<Box<Ready>>>,
    ended: Receiver<Ended>,
    woken: Arc<Notify>,
    gone: Cell<bool>,
    thread: Option<JoinHandle<()>>,
}

impl Writer {
    /// Start it.
    ///
    /// # Errors
    /// When there can be no further thread.
    pub(super) fn start(desk: Desk) -> std::io::Result<Self> {
        let (ready, to_do) = channel::<Box<Ready>>();
        let (done, ended) = channel();
        let woken = Arc::new(Notify::new());
        let wakes = Arc::clone(&woken);
        let thread = std::thread::Builder::new()
            .name(String::from("commit"))
            .spawn(move || {
                while let Ok(ready) = to_do.recv() {
                    let result = desk.finish(*ready);
                    let went_through = result.is_ok();
                    // The engine is gone only when its thread has ended badly.
                    let _ = done.send(result);
                    wakes.notify_one();
                    if went_through {
                        tidy(desk.store.as_ref(), false);
                    }
                }
            })?;
        Ok(Self {
            ready: Some(ready),
            ended,
            woken,
            gone: Cell::new(false),
            thread: Some(thread),
        })
    }

    /// Begin a commit; the one before has ended.
    ///
    /// # Errors
    /// When the thread is gone: nothing was begun.
    pub(super) fn begin(&self, ready: Box<Ready>) -> Result<(), Box<Ready>> {
        match &self.ready {
            Some(sender) => sender.send(ready).map_err(|returned| returned.0),
            None => Err(ready),
        }
    }

    /// True once it was seen that the thread has panicked.
    pub(super) fn is_gone(&self) -> bool {
        self.gone.get()
    }

    /// Wakes when a commit has ended; it may wake too often.
    pub(super) fn woken(&self) -> Arc<Notify> {
        Arc::clone(&self.woken)
    }

    /// How the commit ended, when it has.
    pub(super) fn ended(&self) -> Option<Ended> {
        match self.ended.try_recv() {
            Ok(ended) => Some(ended),
            Err(TryRecvError::Empty) => None,
            Err(TryRecvError::Disconnected) => Some(self.has_gone()),
        }
    }

    /// Wait for its end.
    pub(super) fn wait(&self) -> Ended {
        self.ended.recv().unwrap_or_else(|_| self.has_gone())
    }
}

impl Writer {
    /// The thread has panicked; whoever it did not answer is told by the end of their channel.
    fn has_gone(&self) -> Ended {
        self.gone.set(true);
        let error = StoreError::Statement {
            action: "commit",
            cause: String::from("the thread that commits has ended badly; the engine goes on without it"),
        };
        Err((error, Vec::new()))
    }
}

impl Drop for Writer {
    fn drop(&mut self) {
        drop(self.ready.take());
        if let Some(thread) = self.thread.take() {
            // A panic there has nothing more to say than what it wrote to the log.
            let _ = thread.join();
        }
    }
}
