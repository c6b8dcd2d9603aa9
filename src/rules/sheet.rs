//! The rule sheet: one TOML file, versioned and hashed. Everything that decides is in it.

use super::{ApprovalRecord, Tier};
use crate::outbox::draft::Family;
use serde::Deserialize;

/// The adult sheet that the program carries.
pub const ADULT: &str = include_str!("../../profiles/rules/adult.toml");

/// The children's sheet that the program carries.
pub const CHILD: &str = include_str!("../../profiles/rules/child.toml");

/// The most rules of a sheet: the set of those that hold on a reading is one 64-bit word.
pub const MAX_RULES: usize = 64;

/// The most deltas of one trend: the pairs of them grow with the square.
pub const TREND_READINGS_MAX: usize = 24;

/// Why a sheet is refused: every fault that was found, at least one.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{}", .faults.iter().map(|fault| format!("{file}: {fault}")).collect::<Vec<_>>().join("\n"))]
pub struct SheetError {
    /// The file (or "built-in adult sheet").
    pub file: String,
    /// In the order of the file.
    pub faults: Vec<Fault>,
}

/// One fault of a sheet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Line and column (in characters), both from 1; None: the sheet as a whole.
    pub place: Option<(usize, usize)>,
    /// What is wrong and what to do.
    pub message: String,
}

/// "line 12, column 1: …".
impl std::fmt::Display for Fault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if let Some((line, column)) = self.place {
            write!(f, "line {line}, column {column}: ")?;
        }
        f.write_str(&self.message)
    }
}

impl SheetError {
    /// A fault of the sheet as a whole.
    pub(super) fn of_whole(file: &str, message: String) -> Self {
        Self {
            file: file.to_owned(),
            faults: vec![Fault { place: None, message }],
        }
    }
}

/// How a delta is compared with a threshold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ThresholdComparator {
    /// `<=`: exactly 30 alerts (the default).
    AtOrBelow,
    /// `<`.
    Below,
}

impl ThresholdComparator {
    /// "at or below" / "below".
    pub fn words(self) -> &'static str {
        match self {
            Self::AtOrBelow => "at or below",
            Self::Below => "below",
        }
    }
}

/// `[pairing]`, minutes.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pairing {
    /// How much older than the compartment reading a diastolic may be.
    pub before_minutes: i64,
    /// How much newer.
    pub after_minutes: i64,
    /// Age class `simultaneous` up to here; also how close to the best a preferred method must be.
    pub simultaneous_minutes: i64,
    /// Age class `paired` up to here; older is `stale`.
    pub paired_minutes: i64,
    /// How long a compartment reading is carried against newer diastolics.
    pub carry_minutes: i64,
    /// How far in the future a reading may lie.
    pub clock_skew_minutes: i64,
    /// Preferred methods, best first; empty: only time decides.
    pub method_order: Vec<crate::recognise::Method>,
}

/// `[plausible]`, whole mmHg, all inclusive.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Plausible {
    /// Lowest usable compartment pressure.
    pub compartment_low: i64,
    /// Highest usable compartment pressure.
    pub compartment_high: i64,
    /// Above this a compartment pressure is used and asks for verification.
    pub compartment_verify_above: i64,
    /// Lowest usable diastolic.
    pub diastolic_low: i64,
    /// Highest usable diastolic.
    pub diastolic_high: i64,
}

/// What a rule looks at. Thresholds in whole mmHg.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RuleKind {
    /// The delta of a pairing lies in a band: above `lower`, at or below (or below) `upper`.
    Delta {
        /// Other end of the band; None: unbounded.
        lower: Option<i64>,
        /// The threshold.
        upper: i64,
    },
    /// The same for a carried delta.
    Carried {
        /// Other end of the band; None: unbounded.
        lower: Option<i64>,
        /// The threshold.
        upper: i64,
    },
    /// Every delta at or below `upper` for `minutes`, in at least `readings` readings.
    Sustained {
        /// The threshold.
        upper: i64,
        /// From the first to the last low reading.
        minutes: i64,
        /// At least so many.
        readings: usize,
    },
    /// The compartment pressure alone, while no delta rule of an alert holds.
    Absolute {
        /// Inclusive.
        at_or_above: i64,
    },
    /// Mean arterial pressure − compartment pressure lies in a band.
    MeanDelta {
        /// Other end of the band; None: unbounded.
        lower: Option<i64>,
        /// The threshold.
        upper: i64,
    },
    /// The delta falls: by a robust line through the last readings it reaches `upper` within
    /// `horizon_minutes`.
    Trend {
        /// The threshold that is being reached.
        upper: i64,
        /// At least so many deltas.
        readings: usize,
        /// Only the newest so many count.
        last_readings: usize,
        /// From the first to the newest of them at least.
        minutes: i64,
        /// Only those so close before the newest.
        window_minutes: i64,
        /// How far ahead is looked.
        horizon_minutes: i64,
    },
    /// Nobody measured again within so many minutes of an alert or of the last reading.
    Overdue {
        /// Only while the limb's concern has this tier.
        after: Tier,
        /// From the alert, or from the newest reading since.
        minutes: i64,
    },
    /// Two readings of one compartment, close together, differ.
    ReadingsDisagree {
        /// Closer than or at this.
        minutes: i64,
        /// Differ by more than this, mmHg.
        more_than: i64,
    },
    /// Arterial line and cuff, close together, differ.
    MethodsDisagree {
        /// Closer than or at this.
        minutes: i64,
        /// Differ by more than this, mmHg.
        more_than: i64,
    },
    /// No usable diastolic for the newest reading of a site.
    DiastolicMissing,
    /// The newest reading of a site has no side.
    SideMissing,
    /// The newest reading of a site is outside the plausible range.
    CompartmentImplausible,
    /// The newest reading of a site is negative or very high.
    CompartmentVerify,
    /// The newest diastolic is outside the plausible range.
    DiastolicImplausible,
    /// A compartment reading could not be used at all.
    CompartmentUnusable,
}

/// Is a compartment of our CodeSystem (`leg-anterior`) in a region (`leg`, or `leg-anterior` itself)?
pub fn in_region(code: &str, region: &str) -> bool {
    code.strip_prefix(region)
        .is_some_and(|rest| rest.is_empty() || rest.starts_with('-'))
}

impl RuleKind {
    /// The family of concerns that a rule of this kind raises.
    pub fn family(self) -> Family {
        match self {
            Self::Delta { .. }
            | Self::Carried { .. }
            | Self::Sustained { .. }
            | Self::Absolute { .. }
            | Self::MeanDelta { .. }
            | Self::Trend { .. } => Family::Pressure,
            Self::Overdue { .. } => Family::FollowUp,
            Self::ReadingsDisagree { .. }
            | Self::MethodsDisagree { .. }
            | Self::DiastolicMissing
            | Self::SideMissing
            | Self::CompartmentImplausible
            | Self::CompartmentVerify
            | Self::DiastolicImplausible
            | Self::CompartmentUnusable => Family::Measurement,
        }
    }
}

/// What an example must show.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Expect {
    /// The rule holds at the end.
    Holds,
    /// It does not.
    DoesNotHold,
}

/// One reading of an example.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ExampleReading {
    /// Minutes after the start of the example.
    pub minute: i64,
    /// A diastolic, mmHg.
    pub diastolic: Option<i64>,
    /// A compartment pressure, mmHg.
    pub pressure: Option<i64>,
    /// A compartment reading that is refused, by reason code.
    pub unusable: Option<crate::recognise::Reason>,
    /// Side of the compartment reading (left when absent).
    pub side: Option<crate::recognise::Side>,
    /// A mean arterial pressure, mmHg.
    pub mean: Option<i64>,
    /// How the blood pressure was measured.
    pub method: Option<crate::recognise::Method>,
    /// What is recorded of the patient from this minute on …
    pub context: Option<crate::recognise::ContextKind>,
    /// … to this minute; without it, it has no end.
    pub context_ends: Option<i64>,
}

/// One example of a rule.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Example {
    /// What must be.
    pub expect: Expect,
    /// Why this example.
    pub why: String,
    /// What was measured.
    pub readings: Vec<ExampleReading>,
    /// The rule is asked at this minute; without it, at the last reading.
    pub at_minute: Option<i64>,
}

/// Whom a sheet or a rule is for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ages {
    /// Everybody.
    #[default]
    Any,
    /// From `adult_from_years`, and whoever's age is not known.
    Adults,
    /// Below `adult_from_years`.
    Children,
}

impl Ages {
    /// Does it include a patient who is (`child`) below `adult_from_years`?
    pub fn includes(self, child: bool) -> bool {
        match self {
            Self::Any => true,
            Self::Adults => !child,
            Self::Children => child,
        }
    }

    /// As a person reads it.
    pub fn words(self) -> &'static str {
        match self {
            Self::Any => "all ages",
            Self::Adults => "adults and unknown age",
            Self::Children => "children",
        }
    }
}

/// `[session]`: the compartments that belong to one round of measurements.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Session {
    /// Readings so close together are one session.
    pub minutes: i64,
    /// Codes of our compartment CodeSystem, with the word that a text uses for each.
    pub compartments: Vec<SessionCompartment>,
}

/// One compartment of a session.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SessionCompartment {
    /// `leg-anterior`.
    pub code: String,
    /// "anterior".
    pub name: String,
}

/// `[anaesthesia]`: which diastolic stands beside the current one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Anaesthesia {
    /// How long before its start the last diastolic is looked for, minutes.
    pub before_minutes: i64,
    /// An anaesthesia without a recorded end counts so long, minutes.
    pub open_end_minutes: i64,
}

/// One rule.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rule {
    /// Its name on messages.
    pub id: String,
    /// Its version: changed whenever what it decides or says is changed.
    pub version: String,
    /// What it raises.
    pub tier: Tier,
    /// What it looks at.
    pub kind: RuleKind,
    /// On whom it runs.
    pub ages: Ages,
    /// On which regions of the limb it runs, by the start of our compartment codes (`leg`); empty:
    /// on all. A site that no mapping knows counts as any region.
    pub regions: Vec<String>,
    /// Runs only while this is recorded of the patient; None: always.
    pub context: Option<crate::recognise::ContextKind>,
    /// Where it comes from.
    pub citation: String,
    /// In whom that was shown.
    pub population: String,
    /// How it is known to fail.
    pub known_failure: String,
    /// C, C2, M or D.
    pub mark: String,
    /// Sentence of what was found.
    pub says: String,
    /// What to do next.
    pub next: String,
    /// At least three.
    pub examples: Vec<Example>,
}

/// The sheet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sheet {
    /// Where it was read from, for messages: the file, or "built-in adult sheet".
    pub file: String,
    /// Its name.
    pub id: String,
    /// Its version.
    pub version: String,
    /// Title for people.
    pub title: String,
    /// Whose sheet it is.
    pub ages: Ages,
    /// SHA-256 of the file, hex.
    pub hash: String,
    /// Who answers for it: filled by whoever reads the record beside the file, else empty.
    pub record: ApprovalRecord,
    /// Below this age (years) the sheet is marked as not validated.
    pub adult_from_years: i64,
    /// Inclusive or not.
    pub comparator: ThresholdComparator,
    /// Pairing.
    pub pairing: Pairing,
    /// Plausibility.
    pub plausible: Plausible,
    /// One round of measurements; None: sessions are not looked at.
    pub session: Option<Session>,
    /// Anaesthesia.
    pub anaesthesia: Anaesthesia,
    /// What the sheet does not cover, in sentences.
    pub not_covered: Vec<String>,
    /// A concern closes after so many readings without a rule.
    pub close_after_readings: usize,
    /// … and only when they span so many minutes: a line that is read each minute closes nothing
    /// by two good numbers.
    pub close_after_minutes: i64,
    /// In the order of the file.
    pub rules: Vec<Rule>,
    pub(super) alert_threshold: i64,
}

impl Sheet {
    /// Read a sheet and check each part of it. `file` is only for error texts.
    ///
    /// # Errors
    /// When the text is not TOML of this form or a number makes no sense; with line and column.
    pub fn parse(file: &str, text: &str) -> Result<Self, SheetError> {
        super::read::sheet(file, text).map(|read| read.sheet)
    }

    /// As [`Sheet::parse`], and the rules fit together: no two hold on one number, and no number
    /// below the highest threshold is without one (see `rules::fit`). What is used to judge
    /// patients comes from here.
    ///
    /// # Errors
    /// As [`Sheet::parse`]; when the rules overlap or leave a gap.
    pub fn checked(file: &str, text: &str) -> Result<Self, SheetError> {
        let read = super::read::sheet(file, text)?;
        let faults = super::fit::faults(&read);
        if faults.is_empty() {
            return Ok(read.sheet);
        }
        let file = file.to_owned();
        Err(SheetError { file, faults })
    }

    /// The built-in adult sheet.
    ///
    /// # Errors
    /// Never in a tested build; the error is passed on all the same.
    pub fn adult() -> Result<Self, SheetError> {
        Self::checked("built-in adult sheet", ADULT)
    }

    /// The built-in children's sheet.
    ///
    /// # Errors
    /// Never in a tested build; the error is passed on all the same.
    pub fn child() -> Result<Self, SheetError> {
        Self::checked("built-in child sheet", CHILD)
    }

    /// True when somebody approved exactly this text.
    pub fn approved(&self) -> bool {
        !self.record.of_this.is_empty()
    }

    /// True when `delta` (whole mmHg) is at or below (or below) `threshold`, as the sheet compares.
    pub fn is_low(&self, delta: i64, threshold: i64) -> bool {
        match self.comparator {
            ThresholdComparator::AtOrBelow if mutated!(ThresholdExclusive) => delta < threshold,
            ThresholdComparator::AtOrBelow => delta <= threshold,
            ThresholdComparator::Below => delta < threshold,
        }
    }

    /// True when `delta` lies in the band of a rule.
    pub fn in_band(&self, delta: i64, lower: Option<i64>, upper: i64) -> bool {
        self.is_low(delta, upper) && lower.is_none_or(|lower| !self.is_low(delta, lower))
    }

    /// The greatest threshold whose rule raises `act` or more: 30 in the adult sheet. Where no
    /// delta rule does, the lowest possible number.
    pub fn alert_threshold(&self) -> i64 {
        self.alert_threshold
    }
}
