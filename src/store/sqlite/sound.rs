//! Is the file whole? SQLite's quick check at start, and beside the work when the file is large.

use rusqlite::{Connection, ErrorCode, InterruptHandle, OptionalExtension};
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::sync::{Arc, OnceLock};
use std::thread::JoinHandle;
use std::time::Duration;

/// What a check found within its time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Found {
    /// Every page was looked at and is whole.
    Whole,
    /// This is wrong.
    Fault(String),
    /// The time was up; nothing wrong so far.
    Unfinished,
}

/// `PRAGMA quick_check` for at most `budget`: structure of every page and row, without comparing
/// indexes with tables (<https://www.sqlite.org/pragma.html#pragma_quick_check>).
pub(super) fn check(connection: &Connection, budget: Duration) -> rusqlite::Result<Found> {
    let handle = connection.get_interrupt_handle();
    let (done, waits) = channel::<()>();
    let timer = std::thread::spawn(move || {
        if waits.recv_timeout(budget) == Err(RecvTimeoutError::Timeout) {
            // Without a running statement this does nothing.
            handle.interrupt();
        }
    });
    let found = first_fault(connection, "PRAGMA quick_check(1)");
    drop(done);
    // It has nothing to say; only its interrupt must not meet a later statement.
    let _ = timer.join();
    match found {
        Ok(None) => Ok(Found::Whole),
        Ok(Some(fault)) => Ok(Found::Fault(fault)),
        Err(error) if error.sqlite_error_code() == Some(ErrorCode::OperationInterrupted) => Ok(Found::Unfinished),
        Err(error) => Err(error),
    }
}

fn first_fault(connection: &Connection, pragma: &str) -> rusqlite::Result<Option<String>> {
    let line: Option<String> = connection.query_row(pragma, [], |row| row.get(0)).optional()?;
    Ok(line.filter(|line| line != "ok"))
}

/// The rest of a check that did not end in time, on a connection and a thread of its own.
pub(super) struct Watch {
    fault: Arc<OnceLock<String>>,
    handle: InterruptHandle,
    thread: Option<JoinHandle<()>>,
}

impl Watch {
    /// Check table by table, so that no one look keeps the WAL from being cut back for long.
    pub(super) fn start(connection: Connection) -> Self {
        let fault = Arc::new(OnceLock::new());
        let handle = connection.get_interrupt_handle();
        let found = Arc::clone(&fault);
        let thread = std::thread::spawn(move || match tables(&connection) {
            Ok(None) => tracing::info!("the store was checked page by page and is whole"),
            Ok(Some(cause)) => {
                tracing::error!(%cause, "the store is damaged; nothing more is committed: restore a backup");
                // Set once; there is one thread.
                let _ = found.set(cause);
            }
            Err(error) if error.sqlite_error_code() == Some(ErrorCode::OperationInterrupted) => {}
            Err(error) => {
                tracing::warn!(%error, "the check of the store did not end; it is done anew at the next start")
            }
        });
        Self {
            fault,
            handle,
            thread: Some(thread),
        }
    }

    /// What was found to be wrong.
    pub(super) fn fault(&self) -> Option<&String> {
        self.fault.get()
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        self.handle.interrupt();
        if let Some(thread) = self.thread.take() {
            // It ends at the next page that it looks at.
            let _ = thread.join();
        }
    }
}

fn tables(connection: &Connection) -> rusqlite::Result<Option<String>> {
    let mut names = connection.prepare("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")?;
    let names: Vec<String> = names.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?;
    for name in names {
        let pragma = format!("PRAGMA quick_check(\"{name}\")");
        match first_fault(connection, &pragma) {
            Ok(None) => {}
            Err(error) if is_damage(&error) => return Ok(Some(error.to_string())),
            found => return found,
        }
    }
    Ok(None)
}

fn is_damage(error: &rusqlite::Error) -> bool {
    matches!(
        error.sqlite_error_code(),
        Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase)
    )
}
