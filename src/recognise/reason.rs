//! The closed list of reasons for which an input is kept but not used.

use super::reading::Site;
use crate::fhir::Instant;
use borsh::{BorshDeserialize, BorshSerialize};
use serde::{Deserialize, Serialize};

macro_rules! reasons {
    ($($(#[$doc:meta])* $name:ident = $code:literal, $sentence:literal;)*) => {
        /// Why an input, or one part of it, is set aside. Closed: every refusal is one of these.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, BorshSerialize, BorshDeserialize)]
        #[serde(rename_all = "kebab-case")]
        pub enum Reason { $($(#[$doc])* $name,)* }
        impl Reason {
            /// Every reason, in the order of this list.
            pub const ALL: &'static [Reason] = &[$(Reason::$name,)*];
            /// The code that metrics, pages and reports show.
            pub fn code(self) -> &'static str { match self { $(Reason::$name => $code,)* } }
            /// One sentence for a person: what is wrong and what would mend it.
            pub fn sentence(self) -> &'static str { match self { $(Reason::$name => $sentence,)* } }
        }
    };
}

reasons! {
    /// Not JSON, or not a FHIR Observation or Procedure at all.
    Unreadable = "unreadable", "The resource could not be read as a FHIR R4 Observation or Procedure; mend it at its source.";
    /// No code that any mapping knows.
    CodeNotMapped = "code-not-mapped", "No code of this resource is in the mapping; add it to the reading ConceptMap if it is a pressure, to the context ConceptMap if it says that the patient is under anaesthesia or that a limb has its blood again.";
    /// status is registered, preparation or (of an Observation) unknown, absent, or not one of the standard's.
    StatusNotUsable = "status-not-usable", "The status does not say that a result exists; send it again with the status that its result has.";
    /// No subject.
    NoPatient = "no-patient", "The resource names no patient; give it a subject that is a Patient and send it again.";
    /// The subject is a Group, Device or Location.
    SubjectNotAPatient = "subject-not-a-patient", "The subject is not a patient; name the Patient as subject and send it again.";
    /// Observation.focus: the measurement is of something else (a fetus, a donor).
    FocusElsewhere = "focus-elsewhere", "The Observation has a focus: what was measured is not the patient. If it is the patient's own, remove the focus at the source.";
    /// A modifierExtension that we do not understand may change the meaning.
    UnknownModifier = "unknown-modifier", "A modifier extension may change the meaning and is not understood; find out what it says, or measure again.";
    /// value absent with dataAbsentReason.
    DataAbsent = "data-absent", "The value is absent and the record says why; measure again, or enter the value if there is one.";
    /// No value and no reason.
    NoValue = "no-value", "There is no value; measure again, or enter the value with its unit.";
    /// The value is not a Quantity (a string, a range, sampled data).
    ValueNotAQuantity = "value-not-a-quantity", "The value is not a Quantity; enter it as a number with a unit.";
    /// The number cannot be held exactly.
    NumberNotUsable = "number-not-usable", "The number is too large, too long or not a number; check what was entered and correct it.";
    /// No unit at all.
    UnitMissing = "unit-missing", "The value has no unit; a pressure without a unit is never guessed. Correct the record or measure again.";
    /// A unit outside the closed table.
    UnitUnknown = "unit-unknown", "The unit is not a pressure unit of the table; correct it to mm[Hg], kPa or cm[H2O].";
    /// No effective time.
    NoEffectiveTime = "no-effective-time", "There is no effective time, so it cannot be paired; enter when it was measured.";
    /// The effective time does not follow the dateTime grammar.
    EffectiveTimeInvalid = "effective-time-invalid", "The effective time is not a FHIR dateTime, instant or Period; correct it at the source.";
    /// Only a day, month or year.
    TimeTooCoarse = "time-too-coarse", "The effective time names only a day, month or year, so it cannot be paired by minutes; enter the time of day with its offset.";
    /// effectiveTiming, or a Period without an end.
    TimeOpen = "time-open", "The effective time has no end; enter when the measurement ended.";
    /// Effective later than now by more than the allowed clock skew; re-tried when its time comes.
    InTheFuture = "in-the-future", "The effective time lies in the future; it will be tried again when that time has come. Check the clock of the device.";
    /// Outside the rule sheet's plausible range.
    Implausible = "implausible", "The value is outside the plausible range of the rule sheet; check the measurement.";
    /// A diastolic at or above the systolic of the same Observation.
    DiastolicAboveSystolic = "diastolic-above-systolic", "The diastolic is not below the systolic of the same measurement; measure the blood pressure again.";
    /// A panel whose members are other Observations: they are read on their own.
    PanelOnly = "panel-only", "A panel without values of its own; its members are read on their own.";
    /// One of our own derived Observations.
    OwnOutput = "own-output", "This is a derived Observation of this service; own output is never input.";
    /// The record says that it is not so (an Observation of anaesthesia with the value false).
    NotSo = "not-so", "The record says that this is not so, so nothing is added by it; correct it at its source if it is.";
    /// status entered-in-error, cancelled or (of a Procedure) not-done, deleted, or moved to another patient.
    TakenBack = "taken-back", "The record took this entry back (entered in error, cancelled, not done, deleted or moved to another patient); it no longer counts.";
    /// Older than all that is kept of a patient with very many readings.
    BeyondHistory = "beyond-history", "The patient has more readings than are kept in judgement; this one is among the oldest and is no longer judged. What was derived from it stays written.";
    /// The same measurement under another id; it counts once and both sources are named.
    Duplicate = "duplicate", "The same measurement stands under another id; it counts once and both sources are named.";
}

/// One refused part of a resource.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, BorshSerialize, BorshDeserialize)]
pub struct Refusal {
    /// Which part (as in `Reading::part`), empty for the whole.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub part: String,
    /// Why.
    pub reason: Reason,
    /// What was found, short, without a patient's name or identifier ("unit \"torr\"").
    pub detail: String,
    /// Set when a compartment pressure was meant: a measurement that nobody will see otherwise.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub meant: Option<Box<Meant>>,
}

/// What can still be said of a compartment reading that cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, BorshSerialize, BorshDeserialize)]
pub struct Meant {
    /// Where it was measured.
    pub site: Site,
    /// When, if that can be read.
    pub at: Option<Instant>,
    /// What was sent ("60, no unit"), if that can be read.
    pub sent: Option<String>,
}
