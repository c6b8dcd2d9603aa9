//! What all threads have read → the inputs of each patient. Pure.
//!
//! Which version of a resource counts is decided over all lines, so the order and the split of the
//! lines do not matter. Buckets of sources, then buckets of patients, are each judged by themselves.
use super::ReplayError;
use super::cohort::{BUCKETS, Cohort, Event, Inputs, Order, PatientInputs, What};
use super::packed::{Foreign, Kept, Kind, Names, Opened, Pack, Spot};
use super::share::{by_bucket, share};
use crate::fhir::Instant;
use crate::patient::step;
use crate::recognise::reading::{PatientKey, Version};
use crate::recognise::{Person, Reason, Recognised, Refusal, Withdrawal};
use rustc_hash::FxHashMap;
use std::collections::hash_map::Entry;

/// What happens to each patient, in order of their keys; packed until it is asked for.
pub struct Gathered {
    packs: Vec<Pack>,
    patients: Vec<Patient>,
}

struct Patient {
    key: PatientKey,
    person: Person,
    /// In order of time.
    happened: Vec<Happened>,
}

/// Something that happens to a patient.
#[derive(Clone, Copy)]
struct Happened {
    /// Index among the names.
    patient: u32,
    at: Instant,
    spot: Spot,
    how: How,
}

#[derive(Clone, Copy)]
enum How {
    /// A version of this patient's.
    Version,
    /// A version that names another patient.
    Moved,
    /// A version of no patient's concern takes the one before with it.
    Gone,
}

impl Gathered {
    /// Number of patients.
    pub fn len(&self) -> usize {
        self.patients.len()
    }

    /// True when there is none.
    pub fn is_empty(&self) -> bool {
        self.patients.is_empty()
    }

    /// The inputs of the patient of this index; None beyond the last.
    ///
    /// # Errors
    /// Only by a fault of this program.
    pub fn patient(&self, index: usize) -> Result<Option<PatientInputs>, ReplayError> {
        let Some(patient) = self.patients.get(index) else {
            return Ok(None);
        };
        let events = patient.happened.iter().map(|happened| self.event(happened));
        let mut events = events.collect::<Result<Vec<Event>, ReplayError>>()?;
        events.sort_by(|one, other| (one.at.cmp(&other.at)).then_with(|| one.what.name().cmp(&other.what.name())));
        Ok(Some(PatientInputs {
            patient: patient.key.clone(),
            person: patient.person.clone(),
            events,
        }))
    }

    /// The inputs of one patient after the other.
    pub fn iter(&self) -> impl Iterator<Item = Result<PatientInputs, ReplayError>> {
        (0..self.len()).filter_map(|index| self.patient(index).transpose())
    }

    fn event(&self, happened: &Happened) -> Result<Event, ReplayError> {
        let what = match happened.how {
            How::Version => What::Version(Pack::get(&self.packs, happened.spot)?),
            How::Moved => {
                let Recognised { source, version, .. } = Pack::get(&self.packs, happened.spot)?;
                What::Moved { source, version }
            }
            How::Gone => {
                let Foreign { source, version } = Pack::get(&self.packs, happened.spot)?;
                let how = Withdrawal::MovedToAnotherPatient;
                What::Version(Box::new(step::withdrawn(source, version, how)))
            }
        };
        Ok(Event { at: happened.at, what })
    }
}

/// What all threads have read, by patient; and what was counted. It takes as many threads as there are
/// cohorts.
///
/// # Errors
/// When a thread failed, which is a fault of this program.
pub fn gather(cohorts: Vec<Cohort>, order: Order) -> Result<(Gathered, Inputs), ReplayError> {
    let threads = cohorts.len();
    let mut inputs = Inputs::default();
    let (mut kept, mut people, mut packs) = (Vec::new(), Vec::new(), Vec::new());
    let mut names = Names::default();
    let mut indexes: Vec<Vec<Option<u32>>> = Vec::new();
    for cohort in cohorts {
        inputs.merge(cohort.inputs);
        kept.push(cohort.kept);
        people.extend(cohort.people);
        packs.push(cohort.pack);
        let all = cohort.names.into_all();
        indexes.push(all.into_iter().map(|name| names.index(&name.0)).collect());
    }
    let of_sources = |pieces: Vec<Vec<Kept>>| -> Result<(Vec<Vec<Happened>>, Inputs), ReplayError> {
        let mut sources = Sources {
            packs: &packs,
            inputs: Inputs::default(),
            happened: (0..BUCKETS).map(|_| Vec::new()).collect(),
        };
        sources.judge(with_names(pieces, &indexes), order)?;
        Ok((sources.happened, sources.inputs))
    };
    let mut happened = Vec::with_capacity(BUCKETS);
    for found in share(threads, by_bucket(kept), of_sources)? {
        let (found, counted) = found?;
        happened.push(found);
        inputs.merge(counted);
    }
    let mut persons = newest_persons(people, &mut inputs);
    let names = names.into_all();
    let found = share(threads, by_bucket(happened), by_patient)?;
    let mut patients = Vec::with_capacity(names.len());
    for happened in found.into_iter().flatten() {
        let first = happened.first().ok_or(ReplayError::Worker)?;
        let key = names.get(first.patient as usize).ok_or(ReplayError::Worker)?.clone();
        let person = persons.remove(&key).map(|(_, person)| person).unwrap_or_default();
        patients.push(Patient { key, person, happened });
    }
    patients.sort_unstable_by(|one, other| one.key.cmp(&other.key));
    Ok((Gathered { packs, patients }, inputs))
}

/// One bucket of sources, one piece from each thread: its packs and patients are those of all threads now.
fn with_names(pieces: Vec<Vec<Kept>>, indexes: &[Vec<Option<u32>>]) -> Vec<Kept> {
    let mut all = Vec::with_capacity(pieces.iter().map(Vec::len).sum());
    for ((piece, indexes), pack) in pieces.into_iter().zip(indexes).zip(0..) {
        let global = |local: u32| indexes.get(local as usize).copied().flatten();
        all.extend(piece.into_iter().map(|one| Kept {
            spot: one.spot.in_pack(pack),
            patient: one.patient.and_then(global),
            ..one
        }));
    }
    all.sort_unstable_by_key(|one: &Kept| one.source);
    all
}

/// One bucket of sources: which version of each counts.
struct Sources<'p> {
    packs: &'p [Pack],
    /// What was counted.
    inputs: Inputs,
    /// What happens to whom, in buckets by patient.
    happened: Vec<Vec<Happened>>,
}

/// A version beside what it says.
type OpenedVersion = (Kept, Opened);

impl Sources<'_> {
    fn judge(&mut self, all: Vec<Kept>, order: Order) -> Result<(), ReplayError> {
        let mut all = all.into_iter().peekable();
        while let Some(first) = all.next() {
            let source = first.source;
            let is_alone = all.peek().is_none_or(|more| more.source != source);
            if is_alone && order == Order::Taken {
                self.newest(&first)?;
                continue;
            }
            let mut versions = vec![(first, Opened::of(self.packs, &first)?)];
            while let Some(more) = all.next_if(|more| more.source == source) {
                versions.push((more, Opened::of(self.packs, &more)?));
            }
            // Two names of one hash are told apart here.
            versions.sort_unstable_by(|(one, opened), (other, others)| {
                (opened.source().cmp(others.source())).then_with(|| recency(one, opened).cmp(&recency(other, others)))
            });
            while let Some((_, last)) = versions.last() {
                let from = versions.partition_point(|(_, one)| one.source() < last.source());
                let versions = versions.split_off(from);
                self.inputs.shared_ids += u64::from(name_several_patients(&versions));
                match order {
                    Order::Taken => {
                        self.inputs.superseded += versions.len().saturating_sub(1) as u64;
                        if let Some((last, _)) = versions.last() {
                            self.newest(last)?;
                        }
                    }
                    Order::Arrived => self.every(versions),
                }
            }
        }
        Ok(())
    }

    fn happens(&mut self, patient: u32, at: Instant, spot: Spot, how: How) {
        self.happened[patient as usize % BUCKETS].push(Happened { patient, at, spot, how });
    }

    /// The newest version of a resource, at the time at which it was taken.
    fn newest(&mut self, one: &Kept) -> Result<(), ReplayError> {
        let refused = match one.what {
            Kind::Foreign(reason) => {
                count_reason(&mut self.inputs, reason);
                return Ok(());
            }
            Kind::Reading(refused) | Kind::Withdrawal(refused) => refused,
        };
        if refused {
            let one: Recognised = Pack::get(self.packs, one.spot)?;
            count_refusals(&mut self.inputs, &one.refusals);
        }
        match (one.what, one.patient) {
            (Kind::Withdrawal(_), _) => self.inputs.withdrawn += 1,
            (_, Some(patient)) => self.happens(patient, one.at, one.spot, How::Version),
            _ => {}
        }
        Ok(())
    }

    /// The versions of one resource, in order, each at the time at which it arrived: to its patient, and
    /// away from the one before.
    fn every(&mut self, versions: Vec<OpenedVersion>) {
        let is_of_concern = versions.iter().any(|(one, _)| !one.is_foreign());
        let mut known: Vec<OpenedVersion> = Vec::with_capacity(versions.len());
        for (one, opened) in versions {
            if let Kind::Foreign(reason) = one.what {
                count_reason(&mut self.inputs, reason);
                if !is_of_concern {
                    continue;
                }
            }
            known.push((one, opened));
        }
        known.dedup_by(|(_, one), (_, other)| one.version() == other.version());
        self.inputs.superseded += known.len().saturating_sub(1) as u64;
        if let Some((newest, opened)) = known.last() {
            // One of no concern takes away what stood there before.
            let takes_back = !matches!(newest.what, Kind::Reading(_));
            self.inputs.withdrawn += u64::from(takes_back);
            count_refusals(&mut self.inputs, opened.refusals());
        }
        let mut before: Option<u32> = None;
        for (one, opened) in known {
            let at = opened.version().last_updated.unwrap_or(one.at);
            let to = one.patient.or(before);
            if let Some(before) = before.filter(|before| Some(*before) != to) {
                self.happens(before, at, one.spot, How::Moved);
            }
            before = to;
            let how = match one.is_foreign() {
                true => How::Gone,
                false => How::Version,
            };
            if let Some(to) = to {
                self.happens(to, at, one.spot, how);
            }
        }
    }
}

/// lastUpdated decides which version is the newest, then the version's own order; of one version that was
/// read in two ways the one that takes the reading away.
fn recency<'o>(one: &Kept, opened: &'o Opened) -> ((Option<Instant>, &'o Version), bool) {
    (version_recency(opened.version()), one.is_foreign())
}

/// True when versions of one resource name different patients: a correction, or files of two servers.
fn name_several_patients(versions: &[OpenedVersion]) -> bool {
    let mut patients = versions.iter().filter_map(|(one, _)| one.patient);
    let first = patients.next();
    patients.any(|other| Some(other) != first)
}

fn count_reason(inputs: &mut Inputs, reason: Option<Reason>) {
    if let Some(reason) = reason {
        *inputs.set_aside.entry(reason).or_default() += 1;
    }
}

fn count_refusals(inputs: &mut Inputs, refusals: &[Refusal]) {
    for refusal in refusals {
        count_reason(inputs, Some(refusal.reason));
    }
}

/// One bucket of patients, each in order of time.
fn by_patient(pieces: Vec<Vec<Happened>>) -> Vec<Vec<Happened>> {
    let mut all = Vec::with_capacity(pieces.iter().map(Vec::len).sum());
    all.extend(pieces.into_iter().flatten());
    all.sort_unstable_by_key(|happened: &Happened| (happened.patient, happened.at));
    let of_one = all.chunk_by(|one, other| one.patient == other.patient);
    of_one.map(<[Happened]>::to_vec).collect()
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
