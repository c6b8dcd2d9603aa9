//! What all threads have read → the inputs of each patient. Pure.
//!
//! Which version of a resource counts is decided over all lines, so the order and the split of the
//! lines do not matter. Buckets of sources, then buckets of patients, are each judged by themselves.
#![expect(clippy::vec_box, reason = "a version is large, and is moved from list to list")]

use super::ReplayError;
use super::cohort::{BUCKETS, Cohort, Event, Foreign, Inputs, Order, PatientInputs, What, bucket};
use super::share::{by_bucket, share};
use crate::fhir::Instant;
use crate::patient::step;
use crate::recognise::reading::{PatientKey, Version};
use crate::recognise::{Person, Reason, Recognised, Withdrawal};
use rustc_hash::FxHashMap;
use std::collections::hash_map::Entry;
use xxhash_rust::xxh3::xxh3_64;

/// What all threads have read, by patient, in order of their keys; and what was counted. It takes as
/// many threads as there are cohorts.
///
/// # Errors
/// When a thread failed, which is a fault of this program.
pub fn gather(cohorts: Vec<Cohort>, order: Order) -> Result<(Vec<PatientInputs>, Inputs), ReplayError> {
    let threads = cohorts.len();
    let mut inputs = Inputs::default();
    let (mut recognised, mut foreign, mut people) = (Vec::new(), Vec::new(), Vec::new());
    for cohort in cohorts {
        inputs.merge(cohort.inputs);
        recognised.push(cohort.recognised);
        foreign.push(cohort.foreign);
        people.extend(cohort.people);
    }
    let of_sources = by_bucket(recognised).into_iter().zip(by_bucket(foreign)).collect();
    let found = share(threads, of_sources, |(recognised, foreign)| {
        of_sources_events(recognised, foreign.into_iter().flatten().collect(), order)
    })?;
    let mut of_patients = Vec::with_capacity(found.len());
    for (events, counted) in found {
        of_patients.push(events);
        inputs.merge(counted);
    }
    let mut persons = newest_persons(people, &mut inputs);
    let patients = share(threads, by_bucket(of_patients), by_patient)?;
    let mut patients: Vec<PatientInputs> = patients.into_iter().flatten().collect();
    for inputs in &mut patients {
        if let Some((_, person)) = persons.remove(&inputs.patient) {
            inputs.person = person;
        }
    }
    patients.sort_unstable_by(|one, other| one.patient.cmp(&other.patient));
    Ok((patients, inputs))
}

/// What happens to whom, in buckets by patient, of one bucket of sources; and what was counted.
fn of_sources_events(
    recognised: Vec<Vec<Box<Recognised>>>,
    foreign: Vec<Foreign>,
    order: Order,
) -> (Vec<Vec<(PatientKey, Event)>>, Inputs) {
    let mut inputs = Inputs::default();
    let events = match order {
        Order::Taken => newest(recognised, foreign, &mut inputs),
        Order::Arrived => every(recognised, foreign, &mut inputs),
    };
    let mut buckets: Vec<Vec<(PatientKey, Event)>> = (0..BUCKETS).map(|_| Vec::new()).collect();
    for (patient, event) in events {
        buckets[bucket(&patient.0)].push((patient, event));
    }
    (buckets, inputs)
}

/// One bucket of patients; nothing is known yet of the persons.
fn by_patient(events: Vec<Vec<(PatientKey, Event)>>) -> Vec<PatientInputs> {
    let mut by_patient: FxHashMap<PatientKey, Vec<Event>> = FxHashMap::default();
    for (patient, event) in events.into_iter().flatten() {
        by_patient.entry(patient).or_default().push(event);
    }
    let inputs = by_patient.into_iter().map(|(patient, mut events)| {
        events.sort_unstable_by(|one, other| (one.at, one.what.name()).cmp(&(other.at, other.what.name())));
        PatientInputs {
            patient,
            person: Person::default(),
            events,
        }
    });
    inputs.collect()
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
                if recency(&held.get().0) < recency(&version) {
                    held.insert((version, person));
                }
            }
        }
    }
    persons
}

/// lastUpdated decides which version is the newest, then the version's own order.
fn recency(version: &Version) -> (Option<Instant>, &Version) {
    (version.last_updated, version)
}

/// By the name of their source. Names are compared, their hash only finds the place.
struct BySource<T> {
    places: FxHashMap<u64, T>,
}

/// Anything that has a source.
trait Sourced {
    fn source(&self) -> &str;
}

impl Sourced for Box<Recognised> {
    fn source(&self) -> &str {
        &self.source
    }
}

impl Sourced for Foreign {
    fn source(&self) -> &str {
        &self.source
    }
}

/// One version of what has a source.
trait Versioned: Sourced {
    fn version(&self) -> &Version;
}

impl Versioned for Box<Recognised> {
    fn version(&self) -> &Version {
        &self.version
    }
}

impl Versioned for Foreign {
    fn version(&self) -> &Version {
        &self.version
    }
}

impl Sourced for Vec<Box<Recognised>> {
    fn source(&self) -> &str {
        self.first().map_or("", |one| &one.source)
    }
}

impl<T: Sourced> BySource<T> {
    fn with_room(count: usize) -> Self {
        let mut places = FxHashMap::default();
        places.reserve(count);
        Self { places }
    }

    /// The newest version of each source; the others are counted.
    fn newest(all: impl Iterator<Item = T>, room: usize, superseded: &mut u64) -> Self
    where
        T: Versioned,
    {
        let mut kept = Self::with_room(room);
        for one in all {
            let place = kept.place(one.source());
            match kept.places.entry(place) {
                Entry::Vacant(free) => {
                    free.insert(one);
                }
                Entry::Occupied(mut held) => {
                    *superseded += 1;
                    if recency(held.get().version()) < recency(one.version()) {
                        held.insert(one);
                    }
                }
            }
        }
        kept
    }

    /// The place of a source: the next free one where another has its hash.
    fn place(&self, source: &str) -> u64 {
        let mut place = xxh3_64(source.as_bytes());
        while self.places.get(&place).is_some_and(|held| held.source() != source) {
            place = place.wrapping_add(1);
        }
        place
    }
}

/// Of each resource the newest version, at the time at which it was taken.
fn newest(all: Vec<Vec<Box<Recognised>>>, foreign: Vec<Foreign>, inputs: &mut Inputs) -> Vec<(PatientKey, Event)> {
    let room = all.iter().map(Vec::len).sum();
    let kept = BySource::newest(all.into_iter().flatten(), room, &mut inputs.superseded);
    let room = foreign.len();
    let of_no_concern = BySource::newest(foreign.into_iter(), room, &mut inputs.superseded);
    let mut overtaken = Vec::new();
    for one in of_no_concern.places.into_values() {
        let place = kept.place(&one.source);
        match kept.places.get(&place) {
            Some(held) if recency(&held.version) > recency(&one.version) => inputs.superseded += 1,
            Some(_) => {
                inputs.superseded += 1;
                overtaken.push(place);
                count_reason(inputs, one.reason);
            }
            None => count_reason(inputs, one.reason),
        }
    }
    overtaken.sort_unstable();
    let mut events = Vec::with_capacity(kept.places.len());
    // Taken out only now: a free place would end the search for another source of equal hash.
    for (place, mut one) in kept.places {
        if overtaken.binary_search(&place).is_ok() {
            continue;
        }
        count_refusals(inputs, &one);
        if one.withdrawn.is_some() {
            inputs.withdrawn += 1;
            continue;
        }
        let at = taken_at(&one);
        if let Some(patient) = one.patient.take() {
            let what = What::Version(one);
            events.push((patient, Event { at, what }));
        }
    }
    events
}

/// Every version, at the time at which it arrived.
fn every(all: Vec<Vec<Box<Recognised>>>, foreign: Vec<Foreign>, inputs: &mut Inputs) -> Vec<(PatientKey, Event)> {
    let mut by_source: BySource<Vec<Box<Recognised>>> = BySource::with_room(all.iter().map(Vec::len).sum());
    for one in all.into_iter().flatten() {
        let place = by_source.place(&one.source);
        by_source.places.entry(place).or_default().push(one);
    }
    // A version that is of no concern takes the reading of the version before with it.
    for one in foreign {
        count_reason(inputs, one.reason);
        let place = by_source.place(&one.source);
        if let Some(versions) = by_source.places.get_mut(&place) {
            let how = Withdrawal::MovedToAnotherPatient;
            versions.push(Box::new(step::withdrawn(one.source, one.version, how)));
        }
    }
    let mut events = Vec::new();
    for versions in by_source.places.into_values() {
        arrivals(versions, inputs, &mut events);
    }
    events
}

/// The versions of one resource: each to its patient, and away from the one before.
fn arrivals(mut versions: Vec<Box<Recognised>>, inputs: &mut Inputs, events: &mut Vec<(PatientKey, Event)>) {
    versions.sort_by(|one, other| recency(&one.version).cmp(&recency(&other.version)));
    versions.dedup_by(|one, other| one.version == other.version);
    inputs.superseded += versions.len().saturating_sub(1) as u64;
    if let Some(newest) = versions.last() {
        inputs.withdrawn += u64::from(newest.withdrawn.is_some());
        count_refusals(inputs, newest);
    }
    let mut before: Option<PatientKey> = None;
    for one in versions {
        let at = one.version.last_updated.unwrap_or_else(|| taken_at(&one));
        let to = one.patient.clone().or_else(|| before.clone());
        if let Some(before) = before.filter(|before| Some(before) != to.as_ref()) {
            let what = What::Moved {
                source: one.source.clone(),
                version: one.version.clone(),
            };
            events.push((before, Event { at, what }));
        }
        before = to.clone();
        if let Some(to) = to {
            let what = What::Version(one);
            events.push((to, Event { at, what }));
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

/// When all of a resource had been taken: its latest reading, else the start of what it says of the
/// patient, else when a lost reading was meant, else when it was last updated.
fn taken_at(one: &Recognised) -> Instant {
    let readings = one.readings.iter().map(|reading| reading.at).max();
    let contexts = || one.contexts.iter().map(|context| context.start).min();
    let meant = || {
        let refusals = one.refusals.iter();
        let meant = refusals.filter_map(|refusal| refusal.meant.as_deref());
        meant.filter_map(|meant| meant.at).max()
    };
    readings
        .or_else(contexts)
        .or_else(meant)
        .or(one.version.last_updated)
        .unwrap_or(Instant::from_millis(0))
}
