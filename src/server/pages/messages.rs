//! What was told: history of concerns, and the Communications with their text.

use super::{ROWS, text};
use crate::fhir::Instant;
use crate::outbox::draft::Occasion;
use crate::store::{DerivedRow, EventRow};
use maud::{Markup, html};
use serde_json::Value;

/// History, newest first.
pub(super) fn history(events: &[&EventRow], now: Instant, with_site: bool) -> Markup {
    html! {
        @if events.is_empty() {
            p { "Empty: nothing was raised by the readings received." }
        } @else {
            ol class="history" {
                @for event in events.iter().rev() {
                    li {
                        span class="when" { (text::short_time(event.at, now)) }
                        div {
                            @match event.tier {
                                Some(tier) => (text::tier(tier)),
                                None => span class="tier tier-closed" { "closed" },
                            }
                            " " span class="occasion" { (occasion(event)) }
                            @if with_site { ", " span class="where" { (event.site_text) } }
                            p { (event.text) }
                        }
                    }
                }
            }
        }
    }
}

fn occasion(event: &EventRow) -> String {
    let word = match event.occasion {
        Some(Occasion::Raised) => "raised",
        Some(Occasion::Withdrawn) => "a ground was withdrawn",
        Some(Occasion::Resolved) => "closed by later readings",
        None => "tier fell",
    };
    match event.tier_before {
        Some(before) if event.tier != Some(before) => format!("{word}, before: {before}"),
        _ => word.to_owned(),
    }
}

/// Every Communication with its text, newest first.
pub(super) fn messages(derived: &[DerivedRow], now: Instant) -> Markup {
    let messages: Vec<&DerivedRow> = derived
        .iter()
        .filter(|row| row.resource_type == "Communication")
        .collect();
    html! {
        @if messages.is_empty() {
            p { "None." }
        } @else {
            ol class="messages" {
                @for row in &messages {
                    li {
                        p class="when" {
                            (text::time(row.last_updated)) ", " (text::age(row.last_updated, now))
                            ", priority " strong { (word(&row.body, "priority")) }
                            " " code class="long" { "Communication/" (row.identity) }
                        }
                        p class="message" { (payload(&row.body)) }
                    }
                }
            }
        }
        @if derived.len() >= ROWS { p class="notice" { "Only the newest " (ROWS) " derived resources were looked through." } }
    }
}

fn word<'b>(body: &'b Value, member: &str) -> &'b str {
    body.get(member).and_then(Value::as_str).unwrap_or("not stated")
}

fn payload(body: &Value) -> String {
    let parts = body.get("payload").and_then(Value::as_array);
    let texts = parts
        .into_iter()
        .flatten()
        .filter_map(|part| part.get("contentString")?.as_str());
    texts.collect::<Vec<_>>().join("\n")
}
