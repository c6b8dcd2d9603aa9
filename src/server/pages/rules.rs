//! `/rules`: the sheets in force, so that what the service says can be traced to its source.

use super::layout::Body;
use super::text;
use crate::outbox::wording;
use crate::recognise::Method;
use crate::rules::sheet::Rule;
use crate::rules::{Sheet, Sheets, show};
use maud::{Markup, html};

/// The page.
pub(super) fn build(sheets: &Sheets) -> Body {
    let main = html! {
        h1 { "Rule sheets in force" }
        ul {
            @for sheet in sheets.both() {
                li { (sheet.ages.words()) ": " (text::sheet(sheet)) }
            }
        }
        p {
            "Marks: C, the figure was read in the public text of its source; C2, in a secondary or unrefereed text; "
            "M, from memory, not confirmed in public text; D, derived by the authors of the sheet, not published."
        }
        @for sheet in sheets.both() { (whole(sheet)) }
    };
    Body::new("Rules", "/rules", main)
}

fn whole(sheet: &Sheet) -> Markup {
    html! {
        h2 id=(sheet.id) { (sheet.title) }
        dl class="facts" {
            div { dt { "Sheet" } dd { code { (sheet.id) } } }
            div { dt { "Version" } dd { (sheet.version) } }
            div { dt { "SHA-256" } dd { code class="long" { (sheet.hash) } } }
            div { dt { "Approval" } dd { (sheet.record.words()) } }
            div { dt { "Comparison" } dd { "delta pressure " (sheet.comparator.words()) " the threshold" } }
            div { dt { "For" } dd { (sheet.ages.words()) "; adults are from " (sheet.adult_from_years) " years" } }
        }
        @for rule in &sheet.rules { (rule_card(rule, sheet)) }
        (pairing(sheet))
        (limits(sheet))
        h3 { "Not covered" }
        ul { @for sentence in &sheet.not_covered { li { (sentence) } } }
    }
}

fn rule_card(rule: &Rule, sheet: &Sheet) -> Markup {
    html! {
        section class="rule" {
            div class="concern-head" { (text::tier(rule.tier)) h3 { code { (rule.id) } } }
            dl class="facts" {
                div { dt { "Holds when" } dd { (show::condition(rule.kind, sheet)) } }
                div { dt { "Says" } dd { (rule.says) } }
                div { dt { "Next" } dd { (rule.next) } }
                div { dt { "Source" } dd { (rule.citation) " " strong class="mark" { "mark " (rule.mark) } } }
                div { dt { "Applies to" } dd { (show::applies_to(rule, sheet)) } }
                div { dt { "Shown in" } dd { (rule.population) } }
                div { dt { "Known failure" } dd { (rule.known_failure) } }
                div { dt { "Examples" } dd { (rule.examples.len()) } }
            }
        }
    }
}

fn pairing(sheet: &Sheet) -> Markup {
    let pairing = &sheet.pairing;
    let order: Vec<&str> = pairing
        .method_order
        .iter()
        .map(|method: &Method| wording::method(*method))
        .collect();
    let rows = [
        ("A diastolic may be older by", pairing.before_minutes),
        ("A diastolic may be newer by", pairing.after_minutes),
        ("Called simultaneous up to", pairing.simultaneous_minutes),
        ("Called stale beyond", pairing.paired_minutes),
        ("A compartment reading is carried for", pairing.carry_minutes),
        ("Clocks may differ by", pairing.clock_skew_minutes),
    ];
    html! {
        h3 { "Pairing" }
        p { "There is no published time for which a diastolic remains valid; these are settings of the sheet." }
        dl class="facts" {
            @for (what, minutes) in rows { div { dt { (what) } dd { (minutes) " min" } } }
            div { dt { "Preferred methods" } dd { @if order.is_empty() { "none: only time decides" } @else { (order.join(", ")) } } }
        }
    }
}

fn limits(sheet: &Sheet) -> Markup {
    let plausible = &sheet.plausible;
    html! {
        h3 { "Plausible range and closing" }
        dl class="facts" {
            div { dt { "Compartment pressure" } dd { (plausible.compartment_low) " to " (plausible.compartment_high) " mmHg; to be verified above " (plausible.compartment_verify_above) " mmHg" } }
            div { dt { "Diastolic" } dd { (plausible.diastolic_low) " to " (plausible.diastolic_high) " mmHg" } }
            div { dt { "A concern closes after" } dd { (text::count(sheet.close_after_readings as u64, "usable reading", "usable readings in a row")) " over at least " (text::count(sheet.close_after_minutes.unsigned_abs(), "minute", "minutes")) " without a rule" } }
        }
    }
}
