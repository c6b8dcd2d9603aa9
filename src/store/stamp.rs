//! `id`, `meta.versionId` and `meta.lastUpdated` written into a body without touching anything
//! else in it: a number keeps every digit it was sent with (`5.30` stays `5.30`), members keep
//! their order.

use crate::fhir::Instant;
use serde::de::{Deserialize, Deserializer, MapAccess, Visitor};
use serde_json::Value;
use serde_json::value::RawValue;
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::fmt;

/// The members of a JSON object in their order, each value as the text that was sent.
struct Members<'a>(Vec<(String, Cow<'a, str>)>);

impl<'de: 'a, 'a> Deserialize<'de> for Members<'a> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Object;
        impl<'de> Visitor<'de> for Object {
            type Value = Members<'de>;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a JSON object")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
                let mut members = Vec::new();
                while let Some((key, raw)) = map.next_entry::<String, &'de RawValue>()? {
                    members.push((key, Cow::Borrowed(raw.get())));
                }
                Ok(Members(members))
            }
        }
        deserializer.deserialize_map(Object)
    }
}

impl Members<'_> {
    /// Give `key` this value: in its old place, or at `place` when it is new. A key that stands
    /// twice is left once, so that no reader can see the old value.
    fn set(&mut self, key: &str, place: usize, json: String) {
        let found = self.0.iter().position(|(name, _)| name == key);
        self.0.retain(|(name, _)| name != key);
        let at = found.unwrap_or(place).min(self.0.len());
        self.0.insert(at, (key.to_owned(), Cow::Owned(json)));
    }

    fn to_json(&self) -> String {
        let mut text = String::from("{");
        for (index, (key, raw)) in self.0.iter().enumerate() {
            if index > 0 {
                text.push(',');
            }
            text.push_str(&quoted(key));
            text.push(':');
            text.push_str(raw);
        }
        text.push('}');
        text
    }
}

fn quoted(text: &str) -> String {
    Value::from(text).to_string()
}

/// `body` with `id`, `meta.versionId` (unless `version_id` is empty) and `meta.lastUpdated` as
/// given. A body that is not a JSON object comes back as it is.
pub(crate) fn stamp(body: &str, id: &str, version_id: &str, last_updated: Instant) -> String {
    let Ok(mut resource) = serde_json::from_str::<Members<'_>>(body) else {
        return body.to_owned();
    };
    let sent_meta = resource.0.iter().find(|(key, _)| key == "meta");
    let mut meta = sent_meta
        .and_then(|(_, raw)| serde_json::from_str::<Members<'_>>(raw).ok())
        .unwrap_or(Members(Vec::new()));
    if !version_id.is_empty() {
        meta.set("versionId", 0, quoted(version_id));
    }
    meta.set("lastUpdated", 1, quoted(&last_updated.to_string()));
    let meta = meta.to_json();
    resource.set("id", 1, quoted(id));
    resource.set("meta", 2, meta);
    resource.to_json()
}

/// The text of a resource held as a value, stamped in the same way; None when it is not a JSON object.
pub(crate) fn stamped(body: &Value, id: &str, version: u64, last_updated: Instant) -> Option<String> {
    let resource = body.as_object()?;
    let mut meta = match resource.get("meta") {
        Some(Value::Object(meta)) => meta.clone(),
        _ => serde_json::Map::new(),
    };
    meta.insert("versionId".to_owned(), Value::from(version.to_string()));
    meta.insert("lastUpdated".to_owned(), Value::from(last_updated.to_string()));
    let (id, meta) = (Value::from(id), Value::Object(meta));
    let mut members: BTreeMap<&str, &Value> = resource.iter().map(|(key, value)| (key.as_str(), value)).collect();
    members.insert("id", &id);
    members.insert("meta", &meta);
    serde_json::to_string(&members).ok()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    // 1772748600000 ms is 2026-03-05T22:10:00Z (`date -u -d @1772748600`).
    const AT: Instant = Instant::from_millis(1_772_748_600_000);

    #[test]
    fn every_digit_and_the_order_stay() {
        let body = r#"{"resourceType":"Observation","valueQuantity":{"value":5.30,"unit":"kPa"},"n":1e2}"#;
        assert_eq!(
            stamp(body, "a", "3", AT),
            concat!(
                r#"{"resourceType":"Observation","id":"a","#,
                r#""meta":{"versionId":"3","lastUpdated":"2026-03-05T22:10:00.000Z"},"#,
                r#""valueQuantity":{"value":5.30,"unit":"kPa"},"n":1e2}"#
            )
        );
    }

    #[test]
    fn what_was_sent_is_replaced_in_its_place_and_the_rest_of_meta_stays() {
        let body = r#"{"meta":{"tag":[{"code":"x"}],"versionId":"9"},"id":"old","status":"final","id":"older"}"#;
        assert_eq!(
            stamp(body, "new", "10", AT),
            concat!(
                r#"{"meta":{"tag":[{"code":"x"}],"lastUpdated":"2026-03-05T22:10:00.000Z","versionId":"10"},"#,
                r#""id":"new","status":"final"}"#
            )
        );
    }

    #[test]
    fn an_absent_version_is_not_invented() {
        assert_eq!(
            stamp(r#"{"meta":3}"#, "a", "", AT),
            r#"{"meta":{"lastUpdated":"2026-03-05T22:10:00.000Z"},"id":"a"}"#
        );
    }

    #[test]
    fn what_is_not_an_object_comes_back_as_it_is() {
        assert_eq!(stamp("[1.0]", "a", "1", AT), "[1.0]");
        assert_eq!(stamp("{", "a", "1", AT), "{");
    }
    #[test]
    fn a_value_is_stamped_as_its_text_is() {
        let body =
            serde_json::json!({"status": "final", "meta": {"tag": [{"code": "x"}], "versionId": "9"}, "id": "old"});
        let text = stamped(&body, "new", 10, AT).unwrap();
        let again: Value = serde_json::from_str(&text).unwrap();
        let as_text: Value = serde_json::from_str(&stamp(&body.to_string(), "new", "10", AT)).unwrap();
        assert_eq!(again, as_text);
        assert_eq!(again["meta"]["lastUpdated"], "2026-03-05T22:10:00.000Z");
        assert_eq!(stamped(&serde_json::json!([1]), "a", 1, AT), None);
    }
}
