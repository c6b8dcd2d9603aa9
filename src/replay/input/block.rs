//! Blocks of a regular file, each read on its own.

use super::{BLOCK_BYTES, LINE_BYTES_MAX};
use std::fs;
use std::io;
use std::os::unix::fs::FileExt;
use std::sync::Arc;

/// A part of a file.
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

/// Fill `buffer` with the lines of `range`, from the place that is returned: those that begin behind one
/// of its newlines, and for the first block the first line. So a block is read from its own start: the
/// copy of whole pages is the quickest. The last line may lack its newline at the end of the file. A
/// line longer than [`LINE_BYTES_MAX`] is cut there.
pub(super) fn read(range: &Range, buffer: &mut Vec<u8>) -> io::Result<usize> {
    let length = usize::try_from(range.end - range.start).unwrap_or(usize::MAX);
    buffer.resize(length, 0);
    range.file.read_exact_at(buffer, range.start)?;
    let mut from = 0;
    if range.start > range.first {
        match memchr::memchr(b'\n', buffer) {
            // A line that began before is longer than the block.
            None => return Ok(length),
            Some(at) => from = at + 1,
        }
    }
    complete(range, buffer, from)?;
    Ok(from)
}

/// The rest of the last line, from behind the block.
fn complete(range: &Range, buffer: &mut Vec<u8>, from: usize) -> io::Result<()> {
    const STEP: usize = 1 << 13;
    let mut at = range.end;
    let line_start = memchr::memrchr(b'\n', buffer).map_or(from, |at| at + 1);
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
