//! Arguments → files → lines, in parallel.
//!
//! A regular file that is not compressed is cut into blocks of [`BLOCK_BYTES`], which the workers read
//! each for themselves; a line belongs to the block in which it begins. Anything else (standard
//! input, gzip, zstd) is one stream, from which the workers take turns to fill a block. So a line's
//! number is known only when all blocks before it were counted: a [`Place`] orders lines as they stand
//! in the input, and [`Scanned::line`] says file and number at the end.

mod bad;
mod block;
mod feed;
mod files;
mod progress;
mod scan;

pub use bad::{BadLine, BadLines, BadSample};
pub use files::{File, files};
pub use progress::{Progress, Silent, Terminal};
pub use scan::{Options, Scanned, Worker, scan};

/// How much a worker reads at once: little enough to stay in the cache of its core.
pub const BLOCK_BYTES: usize = 1 << 18;

/// The longest line that is read (16 MiB, as a Bundle of the service); a longer one is a bad line.
pub const LINE_BYTES_MAX: usize = 16 << 20;

/// Where a line stands. Ordered as the input: files as given, lines from first to last.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Place {
    /// Block of the whole input, from 0; a block never holds lines of two files.
    pub block: u32,
    /// Line of the block, from 0.
    pub line: u32,
}
