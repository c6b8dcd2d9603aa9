//! What no text may say.

/// Phrases that no text may contain: each says or suggests that a limb needs nothing. Compared in
/// lower case at the start of a word; see [`forbidden_in`]. "wait" is every form of it ("may wait").
pub const FORBIDDEN: &[&str] = &[
    "safe",
    "rule out",
    "ruled out",
    "rules out",
    "ruling out",
    "normal",
    "no compartment syndrome",
    "all clear",
    "all-clear",
    "cleared",
    "wait",
    "reassur",
    "exclude compartment",
    "excludes compartment",
    "excluded",
    "stable",
    "healthy",
    "no danger",
    "no risk",
    "low risk",
    "not at risk",
    "no concern",
    "no action",
    "no need",
    "not needed",
    "nothing to do",
    "fine",
    "okay",
    "satisfactory",
    "acceptable",
    "within limits",
    "has compartment syndrome",
    "diagnosed with",
    "confirms compartment",
    "no fasciotomy",
    "not need fasciotomy",
    "without fasciotomy",
    "no surgery",
    "be sent home",
    "be discharged",
    "go home",
    "not urgent",
    "not an emergency",
    "no emergency",
    "no urgency",
    "no hurry",
    "can be left",
    "later is enough",
    "recheck in",
    "check again in",
    "remeasure in",
    "measure again in",
    "observe only",
    "only observe",
    "well perfused",
    "adequately perfused",
    "adequate perfusion",
];

/// The one statement of AAOS 2018 that may be quoted, and only in this form.
const ALLOWED: &str = "helps to rule out";

/// The first phrase of [`FORBIDDEN`] that stands in `text`, if any. Also for the rule sheet's own
/// sentences, which a site can write.
pub fn forbidden_in(text: &str) -> Option<&'static str> {
    let lower = text.to_lowercase().replace(ALLOWED, "");
    FORBIDDEN.iter().copied().find(|phrase| starts_a_word(&lower, phrase))
}

/// True when `phrase` stands in `text` and does not begin inside a word ("safe" in "unsafe").
fn starts_a_word(text: &str, phrase: &str) -> bool {
    text.match_indices(phrase)
        .any(|(at, _)| !text[..at].chars().next_back().is_some_and(char::is_alphanumeric))
}
