//! The work of one commit: items in, rows out. Reads the store, never writes it.

use super::settings::Settings;
use crate::fhir::{Instant, Short};
use crate::patient::Input;
use crate::recognise::reading::{PatientKey, Version};
use crate::recognise::{self, Head, Person, Reason, Recognised, Refusal, Withdrawal};
use crate::source::intake::{Answer, Batch, Incoming, Operation, UnreadableEntry, Versioning};
use crate::store::{Commit, InputRow, SetAsideRow, Store, StoreError};
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

/// Type under which the text of an unreadable entry is kept; no FHIR resource type.
const UNREADABLE_TYPE: &str = "Unreadable";

/// Resource types that are recognised; the others are kept, and a Patient is read for its label.
pub const RECOGNISED: [&str; 2] = ["Observation", "Procedure"];

/// Current versions by resource type and id; None: there is none.
pub(super) type Current = HashMap<(String, String), Option<InputRow>>;

/// What one commit gathers before the patients are stepped.
pub struct Work<'e> {
    store: &'e dyn Store,
    settings: &'e Settings,
    /// When this commit is made.
    pub now: Instant,
    /// The commit under construction.
    pub commit: Commit,
    /// Patients of whom only the past was read: what it means is told once it is complete.
    pub untold: BTreeSet<PatientKey>,
    /// Patients of whom something new was read.
    pub told: BTreeSet<PatientKey>,
    /// Patients of whom something beside the readings was read: told of, unless their past is being read.
    pub aside: BTreeSet<PatientKey>,
    /// Inputs by patient, in order.
    pub inputs: BTreeMap<PatientKey, Vec<Input>>,
    /// Current versions as this commit will leave them; None: looked up, and there is none.
    pub(super) current: Current,
    /// The same of the commit that is under way, which the store does not show yet.
    earlier: Option<Arc<Current>>,
}

impl<'e> Work<'e> {
    /// Nothing gathered yet.
    pub fn new(store: &'e dyn Store, settings: &'e Settings, now: Instant) -> Self {
        Self {
            store,
            settings,
            now,
            commit: Commit::default(),
            untold: BTreeSet::new(),
            told: BTreeSet::new(),
            aside: BTreeSet::new(),
            inputs: BTreeMap::new(),
            current: HashMap::new(),
            earlier: None,
        }
    }

    /// The same on top of a commit that is under way.
    #[must_use]
    pub(super) fn on_top_of(mut self, earlier: Option<Arc<Current>>) -> Self {
        self.earlier = earlier;
        self
    }

    /// Look up at once what stands at the addresses of all `batches`.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn look_up(&mut self, batches: &[Batch]) -> Result<(), StoreError> {
        let items = batches.iter().flat_map(|batch| &batch.items);
        let mut addresses: Vec<(&str, &str)> = items
            .map(|item| (item.resource_type.as_str(), item.id.as_str()))
            .collect();
        let key = |(resource_type, id): (&str, &str)| (resource_type.to_owned(), id.to_owned());
        if let Some(earlier) = &self.earlier {
            let mut known = Vec::new();
            addresses.retain(|address| match earlier.get(&key(*address)) {
                Some(row) => {
                    known.push((key(*address), row.clone()));
                    false
                }
                None => true,
            });
            self.current.extend(known);
        }
        let rows = self.store.inputs(&addresses)?;
        self.current.extend(addresses.into_iter().map(key).zip(rows));
        Ok(())
    }

    /// Gather one batch and say what becomes of each item. An atomic batch with one refused item
    /// leaves nothing.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn batch(&mut self, batch: Batch) -> Result<Vec<Answer>, StoreError> {
        let mut refused: Vec<Option<Answer>> = Vec::with_capacity(batch.items.len());
        for item in &batch.items {
            refused.push(self.refusal(item)?);
        }
        let before = std::mem::take(&mut self.inputs);
        let none_applied = batch.atomic && refused.iter().any(Option::is_some);
        let mut answers = Vec::with_capacity(batch.items.len());
        for (item, refusal) in batch.items.into_iter().zip(refused) {
            answers.push(match refusal {
                Some(answer) => answer,
                None if none_applied => Answer::NotApplied,
                None => self.item(item)?,
            });
        }
        for entry in batch.unreadable {
            self.unreadable(entry)?;
        }
        self.commit.cursors.extend(batch.cursors);
        for answered in batch.answered {
            let input = Input::DiastolicsAsked {
                source: answered.source,
            };
            self.inputs.entry(answered.patient).or_default().push(input);
        }
        let touched = std::mem::replace(&mut self.inputs, before);
        for (patient, inputs) in touched {
            if batch.aside {
                self.aside.insert(patient.clone());
            } else if batch.history {
                self.untold.insert(patient.clone());
            } else {
                self.told.insert(patient.clone());
            }
            self.inputs.entry(patient).or_default().extend(inputs);
        }
        Ok(answers)
    }

    /// Keep what could not be filed as a resource, under a type that `/fhir` does not serve.
    fn unreadable(&mut self, entry: UnreadableEntry) -> Result<(), StoreError> {
        let digest = digest(entry.body.as_bytes());
        if self.current(UNREADABLE_TYPE, &digest)?.is_some() {
            return Ok(());
        }
        let refusal = Refusal {
            part: String::new(),
            reason: Reason::Unreadable,
            detail: entry.detail,
            meant: None,
        };
        let rows = set_aside_rows(&entry.source, None, &[refusal], self.now);
        self.commit.set_aside.push((entry.source, rows));
        self.keep(InputRow {
            resource_type: String::from(UNREADABLE_TYPE),
            id: digest.to_string(),
            version: next_version(None, digest, self.now),
            received: self.now,
            patient: None,
            body: entry.body,
            deleted: false,
        });
        Ok(())
    }

    /// Why an item cannot be applied at all, before anything is changed.
    fn refusal(&mut self, item: &Incoming) -> Result<Option<Answer>, StoreError> {
        if let Operation::Put(body) = &item.operation
            && let Err(message) = head(item, body)
        {
            return Ok(Some(Answer::Refused(message)));
        }
        if let Some(wanted) = &item.if_match {
            let current = self.current(&item.resource_type, &item.id)?.filter(|row| !row.deleted);
            let matches = current.as_ref().is_some_and(|row| row.version.id == *wanted);
            if !matches {
                return Ok(Some(Answer::VersionConflict(current.map(|row| row.version))));
            }
        }
        Ok(None)
    }

    fn current(&mut self, resource_type: &str, id: &str) -> Result<Option<InputRow>, StoreError> {
        let key = (resource_type.to_owned(), id.to_owned());
        let earlier = || self.earlier.as_ref().and_then(|earlier| earlier.get(&key));
        match self.current.get(&key).or_else(earlier) {
            Some(known) => Ok(known.clone()),
            None => self.store.input(resource_type, id),
        }
    }

    fn item(&mut self, item: Incoming) -> Result<Answer, StoreError> {
        let before = self.current(&item.resource_type, &item.id)?;
        match &item.operation {
            Operation::Delete => self.delete(&item, before),
            Operation::Put(body) => self.put(&item, body, before),
        }
    }

    fn delete(&mut self, item: &Incoming, before: Option<InputRow>) -> Result<Answer, StoreError> {
        let Some(before) = before else {
            return Ok(Answer::NotFound);
        };
        if before.deleted {
            return Ok(Answer::Deleted);
        }
        let version = next_version(Some(&before), digest(b"deleted"), self.now);
        let source = source_of(item);
        if let Some(patient) = &before.patient {
            let gone = crate::patient::step::withdrawn(source.clone(), version.clone(), Withdrawal::Deleted);
            self.inputs
                .entry(patient.clone())
                .or_default()
                .push(Input::Recognised(gone));
        }
        self.commit.set_aside.push((source, Vec::new()));
        self.keep(InputRow {
            version,
            received: self.now,
            deleted: true,
            ..before
        });
        Ok(Answer::Deleted)
    }

    fn put(&mut self, item: &Incoming, body: &str, before: Option<InputRow>) -> Result<Answer, StoreError> {
        let digest = digest(body.as_bytes());
        let version = match item.versioning {
            Versioning::Ours => {
                let same = before
                    .as_ref()
                    .filter(|row| !row.deleted && row.version.digest == digest);
                if let Some(row) = same {
                    return Ok(Answer::Unchanged(row.version.clone()));
                }
                next_version(before.as_ref(), digest, self.now)
            }
            Versioning::Theirs => {
                // The head was read before; a body that it refused never comes here.
                let Ok(mut version) = head(item, body).map(|head| head.version(digest)) else {
                    return Ok(Answer::Refused(String::from("the resource could not be read")));
                };
                if let Some(row) = &before {
                    if row.version.digest == version.digest || is_older(&version, &row.version) {
                        return Ok(Answer::Unchanged(row.version.clone()));
                    }
                    follow(&mut version, &row.version);
                }
                version.last_updated.get_or_insert(self.now);
                version
            }
        };
        let patient = match item.resource_type.as_str() {
            kind if RECOGNISED.contains(&kind) => {
                let recognised = self.recognise(kind, body, &item.id, version.clone());
                self.route(recognised, before.as_ref().and_then(|row| row.patient.clone()))
            }
            "Patient" => {
                let patient = PatientKey(source_of(item));
                let input = person(body);
                self.inputs.entry(patient.clone()).or_default().push(input);
                Some(patient)
            }
            _ => None,
        };
        let created = before.as_ref().is_none_or(|row| row.deleted);
        self.keep(InputRow {
            resource_type: item.resource_type.clone(),
            id: item.id.clone(),
            version: version.clone(),
            received: self.now,
            patient,
            body: body.to_owned(),
            deleted: false,
        });
        Ok(if created {
            Answer::Created(version)
        } else {
            Answer::Updated(version)
        })
    }

    fn keep(&mut self, row: InputRow) {
        self.current
            .insert((row.resource_type.clone(), row.id.clone()), Some(row.clone()));
        self.commit.inputs.push(row);
    }

    /// Recognise one resource, its references to the source itself made relative.
    pub fn recognise(&self, resource_type: &str, body: &str, id: &str, version: Version) -> Recognised {
        let Settings { mapping, bases, .. } = self.settings;
        recognise::resource(resource_type, body, id, version, mapping, bases)
    }

    /// Send a recognised version to its patient, or put it aside. Answers the patient whose slot
    /// now holds it.
    pub fn route(&mut self, recognised: Recognised, before: Option<PatientKey>) -> Option<PatientKey> {
        let named = recognised.patient.clone();
        let to = if recognised.withdrawn.is_some() {
            named.or_else(|| before.clone())
        } else {
            named
        };
        if let Some(before) = before.as_ref().filter(|before| Some(*before) != to.as_ref()) {
            let moved = Input::Moved {
                source: recognised.source.clone(),
                version: recognised.version.clone(),
            };
            self.inputs.entry(before.clone()).or_default().push(moved);
        }
        let concerns_a_patient = before.is_some() || recognised.concerns_a_patient();
        match to.filter(|_| concerns_a_patient) {
            Some(patient) => {
                self.inputs
                    .entry(patient.clone())
                    .or_default()
                    .push(Input::Recognised(recognised));
                Some(patient)
            }
            None => {
                let rows = set_aside_rows(
                    &recognised.source,
                    recognised.patient.as_ref(),
                    &recognised.refusals,
                    self.now,
                );
                self.commit.set_aside.push((recognised.source, rows));
                None
            }
        }
    }
}

/// Refusals of one source as rows.
pub fn set_aside_rows(
    source: &str,
    patient: Option<&PatientKey>,
    refusals: &[Refusal],
    now: Instant,
) -> Vec<SetAsideRow> {
    let row = |refusal: &Refusal| SetAsideRow {
        source: source.to_owned(),
        part: refusal.part.clone(),
        patient: patient.cloned(),
        reason: refusal.reason,
        detail: refusal.detail.clone(),
        since: now,
    };
    refusals.iter().map(row).collect()
}

fn source_of(item: &Incoming) -> String {
    format!("{}/{}", item.resource_type, item.id)
}

/// SHA-256, hex, the first 16 digits.
fn digest(bytes: &[u8]) -> Short {
    let mut text = compact_str::format_compact!("{:x}", Sha256::digest(bytes));
    text.truncate(16);
    text.shrink_to_fit();
    text
}

/// Read the head of a body and check that it is the resource that the item says.
fn head<'a>(item: &Incoming, body: &'a str) -> Result<Head<'a>, String> {
    let head = Head::parse(body).map_err(|error| format!("not JSON of a resource: {error}"))?;
    match (&head.resource_type, &head.id) {
        (Some(found), _) if *found != item.resource_type => {
            Err(format!("resourceType is {found:?}, expected {:?}", item.resource_type))
        }
        (None, _) => Err(String::from("resourceType is missing")),
        (_, Some(id)) if *id != item.id => Err(String::from("the id in the body is not the id in the address")),
        _ => Ok(head),
    }
}

/// The next version of a resource on our own endpoint; its time never runs backwards.
fn next_version(before: Option<&InputRow>, digest: Short, now: Instant) -> Version {
    let number = before.and_then(|row| row.version.number).unwrap_or(0) + 1;
    let updated = before
        .and_then(|row| row.version.last_updated)
        .map_or(now, |updated| updated.max(now));
    Version {
        last_updated: Some(updated),
        number: Some(number),
        id: number.to_string().into(),
        digest,
    }
}

/// True when the server itself says that `one` is older than `other`: by a whole-number versionId,
/// else by lastUpdated. Without either nothing is older: what the server shows now is current.
fn is_older(one: &Version, other: &Version) -> bool {
    match (one.number, other.number) {
        (Some(one), Some(other)) if one != other => return one < other,
        _ => {}
    }
    matches!((one.last_updated, other.last_updated), (Some(one), Some(other)) if one < other)
}

/// Make `version` greater than the one it follows, where their own order does not say so.
fn follow(version: &mut Version, before: &Version) {
    if *version > *before {
        return;
    }
    version.number = version.number.max(before.number);
    let after = before
        .last_updated
        .map(|at| Instant::from_millis(at.millis().saturating_add(1)));
    version.last_updated = version.last_updated.max(after);
}

/// Birth date and a label for the page from a Patient.
pub fn person(body: &str) -> Input {
    let Person { birth_date, label } = recognise::person(body);
    Input::Person { birth_date, label }
}
