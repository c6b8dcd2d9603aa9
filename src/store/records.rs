//! The rows that go in and out of the store.

use crate::fhir::Instant;
use crate::outbox::draft::{Family, Occasion};
use crate::patient::state::{Concern, ConcernKey, Slot, Standing};
use crate::recognise::reading::{PatientKey, Version};
use crate::recognise::reason::Reason;
use crate::rules::Tier;
use crate::source::CursorUpdate;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

/// A resource as kept: an input, or (from `Store::read` and `search`) a derived one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct InputRow {
    /// `Observation`, `Procedure`, `Patient`.
    pub resource_type: String,
    /// Logical id.
    pub id: String,
    /// Version held.
    pub version: Version,
    /// When this version was received.
    pub received: Instant,
    /// The patient it was filed under, when there is one.
    pub patient: Option<PatientKey>,
    /// Body as sent (inputs) or as derived; the last body before a delete.
    pub body: String,
    /// Deleted at its source.
    pub deleted: bool,
}

/// An input that is kept but not used, in whole or in part.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SetAsideRow {
    /// `Observation/abc`, `Procedure/abc`.
    pub source: String,
    /// Part of it (empty: the whole).
    pub part: String,
    /// The patient, when one is named.
    pub patient: Option<PatientKey>,
    /// Why.
    pub reason: Reason,
    /// What was found.
    pub detail: String,
    /// Since when.
    pub since: Instant,
}

/// One entry of a concern's history.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct EventRow {
    /// The patient.
    pub patient: PatientKey,
    /// `Site::key()` (empty: blood pressure).
    pub site_key: String,
    /// What a person reads ("left leg, anterior compartment").
    pub site_text: String,
    /// Family.
    pub family: Family,
    /// When it was decided.
    pub at: Instant,
    /// Tier before and after.
    pub tier_before: Option<Tier>,
    /// Tier after.
    pub tier: Option<Tier>,
    /// None for a fall of tier: history without a message.
    pub occasion: Option<Occasion>,
    /// One line ("delta 22 mmHg: 70 − 48").
    pub text: String,
    /// The Communication, when one was sent.
    pub message: Option<Uuid>,
}

/// A derived resource: its current form.
#[derive(Clone, Debug, PartialEq)]
pub struct DerivedRow {
    /// Identity, also its id on our own endpoint.
    pub identity: Uuid,
    /// `Observation`, `Communication`, `Device`.
    pub resource_type: String,
    /// The patient.
    pub patient: Option<PatientKey>,
    /// The resource; references to derived resources as `Observation/<identity>`.
    pub body: Value,
    /// When it was last written; also meta.lastUpdated.
    pub last_updated: Instant,
    /// 1, 2, …; also meta.versionId. The store sets it on commit (previous + 1).
    pub version: u64,
}

/// State of an outbox entry.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OutboxState {
    /// To be sent.
    Waiting,
    /// Accepted by the server.
    Delivered,
    /// Refused in a way that trying again cannot heal; shown, can be sent again by hand.
    Stopped,
}

/// One resource to be written to the FHIR server.
#[derive(Clone, Debug, PartialEq)]
pub struct OutboxEntry {
    /// Order of writing; 0 before the store numbered it.
    pub seq: i64,
    /// Entries of one step of one patient share a group: one transaction Bundle. Same as the
    /// lowest `seq` of the group; 0 before the store numbered it.
    pub group: i64,
    /// Identity of the derived resource.
    pub identity: Uuid,
    /// `Observation` (conditional update) or `Communication`, `Device` (conditional create).
    pub resource_type: String,
    /// The patient: entries of one patient are delivered in order.
    pub patient: PatientKey,
    /// The resource; references to derived resources as `urn:uuid:<identity>`.
    pub body: Value,
    /// State.
    pub state: OutboxState,
    /// Attempts so far.
    pub attempts: u32,
    /// Not before this moment.
    pub next_attempt: Instant,
    /// What the server said last ("422: …"), shortened; empty when never tried.
    pub last_answer: String,
}

/// What became of one attempt.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Settlement {
    /// Which entry.
    pub seq: i64,
    /// New state.
    pub state: OutboxState,
    /// When to try again (for `Waiting`).
    pub next_attempt: Instant,
    /// What the server said, shortened.
    pub answer: String,
    /// It failed by itself, while the server as a whole was well.
    pub own_failure: bool,
    /// The server's reference for it (`Observation/17`), when delivered.
    pub remote_reference: Option<String>,
}

/// Rows of one patient that a step changed.
#[derive(Clone, Debug)]
pub struct PatientChange {
    /// Who.
    pub patient: PatientKey,
    /// Birth date as it is now.
    pub birth_date: Option<String>,
    /// Label as it is now.
    pub label: Option<String>,
    /// Next moment at which to look again.
    pub next_due: Option<Instant>,
    /// Slots written.
    pub slots: Vec<Slot>,
    /// Sources whose slots are forgotten.
    pub forgotten: Vec<String>,
    /// Standing Observations forgotten with them.
    pub forgotten_standing: Vec<Uuid>,
    /// Standing derived Observations written.
    pub standing: Vec<(Uuid, Standing)>,
    /// Concerns written.
    pub concerns: Vec<(ConcernKey, Concern)>,
    /// History appended.
    pub events: Vec<EventRow>,
}

/// Everything that one commit writes.
#[derive(Clone, Debug, Default)]
pub struct Commit {
    /// New current versions of inputs (older versions stay as history).
    pub inputs: Vec<InputRow>,
    /// Inputs (type, id) whose current version was recognised anew and is now filed under this
    /// patient, or under none.
    pub refiled: Vec<(String, String, Option<PatientKey>)>,
    /// Patients changed.
    pub patients: Vec<PatientChange>,
    /// Set-aside rows: all rows of each named source are replaced by the given ones.
    pub set_aside: Vec<(String, Vec<SetAsideRow>)>,
    /// Derived resources, current form.
    pub derived: Vec<DerivedRow>,
    /// Outbox entries, one inner list a group, in order.
    pub outbox: Vec<Vec<OutboxEntry>>,
    /// Cursors moved.
    pub cursors: Vec<CursorUpdate>,
    /// Inputs of a patient (`Observation/x`) that are no longer kept: all versions, with what is
    /// served of them. One that is filed under somebody else by now stays.
    pub unneeded: Vec<(PatientKey, String)>,
    /// When something of a patient may be forgotten.
    pub forget_at: Vec<(PatientKey, Option<Instant>)>,
    /// `meta` values set.
    pub meta: Vec<(String, String)>,
}

/// A FHIR search, already parsed.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SearchQuery {
    /// `Observation`, `Procedure`, `Communication`, `Patient`, `Device`.
    pub resource_type: String,
    /// `patient` / `subject` (`Patient/1`).
    pub patient: Option<String>,
    /// `code`: any of (system, code); system None matches any system.
    pub codes: Vec<(Option<String>, String)>,
    /// `_id`: any of.
    pub ids: Vec<String>,
    /// `identifier`: (system, value).
    pub identifier: Option<(Option<String>, String)>,
    /// `status`: any of.
    pub statuses: Vec<String>,
    /// `_lastUpdated` at or after.
    pub updated_from: Option<Instant>,
    /// `_lastUpdated` before.
    pub updated_before: Option<Instant>,
    /// `date`: effective or performed at or after / before (Observation, Procedure).
    pub effective_from: Option<Instant>,
    /// Exclusive upper bound of `date`.
    pub effective_before: Option<Instant>,
    /// `_sort=-_lastUpdated`.
    pub newest_first: bool,
    /// Page size, 1 to 1000.
    pub count: usize,
    /// A page ends before the match whose body would carry it past so many bytes; it holds at least
    /// one match. None: `count` alone ends it.
    pub page_bytes: Option<usize>,
    /// How many matches to skip (page offset).
    pub offset: usize,
}

/// One page of matches.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SearchPage {
    /// Matches, deleted ones excluded.
    pub rows: Vec<InputRow>,
    /// How many match in all.
    pub total: usize,
}

/// Figures for health, metrics and the page.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Current inputs.
    pub inputs: u64,
    /// Patients known.
    pub patients: u64,
    /// Open concerns by tier word.
    pub open_concerns: Vec<(String, u64)>,
    /// Set aside, by reason code.
    pub set_aside: Vec<(String, u64)>,
    /// Outbox entries waiting.
    pub outbox_waiting: u64,
    /// Outbox entries stopped.
    pub outbox_stopped: u64,
    /// next_attempt of the oldest waiting entry's creation, for the outbox age.
    pub outbox_oldest: Option<Instant>,
}
