//! What can go wrong in the store: which file, what happened, what to do next.

use rusqlite::ErrorCode;

/// What went wrong in the store, and what to do.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The database file cannot be opened.
    #[error("the store {path} cannot be opened: {cause}; check that the folder exists and that its rights are right")]
    Open {
        /// The file.
        path: String,
        /// The system's words.
        cause: String,
    },
    /// Another process is its writer.
    #[error(
        "the store {path} is in use: another process holds its lock file {lock}; stop that process first, or give this one another store path"
    )]
    InUse {
        /// The file.
        path: String,
        /// The lock file.
        lock: String,
    },
    /// The file, or its file system, may not be written to.
    #[error(
        "the store {path} is read-only ({cause}); give this user the right to write the file and its folder, or mount the file system for writing"
    )]
    ReadOnly {
        /// The file.
        path: String,
        /// The system's words.
        cause: String,
    },
    /// Pages of the file are damaged, or it is no database.
    #[error(
        "the store {path} is damaged ({cause}): set it aside as it is and restore a backup (one is made with: deltaward store backup FILE), then start again; look at the disk before you trust it"
    )]
    Corrupt {
        /// The file.
        path: String,
        /// What SQLite found.
        cause: String,
    },
    /// A file of the store is not the one that was opened.
    #[error(
        "the store {path} was removed, replaced or cut ({cause}): nothing is taken in until the files are back; stop the service, put them back together (or a backup without the old -wal and -shm), then start again"
    )]
    Moved {
        /// The file.
        path: String,
        /// Which file, and what is wrong with it.
        cause: String,
    },
    /// Written by a newer version of this program.
    #[error(
        "the store {path} has schema version {found}, this program knows up to {known}; run the newer program, or restore a backup from before it"
    )]
    Newer {
        /// The file.
        path: String,
        /// In the file.
        found: i64,
        /// Known here.
        known: i64,
    },
    /// Written by an older version of this program, where nothing may be changed.
    #[error(
        "the store {path} has schema version {found}, this program reads {known}; start the service once (deltaward run), which brings it up to date and keeps a copy"
    )]
    Older {
        /// The file.
        path: String,
        /// In the file.
        found: i64,
        /// Known here.
        known: i64,
    },
    /// No room is left.
    #[error(
        "the store {path} could not {action}: the disk is full; free space on its file system, nothing else is needed"
    )]
    Full {
        /// The file.
        path: String,
        /// Which named transaction.
        action: &'static str,
    },
    /// The disk failed.
    #[error(
        "the store {path} could not {action}: the disk does not read or write ({cause}); look at the system log, the mount and its quota"
    )]
    Disk {
        /// The file.
        path: String,
        /// Which named transaction or query.
        action: &'static str,
        /// SQLite's words.
        cause: String,
    },
    /// Another connection kept it locked longer than is waited for.
    #[error(
        "the store {path} could not {action}: another program keeps it locked; end what else has the file open (a shell, a copy under way)"
    )]
    Busy {
        /// The file.
        path: String,
        /// Which named transaction or query.
        action: &'static str,
    },
    /// A statement failed in another way.
    #[error("the store could not {action}: {cause}")]
    Statement {
        /// Which named transaction or query.
        action: &'static str,
        /// SQLite's words, or ours.
        cause: String,
    },
    /// A row does not decode.
    #[error("the store holds a row that cannot be read ({what}): {cause}; restore a backup and report this")]
    Decode {
        /// Which.
        what: String,
        /// Why.
        cause: String,
    },
    /// A copy is never written over another file.
    #[error("{path} exists; a copy of the store is never written over a file: name another, or move that one away")]
    CopyExists {
        /// The file that was to be written.
        path: String,
    },
    /// A copy could not be written.
    #[error("the copy {path} could not be written: {cause}; check the folder, its rights and its space")]
    Copy {
        /// The file that was to be written.
        path: String,
        /// The system's words.
        cause: String,
    },
}

impl StoreError {
    /// SQLite's error by its primary result code (<https://www.sqlite.org/rescode.html>).
    pub(super) fn of_sqlite(error: &rusqlite::Error, path: &str, action: &'static str) -> Self {
        let (path, cause) = (path.to_owned(), error.to_string());
        match error.sqlite_error_code() {
            Some(ErrorCode::DiskFull) => Self::Full { path, action },
            Some(ErrorCode::SystemIoFailure) => Self::Disk { path, action, cause },
            Some(ErrorCode::ReadOnly) => Self::ReadOnly { path, cause },
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::Busy { path, action },
            Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => Self::Corrupt { path, cause },
            Some(ErrorCode::CannotOpen | ErrorCode::PermissionDenied) => Self::Open { path, cause },
            _ => Self::Statement { action, cause },
        }
    }

    /// What is wrong in a few words without a path: for health, metrics and answers.
    pub fn reason(&self) -> &'static str {
        match self {
            Self::Open { .. } => "the store cannot be opened",
            Self::InUse { .. } => "another process uses the store",
            Self::ReadOnly { .. } => "the store is read-only",
            Self::Corrupt { .. } => "the store is damaged: restore a backup",
            Self::Moved { .. } => "the files of the store were removed, replaced or cut",
            Self::Newer { .. } | Self::Older { .. } => "the store has another schema version",
            Self::Full { .. } => "the disk of the store is full",
            Self::Disk { .. } => "the disk of the store does not read or write",
            Self::Busy { .. } => "another program keeps the store locked",
            Self::Statement { .. } => "the store refused a statement",
            Self::Decode { .. } => "the store holds a row that cannot be read",
            Self::CopyExists { .. } | Self::Copy { .. } => "a copy of the store could not be written",
        }
    }
}
