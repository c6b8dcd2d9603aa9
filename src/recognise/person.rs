//! What of a Patient is read: the birth date, which says whose sheet judges, and a label to show.

use serde::Deserialize;
use serde_json::Value;
use serde_json::value::RawValue;

/// Who a patient is.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Person {
    /// Patient.birthDate as sent (`2012`, `2012-03`, `2012-03-14`).
    pub birth_date: Option<String>,
    /// A name to show on the page; never logged.
    pub label: Option<String>,
}

#[derive(Default, Deserialize)]
struct PersonView<'a> {
    #[serde(rename = "birthDate", borrow)]
    birth_date: Option<&'a RawValue>,
    #[serde(borrow)]
    name: Option<&'a RawValue>,
}

/// Birth date and a label for the page from a Patient (JSON text); whatever cannot be read is left
/// out, and one odd element does not take the others with it.
pub fn person(body: &str) -> Person {
    // Part by part: a number that no Value holds (1e999), anywhere, takes its own part only.
    let part = |raw: Option<&RawValue>| raw.and_then(|raw| serde_json::from_str::<Value>(raw.get()).ok());
    let person: PersonView<'_> = serde_json::from_str(body).unwrap_or_default();
    let names = person
        .name
        .and_then(|raw| serde_json::from_str::<Vec<&RawValue>>(raw.get()).ok());
    let names: Vec<Value> = names.into_iter().flatten().filter_map(|raw| part(Some(raw))).collect();
    let text = |value: &Value| {
        value
            .as_str()
            .map(str::trim)
            .filter(|text| !text.is_empty())
            .map(str::to_owned)
    };
    let label = names.iter().find_map(|name| {
        let given = name["given"].as_array().into_iter().flatten();
        let parts: Vec<String> = given.chain([&name["family"]]).filter_map(text).collect();
        text(&name["text"]).or_else(|| Some(parts.join(" ")).filter(|label| !label.is_empty()))
    });
    Person {
        birth_date: part(person.birth_date).as_ref().and_then(text),
        label,
    }
}
