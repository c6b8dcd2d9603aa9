//! Each measurement once.

use super::{Kind, Reading};
use std::collections::BTreeSet;

/// One measurement: the reading that counts, and all that are it.
#[derive(Clone, Debug)]
pub(super) struct Once {
    pub(super) counts: Reading,
    pub(super) all: Vec<Reading>,
}

impl Once {
    pub(super) fn of(mut all: Vec<Reading>) -> Self {
        all.sort_by(|one, other| (&one.source, one.part).cmp(&(&other.source, other.part)));
        let nearer = |one: &Reading, other: &Reading| match one.kind {
            Kind::Compartment => one.mmhg > other.mmhg,
            Kind::Diastolic | Kind::Mean => one.mmhg < other.mmhg,
        };
        // Corrected before uncorrected, then nearer to the alert, then the smaller name.
        let better = |one: &Reading, other: &Reading| {
            if one.corrected != other.corrected {
                return one.corrected;
            }
            nearer(one, other)
        };
        let mut counts = all[0].clone();
        for one in &all {
            if better(one, &counts) {
                counts = one.clone();
            }
        }
        Self { counts, all }
    }

    pub(super) fn names(&self) -> BTreeSet<String> {
        self.all.iter().map(|one| one.source.clone()).collect()
    }
}

/// By time; of one moment the lower pressure first, then by comparator (none, <, <=, >=, >).
pub(super) fn in_order(one: &Reading, other: &Reading) -> std::cmp::Ordering {
    let sign = |reading: &Reading| {
        ["", "<", "<=", ">=", ">"]
            .iter()
            .position(|sign| *sign == reading.comparator)
    };
    let rest = one.mmhg.cmp(&other.mmhg).then(sign(one).cmp(&sign(other)));
    one.at.cmp(&other.at).then(rest)
}

/// The same measurement under several ids is one: by identifier with an equal time or value, or by
/// equal site, time, value (and method, of blood pressures).
pub(super) fn each_once(readings: &[&Reading]) -> Vec<Once> {
    let mut groups: Vec<Vec<Reading>> = Vec::new();
    let mut list: Vec<&&Reading> = readings.iter().collect();
    list.sort_by(|one, other| (&one.source, one.part).cmp(&(&other.source, other.part)));
    for one in list {
        let known = groups.iter_mut().find(|group| {
            let counts = Once::of((*group).clone()).counts;
            one.identifier.is_some()
                && group.iter().any(|other| other.identifier == one.identifier)
                && group
                    .iter()
                    .all(|other| other.source != one.source && other.site == one.site)
                && (counts.at == one.at || counts.mmhg == one.mmhg)
        });
        match known {
            Some(group) => group.push((*one).clone()),
            None => groups.push(vec![(*one).clone()]),
        }
    }
    let mut joined: Vec<Vec<Reading>> = Vec::new();
    for group in groups {
        let counts = Once::of(group.clone()).counts;
        let same = joined.iter_mut().find(|other| {
            let other = Once::of((*other).clone()).counts;
            let method = counts.kind == Kind::Compartment || counts.how == other.how;
            counts.site == other.site
                && counts.at == other.at
                && counts.mmhg == other.mmhg
                && counts.comparator == other.comparator
                && counts.source != other.source
                && method
        });
        match same {
            Some(other) => other.extend(group),
            None => joined.push(group),
        }
    }
    joined.into_iter().map(Once::of).collect()
}
