//! What ought to stand, worked out naively from the text of the design (§3, §4) and of the built-in
//! adults' sheet: every number below is written off `profiles/rules/adult.toml`, and no code is
//! shared with the core. Quadratic, and proud of it.

use crate::exact::Exact;
use crate::history::How;
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

/// One measurement: the reading that counts, and all that are it.
#[derive(Clone, Debug)]
struct Once {
    counts: Reading,
    all: Vec<Reading>,
}

impl Once {
    fn of(mut all: Vec<Reading>) -> Self {
        all.sort_by(|one, other| (&one.source, one.part).cmp(&(&other.source, other.part)));
        let nearer = |one: &Reading, other: &Reading| match one.kind {
            Kind::Compartment => one.mmhg > other.mmhg,
            Kind::Diastolic => one.mmhg < other.mmhg,
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

    fn names(&self) -> BTreeSet<String> {
        self.all.iter().map(|one| one.source.clone()).collect()
    }
}

/// A compartment measurement with everything that is found of it.
#[derive(Clone, Debug)]
struct Judged {
    once: Once,
    /// Index of the diastolic, and how far away it is.
    diastolic: Option<usize>,
    /// The diastolic of the other method, when it disagrees.
    other_method: Option<usize>,
    delta: Option<i64>,
    bounded: bool,
    conclusive: bool,
    tier: Option<Tier>,
    contradicted: bool,
    /// The measurement (position in its site) that this one gives way to.
    gives_way_to: Option<usize>,
    carried: Vec<Carried>,
}

#[derive(Clone, Debug)]
struct Carried {
    diastolic: usize,
    bounded: bool,
    tier: Option<Tier>,
    written: bool,
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
}

/// Work out one patient.
pub fn expect(readings: &[Reading], method_order: &[How]) -> Expected {
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
            .map(|once| pair(once, &diastolics, method_order))
            .collect();
        judged.sort_by(|one, other| in_order(&one.once.counts, &other.once.counts));
        contradict(&mut judged);
        judge(&mut judged, &diastolics);
        carry(&mut judged, &diastolics);
        for one in &judged {
            write(one, &diastolics, &mut expected);
            let peak = one
                .carried
                .iter()
                .filter_map(|carried| carried.tier)
                .max()
                .max(one.tier);
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

/// By time; of one moment the lower pressure first, then by comparator (none, <, <=, >=, >).
fn in_order(one: &Reading, other: &Reading) -> std::cmp::Ordering {
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
fn each_once(readings: &[&Reading]) -> Vec<Once> {
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

fn within(diastolic: &Reading, compartment: &Reading) -> bool {
    let after = diastolic.at - compartment.at;
    (-60 * MINUTE..=5 * MINUTE).contains(&after)
}

/// Design §4: smallest distance; the method order among those within 5 minutes of the best; then
/// later, then the later version, then the source.
fn pair(once: &Once, diastolics: &[Once], method_order: &[How]) -> Judged {
    let compartment = &once.counts;
    let away = |index: usize| (diastolics[index].counts.at - compartment.at).abs();
    let candidates: Vec<usize> = (0..diastolics.len())
        .filter(|index| within(&diastolics[*index].counts, compartment))
        .collect();
    let best = candidates.iter().map(|index| away(*index)).min();
    let rank = |index: usize| {
        let how = diastolics[index].counts.how;
        method_order
            .iter()
            .position(|one| *one == how)
            .unwrap_or(method_order.len())
    };
    let reach = if method_order.is_empty() { 0 } else { 5 * MINUTE };
    let close = candidates
        .iter()
        .copied()
        .filter(|index| best.is_some_and(|best| away(*index) <= best + reach));
    let chosen = close.min_by(|one, other| {
        let (left, right) = (&diastolics[*one].counts, &diastolics[*other].counts);
        (rank(*one), away(*one))
            .cmp(&(rank(*other), away(*other)))
            .then(right.at.cmp(&left.at))
            .then(right.version.cmp(&left.version))
            .then(right.source.cmp(&left.source))
    });
    let (diastolic, other_method) = match chosen.map(|chosen| lower_method(chosen, compartment, diastolics)) {
        Some(Some((low, high))) => (Some(low), Some(high)),
        _ => (chosen, None),
    };
    let delta = diastolic.and_then(|index| difference(&diastolics[index].counts, compartment));
    let bounded = diastolic.is_some_and(|index| is_bounded(&diastolics[index].counts, compartment));
    Judged {
        once: once.clone(),
        diastolic,
        other_method,
        delta,
        bounded,
        conclusive: delta.is_some() && !bounded && diastolic.is_some_and(|index| away(index) <= 15 * MINUTE),
        tier: None,
        contradicted: false,
        gives_way_to: None,
        carried: Vec::new(),
    }
}

/// Rule diastolics-disagree: within 5 minutes of the chosen one, cuff and line more than 15 apart:
/// the lowest counts, against the highest of the other method.
fn lower_method(chosen: usize, compartment: &Reading, diastolics: &[Once]) -> Option<(usize, usize)> {
    let moment = diastolics[chosen].counts.at;
    let near = |index: &usize| {
        let one = &diastolics[*index].counts;
        (one.at - moment).abs() <= 5 * MINUTE && within(one, compartment) && one.how != How::Unstated
    };
    let near: Vec<usize> = (0..diastolics.len()).filter(near).collect();
    let value = |index: usize| (diastolics[index].counts.mmhg, diastolics[index].all[0].source.clone());
    let low = near
        .iter()
        .copied()
        .min_by(|one, other| value(*one).cmp(&value(*other)))?;
    let against = near
        .iter()
        .copied()
        .filter(|index| diastolics[*index].counts.how != diastolics[low].counts.how);
    let high = against.max_by(|one, other| value(*one).cmp(&value(*other)))?;
    let apart = diastolics[high].counts.mmhg.half_down() - diastolics[low].counts.mmhg.half_down();
    (apart > 15).then_some((low, high))
}

fn is_bounded(diastolic: &Reading, compartment: &Reading) -> bool {
    !diastolic.comparator.is_empty() || !compartment.comparator.is_empty()
}

/// diastolic − compartment in whole mmHg; none when the compartment pressure is only "less than".
fn difference(diastolic: &Reading, compartment: &Reading) -> Option<i64> {
    (!compartment.comparator.starts_with('<')).then(|| (diastolic.mmhg - compartment.mmhg).half_down())
}

/// Rule readings-disagree: within 5 minutes, more than 10 apart: the lower delta counts.
fn contradict(judged: &mut [Judged]) {
    for newer in 1..judged.len() {
        for earlier in (0..newer).rev() {
            let (one, other) = (&judged[newer].once.counts, &judged[earlier].once.counts);
            let (high, low) = (one.mmhg.half_up(), other.mmhg.half_up());
            let exact = one.comparator.is_empty() && other.comparator.is_empty();
            if one.at - other.at > 5 * MINUTE || (high - low).abs() <= 10 || !exact {
                continue;
            }
            let first = !judged[newer].contradicted;
            judged[newer].contradicted = true;
            if high > low {
                judged[earlier].conclusive = false;
            } else {
                judged[newer].conclusive = false;
                if first {
                    judged[newer].gives_way_to = Some(earlier);
                }
            }
        }
    }
}

/// Rules delta-none-left, delta-20, delta-30, delta-sustained, delta-near, pressure-30, delta-falling.
fn judge(judged: &mut [Judged], diastolics: &[Once]) {
    for index in 0..judged.len() {
        let one = &judged[index];
        let mut tiers = Vec::new();
        if let Some(delta) = one.delta {
            tiers.extend(delta_tier(delta));
            if delta <= 30 {
                // Back to the first low reading without a conclusive one above between.
                let (mut first, mut count) = (one.once.counts.at, 1);
                for before in judged[..index].iter().rev() {
                    match before.delta {
                        Some(delta) if delta <= 30 => {
                            first = before.once.counts.at;
                            count += 1;
                        }
                        Some(_) if before.conclusive => break,
                        _ => {}
                    }
                }
                if count >= 2 && (one.once.counts.at - first) / MINUTE >= 120 {
                    tiers.push(Tier::Critical);
                }
            }
        }
        let pressure = &one.once.counts;
        let speaks = one.delta.is_some_and(|delta| delta <= 30);
        if pressure.mmhg.half_up() >= 30 && !pressure.comparator.starts_with('<') && !speaks {
            tiers.push(Tier::Watch);
        }
        if falls(&judged[..=index], diastolics) {
            tiers.push(Tier::Watch);
        }
        let tier = tiers.into_iter().max();
        judged[index].tier = tier;
    }
}

fn delta_tier(delta: i64) -> Option<Tier> {
    match delta {
        ..=20 => Some(Tier::Critical),
        21..=30 => Some(Tier::Act),
        31..=40 => Some(Tier::Watch),
        _ => None,
    }
}

/// Rule delta-falling: Theil and Sen's line through the last 6 exact deltas of 360 minutes (3 at
/// least, over 30 minutes at least) reaches 30 within 60 minutes from the newest.
fn falls(judged: &[Judged], diastolics: &[Once]) -> bool {
    let mut points: Vec<(f64, f64)> = Vec::new();
    let mut begun = None;
    for one in judged {
        let (Some(delta), Some(index), false) = (one.delta, one.diastolic, one.bounded) else {
            continue;
        };
        let (diastolic, compartment) = (&diastolics[index].counts, &one.once.counts);
        let exact = match diastolic.direct && compartment.direct {
            true => (diastolic.mmhg - compartment.mmhg).float(),
            false => delta as f64,
        };
        let origin = *begun.get_or_insert(compartment.at);
        points.push(((compartment.at - origin) as f64 / MINUTE as f64, exact));
    }
    let newest = &judged[judged.len() - 1];
    let (Some(delta), false) = (newest.delta, newest.bounded) else {
        return false;
    };
    let Some((now, last)) = points.last().copied() else {
        return false;
    };
    if delta <= 30 || last <= 30.0 {
        return false;
    }
    let from = points.len().saturating_sub(6);
    let points: Vec<(f64, f64)> = points[from..]
        .iter()
        .copied()
        .filter(|point| point.0 >= now - 360.0)
        .collect();
    if points.len() < 3 || now - points[0].0 < 30.0 {
        return false;
    }
    let mut slopes = Vec::new();
    for (index, one) in points.iter().enumerate() {
        for other in &points[index + 1..] {
            if other.0 > one.0 {
                slopes.push((other.1 - one.1) / (other.0 - one.0));
            }
        }
    }
    slopes.sort_by(f64::total_cmp);
    let middle = slopes.len() / 2;
    let Some(upper) = slopes.get(middle) else { return false };
    let slope = if slopes.len() % 2 == 1 {
        *upper
    } else {
        (slopes[middle - 1] + upper) / 2.0
    };
    slope <= -(last - 30.0) / 60.0
}

/// Rules delta-carried-20 and -30: newer diastolics against a reading, for 240 minutes or until the
/// next reading of the site; not the diastolic taken within 5 minutes of that one and paired with it.
fn carry(judged: &mut [Judged], diastolics: &[Once]) {
    for index in 0..judged.len() {
        let one = &judged[index];
        let compartment = one.once.counts.clone();
        let next = judged[index + 1..].iter().find(|next| next.gives_way_to != Some(index));
        let beside = next.and_then(|next| {
            let simultaneous = |index: &usize| (diastolics[*index].counts.at - next.once.counts.at).abs() <= 5 * MINUTE;
            next.diastolic.filter(simultaneous)
        });
        let paired_at = one
            .diastolic
            .map_or(compartment.at, |index| diastolics[index].counts.at);
        let after = paired_at.max(compartment.at);
        let mut newer: Vec<usize> = (0..diastolics.len())
            .filter(|index| {
                let at = diastolics[*index].counts.at;
                at > after
                    && at <= compartment.at + 240 * MINUTE
                    && next.is_none_or(|next| at < next.once.counts.at)
                    && Some(*index) != beside
            })
            .collect();
        newer.sort_by(|one, other| {
            let (one, other) = (&diastolics[*one], &diastolics[*other]);
            in_order(&one.counts, &other.counts).then(one.counts.how.cmp(&other.counts.how))
        });
        let mut highest = one.tier;
        let mut carried = Vec::new();
        for index in newer {
            let Some(delta) = difference(&diastolics[index].counts, &compartment) else {
                continue;
            };
            let tier = delta_tier(delta).filter(|tier| *tier >= Tier::Act);
            carried.push(Carried {
                diastolic: index,
                bounded: is_bounded(&diastolics[index].counts, &compartment),
                tier,
                written: tier > highest,
            });
            highest = highest.max(tier);
        }
        judged[index].carried = carried;
    }
}

fn write(one: &Judged, diastolics: &[Once], expected: &mut Expected) {
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
        expected.observations.push(Stands {
            sources,
            at: compartment.at,
            carried: false,
            tenths: (diastolics[index].counts.mmhg - compartment.mmhg).half_down_parts(10),
            bounded: one.bounded,
            interpretation: interpretation(one.tier),
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
