//! Hands out the input block by block, in order, to whichever worker asks.

use super::block::{self, Range};
use super::files::File;
use super::progress::Progress;
use super::{BLOCK_BYTES, LINE_BYTES_MAX};
use crate::replay::ReplayError;
use std::fs;
use std::io::{self, Read};
use std::sync::{Arc, Mutex, PoisonError};

/// First bytes of a gzip member (RFC 1952) and of a zstd frame (RFC 8878).
const GZIP: [u8; 2] = [0x1f, 0x8b];
const ZSTD: [u8; 4] = [0x28, 0xb5, 0x2f, 0xfd];
/// UTF-8's byte order mark, which some programs put at the start of a file.
const MARK: [u8; 3] = [0xef, 0xbb, 0xbf];

/// Which block a worker holds.
#[derive(Clone, Copy)]
pub(super) struct Given {
    /// Index of its file.
    pub file: usize,
    /// Of the whole input, from 0.
    pub block: u32,
    /// Where in the buffer its first line begins.
    pub from: usize,
}

pub(super) struct Feed<'a> {
    files: &'a [File],
    progress: &'a dyn Progress,
    state: Mutex<State>,
}

#[derive(Default)]
struct State {
    /// Index of the file after the open one.
    next_file: usize,
    open: Option<Open>,
    /// Blocks handed out.
    blocks: u32,
    ended: bool,
}

enum Open {
    Plain(Range),
    Stream(Stream),
}

/// What can only be read from front to back.
struct Stream {
    reader: Box<dyn Read + Send>,
    /// The beginning of a line whose end was not yet read.
    carry: Vec<u8>,
}

impl<'a> Feed<'a> {
    pub fn new(files: &'a [File], progress: &'a dyn Progress) -> Self {
        Self {
            files,
            progress,
            state: Mutex::default(),
        }
    }

    /// No more blocks for anybody.
    pub fn end(&self) {
        self.state.lock().unwrap_or_else(PoisonError::into_inner).ended = true;
    }

    /// Fill `buffer` with the next block: whole lines from [`Given::from`], the last with or without its newline.
    pub fn next(&self, buffer: &mut Vec<u8>) -> Result<Option<Given>, ReplayError> {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        while !state.ended {
            let index = state.next_file.wrapping_sub(1);
            let mut given = Given {
                file: index,
                block: state.blocks,
                from: 0,
            };
            let filled = match &mut state.open {
                None => {
                    let Some(file) = self.files.get(state.next_file) else {
                        break;
                    };
                    state.open = Some(self.open(file)?);
                    state.next_file += 1;
                    continue;
                }
                Some(Open::Plain(range)) => range.take().map(Some),
                Some(Open::Stream(stream)) => stream
                    .fill(buffer)
                    .map_err(|source| self.read_error(index, source))?
                    .then_some(None),
            };
            let Some(range) = filled else {
                state.open = None;
                continue;
            };
            state.blocks = state.blocks.checked_add(1).ok_or_else(|| ReplayError::TooMany {
                file: self.name(index),
                most: u64::from(u32::MAX),
                what: "blocks",
            })?;
            drop(state);
            if let Some(range) = range {
                given.from = self.read(index, &range, buffer)?;
            }
            return Ok(Some(given));
        }
        Ok(None)
    }

    fn read(&self, index: usize, range: &Range, buffer: &mut Vec<u8>) -> Result<usize, ReplayError> {
        let from = match block::read(range, buffer) {
            Ok(from) => from,
            Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => {
                return Err(ReplayError::Shrunk { file: self.name(index) });
            }
            Err(source) => return Err(self.read_error(index, source)),
        };
        self.progress.advance(range.bytes());
        Ok(from)
    }

    fn name(&self, index: usize) -> String {
        self.files.get(index).map(|file| file.name.clone()).unwrap_or_default()
    }

    fn read_error(&self, index: usize, source: io::Error) -> ReplayError {
        ReplayError::Read {
            file: self.name(index),
            cause: source,
        }
    }

    fn open(&self, file: &File) -> Result<Open, ReplayError> {
        self.open_io(file).map_err(|cause| ReplayError::Read {
            file: file.name.clone(),
            cause,
        })
    }

    fn open_io(&self, file: &File) -> io::Result<Open> {
        let Some(path) = &file.path else {
            return stream(Box::new(io::stdin()), self.progress.counter());
        };
        let opened = fs::File::open(path)?;
        let metadata = opened.metadata()?;
        if metadata.is_file() {
            let mut start = [0; 4];
            let known = block::read_start(&opened, &mut start)?;
            if !is_compressed(&start[..known]) {
                let skipped = if start[..known].starts_with(&MARK) {
                    MARK.len()
                } else {
                    0
                };
                return Ok(Open::Plain(Range::whole(
                    Arc::new(opened),
                    skipped as u64,
                    metadata.len(),
                )));
            }
        }
        stream(Box::new(opened), self.progress.counter())
    }
}

fn is_compressed(start: &[u8]) -> bool {
    start.starts_with(&GZIP) || start.starts_with(&ZSTD)
}

/// What comes out of a stream, whatever it is compressed with.
fn stream(reader: Box<dyn Read + Send>, counter: Arc<dyn Fn(u64) + Send + Sync>) -> io::Result<Open> {
    let mut reader = Counted { reader, counter };
    let mut start = Vec::with_capacity(ZSTD.len());
    reader.by_ref().take(ZSTD.len() as u64).read_to_end(&mut start)?;
    let (gzip, zstd) = (start.starts_with(&GZIP), start.starts_with(&ZSTD));
    let whole = io::Cursor::new(start).chain(reader);
    let mut reader: Box<dyn Read + Send> = match (gzip, zstd) {
        (true, _) => Box::new(flate2::read::MultiGzDecoder::new(io::BufReader::with_capacity(
            1 << 16,
            whole,
        ))),
        (_, true) => Box::new(zstd::Decoder::new(whole)?),
        _ => Box::new(whole),
    };
    let mut carry = Vec::new();
    reader.by_ref().take(MARK.len() as u64).read_to_end(&mut carry)?;
    if carry == MARK {
        carry.clear();
    }
    Ok(Open::Stream(Stream { reader, carry }))
}

/// Tells how much was read, before it is decompressed.
struct Counted {
    reader: Box<dyn Read + Send>,
    counter: Arc<dyn Fn(u64) + Send + Sync>,
}

impl Read for Counted {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.reader.read(buffer)?;
        (self.counter)(read as u64);
        Ok(read)
    }
}

impl Stream {
    /// Fill `buffer` up to the last newline within a block; false at the end.
    fn fill(&mut self, buffer: &mut Vec<u8>) -> io::Result<bool> {
        buffer.clear();
        buffer.append(&mut self.carry);
        loop {
            let wanted = BLOCK_BYTES;
            let read = self.reader.by_ref().take(wanted as u64).read_to_end(buffer)?;
            if read < wanted {
                return Ok(!buffer.is_empty());
            }
            if let Some(at) = memchr::memrchr(b'\n', buffer) {
                self.carry.extend_from_slice(&buffer[at + 1..]);
                buffer.truncate(at + 1);
                return Ok(true);
            }
            if buffer.len() > LINE_BYTES_MAX {
                self.drop_rest_of_line(buffer)?;
                return Ok(true);
            }
        }
    }

    /// The line is too long: what is in `buffer` is enough to say so.
    fn drop_rest_of_line(&mut self, buffer: &mut Vec<u8>) -> io::Result<()> {
        let mut piece = Vec::new();
        loop {
            piece.clear();
            let read = self.reader.by_ref().take(BLOCK_BYTES as u64).read_to_end(&mut piece)?;
            if let Some(at) = memchr::memchr(b'\n', &piece) {
                self.carry.extend_from_slice(&piece[at + 1..]);
                break;
            }
            if read < BLOCK_BYTES {
                break;
            }
        }
        buffer.push(b'\n');
        Ok(())
    }
}
