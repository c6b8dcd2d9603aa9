//! What all threads have read → the inputs of each patient. Pure.
//!
//! Which version of a resource counts is decided over all lines, so the order and the split of the
//! lines do not matter. Buckets of sources, then buckets of patients, are each judged by themselves.
use super::ReplayError;
use super::cohort::{BUCKETS, Cohort, Event, Held, Inputs, Kept, Order, PatientInputs, What, bucket, hash};
use super::share::{by_bucket, share};
use crate::fhir::Instant;
use crate::patient::step;
use crate::recognise::reading::{PatientKey, Version};
use crate::recognise::{Person, Reason, Recognised, Withdrawal};
use rustc_hash::FxHashMap;
use std::collections::hash_map::Entry;

/// What all threads have read, by patient, in order of their keys; and what was counted. It takes as
/// many threads as there are cohorts.
///
/// # Errors
/// When a thread failed, which is a fault of this program.
pub fn gather(cohorts: Vec<Cohort>, order: Order) -> Result<(Vec<PatientInputs>, Inputs), ReplayError> {
    let threads = cohorts.len();
    let mut inputs = Inputs::default();
    let (mut kept, mut people) = (Vec::new(), Vec::new());
    for cohort in cohorts {
        inputs.merge(cohort.inputs);
        kept.push(cohort.kept);
        people.extend(cohort.people);
    }
    let found = share(threads, by_bucket(kept), |pieces| of_sources(pieces, order))?;
    let mut happened = Vec::with_capacity(found.len());
    for (events, counted) in found {
        happened.push(events);
        inputs.merge(counted);
    }
    let mut persons = newest_persons(people, &mut inputs);
    let patients = share(threads, by_bucket(happened), by_patient)?;
    let mut patients: Vec<PatientInputs> = patients.into_iter().flatten().collect();
    for inputs in &mut patients {
        if let Some((_, person)) = persons.remove(&inputs.patient) {
            inputs.person = person;
        }
    }
    patients.sort_unstable_by(|one, other| one.patient.cmp(&other.patient));
    Ok((patients, inputs))
}

/// Something that happens to a patient, by the hash of their key.
type Happened = (u64, PatientKey, Event);

/// What happens to whom, in buckets by patient, of one bucket of sources; and what was counted.
fn of_sources(pieces: Vec<Vec<Kept>>, order: Order) -> (Vec<Vec<Happened>>, Inputs) {
    let mut inputs = Inputs::default();
    let mut all = Vec::with_capacity(pieces.iter().map(Vec::len).sum());
    all.extend(pieces.into_iter().flatten());
    all.sort_unstable_by_key(|one: &Kept| one.source);
    let mut buckets: Vec<Vec<Happened>> = (0..BUCKETS).map(|_| Vec::new()).collect();
    let mut happens = |patient: PatientKey, event| {
        let patient_hash = hash(&patient.0);
        buckets[bucket(patient_hash)].push((patient_hash, patient, event));
    };
    let mut all = all.into_iter().peekable();
    while let Some(first) = all.next() {
        let source = first.source;
        let is_alone = all.peek().is_none_or(|more| more.source != source);
        if is_alone && order == Order::Taken {
            newest(first, &mut inputs, &mut happens);
            continue;
        }
        let mut versions = vec![first];
        while let Some(more) = all.next_if(|more| more.source == source) {
            versions.push(more);
        }
        // Two names of one hash are told apart here.
        if versions.len() > 1 {
            versions.sort_unstable_by(|one, other| (one.source(), recency(one)).cmp(&(other.source(), recency(other))));
        }
        while let Some(last) = versions.last() {
            let from = versions.partition_point(|one| one.source() < last.source());
            let mut versions = versions.split_off(from);
            inputs.shared_ids += u64::from(name_several_patients(&versions));
            match order {
                Order::Taken => {
                    inputs.superseded += versions.len().saturating_sub(1) as u64;
                    if let Some(last) = versions.pop() {
                        newest(last, &mut inputs, &mut happens);
                    }
                }
                Order::Arrived => every(versions, &mut inputs, &mut happens),
            }
        }
    }
    (buckets, inputs)
}

/// lastUpdated decides which version is the newest, then the version's own order; of one version that was
/// read in two ways the one that takes the reading away.
fn recency(one: &Kept) -> ((Option<Instant>, &Version), bool) {
    (version_recency(one.version()), one.is_foreign())
}

/// True when versions of one resource name different patients: a correction, or files of two servers.
fn name_several_patients(versions: &[Kept]) -> bool {
    let mut patients = versions.iter().filter_map(|one| match &one.held {
        Held::Recognised(one) => one.patient.as_ref(),
        Held::Foreign(_) => None,
    });
    let first = patients.next();
    patients.any(|other| Some(other) != first)
}

/// The newest version of a resource, at the time at which it was taken.
fn newest(Kept { at, held, .. }: Kept, inputs: &mut Inputs, happens: &mut impl FnMut(PatientKey, Event)) {
    let mut one = match held {
        Held::Foreign(one) => return count_reason(inputs, one.reason),
        Held::Recognised(one) => one,
    };
    count_refusals(inputs, &one);
    if one.withdrawn.is_some() {
        inputs.withdrawn += 1;
    } else if let Some(patient) = one.patient.take() {
        let what = What::Version(one);
        happens(patient, Event { at, what });
    }
}

/// The versions of one resource, in order, each at the time at which it arrived: to its patient, and away
/// from the one before.
fn every(versions: Vec<Kept>, inputs: &mut Inputs, happens: &mut impl FnMut(PatientKey, Event)) {
    let is_of_concern = versions.iter().any(|one| !one.is_foreign());
    let mut known: Vec<(Instant, Box<Recognised>)> = Vec::with_capacity(versions.len());
    for Kept { at, held, .. } in versions {
        match held {
            Held::Recognised(one) => known.push((at, one)),
            // A version that is of no concern takes the reading of the version before with it.
            Held::Foreign(one) => {
                count_reason(inputs, one.reason);
                if is_of_concern {
                    let at = one.version.last_updated.unwrap_or(at);
                    let how = Withdrawal::MovedToAnotherPatient;
                    known.push((at, Box::new(step::withdrawn(one.source, one.version, how))));
                }
            }
        }
    }
    known.dedup_by(|(_, one), (_, other)| one.version == other.version);
    inputs.superseded += known.len().saturating_sub(1) as u64;
    if let Some((_, newest)) = known.last() {
        inputs.withdrawn += u64::from(newest.withdrawn.is_some());
        count_refusals(inputs, newest);
    }
    let mut before: Option<PatientKey> = None;
    for (at, one) in known {
        let at = one.version.last_updated.unwrap_or(at);
        let to = one.patient.clone().or_else(|| before.clone());
        if let Some(before) = before.filter(|before| Some(before) != to.as_ref()) {
            let what = What::Moved {
                source: one.source.clone(),
                version: one.version.clone(),
            };
            happens(before, Event { at, what });
        }
        before = to.clone();
        if let Some(to) = to {
            let what = What::Version(one);
            happens(to, Event { at, what });
        }
    }
}

fn count_reason(inputs: &mut Inputs, reason: Option<Reason>) {
    if let Some(reason) = reason {
        *inputs.set_aside.entry(reason).or_default() += 1;
    }
}

fn count_refusals(inputs: &mut Inputs, one: &Recognised) {
    for refusal in &one.refusals {
        count_reason(inputs, Some(refusal.reason));
    }
}

/// One bucket of patients; nothing is known yet of the persons.
fn by_patient(pieces: Vec<Vec<Happened>>) -> Vec<PatientInputs> {
    let mut all = Vec::with_capacity(pieces.iter().map(Vec::len).sum());
    all.extend(pieces.into_iter().flatten());
    all.sort_unstable_by(
        |(hash, patient, event): &Happened, (other_hash, other_patient, other): &Happened| {
            (hash.cmp(other_hash))
                .then_with(|| patient.cmp(other_patient))
                .then_with(|| event.at.cmp(&other.at))
                .then_with(|| event.what.name().cmp(&other.what.name()))
        },
    );
    let mut patients: Vec<PatientInputs> = Vec::new();
    for (_, patient, event) in all {
        match patients.last_mut() {
            Some(known) if known.patient == patient => known.events.push(event),
            _ => patients.push(PatientInputs {
                patient,
                person: Person::default(),
                events: vec![event],
            }),
        }
    }
    patients
}

fn newest_persons(
    people: Vec<(PatientKey, Version, Person)>,
    inputs: &mut Inputs,
) -> FxHashMap<PatientKey, (Version, Person)> {
    let mut persons: FxHashMap<PatientKey, (Version, Person)> = FxHashMap::default();
    for (patient, version, person) in people {
        match persons.entry(patient) {
            Entry::Vacant(free) => {
                free.insert((version, person));
            }
            Entry::Occupied(mut held) => {
                inputs.superseded += 1;
                if version_recency(&held.get().0) < version_recency(&version) {
                    held.insert((version, person));
                }
            }
        }
    }
    persons
}

fn version_recency(version: &Version) -> (Option<Instant>, &Version) {
    (version.last_updated, version)
}
