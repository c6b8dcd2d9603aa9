//! Small pieces that every page uses: moments, ages, links, the sign of a tier.

use crate::fhir::Instant;
use crate::outbox::wording::{duration, when};
use crate::recognise::reading::PatientKey;
use crate::rules::{Sheet, Tier};
use maud::{Markup, html};

/// The strongest statement there is (invariant 5): of every rule, for pages without an open concern.
pub(super) const NO_RULE: &str =
    "No rule is met by the readings received. This is a statement about readings, not about the limb.";

/// "4 min ago"; a moment ahead of the clock says so.
pub(super) fn age(at: Instant, now: Instant) -> String {
    if at > now.plus_seconds(30) {
        format!("{} ahead of this clock", duration(at.minutes_since(now)))
    } else {
        format!("{} ago", duration(now.minutes_since(at)))
    }
}

/// `2026-03-05 22:10 UTC`, machine-readable too.
pub(super) fn time(at: Instant) -> Markup {
    html! { time datetime=(at) { (when(at)) } }
}

/// "22:10 UTC" for a moment of the day of `now`, else with its date.
pub(super) fn short_time(at: Instant, now: Instant) -> Markup {
    let (moment, today) = (when(at), when(now));
    let same_day = moment.get(..10) == today.get(..10);
    let shown = if same_day {
        moment.get(11..).unwrap_or(&moment)
    } else {
        &moment
    };
    html! { time datetime=(at) { (shown) } }
}

/// The patient as the record names them; of a logical reference the identifier's value stands first,
/// for that is what a ward knows them by.
pub(super) fn key(patient: &PatientKey) -> String {
    // A system is a URI, in which `|` may not stand unescaped: the first `|` divides.
    match patient
        .0
        .strip_prefix("identifier:")
        .and_then(|logical| logical.split_once('|'))
    {
        Some((system, value)) => format!("identifier {value} (of {system})"),
        None => patient.0.clone(),
    }
}

/// What a patient is called on a page: the label, else the identifier's value, else the reference.
pub(super) fn name(label: Option<&str>, patient: &PatientKey) -> String {
    let logical = patient
        .0
        .strip_prefix("identifier:")
        .and_then(|logical| logical.split_once('|'));
    match (label, logical) {
        (Some(label), _) => label.to_owned(),
        (None, Some((_, value))) => format!("identifier {value}"),
        (None, None) => patient.0.clone(),
    }
}

/// The page of a patient.
pub(super) fn patient_href(patient: &PatientKey) -> String {
    let id: String = url::form_urlencoded::byte_serialize(patient.0.as_bytes()).collect();
    format!("/patient?id={id}")
}

/// "adult-limb 1.1.0, SHA-256 0123456789ab, not approved", leading to the sheet.
pub(super) fn sheet(sheet: &Sheet) -> Markup {
    html! {
        a href={ "/rules#" (sheet.id) } { (sheet.id) " " (sheet.version) }
        ", SHA-256 " code { (sheet.hash.get(..12).unwrap_or(&sheet.hash)) }
        @if sheet.approved() { ", approved" } @else { ", " strong { "not approved" } }
    }
}

/// The word of a tier with its own shape: octagon, triangle, diamond, square. Colour only adds.
pub(super) fn tier(tier: Tier) -> Markup {
    let class = format!("tier tier-{}", tier.word());
    html! {
        span class=(class) {
            svg viewBox="0 0 24 24" aria-hidden="true" focusable="false" {
                @match tier {
                    Tier::Critical => {
                        path class="sign" d="M8 1.5h8L22.5 8v8L16 22.5H8L1.5 16V8z" {}
                        path class="sign-mark" d="M12 5.5v8M12 16.5v2.5" {}
                    },
                    Tier::Act => {
                        path class="sign" d="M12 1.5L23 21.5H1z" {}
                        path class="sign-mark" d="M12 8v6.5M12 16.7v2.3" {}
                    },
                    Tier::Watch => { path class="sign-line" d="M12 2L22 12L12 22L2 12z" {} },
                    Tier::Check => {
                        path class="sign-line" d="M3 3h18v18H3z" {}
                        path class="sign-query" d="M8.8 9.6c0-4.2 6.4-4.2 6.4-.3 0 2.4-3.2 2.6-3.2 5M12 17v1.6" {}
                    },
                }
            }
            span { (tier.word()) }
        }
    }
}

/// "1 reading", "2 readings".
pub(super) fn count(number: u64, one: &str, many: &str) -> String {
    if number == 1 {
        format!("1 {one}")
    } else {
        format!("{number} {many}")
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn ages_never_hide_a_clock_that_is_ahead() {
        let now = Instant::from_millis(1_772_748_600_000);
        assert_eq!(age(now, now), "under 1 min ago");
        assert_eq!(age(now.plus_minutes(-4), now), "4 min ago");
        assert_eq!(age(now.plus_minutes(-125), now), "2 h 05 min ago");
        assert_eq!(age(now.plus_minutes(3), now), "3 min ahead of this clock");
    }

    #[test]
    fn an_identifier_is_read_by_its_value() {
        let key_of = PatientKey("identifier:urn:oid:1.2|A|7".into());
        assert_eq!(key(&key_of), "identifier A|7 (of urn:oid:1.2)");
        assert_eq!(name(None, &key_of), "identifier A|7");
        assert_eq!(name(Some("Bed 1"), &key_of), "Bed 1");
        assert_eq!(key(&PatientKey("Patient/1".into())), "Patient/1");
    }

    #[test]
    fn a_key_cannot_leave_its_parameter() {
        let key = PatientKey("Patient/1&x=\"><b>#".into());
        assert_eq!(patient_href(&key), "/patient?id=Patient%2F1%26x%3D%22%3E%3Cb%3E%23");
        let url = url::Url::parse(&format!("http://localhost{}", patient_href(&key))).unwrap();
        let pair = url.query_pairs().next().unwrap();
        assert_eq!((pair.0.as_ref(), pair.1.as_ref()), ("id", key.0.as_str()));
    }
}
