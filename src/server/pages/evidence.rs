//! Below each chart: every point with the evidence that it stands on, newest first.

use super::{ROWS, beside, text};
use crate::fhir::Instant;
use crate::fhir::quantity::{round_delta, round_pressure};
use crate::outbox::draft::{AgeClass, Beside, DeltaFacts, Measured, SourceRef};
use crate::outbox::wording;
use crate::patient::assess::{Assessment, Carried, Measurement, Paired, Rules};
use crate::patient::words;
use crate::rules::{Sheet, Tier};
use maud::{Markup, html};

/// Carried deltas shown of one measurement, the newest; those that raised the tier always are.
const CARRIED_SHOWN: usize = 4;

/// The table of one site.
pub(super) fn table(assessment: &Assessment<'_>, site: usize, sheet: &Sheet, now: Instant, heading: &str) -> Markup {
    let count = assessment.of_site(site).count();
    let name = assessment.sites.get(site).map(ToString::to_string).unwrap_or_default();
    html! {
        div class="scroll" id={ "scroll-" (heading) } tabindex="0" role="region" aria-labelledby=(heading) {
            table class="points cards" role="table" {
                caption { "Evidence, " (name) ", newest first. Pressures in whole mmHg as compared, and as sent." }
                thead role="rowgroup" {
                    tr role="row" {
                        th role="columnheader" scope="col" { "Measured" }
                        th role="columnheader" scope="col" { "Compartment pressure" }
                        th role="columnheader" scope="col" { "Diastolic" }
                        th role="columnheader" scope="col" { "Delta pressure" }
                        th role="columnheader" scope="col" { "Rules that hold" }
                        th role="columnheader" scope="col" { "Sources" }
                    }
                }
                tbody role="rowgroup" {
                    @for (_, measurement) in assessment.of_site(site).rev().take(ROWS) {
                        @let (shown, hidden) = carried_shown(measurement);
                        @for carried in shown {
                            (carried_row(assessment, measurement, carried, sheet, now))
                        }
                        @if hidden > 0 {
                            tr class="carried" role="row" {
                                td role="cell" colspan="6" {
                                    (text::count(hidden as u64, "more newer diastolic", "more newer diastolics"))
                                    " carried against the reading below; the chart draws them."
                                }
                            }
                        }
                        (paired_row(assessment, measurement, sheet, now))
                    }
                }
            }
        }
        @if count > ROWS { p class="notice" { "Only the newest " (ROWS) " of " (count) " readings are listed." } }
    }
}

/// The newest few, and whatever raised the tier; newest first, with the number left out.
fn carried_shown<'m>(measurement: &'m Measurement<'_>) -> (Vec<&'m Carried>, usize) {
    let newest_from = measurement.carried.len().saturating_sub(CARRIED_SHOWN);
    let mut shown: Vec<&Carried> = measurement
        .carried
        .iter()
        .enumerate()
        .filter(|(index, carried)| *index >= newest_from || carried.raises)
        .map(|(_, carried)| carried)
        .collect();
    shown.reverse();
    let hidden = measurement.carried.len() - shown.len();
    (shown, hidden)
}

fn carried_row(
    assessment: &Assessment<'_>,
    measurement: &Measurement<'_>,
    carried: &Carried,
    sheet: &Sheet,
    now: Instant,
) -> Markup {
    let facts = words::facts(assessment, measurement, Some(carried), sheet);
    html! {
        @if let Some(facts) = &facts {
            tr class="carried" role="row" {
                th role="rowheader" scope="row" {
                    (text::time(facts.diastolic.at)) br; span class="age" { (text::age(facts.diastolic.at, now)) }
                    br; strong { "carried" } ": newer diastolic"
                }
                td role="cell" data-label="Compartment pressure" { (pressure_cell(&facts.compartment)) br; "measured " (offset(facts.compartment.at, facts.diastolic.at)) }
                td role="cell" data-label="Diastolic" { (diastolic_cell(&facts.diastolic, facts.under_anaesthesia)) }
                td role="cell" class="delta-first" data-label="Delta pressure" { (delta_cell(facts)) }
                td role="cell" data-label="Rules that hold" { (rules_cell(carried.rules, carried.tier, sheet, "no rule for carried deltas is met")) }
                td role="cell" data-label="Sources" {
                    (sources(&facts.diastolic.sources, "diastolic"))
                    (beside_sources(&facts.beside))
                }
            }
        }
    }
}

fn paired_row(assessment: &Assessment<'_>, measurement: &Measurement<'_>, sheet: &Sheet, now: Instant) -> Markup {
    let facts = words::facts(assessment, measurement, None, sheet);
    let compartment = words::measured(&measurement.gathered);
    let diastolic = match measurement.paired {
        Paired::With(index, age) => assessment
            .diastolics
            .get(index)
            .map(|diastolic| (words::measured(diastolic), age)),
        Paired::Asking | Paired::Nothing => None,
    };
    let beside = words::besides(assessment, &measurement.beside, &measurement.gathered);
    let under_anaesthesia = facts.as_ref().is_some_and(|facts| facts.under_anaesthesia);
    html! {
        tr role="row" {
            th role="rowheader" scope="row" { (text::time(compartment.at)) br; span class="age" { (text::age(compartment.at, now)) } }
            td role="cell" data-label="Compartment pressure" { (pressure_cell(&compartment)) }
            td role="cell" data-label="Diastolic" {
                @if let Some((diastolic, age)) = &diastolic {
                    (diastolic_cell(diastolic, under_anaesthesia)) br; (offset(diastolic.at, compartment.at)) ", " (class(*age))
                } @else if measurement.paired == Paired::Asking {
                    "being asked for"
                } @else {
                    "no usable diastolic from " (sheet.pairing.before_minutes) " min before to " (sheet.pairing.after_minutes) " min after"
                }
            }
            td role="cell" class="delta-first" data-label="Delta pressure" {
                @match &facts {
                    Some(facts) => (delta_cell(facts)),
                    None => { "none" (beside::cell(&beside, &compartment)) },
                }
                @if let Some(run) = measurement.run {
                    @if run.count > 1 {
                        br; "low in " (run.count) " readings over " (wording::duration(run.minutes))
                        ", widest gap " (wording::duration(run.widest_gap_minutes))
                    }
                }
            }
            td role="cell" data-label="Rules that hold" { (rules_cell(measurement.rules, measurement.tier, sheet, "no rule is met by this reading")) }
            td role="cell" data-label="Sources" {
                (sources(&compartment.sources, "pressure"))
                @if let Some((diastolic, _)) = &diastolic { (sources(&diastolic.sources, "diastolic")) }
                (beside_sources(&beside))
            }
        }
    }
}

fn class(age: AgeClass) -> Markup {
    html! { @if age == AgeClass::Stale { strong { "stale" } } @else { (wording::age_class_code(age)) } }
}

fn pressure_cell(measured: &Measured) -> Markup {
    html! {
        (value_cell(round_pressure(measured.pressure.mmhg), measured))
        @if let Some(words) = wording::quality_words(measured) { p class="second" { "Taken: " (words) } }
    }
}

fn diastolic_cell(measured: &Measured, under_anaesthesia: bool) -> Markup {
    html! {
        (value_cell(round_delta(measured.pressure.mmhg), measured))
        @if under_anaesthesia { br; strong { (wording::UNDER_ANAESTHESIA) } }
    }
}

fn value_cell(shown: i64, measured: &Measured) -> Markup {
    html! {
        strong { (wording::whole_bounded(measured, shown)) } " mmHg"
        br; "sent as " (measured.pressure.sent_value) " " (measured.pressure.sent_unit)
        br; (wording::method(measured.method))
        @if measured.status != crate::recognise::reading::ReadingStatus::Final { ", " (status(measured)) }
    }
}

fn status(measured: &Measured) -> &'static str {
    use crate::recognise::reading::ReadingStatus;
    match measured.status {
        ReadingStatus::Final => "final",
        ReadingStatus::Amended => "amended",
        ReadingStatus::Corrected => "corrected",
        ReadingStatus::Preliminary => "preliminary",
    }
}

fn delta_cell(facts: &DeltaFacts) -> Markup {
    let bound = if facts.bounded_above { "at most " } else { "" };
    html! {
        strong class="delta-cell" { (bound) (wording::signed(facts.delta_whole_mmhg)) } " mmHg"
        br; (wording::arithmetic(facts))
        (beside::cell(&facts.beside, &facts.compartment))
    }
}

/// Where a second difference comes from.
fn beside_sources(beside: &[Beside]) -> Markup {
    html! {
        @for one in beside { (sources(&one.pressure.sources, wording::beside_name(one.kind))) }
    }
}

fn rules_cell(rules: Rules, tier: Option<Tier>, sheet: &Sheet, none: &str) -> Markup {
    html! {
        @match tier {
            Some(tier) => {
                (text::tier(tier))
                @for rule in rules.indexes().filter_map(|index| sheet.rules.get(index)) { br; code { (rule.id) } }
            },
            None => (none),
        }
    }
}

fn sources(sources: &[SourceRef], what: &str) -> Markup {
    html! {
        @for source in sources {
            div {
                (what) ": " code class="long" { (source.reference) }
                @if source.version_id.is_empty() { ", no version stated" } @else { ", version " (source.version_id) }
            }
        }
    }
}

/// "2 min before", "at the same minute", against the other reading.
fn offset(at: Instant, against: Instant) -> String {
    match at.minutes_since(against) {
        0 => String::from("in the same minute"),
        minutes if minutes < 0 => format!("{} before", wording::duration(minutes)),
        minutes => format!("{} after", wording::duration(minutes)),
    }
}
