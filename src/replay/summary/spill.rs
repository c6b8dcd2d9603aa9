//! What does not fit into the memory that was allowed: an unnamed temporary file.
//!
//! Only hashes, times and numbers go into it, and it vanishes with the process.

use crate::replay::ReplayError;
use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, OnceLock, PoisonError};

/// Shared by all workers.
pub(super) struct Spill {
    /// Bytes of full pieces that may stay in memory.
    most: u64,
    held: AtomicU64,
    file: OnceLock<File>,
    /// Where the next piece goes.
    end: AtomicU64,
    /// The first error: the answer would be wrong.
    error: Mutex<Option<io::Error>>,
}

impl Spill {
    /// So much may stay in memory.
    pub fn new(most: u64) -> Self {
        Self {
            most,
            held: AtomicU64::new(0),
            file: OnceLock::new(),
            end: AtomicU64::new(0),
            error: Mutex::new(None),
        }
    }

    /// True when so many more bytes may stay in memory.
    pub fn has_room(&self, bytes: u64) -> bool {
        let room = self.held.load(Ordering::Relaxed) + bytes <= self.most;
        if room {
            self.held.fetch_add(bytes, Ordering::Relaxed);
        }
        room
    }

    /// Write it; where it stands.
    pub fn write(&self, bytes: &[u8]) -> u64 {
        let at = self.end.fetch_add(bytes.len() as u64, Ordering::Relaxed);
        let written = self.file().and_then(|file| file.write_all_at(bytes, at));
        if let Err(error) = written {
            let mut first = self.error.lock().unwrap_or_else(PoisonError::into_inner);
            first.get_or_insert(error);
        }
        at
    }

    /// Fill `bytes` from there.
    pub fn read(&self, bytes: &mut [u8], at: u64) -> Result<(), ReplayError> {
        let read = self.file().and_then(|file| file.read_exact_at(bytes, at));
        read.map_err(|cause| ReplayError::Temporary { cause })
    }

    /// # Errors
    /// When something could not be written.
    pub fn check(&self) -> Result<(), ReplayError> {
        let error = self.error.lock().unwrap_or_else(PoisonError::into_inner).take();
        error.map_or(Ok(()), |cause| Err(ReplayError::Temporary { cause }))
    }

    fn file(&self) -> io::Result<&File> {
        if let Some(file) = self.file.get() {
            return Ok(file);
        }
        let made = tempfile::tempfile()?;
        Ok(self.file.get_or_init(|| made))
    }
}
