//! The text of a Communication: one short line that a pager can show, then what was measured, the
//! arithmetic, the rules, what to do next and the caution, a line each.

use crate::fhir::Instant;
use crate::outbox::context::SheetRef;
use crate::outbox::draft::{
    Beside, BesideKind, DeltaFacts, Family, Ground, GroundBy, Measured, MessageDraft, Occasion, mean_leads,
    pressure_leads,
};
use crate::outbox::wording;
use crate::recognise::reading::{ReadingStatus, Side};
use crate::rules::Tier;

/// Longest first line, in characters: what a pager shows.
pub const HEADLINE_CHARS: usize = 120;

/// The whole text, lines divided by `\n`.
pub fn message_text(draft: &MessageDraft, sheet: &SheetRef) -> String {
    let mut lines = vec![headline(draft)];
    lines.extend(occasion_lines(draft));
    lines.extend(measured_lines(draft));
    lines.extend(caution_lines(draft));
    lines.extend(rule_lines(draft, sheet));
    // An answered check asks for nothing of its own: a mild line here would stand beside what an open
    // alert of the same limb asks for.
    if !is_answered_check(draft) {
        lines.push(format!("Next: {}", next_steps(draft)));
    }
    lines.push(wording::SHORT_CAUTION.to_string());
    lines.join("\n")
}

/// The first line, at most [`HEADLINE_CHARS`] characters: tier, site in full, number, what to do.
/// Two compartments of a limb differ at the end of their names, so the site is not cut; what is too
/// long is cut from the end, at a word, with one "…". Only a site that leaves no room for the
/// number is cut itself, at its own end. The lines below name all of it.
pub fn headline(draft: &MessageDraft) -> String {
    let (word, parts) = match draft.occasion {
        Occasion::Raised => raised_parts(draft),
        Occasion::Withdrawn => ("WITHDRAWN", withdrawn_parts(draft)),
        Occasion::Resolved => resolved_parts(draft),
    };
    let site = match &draft.site {
        Some(site) => site.to_string(),
        None => String::from("blood pressure"),
    };
    let (matter, rest) = parts;
    let kept = format!("{word} {site}: {matter}");
    // What does not fit is left out piece by piece, from the end.
    for number in (0..=rest.len()).rev() {
        let more = rest.get(..number).unwrap_or_default().concat();
        let end = if number < rest.len() { "…" } else { "" };
        let line = format!("{kept}{more}{end}");
        if chars(&line) <= HEADLINE_CHARS {
            return line;
        }
    }
    let room = HEADLINE_CHARS.saturating_sub(chars(word) + chars(&matter) + 4);
    format!("{word} {}: {matter}.", cut(&site, room))
}

/// A headline after its tier and site: what must stay, and what follows it.
type Parts = (String, Vec<String>);

fn raised_parts(draft: &MessageDraft) -> (&'static str, Parts) {
    let (word, tail) = match draft.tier {
        Some(Tier::Critical) => ("CRITICAL", ". Examine now."),
        Some(Tier::Act) => ("ACT", ". Examine, remeasure now."),
        Some(Tier::Watch) => ("WATCH", ". Examine, remeasure."),
        Some(Tier::Check) | None => ("CHECK", ". Examine, measure now."),
    };
    let (matter, second) = subject_matter(draft);
    let act = draft.tier == Some(Tier::Act) && draft.family == Family::Pressure;
    let unconfirmed = act.then(|| String::from(", unconfirmed"));
    let age = oldest_age(draft).map(|age| match draft.family {
        Family::FollowUp => format!(" (last reading {age})"),
        Family::Pressure | Family::Measurement => format!(" ({age})"),
    });
    let rest = [unconfirmed, second, age, Some(tail.to_string())].into_iter().flatten();
    (word, (matter, rest.collect()))
}

/// What the tier stands on ("delta 30 mmHg"), and what is told beside it (", delta 43 mmHg").
fn subject_matter(draft: &MessageDraft) -> (String, Option<String>) {
    if draft.family != Family::Pressure {
        let matter = wording::measurement_matter(&grounds_by(draft));
        return (matter.to_string(), None);
    }
    let delta = draft.delta.as_ref().map(|facts| {
        let carried = if facts.carried { "carried " } else { "" };
        let bound = if facts.bounded_above { "at most " } else { "" };
        format!("{carried}delta {bound}{} mmHg", wording::signed(facts.delta_whole_mmhg))
    });
    if let Some(mean) = leading_mean(draft) {
        return (mean, delta.map(|delta| format!(", {delta}")));
    }
    let pressure = draft.compartment.as_ref().map(wording::compartment_in_short);
    match (delta, pressure) {
        (Some(delta), Some(pressure)) if pressure_leads(&draft.grounds) => (pressure, Some(format!(", {delta}"))),
        (Some(delta), _) => (delta, None),
        (None, Some(pressure)) => (pressure, None),
        (None, None) => (String::from("compartment pressure"), None),
    }
}

/// "mean delta 27 mmHg", when the tier stands on the mean arterial pressure alone.
fn leading_mean(draft: &MessageDraft) -> Option<String> {
    if !mean_leads(&draft.grounds) {
        return None;
    }
    let facts = draft.delta.as_ref();
    let compartment = facts.map(|facts| &facts.compartment).or(draft.compartment.as_ref())?;
    let mut beside = draft
        .beside
        .iter()
        .chain(facts.into_iter().flat_map(|facts| &facts.beside));
    let mean: &Beside = beside.find(|beside| beside.kind == BesideKind::Mean)?;
    let bound = wording::bound_words(wording::beside_bound(mean, compartment));
    Some(format!(
        "mean delta {bound}{} mmHg",
        wording::signed(mean.delta_whole_mmhg)
    ))
}

/// Age of the oldest reading that the message's numbers rest on: "6 min old".
fn oldest_age(draft: &MessageDraft) -> Option<String> {
    let oldest = match (&draft.unusable, draft.family, &draft.delta) {
        (Some(unusable), _, _) => unusable.at,
        // "no usable diastolic (4 min old)" would be the age of something else.
        (None, Family::Measurement, _) => None,
        (None, Family::Pressure, Some(facts)) => Some(facts.compartment.at.min(facts.diastolic.at)),
        // Measuring again is overdue since that reading, whatever its diastolic was.
        (None, Family::Pressure | Family::FollowUp, _) => draft.compartment.as_ref().map(|measured| measured.at),
    };
    oldest.map(|at| wording::old(at, draft.at))
}

fn withdrawn_parts(draft: &MessageDraft) -> Parts {
    let earlier = draft
        .tier_before
        .map(|tier| format!("{} ", tier.word().to_uppercase()))
        .unwrap_or_default();
    let matter = format!("the earlier {earlier}message lost a ground");
    (matter, vec![String::from(". Examine, remeasure.")])
}

fn resolved_parts(draft: &MessageDraft) -> (&'static str, Parts) {
    match draft.family {
        Family::Pressure => {
            let age = oldest_age(draft);
            let age = age.map_or_else(|| String::from(" received"), |age| format!(" up to {age}"));
            let rest = vec![age, String::from(". Keep measuring.")];
            ("UPDATE", (wording::NO_PRESSURE_RULE.to_string(), rest))
        }
        Family::Measurement | Family::FollowUp => {
            let rest = vec![String::from(" no longer applies.")];
            ("ANSWERED", (wording::answered(draft.family).to_string(), rest))
        }
    }
}

fn chars(text: &str) -> usize {
    text.chars().count()
}

/// At most `most` characters, ending in one "…" where something is cut: at a word if there is one,
/// without the mark that stood before the cut.
fn cut(text: &str, most: usize) -> String {
    if chars(text) <= most {
        return text.to_string();
    }
    let kept: String = text.chars().take(most.saturating_sub(1)).collect();
    let whole_words = kept.rfind(' ').and_then(|at| kept.get(..at)).unwrap_or(&kept);
    let open = |end: char| end.is_whitespace() || matches!(end, '.' | ',' | ';' | ':' | '(' | '…');
    format!("{}…", whole_words.trim_end_matches(open))
}

fn occasion_lines(draft: &MessageDraft) -> Vec<String> {
    match draft.occasion {
        Occasion::Raised => Vec::new(),
        Occasion::Withdrawn => {
            let mut lines: Vec<String> = draft.lost.iter().map(wording::lost).collect();
            lines.push(wording::WITHDRAWAL.to_string());
            // Only what still holds is told: "none" would read as an all-clear.
            lines.extend(draft.tier.map(|tier| format!("A rule still holds: tier {tier}.")));
            lines
        }
        Occasion::Resolved => {
            let mut lines = vec![wording::resolution(draft.family).to_string()];
            if draft.family == Family::Pressure {
                lines.extend(oldest_age(draft).map(|age| wording::resolution_age(&age)));
                lines.push(wording::RULE_OUT.to_string());
            }
            lines
        }
    }
}

/// True of the message that answers a check: it speaks of no number, and of no delta above all.
pub(super) fn is_answered_check(draft: &MessageDraft) -> bool {
    draft.occasion == Occasion::Resolved && draft.family != Family::Pressure
}

/// Each number with where, when, how and how old; then the arithmetic.
fn measured_lines(draft: &MessageDraft) -> Vec<String> {
    let site = draft.site.as_ref();
    let mut lines = Vec::new();
    if is_answered_check(draft) {
        lines.extend(site.map(|site| format!("Site: {site}.")));
        return lines;
    }
    let compartment = draft
        .compartment
        .as_ref()
        .or(draft.delta.as_ref().map(|facts| &facts.compartment));
    if let Some(measured) = compartment {
        lines.push(wording::compartment_sentence(measured, site, draft.at));
        lines.extend(wording::quality_line(measured));
    } else if let Some(unusable) = &draft.unusable {
        lines.extend(wording::unusable_sentences(unusable, site, draft.at));
        // The sheet's own sentence may give the reason already.
        let why = unusable.reason.sentence();
        if !draft.grounds.iter().any(|ground| ground.sentence.contains(why)) {
            lines.push(format!("Why ({}): {why}", unusable.reason.code()));
        }
    } else if let Some(site) = site {
        lines.push(format!("Site: {site}."));
    }
    let alone = draft.diastolic.as_ref();
    lines.extend(alone.map(|measured| wording::diastolic_alone(measured, false, draft.at)));
    if let Some(facts) = &draft.delta {
        lines.extend(delta_lines(facts, compartment, draft.at));
    }
    if let Some(compartment) = compartment {
        let line = |beside| wording::beside_line(beside, compartment, Some(draft.at));
        lines.extend(draft.beside.iter().map(line));
    }
    lines.extend(draft.session.as_ref().and_then(wording::session_line));
    lines
}

/// A delta with both its readings, as far as `told` has not been told yet, and what stands beside it.
fn delta_lines(facts: &DeltaFacts, told: Option<&Measured>, now: Instant) -> Vec<String> {
    let mut lines = Vec::new();
    if told.is_some_and(|measured| measured.sources != facts.compartment.sources) {
        // The delta rests on another reading than the one spoken of: both are told.
        lines.push(wording::compartment_sentence(
            &facts.compartment,
            Some(&facts.site),
            now,
        ));
        lines.extend(wording::quality_line(&facts.compartment));
    }
    lines.push(wording::diastolic_sentence(facts, now));
    lines.push(format!("Delta pressure: {}.", wording::arithmetic(facts)));
    lines.extend(wording::beside_lines(facts, Some(now)));
    lines
}

fn caution_lines(draft: &MessageDraft) -> Vec<String> {
    if is_answered_check(draft) {
        return wording::age_note(draft.age_note)
            .map(String::from)
            .into_iter()
            .collect();
    }
    let mut lines: Vec<&'static str> = draft.delta.as_ref().map(wording::delta_cautions).unwrap_or_default();
    let compartment = draft.compartment.as_ref();
    if compartment.is_some_and(|measured| measured.status == ReadingStatus::Preliminary)
        && !lines.contains(&wording::PRELIMINARY)
    {
        lines.push(wording::PRELIMINARY);
    }
    let side_unstated = draft.site.as_ref().is_some_and(|site| site.side == Side::Unstated);
    if draft.delta.is_none() && side_unstated {
        lines.push(wording::SIDE_UNSTATED);
    }
    if draft.occasion == Occasion::Raised {
        lines.extend(raised_cautions(draft));
    }
    lines.extend(wording::age_note(draft.age_note));
    lines.extend(wording::child_cautions(draft));
    lines.into_iter().map(String::from).collect()
}

fn raised_cautions(draft: &MessageDraft) -> Vec<&'static str> {
    let single = draft.family == Family::Pressure
        && draft.reading_count <= 1
        && grounds_by(draft).iter().any(|by| of_delta(*by))
        && draft.tier >= Some(Tier::Act);
    let mut cautions = Vec::new();
    if single {
        cautions.push(match draft.tier {
            Some(Tier::Critical) => wording::SINGLE_CRITICAL,
            _ => wording::SINGLE_READING,
        });
    }
    cautions.extend(wording::rule_cautions(&grounds_by(draft)));
    cautions
}

/// True of a rule on the delta pressure from the diastolic: what is published of single readings is of it.
fn of_delta(by: GroundBy) -> bool {
    matches!(by, GroundBy::Delta | GroundBy::Carried | GroundBy::Sustained)
}

/// What the rules that hold judge.
fn grounds_by(draft: &MessageDraft) -> Vec<GroundBy> {
    draft.grounds.iter().map(|ground| ground.by).collect()
}

fn rule_lines(draft: &MessageDraft, sheet: &SheetRef) -> Vec<String> {
    let mut lines = vec![format!("Rule sheet {}.", sheet.words())];
    let rule = |ground: &Ground| {
        format!(
            "Rule {} ({}): {}.",
            ground.rule,
            ground.tier,
            unstopped(&ground.sentence)
        )
    };
    lines.extend(draft.grounds.iter().map(rule));
    lines
}

/// The sheet's own next steps, each once, worst rule first; else the tier's.
fn next_steps(draft: &MessageDraft) -> String {
    let mut grounds: Vec<&Ground> = draft
        .grounds
        .iter()
        .filter(|ground| !ground.next.trim().is_empty())
        .collect();
    grounds.sort_by_key(|ground| std::cmp::Reverse(ground.tier));
    let mut steps: Vec<String> = Vec::new();
    for ground in grounds {
        let step = format!("{}.", unstopped(&ground.next));
        if !steps.contains(&step) {
            steps.push(step);
        }
    }
    if steps.is_empty() {
        wording::next_step(draft.tier).to_string()
    } else {
        steps.join(" ")
    }
}

/// Without its full stop, so that each sentence ends with exactly one.
fn unstopped(sentence: &str) -> &str {
    sentence.trim().trim_end_matches('.')
}
