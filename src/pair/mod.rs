//! 3. A compartment reading with the diastolic nearest in time. Pure.
//!
//! Comes in: one patient's usable diastolics in time order and the moment of a compartment
//! reading. Goes out: the diastolic chosen, or none. There is no published period for which a
//! diastolic stays valid: every limit is the rule sheet's.

use crate::fhir::Instant;
use crate::fhir::instant::MINUTE_MILLIS;
use crate::outbox::draft::AgeClass;
use crate::recognise::{Method, Version};
use crate::rules::sheet::Pairing;

/// What pairing needs to know of a diastolic.
#[derive(Clone, Copy, Debug)]
pub struct Candidate<'s> {
    /// When it was measured.
    pub at: Instant,
    /// How.
    pub method: Method,
    /// Version of its source.
    pub version: &'s Version,
    /// `Observation/abc`.
    pub source: &'s str,
}

/// Diastolics in order of time. Their times stand apart as well: most of pairing is a search in them.
#[derive(Debug)]
pub struct Candidates<'s> {
    all: Vec<Candidate<'s>>,
    times: Vec<Instant>,
}

impl<'s> FromIterator<Candidate<'s>> for Candidates<'s> {
    /// Of candidates that come in order of time.
    fn from_iter<I: IntoIterator<Item = Candidate<'s>>>(candidates: I) -> Self {
        let all: Vec<Candidate<'s>> = candidates.into_iter().collect();
        let times = all.iter().map(|candidate| candidate.at).collect();
        Self { all, times }
    }
}

/// How many of `times`, which are in order, lie before `at`. `near` is the answer for a moment not
/// much earlier, from which a few steps lead on: compartment readings come in order of time as well.
pub fn count_before(times: &[Instant], at: Instant, near: usize) -> usize {
    match times.get(..near) {
        Some(earlier) if earlier.last().is_none_or(|time| *time < at) => {
            near + times[near..].iter().take_while(|time| **time < at).count()
        }
        _ => times.partition_point(|time| *time < at),
    }
}

/// The index of the diastolic to pair with a compartment reading at `at`.
///
/// The smallest distance wins. A method that the sheet prefers wins among those within
/// `simultaneous_minutes` of the best distance. Ties: later effective, then later version, then
/// the greater source identity.
pub fn choose(candidates: &Candidates<'_>, at: Instant, pairing: &Pairing) -> Option<usize> {
    let times = &candidates.times;
    let middle = count_before(times, at, usize::MAX);
    choose_at(times, |index| candidates.all[index], middle, at, pairing)
}

/// As [`choose`], by the `times` of the candidates, of which `middle` lie before `at`; `candidate` is
/// asked for only where times do not decide.
pub fn choose_at<'s>(
    times: &[Instant],
    candidate: impl Fn(usize) -> Candidate<'s>,
    middle: usize,
    at: Instant,
    pairing: &Pairing,
) -> Option<usize> {
    let before = (pairing.before_minutes + i64::from(mutated!(WindowLonger))) * MINUTE_MILLIS;
    let after = pairing.after_minutes * MINUTE_MILLIS;
    // Only the neighbours of `at` can be nearest; a method order may reach a little further.
    let (earlier, later) = times.split_at(middle);
    let within_limit = |time: Option<&Instant>, limit: i64| {
        time.map(|time| distance(*time, at))
            .filter(|distance| *distance <= limit)
    };
    let nearest = match (within_limit(earlier.last(), before), within_limit(later.first(), after)) {
        (Some(one), Some(other)) => one.min(other),
        (one, other) => one.or(other)?,
    };
    let reach = if pairing.method_order.is_empty() {
        nearest
    } else {
        nearest.saturating_add(pairing.simultaneous_minutes * MINUTE_MILLIS)
    };
    let within = |limit: i64| move |time: &&Instant| distance(**time, at) <= reach.min(limit);
    let low = middle - earlier.iter().rev().take_while(within(before)).count();
    let high = middle + later.iter().take_while(within(after)).count();
    // The usual case: one is nearest.
    if high == low + 1 {
        return Some(low);
    }
    (low..high).min_by(|left, right| {
        let (left, right) = (candidate(*left), candidate(*right));
        let method = |candidate: &Candidate<'_>| rank(candidate.method, &pairing.method_order);
        method(&left)
            .cmp(&method(&right))
            .then_with(|| distance(left.at, at).cmp(&distance(right.at, at)))
            .then_with(|| match mutated!(TieEarlier) {
                true => left.at.cmp(&right.at),
                false => right.at.cmp(&left.at),
            })
            .then_with(|| recency(right.version).cmp(&recency(left.version)))
            .then_with(|| right.source.cmp(left.source))
    })
}

/// What makes one version later than another, of two resources too. Their digests say nothing of that.
const fn recency(version: &Version) -> (Option<u64>, Option<Instant>) {
    (version.number, version.last_updated)
}

/// How old a diastolic may be called, by its distance from the compartment reading.
pub fn age_class(diastolic: Instant, compartment: Instant, pairing: &Pairing) -> AgeClass {
    let distance = distance(diastolic, compartment);
    if distance <= pairing.simultaneous_minutes * MINUTE_MILLIS {
        AgeClass::Simultaneous
    } else if distance <= pairing.paired_minutes * MINUTE_MILLIS {
        AgeClass::Paired
    } else {
        AgeClass::Stale
    }
}

fn distance(one: Instant, other: Instant) -> i64 {
    one.millis_since(other).saturating_abs()
}

fn rank(method: Method, order: &[Method]) -> usize {
    if mutated!(MethodIgnored) {
        return 0;
    }
    order
        .iter()
        .position(|preferred| *preferred == method)
        .unwrap_or(order.len())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::rules::Sheet;

    fn version(number: u64) -> Version {
        Version {
            last_updated: None,
            number: Some(number),
            id: number.to_string().into(),
            digest: "".into(),
        }
    }

    fn choice(candidates: &[(i64, Method, u64, &str)], order: &[Method]) -> Option<usize> {
        let mut pairing = Sheet::adult().unwrap().pairing;
        pairing.method_order = order.to_vec();
        let versions: Vec<Version> = candidates.iter().map(|candidate| version(candidate.2)).collect();
        let list: Candidates<'_> = candidates
            .iter()
            .zip(&versions)
            .map(|((minute, method, _, source), version)| Candidate {
                at: Instant::from_millis(0).plus_minutes(*minute),
                method: *method,
                version,
                source,
            })
            .collect();
        choose(&list, Instant::from_millis(0), &pairing)
    }

    #[test]
    fn nearest_wins_and_the_window_is_inclusive() {
        use Method::Cuff;
        assert_eq!(choice(&[(-60, Cuff, 1, "a")], &[]), Some(0));
        assert_eq!(choice(&[(-61, Cuff, 1, "a")], &[]), None);
        assert_eq!(choice(&[(5, Cuff, 1, "a")], &[]), Some(0));
        assert_eq!(choice(&[(6, Cuff, 1, "a")], &[]), None);
        assert_eq!(
            choice(&[(-30, Cuff, 1, "a"), (-4, Cuff, 1, "b"), (5, Cuff, 1, "c")], &[]),
            Some(1)
        );
    }

    #[test]
    fn ties_go_to_the_later_then_the_newer_version_then_the_source() {
        use Method::Cuff;
        assert_eq!(choice(&[(-3, Cuff, 9, "z"), (3, Cuff, 1, "a")], &[]), Some(1));
        assert_eq!(choice(&[(-3, Cuff, 1, "z"), (-3, Cuff, 2, "a")], &[]), Some(1));
        assert_eq!(choice(&[(-3, Cuff, 1, "a"), (-3, Cuff, 1, "b")], &[]), Some(1));
    }

    #[test]
    fn what_a_resource_holds_breaks_no_tie() {
        let versions = ["ffff", "0000"].map(|digest| Version {
            digest: digest.into(),
            ..version(1)
        });
        let sources = ["a", "b"];
        let list: Vec<Candidate<'_>> = (0..2)
            .map(|index| Candidate {
                at: Instant::from_millis(0),
                method: Method::Cuff,
                version: &versions[index],
                source: sources[index],
            })
            .collect();
        let pairing = Sheet::adult().unwrap().pairing;
        assert_eq!(
            choose(&list.iter().copied().collect(), Instant::from_millis(0), &pairing),
            Some(1)
        );
    }

    #[test]
    fn a_preferred_method_wins_only_near_the_best() {
        use Method::{ArterialLine, Cuff};
        assert_eq!(
            choice(&[(-6, ArterialLine, 1, "a"), (-1, Cuff, 1, "b")], &[ArterialLine]),
            Some(0)
        );
        assert_eq!(
            choice(&[(-7, ArterialLine, 1, "a"), (-1, Cuff, 1, "b")], &[ArterialLine]),
            Some(1)
        );
    }
}
