//! What is wrong with a JSON text, said without repeating its content.

/// What is wrong with the text, by the error that serde_json gave for it.
pub(super) fn describe(json: &str, error: &serde_json::Error) -> String {
    let (line, column) = (error.line(), error.column());
    if !error.is_data() {
        return format!("not JSON: line {line}, column {column}");
    }
    let path = path_at(json, offset(json, line, column));
    // Only names of elements that are read can stand in the path, never content.
    let what = if error.to_string().starts_with("duplicate field") {
        "is given twice"
    } else {
        "does not have the JSON type that FHIR gives it"
    };
    if path.is_empty() {
        return format!("the resource {what}");
    }
    format!("{path} {what}")
}

fn offset(json: &str, line: usize, column: usize) -> usize {
    let start: usize = json
        .split_inclusive('\n')
        .take(line.saturating_sub(1))
        .map(str::len)
        .sum();
    (start + column).min(json.len())
}

/// The path of the element that is open at byte `end`: `component[1].code`.
fn path_at(json: &str, end: usize) -> String {
    enum Level {
        Object(String),
        Array(usize),
    }
    let bytes = json.as_bytes();
    let mut levels: Vec<Level> = Vec::new();
    let mut expects_key = false;
    let mut at = 0;
    while at < end {
        match bytes[at] {
            b'{' => {
                levels.push(Level::Object(String::new()));
                expects_key = true;
            }
            b'[' => {
                levels.push(Level::Array(0));
                expects_key = false;
            }
            b'}' | b']' => {
                levels.pop();
                expects_key = false;
            }
            b',' => match levels.last_mut() {
                Some(Level::Array(index)) => *index += 1,
                _ => expects_key = true,
            },
            b'"' => {
                let start = at + 1;
                at = string_end(bytes, start).min(end);
                if let (true, Some(Level::Object(key))) = (expects_key, levels.last_mut()) {
                    *key = String::from_utf8_lossy(&bytes[start.min(at)..at]).into_owned();
                    expects_key = false;
                }
            }
            _ => {}
        }
        at += 1;
    }
    let mut path = String::new();
    for level in &levels {
        match level {
            Level::Object(key) if path.is_empty() => path.push_str(key),
            Level::Object(key) if key.is_empty() => {}
            Level::Object(key) => {
                path.push('.');
                path.push_str(key);
            }
            Level::Array(index) => path.push_str(&format!("[{index}]")),
        }
    }
    path
}

/// Index of the quote that closes the string whose content starts at `at`.
fn string_end(bytes: &[u8], mut at: usize) -> usize {
    while at < bytes.len() && bytes[at] != b'"' {
        at += if bytes[at] == b'\\' { 2 } else { 1 };
    }
    at.min(bytes.len())
}

/// True when objects and arrays nest deeper than `limit`. The parser skips unread elements without
/// counting their depth, so it is counted here.
pub(super) fn deeper_than(json: &str, limit: usize) -> bool {
    let bytes = json.as_bytes();
    // `[` and `{` differ in one bit. A text with few of them cannot be deep: the common case.
    let openings: usize = bytes.chunks(128).map(|chunk| usize::from(openings_in(chunk))).sum();
    if openings <= limit {
        return false;
    }
    let mut depth = 0_usize;
    let mut at = 0;
    while at < bytes.len() {
        match bytes[at] {
            b'{' | b'[' => {
                depth += 1;
                if depth > limit {
                    return true;
                }
            }
            b'}' | b']' => depth = depth.saturating_sub(1),
            b'"' => at = string_end(bytes, at + 1),
            _ => {}
        }
        at += 1;
    }
    false
}

/// At most 128 bytes, so that the count fits one byte and the loop becomes vector instructions.
fn openings_in(chunk: &[u8]) -> u8 {
    chunk.iter().map(|byte| u8::from(byte | 0x20 == b'{')).sum()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::fhir::json::DEPTH_MAX;
    use crate::fhir::observation::parse;

    #[test]
    fn depth_is_counted_outside_strings_and_in_unread_elements() {
        let deep = |depth: usize| format!("{}{}{}", r#"{"x":"#, "[".repeat(depth - 1), "]".repeat(depth - 1)) + "}";
        assert!(!deeper_than(&deep(DEPTH_MAX), DEPTH_MAX));
        assert!(deeper_than(&deep(DEPTH_MAX + 1), DEPTH_MAX));
        assert!(parse(&deep(DEPTH_MAX)).is_ok());
        assert_eq!(parse(&deep(DEPTH_MAX + 1)).unwrap_err(), "nested deeper than 64");
        assert!(!deeper_than(&format!(r#"{{"x":"{}\"["}}"#, "[".repeat(100)), DEPTH_MAX));
        assert!(!deeper_than(&format!("[{}0]", "[],".repeat(500)), DEPTH_MAX));
    }
}
