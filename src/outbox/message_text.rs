//! The text of a Communication: one short line that a pager can show, then what was measured, the
//! arithmetic, the rules, what to do next and the caution, a line each.

use crate::fhir::Instant;
use crate::outbox::context::SheetRef;
use crate::outbox::draft::{Family, Ground, Measured, MessageDraft, Occasion};
use crate::outbox::numbers::whole_compartment;
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

/// The first line, at most [`HEADLINE_CHARS`] characters; a long site name is cut, never the tier,
/// the number or what to do.
pub fn headline(draft: &MessageDraft) -> String {
    let (head, tail) = match draft.occasion {
        Occasion::Raised => raised_headline(draft),
        Occasion::Withdrawn => (withdrawn_head(draft), "Examine and measure again."),
        Occasion::Resolved => {
            let age = newest_age(draft)
                .map(|age| format!(" (newest {age} old)"))
                .unwrap_or_default();
            (
                format!("UPDATE: no rule is met by the readings received{age}"),
                "Keep measuring.",
            )
        }
    };
    let fixed = head.chars().count() + tail.chars().count() + 4;
    let place = shorten(&place(draft), HEADLINE_CHARS.saturating_sub(fixed));
    format!("{head}, {place}. {tail}")
}

fn raised_headline(draft: &MessageDraft) -> (String, &'static str) {
    let (word, tail) = match draft.tier {
        Some(Tier::Critical) => ("CRITICAL", "Examine now."),
        Some(Tier::Act) => ("ACT, unconfirmed", "Examine and measure again now."),
        Some(Tier::Watch) => ("WATCH", "Examine and measure again."),
        Some(Tier::Check) | None => ("CHECK", "Examine and measure now."),
    };
    (format!("{word}: {}", subject_matter(draft)), tail)
}

/// "delta pressure 30 mmHg (readings up to 6 min old)".
fn subject_matter(draft: &MessageDraft) -> String {
    let old = |at: Instant| wording::duration(draft.at.minutes_since(at));
    if let (Some(facts), Family::Pressure) = (&draft.delta, draft.family) {
        let carried = if facts.carried { "carried " } else { "" };
        let bound = if facts.bounded_above { "at most " } else { "" };
        let oldest = old(facts.compartment.at.min(facts.diastolic.at));
        return format!(
            "{carried}delta pressure {bound}{} mmHg (readings up to {oldest} old)",
            facts.delta_whole_mmhg
        );
    }
    match (draft.family, &draft.compartment) {
        (Family::Pressure, Some(measured)) => {
            format!(
                "compartment pressure {} ({} old)",
                pressure_mmhg(measured),
                old(measured.at)
            )
        }
        (Family::Pressure, None) => String::from("compartment pressure"),
        (Family::Measurement, _) if says(draft, "implausible") => String::from("reading outside the plausible range"),
        (Family::Measurement, Some(_)) if draft.delta.is_none() => String::from("no usable diastolic"),
        (Family::Measurement, _) => String::from("the measurement needs attention"),
    }
}

fn pressure_mmhg(measured: &Measured) -> String {
    format!("{} mmHg", whole_compartment(measured.pressure.mmhg))
}

fn withdrawn_head(draft: &MessageDraft) -> String {
    match draft.tier_before {
        Some(tier) => format!(
            "WITHDRAWN: a ground of the earlier {} message",
            tier.word().to_uppercase()
        ),
        None => String::from("WITHDRAWN: a ground of the earlier message"),
    }
}

/// Where, in words.
fn place(draft: &MessageDraft) -> String {
    match &draft.site {
        Some(site) => site.to_string(),
        None => String::from("blood pressure"),
    }
}

/// At most `chars` characters, the cut shown.
fn shorten(text: &str, chars: usize) -> String {
    if text.chars().count() <= chars {
        return text.to_string();
    }
    let kept: String = text.chars().take(chars.saturating_sub(1)).collect();
    format!("{}…", kept.trim_end())
}

/// Age of the newest compartment reading of the message; of a diastolic only when there is no other.
fn newest_age(draft: &MessageDraft) -> Option<String> {
    let at = draft
        .compartment
        .as_ref()
        .or(draft.delta.as_ref().map(|facts| &facts.compartment))?
        .at;
    Some(wording::duration(draft.at.minutes_since(at)))
}

fn occasion_lines(draft: &MessageDraft) -> Vec<String> {
    match draft.occasion {
        Occasion::Raised => Vec::new(),
        Occasion::Withdrawn => {
            let mut lines: Vec<String> = draft.lost.iter().map(wording::lost).collect();
            lines.push(wording::WITHDRAWAL.to_string());
            lines
        }
        Occasion::Resolved => vec![wording::RESOLUTION.to_string(), wording::RULE_OUT.to_string()],
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
    let no_diastolic = draft.family == Family::Measurement && draft.compartment.is_some() && draft.delta.is_none();
    let implausible = says(draft, "implausible");
    [
        (single, wording::SINGLE_READING),
        (says(draft, "sustained"), wording::SUSTAINED),
        (no_diastolic && !implausible, wording::NO_DIASTOLIC),
        (implausible, wording::IMPLAUSIBLE),
    ]
    .into_iter()
    .filter_map(|(holds, sentence)| holds.then_some(sentence))
    .collect()
}

/// True when a rule that holds carries `word` in its id ("sustained", "implausible"): the rule
/// sheet names its rules after what they judge.
fn says(draft: &MessageDraft, word: &str) -> bool {
    draft.grounds.iter().any(|ground| ground.rule.contains(word))
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
