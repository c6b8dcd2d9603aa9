//! What the workers have read → the answer.

use super::Options;
use super::pair::{Pairs, pairs};
use super::pile::Pile;
use super::read::Read;
use super::row::{Aside, DIASTOLIC, Reason, Row, Version};
use super::spill::Spill;
use super::versions::{Gone, dropped};
use crate::fhir::Decimal;
use crate::replay::ReplayError;
use crate::replay::input::{BadLines, Scanned};
use crate::replay::share::{by_bucket, share};
use rustc_hash::FxHashMap;
use serde::Serialize;
use serde_json::value::RawValue;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// The answer, as it is printed.
#[derive(Debug, Serialize)]
pub struct Summary {
    /// Observations that were read, every version of each, of whatever was measured.
    pub observations: u64,
    /// Of those with a newer version of the same id.
    pub superseded: u64,
    /// Newest versions that are entered-in-error.
    pub withdrawn: u64,
    /// Compartment pressures with a diastolic.
    pub pairs: u64,
    /// Pairs whose delta is at most 30.000 mmHg.
    pub low: u64,
    /// Sum of all deltas in mmHg, exact.
    pub sum_delta_mmhg: Box<RawValue>,
    /// Low pairs that follow none or one that is not low, of one patient and site.
    pub low_runs: u64,
    /// Patients and sites with a low pair.
    pub groups: u64,
    /// SHA-256 (hex) of the lines `patient|site|epoch_ms` of the first low pair of each group, sorted by
    /// their bytes and joined by a newline.
    pub first_low_sha256: String,
    /// Compartment pressures that count, with a diastolic or without.
    pub compartment_readings: u64,
    /// Diastolics that count.
    pub diastolic_readings: u64,
    /// Readings that cannot be used, by reason.
    pub set_aside: BTreeMap<Reason, u64>,
    /// Versions of later than `--as-of`; without a lastUpdated, those measured later.
    pub later_versions: u64,
    /// Versions without a usable lastUpdated: older than any that has one.
    pub undated_versions: u64,
    /// Resources of another type.
    pub other_resources: u64,
    /// Lines, blank and bad ones too.
    pub lines: u64,
    /// Lines that cannot be read.
    pub bad_lines: u64,
    /// Which and why; never content.
    #[serde(skip)]
    pub bad: BadLines,
}

/// Put together what was read.
pub(super) fn answer(mut scanned: Scanned<Read>, options: &Options, spill: &Spill) -> Result<Summary, ReplayError> {
    spill.check()?;
    let threads = scanned.outs.len();
    let mut all = Gathered::of(std::mem::take(&mut scanned.outs))?;
    let gone = Gone::new(scanned.lines);
    let line = |place| scanned.ordinal(place);
    let versions = share(threads, std::mem::take(&mut all.versions), |piles| {
        dropped(piles, spill, line, &gone)
    })?;
    let mut superseded = 0;
    let mut withdrawn = all.withdrawn;
    for found in versions {
        let found = found?;
        superseded += found.superseded;
        withdrawn += found.withdrawn;
    }
    let site_of = std::mem::take(&mut all.site_of);
    let of_bucket = |piles: Vec<Pile<Row>>| {
        let mut rows = Vec::with_capacity(piles.iter().map(Pile::len).sum());
        for (pile, site_of) in piles.into_iter().zip(&site_of) {
            pile.each(spill, |row| {
                if !gone.contains(line(row.place)) {
                    let site = site_of[row.site as usize];
                    rows.push(Row { site, ..row });
                }
            })?;
        }
        Ok::<Pairs, ReplayError>(pairs(rows, options))
    };
    let mut total = Pairs::default();
    for part in share(threads, std::mem::take(&mut all.rows), of_bucket)? {
        total.add(part?);
    }
    let mut set_aside = BTreeMap::new();
    for pile in std::mem::take(&mut all.set_aside) {
        pile.each(spill, |aside| {
            if !gone.contains(line(aside.place)) {
                *set_aside.entry(aside.reason()).or_default() += 1;
            }
        })?;
    }
    Ok(Summary {
        observations: all.observations,
        superseded,
        withdrawn,
        pairs: total.pairs,
        low: total.low,
        sum_delta_mmhg: thousandths(total.sum_thousandths)?,
        low_runs: total.low_runs,
        groups: total.first_low.len() as u64,
        first_low_sha256: all.digest(&total.first_low),
        compartment_readings: total.compartment,
        diastolic_readings: total.diastolic,
        set_aside,
        later_versions: all.later,
        undated_versions: all.undated,
        other_resources: all.others,
        lines: scanned.lines,
        bad_lines: scanned.bad.count,
        bad: scanned.bad,
    })
}

/// What all workers have read, bucket by bucket.
#[derive(Default)]
struct Gathered {
    versions: Vec<Vec<Pile<Version>>>,
    rows: Vec<Vec<Pile<Row>>>,
    patients: FxHashMap<u64, Box<str>>,
    sites: Vec<Box<str>>,
    /// For each worker the common index of each of its sites.
    site_of: Vec<Vec<u32>>,
    set_aside: Vec<Pile<Aside>>,
    observations: u64,
    later: u64,
    undated: u64,
    withdrawn: u64,
    others: u64,
}

impl Gathered {
    fn of(outs: Vec<Read>) -> Result<Self, ReplayError> {
        let mut all = Self::default();
        let mut indices: FxHashMap<Box<str>, u32> = FxHashMap::default();
        let (mut versions, mut rows) = (Vec::new(), Vec::new());
        for read in outs {
            let mut shared_hash = read.shared_hash;
            for (hash, patient) in read.patients {
                shared_hash |= all.patients.entry(hash).or_insert_with(|| patient.clone()) != &patient;
            }
            if shared_hash {
                return Err(ReplayError::SharedHash);
            }
            let mut site_of = vec![DIASTOLIC];
            for site in read.sites {
                let next = u32::try_from(indices.len()).unwrap_or(u32::MAX).saturating_add(1);
                let index = *indices.entry(site.clone()).or_insert(next);
                if index == next {
                    all.sites.push(site);
                }
                site_of.push(index);
            }
            all.site_of.push(site_of);
            versions.push(read.versions);
            rows.push(read.rows);
            all.set_aside.push(read.set_aside);
            all.observations += read.observations;
            all.later += read.later;
            all.undated += read.undated;
            all.withdrawn += read.withdrawn;
            all.others += read.others;
        }
        all.versions = by_bucket(versions);
        all.rows = by_bucket(rows);
        Ok(all)
    }

    fn digest(&self, first_low: &[(u64, u32, i64)]) -> String {
        let name = |(patient, site, millis): &(u64, u32, i64)| {
            let patient = self.patients.get(patient).map(AsRef::as_ref).unwrap_or_default();
            let site = self
                .sites
                .get(*site as usize - 1)
                .map(AsRef::as_ref)
                .unwrap_or_default();
            format!("{patient}|{site}|{millis}")
        };
        let mut lines: Vec<String> = first_low.iter().map(name).collect();
        lines.sort_unstable();
        let digest = Sha256::digest(lines.join("\n"));
        digest.iter().fold(String::with_capacity(64), |mut hex, byte| {
            // Writing to a String cannot fail.
            let _ = write!(hex, "{byte:02x}");
            hex
        })
    }
}

/// A JSON number with three decimals.
fn thousandths(sum: i128) -> Result<Box<RawValue>, ReplayError> {
    let too_many = |_| ReplayError::TooMany {
        file: String::from("all files together"),
        most: u64::MAX,
        what: "readings",
    };
    // 28 digits hold the sum of more readings than can be counted.
    let text = Decimal::try_from_i128_with_scale(sum, 3).map_err(too_many)?.to_string();
    RawValue::from_string(text).map_err(|_| ReplayError::Worker)
}
