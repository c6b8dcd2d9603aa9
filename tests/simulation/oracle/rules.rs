//! The rules that look at one reading, and carried deltas.

use super::once::{Once, in_order};
use super::pairing::{difference, is_bounded};
use super::{Carried, Judged, MINUTE, Tier};

/// Rules mean-delta-30 (children), pressure-30 (adults), delta-none-left, delta-20, delta-30, delta-sustained, delta-near, delta-falling.
pub(super) fn judge(judged: &mut [Judged], diastolics: &[Once], means: &[Once], is_child: bool) {
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
        if !is_child && pressure.mmhg.half_up() >= 30 && !pressure.comparator.starts_with('<') && !speaks {
            tiers.push(Tier::Watch);
        }
        if falls(&judged[..=index], diastolics) {
            tiers.push(Tier::Watch);
        }
        let delta_tier = tiers.into_iter().max();
        // Rule mean-delta-30 of the children's sheet.
        let against = |mean: usize| difference(&means[mean].counts, &one.once.counts);
        let by_mean = one
            .mean
            .filter(|mean| is_child && against(*mean) <= Some(30))
            .map(|_| Tier::Act);
        judged[index].tier = delta_tier.max(by_mean);
        judged[index].delta_tier = delta_tier;
    }
}

pub(super) fn delta_tier(delta: i64) -> Option<Tier> {
    match delta {
        ..=20 => Some(Tier::Critical),
        21..=30 => Some(Tier::Act),
        31..=40 => Some(Tier::Watch),
        _ => None,
    }
}

/// Rule delta-falling: Theil and Sen's line through the last 6 exact deltas of 360 minutes (3 at
/// least, over 30 minutes at least) reaches 30 within 60 minutes from the newest.
pub(super) fn falls(judged: &[Judged], diastolics: &[Once]) -> bool {
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
pub(super) fn carry(judged: &mut [Judged], diastolics: &[Once]) {
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
