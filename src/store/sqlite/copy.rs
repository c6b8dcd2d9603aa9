//! A copy of the whole store as of one moment, also while the service writes.

use crate::store::StoreError;
use rusqlite::{Connection, OpenFlags};
use std::fs::{File, OpenOptions};
use std::path::{Path, PathBuf};

/// Copy the store at `path` to the new file `to`: one moment of it, what stands in its WAL
/// included. The service may run; it is not held up, and this takes no lock of it. Answers the
/// size of the copy in bytes.
///
/// # Errors
/// `CopyExists` when there is such a file, `Copy` when it cannot be written, and whatever is wrong
/// with the store itself.
pub fn backup(path: impl AsRef<Path>, to: impl AsRef<Path>) -> Result<u64, StoreError> {
    let (path, to) = (path.as_ref(), to.as_ref());
    let name = path.display().to_string();
    if to.symlink_metadata().is_ok() {
        return Err(exists(to));
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags)
        .and_then(|connection| super::settle(&connection).map(|()| connection))
        .map_err(|error| StoreError::of_sqlite(&error, &name, "be copied"))?;
    into(&connection, &name, to, false)
}

/// Copy what `connection` sees to `to`; with `replace` an older file of that name gives way.
///
/// The copy grows under another name and gets its own only when it is whole and on the disk, so
/// that a copy that was cut short is never taken for one. `VACUUM INTO` reads in one transaction
/// (<https://www.sqlite.org/lang_vacuum.html#vacuuminto>).
pub(super) fn into(connection: &Connection, path: &str, to: &Path, replace: bool) -> Result<u64, StoreError> {
    let failed = |error: std::io::Error| StoreError::Copy {
        path: to.display().to_string(),
        cause: error.to_string(),
    };
    let growing = beside(to, ".partial");
    // What an earlier copy left when it was cut short.
    match std::fs::remove_file(&growing) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(failed(error)),
        _ => {}
    }
    owner_only_new(&growing).map_err(failed)?;
    let written = vacuum_into(connection, path, &growing, to).and_then(|()| {
        let file = File::open(&growing).map_err(failed)?;
        file.sync_all().map_err(failed)?;
        let bytes = file.metadata().map_err(failed)?.len();
        match replace {
            true => std::fs::rename(&growing, to).map_err(failed)?,
            // A second name, because unlike a rename it is refused when the name is taken.
            false => match std::fs::hard_link(&growing, to) {
                Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => return Err(exists(to)),
                linked => linked.map_err(failed)?,
            },
        }
        sync_folder(to).map_err(failed)?;
        Ok(bytes)
    });
    if !replace || written.is_err() {
        // The other name, or what did not become a copy.
        let _ = std::fs::remove_file(&growing);
    }
    written
}

fn vacuum_into(connection: &Connection, path: &str, growing: &Path, to: &Path) -> Result<(), StoreError> {
    let name = growing.to_str().ok_or_else(|| StoreError::Copy {
        path: to.display().to_string(),
        cause: String::from("its name is not UTF-8"),
    })?;
    let copied = connection.execute("VACUUM INTO ?1", [name]);
    copied
        .map(drop)
        .map_err(|error| match StoreError::of_sqlite(&error, path, "be copied") {
            // These are of the file that is written.
            StoreError::Full { .. } | StoreError::Open { .. } | StoreError::ReadOnly { .. } => StoreError::Copy {
                path: to.display().to_string(),
                cause: error.to_string(),
            },
            other => other,
        })
}

/// `path` with `end` added to its name.
pub(super) fn beside(path: &Path, end: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(end);
    PathBuf::from(name)
}

fn exists(to: &Path) -> StoreError {
    StoreError::CopyExists {
        path: to.display().to_string(),
    }
}

/// A new empty file for its owner only: it will hold patient data.
fn owner_only_new(path: &Path) -> std::io::Result<()> {
    let mut options = OpenOptions::new();
    options.create_new(true).write(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt;
        options.mode(0o600);
    }
    options.open(path).map(drop)
}

/// The name itself must be on the disk too.
fn sync_folder(path: &Path) -> std::io::Result<()> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
    File::open(folder.unwrap_or(Path::new(".")))?.sync_all()
}
