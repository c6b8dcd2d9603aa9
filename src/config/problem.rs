//! What is wrong with a configuration, with the place in the file.

use std::fmt;
use std::ops::Range;

/// Why there is no configuration.
#[derive(Debug, thiserror::Error)]
pub enum ConfigError {
    /// The file cannot be read.
    #[error(
        "the configuration file {file} cannot be read: {cause}; name an existing file, or none to run self-contained"
    )]
    Unreadable {
        /// The file.
        file: String,
        /// The system's words.
        cause: String,
    },
    /// The file says something that cannot be used: every fault that was found, at least one.
    #[error("{}", shown(.0))]
    Invalid(Vec<Problem>),
}

/// One fault.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// Where; None for one of the environment.
    pub place: Option<Place>,
    /// What is wrong and what to do.
    pub message: String,
}

/// A place in the file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// The file as it was named.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// How many characters of the line are meant, at least 1.
    pub width: usize,
    /// The line, with what may be a secret covered.
    pub text: String,
}

impl Place {
    /// The place of the bytes `span` in `text`, which is the content of `file`.
    pub(super) fn new(file: &str, text: &str, span: Range<usize>) -> Self {
        let start = floor_boundary(text, span.start);
        let end = floor_boundary(text, span.end).max(start);
        let line_start = text[..start].rfind('\n').map_or(0, |at| at + 1);
        let line = text[line_start..].lines().next().unwrap_or("");
        let in_line = text[start..end].lines().next().unwrap_or("");
        Self {
            file: file.to_owned(),
            line: text[..line_start].matches('\n').count() + 1,
            column: text[line_start..start].chars().count() + 1,
            width: in_line.chars().count().max(1),
            text: covered(line),
        }
    }
}

fn floor_boundary(text: &str, at: usize) -> usize {
    (0..=at.min(text.len()))
        .rev()
        .find(|&at| text.is_char_boundary(at))
        .unwrap_or(0)
}

/// The line without what may be a secret: operators paste error messages into tickets.
fn covered(line: &str) -> String {
    let lower = line.to_ascii_lowercase();
    let secret_key = ["token", "secret", "password"].iter().any(|word| lower.contains(word));
    let names_a_file = |key: &str| lower.trim_start().starts_with(key);
    let only_a_path = names_a_file("bearer_token_file") || names_a_file("token_file");
    let user_in_url = lower.split_once("://").is_some_and(|(_, rest)| rest.contains('@'));
    match line.split_once('=') {
        Some((key, _)) if (secret_key && !only_a_path) || user_in_url => format!("{key}= …"),
        None if secret_key || user_in_url => String::from("…"),
        _ => line.to_owned(),
    }
}

/// `file:line:column: message`, then the line with carets below what is meant.
impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Some(place) = &self.place else {
            return f.write_str(&self.message);
        };
        let Place { file, line, column, .. } = place;
        let margin = " ".repeat(line.to_string().len());
        // Tabs stay tabs, so that the carets stand where the terminal puts the text.
        let indent: String = place
            .text
            .chars()
            .chain(std::iter::repeat(' '))
            .take(column - 1)
            .collect();
        let indent: String = indent.chars().map(|one| if one == '\t' { '\t' } else { ' ' }).collect();
        writeln!(f, "{file}:{line}:{column}: {}", self.message)?;
        writeln!(f, "{margin} |")?;
        writeln!(f, "{line} | {}", place.text)?;
        write!(f, "{margin} | {indent}{}", "^".repeat(place.width))
    }
}

fn shown(problems: &[Problem]) -> String {
    let lines: Vec<String> = problems.iter().map(Problem::to_string).collect();
    lines.join("\n")
}
