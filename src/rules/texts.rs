//! What no text of a sheet may hold: a site writes them, and they stand in messages and on pages.

use crate::outbox::wording::forbidden_in;

/// What is wrong with a text, if anything.
pub(super) fn fault_in(text: &str) -> Option<String> {
    if let Some(odd) = text.chars().find(|character| is_hidden(*character)) {
        return Some(format!(
            "holds the character U+{:04X}, which cannot be seen or divides lines; take it out",
            u32::from(odd)
        ));
    }
    if let Some(word) = text.split_whitespace().find(|word| is_mixed(word)) {
        return Some(format!(
            "mixes alphabets in {word:?}; a letter that only looks like another passes every check of words"
        ));
    }
    forbidden_in(text).map(|phrase| {
        format!("says {phrase:?}; no sentence may say or suggest that a limb is well or that anyone can wait")
    })
}

/// Control characters, line breaks, and marks without width.
fn is_hidden(character: char) -> bool {
    character.is_control()
        || matches!(character, '\u{ad}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{2064}' | '\u{feff}')
}

/// Latin letters beside Greek or Cyrillic ones in one word.
fn is_mixed(word: &str) -> bool {
    let latin = word.chars().any(|letter| letter.is_ascii_alphabetic());
    let other =
        |letter: char| matches!(letter, '\u{370}'..='\u{3ff}' | '\u{400}'..='\u{52f}') && letter.is_alphabetic();
    latin && word.chars().any(other)
}
