//! One page of a search: a Bundle of type searchset, read without touching its resources, whose
//! text is kept as sent. Pure.

use crate::fhir::reference::is_id;
use crate::fhir::{Instant, datetime};
use crate::source::intake::UnreadableEntry;
use serde::Deserialize;
use serde_json::Value;
use serde_json::value::RawValue;
use sha2::{Digest, Sha256};

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

#[derive(Deserialize)]
struct EntryView<'a> {
    /// Anything: only a string can name the id that the resource lacks.
    #[serde(rename = "fullUrl")]
    full_url: Option<Value>,
    #[serde(borrow)]
    resource: Option<&'a RawValue>,
    /// Anything: only `mode` as a string says that this is no match.
    search: Option<Value>,
}

#[derive(Deserialize)]
struct HeadView {
    #[serde(rename = "resourceType")]
    resource_type: String,
    id: Option<String>,
    meta: Option<MetaView>,
}

#[derive(Deserialize)]
struct MetaView {
    #[serde(rename = "versionId")]
    version_id: Option<String>,
    #[serde(rename = "lastUpdated")]
    last_updated: Option<String>,
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
    let entry: EntryView<'_> = match serde_json::from_str(raw) {
        Ok(entry) => entry,
        Err(error) => return Found::Unreadable(unreadable(wanted, raw, &format!("the entry cannot be read: {error}"))),
    };
    let mode = entry.search.as_ref().and_then(|search| search.get("mode"));
    if !matches!(mode.and_then(Value::as_str), None | Some("match")) {
        return Found::Other;
    }
    let Some(body) = entry.resource.map(RawValue::get) else {
        return Found::Unreadable(unreadable(wanted, raw, "the entry holds no resource"));
    };
    let head: HeadView = match serde_json::from_str(body) {
        Ok(head) => head,
        Err(error) => {
            let resource: Value = serde_json::from_str(body).unwrap_or_default();
            let kind = resource.get("resourceType").and_then(Value::as_str);
            if kind.is_some_and(|kind| kind != wanted) {
                return Found::Other;
            }
            let detail = format!("type, id or meta of the resource cannot be read: {error}");
            return Found::Unreadable(unreadable(wanted, body, &detail));
        }
    };
    if head.resource_type != wanted {
        return Found::Other;
    }
    let from_url = || {
        let url = entry.full_url.as_ref()?.as_str()?;
        url.rsplit_once('/').map(|(_, id)| id.to_owned())
    };
    let Some(id) = head.id.or_else(from_url).filter(|id| is_id(id)) else {
        let detail = "the resource has no id, or one that FHIR does not allow";
        return Found::Unreadable(unreadable(wanted, body, detail));
    };
    let meta = head.meta.map(|meta| (meta.version_id, meta.last_updated));
    let (version_id, last_updated) = meta.unwrap_or_default();
    let moment = last_updated.as_deref().and_then(|text| datetime::parse(text).ok());
    let stated: Vec<&str> = [&version_id, &last_updated]
        .into_iter()
        .flatten()
        .map(String::as_str)
        .collect();
    Found::Match(PageEntry {
        resource_type: head.resource_type,
        id,
        version: Some(stated.join(" ")).filter(|stated| !stated.is_empty()),
        last_updated: moment.map(|span| span.earliest),
        body: body.to_owned(),
    })
}

/// Longest id that is repeated in a made-up name, in characters.
const MAX_ID_CHARS: usize = 64;

fn unreadable(wanted: &str, body: &str, detail: &str) -> UnreadableEntry {
    let id = serde_json::from_str::<Value>(body).ok().and_then(|resource| {
        let id = resource.get("id")?.as_str()?;
        let shown = id.chars().filter(|character| !character.is_control());
        Some(shown.take(MAX_ID_CHARS).collect::<String>())
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
                r#"{"resource":{"resourceType":"Observation","id":"n","meta":{"versionId":7}}}"#,
                "Observation/n?",
            ),
            (
                r#"{"resource":{"resourceType":"Observation","id":"l","meta":{"lastUpdated":7}}}"#,
                "Observation/l?",
            ),
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
