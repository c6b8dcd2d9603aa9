//! The bound on one patient's retained history (invariant 11). Which readings are kept depends only
//! on the set, never on the order of arrival: always the newest.

use crate::fhir::Instant;
use crate::patient::effect::Step;
use crate::patient::state::{Slot, State};
use crate::recognise::{Reason, Refusal};

/// Source resources kept in judgement for one patient (a reading a minute for three days); past it
/// the oldest are set aside as `beyond-history`.
pub const SLOTS_KEPT: usize = 5_000;

/// Forget the oldest slots beyond the limit. What was derived from them stays in the record.
pub(super) fn forget_oldest(state: &mut State, step: &mut Step) {
    let excess = state.slots.len().saturating_sub(SLOTS_KEPT);
    if excess == 0 {
        return;
    }
    let slots = state.slots.values();
    let mut oldest: Vec<(Instant, &str)> = slots.map(|slot| (moment(slot), slot.source.as_str())).collect();
    oldest.select_nth_unstable(excess - 1);
    oldest.truncate(excess);
    oldest.sort_unstable();
    let oldest: Vec<String> = oldest.into_iter().map(|(_, source)| source.to_owned()).collect();
    for source in oldest {
        forget(state, &source, step);
    }
}

/// When a slot's newest reading was taken, or until when it says what is so of the patient; without
/// either, when the resource was last updated.
pub(super) fn moment(slot: &Slot) -> Instant {
    let taken = slot.readings.iter().map(|reading| reading.at);
    let recorded = slot.contexts.iter().map(|context| context.end.unwrap_or(context.start));
    let latest = taken.chain(recorded).max();
    latest.or(slot.version.last_updated).unwrap_or(slot.received)
}

fn forget(state: &mut State, source: &str, step: &mut Step) {
    let Some(slot) = state.slots.remove(source) else { return };
    for receipt in &slot.published {
        state.standing.remove(&receipt.identity);
        step.standing.remove(&receipt.identity);
        step.forgotten_standing.push(receipt.identity);
    }
    // A message that stood on it has not lost its ground: the ground is only no longer kept.
    for (key, concern) in &mut state.concerns {
        let before = concern.told.len();
        concern
            .told
            .retain(|told| told.source != source && told.diastolic.as_deref() != Some(source));
        if concern.told.len() != before {
            step.concerns.insert(key.clone());
        }
    }
    step.slots.remove(source);
    step.forgotten.push(source.to_owned());
    let refusal = Refusal {
        part: String::new(),
        reason: Reason::BeyondHistory,
        detail: String::new(),
        meant: None,
    };
    step.refusals.retain(|(of, _)| of != source);
    step.refusals.push((source.to_owned(), vec![refusal]));
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::fhir::Decimal;
    use crate::patient::{AskPolicy, Input, step};
    use crate::recognise::reading::{PatientKey, Pressure, ReadingStatus};
    use crate::recognise::{Kind, Method, Reading, Recognised, Side, Version};
    use crate::rules::Sheet;

    fn diastolic(number: usize) -> Input {
        let at = Instant::from_millis(0).plus_minutes(i64::try_from(number).unwrap());
        let pressure = Pressure {
            mmhg: Decimal::from(70),
            sent_value: "70".into(),
            sent_unit: "mmHg".into(),
            comparator: None,
        };
        let reading = Reading {
            part: "".into(),
            kind: Kind::Diastolic,
            pressure,
            start: at,
            at,
            site: None,
            body_site_json: None,
            method: Method::Cuff,
            status: ReadingStatus::Final,
            identifiers: Vec::new(),
            quality: None,
        };
        Input::Recognised(Recognised {
            source: format!("Observation/{number}"),
            version: Version {
                last_updated: Some(at),
                number: Some(1),
                id: "1".into(),
                digest: "".into(),
            },
            patient: None,
            withdrawn: None,
            readings: vec![reading],
            refusals: Vec::new(),
            members: Vec::new(),
            members_side: Side::Unstated,
            contexts: Vec::new(),
        })
    }

    #[test]
    fn the_newest_are_kept_in_any_order_of_arrival_and_the_loss_is_visible() {
        let sheet = Sheet::adult().unwrap();
        let policy = AskPolicy {
            ask: false,
            timeout_seconds: 0,
        };
        let now = Instant::from_millis(0).plus_minutes(10_000);
        let numbers: Vec<usize> = (0..SLOTS_KEPT + 7).collect();
        let backwards: Vec<usize> = numbers.iter().rev().copied().collect();
        for order in [numbers, backwards] {
            let mut state = State::new(PatientKey("Patient/1".into()));
            let (mut forgotten, mut refused) = (Vec::new(), 0);
            for part in order.chunks(2_000) {
                let inputs = part.iter().map(|number| diastolic(*number)).collect();
                let step = step(&mut state, inputs, &sheet, policy, now);
                forgotten.extend(step.forgotten);
                let beyond = |refusal: &Refusal| refusal.reason == Reason::BeyondHistory;
                refused += step
                    .refusals
                    .iter()
                    .filter(|(_, refusals)| refusals.iter().any(beyond))
                    .count();
            }
            forgotten.sort();
            let mut oldest: Vec<String> = (0..7).map(|number| format!("Observation/{number}")).collect();
            oldest.sort();
            assert_eq!(state.slots.len(), SLOTS_KEPT);
            assert_eq!(forgotten, oldest);
            assert_eq!(refused, 7);
        }
    }
}
