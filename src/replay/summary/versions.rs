//! Which version of an id counts.

use super::pile::Pile;
use super::row::Version;
use super::spill::Spill;
use crate::replay::ReplayError;
use crate::replay::input::Place;
use std::sync::atomic::{AtomicU64, Ordering};

/// Lines whose readings do not count: one bit for each line of the input.
pub(super) struct Gone(Vec<AtomicU64>);

impl Gone {
    /// None of so many lines.
    pub fn new(lines: u64) -> Self {
        let words = usize::try_from(lines / 64 + 1).unwrap_or(usize::MAX);
        Self((0..words).map(|_| AtomicU64::new(0)).collect())
    }

    fn insert(&self, line: u64) {
        if let Some(word) = usize::try_from(line / 64).ok().and_then(|word| self.0.get(word)) {
            word.fetch_or(1 << (line % 64), Ordering::Relaxed);
        }
    }

    pub fn contains(&self, line: u64) -> bool {
        let word = usize::try_from(line / 64).ok().and_then(|word| self.0.get(word));
        word.is_some_and(|word| word.load(Ordering::Relaxed) >> (line % 64) & 1 == 1)
    }
}

/// What does not count.
#[derive(Clone, Copy, Default)]
pub(super) struct Dropped {
    /// Versions with a newer one; their lines are gone.
    pub superseded: u64,
    /// Newest versions that are entered-in-error.
    pub withdrawn: u64,
}

/// Of all versions of one bucket.
///
/// # Errors
/// When the temporary file cannot be read.
pub(super) fn dropped(
    piles: Vec<Pile<Version>>,
    spill: &Spill,
    line: impl Fn(Place) -> u64,
    gone: &Gone,
) -> Result<Dropped, ReplayError> {
    let mut versions = Vec::with_capacity(piles.iter().map(Pile::len).sum());
    for pile in piles {
        pile.each(spill, |version| versions.push(version))?;
    }
    versions.sort_unstable_by_key(Version::order);
    let mut dropped = Dropped::default();
    for (index, version) in versions.iter().enumerate() {
        if versions.get(index + 1).is_some_and(|next| next.same_id(version)) {
            dropped.superseded += 1;
            gone.insert(line(version.place));
        } else if version.withdrawn() {
            dropped.withdrawn += 1;
        }
    }
    Ok(dropped)
}
