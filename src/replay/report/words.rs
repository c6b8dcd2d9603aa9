//! Small words of the report.

use crate::fhir::Instant;
use crate::replay::statistics::Share;
use crate::rules::Tier;
use maud::{Markup, html};

/// `2026-03-05 22:10 UTC`.
pub fn moment(at: Instant) -> String {
    let text = at.to_string();
    match (text.get(..10), text.get(11..16)) {
        (Some(day), Some(time)) => format!("{day} {time} UTC"),
        _ => text,
    }
}

/// `2026-03-05 22:10`, where the table says that it is UTC.
pub fn short_moment(at: Instant) -> String {
    moment(at).trim_end_matches(" UTC").to_owned()
}

/// "2 d 3 h", "3 h 5 min", "5 min".
pub fn duration(minutes: i64) -> String {
    let sign = if minutes < 0 { "−" } else { "" };
    let all = minutes.unsigned_abs();
    let (days, hours, rest) = (all / 1440, all / 60 % 24, all % 60);
    match (days, hours) {
        (0, 0) => format!("{sign}{rest} min"),
        (0, _) => format!("{sign}{hours} h {rest} min"),
        _ => format!("{sign}{days} d {hours} h"),
    }
}

/// 1234567 → "1 234 567", with narrow spaces that do not break.
pub fn count(number: u64) -> String {
    let digits = number.to_string();
    let mut text = String::with_capacity(digits.len() + digits.len() / 3 * 3);
    for (position, digit) in digits.chars().enumerate() {
        if position > 0 && (digits.len() - position).is_multiple_of(3) {
            text.push('\u{202f}');
        }
        text.push(digit);
    }
    text
}

/// A rate with two digits, or why there is none.
pub fn rate(rate: Option<f64>) -> String {
    rate.map_or(String::from("–"), |rate| format!("{rate:.2}"))
}

/// "12.3 %", or "–" of nothing.
pub fn percent(share: Share) -> String {
    share
        .value()
        .map_or(String::from("–"), |value| format!("{:.1} %", value * 100.0))
}

/// "12.3 % (12 of 98)".
pub fn percent_of(share: Share) -> String {
    match share.value() {
        Some(_) => format!("{} ({} of {})", percent(share), count(share.part), count(share.whole)),
        None => String::from("– (of none)"),
    }
}

/// A tier as a word in its frame.
pub fn tier(tier: Tier) -> Markup {
    html! { span class={ "tier tier-" (tier.word()) } { (tier.word()) } }
}

/// A number with its sign, as a person writes it.
pub fn signed(number: i64) -> String {
    match number < 0 {
        true => format!("−{}", number.unsigned_abs()),
        false => number.to_string(),
    }
}

/// A table that scrolls by itself where it is too wide.
pub fn table(caption: &str, head: &[&str], rows: Vec<Vec<Markup>>) -> Markup {
    html! {
        div class="scroll" {
            table {
                caption { (caption) }
                thead { tr { @for name in head { th scope="col" { (name) } } } }
                tbody { @for row in rows { tr { @for cell in row { td { (cell) } } } } }
            }
        }
    }
}

/// Text as a cell.
pub fn cell(text: impl Into<String>) -> Markup {
    let text = text.into();
    html! { (text) }
}

/// A figure, its value, and what it is.
pub struct Figure {
    pub name: &'static str,
    pub value: String,
    pub definition: String,
}

impl Figure {
    pub fn new(name: &'static str, value: impl Into<String>, definition: impl Into<String>) -> Self {
        Self {
            name,
            value: value.into(),
            definition: definition.into(),
        }
    }
}

/// Figures with their definitions beside them.
pub fn figures(all: Vec<Figure>) -> Markup {
    html! {
        dl class="figures" {
            @for figure in all {
                div { dt { (figure.name) } dd class="value" { (figure.value) } dd class="what" { (figure.definition) } }
            }
        }
    }
}
