//! A compartment reading with its diastolic, and readings that contradict each other.

use super::once::Once;
use super::{Judged, MINUTE, Reading};
use crate::history::How;

pub(super) fn within(diastolic: &Reading, compartment: &Reading) -> bool {
    let after = diastolic.at - compartment.at;
    (-60 * MINUTE..=5 * MINUTE).contains(&after)
}

/// Design §4: smallest distance; the method order among those within 5 minutes of the best; then
/// later, then the later version, then the source.
fn nearest(compartment: &Reading, pressures: &[Once], method_order: &[How]) -> Option<usize> {
    let away = |index: usize| (pressures[index].counts.at - compartment.at).abs();
    let candidates: Vec<usize> = (0..pressures.len())
        .filter(|index| within(&pressures[*index].counts, compartment))
        .collect();
    let best = candidates.iter().map(|index| away(*index)).min()?;
    let rank = |index: usize| {
        let how = pressures[index].counts.how;
        method_order
            .iter()
            .position(|one| *one == how)
            .unwrap_or(method_order.len())
    };
    let reach = if method_order.is_empty() { 0 } else { 5 * MINUTE };
    let close = candidates.iter().copied().filter(|index| away(*index) <= best + reach);
    close.min_by(|one, other| {
        let (left, right) = (&pressures[*one].counts, &pressures[*other].counts);
        (rank(*one), away(*one))
            .cmp(&(rank(*other), away(*other)))
            .then(right.at.cmp(&left.at))
            .then(right.version.cmp(&left.version))
            .then(right.source.cmp(&left.source))
    })
}

pub(super) fn pair(once: &Once, diastolics: &[Once], means: &[Once], method_order: &[How]) -> Judged {
    let compartment = &once.counts;
    let away = |index: usize| (diastolics[index].counts.at - compartment.at).abs();
    let chosen = nearest(compartment, diastolics, method_order);
    let (diastolic, other_method) = match chosen.map(|chosen| lower_method(chosen, compartment, diastolics)) {
        Some(Some((low, high))) => (Some(low), Some(high)),
        _ => (chosen, None),
    };
    let delta = diastolic.and_then(|index| difference(&diastolics[index].counts, compartment));
    let bounded = diastolic.is_some_and(|index| is_bounded(&diastolics[index].counts, compartment));
    let mean = nearest(compartment, means, method_order);
    Judged {
        once: once.clone(),
        diastolic,
        other_method,
        delta,
        bounded,
        conclusive: delta.is_some() && !bounded && diastolic.is_some_and(|index| away(index) <= 15 * MINUTE),
        // Against "less than" there is no difference.
        mean: mean.filter(|index| difference(&means[*index].counts, compartment).is_some()),
        tier: None,
        delta_tier: None,
        contradicted: false,
        gives_way_to: None,
        carried: Vec::new(),
    }
}

/// Rule diastolics-disagree: within 5 minutes of the chosen one, cuff and line more than 15 apart:
/// the lowest counts, against the highest of the other method.
pub(super) fn lower_method(chosen: usize, compartment: &Reading, diastolics: &[Once]) -> Option<(usize, usize)> {
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

pub(super) fn is_bounded(diastolic: &Reading, compartment: &Reading) -> bool {
    !diastolic.comparator.is_empty() || !compartment.comparator.is_empty()
}

/// diastolic − compartment in whole mmHg; none when the compartment pressure is only "less than".
pub(super) fn difference(diastolic: &Reading, compartment: &Reading) -> Option<i64> {
    (!compartment.comparator.starts_with('<')).then(|| (diastolic.mmhg - compartment.mmhg).half_down())
}

/// Rule readings-disagree: within 5 minutes, more than 10 apart: the lower delta counts.
pub(super) fn contradict(judged: &mut [Judged]) {
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
