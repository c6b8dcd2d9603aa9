//! What no text may say.

/// Phrases that no text may contain: an all-clear, a diagnosis, or leave to wait. Each is compared
/// in lower case as whole words; one that ends in `*` is the start of a word ("reassur*").
pub const FORBIDDEN: &[&str] = &[
    // All-clear.
    "in good shape",
    "in good condition",
    "in order",
    "uneventful",
    "nothing alarming",
    "not alarming",
    "not in peril",
    "not in danger",
    "no ischaemia",
    "no ischemia",
    "perfusion is preserved",
    "perfusion preserved",
    "perfusion intact",
    "perfusion is intact",
    // Diagnosis.
    "has acs",
    "is acs",
    "has compartment syndrome",
    // Delay.
    "overnight",
    "defer",
    "deferred",
    "repeat in",
    "measure again in",
    "safe",
    "safely",
    "safer",
    "safest",
    "rule out",
    "ruled out",
    "rules out",
    "ruling out",
    "exclude",
    "excludes",
    "excluded",
    "excluding",
    "normal*",
    "all clear",
    "all-clear",
    "in the clear",
    "cleared",
    "reassur*",
    "stable",
    "stabilised",
    "stabilized",
    "healthy",
    "unremarkable",
    "benign",
    "harmless",
    "no danger",
    "out of danger",
    "not dangerous",
    "no risk",
    "low risk",
    "not at risk",
    "no longer at risk",
    "no concern",
    "no concerns",
    "not a concern",
    "no cause for",
    "no reason to",
    "no sign of",
    "no signs of",
    "no evidence of",
    "no problem",
    "nothing wrong",
    "all is well",
    "all well",
    "is well",
    "looks well",
    "looks good",
    "fine",
    "ok",
    "okay",
    "satisfactory",
    "satisfying",
    "acceptable",
    "adequate*",
    "sufficient perfusion",
    "well perfused",
    "well-perfused",
    "perfusion is good",
    "good perfusion",
    "within limits",
    "within range",
    "within the limits",
    "viable",
    "unlikely",
    "negative for",
    "has recovered",
    "has improved",
    "is improving",
    // Nothing to be done.
    "no action",
    "no need",
    "no further",
    "need not",
    "not needed",
    "not necessary",
    "unnecessary",
    "not indicated",
    "not called for",
    "nothing to do",
    "nothing more to do",
    "not to worry",
    "don't worry",
    "do not worry",
    "no worry",
    "no fasciotomy",
    "not need fasciotomy",
    "without fasciotomy",
    "no surgery",
    "no operation",
    "no treatment is",
    "be sent home",
    "be discharged",
    "go home",
    "ignore this",
    "can be ignored",
    "may be ignored",
    "stop measuring",
    "stop monitoring",
    // A diagnosis.
    "no compartment syndrome",
    "not compartment syndrome",
    "has compartment syndrome",
    "is compartment syndrome",
    "compartment syndrome is",
    "indicates compartment syndrome",
    "suggests compartment syndrome",
    "consistent with compartment syndrome",
    "suspected compartment syndrome",
    "probable compartment syndrome",
    "established compartment syndrome",
    "confirms compartment",
    "confirmed compartment",
    "diagnosed",
    "diagnosis of",
    "diagnostic of",
    "diagnoses",
    "is diagnostic",
    "positive for",
    // Leave to wait.
    "wait*",
    "await*",
    "postpone*",
    "defer treatment",
    "defer surgery",
    "may delay",
    "can delay",
    "can be delayed",
    "may be delayed",
    "delay is acceptable",
    "hold off",
    "not urgent",
    "not an emergency",
    "no emergency",
    "no urgency",
    "no hurry",
    "no rush",
    "take your time",
    "can be left",
    "may be left",
    "later is enough",
    "until morning",
    "until tomorrow",
    "in the morning",
    "tomorrow",
    "next round",
    "when convenient",
    "at leisure",
    "recheck in",
    "check again in",
    "remeasure in",
    "measure again in",
    "examine again in",
    "observe only",
    "only observe",
    "just observe",
    "watchful",
    "watch and see",
];

/// The cautions that need a forbidden phrase, each a full sentence: they are taken out before a
/// text is searched. Nothing else that contains such a phrase may stand.
pub const ALLOWED: &[&str] = &[
    // AAOS 2018, the strongest statement there is; in two forms.
    "Repeated or continuous delta pressure above 30 mmHg is what helps to rule out (AAOS 2018); one reading does not.",
    "Only repeated or continuous delta pressure above 30 mmHg is what helps to rule out.",
    // BOAST 10 (2014), AAOS Now 2019, Ulmer 2002, Whitney 2014, Heckman 1994: see the cautions.
    "Acute compartment syndrome is a clinical diagnosis; pain out of proportion and pain on passive stretch come first.",
    "Palpable pulses and absent signs do not exclude it: signs have a sensitivity of 13 to 19 %.",
    "One reading over-calls (35 % of limbs nobody suspected, measured once), and one higher reading does not exclude it.",
    // What this service is, in the README and the profiles.
    "It never says that a limb is safe, never names a diagnosis and never asks anyone to wait.",
    "Never an all-clear.",
];

/// The first phrase of [`FORBIDDEN`] that stands in `text` outside the [`ALLOWED`] sentences, if
/// any. Line breaks and repeated blanks do not divide a phrase. Also for the rule sheet's own
/// sentences, which a site can write.
pub fn forbidden_in(text: &str) -> Option<&'static str> {
    let text = without_allowed(text);
    let found = FORBIDDEN.iter().copied().find(|phrase| says(&text, phrase));
    found.map(|phrase| phrase.trim_end_matches('*'))
}

/// In lower case, with single blanks, and without the allowed sentences.
fn without_allowed(text: &str) -> String {
    let mut text = flat(text);
    for sentence in ALLOWED {
        // What stands on either side must not grow together into a phrase.
        text = text.replace(&flat(sentence), " \u{b7} ");
    }
    text
}

fn flat(text: &str) -> String {
    let words: Vec<&str> = text.split_whitespace().collect();
    words.join(" ").to_lowercase()
}

/// True when `phrase` stands in `text` as whole words: "safe" is not in "unsafe" or "safety".
fn says(text: &str, phrase: &str) -> bool {
    let (phrase, any_ending) = match phrase.strip_suffix('*') {
        Some(start) => (start, true),
        None => (phrase, false),
    };
    text.match_indices(phrase).any(|(at, _)| {
        let before = text[..at].chars().next_back();
        let after = text[at + phrase.len()..].chars().next();
        !before.is_some_and(char::is_alphanumeric) && (any_ending || !after.is_some_and(char::is_alphanumeric))
    })
}
