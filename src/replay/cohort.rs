//! Lines of NDJSON into the inputs of each patient. Pure: whoever reads the files hands in the lines.
//!
//! A resource is read by the same `recognise` as in the live service. Which version of a resource
//! counts is decided over all lines, so the order and the split of the lines do not matter.
#![expect(clippy::vec_box, reason = "a version is large, and is moved from list to list")]

use super::input::{BadLine, BadLines, Place, Worker};
use crate::fhir::Instant;
use crate::patient::step;
use crate::recognise::reading::{PatientKey, Version};
use crate::recognise::{self, Head, Mapping, Person, Reason, Recognised, Withdrawal};
use rustc_hash::{FxHashMap, FxHasher};
use std::collections::BTreeMap;
use std::collections::hash_map::Entry;
use std::hash::{Hash, Hasher};
use std::sync::Arc;

/// By what the lines are read.
#[derive(Clone)]
pub struct CohortSettings {
    /// The mapping in force.
    pub mapping: Arc<Mapping>,
    /// A view of the past: versions that were last updated later do not count. Without it all do.
    pub as_of: Option<Instant>,
    /// Base URLs of the source: an absolute reference to one of them means the same patient.
    pub bases: Vec<String>,
}

/// What came in, counted.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Inputs {
    /// Lines that are not empty.
    pub lines: u64,
    /// Resources by type.
    pub by_type: BTreeMap<String, u64>,
    /// Lines that could not be read as a resource, with the first of them.
    pub bad: BadLines,
    /// Versions last updated after the moment of the view.
    pub later_than_view: u64,
    /// Versions of which a newer one counts.
    pub superseded: u64,
    /// Resources whose newest version takes them back (entered-in-error, cancelled, not-done).
    pub withdrawn: u64,
    /// Parts that recognition set aside, by reason; of the versions that count.
    pub set_aside: BTreeMap<Reason, u64>,
}

impl Inputs {
    /// Add what another thread counted.
    pub fn merge(&mut self, other: Self) {
        self.lines += other.lines;
        self.bad.count += other.bad.count;
        self.later_than_view += other.later_than_view;
        self.superseded += other.superseded;
        self.withdrawn += other.withdrawn;
        for (kind, count) in other.by_type {
            *self.by_type.entry(kind).or_default() += count;
        }
        for (reason, count) in other.set_aside {
            *self.set_aside.entry(reason).or_default() += count;
        }
        self.bad.samples.extend(other.bad.samples);
    }

    fn count(&mut self, kind: &str) {
        match self.by_type.get_mut(kind) {
            Some(count) => *count += 1,
            None => {
                self.by_type.insert(kind.to_owned(), 1);
            }
        }
    }
}

/// A resource that is of no patient's concern (its code is not mapped, our own output): only its
/// version matters, for it may be the newest of a resource that was of concern.
#[derive(Clone, Debug)]
struct Foreign {
    /// `Observation/abc`.
    source: String,
    version: Version,
    reason: Option<Reason>,
}

/// What one thread has read.
pub struct Cohort {
    settings: Arc<CohortSettings>,
    inputs: Inputs,
    recognised: Vec<Box<Recognised>>,
    foreign: Vec<Foreign>,
    people: Vec<(PatientKey, Version, Person)>,
}

impl Cohort {
    /// Nothing read yet.
    pub fn new(settings: &Arc<CohortSettings>) -> Self {
        Self {
            settings: Arc::clone(settings),
            inputs: Inputs::default(),
            recognised: Vec::new(),
            foreign: Vec::new(),
            people: Vec::new(),
        }
    }

    /// One line: a resource as JSON. An empty line is none.
    ///
    /// # Errors
    /// When it is no resource with type and id; what is wrong, without anything of the line.
    pub fn take(&mut self, text: &str) -> Result<(), BadLine> {
        let body = text.trim();
        if body.is_empty() {
            return Ok(());
        }
        let head = Head::parse(body).map_err(|error| BadLine::json(&error))?;
        let kind = head
            .resource_type
            .as_deref()
            .ok_or_else(|| BadLine::whole("resourceType is missing"))?;
        if !matches!(kind, "Observation" | "Procedure" | "Patient") {
            self.inputs.count(kind);
            return Ok(());
        }
        let id = head
            .id
            .as_deref()
            .ok_or_else(|| BadLine::whole("the resource has no id"))?;
        self.inputs.count(kind);
        let version = head.version(digest(body));
        if let (Some(view), Some(updated)) = (self.settings.as_of, version.last_updated)
            && updated > view
        {
            self.inputs.later_than_view += 1;
            return Ok(());
        }
        if kind == "Patient" {
            let patient = PatientKey(["Patient/", id].concat());
            self.people.push((patient, version, recognise::person(body)));
            return Ok(());
        }
        let CohortSettings { mapping, bases, .. } = &*self.settings;
        let recognised = recognise::resource(kind, body, id, version, mapping, bases);
        if recognised.concerns_a_patient() && recognised.patient.is_some() || recognised.withdrawn.is_some() {
            self.recognised.push(Box::new(recognised));
        } else {
            self.foreign.push(Foreign {
                source: recognised.source,
                version: recognised.version,
                reason: recognised.refusals.first().map(|refusal| refusal.reason),
            });
        }
        Ok(())
    }
}

impl Worker for Cohort {
    type Out = Self;

    fn line(&mut self, _: Place, line: &[u8]) -> Result<(), BadLine> {
        match std::str::from_utf8(line) {
            Ok(text) => self.take(text),
            Err(error) => Err(BadLine {
                column: error.valid_up_to() as u64 + 1,
                what: String::from("not UTF-8"),
            }),
        }
    }

    fn finish(self) -> Self {
        self
    }
}

/// A quick hash of a body: the last tie-break between versions, and the sameness test. The live
/// service takes SHA-256, which decides nothing else.
fn digest(body: &str) -> String {
    format!("{:016x}", hash(body))
}

fn hash(text: &str) -> u64 {
    let mut hasher = FxHasher::default();
    text.hash(&mut hasher);
    hasher.finish()
}

/// Which versions are replayed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Order {
    /// The clinical clock: of each resource its newest version, when it was taken.
    Taken,
    /// By lastUpdated: every version when it arrived, late ones and corrections included.
    Arrived,
}

/// One thing that happens to a patient.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Event {
    /// When, on the clock of the replay.
    pub at: Instant,
    /// What.
    pub what: What,
}

/// What happens.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum What {
    /// A version of a resource of this patient.
    Version(Box<Recognised>),
    /// A newer version names another patient.
    Moved {
        /// `Observation/abc`.
        source: String,
        /// The version that moved it.
        version: Version,
    },
}

impl What {
    fn name(&self) -> (&str, &Version) {
        match self {
            Self::Version(recognised) => (&recognised.source, &recognised.version),
            Self::Moved { source, version } => (source, version),
        }
    }
}

/// All of one patient.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PatientInputs {
    /// Who.
    pub patient: PatientKey,
    /// From a Patient resource, if there was one: known from the beginning.
    pub person: Person,
    /// In order of the clock.
    pub events: Vec<Event>,
}

impl PatientInputs {
    /// Nobody, and nothing.
    pub fn nobody() -> Self {
        Self {
            patient: PatientKey(String::new()),
            person: Person::default(),
            events: Vec::new(),
        }
    }
}

/// What all threads have read, by patient, in order of their keys; and what was counted.
pub fn gather(cohorts: Vec<Cohort>, order: Order) -> (Vec<PatientInputs>, Inputs) {
    let mut inputs = Inputs::default();
    let (mut recognised, mut foreign, mut people) = (Vec::new(), Vec::new(), Vec::new());
    for cohort in cohorts {
        inputs.merge(cohort.inputs);
        recognised.push(cohort.recognised);
        foreign.extend(cohort.foreign);
        people.extend(cohort.people);
    }
    let versions = match order {
        Order::Taken => newest(recognised, foreign, &mut inputs),
        Order::Arrived => every(recognised, foreign, &mut inputs),
    };
    let mut by_patient: FxHashMap<PatientKey, Vec<Event>> = FxHashMap::default();
    for (patient, event) in versions {
        by_patient.entry(patient).or_default().push(event);
    }
    let mut persons: FxHashMap<PatientKey, (Version, Person)> = FxHashMap::default();
    for (patient, version, person) in people {
        match persons.get(&patient) {
            Some((held, _)) if recency(held) >= recency(&version) => inputs.superseded += 1,
            Some(_) => {
                inputs.superseded += 1;
                persons.insert(patient, (version, person));
            }
            None => {
                persons.insert(patient, (version, person));
            }
        }
    }
    let mut patients: Vec<PatientInputs> = by_patient
        .into_iter()
        .map(|(patient, mut events)| {
            events.sort_by(|one, other| (one.at, one.what.name()).cmp(&(other.at, other.what.name())));
            let person = persons.remove(&patient).map(|(_, person)| person).unwrap_or_default();
            PatientInputs {
                patient,
                person,
                events,
            }
        })
        .collect();
    patients.sort_by(|one, other| one.patient.cmp(&other.patient));
    (patients, inputs)
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
        let mut place = hash(source);
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
