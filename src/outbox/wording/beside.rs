//! What stands beside a delta pressure: second differences, anaesthesia, how a pressure was taken,
//! what a round of measurements lacks, and what holds for a child.

use super::{as_sent, before_rounding, duration, method, signed, when, whole_bounded};
use crate::fhir::Instant;
use crate::fhir::quantity::{round_delta, round_pressure};
use crate::outbox::draft::{
    AgeNote, Beside, BesideKind, DeltaFacts, Family, GroundBy, Measured, MessageDraft, SessionNote,
};
use crate::recognise::reading::{Comparator, Method, Quality};

/// Longest part of a text that is told as a source sent it, in characters.
const AS_SENT_CHARS: usize = 60;

// ---- second differences ------------------------------------------------------------------------

/// What one is called, in a few words.
pub fn beside_name(kind: BesideKind) -> &'static str {
    match kind {
        BesideKind::BeforeAnaesthesia => "before anaesthesia",
        BesideKind::Mean => "from the mean arterial pressure",
        BesideKind::OtherMethod => "by the other method",
    }
}

/// Observation.component.code.text of one.
pub fn beside_code_text(kind: BesideKind) -> &'static str {
    match kind {
        BesideKind::BeforeAnaesthesia => "Delta pressure (last diastolic before anaesthesia − compartment pressure)",
        BesideKind::Mean => "Mean delta pressure (mean arterial pressure − compartment pressure)",
        BesideKind::OtherMethod => {
            "Delta pressure (diastolic by the other method, the higher one − compartment pressure)"
        }
    }
}

/// What one means. Kakar 2007 (J Orthop Trauma 21:99-103, C): under anaesthesia the diastolic of 242
/// patients was 18 ± 13 mmHg lower. That cuff and arterial line differ either way: J Crit Care
/// 2020;118-23 and Sci World J 2014:353628 (C). That the lower one counts is ours (D).
pub fn beside_meaning(kind: BesideKind) -> &'static str {
    match kind {
        BesideKind::BeforeAnaesthesia => {
            "Alerts stand on the current diastolic; under anaesthesia it was 18 ± 13 mmHg lower on average (Kakar 2007)."
        }
        BesideKind::Mean => "The thresholds of the delta pressure from the diastolic are not meant for it.",
        BesideKind::OtherMethod => "The lower diastolic counts.",
    }
}

/// What stands before one in a list.
pub fn beside_term(kind: BesideKind) -> &'static str {
    match kind {
        BesideKind::BeforeAnaesthesia => "Before anaesthesia",
        BesideKind::Mean => "Mean arterial",
        BesideKind::OtherMethod => "Other method",
    }
}

/// The word before its number.
pub fn beside_word(kind: BesideKind) -> &'static str {
    match kind {
        BesideKind::BeforeAnaesthesia | BesideKind::OtherMethod => "delta",
        BesideKind::Mean => "mean delta",
    }
}

/// Which pressure one is taken from.
pub fn beside_pressure(kind: BesideKind) -> &'static str {
    match kind {
        BesideKind::BeforeAnaesthesia | BesideKind::OtherMethod => "diastolic",
        BesideKind::Mean => "mean",
    }
}

/// One line: "Before anaesthesia: diastolic 74 mmHg (cuff, …) − compartment pressure 40 mmHg = delta
/// pressure 34 mmHg. …". `compartment` is the reading that the difference is taken from; `now` the
/// moment of the message, None in a note, where the age is told against the compartment reading.
pub fn beside_line(beside: &Beside, compartment: &Measured, now: Option<Instant>) -> String {
    format!(
        "{} {}",
        beside_sum(beside, compartment, now),
        beside_meaning(beside.kind)
    )
}

/// The same without what it means.
pub fn beside_sum(beside: &Beside, compartment: &Measured, now: Option<Instant>) -> String {
    let (lead, result) = match beside.kind {
        BesideKind::BeforeAnaesthesia => ("Before anaesthesia: diastolic", "delta pressure"),
        BesideKind::Mean => ("From the mean arterial pressure:", "mean delta pressure"),
        BesideKind::OtherMethod => ("By the other method: diastolic", "delta pressure"),
    };
    format!(
        "{lead} {} = {result} {}.",
        beside_terms(beside, compartment, now),
        beside_result(beside, compartment),
    )
}

/// "74 mmHg (cuff, 2026-03-05 20:40 UTC, 94 min before this message) − compartment pressure 40 mmHg".
fn beside_terms(beside: &Beside, compartment: &Measured, now: Option<Instant>) -> String {
    let other = &beside.pressure;
    let shown_other = round_delta(other.pressure.mmhg);
    let shown_compartment = round_pressure(compartment.pressure.mmhg);
    let mut inside = vec![method(other.method).to_string()];
    inside.extend(as_sent(other, shown_other));
    inside.push(when(other.at));
    inside.push(match now {
        Some(now) => super::age(other.at, now),
        None => against_compartment(other.at, compartment.at),
    });
    let sent = as_sent(compartment, shown_compartment).map_or_else(String::new, |sent| format!(" ({sent})"));
    format!(
        "{} mmHg ({}) − compartment pressure {} mmHg{sent}",
        whole_bounded(other, shown_other),
        inside.join(", "),
        whole_bounded(compartment, shown_compartment),
    )
}

/// "34 mmHg", "at most 34 mmHg"; with the exact difference where rounding hides the sum.
pub fn beside_result(beside: &Beside, compartment: &Measured) -> String {
    let apart = round_delta(beside.pressure.pressure.mmhg).saturating_sub(round_pressure(compartment.pressure.mmhg));
    format!(
        "{}{} mmHg{}",
        bound_words(beside_bound(beside, compartment)),
        signed(beside.delta_whole_mmhg),
        before_rounding(apart, beside.delta_whole_mmhg, beside.delta_mmhg)
    )
}

/// The bound that the comparators of the two pressures put on a second difference.
pub fn beside_bound(beside: &Beside, compartment: &Measured) -> Option<Comparator> {
    use Comparator::{Greater, GreaterOrEqual, Less, LessOrEqual};
    match (compartment.pressure.comparator, beside.pressure.pressure.comparator) {
        (Some(Greater), _) | (_, Some(Less)) => Some(Less),
        (Some(GreaterOrEqual), _) | (_, Some(LessOrEqual)) => Some(LessOrEqual),
        (Some(Less), _) | (_, Some(Greater)) => Some(Greater),
        (Some(LessOrEqual), _) | (_, Some(GreaterOrEqual)) => Some(GreaterOrEqual),
        (None, None) => None,
    }
}

/// "at most " of either upper bound, as for a delta; "at least " of a lower one.
pub fn bound_words(bound: Option<Comparator>) -> &'static str {
    match bound {
        None => "",
        Some(Comparator::Less | Comparator::LessOrEqual) => "at most ",
        Some(Comparator::GreaterOrEqual | Comparator::Greater) => "at least ",
    }
}

/// "90 min before the compartment reading".
fn against_compartment(at: Instant, compartment: Instant) -> String {
    match at.minutes_since(compartment) {
        0 => String::from("in the minute of the compartment reading"),
        minutes if minutes < 0 => format!("{} before the compartment reading", duration(minutes)),
        minutes => format!("{} after the compartment reading", duration(minutes)),
    }
}

/// The lines of a delta's second differences, for a note (`now` None) or a message.
pub fn beside_lines(facts: &DeltaFacts, now: Option<Instant>) -> Vec<String> {
    let line = |beside: &Beside| beside_line(beside, &facts.compartment, now);
    facts.beside.iter().map(line).collect()
}

// ---- anaesthesia -------------------------------------------------------------------------------

/// What is said in brackets of a diastolic taken meanwhile.
pub const UNDER_ANAESTHESIA: &str = "under anaesthesia";

/// Anaesthesia, and no diastolic from before it (Kakar 2007, J Orthop Trauma 21:99-103, C).
pub const ANAESTHESIA_ALONE: &str = "Anaesthesia was recorded at the time of the diastolic; under it the diastolic was 18 ± 13 mmHg lower on average (Kakar 2007). No diastolic from before it is known here: look for it in the record. Alerts stand on the current one.";

/// True when anaesthesia was recorded and nothing from before it stands beside the delta.
pub fn anaesthesia_alone(facts: &DeltaFacts) -> bool {
    let before = |beside: &Beside| beside.kind == BesideKind::BeforeAnaesthesia;
    facts.under_anaesthesia && !facts.beside.iter().any(before)
}

// ---- how it was taken --------------------------------------------------------------------------

/// "zeroed, flushed, settled, needle, 5 cm from the fracture, limb level: heart": what is recorded and
/// nothing else, for what is absent is not known. None when nothing is.
pub fn quality_words(measured: &Measured) -> Option<String> {
    let Quality {
        zeroed,
        flushed,
        settled,
        distance_from_fracture,
        limb_level,
    } = measured.quality.as_deref()?;
    let flag =
        |value: &Option<bool>, word: &str| value.map(|yes| if yes { word.into() } else { format!("not {word}") });
    let taken: Vec<String> = [
        flag(zeroed, "zeroed"),
        flag(flushed, "flushed"),
        flag(settled, "settled"),
    ]
    .into_iter()
    .flatten()
    .collect();
    let place = distance_from_fracture.as_deref().and_then(one_line).map(|distance| {
        if distance.to_lowercase().contains("fracture") {
            distance
        } else {
            format!("{distance} from the fracture")
        }
    });
    let level = limb_level.as_deref().and_then(one_line);
    let level = level.map(|level| format!("limb level, as sent: \"{level}\""));
    if taken.is_empty() && place.is_none() && level.is_none() {
        return None;
    }
    let by = (measured.method != Method::Unstated).then(|| method(measured.method).to_string());
    let parts: Vec<String> = taken.into_iter().chain(by).chain(place).chain(level).collect();
    Some(parts.join(", "))
}

/// The same as a sentence of its own.
pub fn quality_line(measured: &Measured) -> Option<String> {
    quality_words(measured).map(|words| format!("How the compartment pressure was taken, as recorded: {words}."))
}

/// A source's own words, on one line and not too long: they must not look like a line of ours.
fn one_line(sent: &str) -> Option<String> {
    let words = sent.split_whitespace().collect::<Vec<_>>().join(" ");
    let shown = crate::fhir::shorten(&words, AS_SENT_CHARS)
        .trim_end_matches('.')
        .to_owned();
    (!shown.is_empty()).then_some(shown)
}

// ---- a round of measurements -------------------------------------------------------------------

/// "Measured in this round (30 min): anterior; not measured: lateral, deep posterior." Information:
/// no rule asks for it. None when nothing is missing.
pub fn session_line(note: &SessionNote) -> Option<String> {
    if note.missing.is_empty() {
        return None;
    }
    let missing = note.missing.join(", ");
    let minutes = note.minutes;
    Some(if note.measured.is_empty() {
        format!("For information: not measured in this round ({minutes} min): {missing}.")
    } else {
        format!(
            "For information: measured in this round ({minutes} min): {}; not measured: {missing}.",
            note.measured.join(", ")
        )
    })
}

// ---- measuring again ---------------------------------------------------------------------------

/// What an overdue measurement means. Hourly limb observations while at risk: BOAST 10, 2014 (C); that
/// a pressure is repeated as often is the sheet's (D).
pub const OVERDUE: &str = "What the limb is like now is not known from here. A reading taken meanwhile can still be entered with the time at which it was taken.";

// ---- children ----------------------------------------------------------------------------------

/// Why no rule on the pressure alone runs in a child: Eur J Trauma Emerg Surg 2019;45:493-7 (C), anterior
/// compartment of the uninjured leg 7 to 30 mmHg in 20 children of up to 16 years.
pub const CHILD_PRESSURE_ALONE: &str = "The rules on the compartment pressure alone do not run in children: in the uninjured leg of a child it reaches 30 mmHg (Eur J Trauma Emerg Surg 2019;45:493-7).";

/// The rule of Mars & Hadley 1998 (Injury 29:183, C, 30 children: intervene when the pressure comes within
/// 30 mmHg of the mean arterial pressure) lacks its number.
pub const CHILD_NO_MEAN: &str = "No mean arterial pressure is recorded beside this reading, so the rule for children that uses it (Mars & Hadley 1998) could not be judged: measure it too.";

/// What a message adds for a child to the note on age. A site's own sheet may run a rule on the
/// pressure alone in children: where such a rule holds, nothing is said against it.
pub fn child_cautions(draft: &MessageDraft) -> Vec<&'static str> {
    if draft.age_note != AgeNote::Child {
        return Vec::new();
    }
    let holds = |by: GroundBy| draft.grounds.iter().any(|ground| ground.by == by);
    let in_delta = draft.delta.iter().flat_map(|facts| &facts.beside);
    let mean = draft
        .beside
        .iter()
        .chain(in_delta)
        .any(|beside| beside.kind == BesideKind::Mean);
    let reading = draft.compartment.is_some() || draft.delta.is_some();
    let no_mean = draft.family == Family::Pressure && reading && !mean && !holds(GroundBy::MeanDelta);
    [
        (!holds(GroundBy::Pressure), CHILD_PRESSURE_ALONE),
        (no_mean, CHILD_NO_MEAN),
    ]
    .into_iter()
    .filter_map(|(due, sentence)| due.then_some(sentence))
    .collect()
}
