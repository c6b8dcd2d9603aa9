//! Search parameters, encoded. Pure.

use crate::delivery::client::encode;
use crate::fhir::Instant;

/// Longest address that is sent; many servers and proxies refuse more than 8 KiB.
pub const MAX_URL_BYTES: usize = 6_000;
/// Room kept for everything but base and codes (patient, times, sort, count).
const OTHER_PARAMETERS_BYTES: usize = 400;

/// One `code=` value (system|code pairs, comma separated, encoded) for each search that is needed
/// to keep the address below [`MAX_URL_BYTES`]. The order of the codes is kept.
pub fn code_values(codes: &[(String, String)], base_bytes: usize) -> Vec<String> {
    let budget = MAX_URL_BYTES.saturating_sub(base_bytes + OTHER_PARAMETERS_BYTES);
    let mut values: Vec<String> = Vec::new();
    for (system, code) in codes {
        let token = if system.is_empty() {
            encode(&escape(code))
        } else {
            encode(&format!("{}|{}", escape(system), escape(code)))
        };
        match values.last_mut() {
            Some(value) if value.len() + 1 + token.len() <= budget => {
                value.push(',');
                value.push_str(&token);
            }
            _ => values.push(token),
        }
    }
    values
}

/// FHIR R4 §3.1.1.4.0.1: `$`, `,`, `|` and `\` inside a value are escaped with a backslash.
fn escape(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for character in text.chars() {
        if matches!(character, '$' | ',' | '|' | '\\') {
            escaped.push('\\');
        }
        escaped.push(character);
    }
    escaped
}

/// `_lastUpdated` search: everything changed at or after `from`, oldest first.
pub fn changed_since(codes: &str, patient: Option<&str>, from: Instant, count: usize) -> String {
    let patient = patient
        .map(|patient| format!("patient={}&", encode(patient)))
        .unwrap_or_default();
    format!(
        "{patient}code={codes}&_lastUpdated=ge{}&_sort=_lastUpdated&_count={count}",
        encode(&from.to_string())
    )
}

/// Clinical time search: a patient's Observations effective from `from` to `to`.
pub fn effective_between(codes: &str, patient: &str, from: Instant, to: Instant, count: usize) -> String {
    format!(
        "patient={}&code={codes}&date=ge{}&date=le{}&_count={count}",
        encode(patient),
        encode(&from.to_string()),
        encode(&to.to_string())
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_plus_and_a_separator_inside_a_code_arrive_as_they_are() {
        let codes = [
            (String::from("http://x/a+b"), String::from("1,2")),
            (String::new(), String::from("p|q")),
        ];
        assert_eq!(code_values(&codes, 0), ["http%3A%2F%2Fx%2Fa%2Bb%7C1%5C%2C2,p%5C%7Cq"]);
    }

    #[test]
    fn many_codes_become_several_searches_of_bounded_length() {
        let codes: Vec<_> = (0..400)
            .map(|n| (String::from("http://loinc.org"), format!("{n}-0")))
            .collect();
        let values = code_values(&codes, 60);
        assert!(values.len() > 1);
        assert!(
            values
                .iter()
                .all(|value| value.len() + 60 + OTHER_PARAMETERS_BYTES <= MAX_URL_BYTES)
        );
        assert_eq!(values.iter().map(|value| value.split(',').count()).sum::<usize>(), 400);
    }
}
