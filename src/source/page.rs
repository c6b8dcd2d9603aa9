//! One page of a search: a Bundle of type searchset, read without touching its resources, whose
//! text is kept as sent. Pure.

use crate::fhir::{Instant, datetime};
use serde::Deserialize;
use serde_json::value::RawValue;

/// A page as far as polling needs it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Page {
    /// Matches of the wanted type, in the server's order.
    pub entries: Vec<PageEntry>,
    /// Entries that are no match of the wanted type (included resources, outcomes).
    pub skipped: usize,
    /// Matches that carry no usable type and id.
    pub unusable: usize,
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
    /// `meta.versionId`, or else `meta.lastUpdated` as written; None when it has neither.
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
    #[serde(borrow)]
    entry: Option<Vec<EntryView<'a>>>,
}

#[derive(Deserialize)]
struct LinkView {
    relation: Option<String>,
    url: Option<String>,
}

#[derive(Deserialize)]
struct EntryView<'a> {
    #[serde(rename = "fullUrl")]
    full_url: Option<String>,
    #[serde(borrow)]
    resource: Option<&'a RawValue>,
    search: Option<SearchView>,
}

#[derive(Deserialize)]
struct SearchView {
    mode: Option<String>,
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
    for entry in bundle.entry.unwrap_or_default() {
        let mode = entry.search.and_then(|search| search.mode);
        if !matches!(mode.as_deref(), None | Some("match")) {
            page.skipped += 1;
            continue;
        }
        match entry
            .resource
            .and_then(|resource| read_entry(resource.get(), entry.full_url.as_deref()))
        {
            Some(entry) if entry.resource_type == wanted => page.entries.push(entry),
            Some(_) => page.skipped += 1,
            None => page.unusable += 1,
        }
    }
    Ok(page)
}

fn read_entry(body: &str, full_url: Option<&str>) -> Option<PageEntry> {
    let head: HeadView = serde_json::from_str(body).ok()?;
    let from_url = || full_url?.rsplit_once('/').map(|(_, id)| id.to_owned());
    let id = head.id.or_else(from_url).filter(|id| !id.is_empty())?;
    let (version_id, last_updated) = head
        .meta
        .map_or((None, None), |meta| (meta.version_id, meta.last_updated));
    let moment = last_updated.as_deref().and_then(|text| datetime::parse(text).ok());
    Some(PageEntry {
        resource_type: head.resource_type,
        id,
        version: version_id.or(last_updated),
        last_updated: moment.map(|span| span.earliest),
        body: body.to_owned(),
    })
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
    fn the_self_link_tells_whether_the_server_sorted() {
        assert!(says_sorted("http://s/Observation?code=a&_sort=_lastUpdated"));
        assert!(!says_sorted("http://s/Observation?code=a"));
        assert!(!says_sorted("http://s/Observation?_sort=-_lastUpdated"));
    }

    #[test]
    fn an_entry_without_id_takes_it_from_its_address_or_is_counted() {
        let text = r#"{"resourceType":"Bundle","type":"searchset","entry":[
            {"fullUrl":"http://s/Observation/x","resource":{"resourceType":"Observation"}},
            {"resource":{"resourceType":"Observation"}},
            {"resource":{"id":7}},
            {}]}"#;
        let page = read(text, "Observation").unwrap();
        assert_eq!((page.entries.len(), page.unusable), (1, 3));
        assert_eq!(page.entries[0].id, "x");
    }
}
