//! The plain answer: which deltas are low, counted so that any tool that joins tables by time can check it.
//!
//! It knows no rule sheet and no site beyond what the source says. What it counts:
//! - An Observation or a component whose code the mapping calls a compartment pressure or a diastolic is a
//!   reading. `patient` is `subject.reference` and `site` the code of bodySite's first coding, both as
//!   the source has them (no bodySite: an empty site).
//! - Of several versions of one id the newest `meta.lastUpdated` counts; of equal ones the greater
//!   number in `meta.versionId`, then the later line. None at all is older than any.
//! - A version that is entered-in-error counts as withdrawn and gives no reading.
//! - Values become mm\[Hg\] by UCUM's factors, rounded to 0.001 with a half away from zero, and are
//!   then exact. A low delta is at most 30.000 mmHg.
//! - Of several diastolics of one time the newest lastUpdated counts, then the lower value.
//!
//! What cannot be used (no patient, no moment, no known unit, a comparator) is counted under its reason.
//!
//! Of each Observation 32 bytes are kept, and 40 of each reading. What exceeds `memory_bytes` lies in an
//! unnamed temporary file: then memory grows with the patients, and by one bit for each line.

mod answer;
mod pair;
mod pile;
mod read;
mod row;
mod spill;
mod versions;

pub use answer::Summary;

use super::ReplayError;
use super::input::{self, File, Progress};
use crate::fhir::Instant;
use crate::recognise::Mapping;
use spill::Spill;

/// Which diastolic of the window belongs to a compartment pressure.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Pairing {
    /// The latest.
    #[default]
    Latest,
    /// The nearest in time; of two as near the later.
    Nearest,
}

/// What is asked.
#[derive(Clone, Debug)]
pub struct Options {
    /// How the input is read.
    pub scan: input::Options,
    /// How old a diastolic may be, in minutes, inclusive.
    pub before_minutes: u32,
    /// How much later than the compartment pressure it may be, in minutes, inclusive.
    pub after_minutes: u32,
    /// Which of those.
    pub pairing: Pairing,
    /// Versions of later than this are not seen; without a lastUpdated, those measured later.
    pub as_of: Option<Instant>,
    /// So much of what is read may stay in memory; the rest goes to a temporary file.
    pub memory_bytes: u64,
}

/// Read everything and answer.
///
/// # Errors
/// When a file cannot be read, a line is bad and the scan is strict, or the temporary file fails.
pub fn summary(
    files: &[File],
    mapping: &Mapping,
    options: &Options,
    progress: &dyn Progress,
) -> Result<Summary, ReplayError> {
    let spill = Spill::new(options.memory_bytes);
    let scanned = input::scan(files, options.scan, progress, || {
        read::Reader::new(mapping, options.as_of, &spill)
    })?;
    answer::answer(scanned, options, &spill)
}
