//! The WAL file is copied into the database beside the work, so that no answer waits for it: by a
//! connection and a thread of their own, in a way that holds up neither writers nor readers
//! (PASSIVE, <https://www.sqlite.org/pragma.html#pragma_wal_checkpoint>).

use rusqlite::Connection;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

/// How often it is looked whether enough was written.
const LOOK: Duration = Duration::from_secs(1);
/// Writes that are worth a copy: fewer are left for the next look.
const WRITES: u32 = 64;
/// Frames in the WAL file past which writers are held up for the little that is left, so that it
/// can begin anew: it only can when all of it was copied.
const FRAMES_MAX: i64 = 8_192;

/// So few are copied while writers wait: a few milliseconds.
const FRAMES_FEW: i64 = 512;
/// Passes until then at most: what is written meanwhile may be as much as can be copied.
const PASSES_MAX: usize = 8;

/// Ends with the store.
pub(super) struct Checkpointer {
    /// Writes since the last copy.
    writes: Arc<AtomicU32>,
    stop: Option<Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl Checkpointer {
    /// Start, on a connection that may write.
    pub(super) fn start(connection: Connection, writer: Arc<Mutex<Connection>>) -> Self {
        let writes = Arc::new(AtomicU32::new(0));
        let (stop, stopped) = channel();
        let seen = Arc::clone(&writes);
        let thread = std::thread::spawn(move || {
            while stopped.recv_timeout(LOOK) == Err(RecvTimeoutError::Timeout) {
                if seen.load(Ordering::Relaxed) >= WRITES {
                    seen.store(0, Ordering::Relaxed);
                    copy(&connection, &writer);
                }
            }
        });
        Self {
            writes,
            stop: Some(stop),
            thread: Some(thread),
        }
    }

    /// Something was written.
    pub(super) fn written(&self) {
        self.writes.fetch_add(1, Ordering::Relaxed);
    }
}

impl Drop for Checkpointer {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            // A panic there has nothing more to say than what it wrote to the log.
            let _ = thread.join();
        }
    }
}

/// What cannot be copied now (a full disk, a long read) stays in the WAL file, which is as durable.
fn copy(connection: &Connection, writer: &Mutex<Connection>) {
    let mut frames = pass(connection);
    if frames < FRAMES_MAX {
        return;
    }
    // Each pass copies what came during the one before, which is less and less.
    for _ in 0..PASSES_MAX {
        let before = std::mem::replace(&mut frames, pass(connection));
        if frames.saturating_sub(before) < FRAMES_FEW {
            break;
        }
    }
    let _writer = writer.lock().unwrap_or_else(PoisonError::into_inner);
    pass(connection);
}

/// Copy what can be copied; how many frames the WAL file holds.
fn pass(connection: &Connection) -> i64 {
    let frames = connection.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |row| row.get(1));
    frames.unwrap_or(0)
}
