//! The report: one HTML file that loads nothing and runs nothing, and the same figures as JSON. Pure.
//!
//! Beside each figure stands what it is. Colour is never the only sign: tiers have a word, marks a
//! shape, shaded cells their number.

mod compare;
mod draw;
mod json;
mod sections;
mod traces;
mod words;

pub use json::json;

use super::cohort::Order;
use super::study::Study;
use crate::outbox::wording::CAUTIONS;
use maud::{DOCTYPE, Markup, PreEscaped, html};

const STYLE: &str = include_str!("report.css");

/// A part of the report.
struct Section {
    id: &'static str,
    heading: &'static str,
    body: Markup,
}

impl Section {
    fn new(id: &'static str, heading: &'static str, body: Markup) -> Self {
        Self { id, heading, body }
    }
}

/// The report as one HTML file.
pub fn html(study: &Study) -> String {
    let mut all = vec![
        Section::new("figures", "In figures", sections::figures(study)),
        Section::new("inputs", "What was read", sections::inputs(study)),
        Section::new("pairings", "Pairings and deltas", sections::pairings(study)),
        Section::new("concerns", "Concerns", sections::concerns(study)),
        Section::new("messages", "Messages", sections::messages(study)),
        Section::new(
            "heaviest",
            "The patients with the most messages",
            sections::heaviest(study),
        ),
        Section::new("traces", "Individual traces", traces::traces(study)),
    ];
    if let Some(judged) = &study.judged {
        all.push(Section::new(
            "labels",
            "Against what became of the patients",
            compare::labels(judged),
        ));
    }
    if let Some(against) = &study.against {
        all.push(Section::new(
            "against",
            "Against the other rule sheet",
            compare::against(study, against),
        ));
    }
    if let Some((parameter, points)) = &study.sweep {
        let body = compare::sweep(parameter, points);
        all.push(Section::new("sweep", "One parameter over a range", body));
    }
    all.push(Section::new("cautions", "To bear in mind", cautions()));
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'; img-src data:";
                title { (study.title) }
                link rel="icon" href="data:,";
                style { (PreEscaped(STYLE)) }
            }
            body {
                (head(study))
                nav aria-label="Contents" {
                    ol { @for section in &all { li { a href={ "#" (section.id) } { (section.heading) } } } }
                }
                main {
                    @for section in &all {
                        section id=(section.id) { h2 { (section.heading) } (section.body) }
                    }
                }
            }
        }
    };
    // A text of the record may hold what no page may (control characters), or what turns the order of
    // letters around: it is shown as a mark.
    page.into_string().replace(is_control, "\u{fffd}")
}

fn is_control(letter: char) -> bool {
    letter.is_control() && !matches!(letter, '\n' | '\t')
        || matches!(letter, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

fn head(study: &Study) -> Markup {
    let clock = match study.order {
        Order::Taken => {
            "Clinical clock: of each resource the newest version, as if it had arrived when it was measured; timers included."
        }
        Order::Arrived => {
            "By arrival: every version at its meta.lastUpdated (one without it when it was measured), so late arrivals and corrections happen as they did; timers included. Pairings, deltas and times are those of the record as it stands at the end."
        }
    };
    html! {
        header {
            p class="kind" { "Replay of a rule sheet on old data" }
            h1 { (study.title) }
            p class="lead" { "What the rule sheet would have said, had it been live. It judges the sheet, not any limb." }
            dl class="facts" {
                @for sheet in study.sheets.both() {
                    div { dt { "Sheet, " (sheet.ages.words()) }
                        dd { (sheet.id) " " (sheet.version) ", SHA-256 " code class="long" { (sheet.hash) } " · " (sheet.record.words()) } }
                }
                div { dt { "Clock" } dd { (clock) } }
                @if let Some(view) = study.as_of {
                    div { dt { "View" } dd { "as the record stood at " (words::moment(view)) ", versions updated later left out" } }
                }
                div { dt { "Files" } dd { (study.sources.join(", ")) } }
                div { dt { "Made" } dd { (words::moment(study.made_at)) } }
            }
            p class="keep" { "This report names patients as the record refers to them. Keep it as you keep the record." }
        }
    }
}

fn cautions() -> Markup {
    html! {
        ul {
            li { "A replay knows what was recorded, not what was seen. Whoever was treated early has no late low delta, and whoever was not measured has no delta at all." }
            li { "Labels are often made with the pressures in view; then they agree with a pressure rule more than they should." }
            @for caution in CAUTIONS { li { (caution.text) " " span class="source" { "(" (caution.source) ")" } } }
        }
    }
}
