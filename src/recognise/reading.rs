//! What recognition yields: readings, and what was refused.

use crate::fhir::{Decimal, Instant, Short};
use crate::recognise::reason::{Reason, Refusal};
use borsh::{BorshDeserialize, BorshSerialize};
use serde::{Deserialize, Serialize};
use std::fmt;

/// The patient as the record refers to them (`Patient/123`, an absolute URL on another host, or
/// `identifier:system|value` for a logical reference). Readings are never joined across keys.
#[derive(
    Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, BorshSerialize, BorshDeserialize,
)]
#[serde(transparent)]
pub struct PatientKey(pub String);

impl fmt::Display for PatientKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// What was measured.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, BorshSerialize, BorshDeserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Tissue pressure in a limb compartment.
    Compartment,
    /// Diastolic arterial pressure.
    Diastolic,
    /// Systolic arterial pressure; kept to judge the diastolic's plausibility, never paired.
    Systolic,
    /// Mean arterial pressure.
    Mean,
}

/// How it was measured.
#[derive(
    Clone,
    Copy,
    Debug,
    Default,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
    BorshSerialize,
    BorshDeserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// Non-invasive cuff.
    Cuff,
    /// Arterial line.
    ArterialLine,
    /// Single needle pass.
    Needle,
    /// Indwelling catheter.
    Catheter,
    /// The record does not say.
    #[default]
    Unstated,
}

impl Method {
    /// True when the record does not say.
    pub fn is_unstated(&self) -> bool {
        *self == Self::Unstated
    }
}

/// Which side of the body. A reading without a side is never merged with either (invariant 7).
#[derive(
    Clone,
    Copy,
    Debug,
    Default,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
    BorshSerialize,
    BorshDeserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// SNOMED CT 7771000.
    Left,
    /// SNOMED CT 24028007.
    Right,
    /// The record does not say, or says both.
    #[default]
    Unstated,
}

impl Side {
    /// True when the record does not say, or says both.
    pub fn is_unstated(&self) -> bool {
        *self == Self::Unstated
    }
}

/// Where a compartment pressure was measured. Two readings are of one site only when `side`,
/// `system` and `code` are equal.
#[derive(
    Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, BorshSerialize, BorshDeserialize,
)]
pub struct Site {
    /// Side of the body.
    pub side: Side,
    /// Code system: our `compartment` CodeSystem when a mapping knows the site, else the first
    /// coding's own system; empty when only text was sent or nothing at all.
    pub system: String,
    /// Code in `system`; the text (or `unstated`) when there is no coding.
    pub code: String,
    /// What a person reads: "anterior compartment of the leg". Without the side.
    pub display: String,
}

impl Site {
    /// True when a mapping gave this site (its system is our compartment CodeSystem).
    pub fn is_mapped(&self) -> bool {
        self.system == crate::recognise::COMPARTMENT_SYSTEM
    }

    /// A site of which nothing is said.
    pub fn unstated() -> Self {
        Self {
            side: Side::Unstated,
            system: String::new(),
            code: "unstated".into(),
            display: "site not stated".into(),
        }
    }

    /// A stable key for identity and storage: `left|system|code`.
    pub fn key(&self) -> String {
        let side = match self.side {
            Side::Left => "left",
            Side::Right => "right",
            Side::Unstated => "side-unstated",
        };
        format!("{side}|{}|{}", self.system, self.code)
    }
}

/// "left leg, anterior compartment"; "leg, anterior compartment (side not stated)".
impl fmt::Display for Site {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let nothing_said = self.system.is_empty() && self.code == "unstated";
        let unmapped = match self.is_mapped() {
            true => "",
            false if nothing_said => "",
            false => " (site not in the mapping)",
        };
        match self.side {
            Side::Left => write!(f, "left {}{unmapped}", self.display),
            Side::Right => write!(f, "right {}{unmapped}", self.display),
            Side::Unstated => write!(f, "{} (side not stated){unmapped}", self.display),
        }
    }
}

/// FHIR Quantity.comparator: the true value lies beyond the number.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, BorshSerialize, BorshDeserialize,
)]
pub enum Comparator {
    /// `<`
    #[serde(rename = "<")]
    Less,
    /// `<=`
    #[serde(rename = "<=")]
    LessOrEqual,
    /// `>=`
    #[serde(rename = ">=")]
    GreaterOrEqual,
    /// `>`
    #[serde(rename = ">")]
    Greater,
}

impl Comparator {
    /// As a person reads it.
    pub fn sign(self) -> &'static str {
        match self {
            Self::Less => "<",
            Self::LessOrEqual => "≤",
            Self::GreaterOrEqual => "≥",
            Self::Greater => ">",
        }
    }
}

/// A pressure as sent and as converted.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, BorshSerialize, BorshDeserialize)]
pub struct Pressure {
    /// Millimetres of mercury, UCUM `mm[Hg]`, converted with UCUM's exact factor, unrounded
    /// (28 significant digits).
    pub mmhg: Decimal,
    /// The number as sent, digit for digit ("5.30").
    pub sent_value: Short,
    /// The unit as sent ("kPa").
    pub sent_unit: Short,
    /// Present when the number is only a bound.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub comparator: Option<Comparator>,
}

/// The status of the Observation that carried the reading; only statuses that can be used.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, BorshSerialize, BorshDeserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum ReadingStatus {
    /// Verified.
    Final,
    /// Changed after it was final.
    Amended,
    /// Changed to correct an error.
    Corrected,
    /// Not yet verified: used, and the derived Observation is preliminary too.
    Preliminary,
}

/// What is recorded of a patient over a time, and changes what a delta means.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, BorshSerialize, BorshDeserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum ContextKind {
    /// Under anaesthesia: the diastolic is lower (Kakar 2007, C: 18 ± 13 mmHg).
    Anaesthesia,
    /// The limb was without blood and has it again: the threshold is higher (canine study, C).
    AfterIschaemia,
}

/// A context with its time.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, BorshSerialize, BorshDeserialize)]
pub struct Context {
    /// Which.
    pub kind: ContextKind,
    /// From.
    pub start: Instant,
    /// To; None: no end is recorded.
    pub end: Option<Instant>,
}

/// How a compartment pressure was taken, as far as the record says. What is absent is not known:
/// it is never held against a reading.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, BorshSerialize, BorshDeserialize)]
pub struct Quality {
    /// The gauge was zeroed.
    pub zeroed: Option<bool>,
    /// The line was flushed.
    pub flushed: Option<bool>,
    /// The number had settled.
    pub settled: Option<bool>,
    /// Distance from the fracture, as sent ("5 cm").
    pub distance_from_fracture: Option<String>,
    /// Level of the limb against the heart, as sent.
    pub limb_level: Option<String>,
}

/// One measured pressure at a moment.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, BorshSerialize, BorshDeserialize)]
pub struct Reading {
    /// Which part of the resource carried it: empty for the Observation's own value,
    /// `component[2]`, or `contained[a]`.
    #[serde(default, skip_serializing_if = "Short::is_empty")]
    pub part: Short,
    /// What was measured.
    pub kind: Kind,
    /// The pressure.
    pub pressure: Pressure,
    /// Earliest moment of the effective time.
    pub start: Instant,
    /// Latest moment of the effective time: the moment that pairing uses (a Period's end).
    pub at: Instant,
    /// Where, for a compartment reading; None for a blood pressure.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub site: Option<Site>,
    /// The source's bodySite as sent (JSON), to be copied into what is derived.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub body_site_json: Option<String>,
    /// How.
    #[serde(default, skip_serializing_if = "Method::is_unstated")]
    pub method: Method,
    /// Status of the Observation.
    pub status: ReadingStatus,
    /// Observation.identifier as `system|value`; equal identifiers mean one measurement.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub identifiers: Vec<String>,
    /// How it was taken, when anything is recorded of that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub quality: Option<Box<Quality>>,
}

/// Which version of a resource this is. Ordered: of two versions of one resource the greater is
/// the newer, whatever the order in which they arrived.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, BorshSerialize, BorshDeserialize)]
pub struct Version {
    /// meta.versionId when it is a whole number: compares 9 < 10, and before any clock.
    pub number: Option<u64>,
    /// meta.lastUpdated (ours, when the resource came to our own endpoint or has none).
    pub last_updated: Option<Instant>,
    /// meta.versionId as sent; empty when absent.
    pub id: Short,
    /// SHA-256 of the body, hex, first 16 digits: the last tie-break and the sameness test.
    pub digest: Short,
}

/// Why a source no longer counts.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, BorshSerialize, BorshDeserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum Withdrawal {
    /// status entered-in-error.
    EnteredInError,
    /// status cancelled; of a Procedure: not-done.
    Cancelled,
    /// The resource was deleted.
    Deleted,
    /// A newer version names another patient.
    MovedToAnotherPatient,
}

/// One version of one source resource, recognised.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, BorshSerialize, BorshDeserialize)]
pub struct Recognised {
    /// `Observation/abc`, `Procedure/abc`.
    pub source: String,
    /// Its version.
    pub version: Version,
    /// The patient, when one is named.
    pub patient: Option<PatientKey>,
    /// Set when this version takes the measurement back; then `readings` is empty.
    pub withdrawn: Option<Withdrawal>,
    /// What can be used.
    pub readings: Vec<Reading>,
    /// What cannot, and why.
    pub refusals: Vec<Refusal>,
    /// Observations named by hasMember (`Observation/x`), when this is a panel.
    pub members: Vec<String>,
    /// A side that the panel states for its members.
    pub members_side: Side,
    /// What is recorded of the patient over a time (a Procedure, or an Observation that says so).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub contexts: Vec<Context>,
}

impl Recognised {
    /// False for what is of no patient's concern: a code that no mapping knows, our own output.
    pub fn concerns_a_patient(&self) -> bool {
        let foreign = |refusal: &Refusal| matches!(refusal.reason, Reason::CodeNotMapped | Reason::OwnOutput);
        !self.readings.is_empty()
            || !self.contexts.is_empty()
            || self.withdrawn.is_some()
            || !self.members.is_empty()
            || !self.refusals.iter().all(foreign)
    }

    /// Nothing recognised yet.
    pub(super) fn nothing(source: String, version: Version) -> Self {
        Self {
            source,
            version,
            patient: None,
            withdrawn: None,
            readings: Vec::new(),
            refusals: Vec::new(),
            members: Vec::new(),
            members_side: Side::Unstated,
            contexts: Vec::new(),
        }
    }
}
