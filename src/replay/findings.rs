//! What one replay found: plain data, made of one patient after the other and merged over threads.
//! Pure. Every number in it is a count of something that `clock` or `assess` gave; the figures of
//! the report are made from it by `burden`.

use super::clock::{Judges, NO_ASK, Replayed, Told};
use super::cohort::Inputs;
use crate::fhir::Instant;
use crate::fhir::instant::MINUTE_MILLIS;
use crate::outbox::draft::{AgeClass, Family, Occasion};
use crate::patient::assess::{Assessment, Measurement, Paired, assess, exact_difference};
use crate::recognise::reading::PatientKey;
use crate::recognise::{Method, Reason, Site};
use crate::rules::{Sheet, Tier};
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
            watched,
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

/// One patient's assessment beside what was told.
struct One<'a> {
    assessment: &'a Assessment<'a>,
    sheet: &'a Sheet,
    told: &'a [Told],
}

impl One<'_> {
    fn is_low(&self, delta: i64) -> bool {
        self.sheet.is_low(delta, self.sheet.alert_threshold())
    }

    fn count(&self, totals: &mut Totals) {
        let assessment = self.assessment;
        if !assessment.measurements.is_empty() {
            totals.diastolics += assessment.diastolics.len() as u64;
        }
        let mut of_sites = vec![CompartmentTotals::default(); assessment.sites.len()];
        for measurement in &assessment.measurements {
            let (class, method) = match measurement.paired {
                Paired::With(index, class) => {
                    let method = assessment.diastolics[index].current.reading.method;
                    (PairedAs::With(class), Some(method))
                }
                Paired::Asking | Paired::Nothing => (PairedAs::Nothing, None),
            };
            *totals.pairings.entry((class, method)).or_default() += 1;
            let of_site = &mut of_sites[measurement.gathered.site];
            of_site.readings += 1;
            if let Some(delta) = measurement.delta {
                match delta.bounded_above {
                    true => totals.bounded += 1,
                    false => *totals.deltas.entry(delta.whole).or_default() += 1,
                }
                let low = u64::from(self.is_low(delta.whole));
                totals.low += low;
                of_site.low += low;
            }
        }
        for (site, counted) in assessment.sites.iter().zip(of_sites) {
            let total = totals.compartments.entry(site.display.clone()).or_default();
            total.sites += 1;
            total.readings += counted.readings;
            total.low += counted.low;
        }
    }

    fn lowest(&self) -> Option<(i64, Instant)> {
        let deltas = self.assessment.measurements.iter();
        deltas
            .filter_map(|found| Some((found.delta?.whole, found.at())))
            .min()
    }

    /// Each compartment reading counts for the carry time after it; overlapping times once.
    fn watched_minutes(&self) -> i64 {
        let carry = self.sheet.pairing.carry_minutes * MINUTE_MILLIS;
        let mut times: Vec<i64> = self.assessment.measurements.iter().map(|found| found.at().millis()).collect();
        times.sort_unstable();
        let apart = times.windows(2).map(|pair| (pair[1] - pair[0]).min(carry));
        let last = if times.is_empty() { 0 } else { carry };
        (apart.sum::<i64>() + last) / MINUTE_MILLIS
    }

    /// Deltas of one site, carried ones included, in order of time.
    fn deltas(&self, site: usize) -> Vec<(Instant, i64, bool)> {
        let mut deltas = Vec::new();
        for (_, found) in self.assessment.of_site(site) {
            deltas.extend(found.delta.map(|delta| (found.at(), delta.whole, false)));
            let carried = found.carried.iter();
            deltas.extend(carried.map(|carried| (self.assessment.diastolics[carried.diastolic].at, carried.delta.whole, true)));
        }
        deltas.sort();
        deltas
    }

    /// Onset of each site, and minutes below the threshold: a low delta holds until the next delta
    /// of the site, at most for the carry time.
    fn low(&self) -> (Vec<Onset>, i64) {
        let carry = self.sheet.pairing.carry_minutes * MINUTE_MILLIS;
        let (mut onsets, mut millis) = (Vec::new(), 0);
        // Most patients have none: then nothing is put in order.
        let any = |found: &Measurement<'_>| {
            let carried = found.carried.iter().map(|carried| carried.delta);
            carried.chain(found.delta).any(|delta| self.is_low(delta.whole))
        };
        if !self.assessment.measurements.iter().any(any) {
            return (onsets, 0);
        }
        for site in 0..self.assessment.sites.len() {
            let deltas = self.deltas(site);
            for (index, (at, delta, _)) in deltas.iter().enumerate() {
                if self.is_low(*delta) {
                    let next = deltas.get(index + 1).map_or(carry, |(next, _, _)| next.millis_since(*at));
                    millis += next.min(carry);
                }
            }
            if let Some((first_low, _, _)) = deltas.iter().find(|(_, delta, _)| self.is_low(*delta)) {
                let site = &self.assessment.sites[site];
                let of_site = |told: &&Told| told.is_alert() && told.site.as_ref().is_some_and(|other| other.key() == site.key());
                onsets.push(Onset {
                    first_low: *first_low,
                    first_alert: self.told.iter().find(of_site).map(|told| told.at),
                });
            }
        }
        (onsets, millis / MINUTE_MILLIS)
    }

    fn alerts(&self) -> Alerts {
        let mut alerts = Alerts::default();
        for told in self.told {
            if !told.is_alert() || told.tier_before >= Some(Tier::Act) {
                continue;
            }
            alerts.all += 1;
            let site = told.site.as_ref().map(Site::key);
            let index = self.assessment.sites.iter().position(|one| Some(one.key()) == site);
            let (Some(index), Some(at)) = (index, told.measured_at) else {
                continue;
            };
            let closed = self.told.iter().find(|later| {
                later.at > told.at && later.tier.is_none() && later.family == told.family && later.site == told.site
            });
            let until = closed.map(|closed| closed.at);
            let since = self.assessment.of_site(index).map(|(_, found)| found);
            let since = since.filter(|found| found.at() >= at && until.is_none_or(|until| found.at() <= until));
            let lows = since.filter(|found| found.delta.is_some_and(|delta| self.is_low(delta.whole)));
            alerts.from_one_reading += u64::from(lows.count() <= 1);
            let next = self.assessment.of_site(index).find(|(_, found)| found.at() > at);
            if let Some(delta) = next.and_then(|(_, found)| found.delta) {
                alerts.measured_again += 1;
                alerts.resolved_at_next += u64::from(!self.is_low(delta.whole));
            }
        }
        alerts
    }

    fn pair_rows(&self, patient: &PatientKey, rows: &mut Vec<PairRow>) {
        for found in &self.assessment.measurements {
            let site = &self.assessment.sites[found.gathered.site];
            let current = found.gathered.current;
            let mut row = PairRow {
                patient: patient.0.clone(),
                site: site.key(),
                site_text: site.to_string(),
                source: current.slot.source.clone(),
                measured_at: found.at().to_string(),
                pressure_mmhg: current.reading.pressure.mmhg.to_string(),
                comparator: found.gathered.comparator.map_or("", |comparator| comparator.sign()),
                diastolic_source: String::new(),
                diastolic_at: String::new(),
                diastolic_mmhg: String::new(),
                diastolic_method: String::new(),
                age_class: PairedAs::Nothing.word(),
                age_minutes: String::new(),
                delta_mmhg: String::new(),
                delta_whole_mmhg: String::new(),
                bounded_above: found.delta.is_some_and(|delta| delta.bounded_above),
                low: found.delta.is_some_and(|delta| self.is_low(delta.whole)),
                tier: found.tier.map_or("", Tier::word),
            };
            if let Paired::With(index, class) = found.paired {
                let diastolic = &self.assessment.diastolics[index];
                let reading = diastolic.current.reading;
                row.diastolic_source = diastolic.current.slot.source.clone();
                row.diastolic_at = diastolic.at.to_string();
                row.diastolic_mmhg = reading.pressure.mmhg.to_string();
                row.diastolic_method = method_word(reading.method).to_owned();
                row.age_class = PairedAs::With(class).word();
                row.age_minutes = diastolic.at.minutes_since(found.at()).to_string();
                if let Some(delta) = found.delta {
                    row.delta_mmhg = exact_difference(diastolic, &found.gathered).to_string();
                    row.delta_whole_mmhg = delta.whole.to_string();
                }
            }
            rows.push(row);
        }
    }

    /// The site with the most messages.
    fn trace(&self, patient: &PatientKey) -> Option<Trace> {
        let of = |site: &Site| {
            let key = site.key();
            let of_site = self.told.iter().filter(|told| told.site.as_ref().is_some_and(|other| other.key() == key));
            of_site.count()
        };
        let sites = self.assessment.sites.iter().enumerate();
        let (index, site) = sites.max_by_key(|(index, site)| (of(site), usize::MAX - index))?;
        let pressures: Vec<(Instant, i64)> = self
            .assessment
            .of_site(index)
            .map(|(_, found)| (found.at(), found.whole_pressure()))
            .collect();
        let key = site.key();
        let of_site = self.told.iter().filter(|told| told.site.as_ref().is_some_and(|other| other.key() == key));
        let threshold = self.sheet.alert_threshold();
        Some(Trace {
            patient: patient.clone(),
            site: site.to_string(),
            messages: self.told.len(),
            pressures,
            diastolics: self.assessment.diastolics.iter().map(|one| (one.at, one.whole_diastolic())).collect(),
            deltas: self.deltas(index),
            messages_at: of_site.map(|told| (told.at, told.occasion, told.tier)).collect(),
            threshold: (threshold != i64::MIN).then_some(threshold),
        })
    }
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
