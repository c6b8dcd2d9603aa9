//! JSON as text: what is sent is kept digit for digit.
//!
//! A FHIR decimal `70.00` is not `70.0`, so a resource is never turned into numbers here. Its top
//! level is taken apart into members whose text stays as sent; references are rewritten in the
//! text itself.

use super::problem::Problem;
use crate::fhir::outcome::IssueType;
use crate::recognise::reading::Version;
use serde::de::{Deserialize, Deserializer, Error as _, MapAccess, Visitor};
use serde_json::value::{RawValue, to_raw_value};
use serde_json::{Value, json};
use std::borrow::Cow;
use std::fmt;

/// Line and column, both from 1, of a byte position.
fn place(text: &[u8], position: usize) -> (usize, usize) {
    let before = text.get(..position).unwrap_or(text);
    let line = before.iter().filter(|byte| **byte == b'\n').count() + 1;
    let start = before.iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1);
    (line, position - start + 1)
}

/// The text of a body: UTF-8, no byte order mark, not nested deeper than `max_depth`.
///
/// # Errors
/// 400 with line and column.
pub fn checked_text(bytes: &[u8], max_depth: usize) -> Result<&str, Problem> {
    if bytes.starts_with(b"\xEF\xBB\xBF") {
        return Err(Problem::invalid(
            "The body begins with a byte order mark, which JSON does not allow (line 1, column 1).",
        ));
    }
    let text = std::str::from_utf8(bytes).map_err(|error| {
        let (line, column) = place(bytes, error.valid_up_to());
        Problem::invalid(format!("The body is not UTF-8 (line {line}, column {column})."))
    })?;
    if text.trim().is_empty() {
        return Err(Problem::invalid(
            "The body is empty; a FHIR resource in JSON is expected.",
        ));
    }
    check_depth(bytes, max_depth)?;
    Ok(text)
}

/// Counts brackets outside strings, without recursion and before anything is parsed.
fn check_depth(bytes: &[u8], max_depth: usize) -> Result<(), Problem> {
    let (mut depth, mut in_string, mut escaped) = (0_usize, false, false);
    for (position, byte) in bytes.iter().enumerate() {
        match (in_string, *byte) {
            (true, _) if escaped => escaped = false,
            (true, b'\\') => escaped = true,
            (_, b'"') => in_string = !in_string,
            (true, _) => {}
            (false, b'{' | b'[') => {
                depth += 1;
                if depth > max_depth {
                    let (line, column) = place(bytes, position);
                    let text =
                        format!("The body is nested deeper than {max_depth} levels (line {line}, column {column}).");
                    return Err(Problem::new(
                        axum::http::StatusCode::BAD_REQUEST,
                        IssueType::TooLong,
                        text,
                    ));
                }
            }
            (false, b'}' | b']') => depth = depth.saturating_sub(1),
            (false, _) => {}
        }
    }
    Ok(())
}

/// A serde_json error as 400; serde_json's own words end in line and column.
pub fn parse_problem(error: &serde_json::Error) -> Problem {
    Problem::new(
        axum::http::StatusCode::BAD_REQUEST,
        IssueType::Structure,
        format!(
            "The body cannot be read as a FHIR resource in JSON: {}.",
            without_content(&error.to_string())
        ),
    )
}

/// serde repeats a value of a wrong type as a whole, which may be long and a patient's; its kind
/// (`string`, `integer`) is enough.
fn without_content(said: &str) -> String {
    let wrong_type = said.strip_prefix("invalid type: ").zip(said.rfind(", expected "));
    match wrong_type {
        Some((value, end)) => {
            let kind = value.split(['"', '`', ',']).next().unwrap_or_default().trim_end();
            format!("invalid type: {kind}{}", &said[end..])
        }
        None => said.to_owned(),
    }
}

/// The members of one JSON object, in order, their values as sent.
#[derive(Clone, Debug)]
pub struct Members(Vec<(String, Box<RawValue>)>);

impl<'de> Deserialize<'de> for Members {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Read;
        impl<'de> Visitor<'de> for Read {
            type Value = Members;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a JSON object")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Members, A::Error> {
                let mut members: Vec<(String, Box<RawValue>)> = Vec::new();
                while let Some(key) = map.next_key::<String>()? {
                    if members.iter().any(|(known, _)| *known == key) {
                        let key = crate::fhir::shorten(&key, 40);
                        return Err(A::Error::custom(format!("the key {key:?} stands twice")));
                    }
                    if members.len() == 1000 {
                        return Err(A::Error::custom("more than 1000 keys in one object"));
                    }
                    members.push((key, map.next_value()?));
                }
                Ok(Members(members))
            }
        }
        deserializer.deserialize_map(Read)
    }
}

impl Members {
    /// Take a resource apart.
    ///
    /// # Errors
    /// 400 with line and column: not JSON, not an object, a key twice, text after the end, an
    /// escape that is no character.
    pub fn parse(text: &str) -> Result<Self, Problem> {
        let members: Self = serde_json::from_str(text).map_err(|error| parse_problem(&error))?;
        check_escapes(text)?;
        Ok(members)
    }

    /// A member as sent.
    pub fn get(&self, key: &str) -> Option<&RawValue> {
        self.0
            .iter()
            .find(|(known, _)| known == key)
            .map(|(_, value)| value.as_ref())
    }

    /// A member that is a string.
    pub fn string(&self, key: &str) -> Option<String> {
        self.get(key).and_then(|raw| serde_json::from_str(raw.get()).ok())
    }

    /// Set a member: in its old place, or at `place` when it is new.
    fn set(&mut self, key: &str, place: usize, value: Box<RawValue>) {
        match self.0.iter_mut().find(|(known, _)| known == key) {
            Some(member) => member.1 = value,
            None => self.0.insert(place.min(self.0.len()), (key.to_owned(), value)),
        }
    }

    /// Set the logical id.
    pub fn set_id(&mut self, id: &str) {
        if let Ok(value) = to_raw_value(id) {
            self.set("id", 1, value);
        }
    }

    /// Drop what the server sets (meta.versionId, meta.lastUpdated), so that a resource read from
    /// here and sent back unchanged is the same text.
    pub fn drop_server_meta(&mut self) {
        let Some(mut meta) = self.meta() else { return };
        meta.0.retain(|(key, _)| key != "versionId" && key != "lastUpdated");
        if meta.0.is_empty() {
            self.0.retain(|(key, _)| key != "meta");
        } else if let Ok(raw) = RawValue::from_string(meta.to_json()) {
            self.set("meta", 2, raw);
        }
    }

    fn meta(&self) -> Option<Members> {
        self.get("meta").and_then(|raw| serde_json::from_str(raw.get()).ok())
    }

    /// The object again, without white space between its members.
    pub fn to_json(&self) -> String {
        let member = |(key, value): &(String, Box<RawValue>)| key.len() + value.get().len() + "\"\":,".len();
        let mut text = String::with_capacity(2 + self.0.iter().map(member).sum::<usize>());
        text.push('{');
        for (index, (key, value)) in self.0.iter().enumerate() {
            if index > 0 {
                text.push(',');
            }
            if key.bytes().all(|byte| byte.is_ascii_alphanumeric()) {
                text.push('"');
                text.push_str(key);
                text.push('"');
            } else {
                text.push_str(&Value::from(key.as_str()).to_string());
            }
            text.push(':');
            text.push_str(value.get());
        }
        text.push('}');
        text
    }
}

/// A body that was just committed as `Store::read` will serve it: with its id, meta.versionId and
/// meta.lastUpdated.
pub fn as_served(body: &str, id: &str, version: &Version) -> String {
    let Ok(mut members) = serde_json::from_str::<Members>(body) else {
        return body.to_owned();
    };
    let mut meta = members.meta().unwrap_or(Members(Vec::new()));
    let version_id = Some(version.id.to_string()).filter(|id| !id.is_empty());
    let updated = version.last_updated.map(|at| at.to_string());
    for (place, (key, text)) in [("versionId", version_id), ("lastUpdated", updated)]
        .into_iter()
        .enumerate()
    {
        if let Some(raw) = text.and_then(|text| to_raw_value(&text).ok()) {
            meta.set(key, place, raw);
        }
    }
    members.set_id(id);
    if let Ok(raw) = RawValue::from_string(meta.to_json()) {
        members.set("meta", 2, raw);
    }
    members.to_json()
}

/// One string of a JSON text.
pub struct Token<'a> {
    /// Position of its opening quote.
    start: usize,
    /// Position after its closing quote.
    end: usize,
    /// The string with its quotes and escapes.
    raw: &'a str,
    /// True for an object's key.
    is_key: bool,
    /// The key (raw) whose value this string is, when it is one.
    key: Option<&'a str>,
}

impl Token<'_> {
    /// The characters that it stands for.
    pub fn decoded(&self) -> Option<Cow<'_, str>> {
        if self.raw.contains('\\') {
            serde_json::from_str::<String>(self.raw).ok().map(Cow::Owned)
        } else {
            self.raw.get(1..self.raw.len().saturating_sub(1)).map(Cow::Borrowed)
        }
    }

    /// True for the value of `Reference.reference`.
    pub fn is_reference(&self) -> bool {
        self.key == Some("\"reference\"")
    }
}

/// Every string of a well-formed JSON text, in order.
fn tokens(text: &str) -> impl Iterator<Item = Token<'_>> {
    let bytes = text.as_bytes();
    let mut position = 0;
    let mut last_key: Option<&str> = None;
    let mut after_colon = false;
    std::iter::from_fn(move || {
        while position < bytes.len() {
            match bytes[position] {
                b'"' => break,
                b':' => after_colon = true,
                byte if !byte.is_ascii_whitespace() => after_colon = false,
                _ => {}
            }
            position += 1;
        }
        if position >= bytes.len() {
            return None;
        }
        let start = position;
        position += 1;
        while position < bytes.len() && bytes[position] != b'"' {
            position += if bytes[position] == b'\\' { 2 } else { 1 };
        }
        let end = (position + 1).min(bytes.len());
        position = end;
        let raw = text.get(start..end)?;
        let is_key = bytes[end..].iter().find(|byte| !byte.is_ascii_whitespace()) == Some(&b':');
        let key = if is_key || !after_colon { None } else { last_key };
        if is_key {
            last_key = Some(raw);
        }
        after_colon = false;
        Some(Token {
            start,
            end,
            raw,
            is_key,
            key,
        })
    })
}

fn check_escapes(text: &str) -> Result<(), Problem> {
    for token in tokens(text).filter(|token| token.raw.contains('\\')) {
        if token.decoded().is_none() {
            let (line, column) = place(text.as_bytes(), token.start);
            return Err(Problem::invalid(format!(
                "A string holds an escape that stands for no character (line {line}, column {column})."
            )));
        }
    }
    Ok(())
}

/// The text with every string value replaced for which `replace` gives another one.
pub fn rewrite_strings(text: &str, mut replace: impl FnMut(&Token<'_>, &str) -> Option<String>) -> String {
    let mut rewritten = String::with_capacity(text.len());
    let mut copied = 0;
    for token in tokens(text).filter(|token| !token.is_key) {
        let new = token.decoded().and_then(|value| replace(&token, &value));
        if let Some(new) = new {
            rewritten.push_str(&text[copied..token.start]);
            rewritten.push_str(&json!(new).to_string());
            copied = token.end;
        }
    }
    rewritten.push_str(&text[copied..]);
    rewritten
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn members_keep_digits_and_order() {
        let mut members =
            Members::parse(r#"{ "resourceType":"X", "value": 70.00, "meta":{"versionId":"9","tag":[1.50]}}"#).unwrap();
        members.drop_server_meta();
        members.set_id("a");
        assert_eq!(
            members.to_json(),
            r#"{"resourceType":"X","id":"a","value":70.00,"meta":{"tag":[1.50]}}"#
        );
    }

    #[test]
    fn a_fault_names_the_kind_of_a_value_and_not_the_value() {
        let said = |text: &str| Members::parse(text).unwrap_err().issues[0].diagnostics.clone();
        let secret = format!("\"{} , expected x\"", "Invented Name ".repeat(1000));
        let string = said(&secret);
        assert!(
            string.contains("invalid type: string, expected a JSON object at line 1"),
            "{string}"
        );
        assert!(said("17").contains("invalid type: integer, expected"), "{}", said("17"));
        assert!(
            said("null").contains("invalid type: null, expected"),
            "{}",
            said("null")
        );
        let twice = said(&format!("{{{secret}:1,{secret}:2}}"));
        assert!(twice.contains("stands twice at line 1") && twice.len() < 200, "{twice}");
    }

    #[test]
    fn rewriting_touches_values_only() {
        let text = r#"{"urn:a":"urn:a","x":["urn:a", "b\"urn:a"],"reference" : "urn:\u0061"}"#;
        let mut references = 0;
        let rewritten = rewrite_strings(text, |token, value| {
            references += usize::from(token.is_reference());
            (value == "urn:a").then(|| String::from("P/1"))
        });
        assert_eq!(
            rewritten,
            r#"{"urn:a":"P/1","x":["P/1", "b\"urn:a"],"reference" : "P/1"}"#
        );
        assert_eq!(references, 1);
    }

    #[test]
    fn depth_ignores_brackets_in_strings() {
        assert!(check_depth(br#"{"a":"[[[[\"[["}"#, 1).is_ok());
        let problem = check_depth(b"[\n [[]]]", 2).unwrap_err();
        assert!(problem.issues[0].diagnostics.contains("line 2, column 3"));
    }
}
