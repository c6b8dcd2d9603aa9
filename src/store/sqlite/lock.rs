//! One writer: the lock that a process holds as long as its store lives.

use crate::store::StoreError;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// The exclusive advisory lock beside the database, or why it cannot be had.
///
/// A file of its own, `<path>.lock`, because a lock on the database itself would not do: SQLite's
/// exclusive mode shuts out our readers and a backup, its WAL mode has no lock that lasts from one
/// transaction to the next (<https://www.sqlite.org/wal.html#concurrency>), and closing any
/// descriptor of the database would drop the POSIX locks that SQLite holds on it
/// (<https://www.sqlite.org/howtocorrupt.html>, section 2.2). The system drops the lock with the
/// process, however it ends; the file stays and means nothing by itself.
pub(super) fn hold(path: &Path) -> Result<File, StoreError> {
    let mut name = path.as_os_str().to_owned();
    name.push(".lock");
    let name = PathBuf::from(name);
    let failed = |what: &str, error: std::io::Error| {
        let cause = format!("the lock file {} cannot be {what} ({error})", name.display());
        refused(path, &error, cause)
    };
    let file = OpenOptions::new()
        .create(true)
        .truncate(false)
        .write(true)
        .open(&name)
        .map_err(|error| failed("opened", error))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(StoreError::InUse {
            path: path.display().to_string(),
            lock: name.display().to_string(),
        }),
        Err(TryLockError::Error(error)) => Err(failed("locked", error)),
    }
}

/// Create the database file readable and writable by its owner only: it holds patient data.
/// SQLite gives its WAL files the same mode.
pub(super) fn owner_only(path: &Path) -> Result<(), StoreError> {
    let mut options = OpenOptions::new();
    options.create(true).truncate(false).write(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt;
        options.mode(0o600);
    }
    let opened = options.open(path);
    opened.map(drop).map_err(|error| {
        let cause = error.to_string();
        refused(path, &error, cause)
    })
}

fn refused(path: &Path, error: &std::io::Error, cause: String) -> StoreError {
    let path = path.display().to_string();
    match error.kind() {
        ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => StoreError::ReadOnly { path, cause },
        _ => StoreError::Open { path, cause },
    }
}
