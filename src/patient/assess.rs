//! What ought to stand: a pure function of the readings, the rule sheet and the time.
//!
//! Comes in: a patient's [`State`], the sheet, `now`. Goes out: an [`Assessment`] that borrows from
//! the state: measurements with their pairings and deltas, concerns, what is set aside, and when
//! to look again. Nothing here writes or words anything.

use crate::fhir::quantity::round_delta;
use crate::fhir::{Decimal, Instant};
use crate::outbox::draft::{AgeClass, AgeNote, Family};
use crate::pair::{self, Candidate};
use crate::patient::concern::{self, ConcernNow};
use crate::patient::gather::{Gathered, Gathering, Lost, Member, gather};
use crate::patient::state::State;
use crate::recognise::reading::Comparator;
use crate::recognise::{Refusal, Site};
use crate::rules::{RuleKind, Sheet, Tier};
use std::borrow::Cow;
use std::collections::BTreeMap;

/// What the shells decide about asking a source for earlier diastolics.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct AskPolicy {
    /// False: nobody can be asked; what is here decides.
    pub ask: bool,
    /// After so many seconds without an answer the decision is taken.
    pub timeout_seconds: i64,
}

/// A set of rules of one sheet, by their index in it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Rules(pub u64);

impl Rules {
    fn add(&mut self, index: usize) {
        self.0 |= 1 << index;
    }

    /// The indexes, in order.
    pub fn indexes(self) -> impl Iterator<Item = usize> {
        (0..64).filter(move |index| self.0 & (1 << index) != 0)
    }
}

/// diastolic − compartment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Delta {
    /// Whole mmHg, a half toward the alert: what is compared and shown.
    pub whole: i64,
    /// A comparator makes this an upper bound.
    pub bounded_above: bool,
}

/// What was found for a compartment measurement.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Paired {
    /// This diastolic (index into `Assessment::diastolics`).
    With(usize, AgeClass),
    /// The source is being asked for earlier diastolics.
    Asking,
    /// There is none.
    Nothing,
}

/// A newer diastolic against a compartment measurement.
#[derive(Clone, Copy, Debug)]
pub struct Carried {
    /// Index into `Assessment::diastolics`.
    pub diastolic: usize,
    /// The difference.
    pub delta: Delta,
    /// Rules that hold on it.
    pub rules: Rules,
    /// Their highest tier.
    pub tier: Option<Tier>,
    /// True when it raised the tier above all before it: it is written as an Observation.
    pub raises: bool,
}

/// A run of low deltas.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Run {
    /// Minutes from its first to this reading.
    pub minutes: i64,
    /// Readings in it.
    pub count: usize,
    /// Longest time between two readings of it, minutes.
    pub widest_gap_minutes: i64,
}

/// One compartment measurement, judged.
#[derive(Clone, Debug)]
pub struct Measurement<'s> {
    /// Its readings.
    pub gathered: Gathered<'s>,
    /// Its diastolic.
    pub paired: Paired,
    /// The difference; None without a diastolic, or when only "less than" was measured.
    pub delta: Option<Delta>,
    /// The run of low deltas that it continues.
    pub run: Option<Run>,
    /// Rules of the pressure family that hold on it.
    pub rules: Rules,
    /// Their highest tier.
    pub tier: Option<Tier>,
    /// Newer diastolics until the next measurement of the site.
    pub carried: Vec<Carried>,
    /// Exact and paired closely enough to help close a concern.
    pub conclusive: bool,
}

impl<'s> Measurement<'s> {
    /// When it was measured.
    pub fn at(&self) -> Instant {
        self.gathered.at
    }

    /// Whole mmHg, a half toward the alert.
    pub fn whole_pressure(&self) -> i64 {
        self.gathered.whole_pressure()
    }

    /// Highest tier, carried deltas included.
    pub fn peak(&self) -> Option<Tier> {
        self.carried
            .iter()
            .filter_map(|carried| carried.tier)
            .max()
            .max(self.tier)
    }

    /// True when one of its readings comes from `source`.
    pub fn is_from(&self, source: &str) -> bool {
        self.gathered.is_from(source)
    }
}

/// What ought to stand.
#[derive(Debug)]
pub struct Assessment<'s> {
    /// Sites; `Gathered::site` is an index into them.
    pub sites: Vec<Cow<'s, Site>>,
    /// Measurements by site, then time.
    pub measurements: Vec<Measurement<'s>>,
    /// Usable diastolics by time.
    pub diastolics: Vec<Gathered<'s>>,
    /// The newest implausible diastolic.
    pub implausible_diastolic: Option<Member<'s>>,
    /// Implausible compartment readings (site index, reading).
    pub implausible: Vec<(usize, Member<'s>)>,
    /// Compartment readings that were taken and cannot be used.
    pub lost: Vec<Lost<'s>>,
    /// Concerns that are open now.
    pub concerns: Vec<ConcernNow<'s>>,
    /// What judgement of the whole set puts aside, by source.
    pub judged: BTreeMap<&'s str, Vec<Refusal>>,
    /// Measurements (indexes) whose source is to be asked for earlier diastolics.
    pub asks: Vec<usize>,
    /// Does the sheet fit the patient's age?
    pub age_note: AgeNote,
    /// When to look again though nothing arrives.
    pub next_due: Option<Instant>,
}

impl<'s> Assessment<'s> {
    /// The measurements of one site, in time order, with their indexes.
    pub fn of_site(&self, site: usize) -> impl DoubleEndedIterator<Item = (usize, &Measurement<'s>)> {
        let first = self
            .measurements
            .partition_point(|measurement| measurement.gathered.site < site);
        let end = self
            .measurements
            .partition_point(|measurement| measurement.gathered.site <= site);
        (first..end).zip(&self.measurements[first..end])
    }
}

/// Assess one patient, every carried delta included: for pages, charts and reports.
pub fn assess<'s>(state: &'s State, sheet: &Sheet, policy: AskPolicy, now: Instant) -> Assessment<'s> {
    assess_in(Depth::All, state, sheet, policy, now)
}

/// Assess one patient as far as a step needs: of measurements that a newer one of their site has
/// followed, only carried deltas that hold a rule. The concerns are the same.
pub fn assess_to_act<'s>(state: &'s State, sheet: &Sheet, policy: AskPolicy, now: Instant) -> Assessment<'s> {
    assess_in(Depth::Acting, state, sheet, policy, now)
}

/// Which carried deltas are kept.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Depth {
    All,
    Acting,
}

fn assess_in<'s>(depth: Depth, state: &'s State, sheet: &Sheet, policy: AskPolicy, now: Instant) -> Assessment<'s> {
    let Gathering {
        sites,
        compartments,
        diastolics,
        implausible,
        implausible_diastolic,
        lost,
        judged,
        next_due,
    } = gather(state, sheet, now);
    let candidates: Vec<Candidate<'_>> = diastolics.iter().map(candidate).collect();
    let age_note = age_note(state.birth_date.as_deref(), sheet, now);
    let mut assessment = Assessment {
        sites,
        measurements: Vec::with_capacity(compartments.len()),
        diastolics: Vec::new(),
        implausible_diastolic,
        implausible,
        lost,
        concerns: Vec::new(),
        judged,
        asks: Vec::new(),
        age_note,
        next_due,
    };
    for gathered in compartments {
        let index = assessment.measurements.len();
        let measurement = measure(gathered, &diastolics, &candidates, sheet, policy, now, &mut assessment);
        // Also after the deadline: the decision stands, but an answer is still wanted.
        let unanswered = policy.ask && !measurement.gathered.current.slot.diastolics_asked;
        if unanswered && matches!(measurement.paired, Paired::Asking | Paired::Nothing) {
            assessment.asks.push(index);
        }
        assessment.measurements.push(measurement);
    }
    assessment.diastolics = diastolics;
    judge_in_order(&mut assessment, sheet, depth);
    assessment.concerns = concern::concerns(&assessment, sheet);
    assessment
}

fn candidate<'s>(gathered: &Gathered<'s>) -> Candidate<'s> {
    let Member { slot, reading } = gathered.current;
    Candidate {
        at: gathered.at,
        method: reading.method,
        version: &slot.version,
        source: &slot.source,
    }
}

/// Pair one measurement and take the difference.
fn measure<'s>(
    gathered: Gathered<'s>,
    diastolics: &[Gathered<'s>],
    candidates: &[Candidate<'_>],
    sheet: &Sheet,
    policy: AskPolicy,
    now: Instant,
    assessment: &mut Assessment<'s>,
) -> Measurement<'s> {
    let at = gathered.at;
    let paired = match pair::choose(candidates, at, &sheet.pairing) {
        Some(index) => Paired::With(index, pair::age_class(candidates[index].at, at, &sheet.pairing)),
        None if policy.ask && !gathered.current.slot.diastolics_asked => {
            let deadline = gathered.current.slot.received.plus_seconds(policy.timeout_seconds);
            if deadline <= now {
                Paired::Nothing
            } else {
                assessment.next_due = Some(assessment.next_due.map_or(deadline, |other| other.min(deadline)));
                Paired::Asking
            }
        }
        None => Paired::Nothing,
    };
    let delta = match paired {
        Paired::With(index, _) => difference(&diastolics[index], &gathered),
        Paired::Asking | Paired::Nothing => None,
    };
    let conclusive = delta.is_some_and(|delta| !delta.bounded_above)
        && matches!(paired, Paired::With(_, AgeClass::Simultaneous | AgeClass::Paired));
    Measurement {
        gathered,
        paired,
        delta,
        run: None,
        rules: Rules::default(),
        tier: None,
        carried: Vec::new(),
        conclusive,
    }
}

/// diastolic − compartment; None when the compartment pressure is only an upper bound, for then
/// the delta is a lower bound, which can neither raise nor close a concern.
pub fn difference(diastolic: &Gathered<'_>, compartment: &Gathered<'_>) -> Option<Delta> {
    if matches!(compartment.comparator, Some(Comparator::Less | Comparator::LessOrEqual)) {
        return None;
    }
    let whole = match (diastolic.thousandths, compartment.thousandths) {
        // A half goes down: 30.500 → 30, 30.501 → 31, −0.500 → −1.
        (Some(minuend), Some(subtrahend)) => minuend.saturating_sub(subtrahend).saturating_add(499).div_euclid(1000),
        _ => round_delta(exact_difference(diastolic, compartment)),
    };
    Some(Delta {
        whole,
        bounded_above: diastolic.comparator.is_some() || compartment.comparator.is_some(),
    })
}

/// diastolic − compartment, unrounded, mmHg.
pub fn exact_difference(diastolic: &Gathered<'_>, compartment: &Gathered<'_>) -> Decimal {
    diastolic.current.reading.pressure.mmhg - compartment.current.reading.pressure.mmhg
}

/// Rules on every measurement, site by site, in order of time.
fn judge_in_order(assessment: &mut Assessment<'_>, sheet: &Sheet, depth: Depth) {
    let child = assessment.age_note == AgeNote::Child;
    let threshold = sustained_threshold(sheet);
    let carrying = Carrying::new(&assessment.diastolics, sheet, child, depth);
    let mut low_run: Option<(Instant, Instant, usize, i64)> = None;
    let mut site_before = usize::MAX;
    for index in 0..assessment.measurements.len() {
        let (_, rest) = assessment.measurements.split_at_mut(index);
        let Some((measurement, after)) = rest.split_first_mut() else {
            break;
        };
        let site = measurement.gathered.site;
        if site != site_before {
            low_run = None;
            site_before = site;
        }
        let at = measurement.at();
        match (measurement.delta, threshold) {
            (Some(delta), Some(threshold)) if sheet.is_low(delta.whole, threshold) => {
                let (first, count, gap) = low_run.map_or((at, 0, 0), |(first, last, count, gap)| {
                    (first, count, gap.max(at.minutes_since(last)))
                });
                low_run = Some((first, at, count + 1, gap));
                measurement.run = Some(Run {
                    minutes: at.millis_since(first) / crate::fhir::instant::MINUTE_MILLIS,
                    count: count + 1,
                    widest_gap_minutes: gap,
                });
            }
            (Some(_), _) if measurement.conclusive => low_run = None,
            _ => {}
        }
        judge(measurement, sheet, child);
        let next = after.first().filter(|next| next.gathered.site == site).map(Next::of);
        carry(measurement, next, &assessment.diastolics, &carrying);
    }
}

fn sustained_threshold(sheet: &Sheet) -> Option<i64> {
    sheet.rules.iter().find_map(|rule| match rule.kind {
        RuleKind::Sustained { upper, .. } => Some(upper),
        _ => None,
    })
}

/// What ends the carrying of a measurement: the next one of its site.
#[derive(Clone, Copy)]
struct Next {
    at: Instant,
    /// The diastolic taken beside it: it belongs to the new measurement, not to the old one.
    beside: Option<usize>,
}

impl Next {
    fn of(measurement: &Measurement<'_>) -> Self {
        let beside = match measurement.paired {
            Paired::With(diastolic, AgeClass::Simultaneous) => Some(diastolic),
            _ => None,
        };
        Self {
            at: measurement.at(),
            beside,
        }
    }
}

/// A rule of carried deltas with its index in the sheet.
struct CarriedRule {
    index: usize,
    tier: Tier,
    lower: Option<i64>,
    upper: i64,
}

fn carried_rules(sheet: &Sheet, child: bool) -> Vec<CarriedRule> {
    let applicable = sheet
        .rules
        .iter()
        .enumerate()
        .filter(|(_, rule)| rule.children || !child);
    let carried = applicable.filter_map(|(index, rule)| match rule.kind {
        RuleKind::Carried { lower, upper } => Some(CarriedRule {
            index,
            tier: rule.tier,
            lower,
            upper,
        }),
        _ => None,
    });
    carried.collect()
}

/// What is the same for every carried delta of one assessment.
struct Carrying<'r> {
    sheet: &'r Sheet,
    rules: Vec<CarriedRule>,
    depth: Depth,
    /// When each diastolic was measured.
    times: Vec<Instant>,
    /// The lowest compartment pressure, in thousandths, against which each diastolic can hold a
    /// rule; the least number where that is not exact.
    reach: Vec<i64>,
}

impl<'r> Carrying<'r> {
    fn new(diastolics: &[Gathered<'_>], sheet: &'r Sheet, child: bool, depth: Depth) -> Self {
        let rules = carried_rules(sheet, child);
        let highest = rules.iter().map(|rule| rule.upper).max();
        // Half a mmHg more than the threshold still rounds down to it; one whole is beyond doubt.
        let beyond = highest.map(|upper| upper.saturating_add(1).saturating_mul(1000));
        let reach = |diastolic: &Gathered<'_>| match (beyond, diastolic.thousandths) {
            (None, _) => i64::MAX,
            (Some(beyond), Some(exact)) => exact.saturating_sub(beyond),
            (Some(_), None) => i64::MIN,
        };
        Self {
            sheet,
            rules,
            depth,
            times: diastolics.iter().map(|diastolic| diastolic.at).collect(),
            reach: diastolics.iter().map(reach).collect(),
        }
    }

    /// True when the delta is so far above every threshold that no rule can hold.
    fn holds_nothing(&self, diastolic: usize, compartment: &Gathered<'_>) -> bool {
        compartment
            .thousandths
            .is_some_and(|pressure| pressure < self.reach[diastolic])
    }
}

/// Rules of the pressure family on one measurement.
fn judge(measurement: &mut Measurement<'_>, sheet: &Sheet, child: bool) {
    let comparator = measurement.gathered.comparator;
    let only_upper_bound = matches!(comparator, Some(Comparator::Less | Comparator::LessOrEqual));
    let whole = measurement.whole_pressure();
    let alert = sheet.alert_threshold();
    for (index, rule) in sheet.rules.iter().enumerate() {
        if child && !rule.children {
            continue;
        }
        let holds = match rule.kind {
            RuleKind::Delta { lower, upper } => measurement
                .delta
                .is_some_and(|delta| sheet.in_band(delta.whole, lower, upper)),
            RuleKind::Sustained { minutes, readings, .. } => measurement
                .run
                .is_some_and(|run| run.minutes >= minutes && run.count >= readings),
            RuleKind::Absolute { at_or_above } => {
                let delta_speaks = measurement.delta.is_some_and(|delta| sheet.is_low(delta.whole, alert));
                whole >= at_or_above && !only_upper_bound && !delta_speaks
            }
            _ => false,
        };
        if holds {
            measurement.rules.add(index);
            measurement.tier = measurement.tier.max(Some(rule.tier));
        }
    }
}

/// Newer diastolics against a measurement, until the next one of its site or the carry time ends.
/// The diastolic taken beside the next one is that one's.
fn carry(measurement: &mut Measurement<'_>, next: Option<Next>, diastolics: &[Gathered<'_>], carrying: &Carrying<'_>) {
    let Carrying { sheet, rules, .. } = carrying;
    let at = measurement.at();
    let paired_at = match measurement.paired {
        Paired::With(index, _) => diastolics[index].at,
        Paired::Asking | Paired::Nothing => at,
    };
    let from = paired_at.max(at);
    let end = at.plus_minutes(sheet.pairing.carry_minutes);
    let first = carrying.times.partition_point(|moment| *moment <= from);
    let counts = |moment: &&Instant| **moment <= end && next.is_none_or(|next| **moment < next.at);
    let count = carrying.times[first..].iter().take_while(counts).count();
    let keep_all = carrying.depth == Depth::All || next.is_none();
    if keep_all {
        measurement.carried.reserve_exact(count);
    }
    let mut highest = measurement.tier;
    for (index, diastolic) in diastolics.iter().enumerate().skip(first).take(count) {
        if !keep_all && carrying.holds_nothing(index, &measurement.gathered) {
            continue;
        }
        if next.is_some_and(|next| next.beside == Some(index)) {
            continue;
        }
        let Some(delta) = difference(diastolic, &measurement.gathered) else {
            break;
        };
        let mut carried = Carried {
            diastolic: index,
            delta,
            rules: Rules::default(),
            tier: None,
            raises: false,
        };
        for rule in rules {
            if sheet.in_band(delta.whole, rule.lower, rule.upper) {
                carried.rules.add(rule.index);
                carried.tier = carried.tier.max(Some(rule.tier));
            }
        }
        carried.raises = carried.tier > highest;
        highest = highest.max(carried.tier);
        if keep_all || carried.tier.is_some() {
            measurement.carried.push(carried);
        }
    }
}

/// Is the patient in the sheet's age band at `now`? A partial birth date counts as the latest day
/// that it allows, so that a possible child is treated as one.
pub fn age_note(birth_date: Option<&str>, sheet: &Sheet, now: Instant) -> AgeNote {
    let Some(span) = birth_date.and_then(|text| crate::fhir::datetime::parse(text).ok()) else {
        return AgeNote::Unknown;
    };
    let date = |instant: Instant| {
        let timestamp = jiff::Timestamp::from_millisecond(instant.millis()).ok()?;
        Some(jiff::tz::Offset::UTC.to_datetime(timestamp).date())
    };
    // The span of a day reaches into both neighbours for the sake of unknown zones; noon is inside.
    let latest = Instant::from_millis(span.latest.millis() - 24 * 60 * crate::fhir::instant::MINUTE_MILLIS);
    let (Some(born), Some(today)) = (date(latest), date(now)) else {
        return AgeNote::Unknown;
    };
    let had_birthday = (today.month(), today.day()) >= (born.month(), born.day());
    let years = i64::from(today.year()) - i64::from(born.year()) - i64::from(!had_birthday);
    if years >= sheet.adult_from_years {
        AgeNote::InBand
    } else {
        AgeNote::Child
    }
}

/// The family of a rule.
pub fn family(kind: RuleKind) -> Family {
    match kind {
        RuleKind::Delta { .. } | RuleKind::Carried { .. } | RuleKind::Sustained { .. } | RuleKind::Absolute { .. } => {
            Family::Pressure
        }
        _ => Family::Measurement,
    }
}
