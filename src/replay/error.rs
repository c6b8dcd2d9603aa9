//! What can go wrong with the input as a whole. A single bad line is no error but a
//! [`super::input::BadLine`], unless it was asked to be one.

/// Why a replay ends without an answer.
#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    /// No argument at all.
    #[error("nothing to read: name files, folders, patterns such as 'export/*.ndjson', or - for standard input")]
    NothingNamed,
    /// An argument that leads to no file.
    #[error("{0}: no such file or folder, and no file matches it as a pattern; check the path")]
    NoMatch(String),
    /// A folder without a file of the expected name.
    #[error("{0}: the folder holds no .ndjson or .jsonl file (.gz and .zst of them count too); name files one by one")]
    EmptyFolder(String),
    /// Not a pattern.
    #[error("{pattern}: not a pattern for files: {what}")]
    Pattern {
        /// The argument.
        pattern: String,
        /// What is wrong with it.
        what: String,
    },
    /// The system refused.
    #[error("{file}: cannot be read: {cause}; nothing was answered")]
    Read {
        /// Which file.
        file: String,
        /// What the system said.
        cause: std::io::Error,
    },
    /// The temporary file of what exceeds memory.
    #[error(
        "the temporary file failed: {cause}; see that the folder for temporary files (TMPDIR) is there and has room, or raise --memory-mib"
    )]
    Temporary {
        /// What the system said.
        cause: std::io::Error,
    },
    /// A regular file ended before the size that it had at the start.
    #[error("{file}: became shorter while it was read; replay a copy that nobody writes to")]
    Shrunk {
        /// Which file.
        file: String,
    },
    /// More of something than can be counted.
    #[error("{file}: more than {most} {what}; replay it in parts")]
    TooMany {
        /// Which file.
        file: String,
        /// The bound.
        most: u64,
        /// Of what.
        what: &'static str,
    },
    /// A bad line where none is tolerated.
    #[error("{file}: line {line}, column {column}: {what}; without --strict such a line is counted and left out")]
    BadLine {
        /// Which file.
        file: String,
        /// From 1.
        line: u64,
        /// In bytes, from 1; 1 when the whole line is meant.
        column: u64,
        /// What is wrong; never repeats content.
        what: String,
    },
    /// Two patients whose references have one 64-bit hash: not to be expected in the life of a hospital.
    #[error("two references to patients share one hash, so they cannot be told apart; replay the input in parts")]
    SharedHash,
    /// A worker ended by a panic: a fault of this program.
    #[error("a worker of the replay failed; this is a fault of the program, please report it")]
    Worker,
    /// A file of labels that cannot be used.
    #[error("{file}: {cause}")]
    Labels {
        /// Which file.
        file: String,
        /// Where, what is wrong and what to do.
        cause: super::labels::LabelsError,
    },
    /// A sweep that cannot be run.
    #[error(transparent)]
    Sweep(#[from] super::sweep::SweepError),
    /// A file of labels that cannot be read.
    #[error("--labels {file}: cannot be read: {what}; give a CSV file with patient, outcome and, if known, time")]
    NoLabels {
        /// Which file.
        file: String,
        /// What the system said.
        what: String,
    },
    /// An output that is an input, or another output.
    #[error("{output} and {other} are one file: nothing was read or written; give the output a name of its own")]
    SameFile {
        /// What would be written.
        output: String,
        /// What it would overwrite.
        other: String,
    },
    /// What was found cannot be written.
    #[error("{file}: cannot be written: {what}; check that the folder exists and has room")]
    Write {
        /// Which file.
        file: String,
        /// What the system said.
        what: String,
    },
}

impl ReplayError {
    /// True when the arguments are at fault, or a file that they name for settings.
    pub const fn is_usage(&self) -> bool {
        matches!(
            self,
            Self::NothingNamed
                | Self::NoMatch(_)
                | Self::EmptyFolder(_)
                | Self::Pattern { .. }
                | Self::Labels { .. }
                | Self::NoLabels { .. }
                | Self::SameFile { .. }
                | Self::Sweep(_)
        )
    }
}
