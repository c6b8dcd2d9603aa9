//! What is kept of a line: one [`Version`], and one [`Row`] for each reading. Both lie in buckets by
//! their hash, so that a bucket can be judged by itself.

use super::pile::Fixed;
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
pub(super) struct Version {
    /// Hash of the id.
    pub hash: u64,
    /// 15 further bits of the hash, then lastUpdated; see [`moment`].
    hash_and_updated: u64,
    /// Where it stands.
    pub place: Place,
    /// versionId, then one bit: entered-in-error.
    number_and_withdrawn: u64,
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
    pub fn new(hash: u128, updated: u64, number: u64, withdrawn: bool, place: Place) -> Self {
        // The halves of the hash; the casts cut.
        let (high, low) = ((hash >> 64) as u64, hash as u64);
        Self {
            hash: high,
            hash_and_updated: (low << MOMENT_BITS) | updated,
            place,
            number_and_withdrawn: (number.min(u64::MAX >> 1) << 1) | u64::from(withdrawn),
        }
    }

    /// By id, and of one id the version that counts last.
    pub fn order(&self) -> (u64, u64, u64, Place) {
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

/// Why a reading is left out; the words of [`crate::recognise::Reason`] where it has one.
pub(super) type Reason = &'static str;

/// Every reason.
pub(super) const REASONS: [Reason; 13] = [
    "no-patient",
    "no-effective-time",
    "effective-time-invalid",
    "time-open",
    "time-too-coarse",
    "no-value",
    "comparator",
    "number-not-usable",
    "unit-missing",
    "unit-unknown",
    "unreadable",
    "too-many-sites",
    OTHER_REASON,
];
/// In the place of one that the list lacks.
const OTHER_REASON: Reason = "other";

/// A reading that is left out.
#[derive(Clone, Copy)]
pub(super) struct Aside {
    /// Where it stands.
    pub place: Place,
    /// Index among [`REASONS`].
    reason: u32,
}

impl Aside {
    pub fn new(place: Place, reason: Reason) -> Self {
        let index = REASONS.iter().position(|known| *known == reason);
        let reason = index.unwrap_or(REASONS.len() - 1) as u32;
        Self { place, reason }
    }

    pub fn reason(self) -> Reason {
        REASONS.get(self.reason as usize).copied().unwrap_or(OTHER_REASON)
    }
}

/// Takes numbers from the front of bytes.
struct Bytes<'b>(&'b [u8]);

impl Bytes<'_> {
    fn take<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (number, rest) = self.0.split_first_chunk()?;
        self.0 = rest;
        Some(*number)
    }

    fn long(&mut self) -> Option<u64> {
        self.take().map(u64::from_le_bytes)
    }

    fn short(&mut self) -> Option<u32> {
        self.take().map(u32::from_le_bytes)
    }

    fn place(&mut self) -> Option<Place> {
        Some(Place {
            block: self.short()?,
            line: self.short()?,
        })
    }
}

fn write_place(place: Place, out: &mut Vec<u8>) {
    out.extend(place.block.to_le_bytes());
    out.extend(place.line.to_le_bytes());
}

impl Fixed for Version {
    const BYTES: usize = 32;

    fn write(&self, out: &mut Vec<u8>) {
        out.extend(self.hash.to_le_bytes());
        out.extend(self.hash_and_updated.to_le_bytes());
        write_place(self.place, out);
        out.extend(self.number_and_withdrawn.to_le_bytes());
    }

    fn read(bytes: &[u8]) -> Option<Self> {
        let mut from = Bytes(bytes);
        Some(Self {
            hash: from.long()?,
            hash_and_updated: from.long()?,
            place: from.place()?,
            number_and_withdrawn: from.long()?,
        })
    }
}

impl Fixed for Row {
    const BYTES: usize = 40;

    fn write(&self, out: &mut Vec<u8>) {
        out.extend(self.patient.to_le_bytes());
        out.extend(self.millis.to_le_bytes());
        out.extend(self.updated.to_le_bytes());
        write_place(self.place, out);
        out.extend(self.thousandths.to_le_bytes());
        out.extend(self.site.to_le_bytes());
    }

    fn read(bytes: &[u8]) -> Option<Self> {
        let mut from = Bytes(bytes);
        Some(Self {
            patient: from.long()?,
            millis: from.long()?.cast_signed(),
            updated: from.long()?,
            place: from.place()?,
            thousandths: from.short()?.cast_signed(),
            site: from.short()?,
        })
    }
}

impl Fixed for Aside {
    const BYTES: usize = 12;

    fn write(&self, out: &mut Vec<u8>) {
        write_place(self.place, out);
        out.extend(self.reason.to_le_bytes());
    }

    fn read(bytes: &[u8]) -> Option<Self> {
        let mut from = Bytes(bytes);
        Some(Self {
            place: from.place()?,
            reason: from.short()?,
        })
    }
}
