//! One page of a search: a Bundle of type searchset, read without touching its resources, whose
//! text is kept as sent. Pure.

use crate::fhir::observation::{self, Head, MetaVersion, Raw, SearchEntry};
use crate::fhir::reference::is_id;
use crate::fhir::{Instant, datetime};
use crate::source::intake::UnreadableEntry;
use serde::Deserialize;
use serde_json::value::RawValue;
use sha2::{Digest, Sha256};
use std::collections::HashMap;

/// A page as far as polling needs it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Page {
    /// Matches of the wanted type, in the server's order.
    pub entries: Vec<PageEntry>,
    /// Entries that are no match of the wanted type (included resources, outcomes).
    pub skipped: usize,
    /// Entries that are no resource with a usable type, id and version.
    pub unreadable: Vec<UnreadableEntry>,
    /// `link[relation=next].url`, as written.
    pub next: Option<String>,
    /// `link[relation=self].url` says that the server sorted by `_lastUpdated`, oldest first.
    pub says_sorted: bool,
}

/// One resource of a page.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PageEntry {
    /// Resource type.
    pub resource_type: String,
    /// Logical id.
    pub id: String,
    /// `meta.versionId` and `meta.lastUpdated` as written (servers count either without the other);
    /// None when it has neither.
    pub version: Option<String>,
    /// `meta.lastUpdated`, when it can be read.
    pub last_updated: Option<Instant>,
    /// The resource's JSON text, as sent.
    pub body: String,
}

/// Why a body is no page.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PageError {
    /// Not JSON, or cut off.
    #[error("a page of the search is not JSON (line {line}, column {column})")]
    NotJson {
        /// Line, from 1.
        line: usize,
        /// Column.
        column: usize,
    },
    /// Another resource.
    #[error("the search was answered with {0}, not with a Bundle")]
    NotABundle(&'static str),
    /// Another Bundle.
    #[error("the search was answered with a Bundle of another type than searchset")]
    NotASearchset,
}

#[derive(Deserialize)]
struct BundleView<'a> {
    #[serde(rename = "resourceType")]
    resource_type: Option<String>,
    #[serde(rename = "type")]
    kind: Option<String>,
    link: Option<Vec<LinkView>>,
    /// Each read by itself: one odd entry must not cost the others.
    #[serde(borrow)]
    entry: Option<Vec<&'a RawValue>>,
}

#[derive(Deserialize)]
struct LinkView {
    relation: Option<String>,
    url: Option<String>,
}

/// Read a page; only matches of type `wanted` become entries. An entry without `search.mode` is
/// taken for a match, since servers leave it out.
///
/// # Errors
/// When the text is not a Bundle of type searchset.
pub fn read(text: &str, wanted: &str) -> Result<Page, PageError> {
    let bundle: BundleView<'_> = serde_json::from_str(text).map_err(|error| PageError::NotJson {
        line: error.line(),
        column: error.column(),
    })?;
    match bundle.resource_type.as_deref() {
        Some("Bundle") => {}
        Some("OperationOutcome") => return Err(PageError::NotABundle("an OperationOutcome")),
        _ => return Err(PageError::NotABundle("another resource")),
    }
    if bundle.kind.as_deref() != Some("searchset") {
        return Err(PageError::NotASearchset);
    }
    let mut page = Page::default();
    for link in bundle.link.unwrap_or_default() {
        match (link.relation.as_deref(), link.url) {
            (Some("next"), Some(url)) => page.next = Some(url),
            (Some("self"), Some(url)) => page.says_sorted = says_sorted(&url),
            _ => {}
        }
    }
    for raw in bundle.entry.unwrap_or_default() {
        match read_entry(raw.get(), wanted) {
            Found::Match(entry) => page.entries.push(entry),
            Found::Other => page.skipped += 1,
            Found::Unreadable(entry) => page.unreadable.push(entry),
        }
    }
    Ok(page)
}

enum Found {
    Match(PageEntry),
    /// Included, an outcome, another type.
    Other,
    Unreadable(UnreadableEntry),
}

fn read_entry(raw: &str, wanted: &str) -> Found {
    let entry: SearchEntry<'_> = match observation::read(raw) {
        Ok(entry) => entry,
        Err(what) => return Found::Unreadable(unreadable(wanted, raw, &format!("the entry cannot be read: {what}"))),
    };
    let mode = entry.search.as_ref().and_then(|search| search.mode.as_deref());
    if !matches!(mode, None | Some("match")) {
        return Found::Other;
    }
    let Some(body) = entry.resource.map(Raw::get) else {
        return Found::Unreadable(unreadable(wanted, raw, "the entry holds no resource"));
    };
    let head: Head<'_> = match observation::read(body) {
        Ok(head) => head,
        Err(what) => {
            if member(body, "resourceType").is_some_and(|kind| kind != wanted) {
                return Found::Other;
            }
            let detail = format!("type, id or meta of the resource cannot be read: {what}");
            return Found::Unreadable(unreadable(wanted, body, &detail));
        }
    };
    match head.resource_type.as_deref() {
        Some(kind) if kind == wanted => {}
        Some(_) => return Found::Other,
        None => return Found::Unreadable(unreadable(wanted, body, "the resource does not say its type")),
    }
    let own_id = head.id.as_deref();
    let from_url = || Some(entry.full_url.as_deref()?.rsplit_once('/')?.1);
    let Some(id) = own_id.or_else(from_url).filter(|id| is_id(id)) else {
        let detail = "the resource has no id, or one that FHIR does not allow";
        return Found::Unreadable(unreadable(wanted, body, detail));
    };
    // As the REST endpoint does: a meta of another type is none.
    let meta = head.meta.map(Raw::get).and_then(|meta| observation::read(meta).ok());
    let meta: MetaVersion<'_> = meta.unwrap_or_default();
    let (version_id, last_updated) = (meta.version_id.as_deref(), meta.last_updated.as_deref());
    let moment = last_updated.and_then(|text| datetime::parse(text).ok());
    let stated: Vec<&str> = [version_id, last_updated].into_iter().flatten().collect();
    Found::Match(PageEntry {
        resource_type: wanted.to_owned(),
        id: id.to_owned(),
        version: Some(stated.join(" ")).filter(|stated| !stated.is_empty()),
        last_updated: moment.map(|span| span.earliest),
        body: body.to_owned(),
    })
}

/// A member of a JSON object that is a string, whatever the others hold.
fn member(json: &str, name: &str) -> Option<String> {
    let members: HashMap<String, &RawValue> = serde_json::from_str(json).ok()?;
    serde_json::from_str(members.get(name)?.get()).ok()
}

/// Longest id that is repeated in a made-up name, in characters.
const MAX_ID_CHARS: usize = 64;

fn unreadable(wanted: &str, body: &str, detail: &str) -> UnreadableEntry {
    let id = member(body, "id").map(|id| {
        let shown = id.chars().filter(|character| !character.is_control());
        shown.take(MAX_ID_CHARS).collect::<String>()
    });
    let hash = Sha256::digest(body.as_bytes());
    let hash: String = hash.iter().take(8).map(|byte| format!("{byte:02x}")).collect();
    UnreadableEntry {
        source: format!("{wanted}/{}?{hash}", id.unwrap_or_default()),
        body: body.to_owned(),
        detail: detail.to_owned(),
    }
}

/// FHIR R4 §3.1.1.1.3: the self link tells which parameters the server used.
fn says_sorted(url: &str) -> bool {
    let query = url.split_once('?').map_or("", |(_, query)| query);
    let pairs = url::form_urlencoded::parse(query.as_bytes());
    pairs
        .into_iter()
        .any(|(name, value)| name == "_sort" && value == "_lastUpdated")
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn resources_are_kept_as_sent() {
        let body = r#"{"resourceType":"Observation","id":"a","valueQuantity":{"value":30.10}}"#;
        let text = format!(r#"{{"resourceType":"Bundle","type":"searchset","entry":[{{"resource":{body}}}]}}"#);
        let page = read(&text, "Observation").unwrap();
        assert_eq!(page.entries[0].body, body);
    }

    #[test]
    fn an_odd_entry_costs_no_other() {
        // R4: Resource.id is `[A-Za-z0-9\\-\\.]{1,64}`; versionId is an id, lastUpdated an instant: strings.
        let odd = [
            (
                r#"{"resource":{"resourceType":"Observation","id":"d","id":"e"}}"#,
                "Observation/e?",
            ),
            (
                r#"{"resource":{"resourceType":"Observation","id":"../../x<b>"}}"#,
                "Observation/../../x<b>?",
            ),
            (r#"{"resource":{"resourceType":"Observation"}}"#, "Observation/?"),
            (r#"{"resource":{"id":"t"}}"#, "Observation/t?"),
            (r#"{"resource":7}"#, "Observation/?"),
            (r#"{"resource":["Observation","x",{}]}"#, "Observation/?"),
            (
                r#"{"resource":{"resourceType":"Observation","id":"m","meta":{},"meta":{},"x":1e999}}"#,
                "Observation/m?",
            ),
            ("7", "Observation/?"),
            ("{}", "Observation/?"),
            (
                r#"{"resource":{"resourceType":"Observation","id":"x"},"resource":7}"#,
                "Observation/?",
            ),
        ];
        for (entry, name) in odd {
            let text = format!(
                r#"{{"resourceType":"Bundle","type":"searchset","entry":[{entry},
                {{"fullUrl":7,"search":{{"mode":1}},"resource":{{"resourceType":"Observation","id":"good"}}}}]}}"#
            );
            let page = read(&text, "Observation").unwrap();
            assert_eq!(page.entries.len(), 1, "{entry}");
            assert_eq!(page.entries[0].id, "good");
            let kept = &page.unreadable[0];
            assert!(kept.source.starts_with(name), "{entry}: {}", kept.source);
            assert_eq!(kept.source.len(), name.len() + 16);
            assert!(entry.contains(&kept.body) && !kept.detail.is_empty());
            assert_eq!(read(&text, "Observation").unwrap(), page, "the name is stable");
        }
    }

    /// R4: versionId is an id, lastUpdated an instant: strings. Of another type each counts as absent, as at the REST
    /// endpoint (`fixtures/malformed/identity.toml`).
    #[test]
    fn a_meta_that_cannot_be_read_costs_no_resource() {
        let stamp = "2026-03-05T22:00:00Z";
        for (meta, version, is_ordered) in [
            ("5", None, false),
            (r#"[]"#, None, false),
            (r#"{"tag":5}"#, None, false),
            (r#"{"versionId":7}"#, None, false),
            (r#"{"versionId":"7","lastUpdated":7}"#, Some("7"), false),
            (
                r#"{"versionId":7,"lastUpdated":"2026-03-05T22:00:00Z"}"#,
                Some(stamp),
                true,
            ),
            (
                r#"{"versionId":1e999,"lastUpdated":"2026-03-05T22:00:00Z"}"#,
                Some(stamp),
                true,
            ),
        ] {
            let text = format!(
                r#"{{"resourceType":"Bundle","type":"searchset",
                "entry":[{{"resource":{{"resourceType":"Observation","id":"a","meta":{meta}}}}}]}}"#
            );
            let page = read(&text, "Observation").unwrap();
            assert_eq!((page.entries.len(), page.unreadable.len()), (1, 0), "{meta}");
            let entry = &page.entries[0];
            assert_eq!(
                (entry.version.as_deref(), entry.last_updated.is_some()),
                (version, is_ordered),
                "{meta}"
            );
        }
    }

    /// RFC 8259 §6 bounds no number.
    #[test]
    fn a_number_beyond_f64_costs_nothing() {
        let text = r#"{"resourceType":"Bundle","type":"searchset","total":1e999,"meta":{"x":[1e999]},
            "link":[{"relation":"next","url":"http://s/2","x":1e999}],
            "entry":[{"search":{"score":1e999,"mode":"match"},"fullUrl":1e999,"x":1e999,
                "resource":{"resourceType":"Observation","id":"a","valueQuantity":{"value":1e999}}},
            {"search":{"score":1e999,"mode":"include"},"resource":{"resourceType":"Observation","id":"b"}},
            {"search":1e999,"resource":{"resourceType":"Observation","id":"c"}},
            {"resource":{"resourceType":"Observation","x":1e999,"id":"../d"}}]}"#;
        let page = read(text, "Observation").unwrap();
        let ids: Vec<&str> = page.entries.iter().map(|entry| entry.id.as_str()).collect();
        assert_eq!((ids, page.skipped), (vec!["a", "c"], 1));
        assert!(
            page.unreadable[0].source.starts_with("Observation/../d?"),
            "{:?}",
            page.unreadable
        );
        assert_eq!(page.next.as_deref(), Some("http://s/2"));
    }

    #[test]
    fn the_self_link_tells_whether_the_server_sorted() {
        assert!(says_sorted("http://s/Observation?code=a&_sort=_lastUpdated"));
        assert!(!says_sorted("http://s/Observation?code=a"));
        assert!(!says_sorted("http://s/Observation?_sort=-_lastUpdated"));
    }

    #[test]
    fn an_entry_without_id_takes_it_from_its_address_or_is_kept_as_unreadable() {
        let text = r#"{"resourceType":"Bundle","type":"searchset","entry":[
            {"fullUrl":"http://s/Observation/x","resource":{"resourceType":"Observation"}},
            {"resource":{"resourceType":"Observation"}},
            {"resource":{"id":7}},
            {}]}"#;
        let page = read(text, "Observation").unwrap();
        assert_eq!((page.entries.len(), page.unreadable.len()), (1, 3));
        assert_eq!(page.entries[0].id, "x");
    }
}
