//! What `patient::publish` and `patient::tell` decided should be written, before it has the form of a resource.
//! Facts only; the sentences are in `wording`, the FHIR forms in `delta_observation` and
//! `communication`.

use crate::fhir::{Decimal, Instant};
use crate::recognise::reading::{Method, PatientKey, Pressure, Quality, ReadingStatus, Site, Withdrawal};
use crate::recognise::reason::Reason;
use crate::rules::{RuleKind, Tier};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// One source of a derived value.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SourceRef {
    /// `Observation/abc`.
    pub reference: String,
    /// Its versionId, as evidence; empty when it has none.
    pub version_id: String,
}

/// A measured pressure as evidence.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Measured {
    /// The Observation; further ones when the same measurement stands under several ids.
    pub sources: Vec<SourceRef>,
    /// The pressure, converted and as sent.
    pub pressure: Pressure,
    /// When (the moment that pairing used).
    pub at: Instant,
    /// How.
    pub method: Method,
    /// Status of its Observation.
    pub status: ReadingStatus,
    /// How a compartment pressure was taken, when anything is recorded of that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub quality: Option<Box<Quality>>,
}

/// Which other pressure a second difference is taken from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BesideKind {
    /// The last diastolic before anaesthesia began (Kakar 2007, C: 18 ± 13 mmHg lower under it).
    BeforeAnaesthesia,
    /// The mean arterial pressure (Mars & Hadley 1998, C: children).
    Mean,
    /// The diastolic by the other method (arterial line or cuff), which is the higher one.
    OtherMethod,
}

impl BesideKind {
    /// Every kind.
    pub const ALL: [Self; 3] = [Self::BeforeAnaesthesia, Self::Mean, Self::OtherMethod];
}

/// A second difference, shown beside the delta: another pressure − the same compartment pressure.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Beside {
    /// Which.
    pub kind: BesideKind,
    /// That other pressure.
    pub pressure: Measured,
    /// Exact, mmHg.
    pub delta_mmhg: Decimal,
    /// Whole mmHg, a half toward the alert.
    pub delta_whole_mmhg: i64,
}

/// Which compartments of a round of measurements were measured, by the names of the sheet.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SessionNote {
    /// Within so many minutes of the reading spoken of.
    pub minutes: i64,
    /// Measured.
    pub measured: Vec<String>,
    /// Not measured: never empty.
    pub missing: Vec<String>,
}

/// How old the diastolic was, against the compartment reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AgeClass {
    /// Within `simultaneous_minutes` (5).
    Simultaneous,
    /// Within `paired_minutes` (15).
    Paired,
    /// Within `before_minutes` (60): alerts, and says so.
    Stale,
}

/// One delta: a compartment reading, a diastolic, and their difference.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeltaFacts {
    /// Where.
    pub site: Site,
    /// The compartment's bodySite as sent (JSON), when there was one.
    pub body_site_json: Option<String>,
    /// The compartment pressure.
    pub compartment: Measured,
    /// The diastolic.
    pub diastolic: Measured,
    /// Exact: diastolic − compartment, mmHg, unrounded.
    pub delta_mmhg: Decimal,
    /// What is compared and shown: whole mmHg, a half toward the alert.
    pub delta_whole_mmhg: i64,
    /// True when a comparator makes the delta an upper bound ("at most").
    pub bounded_above: bool,
    /// Age class of the diastolic (for a carried delta: of the pairing that it replaces).
    pub age: AgeClass,
    /// True: a newer diastolic against the last compartment reading ("measure again").
    pub carried: bool,
    /// Tier of this delta alone, if any rule holds on it.
    pub tier: Option<Tier>,
    /// True: anaesthesia was recorded at the time of the diastolic.
    #[serde(default)]
    pub under_anaesthesia: bool,
    /// Second differences.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub beside: Vec<Beside>,
}

/// A derived Observation to be created or amended.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeltaDraft {
    /// Deterministic identity (invariant 2).
    pub identity: Uuid,
    /// The patient.
    pub patient: PatientKey,
    /// The evidence.
    pub facts: DeltaFacts,
    /// The delta threshold that the sheet uses for `act` (30), for the reference range.
    pub threshold_mmhg: i64,
    /// SHA-256 of the rule sheet that judged: another sheet amends what stands.
    #[serde(default)]
    pub sheet_hash: String,
    /// True when exactly the threshold alerts.
    #[serde(default = "yes")]
    pub inclusive: bool,
    /// False the first time.
    pub amends: bool,
    /// When it was derived.
    pub issued: Instant,
}

fn yes() -> bool {
    true
}

/// A derived Observation to be set entered-in-error: its ground is gone.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RetractDraft {
    /// The last draft that stood.
    pub last: DeltaDraft,
    /// When.
    pub issued: Instant,
}

/// Why a message is sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Occasion {
    /// The tier rose (from none, or from a lower tier).
    Raised,
    /// A ground of an earlier message fell away.
    Withdrawn,
    /// New readings no longer hold any rule.
    Resolved,
}

/// What became of the ground of an earlier message.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "what")]
pub enum GroundLost {
    /// The source was taken back.
    SourceWithdrawn {
        /// `Observation/abc`.
        source: String,
        /// How.
        how: Withdrawal,
    },
    /// The delta that was told has changed.
    Recomputed {
        /// The compartment reading, `Observation/abc`.
        source: String,
        /// What changed it.
        cause: Recomputation,
        /// The delta now, whole mmHg, when there is one.
        delta_now_whole_mmhg: Option<i64>,
    },
    /// The source now names another site.
    NowElsewhere {
        /// `Observation/abc`.
        source: String,
        /// Where it is now.
        site: Site,
    },
    /// The source is no longer usable (set aside now).
    NoLongerUsable {
        /// `Observation/abc`.
        source: String,
    },
}

/// Why a delta that was told is another one now.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "by")]
pub enum Recomputation {
    /// The compartment reading was corrected.
    Compartment,
    /// The diastolic was corrected.
    Diastolic {
        /// `Observation/abc`.
        source: String,
    },
    /// The diastolic was taken back, or another one now stands nearer.
    OtherDiastolic,
    /// Another reading that the rule counted has changed (a run of low readings).
    OtherReading,
}

/// A compartment reading that cannot be used, as evidence in a message.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Unusable {
    /// Its Observation.
    pub source: SourceRef,
    /// What was sent ("60, no unit"), as far as it can be read.
    pub sent: Option<String>,
    /// When it was measured, as far as it can be read.
    pub at: Option<Instant>,
    /// Why it cannot be used.
    pub reason: Reason,
}

/// What a rule judges, whatever a site's sheet names it: headlines and cautions follow from it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum GroundBy {
    /// A delta pressure.
    Delta,
    /// A delta pressure of a newer diastolic.
    Carried,
    /// Delta pressures over a time.
    Sustained,
    /// The compartment pressure alone.
    Pressure,
    /// A value outside the plausible range.
    Implausible,
    /// A compartment reading that cannot be used.
    Unusable,
    /// No usable diastolic.
    DiastolicMissing,
    /// A compartment pressure to be verified.
    Verify,
    /// A mean arterial delta pressure.
    MeanDelta,
    /// Delta pressures that fall.
    Trend,
    /// Nobody measured again.
    Overdue,
    /// Two readings of one compartment differ.
    ReadingsDisagree,
    /// Arterial line and cuff differ.
    MethodsDisagree,
    /// No side.
    SideMissing,
}

impl From<RuleKind> for GroundBy {
    fn from(kind: RuleKind) -> Self {
        match kind {
            RuleKind::Delta { .. } => Self::Delta,
            RuleKind::Carried { .. } => Self::Carried,
            RuleKind::Sustained { .. } => Self::Sustained,
            RuleKind::Absolute { .. } => Self::Pressure,
            RuleKind::CompartmentImplausible | RuleKind::DiastolicImplausible => Self::Implausible,
            RuleKind::CompartmentUnusable => Self::Unusable,
            RuleKind::DiastolicMissing => Self::DiastolicMissing,
            RuleKind::CompartmentVerify => Self::Verify,
            RuleKind::SideMissing => Self::SideMissing,
            RuleKind::MeanDelta { .. } => Self::MeanDelta,
            RuleKind::Trend { .. } => Self::Trend,
            RuleKind::Overdue { .. } => Self::Overdue,
            RuleKind::ReadingsDisagree { .. } => Self::ReadingsDisagree,
            RuleKind::MethodsDisagree { .. } => Self::MethodsDisagree,
        }
    }
}

/// True when all that holds is judged on the compartment pressure alone: then that pressure is
/// what is told first, and a delta only beside it.
pub fn pressure_leads(grounds: &[Ground]) -> bool {
    !grounds.is_empty() && grounds.iter().all(|ground| ground.by == GroundBy::Pressure)
}

/// True when the tier stands on the mean arterial pressure alone: then that difference is told first.
pub fn mean_leads(grounds: &[Ground]) -> bool {
    let worst = grounds.iter().map(|ground| ground.tier).max();
    let mut of_worst = grounds.iter().filter(|ground| Some(ground.tier) == worst);
    !grounds.is_empty() && of_worst.all(|ground| ground.by == GroundBy::MeanDelta)
}

/// One rule that holds, as evidence in a message.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Ground {
    /// Rule id of the sheet.
    pub rule: String,
    /// What it judges.
    pub by: GroundBy,
    /// Its tier.
    pub tier: Tier,
    /// The rule's own sentence, filled in ("delta pressure 22 mmHg is at or below 30 mmHg").
    pub sentence: String,
    /// What to do next, from the sheet.
    pub next: String,
}

/// Which family of rules a concern belongs to; one concern per patient, site and family.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Family {
    /// Delta, sustained, carried, absolute pressure: the limb.
    Pressure,
    /// No or old diastolic, implausible reading: the measurement.
    Measurement,
    /// Measuring again after an alert.
    FollowUp,
}

impl Family {
    /// Every family.
    pub const ALL: [Self; 3] = [Self::Pressure, Self::Measurement, Self::FollowUp];

    /// Its name in keys and identities.
    pub fn word(self) -> &'static str {
        match self {
            Self::Pressure => "pressure",
            Self::Measurement => "measurement",
            Self::FollowUp => "follow-up",
        }
    }
}

/// A Communication to be sent.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct MessageDraft {
    /// Deterministic identity.
    pub identity: Uuid,
    /// The message of the same concern before this one, if any (inResponseTo).
    pub predecessor: Option<Uuid>,
    /// The patient.
    pub patient: PatientKey,
    /// Where; None when the concern is of the patient's blood pressure as a whole.
    pub site: Option<Site>,
    /// Family.
    pub family: Family,
    /// Why this message.
    pub occasion: Occasion,
    /// Tier now (None when nothing holds any more).
    pub tier: Option<Tier>,
    /// Tier that was told before.
    pub tier_before: Option<Tier>,
    /// The rules that hold now.
    pub grounds: Vec<Ground>,
    /// What fell away (withdrawn messages).
    pub lost: Vec<GroundLost>,
    /// The compartment reading spoken of, when there is one.
    pub compartment: Option<Measured>,
    /// The compartment reading that cannot be used, when the message is about one.
    pub unusable: Option<Unusable>,
    /// The diastolic spoken of, when the concern is of the blood pressure alone, or when its methods
    /// disagree beside a reading that has no delta.
    pub diastolic: Option<Measured>,
    /// The delta spoken of, when there is one.
    pub delta: Option<DeltaFacts>,
    /// Identity of the derived delta Observation spoken of (reasonReference, about).
    pub delta_identity: Option<Uuid>,
    /// Second differences of a reading that has no delta (else they are in `delta`).
    pub beside: Vec<Beside>,
    /// Compartments that this round of measurements lacks.
    pub session: Option<SessionNote>,
    /// Number of compartment readings of this site so far (1: "single reading").
    pub reading_count: usize,
    /// Patient is under 16, or age is not known: extra cautions.
    pub age_note: AgeNote,
    /// When it was decided.
    pub at: Instant,
}

/// Whether the adult sheet fits the patient's age.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AgeNote {
    /// In the sheet's age band.
    InBand,
    /// Below it: "adult rule, not validated in children".
    Child,
    /// Birth date not known.
    Unknown,
}
