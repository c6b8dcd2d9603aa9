//! What is kept of each version: a row with all that is asked of many of them, and the version itself
//! packed in bytes. Objects in memory would take four times the room, and longer to free than to read.

use super::ReplayError;
use super::cohort::hash;
use crate::fhir::Instant;
use crate::recognise::reading::{PatientKey, Version};
use crate::recognise::{Reason, Recognised, Refusal};
use borsh::{BorshDeserialize, BorshSerialize};
use rustc_hash::FxHashMap;

/// A version of a resource.
#[derive(Clone, Copy)]
pub(super) struct Kept {
    /// Hash of its source.
    pub source: u64,
    /// When all of it had been taken.
    pub at: Instant,
    /// Where it lies.
    pub spot: Spot,
    /// Index among [`Names`]; None when no patient is named, or none that matters.
    pub patient: Option<u32>,
    pub what: Kind,
}

impl Kept {
    pub const fn is_foreign(&self) -> bool {
        matches!(self.what, Kind::Foreign(_))
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// Of some patient's concern; true: something of it was refused.
    Reading(bool),
    /// It takes back what an earlier version said; true: something of it was refused.
    Withdrawal(bool),
    /// Of no patient's concern (its code is not mapped, our own output): only its version matters, for it
    /// may be the newest of a resource that was of concern. Here is why.
    Foreign(Option<Reason>),
}

/// What is packed of a version that is of no patient's concern.
#[derive(BorshSerialize, BorshDeserialize)]
pub(super) struct Foreign {
    /// `Observation/abc`.
    pub source: String,
    pub version: Version,
}

impl Foreign {
    /// What is packed of it, borrowed.
    pub fn packed<'f>(source: &'f str, version: &'f Version) -> (&'f str, &'f Version) {
        (source, version)
    }
}

/// Where a version lies: in which pack, in which of its chunks, and where there.
#[derive(Clone, Copy)]
pub(super) struct Spot {
    pack: u32,
    chunk: u32,
    at: u32,
}

impl Spot {
    /// The same in the pack of this number.
    pub const fn in_pack(self, pack: u32) -> Self {
        Self { pack, ..self }
    }
}

/// Versions, one behind the other.
#[derive(Default)]
pub(super) struct Pack {
    chunks: Vec<Vec<u8>>,
}

/// Bytes of a chunk.
const CHUNK: usize = 1 << 20;
/// A chunk with less than this left is full; most versions take a tenth of it.
const FULL: usize = 1 << 12;

impl Pack {
    /// None when it is too large to be kept.
    pub fn put(&mut self, one: &impl BorshSerialize) -> Option<Spot> {
        let is_full = |chunk: &Vec<u8>| chunk.len() + FULL > CHUNK;
        if self.chunks.last().is_none_or(is_full) {
            self.chunks.push(Vec::with_capacity(CHUNK));
        }
        let number = u32::try_from(self.chunks.len() - 1).ok()?;
        let chunk = self.chunks.last_mut()?;
        let start = chunk.len();
        let at = u32::try_from(start).ok()?;
        if borsh::to_writer(&mut *chunk, one).is_err() {
            chunk.truncate(start);
            return None;
        }
        Some(Spot {
            pack: 0,
            chunk: number,
            at,
        })
    }

    /// What lies there.
    ///
    /// # Errors
    /// When it is something else, which is a fault of this program.
    pub fn get<T: BorshDeserialize>(packs: &[Self], spot: Spot) -> Result<T, ReplayError> {
        let chunk = packs
            .get(spot.pack as usize)
            .and_then(|pack| pack.chunks.get(spot.chunk as usize));
        let mut bytes = chunk
            .and_then(|chunk| chunk.get(spot.at as usize..))
            .ok_or(ReplayError::Worker)?;
        T::deserialize(&mut bytes).map_err(|_| ReplayError::Worker)
    }
}

/// The version of a row, unpacked: its name and what it says.
pub(super) enum Opened {
    Recognised(Box<Recognised>),
    Foreign(Foreign),
}

impl Opened {
    pub fn of(packs: &[Pack], one: &Kept) -> Result<Self, ReplayError> {
        Ok(match one.what {
            Kind::Foreign(_) => Self::Foreign(Pack::get(packs, one.spot)?),
            Kind::Reading(_) | Kind::Withdrawal(_) => Self::Recognised(Pack::get(packs, one.spot)?),
        })
    }

    pub fn source(&self) -> &str {
        match self {
            Self::Recognised(one) => &one.source,
            Self::Foreign(one) => &one.source,
        }
    }

    pub fn version(&self) -> &Version {
        match self {
            Self::Recognised(one) => &one.version,
            Self::Foreign(one) => &one.version,
        }
    }

    pub fn refusals(&self) -> &[Refusal] {
        match self {
            Self::Recognised(one) => &one.refusals,
            Self::Foreign(_) => &[],
        }
    }
}

/// Each patient once.
#[derive(Default)]
pub(super) struct Names {
    by_hash: FxHashMap<u64, Vec<u32>>,
    all: Vec<PatientKey>,
}

impl Names {
    /// The index of a patient.
    pub fn index(&mut self, patient: &str) -> Option<u32> {
        let same = self.by_hash.entry(hash(patient)).or_default();
        let is_it = |index: &&u32| self.all.get(**index as usize).is_some_and(|known| known.0 == patient);
        if let Some(index) = same.iter().find(is_it) {
            return Some(*index);
        }
        let index = u32::try_from(self.all.len()).ok()?;
        same.push(index);
        self.all.push(PatientKey(patient.to_owned()));
        Some(index)
    }

    /// In order of their indexes.
    pub fn into_all(self) -> Vec<PatientKey> {
        self.all
    }
}
