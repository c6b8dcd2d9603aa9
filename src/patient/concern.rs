//! Which concerns are open: one per site and rule family, from the newest readings back.
//!
//! A tier holds until `close_after_readings` conclusive readings in a row, over at least
//! `close_after_minutes`, are below it: one good
//! number after a bad one closes nothing, and a reading that cannot be judged (no diastolic, only
//! a bound, a stale diastolic) closes nothing either.

use crate::fhir::Instant;
use crate::fhir::instant::MINUTE_MILLIS;
use crate::outbox::draft::{AgeNote, Family};
use crate::patient::applies::applies;
use crate::patient::assess::{Assessment, Carried, Measurement, Paired, Rules};
use crate::patient::gather::{Gathered, Lost, Member};
use crate::patient::overdue::{Overdue, overdue};
use crate::patient::state::{ConcernKey, State};
use crate::recognise::Side;
use crate::rules::sheet::Rule;
use crate::rules::{RuleKind, Sheet, Tier};

/// What an open concern speaks of.
#[derive(Clone, Copy, Debug)]
pub enum Headline<'s> {
    /// A measurement (index into `Assessment::measurements`).
    Measurement(usize),
    /// A carried delta: measurement, then index into its `carried`.
    Carried(usize, usize),
    /// A compartment reading that is not plausible.
    Implausible(Member<'s>),
    /// A diastolic that is not plausible.
    Diastolic(Member<'s>),
    /// A compartment reading that could not be used.
    /// Index into `Assessment::lost`.
    Unusable(usize),
}

/// One open concern.
#[derive(Clone, Debug)]
pub struct ConcernNow<'s> {
    /// Which.
    pub key: ConcernKey,
    /// Index into `Assessment::sites`; None for a concern of the patient as a whole.
    pub site: Option<usize>,
    /// Its tier.
    pub tier: Tier,
    /// The rules that hold on the headline.
    pub rules: Rules,
    /// What it speaks of.
    pub headline: Headline<'s>,
    /// Of a request to measure again: minutes since the alert or the last reading.
    pub overdue_minutes: Option<i64>,
}

/// Find all open concerns, and when the next one opens by time alone.
pub(super) fn open(assessment: &mut Assessment<'_>, state: &State, sheet: &Sheet, now: Instant) {
    let mut open = Vec::new();
    for site in 0..assessment.sites.len() {
        let key = assessment.sites[site].key();
        let pressure = pressure_concern(assessment, site, &key, sheet);
        if let Some(pressure) = &pressure {
            match overdue(assessment, pressure, state, sheet, now) {
                Overdue::Now(concern) => open.push(concern),
                Overdue::From(due) => {
                    assessment.next_due = Some(assessment.next_due.map_or(due, |other| other.min(due)));
                }
                Overdue::Never => {}
            }
        }
        open.extend(pressure);
        open.extend(measurement_concern(assessment, site, &key, sheet));
    }
    open.extend(patient_concern(assessment, sheet));
    open.sort_by(|one, other| one.key.cmp(&other.key));
    assessment.concerns = open;
}

/// The limb: the highest tier among the readings that still count.
fn pressure_concern<'s>(assessment: &Assessment<'s>, site: usize, key: &str, sheet: &Sheet) -> Option<ConcernNow<'s>> {
    let mut conclusive = 0;
    let mut newest = true;
    let mut best: Option<(Tier, Rules, Headline<'s>)> = None;
    let mut consider = |tier: Option<Tier>, rules: Rules, headline: Headline<'s>| {
        if let Some(tier) = tier
            && best.as_ref().is_none_or(|(highest, _, _)| tier > *highest)
        {
            best = Some((tier, rules, headline));
        }
    };
    let span = sheet.close_after_minutes;
    let latest = assessment
        .of_site(site)
        .next_back()
        .map(|(_, measurement)| measurement.at());
    for (index, measurement) in assessment.of_site(site).rev() {
        // Of the newest measurement only the last few diastolics still count; of older ones the peak.
        // "At most 55" may be 10: it closes nothing.
        let mut exact = 0;
        let taken = |carried: &Carried| assessment.diastolics[carried.diastolic].at;
        let last = measurement.carried.last().map(taken);
        let mut since = last;
        for (position, carried) in measurement.carried.iter().enumerate().rev() {
            if newest && exact >= sheet.close_after_readings && spans(since, last, span) {
                break;
            }
            since = Some(taken(carried));
            consider(carried.tier, carried.rules, Headline::Carried(index, position));
            exact += usize::from(!carried.delta.bounded_above);
        }
        consider(measurement.tier, measurement.rules, Headline::Measurement(index));
        newest = false;
        if measurement.conclusive {
            conclusive += 1;
            let enough = conclusive >= sheet.close_after_readings && spans(Some(measurement.at()), latest, span);
            if enough || mutated!(OneReadingCloses) {
                break;
            }
        }
    }
    best.map(|(tier, rules, headline)| ConcernNow {
        key: ConcernKey {
            site: key.to_owned(),
            family: Family::Pressure,
        },
        site: Some(site),
        tier,
        rules,
        headline,
        overdue_minutes: None,
    })
}

/// True when at least `minutes` lie between two moments.
fn spans(from: Option<Instant>, to: Option<Instant>, minutes: i64) -> bool {
    matches!((from, to), (Some(from), Some(to)) if to.millis_since(from) >= minutes * MINUTE_MILLIS)
}

/// The measurement: what is wrong with the newest reading of a site.
fn measurement_concern<'s>(
    assessment: &Assessment<'s>,
    site: usize,
    key: &str,
    sheet: &Sheet,
) -> Option<ConcernNow<'s>> {
    let newest = assessment.of_site(site).next_back();
    let implausible = assessment
        .implausible
        .iter()
        .filter(|(of, _)| *of == site)
        .map(|(_, member)| *member)
        .max_by_key(|member| member.reading.at);
    let implausible = implausible.filter(|member| {
        newest
            .as_ref()
            .is_none_or(|(_, measurement)| member.reading.at > measurement.at())
    });
    let lost = lost(assessment, site, newest.map(|(_, measurement)| measurement));
    let headline = match (implausible, newest.as_ref()) {
        _ if let Some(index) = lost => Headline::Unusable(index),
        (Some(member), _) => Headline::Implausible(member),
        (None, Some((index, _))) => Headline::Measurement(*index),
        (None, None) => return None,
    };
    let holds = |kind: RuleKind| match (headline, kind) {
        (Headline::Implausible(_), RuleKind::CompartmentImplausible) => true,
        (Headline::Unusable(_), RuleKind::CompartmentUnusable) => true,
        (Headline::Measurement(index), kind) => check_holds(&assessment.measurements[index], assessment, kind, sheet),
        _ => false,
    };
    let at = match headline {
        Headline::Implausible(member) => Some(member.reading.at),
        Headline::Measurement(index) => Some(assessment.measurements[index].at()),
        _ => None,
    };
    // A reading without a time is in no context and in every region.
    let for_it = |rule: &Rule| {
        rule.ages.includes(assessment.age_note == AgeNote::Child)
            && at.is_none_or(|at| applies(rule, &assessment.sites[site], &assessment.contexts, at, sheet))
    };
    let holds = |rule: &Rule| holds(rule.kind) && for_it(rule);
    named(sheet, Family::Measurement, holds).map(|(tier, rules)| ConcernNow {
        key: ConcernKey {
            site: key.to_owned(),
            family: Family::Measurement,
        },
        site: Some(site),
        tier,
        rules,
        headline,
        overdue_minutes: None,
    })
}

fn check_holds(measurement: &Measurement<'_>, assessment: &Assessment<'_>, kind: RuleKind, sheet: &Sheet) -> bool {
    let whole = measurement.whole_pressure();
    match kind {
        RuleKind::DiastolicMissing => measurement.paired == Paired::Nothing,
        RuleKind::SideMissing => assessment.sites[measurement.gathered.site].side == Side::Unstated,
        RuleKind::ReadingsDisagree { .. } => measurement.disagrees_with.is_some(),
        // Of the two diastolics, not of the delta: "less than 55" has none, and must not close this either.
        RuleKind::MethodsDisagree { .. } => measurement.other_method.is_some(),
        RuleKind::CompartmentVerify => whole < 0 || whole > sheet.plausible.compartment_verify_above,
        _ => false,
    }
}

/// The patient as a whole: an implausible newest diastolic.
fn patient_concern<'s>(assessment: &Assessment<'s>, sheet: &Sheet) -> Option<ConcernNow<'s>> {
    let member = assessment.implausible_diastolic.filter(|member| {
        let watched = !assessment.measurements.is_empty() || !assessment.implausible.is_empty();
        let newer = |usable: &Gathered<'_>| usable.at >= member.reading.at;
        watched && !assessment.diastolics.last().is_some_and(newer)
    })?;
    let child = assessment.age_note == AgeNote::Child;
    let holds = |rule: &Rule| rule.kind == RuleKind::DiastolicImplausible && rule.ages.includes(child);
    named(sheet, Family::Measurement, holds).map(|(tier, rules)| ConcernNow {
        key: ConcernKey {
            site: String::new(),
            family: Family::Measurement,
        },
        site: None,
        tier,
        rules,
        headline: Headline::Diastolic(member),
        overdue_minutes: None,
    })
}

/// The newest compartment reading of a site that cannot be used (index into `Assessment::lost`),
/// unless a usable one of the same site is newer.
fn lost(assessment: &Assessment<'_>, site: usize, newest: Option<&Measurement<'_>>) -> Option<usize> {
    let newer = |lost: &Lost<'_>| match (newest, lost.at) {
        (None, _) => true,
        (Some(usable), Some(at)) => at > usable.at(),
        // Without a time only the record's own order can tell.
        (Some(usable), None) => lost.slot.version.last_updated > usable.gathered.current.slot.version.last_updated,
    };
    let of_site = assessment.lost.iter().enumerate().filter(|(_, lost)| lost.site == site);
    of_site
        .filter(|(_, lost)| newer(lost))
        .max_by_key(|(_, lost)| (lost.at, lost.slot.version.last_updated, &lost.slot.source))
        .map(|(index, _)| index)
}

/// The rules of a family that hold, and their highest tier.
fn named(sheet: &Sheet, of: Family, holds: impl Fn(&Rule) -> bool) -> Option<(Tier, Rules)> {
    let mut rules = Rules::default();
    let mut tier: Option<Tier> = None;
    for (index, rule) in sheet.rules.iter().enumerate() {
        if rule.kind.family() == of && holds(rule) {
            rules.0 |= 1 << index;
            tier = tier.max(Some(rule.tier));
        }
    }
    tier.map(|tier| (tier, rules))
}
