//! The text of a Communication: one short line that a pager can show, then what was measured, the
//! arithmetic, the rules, what to do next and the caution, a line each.

use crate::fhir::quantity::round_pressure;
use crate::outbox::context::SheetRef;
use crate::outbox::draft::{Family, Ground, MessageDraft, Occasion};
use crate::outbox::wording;
use crate::recognise::reading::Side;
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
    lines.push(format!("Next: {}", next_steps(draft)));
    lines.push(wording::SHORT_CAUTION.to_string());
    lines.join("\n")
}

/// The first line, at most [`HEADLINE_CHARS`] characters; a long site name is cut at its end (the
/// side stands first), never the tier, the number or what to do. The lines below name it in full.
pub fn headline(draft: &MessageDraft) -> String {
    let (head, tail) = match draft.occasion {
        Occasion::Raised => raised_headline(draft),
        Occasion::Withdrawn => (withdrawn_head(draft), "Examine, remeasure."),
        Occasion::Resolved => {
            let matter = wording::resolution_in_short(draft.family);
            (
                format!("UPDATE: {matter}{}", brackets(oldest_age(draft))),
                "Keep measuring.",
            )
        }
    };
    let fixed = head.chars().count() + tail.chars().count() + 4;
    let Some(site) = &draft.site else {
        return format!("{head}. {tail}");
    };
    let place = shorten(&site.to_string(), HEADLINE_CHARS.saturating_sub(fixed));
    format!("{head}, {place}. {tail}")
}

fn raised_headline(draft: &MessageDraft) -> (String, &'static str) {
    let (word, tail) = match draft.tier {
        Some(Tier::Critical) => ("CRITICAL", "Examine now."),
        Some(Tier::Act) => ("ACT, unconfirmed", "Examine, remeasure now."),
        Some(Tier::Watch) => ("WATCH", "Examine, remeasure."),
        Some(Tier::Check) | None => ("CHECK", "Examine, measure now."),
    };
    (format!("{word}: {}", subject_matter(draft)), tail)
}

/// "delta 30 mmHg (6 min old)": the age is that of the older of the two readings.
fn subject_matter(draft: &MessageDraft) -> String {
    let age = brackets(oldest_age(draft));
    match (draft.family, &draft.delta, &draft.compartment) {
        (Family::Pressure, Some(facts), _) => {
            let carried = if facts.carried { "carried " } else { "" };
            let bound = if facts.bounded_above { "at most " } else { "" };
            format!("{carried}delta {bound}{} mmHg{age}", facts.delta_whole_mmhg)
        }
        (Family::Pressure, None, Some(measured)) => {
            let whole = round_pressure(measured.pressure.mmhg);
            format!("compartment pressure {whole} mmHg{age}")
        }
        (Family::Pressure, None, None) => String::from("compartment pressure"),
        (Family::Measurement, _, _) => wording::measurement_matter(&rule_ids(draft)).to_string(),
    }
}

/// Age of the oldest reading that the message's numbers rest on.
fn oldest_age(draft: &MessageDraft) -> Option<String> {
    let delta = draft
        .delta
        .as_ref()
        .map(|facts| facts.compartment.at.min(facts.diastolic.at));
    let at = delta.or(draft.compartment.as_ref().map(|measured| measured.at))?;
    Some(wording::duration(draft.at.minutes_since(at)))
}

/// " (6 min old)", or nothing.
fn brackets(age: Option<String>) -> String {
    age.map(|age| format!(" ({age} old)")).unwrap_or_default()
}

fn withdrawn_head(draft: &MessageDraft) -> String {
    let earlier = draft
        .tier_before
        .map(|tier| format!("{} ", tier.word().to_uppercase()))
        .unwrap_or_default();
    format!("WITHDRAWN: the earlier {earlier}message lost a ground")
}

/// At most `chars` characters, the cut shown.
fn shorten(text: &str, chars: usize) -> String {
    if text.chars().count() <= chars {
        return text.to_string();
    }
    let kept: String = text.chars().take(chars.saturating_sub(1)).collect();
    format!("{}…", kept.trim_end())
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
            lines.extend(oldest_age(draft).map(|age| wording::resolution_age(&age)));
            if draft.family == Family::Pressure {
                lines.push(wording::RULE_OUT.to_string());
            }
            lines
        }
    }
}

/// Each number with where, when, how and how old; then the arithmetic.
fn measured_lines(draft: &MessageDraft) -> Vec<String> {
    let mut lines = Vec::new();
    let compartment = draft
        .compartment
        .as_ref()
        .or(draft.delta.as_ref().map(|facts| &facts.compartment));
    if let Some(measured) = compartment {
        lines.push(wording::compartment_sentence(measured, draft.site.as_ref(), draft.at));
    } else if let Some(site) = &draft.site {
        lines.push(format!("Site: {site}."));
    }
    let Some(facts) = &draft.delta else { return lines };
    if compartment.is_some_and(|measured| measured.sources != facts.compartment.sources) {
        // The delta rests on another reading than the one spoken of: both are told.
        lines.push(wording::compartment_sentence(
            &facts.compartment,
            Some(&facts.site),
            draft.at,
        ));
    }
    lines.push(wording::diastolic_sentence(&facts.diastolic, draft.at));
    lines.push(format!("Delta pressure: {}.", wording::arithmetic(facts)));
    lines
}

fn caution_lines(draft: &MessageDraft) -> Vec<String> {
    let mut lines: Vec<&'static str> = draft.delta.as_ref().map(wording::delta_cautions).unwrap_or_default();
    let side_unstated = draft.site.as_ref().is_some_and(|site| site.side == Side::Unstated);
    if draft.delta.is_none() && side_unstated {
        lines.push(wording::SIDE_UNSTATED);
    }
    if draft.occasion == Occasion::Raised {
        lines.extend(raised_cautions(draft));
    }
    lines.extend(wording::age_note(draft.age_note));
    lines.into_iter().map(String::from).collect()
}

fn raised_cautions(draft: &MessageDraft) -> Vec<&'static str> {
    let single = draft.family == Family::Pressure
        && draft.reading_count <= 1
        && draft.delta.is_some()
        && draft.tier >= Some(Tier::Act);
    let mut cautions = Vec::new();
    if single {
        cautions.push(match draft.tier {
            Some(Tier::Critical) => wording::SINGLE_CRITICAL,
            _ => wording::SINGLE_READING,
        });
    }
    cautions.extend(wording::rule_cautions(&rule_ids(draft)));
    cautions
}

/// Ids of the rules that hold.
fn rule_ids(draft: &MessageDraft) -> Vec<&str> {
    draft.grounds.iter().map(|ground| ground.rule.as_str()).collect()
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
