//! Blocks of a regular file, each read on its own.

use super::{BLOCK_BYTES, LINE_BYTES_MAX};
use std::fs;
use std::io;
use std::os::unix::fs::FileExt;
use std::sync::Arc;

/// A part of a file: the lines that begin in it.
#[derive(Clone)]
pub(super) struct Range {
    file: Arc<fs::File>,
    start: u64,
    end: u64,
    /// Where the text begins (behind a byte order mark).
    first: u64,
    size: u64,
}

impl Range {
    pub fn whole(file: Arc<fs::File>, first: u64, size: u64) -> Self {
        Self {
            file,
            start: first,
            end: size,
            first,
            size,
        }
    }

    /// The next block of what is left.
    pub fn take(&mut self) -> Option<Self> {
        if self.start >= self.end {
            return None;
        }
        let end = self.end.min(self.start.saturating_add(BLOCK_BYTES as u64));
        let block = Self { end, ..self.clone() };
        self.start = end;
        Some(block)
    }

    pub fn bytes(&self) -> u64 {
        self.end - self.start
    }
}

/// Up to `start.len()` bytes from the beginning.
pub(super) fn read_start(file: &fs::File, start: &mut [u8]) -> io::Result<usize> {
    let mut known = 0;
    while known < start.len() {
        match file.read_at(&mut start[known..], known as u64)? {
            0 => break,
            read => known += read,
        }
    }
    Ok(known)
}

/// Fill `buffer` with the lines that begin in `range`; the last may lack its newline at the end of the
/// file. A line longer than [`LINE_BYTES_MAX`] is cut there.
pub(super) fn read(range: &Range, buffer: &mut Vec<u8>) -> io::Result<()> {
    // The byte before says whether a line begins with the block.
    let from = if range.start > range.first {
        range.start - 1
    } else {
        range.start
    };
    let length = usize::try_from(range.end - from).unwrap_or(usize::MAX);
    buffer.resize(length, 0);
    range.file.read_exact_at(buffer, from)?;
    if from < range.start {
        match memchr::memchr(b'\n', buffer) {
            // The line that began before is longer than the block: nothing begins here.
            None => {
                buffer.clear();
                return Ok(());
            }
            Some(at) => {
                buffer.copy_within(at + 1.., 0);
                buffer.truncate(length - at - 1);
            }
        }
    }
    // A newline at the very end of the block: the line that begins behind it is the next block's.
    if buffer.is_empty() || buffer.last() == Some(&b'\n') {
        return Ok(());
    }
    complete(range, buffer)
}

/// The rest of the last line, from behind the block.
fn complete(range: &Range, buffer: &mut Vec<u8>) -> io::Result<()> {
    const STEP: usize = 1 << 13;
    let mut at = range.end;
    let line_start = memchr::memrchr(b'\n', buffer).map_or(0, |at| at + 1);
    while at < range.size && buffer.len() - line_start <= LINE_BYTES_MAX {
        let step = usize::try_from(range.size - at).unwrap_or(STEP).min(STEP);
        let known = buffer.len();
        buffer.resize(known + step, 0);
        range.file.read_exact_at(&mut buffer[known..], at)?;
        if let Some(end) = memchr::memchr(b'\n', &buffer[known..]) {
            buffer.truncate(known + end + 1);
            break;
        }
        at += step as u64;
    }
    Ok(())
}
