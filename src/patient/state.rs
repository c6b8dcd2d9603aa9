//! What is remembered of one patient. Every part is a row of its own in the store, so that a step
//! writes only what it changed.

use crate::fhir::Instant;
use crate::outbox::draft::{DeltaDraft, Family};
use crate::recognise::reading::{Context, PatientKey, Reading, Side, Site, Version, Withdrawal};
use crate::recognise::reason::Refusal;
use crate::rules::Tier;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use uuid::Uuid;

/// The newest version of one source resource of this patient. What is empty is not written.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Slot {
    /// `Observation/abc`.
    pub source: String,
    /// The version held.
    pub version: Version,
    /// When any version of it was first received.
    pub received: Instant,
    /// Set when the measurement was taken back; then `readings` is empty.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub withdrawn: Option<Withdrawal>,
    /// What can be used.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub readings: Vec<Reading>,
    /// What cannot.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub refusals: Vec<Refusal>,
    /// Members that this panel names.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub members: Vec<String>,
    /// Side that this panel states for its members.
    #[serde(default, skip_serializing_if = "Side::is_unstated")]
    pub members_side: Side,
    /// What it records of the patient over a time.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub contexts: Vec<Context>,
    /// True once the source was asked for earlier diastolics of this reading.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub diastolics_asked: bool,
    /// A quick hash of what this slot holds (`publish::seal`): unequal means "look closer".
    #[serde(default)]
    pub seal: u64,
    /// Derived Observations that stand on readings of this slot.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub published: Vec<Receipt>,
    /// What was set aside by judgement of the whole set (future, implausible, duplicate).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub judged: Vec<Refusal>,
}

/// Remembers that a derived Observation was published for one reading, and for which content.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Receipt {
    /// Part of the slot's resource (`Reading::part`).
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub part: String,
    /// Source and part of the carried diastolic; None for the pairing itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub carried: Option<(String, String)>,
    /// A quick hash of what it was made from: unequal means "look closer".
    pub fingerprint: u64,
    /// Its identity, key into `State::standing`.
    pub identity: Uuid,
}

/// A derived Observation that stands (or was set entered-in-error).
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Standing {
    /// What was last published.
    pub draft: DeltaDraft,
    /// True once it was set entered-in-error.
    pub retracted: bool,
}

/// Key of a concern: one per site and family. `site` is `Site::key()`, or empty for a concern of
/// the patient's blood pressure.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct ConcernKey {
    /// `Site::key()`.
    pub site: String,
    /// Rule family.
    pub family: Family,
}

/// A ground as it was told, so that its loss can be seen later.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ToldGround {
    /// Source of the reading (`Observation/abc`).
    pub source: String,
    /// Source of the diastolic, when one was used.
    pub diastolic: Option<String>,
    /// Seals of the two slots as they were told: a change says which of them was corrected.
    #[serde(default)]
    pub seals: (u64, u64),
    /// True when the diastolic was a newer one, carried against the reading.
    pub carried: bool,
    /// The tier that this reading held.
    pub tier: Tier,
    /// The rules, by id.
    pub rules: Vec<String>,
}

/// A concern, open or closed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Concern {
    /// Where; None for the patient's blood pressure as a whole.
    pub site: Option<Site>,
    /// Family.
    pub family: Family,
    /// Tier now; None when closed.
    pub tier: Option<Tier>,
    /// When the open concern was first raised.
    pub since: Instant,
    /// When it reached each tier that it has now or above which it is: what was told then.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub reached: BTreeMap<Tier, Instant>,
    /// What was told last.
    pub told: Vec<ToldGround>,
    /// The last message of this concern.
    pub last_message: Option<Uuid>,
    /// How many messages were sent so far (part of a message's identity).
    pub messages: u32,
}

impl Concern {
    /// When it was told that `tier` is reached; None while it is below.
    pub fn told_at(&self, tier: Tier) -> Option<Instant> {
        (self.tier >= Some(tier)).then(|| self.reached.get(&tier).copied().unwrap_or(self.since))
    }

    /// Remember that it is at `tier` since `now`, as far as that is new.
    pub fn reach(&mut self, tier: Option<Tier>, now: Instant) {
        self.reached.retain(|reached, _| Some(*reached) <= tier);
        for reached in Tier::ALL.into_iter().filter(|reached| Some(*reached) <= tier) {
            self.reached.entry(reached).or_insert(now);
        }
    }
}

/// One patient.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct State {
    /// Who.
    pub patient: PatientKey,
    /// Patient.birthDate as sent (`2012`, `2012-03`, `2012-03-14`), when known.
    pub birth_date: Option<String>,
    /// A name or bed to show on the page, from a Patient resource; never logged.
    pub label: Option<String>,
    /// By source. Each by itself: a node of the tree has room for eleven, and most patients have few.
    pub slots: BTreeMap<String, Box<Slot>>,
    /// By identity.
    pub standing: BTreeMap<Uuid, Box<Standing>>,
    /// By site and family.
    pub concerns: BTreeMap<ConcernKey, Box<Concern>>,
    /// When this patient must be looked at again though nothing arrives.
    pub next_due: Option<Instant>,
}

impl State {
    /// Nothing known yet.
    pub fn new(patient: PatientKey) -> Self {
        Self {
            patient,
            birth_date: None,
            label: None,
            slots: BTreeMap::new(),
            standing: BTreeMap::new(),
            concerns: BTreeMap::new(),
            next_due: None,
        }
    }
}

/// One open concern as the front page lists it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StateRow {
    /// The patient.
    pub patient: PatientKey,
    /// Name or bed to show.
    pub label: Option<String>,
    /// The concern; always open.
    pub concern: Concern,
}
