//! Every line of every file, once, on several threads.

use super::bad::{BadLine, BadLines, BadSample, Tally};
use super::feed::{Feed, Given};
use super::files::File;
use super::progress::Progress;
use super::{BLOCK_BYTES, LINE_BYTES_MAX, Place};
use crate::replay::ReplayError;
use std::thread;

/// How to scan.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Options {
    /// Workers; 0: as many as the machine has processors for this process.
    pub threads: usize,
    /// The first bad line (in the order of the input) ends the scan.
    pub strict: bool,
}

/// What looks at the lines. Each thread has one of its own.
pub trait Worker: Send {
    /// What is left of it at the end.
    type Out: Send;

    /// One line that is not blank: valid UTF-8 is not yet known. A worker sees the lines that it
    /// gets in the order of the input; other workers see those between.
    ///
    /// # Errors
    /// When the line is bad; it is counted, and the scan goes on unless it is strict.
    fn line(&mut self, place: Place, line: &[u8]) -> Result<(), BadLine>;

    /// There are no more.
    fn finish(self) -> Self::Out;
}

/// What a scan leaves.
#[derive(Debug)]
pub struct Scanned<T> {
    /// Of each worker.
    pub outs: Vec<T>,
    /// Lines, blank and bad ones too.
    pub lines: u64,
    /// Lines that could not be read.
    pub bad: BadLines,
    /// Where each block stands, in order.
    blocks: Vec<Block>,
}

/// Where a block stands.
#[derive(Clone, Copy, Debug)]
struct Block {
    block: u32,
    file: usize,
    /// Lines of the file before this block.
    lines_before: u64,
    /// Lines of the whole input before it.
    all_before: u64,
}

impl<T> Scanned<T> {
    /// The file (index into those that were scanned) and the number of the line in it, from 1.
    pub fn line(&self, place: Place) -> (usize, u64) {
        line(&self.blocks, place)
    }

    /// Which line of the whole input it is, from 0.
    pub fn ordinal(&self, place: Place) -> u64 {
        // Blocks are numbered one by one.
        let block = self.blocks.get(place.block as usize);
        block.map_or(0, |block| block.all_before) + u64::from(place.line)
    }
}

/// Every line of `files`; `make` is called once for each thread.
///
/// # Errors
/// When a file cannot be read; when a line is bad and `options.strict`.
pub fn scan<W: Worker>(
    files: &[File],
    options: Options,
    progress: &dyn Progress,
    make: impl Fn() -> W + Sync,
) -> Result<Scanned<W::Out>, ReplayError> {
    let feed = Feed::new(files, progress);
    let threads = match options.threads {
        0 => thread::available_parallelism().map_or(1, usize::from),
        threads => threads,
    };
    let ends = thread::scope(|scope| {
        let work = || work(&feed, options.strict, make());
        let workers: Vec<_> = (0..threads).map(|_| scope.spawn(work)).collect();
        // All are joined before anything is judged.
        workers
            .into_iter()
            .map(thread::ScopedJoinHandle::join)
            .collect::<Vec<_>>()
    });
    let mut outs = Vec::with_capacity(threads);
    let mut tally = Tally::default();
    let mut blocks: Vec<(Given, u32)> = Vec::new();
    for end in ends {
        let end = end.map_err(|_| ReplayError::Worker)??;
        outs.push(end.out);
        tally.merge(end.tally);
        blocks.extend(end.blocks);
    }
    progress.finish();
    let (lines, blocks) = in_order(blocks);
    let mut samples = tally.first.into_iter().map(|(place, bad)| {
        let (file, line) = line(&blocks, place);
        BadSample {
            file: files.get(file).map(|file| file.name.clone()).unwrap_or_default(),
            line,
            column: bad.column,
            what: bad.what,
        }
    });
    if options.strict
        && let Some(BadSample {
            file,
            line,
            column,
            what,
        }) = samples.next()
    {
        return Err(ReplayError::BadLine {
            file,
            line,
            column,
            what,
        });
    }
    let bad = BadLines {
        count: tally.count,
        samples: samples.collect(),
    };
    Ok(Scanned {
        outs,
        lines,
        bad,
        blocks,
    })
}

struct End<T> {
    out: T,
    tally: Tally,
    /// Lines of each block that was worked on.
    blocks: Vec<(Given, u32)>,
}

fn work<W: Worker>(feed: &Feed<'_>, strict: bool, mut worker: W) -> Result<End<W::Out>, ReplayError> {
    let mut buffer = Vec::with_capacity(BLOCK_BYTES + BLOCK_BYTES / 8);
    let mut tally = Tally::default();
    let mut blocks = Vec::new();
    loop {
        // When one fails the others need not go on.
        let given = feed.next(&mut buffer).inspect_err(|_| feed.end())?;
        let Some(given) = given else { break };
        let text = buffer.get(given.from..).unwrap_or_default();
        let lines = block(&mut worker, given, text, &mut tally);
        blocks.push((given, lines));
        // Blocks are handed out in order: what comes before the first bad line is in work or done.
        if strict && tally.count > 0 {
            feed.end();
        }
    }
    Ok(End {
        out: worker.finish(),
        tally,
        blocks,
    })
}

/// Every line of a block; how many there were.
fn block<W: Worker>(worker: &mut W, given: Given, text: &[u8], tally: &mut Tally) -> u32 {
    let mut number = 0;
    let mut start = 0;
    while start < text.len() {
        let end = memchr::memchr(b'\n', &text[start..]).map_or(text.len(), |at| start + at);
        let line = &text[start..end];
        let place = Place {
            block: given.block,
            line: number,
        };
        let outcome = if line.len() > LINE_BYTES_MAX {
            let most = LINE_BYTES_MAX >> 20;
            Err(BadLine::whole(format!("the line is longer than {most} MiB")))
        } else if line.first().is_none_or(u8::is_ascii_whitespace) && line.trim_ascii().is_empty() {
            Ok(())
        } else {
            worker.line(place, line)
        };
        if let Err(bad) = outcome {
            tally.add(place, bad);
        }
        number += 1;
        start = end + 1;
    }
    number
}

/// All lines, and where each block stands.
fn in_order(mut counted: Vec<(Given, u32)>) -> (u64, Vec<Block>) {
    counted.sort_unstable_by_key(|(given, _)| given.block);
    let (mut all, mut of_file) = (0, 0);
    let mut blocks: Vec<Block> = Vec::with_capacity(counted.len());
    for (given, lines) in counted {
        if blocks.last().is_none_or(|last| last.file != given.file) {
            of_file = 0;
        }
        blocks.push(Block {
            block: given.block,
            file: given.file,
            lines_before: of_file,
            all_before: all,
        });
        of_file += u64::from(lines);
        all += u64::from(lines);
    }
    (all, blocks)
}

fn line(blocks: &[Block], place: Place) -> (usize, u64) {
    let index = blocks.partition_point(|block| block.block < place.block);
    let (file, before) = blocks
        .get(index)
        .map_or((0, 0), |block| (block.file, block.lines_before));
    (file, before + u64::from(place.line) + 1)
}
