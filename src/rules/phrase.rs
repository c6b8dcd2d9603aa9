//! The placeholders of a rule's sentences.

/// Every placeholder that a sentence may use.
pub const PLACEHOLDERS: &[&str] = &[
    "delta",
    "comparator",
    "upper",
    "minutes",
    "count",
    "pressure",
    "at_or_above",
    "delta_or_none",
    "before",
    "after",
    "last_diastolic",
    "diastolic",
    "low",
    "high",
    "reason",
    "gap",
    "slope",
    "slope_low",
    "slope_high",
    "trend_count",
    "trend_minutes",
    "reach",
    "mean_delta",
    "apart",
    "difference",
    "other",
    "other_delta",
    "overdue",
    "minutes_allowed",
];

/// Check that a sentence uses only known placeholders.
///
/// # Errors
/// Names the unknown placeholder or the unclosed brace, and lists the known ones.
pub fn check(sentence: &str) -> Result<(), String> {
    for piece in sentence.split('{').skip(1) {
        let Some((name, rest)) = piece.split_once('}') else {
            return Err("a brace is not closed".into());
        };
        if rest.contains('}') {
            return Err(format!("a brace too many after {{{name}}}"));
        }
        if !PLACEHOLDERS.contains(&name) {
            return Err(format!(
                "unknown placeholder {{{name}}}; known are {}",
                PLACEHOLDERS.join(", ")
            ));
        }
    }
    Ok(())
}

/// Fill in a checked sentence; a placeholder without a value becomes "?".
pub fn fill(sentence: &str, value: impl Fn(&str) -> Option<String>) -> String {
    let mut pieces = sentence.split('{');
    let mut text = pieces.next().unwrap_or_default().to_owned();
    for piece in pieces {
        if let Some((name, rest)) = piece.split_once('}') {
            text.push_str(&value(name).unwrap_or_else(|| String::from("?")));
            text.push_str(rest);
        }
    }
    text
}
