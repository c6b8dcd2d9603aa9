//! What a step asks the shells to do.

use crate::fhir::Instant;
use crate::outbox::draft::{DeltaDraft, Family, MessageDraft, Occasion, RetractDraft};
use crate::patient::state::ConcernKey;
use crate::recognise::reading::PatientKey;
use crate::recognise::{Recognised, Refusal, Version};
use crate::rules::Tier;
use std::collections::BTreeSet;
use uuid::Uuid;

/// What happens to one patient.
#[derive(Clone, Debug)]
pub enum Input {
    /// A version of a source resource of this patient.
    Recognised(Recognised),
    /// A newer version of a resource now names another patient.
    Moved {
        /// `Observation/abc`.
        source: String,
        /// The version that moved it.
        version: Version,
    },
    /// Who the patient is.
    Person {
        /// Patient.birthDate as sent.
        birth_date: Option<String>,
        /// What the page shows.
        label: Option<String>,
    },
    /// The source was asked for diastolics around this reading.
    DiastolicsAsked {
        /// `Observation/abc`.
        source: String,
    },
}

/// Ask the source for a patient's diastolics.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Question {
    /// Whose.
    pub patient: PatientKey,
    /// The compartment reading that has none.
    pub source: String,
    /// From this moment.
    pub from: Instant,
    /// To this moment.
    pub to: Instant,
}

/// What is to be done.
#[expect(
    clippy::large_enum_variant,
    reason = "a step has few effects, and nearly all are of the large kinds"
)]
#[derive(Clone, Debug)]
pub enum Effect {
    /// Create or amend a derived Observation.
    Publish(DeltaDraft),
    /// Set a derived Observation entered-in-error.
    Retract(RetractDraft),
    /// Send a Communication.
    Notify(MessageDraft),
    /// Ask the source.
    Ask(Question),
}

/// One line of a concern's history.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct History {
    /// `Site::key()`; empty for the patient as a whole.
    pub site_key: String,
    /// What a person reads.
    pub site_text: String,
    /// Family.
    pub family: Family,
    /// Tier before.
    pub tier_before: Option<Tier>,
    /// Tier after.
    pub tier: Option<Tier>,
    /// None: a fall of tier, kept without a message.
    pub occasion: Option<Occasion>,
    /// One line.
    pub text: String,
    /// The Communication, if one is sent.
    pub message: Option<Uuid>,
}

/// What a step did to the state, and what it asks for.
#[derive(Clone, Debug, Default)]
pub struct Step {
    /// In the order in which they are to be written.
    pub effects: Vec<Effect>,
    /// History to append.
    pub history: Vec<History>,
    /// Slots changed.
    pub slots: BTreeSet<String>,
    /// Standing Observations changed.
    pub standing: BTreeSet<Uuid>,
    /// Concerns changed.
    pub concerns: BTreeSet<ConcernKey>,
    /// Sources whose refusals changed, with all of them.
    pub refusals: Vec<(String, Vec<Refusal>)>,
    /// Slots forgotten: past the limit of a patient's retained history.
    pub forgotten: Vec<String>,
    /// Standing Observations forgotten with them; what was written of them stays written.
    pub forgotten_standing: Vec<Uuid>,
    /// True when birth date, label or next_due changed.
    pub person: bool,
}
