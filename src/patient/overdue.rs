//! Measuring again after an alert: overdue when nobody did within the minutes of a rule.

use crate::fhir::Instant;
use crate::fhir::instant::MINUTE_MILLIS;
use crate::outbox::draft::{AgeNote, Family};
use crate::patient::applies::applies;
use crate::patient::assess::{Assessment, Rules};
use crate::patient::concern::{ConcernNow, Headline};
use crate::patient::state::{ConcernKey, State};
use crate::rules::{RuleKind, Sheet};

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
/// The minutes of each rule count from the moment at which its tier was told, or from the newest
/// reading, whichever is later: readings that reach us a day late are not called overdue before
/// anybody could know of the alert. Of several rules the earliest counts, so that a limb that gets
/// worse is never asked for later than one that does not.
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
    let Some((newest, measurement)) = assessment.of_site(site).next_back() else {
        return Overdue::Never;
    };
    let told = state.concerns.get(&pressure.key);
    let child = assessment.age_note == AgeNote::Child;
    let due = sheet.rules.iter().enumerate().filter_map(|(index, rule)| {
        let RuleKind::Overdue { after, minutes } = rule.kind else {
            return None;
        };
        let here =
            rule.ages.includes(child) && applies(rule, &assessment.sites[site], &assessment.contexts, now, sheet);
        // A tier that is reached only now is told in this very step.
        let alert = || told.and_then(|concern| concern.told_at(after)).unwrap_or(now);
        (after <= pressure.tier && here).then(|| {
            let from = alert().max(measurement.at());
            (from.plus_minutes(minutes), index, rule.tier, from)
        })
    });
    let Some((due, index, tier, from)) = due.min_by_key(|(due, index, _, _)| (*due, *index)) else {
        return Overdue::Never;
    };
    if now < due {
        return Overdue::From(due);
    }
    let mut rules = Rules::default();
    rules.add(index);
    let key = ConcernKey {
        site: pressure.key.site.clone(),
        family: Family::FollowUp,
    };
    Overdue::Now(ConcernNow {
        key,
        site: Some(site),
        tier,
        rules,
        headline: Headline::Measurement(newest),
        overdue_minutes: Some(now.millis_since(from) / MINUTE_MILLIS),
    })
}
