//! What ought to stand: a pure function of the readings, the rule sheet and the time.
//!
//! Comes in: a patient's [`State`], the sheet, `now`. Goes out: an [`Assessment`] that borrows from
//! the state: measurements with their pairings and deltas, concerns, what is set aside, and when
//! to look again. Nothing here writes or words anything.

use crate::fhir::quantity::round_delta;
use crate::fhir::{Decimal, Instant};
use crate::outbox::draft::{AgeClass, AgeNote, BesideKind};
use crate::pair::{self, Candidate, Candidates};
use crate::patient::beside::{self, BesideNow, Besides};
use crate::patient::concern::{self, ConcernNow};
use crate::patient::disagree::mark_disagreeing;
use crate::patient::gather::{Gathered, Gathering, Lost, Member, gather};
use crate::patient::judge::judge_in_order;
use crate::patient::state::State;
use crate::recognise::reading::Comparator;
use crate::recognise::{Context, Refusal, Site};
use crate::rules::age::age_note;
use crate::rules::{Sheet, Tier};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::ops::Range;

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
    pub(super) fn add(&mut self, index: usize) {
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
    /// Exact and paired closely enough to help close a concern, and not contradicted by a lower
    /// delta of the same moments.
    pub conclusive: bool,
    /// Second differences.
    pub beside: Vec<BesideNow>,
    /// Arterial line and cuff disagree beside it: the diastolic that does not count (index into
    /// `Assessment::diastolics`). That is so whatever the comparator of the compartment pressure.
    pub other_method: Option<usize>,
    /// Another reading of the same moments that differs (index into `Assessment::measurements`).
    pub disagrees_with: Option<usize>,
    /// True when that other one has the lower delta, which counts.
    pub yields: bool,
    /// Highest tier of the rules that look at the delta or the compartment pressure itself.
    pub delta_tier: Option<Tier>,
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

    /// True when the measurement `other` contradicts it and has the lower delta.
    pub(super) fn yields_to(&self, other: usize) -> bool {
        self.yields && self.disagrees_with == Some(other)
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
    /// Mean arterial pressures by time, where a rule of the sheet asks for them.
    pub means: Vec<Gathered<'s>>,
    /// What is recorded of the patient over a time, in order of start.
    pub contexts: Vec<Context>,
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
    /// Derived Observations that stand now.
    pub published: usize,
    /// True when judgement put something aside before.
    pub judged_before: bool,
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
        let range = self.range_of_site(site);
        range.clone().zip(&self.measurements[range])
    }

    /// The measurements of one site, in time order.
    pub(crate) fn all_of_site(&self, site: usize) -> &[Measurement<'s>] {
        &self.measurements[self.range_of_site(site)]
    }

    fn range_of_site(&self, site: usize) -> Range<usize> {
        let before = |limit: usize| move |measurement: &Measurement<'_>| measurement.gathered.site < limit;
        let first = self.measurements.partition_point(before(site));
        first..self.measurements.partition_point(before(site + 1))
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
pub(super) enum Depth {
    All,
    Acting,
}

fn assess_in<'s>(depth: Depth, state: &'s State, sheet: &Sheet, policy: AskPolicy, now: Instant) -> Assessment<'s> {
    let Gathering {
        sites,
        compartments,
        diastolics,
        means,
        contexts,
        implausible,
        implausible_diastolic,
        lost,
        judged,
        published,
        judged_before,
        next_due,
    } = gather(state, sheet, now);
    let times: Vec<Instant> = diastolics.iter().map(|diastolic| diastolic.at).collect();
    let age_note = age_note(state.birth_date.as_deref(), sheet, now);
    let mut assessment = Assessment {
        sites,
        measurements: Vec::with_capacity(compartments.iter().map(Vec::len).sum()),
        diastolics: Vec::new(),
        means: Vec::new(),
        contexts,
        implausible_diastolic,
        implausible,
        lost,
        concerns: Vec::new(),
        judged,
        published,
        judged_before,
        asks: Vec::new(),
        age_note,
        next_due,
    };
    let mean_candidates: Candidates<'_> = means.iter().map(candidate).collect();
    let besides = Besides::new(&diastolics, sheet);
    let mut before = 0;
    for (index, gathered) in compartments.into_iter().flatten().enumerate() {
        before = pair::count_before(&times, gathered.at, before);
        let of = |index: usize| candidate(&diastolics[index]);
        let chosen = pair::choose_at(&times, of, before, gathered.at, &sheet.pairing);
        let paired = paired(&gathered, chosen, &diastolics, &besides, sheet, policy, now);
        let mean = (!means.is_empty())
            .then(|| beside::mean(&means, &mean_candidates, &gathered, sheet))
            .flatten();
        // Also after the deadline: the decision stands, but an answer is still wanted.
        let unanswered = policy.ask && !gathered.current.slot.diastolics_asked;
        if unanswered && matches!(paired.paired, Paired::Asking | Paired::Nothing) {
            assessment.asks.push(index);
        }
        let due = &mut assessment.next_due;
        assessment
            .measurements
            .push(measure(gathered, paired, mean, &diastolics, due));
    }
    assessment.diastolics = diastolics;
    assessment.means = means;
    beside::add_before_anaesthesia(&mut assessment, sheet);
    mark_disagreeing(&mut assessment, sheet);
    judge_in_order(&mut assessment, sheet, depth);
    concern::open(&mut assessment, state, sheet, now);
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

/// The pairing of one measurement, and the diastolic of the other method when it is the higher.
struct Pairing {
    paired: Paired,
    other_method: Option<usize>,
    /// When the source's answer is no longer waited for.
    deadline: Option<Instant>,
}

fn paired(
    gathered: &Gathered<'_>,
    chosen: Option<usize>,
    diastolics: &[Gathered<'_>],
    besides: &Besides<'_>,
    sheet: &Sheet,
    policy: AskPolicy,
    now: Instant,
) -> Pairing {
    let at = gathered.at;
    let Some(chosen) = chosen else {
        let slot = gathered.current.slot;
        let deadline = slot.received.plus_seconds(policy.timeout_seconds);
        let asking = policy.ask && !slot.diastolics_asked && deadline > now;
        return Pairing {
            paired: if asking { Paired::Asking } else { Paired::Nothing },
            other_method: None,
            deadline: asking.then_some(deadline),
        };
    };
    let (index, other_method) = match besides.disagreeing(chosen, at, diastolics) {
        Some((counts, other)) => (counts, Some(other)),
        None => (chosen, None),
    };
    Pairing {
        paired: Paired::With(index, pair::age_class(diastolics[index].at, at, &sheet.pairing)),
        other_method,
        deadline: None,
    }
}

/// Take the differences of one measurement.
fn measure<'s>(
    gathered: Gathered<'s>,
    pairing: Pairing,
    mean: Option<BesideNow>,
    diastolics: &[Gathered<'s>],
    next_due: &mut Option<Instant>,
) -> Measurement<'s> {
    if let Some(deadline) = pairing.deadline {
        *next_due = Some(next_due.map_or(deadline, |other| other.min(deadline)));
    }
    let delta = match pairing.paired {
        Paired::With(index, _) => difference(&diastolics[index], &gathered),
        Paired::Asking | Paired::Nothing => None,
    };
    let conclusive = delta.is_some_and(|delta| !delta.bounded_above)
        && matches!(
            pairing.paired,
            Paired::With(_, AgeClass::Simultaneous | AgeClass::Paired)
        )
        || mutated!(StaleCloses);
    let mut beside = Vec::new();
    if let Some(index) = pairing.other_method {
        let delta = difference(&diastolics[index], &gathered);
        beside.extend(delta.map(|delta| BesideNow {
            kind: BesideKind::OtherMethod,
            index,
            delta,
        }));
    }
    beside.extend(mean);
    Measurement {
        gathered,
        paired: pairing.paired,
        delta,
        run: None,
        rules: Rules::default(),
        tier: None,
        carried: Vec::new(),
        conclusive,
        beside,
        other_method: pairing.other_method,
        disagrees_with: None,
        yields: false,
        delta_tier: None,
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
        (Some(minuend), Some(subtrahend)) => minuend
            .saturating_sub(subtrahend)
            .saturating_add(499 + i64::from(mutated!(RoundedAway)))
            .div_euclid(1000),
        _ => round_delta(exact_difference(diastolic, compartment)),
    };
    Some(Delta {
        whole,
        bounded_above: (diastolic.comparator.is_some() || compartment.comparator.is_some()) && !mutated!(BoundIgnored),
    })
}

/// diastolic − compartment, unrounded, mmHg.
pub fn exact_difference(diastolic: &Gathered<'_>, compartment: &Gathered<'_>) -> Decimal {
    diastolic.current.reading.pressure.mmhg - compartment.current.reading.pressure.mmhg
}
