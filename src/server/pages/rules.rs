//! `/rules`: the sheet in force, so that what the service says can be traced to its source.

use super::layout::Body;
use super::text;
use crate::outbox::wording;
use crate::recognise::Method;
use crate::rules::sheet::Rule;
use crate::rules::{RuleKind, Sheet};
use maud::{Markup, html};

/// The page.
pub(super) fn build(sheet: &Sheet) -> Body {
    let main = html! {
        h1 { (sheet.title) }
        dl class="facts" {
            div { dt { "Sheet" } dd { code { (sheet.id) } } }
            div { dt { "Version" } dd { (sheet.version) } }
            div { dt { "SHA-256" } dd { code class="long" { (sheet.hash) } } }
            div { dt { "Comparison" } dd { "delta pressure " (sheet.comparator.words()) " the threshold" } }
            div { dt { "Adults from" } dd { (sheet.adult_from_years) " years; below, marked as not validated in children" } }
        }
        h2 { "Rules" }
        p {
            "Marks: C, the figure was read in the public text of its source; C2, in a secondary or unrefereed text; "
            "M, from memory, not confirmed in public text; D, derived by the authors of the sheet, not published."
        }
        @for rule in &sheet.rules { (rule_card(rule, sheet)) }
        (pairing(sheet))
        (limits(sheet))
    };
    Body::new("Rules", "/rules", main)
}

fn rule_card(rule: &Rule, sheet: &Sheet) -> Markup {
    html! {
        section class="rule" {
            div class="concern-head" { (text::tier(rule.tier)) h3 { code { (rule.id) } } }
            dl class="facts" {
                div { dt { "Holds when" } dd { (when(rule.kind, sheet.comparator.words())) } }
                div { dt { "Says" } dd { (rule.says) } }
                div { dt { "Next" } dd { (rule.next) } }
                div { dt { "Source" } dd { (rule.citation) " " strong class="mark" { "mark " (rule.mark) } } }
                @if !rule.children { div { dt { "Children" } dd { "not run below the adult age" } } }
                div { dt { "Examples" } dd { (rule.examples.len()) } }
            }
        }
    }
}

/// `compared` is "at or below" or "below", as the sheet compares.
fn when(kind: RuleKind, compared: &str) -> String {
    let band = |what: &str, lower: Option<i64>, upper: i64| match lower {
        Some(lower) => format!("{what} {compared} {upper} mmHg, and not {compared} {lower} mmHg"),
        None => format!("{what} {compared} {upper} mmHg"),
    };
    match kind {
        RuleKind::Delta { lower, upper } => band("delta pressure", lower, upper),
        RuleKind::Carried { lower, upper } => band(
            "delta pressure of a newer diastolic against the last compartment reading",
            lower,
            upper,
        ),
        RuleKind::Sustained {
            upper,
            minutes,
            readings,
        } => format!(
            "every delta pressure {compared} {upper} mmHg for at least {minutes} min, in at least {readings} readings"
        ),
        RuleKind::Absolute { at_or_above } => {
            format!("compartment pressure at or above {at_or_above} mmHg while no alerting delta pressure speaks")
        }
        RuleKind::DiastolicMissing => "the newest reading of a site has no usable diastolic".into(),
        RuleKind::SideMissing => "the newest reading of a site has no side".into(),
        RuleKind::CompartmentImplausible => "the newest compartment reading is outside the plausible range".into(),
        RuleKind::CompartmentVerify => "the newest compartment reading is negative or very high".into(),
        RuleKind::DiastolicImplausible => "the newest diastolic is outside the plausible range".into(),
        RuleKind::CompartmentUnusable => "a compartment reading could not be used at all".into(),
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
        h2 { "Pairing" }
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
        h2 { "Plausible range and closing" }
        dl class="facts" {
            div { dt { "Compartment pressure" } dd { (plausible.compartment_low) " to " (plausible.compartment_high) " mmHg; to be verified above " (plausible.compartment_verify_above) " mmHg" } }
            div { dt { "Diastolic" } dd { (plausible.diastolic_low) " to " (plausible.diastolic_high) " mmHg" } }
            div { dt { "A concern closes after" } dd { (text::count(sheet.close_after_readings as u64, "usable reading", "usable readings in a row")) " over at least " (text::count(sheet.close_after_minutes.unsigned_abs(), "minute", "minutes")) " without a rule" } }
        }
    }
}
