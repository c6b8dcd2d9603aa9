//! What stands beside a delta on a page: second differences, how a pressure was taken, what a round of
//! measurements lacks, and why a child is judged otherwise.

use super::text;
use crate::fhir::Instant;
use crate::fhir::quantity::round_delta;
use crate::outbox::draft::{AgeNote, Beside, Measured, SessionNote};
use crate::outbox::wording;
use crate::rules::{RuleKind, Sheet};
use maud::{Markup, html};

/// One line of a concern's numbers: "Before anaesthesia delta 34 mmHg from diastolic 74 mmHg, 94 min ago (cuff),
/// Observation/bp. …".
pub(super) fn line(beside: &Beside, compartment: &Measured, now: Instant) -> Markup {
    let other = &beside.pressure;
    let shown = round_delta(other.pressure.mmhg);
    let sent = wording::as_sent(other, shown);
    html! {
        div class="second" {
            dt { (wording::beside_term(beside.kind)) }
            dd {
                strong { (wording::beside_word(beside.kind)) " " (wording::beside_result(beside, compartment)) }
                " " span class="how" {
                    "from " (wording::beside_pressure(beside.kind)) " " (wording::whole_bounded(other, shown)) " mmHg, "
                    (text::age(other.at, now))
                    " (" (wording::method(other.method))
                    @if let Some(sent) = sent { ", " (sent) }
                    ")"
                    @for source in &other.sources { ", " code class="long" { (source.reference) } }
                    ". " (wording::beside_meaning(beside.kind))
                }
            }
        }
    }
}

/// In a cell of the evidence: each second difference in one sentence.
pub(super) fn cell(beside: &[Beside], compartment: &Measured) -> Markup {
    html! {
        @for one in beside {
            p class="second" { (wording::beside_sum(one, compartment, None)) }
        }
    }
}

/// How a compartment pressure was taken, as a line of its own; nothing when nothing is recorded of it.
pub(super) fn quality(measured: &Measured) -> Markup {
    html! {
        @if let Some(words) = wording::quality_words(measured) {
            div class="second" {
                dt { "How it was taken" }
                dd { span class="how" { (words) } }
            }
        }
    }
}

/// What a round of measurements lacks: information.
pub(super) fn session(note: Option<&SessionNote>) -> Markup {
    html! {
        @if let Some(line) = note.and_then(wording::session_line) { p class="round" { (line) } }
    }
}

/// What the patient's age means for the rules: that it is not known, or that the rules are an adult's,
/// and why those on the pressure alone do not run.
pub(super) fn age_notes(note: AgeNote, sheet: &Sheet) -> Vec<&'static str> {
    let alone = |kind: RuleKind| matches!(kind, RuleKind::Absolute { .. });
    let runs = sheet
        .rules
        .iter()
        .any(|rule| alone(rule.kind) && rule.ages.includes(true));
    let alone = (note == AgeNote::Child && !runs).then_some(wording::CHILD_PRESSURE_ALONE);
    wording::age_note(note).into_iter().chain(alone).collect()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::outbox::draft::{BesideKind, SourceRef};
    use crate::recognise::Method;
    use crate::recognise::reading::{Pressure, ReadingStatus};

    fn at(minute: i64) -> Instant {
        Instant::from_millis(1_772_748_600_000).plus_minutes(minute)
    }

    fn measured(id: &str, minute: i64, mmhg: &str, sent: (&str, &str)) -> Measured {
        Measured {
            sources: vec![SourceRef {
                reference: format!("Observation/{id}"),
                version_id: "1".into(),
            }],
            pressure: Pressure {
                mmhg: mmhg.parse().unwrap(),
                sent_value: sent.0.into(),
                sent_unit: sent.1.into(),
                comparator: None,
            },
            at: at(minute),
            method: Method::Cuff,
            status: ReadingStatus::Final,
            quality: None,
        }
    }

    /// Kakar 2007: 74 before anaesthesia and a pressure of 40 leave 34.
    #[test]
    fn a_second_difference_has_its_source_age_and_method() {
        let compartment = measured("cp", -4, "40", ("40", "mm[Hg]"));
        let beside = Beside {
            kind: BesideKind::BeforeAnaesthesia,
            pressure: measured("bp<b>", -94, "74.0", ("9.87", "kPa")),
            delta_mmhg: "34".parse().unwrap(),
            delta_whole_mmhg: 34,
        };
        let html = line(&beside, &compartment, at(0)).into_string();
        for part in [
            "<dt>Before anaesthesia</dt>",
            "<strong>delta 34 mmHg</strong>",
            "from diastolic 74 mmHg, 94 min ago (cuff, sent as 9.87 kPa)",
            "Observation/bp&lt;b&gt;",
            "18 ± 13 mmHg lower on average (Kakar 2007)",
        ] {
            assert!(html.contains(part), "{part}: {html}");
        }
        let html = cell(&[beside], &compartment).into_string();
        assert!(html.contains("90 min before the compartment reading"), "{html}");
    }

    #[test]
    fn the_sheet_decides_whether_a_child_is_told_why() {
        let sheet = Sheet::adult().unwrap();
        assert_eq!(
            age_notes(AgeNote::Child, &sheet),
            [wording::CHILD, wording::CHILD_PRESSURE_ALONE]
        );
        assert_eq!(age_notes(AgeNote::Unknown, &sheet), [wording::AGE_UNKNOWN]);
        assert!(age_notes(AgeNote::InBand, &sheet).is_empty());
        let mut runs = sheet.clone();
        for rule in &mut runs.rules {
            rule.ages = crate::rules::sheet::Ages::Any;
        }
        assert_eq!(age_notes(AgeNote::Child, &runs), [wording::CHILD]);
    }

    #[test]
    fn what_is_not_recorded_is_not_spoken_of() {
        let reading = measured("cp", 0, "40", ("40", "mm[Hg]"));
        assert!(quality(&reading).into_string().is_empty());
        assert!(session(None).into_string().is_empty());
    }
}
