//! Search parameters of a resource, taken at write time, so that a search reads indexes only.

use crate::fhir::{Instant, datetime};
use serde::de::{Deserialize, Deserializer, IgnoredAny, MapAccess, Visitor};
use serde_json::{Map, Value};
use std::borrow::Cow;
use std::fmt;

/// What can be searched for (FHIR R4 search parameters of Observation, Procedure, Communication,
/// Device and Patient, as far as `SearchQuery` has them). What is malformed is absent.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Parameters {
    /// `subject.reference`.
    pub subject: Option<String>,
    /// `status`.
    pub status: Option<String>,
    /// Earliest and latest moment of `effective[x]` or `performed[x]`; an open end of a Period is the end of time.
    pub effective: Option<(Instant, Instant)>,
    /// `code.coding[*]` as (system, code). FHIR's `code` does not look into components.
    pub codes: Vec<(String, String)>,
    /// `identifier[*]` as (system, value).
    pub identifiers: Vec<(String, String)>,
}

impl Parameters {
    /// Of a body as text; nothing when it is not JSON.
    pub(crate) fn of_text(body: &str) -> Self {
        serde_json::from_str(body).map_or_else(|_| Self::default(), |Searched(value)| Self::of(&value))
    }

    /// Of a body as a value.
    pub(crate) fn of(body: &Value) -> Self {
        Self {
            subject: text(&body["subject"]["reference"]),
            status: text(&body["status"]),
            effective: effective(body),
            codes: pairs(&body["code"]["coding"], "code"),
            identifiers: pairs(&body["identifier"], "value"),
        }
    }
}

/// The elements that `Parameters::of` looks at; the others are passed over, as most of a body.
const SEARCHED: [&str; 9] = [
    "subject",
    "status",
    "effectiveDateTime",
    "effectiveInstant",
    "performedDateTime",
    "effectivePeriod",
    "performedPeriod",
    "code",
    "identifier",
];

/// An object of the searched elements.
struct Searched(Value);

impl<'de> Deserialize<'de> for Searched {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Object;
        impl<'de> Visitor<'de> for Object {
            type Value = Searched;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a JSON object")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
                let mut found = Map::new();
                while let Some(key) = map.next_key::<Cow<'de, str>>()? {
                    if SEARCHED.contains(&key.as_ref()) {
                        found.insert(key.into_owned(), map.next_value()?);
                    } else {
                        map.next_value::<IgnoredAny>()?;
                    }
                }
                Ok(Searched(Value::Object(found)))
            }
        }
        deserializer.deserialize_map(Object)
    }
}

fn text(value: &Value) -> Option<String> {
    value.as_str().map(str::to_owned)
}

/// (system, `name`) of each entry; the system is empty when it is absent, as FHIR's `|code` asks.
fn pairs(list: &Value, name: &str) -> Vec<(String, String)> {
    let entries = list.as_array().map(Vec::as_slice).unwrap_or_default();
    let mut pairs: Vec<_> = entries
        .iter()
        .filter_map(|entry| Some((text(&entry["system"]).unwrap_or_default(), text(&entry[name])?)))
        .collect();
    pairs.sort();
    pairs.dedup();
    pairs
}

fn effective(body: &Value) -> Option<(Instant, Instant)> {
    let span = |value: &Value| datetime::parse(value.as_str()?).ok();
    for element in ["effectiveDateTime", "effectiveInstant", "performedDateTime"] {
        if let Some(span) = span(&body[element]) {
            return Some((span.earliest, span.latest));
        }
    }
    let mut periods = ["effectivePeriod", "performedPeriod"].into_iter();
    let period = periods.find_map(|element| body[element].as_object())?;
    let start = period.get("start").map(span);
    let end = period.get("end").map(span);
    match (start, end) {
        (None, None) | (Some(None), _) | (_, Some(None)) => None,
        (start, end) => Some((
            start
                .flatten()
                .map_or(Instant::from_millis(i64::MIN), |span| span.earliest),
            end.flatten().map_or(Instant::from_millis(i64::MAX), |span| span.latest),
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn codes_of_the_observation_but_not_of_its_components() {
        let found = Parameters::of(&json!({
            "status": "final",
            "subject": {"reference": "Patient/1"},
            "code": {"coding": [{"system": "http://loinc.org", "code": "85354-9"}, {"code": "local"}, {"system": "x"}]},
            "component": [{"code": {"coding": [{"system": "http://loinc.org", "code": "8462-4"}]}}],
            "identifier": [{"system": "urn:a", "value": "7"}, {"value": "8"}]
        }));
        let pair = |system: &str, value: &str| (system.to_owned(), value.to_owned());
        assert_eq!(found.codes, [pair("", "local"), pair("http://loinc.org", "85354-9")]);
        assert_eq!(found.identifiers, [pair("", "8"), pair("urn:a", "7")]);
        assert_eq!(found.status.as_deref(), Some("final"));
        assert_eq!(found.subject.as_deref(), Some("Patient/1"));
        assert_eq!(found.effective, None);
    }

    #[test]
    fn a_procedure_is_found_by_when_it_was_performed() {
        let open = json!({"resourceType": "Procedure", "performedPeriod": {"start": "2026-03-05T20:00:00Z"}});
        // `date -u -d 2026-03-05T20:00:00Z +%s`
        let start = Instant::from_millis(1_772_740_800_000);
        let end = Instant::from_millis(i64::MAX);
        assert_eq!(Parameters::of(&open).effective, Some((start, end)));
        let moment = json!({"resourceType": "Procedure", "performedDateTime": "2026-03-05T20:00:00Z"});
        assert_eq!(Parameters::of(&moment).effective, Some((start, start)));
    }

    #[test]
    fn what_is_malformed_is_absent() {
        let odd = r#"{"status": 3, "code": "x", "identifier": {}, "subject": [], "effectivePeriod": {}}"#;
        assert_eq!(Parameters::of_text(odd), Parameters::default());
        assert_eq!(Parameters::of_text("not JSON"), Parameters::default());
    }
}
