//! What ought to stand, worked out naively from the text of the design (§3, §4) and of the built-in
//! adults' sheet: every number below is written off `profiles/rules/adult.toml`, and no code is
//! shared with the core. Quadratic, and proud of it.

mod once;
mod pairing;
mod rules;

use crate::exact::Exact;
use crate::history::How;
use once::{Once, each_once, in_order};
use pairing::{contradict, pair};
use rules::{carry, judge};
use std::collections::{BTreeMap, BTreeSet};

const MINUTE: i64 = 60_000;

/// A tier, lowest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Tier {
    Check,
    Watch,
    Act,
    Critical,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    Compartment,
    Diastolic,
    /// Mean arterial pressure.
    Mean,
}

/// One usable reading of a patient, or a compartment reading whose unit is missing.
#[derive(Clone, Debug)]
pub struct Reading {
    pub source: String,
    pub part: &'static str,
    pub kind: Kind,
    /// Side and compartment; empty for a blood pressure.
    pub site: String,
    pub side_stated: bool,
    /// Milliseconds.
    pub at: i64,
    pub mmhg: Exact,
    /// Sent in mm[Hg].
    pub direct: bool,
    pub comparator: &'static str,
    pub how: How,
    pub corrected: bool,
    pub identifier: Option<u64>,
    pub unusable: bool,
    /// Number, lastUpdated: which of two resources has the later version.
    pub version: (Option<u64>, Option<i64>),
}

/// A compartment measurement with everything that is found of it.
#[derive(Clone, Debug)]
struct Judged {
    pub(super) once: Once,
    /// Index of the diastolic, and how far away it is.
    pub(super) diastolic: Option<usize>,
    /// The diastolic of the other method, when it disagrees.
    pub(super) other_method: Option<usize>,
    pub(super) delta: Option<i64>,
    pub(super) bounded: bool,
    pub(super) conclusive: bool,
    /// Index of the mean arterial pressure, paired as a diastolic is.
    mean: Option<usize>,
    tier: Option<Tier>,
    /// The same without the rule on the mean: what the Observation says.
    delta_tier: Option<Tier>,
    contradicted: bool,
    /// The measurement (position in its site) that this one gives way to.
    pub(super) gives_way_to: Option<usize>,
    pub(super) carried: Vec<Carried>,
}

#[derive(Clone, Debug)]
struct Carried {
    pub(super) diastolic: usize,
    pub(super) bounded: bool,
    pub(super) tier: Option<Tier>,
    pub(super) written: bool,
}

/// A derived Observation as it ought to stand.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Stands {
    pub sources: BTreeSet<String>,
    pub at: i64,
    pub carried: bool,
    /// Tenths of a mmHg.
    pub tenths: i64,
    pub bounded: bool,
    /// LL, LX or none.
    pub interpretation: &'static str,
}

/// What ought to stand of one patient.
#[derive(Clone, Debug, Default)]
pub struct Expected {
    pub observations: Vec<Stands>,
    /// (site, family) → tier.
    pub concerns: BTreeMap<(String, &'static str), Tier>,
    /// (site, source) → the highest tier that a reading of it holds, carried deltas included.
    pub holds: BTreeMap<(String, String), Tier>,
    pub beside: Vec<Beside>,
}

/// A compartment measurement whose diastolic was taken within 5 minutes of it.
#[derive(Clone, Debug)]
pub struct Beside {
    pub site: String,
    pub at: i64,
    /// The diastolic's sources.
    pub diastolics: BTreeSet<String>,
}

/// Work out one patient.
pub fn expect(readings: &[Reading], method_order: &[How], is_child: bool) -> Expected {
    let mut expected = Expected::default();
    let usable = |kind: Kind| readings.iter().filter(move |one| one.kind == kind && !one.unusable);
    let (plausible, implausible): (Vec<&Reading>, Vec<&Reading>) =
        usable(Kind::Compartment).partition(|one| (-5..=150).contains(&one.mmhg.half_up()));
    let (likely, unlikely): (Vec<&Reading>, Vec<&Reading>) =
        usable(Kind::Diastolic).partition(|one| (20..=160).contains(&one.mmhg.half_down()));
    let likely: Vec<&Reading> = likely
        .into_iter()
        .filter(|one| !one.comparator.starts_with('>'))
        .collect();
    let diastolics = each_once(&likely);
    // A mean is no lower than a diastolic can be, and below twice the highest.
    let means: Vec<&Reading> = usable(Kind::Mean)
        .filter(|one| (20..=320).contains(&one.mmhg.half_down()) && !one.comparator.starts_with('>'))
        .collect();
    let means = each_once(&means);
    let all = each_once(&plausible);
    let sites: BTreeSet<&String> = readings
        .iter()
        .filter(|one| one.kind == Kind::Compartment)
        .map(|one| &one.site)
        .collect();
    for site in sites {
        let mut judged: Vec<Judged> = all
            .iter()
            .filter(|once| once.counts.site == *site)
            .map(|once| pair(once, &diastolics, &means, method_order))
            .collect();
        judged.sort_by(|one, other| in_order(&one.once.counts, &other.once.counts));
        contradict(&mut judged);
        judge(&mut judged, &diastolics, &means, is_child);
        carry(&mut judged, &diastolics);
        for one in &judged {
            write(one, &diastolics, &means, &mut expected);
            let peak = one
                .carried
                .iter()
                .filter_map(|carried| carried.tier)
                .max()
                .max(one.tier);
            expected.beside.extend(beside(one, site, &diastolics));
            for name in one.once.names() {
                if let Some(peak) = peak {
                    let held = expected.holds.entry((site.clone(), name)).or_insert(peak);
                    *held = peak.max(*held);
                }
            }
        }
        if let Some(tier) = limb(&judged, &diastolics) {
            expected.concerns.insert((site.clone(), "pressure"), tier);
            // The last timer has passed: nobody measured again.
            if tier >= Tier::Act {
                expected.concerns.insert((site.clone(), "follow-up"), Tier::Check);
            }
        }
        let unusable: Vec<&Reading> = readings
            .iter()
            .filter(|one| one.kind == Kind::Compartment && one.unusable && one.site == *site)
            .collect();
        let out: Vec<&Reading> = implausible.iter().copied().filter(|one| one.site == *site).collect();
        if needs_check(judged.last(), &out, &unusable) {
            expected.concerns.insert((site.clone(), "measurement"), Tier::Check);
        }
    }
    let watched = !all.is_empty() || !implausible.is_empty();
    let newest_usable = diastolics.iter().map(|once| once.counts.at).max();
    if watched
        && unlikely
            .iter()
            .any(|one| newest_usable.is_none_or(|newest| one.at > newest))
    {
        expected.concerns.insert((String::new(), "measurement"), Tier::Check);
    }
    expected.observations.sort();
    expected
}

fn beside(one: &Judged, site: &str, diastolics: &[Once]) -> Option<Beside> {
    let (at, diastolic) = (one.once.counts.at, &diastolics[one.diastolic?]);
    let simultaneous = (diastolic.counts.at - at).abs() <= 5 * MINUTE;
    simultaneous.then(|| Beside {
        site: site.to_owned(),
        at,
        diastolics: diastolic.names(),
    })
}

fn write(one: &Judged, diastolics: &[Once], means: &[Once], expected: &mut Expected) {
    let interpretation = |tier: Option<Tier>| match tier {
        Some(Tier::Critical | Tier::Act) => "LL",
        Some(Tier::Watch) => "LX",
        _ => "",
    };
    let compartment = &one.once.counts;
    if let (Some(index), Some(_)) = (one.diastolic, one.delta) {
        let mut sources = one.once.names();
        sources.extend(diastolics[index].names());
        sources.extend(one.other_method.into_iter().flat_map(|other| diastolics[other].names()));
        sources.extend(one.mean.into_iter().flat_map(|mean| means[mean].names()));
        expected.observations.push(Stands {
            sources,
            at: compartment.at,
            carried: false,
            tenths: (diastolics[index].counts.mmhg - compartment.mmhg).half_down_parts(10),
            bounded: one.bounded,
            interpretation: interpretation(one.delta_tier),
        });
    }
    for carried in one.carried.iter().filter(|carried| carried.written) {
        let diastolic = &diastolics[carried.diastolic];
        let mut sources = one.once.names();
        sources.extend(diastolic.names());
        expected.observations.push(Stands {
            sources,
            at: diastolic.counts.at,
            carried: true,
            tenths: (diastolic.counts.mmhg - compartment.mmhg).half_down_parts(10),
            bounded: carried.bounded,
            interpretation: interpretation(carried.tier),
        });
    }
}

/// [concern]: a tier holds until 2 conclusive readings in a row, over 30 minutes at least, are below it.
fn limb(judged: &[Judged], diastolics: &[Once]) -> Option<Tier> {
    let newest = judged.last()?;
    let mut tiers: Vec<Tier> = Vec::new();
    // Of the newest reading the last diastolics count, until 2 exact ones span 30 minutes.
    let at = |carried: &Carried| diastolics[carried.diastolic].counts.at;
    let last = newest.carried.last().map(at);
    let (mut exact, mut since) = (0, last);
    for carried in newest.carried.iter().rev() {
        let span = last.zip(since).map_or(0, |(last, since)| last - since);
        if exact >= 2 && span >= 30 * MINUTE {
            break;
        }
        since = Some(at(carried));
        tiers.extend(carried.tier);
        exact += usize::from(!carried.bounded);
    }
    tiers.extend(newest.tier);
    let mut conclusive = 0;
    for (position, one) in judged.iter().rev().enumerate() {
        if position > 0 {
            tiers.extend(one.tier);
            tiers.extend(one.carried.iter().filter_map(|carried| carried.tier));
        }
        conclusive += usize::from(one.conclusive);
        let span = newest.once.counts.at - one.once.counts.at;
        if one.conclusive && conclusive >= 2 && span >= 30 * MINUTE {
            break;
        }
    }
    tiers.into_iter().max()
}

/// Rules diastolic-missing, side-missing, pressure-implausible, pressure-verify, reading-unusable,
/// readings-disagree, diastolics-disagree: of the newest reading of a site.
fn needs_check(newest: Option<&Judged>, implausible: &[&Reading], unusable: &[&Reading]) -> bool {
    let after = |reading: &&Reading| newest.is_none_or(|newest| reading.at > newest.once.counts.at);
    if implausible.iter().any(&after) || unusable.iter().any(after) {
        return true;
    }
    let Some(newest) = newest else { return false };
    let whole = newest.once.counts.mmhg.half_up();
    newest.diastolic.is_none()
        || !newest.once.counts.side_stated
        || newest.contradicted
        || newest.other_method.is_some()
        || !(0..=100).contains(&whole)
}
