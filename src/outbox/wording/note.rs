//! Notes of the derived Observation: the arithmetic in words, and what it calls for saying.

use super::{SHORT_CAUTION, WITHDRAWAL, arithmetic, beside_lines, delta_cautions, quality_line, when};
use crate::outbox::draft::{DeltaDraft, DeltaFacts};

/// Observation.note of a delta: the arithmetic in words, and what it calls for saying.
pub fn delta_note(draft: &DeltaDraft) -> String {
    let facts = &draft.facts;
    let mut lines = vec![format!("{}.", arithmetic(facts)), measured_at(facts)];
    lines.extend(quality_line(&facts.compartment));
    lines.extend(beside_lines(facts, None));
    lines.extend(delta_cautions(facts).into_iter().map(String::from));
    lines.push(SHORT_CAUTION.to_string());
    lines.join("\n")
}

/// Observation.note once its ground is gone.
pub fn retracted_note(last: &DeltaDraft) -> String {
    let facts = &last.facts;
    let beside: String = beside_lines(facts, None)
        .iter()
        .map(|line| format!("{line} "))
        .collect();
    format!(
        "Entered in error: a source of this delta pressure was taken back or no longer gives it. It read: {}. {} {beside}{WITHDRAWAL}",
        arithmetic(facts),
        measured_at(facts),
    )
}

fn measured_at(facts: &DeltaFacts) -> String {
    let basis = if facts.carried {
        "The time of this Observation is the diastolic's."
    } else {
        "The time of this Observation is the compartment reading's."
    };
    format!(
        "Compartment pressure measured {}, diastolic {}. {basis}",
        when(facts.compartment.at),
        when(facts.diastolic.at)
    )
}
