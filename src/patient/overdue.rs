//! Measuring again after an alert: overdue when nobody did within the minutes of a rule.

use crate::fhir::Instant;
use crate::fhir::instant::MINUTE_MILLIS;
use crate::outbox::draft::{AgeNote, Family};
use crate::patient::applies::applies;
use crate::patient::assess::{Assessment, Rules};
use crate::patient::concern::{ConcernNow, Headline};
use crate::patient::state::{ConcernKey, State};
use crate::rules::sheet::Rule;
use crate::rules::{RuleKind, Sheet, Tier};

/// What the sheet asks for after the alert of a site.
pub(super) enum Overdue<'s> {
    /// It is overdue.
    Now(ConcernNow<'s>),
    /// It will be, if nobody measures before.
    From(Instant),
    /// No rule asks for it.
    Never,
}

/// Is measuring again overdue at the site of `pressure`?
///
/// The minutes count from the alert or from the newest reading, whichever is later: readings that
/// reach us a day late are not called overdue before anybody could know of the alert. A further
/// alert, while it is overdue already, does not begin them anew.
pub(super) fn overdue<'s>(
    assessment: &Assessment<'s>,
    pressure: &ConcernNow<'s>,
    state: &State,
    sheet: &Sheet,
    now: Instant,
) -> Overdue<'s> {
    let Some(site) = pressure.site else {
        return Overdue::Never;
    };
    let newest = assessment.of_site(site).next_back();
    let (Some((index, rule, minutes)), Some((newest, measurement))) =
        (rule(assessment, site, pressure.tier, sheet, now), newest)
    else {
        return Overdue::Never;
    };
    let key = ConcernKey {
        site: pressure.key.site.clone(),
        family: Family::FollowUp,
    };
    let open_already = state.concerns.get(&key).is_some_and(|concern| concern.tier.is_some());
    let told = state
        .concerns
        .get(&pressure.key)
        .filter(|concern| concern.tier.is_some());
    let alert = match told {
        Some(concern) if open_already => concern.since,
        Some(concern) if concern.tier >= Some(pressure.tier) => concern.told_at(),
        // It is told, or told again as more urgent, in this very step.
        _ => now,
    };
    let from = alert.max(measurement.at());
    let due = from.plus_minutes(minutes);
    if now < due {
        return Overdue::From(due);
    }
    let mut rules = Rules::default();
    rules.add(index);
    Overdue::Now(ConcernNow {
        key,
        site: Some(site),
        tier: rule.tier,
        rules,
        headline: Headline::Measurement(newest),
        overdue_minutes: Some(now.millis_since(from) / MINUTE_MILLIS),
    })
}

/// The rule of the highest tier that the concern has reached: its index, itself, its minutes.
fn rule<'r>(
    assessment: &Assessment<'_>,
    site: usize,
    tier: Tier,
    sheet: &'r Sheet,
    now: Instant,
) -> Option<(usize, &'r Rule, i64)> {
    let child = assessment.age_note == AgeNote::Child;
    let rules = sheet
        .rules
        .iter()
        .enumerate()
        .filter_map(|(index, rule)| match rule.kind {
            RuleKind::Overdue { after, minutes } => Some((after, index, rule, minutes)),
            _ => None,
        });
    rules
        .filter(|(after, _, rule, _)| {
            *after <= tier
                && rule.ages.includes(child)
                && applies(rule, &assessment.sites[site], &assessment.contexts, now, sheet)
        })
        .max_by_key(|(after, index, _, _)| (*after, std::cmp::Reverse(*index)))
        .map(|(_, index, rule, minutes)| (index, rule, minutes))
}
