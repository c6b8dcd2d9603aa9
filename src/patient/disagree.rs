//! Two readings of one compartment, close together, that differ.

use crate::fhir::instant::MINUTE_MILLIS;
use crate::patient::assess::{Assessment, Measurement};
use crate::rules::{RuleKind, Sheet};

/// True when two measurements of one site, within `minutes`, differ by more than `more_than`.
fn differ(one: &Measurement<'_>, other: &Measurement<'_>, minutes: i64, more_than: i64) -> bool {
    one.at().millis_since(other.at()).saturating_abs() <= minutes * MINUTE_MILLIS
        && one
            .whole_pressure()
            .saturating_sub(other.whole_pressure())
            .saturating_abs()
            > more_than
        && one.gathered.comparator.is_none()
        && other.gathered.comparator.is_none()
}

/// Mark readings of one compartment that contradict each other: the one with the higher delta
/// helps to close nothing, for the lower delta counts.
pub(super) fn mark_disagreeing(assessment: &mut Assessment<'_>, sheet: &Sheet) {
    let rule = sheet.rules.iter().find_map(|rule| match rule.kind {
        RuleKind::ReadingsDisagree { minutes, more_than } => Some((minutes, more_than)),
        _ => None,
    });
    let Some((minutes, more_than)) = rule else { return };
    let measurements = &mut assessment.measurements;
    for index in 1..measurements.len() {
        let (before, rest) = measurements.split_at_mut(index);
        let Some(newer) = rest.first_mut() else { return };
        let site = newer.gathered.site;
        let from = newer.at().plus_minutes(-minutes);
        for (earlier_index, earlier) in before.iter_mut().enumerate().rev() {
            if earlier.gathered.site != site || earlier.at() < from {
                break;
            }
            if !differ(newer, earlier, minutes, more_than) {
                continue;
            }
            let first = newer.disagrees_with.is_none();
            // The newest of the earlier ones is named.
            newer.disagrees_with = newer.disagrees_with.or(Some(earlier_index));
            if is_nearer(newer, earlier) {
                earlier.conclusive = false;
            } else {
                newer.conclusive = false;
                newer.yields |= first;
            }
        }
    }
}

/// Against any one diastolic the higher pressure gives the lower delta.
fn is_nearer(one: &Measurement<'_>, other: &Measurement<'_>) -> bool {
    one.whole_pressure() > other.whole_pressure()
}
