//! What is kept of a line: one [`Version`], and one [`Row`] for each reading. Both lie in buckets by
//! their hash, so that a bucket can be judged by itself.

use crate::fhir::Instant;
use crate::replay::input::Place;

/// Number of buckets; a power of two.
pub(super) const BUCKETS: usize = 1 << BUCKET_BITS;
const BUCKET_BITS: u32 = 7;

/// The bucket of a hash.
pub(super) const fn bucket(hash: u64) -> usize {
    (hash >> (u64::BITS - BUCKET_BITS)) as usize
}

/// One version of one Observation.
///
/// Ids are known by 79 bits of their hash: among ten million the chance that any two share them is
/// about one in ten thousand million.
#[derive(Clone, Copy)]
// 28 bytes in the place of 32.
#[repr(Rust, packed(4))]
pub(super) struct Version {
    /// Hash of the id.
    pub hash: u64,
    /// 15 further bits of the hash, then lastUpdated; see [`moment`].
    hash_and_updated: u64,
    /// Where it stands.
    pub place: Place,
    /// versionId, then one bit: entered-in-error.
    number_and_withdrawn: u32,
}

/// Bits that any lastUpdated of the years 1 to 9999 needs, in milliseconds.
const MOMENT_BITS: u32 = 49;
/// Before the year 1 in every zone, in milliseconds since 1970.
const FIRST_MILLIS: i64 = -62_135_700_000_000;

/// lastUpdated as a number that grows with it; 0 when there is none.
pub(super) fn moment(updated: Option<Instant>) -> u64 {
    let Some(updated) = updated else { return 0 };
    let since = updated.millis().saturating_sub(FIRST_MILLIS);
    u64::try_from(since).unwrap_or(0).clamp(1, (1 << MOMENT_BITS) - 1)
}

impl Version {
    pub fn new(hash: u128, updated: u64, number: u32, withdrawn: bool, place: Place) -> Self {
        // The halves of the hash; the casts cut.
        let (high, low) = ((hash >> 64) as u64, hash as u64);
        Self {
            hash: high,
            hash_and_updated: (low << MOMENT_BITS) | updated,
            place,
            number_and_withdrawn: (number.min(u32::MAX >> 1) << 1) | u32::from(withdrawn),
        }
    }

    /// By id, and of one id the version that counts last.
    pub fn order(&self) -> (u64, u64, u32, Place) {
        (
            self.hash,
            self.hash_and_updated,
            self.number_and_withdrawn >> 1,
            self.place,
        )
    }

    pub fn same_id(&self, other: &Self) -> bool {
        self.hash == other.hash && (self.hash_and_updated ^ other.hash_and_updated) >> MOMENT_BITS == 0
    }

    pub const fn withdrawn(&self) -> bool {
        self.number_and_withdrawn & 1 == 1
    }
}

/// One reading.
#[derive(Clone, Copy)]
pub(super) struct Row {
    /// Hash of the patient.
    pub patient: u64,
    /// When it was taken, in milliseconds since 1970.
    pub millis: i64,
    /// lastUpdated as [`moment`].
    pub updated: u64,
    /// Where it stands.
    pub place: Place,
    /// In thousandths of mm\[Hg\].
    pub thousandths: i32,
    /// [`DIASTOLIC`], or the index of the site from 1.
    pub site: u32,
}

/// In the place of a site.
pub(super) const DIASTOLIC: u32 = 0;
