//! The store's files are where they were opened. SQLite goes on writing to a file that was removed
//! or replaced ("How To Corrupt An SQLite Database File" §2.4, unlinking or renaming while in use,
//! <https://www.sqlite.org/howtocorrupt.html>): what is acknowledged then is gone at the next start.

use super::super::StoreError;
use std::fs::Metadata;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

/// The files of an open store, as they were when it was opened.
pub(super) struct Place {
    files: Vec<(PathBuf, Identity)>,
    store: PathBuf,
    /// It never shrinks while it is open.
    bytes: u64,
}

/// Device and inode.
type Identity = (u64, u64);

impl Place {
    /// Of the store at `path`, after its first write: then its WAL file is there.
    pub(super) fn of(path: &Path) -> Result<Self, StoreError> {
        let lacks = |file: &Path, error: &std::io::Error| StoreError::Open {
            path: file.display().to_string(),
            cause: error.to_string(),
        };
        let mut files = Vec::new();
        for file in [
            path.to_owned(),
            beside(path, "-wal"),
            beside(path, "-shm"),
            beside(path, ".lock"),
        ] {
            let found = std::fs::metadata(&file).map_err(|error| lacks(&file, &error))?;
            files.push((file, identity(&found)));
        }
        let bytes = std::fs::metadata(path).map_err(|error| lacks(path, &error))?.len();
        Ok(Self {
            files,
            store: path.to_owned(),
            bytes,
        })
    }

    /// Each file is the one that was opened.
    ///
    /// # Errors
    /// `Moved` when one was removed, replaced or cut.
    pub(super) fn look(&self) -> Result<(), StoreError> {
        for (file, opened) in &self.files {
            let cause = match std::fs::metadata(file) {
                Err(error) => format!("{} is not there ({error})", file.display()),
                Ok(found) if identity(&found) != *opened => format!("{} is another file now", file.display()),
                Ok(found) if *file == self.store && found.len() < self.bytes => {
                    format!("{} was cut to {} bytes", file.display(), found.len())
                }
                Ok(_) => continue,
            };
            return Err(StoreError::Moved {
                path: self.store.display().to_string(),
                cause,
            });
        }
        Ok(())
    }
}

/// A WAL file with something in it beside a store that is missing or empty belongs to a store that was
/// taken away: a new one would hide what it holds.
///
/// # Errors
/// `Moved`, and nothing is touched.
pub(super) fn refuse_orphaned_wal(path: &Path) -> Result<(), StoreError> {
    let bytes = |file: &Path| std::fs::metadata(file).map_or(0, |found| found.len());
    let wal = beside(path, "-wal");
    if bytes(path) > 0 || bytes(&wal) == 0 {
        return Ok(());
    }
    Err(StoreError::Moved {
        path: path.display().to_string(),
        cause: format!("it is missing or empty, but {} holds commits of it", wal.display()),
    })
}

fn identity(found: &Metadata) -> Identity {
    (found.dev(), found.ino())
}

fn beside(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}
