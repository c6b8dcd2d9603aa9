//! What one replay found: plain data, made of one patient after the other and merged over threads.
//! Pure. Every number in it is a count of something that `clock` or `assess` gave; the figures of
//! the report are made from it by `burden`.

use super::clock::{Judges, NO_ASK, Replayed, Told};
use super::cohort::Inputs;
use super::one::One;
use crate::fhir::Instant;
use crate::outbox::draft::{AgeClass, Family, Occasion};
use crate::patient::assess::assess;
use crate::recognise::reading::PatientKey;
use crate::recognise::{Method, Reason, Site};
use crate::rules::Tier;
use std::collections::BTreeMap;

/// Traces that are kept to be drawn.
pub const TRACES_KEPT: usize = 12;

/// How a compartment reading was paired.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum PairedAs {
    /// With a diastolic of this age class.
    With(AgeClass),
    /// There is no usable diastolic.
    Nothing,
}

impl PairedAs {
    /// The word of tables.
    pub fn word(self) -> &'static str {
        match self {
            Self::With(AgeClass::Simultaneous) => "simultaneous",
            Self::With(AgeClass::Paired) => "paired",
            Self::With(AgeClass::Stale) => "stale",
            Self::Nothing => "none",
        }
    }
}

/// What was counted over all readings.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Totals {
    /// Compartment measurements by how they were paired and how the diastolic was measured.
    pub pairings: BTreeMap<(PairedAs, Option<Method>), u64>,
    /// Exact deltas of pairings by whole mmHg.
    pub deltas: BTreeMap<i64, u64>,
    /// Deltas of which only an upper bound is known.
    pub bounded: u64,
    /// Deltas of pairings at or below (or below) the alert threshold.
    pub low: u64,
    /// By compartment, without the side.
    pub compartments: BTreeMap<String, CompartmentTotals>,
    /// Usable diastolics of watched patients.
    pub diastolics: u64,
    /// Steps that were run.
    pub steps: u64,
}

/// What was counted of one compartment.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct CompartmentTotals {
    /// Sites: this compartment of one side of one patient.
    pub sites: u64,
    /// Measurements.
    pub readings: u64,
    /// Deltas at or below (or below) the alert threshold.
    pub low: u64,
}

/// A concern from its opening to its close.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Episode {
    /// Where; None: the blood pressure as a whole.
    pub site: Option<Site>,
    /// Family.
    pub family: Family,
    /// When it was raised.
    pub from: Instant,
    /// When it closed; None: open at the end.
    pub to: Option<Instant>,
    /// The highest tier that it reached.
    pub highest: Tier,
}

/// From the first low delta of a site to its first alert.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Onset {
    /// When the first low delta was measured.
    pub first_low: Instant,
    /// The first alert of the site; None: there was none.
    pub first_alert: Option<Instant>,
}

impl Onset {
    /// Minutes between the two, negative when an earlier pairing alerted before.
    pub fn minutes(&self) -> Option<i64> {
        self.first_alert.map(|alert| alert.minutes_since(self.first_low))
    }
}

/// Alerts (from below `act` to `act` or more) by what they stood on and what came next.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Alerts {
    /// All.
    pub all: u64,
    /// Those whose concern closed (or whose data end) without a second low delta of the compartment.
    pub from_one_reading: u64,
    /// Those after which the compartment was measured again and gave a delta.
    pub measured_again: u64,
    /// Of these, those whose next delta was above the threshold.
    pub resolved_at_next: u64,
}

impl Alerts {
    /// Add another count.
    pub fn add(&mut self, other: Self) {
        self.all += other.all;
        self.from_one_reading += other.from_one_reading;
        self.measured_again += other.measured_again;
        self.resolved_at_next += other.resolved_at_next;
    }
}

/// One patient.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PatientFindings {
    /// Who.
    pub patient: PatientKey,
    /// True when the children's sheet judged the last reading.
    pub child: bool,
    /// True when a compartment pressure was measured, usable or not.
    pub watched: bool,
    /// Compartment measurements.
    pub readings: u64,
    /// Minutes during which a compartment reading was no older than the sheet's carry time.
    pub watched_minutes: i64,
    /// Of these, minutes below the threshold, the sites added up.
    pub low_minutes: i64,
    /// The lowest delta of a pairing, whole mmHg, and when.
    pub lowest: Option<(i64, Instant)>,
    /// Messages, in order.
    pub told: Vec<Told>,
    /// Concerns, in order of opening.
    pub episodes: Vec<Episode>,
    /// Of each site with a low delta.
    pub onsets: Vec<Onset>,
    /// Alerts.
    pub alerts: Alerts,
}

impl PatientFindings {
    /// The first alert, if there was one.
    pub fn first_alert(&self) -> Option<&Told> {
        self.told.iter().find(|told| told.is_alert())
    }
}

/// A row of `--pairs`: one compartment measurement.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct PairRow {
    /// The patient as the record refers to them.
    pub patient: String,
    /// `left`, `right` or `side-unstated`, then system and code.
    pub site: String,
    /// As a person reads it.
    pub site_text: String,
    /// Source of the compartment reading.
    pub source: String,
    /// FHIR instant.
    pub measured_at: String,
    /// mmHg, exact.
    pub pressure_mmhg: String,
    /// `<`, `≤`, `≥`, `>` or empty.
    pub comparator: &'static str,
    /// Source of the diastolic; empty without one.
    pub diastolic_source: String,
    /// FHIR instant.
    pub diastolic_at: String,
    /// mmHg, exact.
    pub diastolic_mmhg: String,
    /// How the diastolic was measured.
    pub diastolic_method: String,
    /// `simultaneous`, `paired`, `stale` or `none`.
    pub age_class: &'static str,
    /// Diastolic before (negative) or after the compartment reading, minutes.
    pub age_minutes: String,
    /// Exact, mmHg.
    pub delta_mmhg: String,
    /// As compared: whole mmHg, a half toward the alert.
    pub delta_whole_mmhg: String,
    /// True when only an upper bound is known.
    pub bounded_above: bool,
    /// True at or below (or below) the alert threshold.
    pub low: bool,
    /// Highest tier of the rules that hold on it.
    pub tier: &'static str,
}

impl PairRow {
    fn order(&self) -> (&str, &str, &str, &str) {
        (&self.patient, &self.site, &self.measured_at, &self.source)
    }
}

/// One site of one patient, to be drawn.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Trace {
    /// Who.
    pub patient: PatientKey,
    /// Where.
    pub site: String,
    /// Messages of the patient.
    pub messages: usize,
    /// Compartment pressures, whole mmHg.
    pub pressures: Vec<(Instant, i64)>,
    /// Usable diastolics, whole mmHg.
    pub diastolics: Vec<(Instant, i64)>,
    /// Deltas, whole mmHg; true: carried.
    pub deltas: Vec<(Instant, i64, bool)>,
    /// Messages of the site: when, occasion, tier.
    pub messages_at: Vec<(Instant, Occasion, Option<Tier>)>,
    /// The alert threshold; None when the sheet has none.
    pub threshold: Option<i64>,
}

/// What one run found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Findings {
    /// What came in.
    pub inputs: Inputs,
    /// Over all readings.
    pub totals: Totals,
    /// In order of their keys once merged.
    pub patients: Vec<PatientFindings>,
    /// Rows of `--pairs`, when they were asked for; by patient, site and time.
    pub pairs: Vec<PairRow>,
    /// Of the patients with the most messages.
    pub traces: Vec<Trace>,
    /// Put aside by judgement of all readings of a patient, by reason.
    pub judged: BTreeMap<Reason, u64>,
}

/// What is to be kept besides the counts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Keep {
    /// Rows of pairs.
    pub pairs: bool,
    /// Traces to draw.
    pub traces: bool,
}

impl Findings {
    /// Add one patient.
    pub fn add(&mut self, replayed: Replayed, judges: &Judges, keep: Keep) {
        let Replayed {
            state,
            told,
            end,
            steps,
        } = replayed;
        self.totals.steps += steps as u64;
        let sheet = judges.sheets().for_patient(state.birth_date.as_deref(), end);
        let assessment = assess(&state, sheet, NO_ASK, end);
        let watched =
            !assessment.measurements.is_empty() || !assessment.implausible.is_empty() || !assessment.lost.is_empty();
        for refusal in assessment.judged.values().flatten() {
            *self.judged.entry(refusal.reason).or_default() += 1;
        }
        if !watched && told.is_empty() {
            return;
        }
        let one = One {
            assessment: &assessment,
            sheet,
            told: &told,
            until: judges.view(),
        };
        one.count(&mut self.totals);
        if keep.pairs {
            one.pair_rows(&state.patient, &mut self.pairs);
        }
        if keep.traces {
            self.keep_trace(&one, &state.patient);
        }
        let (onsets, low_minutes) = one.low();
        let findings = PatientFindings {
            child: std::ptr::eq(sheet, judges.sheets().child()),
            // Whoever was told of was watched then, though the reading may have been taken back since.
            watched: watched || !told.is_empty(),
            readings: assessment.measurements.len() as u64,
            watched_minutes: one.watched_minutes(),
            low_minutes,
            lowest: one.lowest(),
            episodes: episodes(&told),
            onsets,
            alerts: one.alerts(),
            patient: state.patient.clone(),
            told: Vec::new(),
        };
        self.patients.push(PatientFindings { told, ..findings });
    }

    /// Add what another thread found, of other patients.
    pub fn merge(&mut self, other: Self) {
        let Totals {
            pairings,
            deltas,
            bounded,
            low,
            compartments,
            diastolics,
            steps,
        } = other.totals;
        let totals = &mut self.totals;
        for (key, count) in pairings {
            *totals.pairings.entry(key).or_default() += count;
        }
        for (key, count) in deltas {
            *totals.deltas.entry(key).or_default() += count;
        }
        for (key, more) in compartments {
            let held = totals.compartments.entry(key).or_default();
            held.sites += more.sites;
            held.readings += more.readings;
            held.low += more.low;
        }
        for (reason, count) in other.judged {
            *self.judged.entry(reason).or_default() += count;
        }
        totals.bounded += bounded;
        totals.low += low;
        totals.diastolics += diastolics;
        totals.steps += steps;
        self.inputs.merge(other.inputs);
        self.patients.extend(other.patients);
        self.pairs.extend(other.pairs);
        self.traces.extend(other.traces);
        self.shorten_traces();
    }

    /// Put all in order, once everything is merged.
    pub fn in_order(&mut self) {
        self.patients.sort_by(|one, other| one.patient.cmp(&other.patient));
        self.pairs.sort_by(|one, other| one.order().cmp(&other.order()));
    }

    fn shorten_traces(&mut self) {
        self.traces
            .sort_by(|one, other| (other.messages, &one.patient).cmp(&(one.messages, &other.patient)));
        self.traces.truncate(TRACES_KEPT);
    }

    fn keep_trace(&mut self, one: &One<'_>, patient: &PatientKey) {
        let messages = one.told.len();
        let lightest = self.traces.last().filter(|_| self.traces.len() >= TRACES_KEPT);
        if messages == 0 || lightest.is_some_and(|lightest| lightest.messages > messages) {
            return;
        }
        if let Some(trace) = one.trace(patient) {
            self.traces.push(trace);
            self.shorten_traces();
        }
    }
}

/// Concerns as their messages tell of them.
pub fn episodes(told: &[Told]) -> Vec<Episode> {
    let mut all: Vec<Episode> = Vec::new();
    let mut open: BTreeMap<(Option<String>, Family), usize> = BTreeMap::new();
    for message in told {
        let key = (message.site.as_ref().map(Site::key), message.family);
        match (message.tier, open.get(&key)) {
            (Some(tier), Some(index)) => all[*index].highest = all[*index].highest.max(tier),
            (Some(tier), None) => {
                open.insert(key, all.len());
                all.push(Episode {
                    site: message.site.clone(),
                    family: message.family,
                    from: message.at,
                    to: None,
                    highest: tier,
                });
            }
            (None, _) => {
                if let Some(index) = open.remove(&key) {
                    all[index].to = Some(message.at);
                }
            }
        }
    }
    all
}

/// The word of tables.
pub fn method_word(method: Method) -> &'static str {
    match method {
        Method::Cuff => "cuff",
        Method::ArterialLine => "arterial line",
        Method::Needle => "needle",
        Method::Catheter => "catheter",
        Method::Unstated => "not stated",
    }
}
