//! Lines that cannot be read: counted, the first of them kept as samples.

use super::Place;

/// How many bad lines are named; all are counted.
pub const SAMPLES_MAX: usize = 20;

/// Why one line cannot be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BadLine {
    /// In bytes, from 1; 1 when the whole line is meant.
    pub column: u64,
    /// What is wrong; never repeats content.
    pub what: String,
}

impl BadLine {
    /// The line as a whole.
    pub fn whole(what: impl Into<String>) -> Self {
        Self {
            column: 1,
            what: what.into(),
        }
    }

    /// What serde_json found, at its column. Its category only: its text may repeat content.
    pub fn json(error: &serde_json::Error) -> Self {
        let what = match error.classify() {
            serde_json::error::Category::Data => "not as FHIR has it",
            serde_json::error::Category::Eof => "not JSON: the line ends too early",
            _ => "not JSON",
        };
        Self {
            column: error.column().max(1) as u64,
            what: what.to_owned(),
        }
    }
}

/// One of the first bad lines.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BadSample {
    /// Name of the file.
    pub file: String,
    /// From 1.
    pub line: u64,
    /// In bytes, from 1.
    pub column: u64,
    /// What is wrong; never repeats content.
    pub what: String,
}

/// All bad lines of a scan.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct BadLines {
    /// How many.
    pub count: u64,
    /// The first of them, in the order of the input.
    pub samples: Vec<BadSample>,
}

/// What one worker has met.
#[derive(Default)]
pub(super) struct Tally {
    pub count: u64,
    pub first: Vec<(Place, BadLine)>,
}

impl Tally {
    pub fn add(&mut self, place: Place, bad: BadLine) {
        self.count += 1;
        self.first.push((place, bad));
        // A worker gets its blocks in the order of the input, so the first come first.
        self.first.truncate(SAMPLES_MAX);
    }

    pub fn merge(&mut self, other: Self) {
        self.count += other.count;
        self.first.extend(other.first);
        self.first.sort_by_key(|(place, _)| *place);
        self.first.truncate(SAMPLES_MAX);
    }
}
