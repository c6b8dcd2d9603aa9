//! Which version of an id counts.

use super::pile::Pile;
use super::row::Version;
use crate::replay::input::Place;

/// What does not count.
#[derive(Default)]
pub(super) struct Dropped {
    /// Versions with a newer one.
    pub superseded: u64,
    /// Newest versions that are entered-in-error.
    pub withdrawn: u64,
    /// Where the superseded stand.
    pub places: Vec<Place>,
}

/// Of all versions of one bucket.
pub(super) fn dropped(piles: Vec<Pile<Version>>) -> Dropped {
    let mut versions = Vec::with_capacity(piles.iter().map(Pile::len).sum());
    for pile in piles {
        versions.extend(pile.into_items());
    }
    versions.sort_unstable_by_key(Version::order);
    let mut dropped = Dropped::default();
    for (index, version) in versions.iter().enumerate() {
        if versions.get(index + 1).is_some_and(|next| next.same_id(version)) {
            dropped.superseded += 1;
            dropped.places.push(version.place);
        } else if version.withdrawn() {
            dropped.withdrawn += 1;
        }
    }
    dropped
}
