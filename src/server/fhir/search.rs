//! `GET /fhir/{type}?…`: query → store search → searchset Bundle.
//!
//! Pages follow each other by the moment of the last match, not by a count alone: a resource that
//! changes while a client turns pages moves to the end of an ascending search, and with plain
//! offsets its successor would be skipped. `_page` holds that moment, how many matches of that
//! very moment were already given, and the total of the first page.

use super::call::Call;
use super::problem::Problem;
use super::types::{TypeInfo, check_id};
use super::when::{self, Bounds};
use crate::fhir::outcome::{Issue, IssueType, Severity, outcome};
use crate::fhir::{Instant, shorten};
use crate::server::AppState;
use crate::store::{InputRow, SearchPage, SearchQuery};
use axum::http::StatusCode;
use serde::Serialize;
use serde_json::value::{RawValue, to_raw_value};

/// Matches on a page when `_count` does not say.
pub const DEFAULT_COUNT: usize = 100;
/// The most that one page holds, whatever `_count` says.
pub const MAX_COUNT: usize = 1000;
/// A page ends before the match that would carry its bodies past so many bytes (8 MiB): what one
/// request makes us hold and a client take, whatever `_count` says. A single larger one goes alone.
pub const PAGE_BYTES: usize = 8 * 1024 * 1024;
/// The most values that one parameter may list.
const MAX_VALUES: usize = 200;

/// Where the next page begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Page {
    moment: Instant,
    skip: usize,
    total: usize,
}

/// A parsed query.
#[derive(Clone, Debug, Default)]
pub struct Search {
    query: SearchQuery,
    /// Our own base URL: a reference under it is a relative one.
    base: Option<String>,
    page: Option<Page>,
    /// `_count=0`: only the total.
    count_only: bool,
    /// Parameters that were used, for the self link.
    applied: Vec<(String, String)>,
    /// Names of parameters that were not.
    ignored: Vec<String>,
}

fn bad(name: &str, reason: impl std::fmt::Display) -> Problem {
    Problem::new(
        StatusCode::BAD_REQUEST,
        IssueType::Value,
        format!("The search parameter {} cannot be used: {reason}.", shorten(name, 80)),
    )
}

/// Split at `separator` where no backslash stands before it; `\,` `\|` `\$` `\\` lose their
/// backslash (FHIR R4, "Search", section "Escaping Search Parameters").
fn split(value: &str, separator: char) -> Vec<String> {
    let mut parts = vec![String::new()];
    let mut characters = value.chars();
    while let Some(character) = characters.next() {
        let part = parts.last_mut();
        match (character, part) {
            ('\\', Some(part)) => {
                // Escapes of the other separators stay for the next split.
                match characters.next() {
                    Some(next) if next == separator || (separator == '|' && matches!(next, ',' | '$' | '\\')) => {
                        part.push(next);
                    }
                    Some(next) => part.extend(['\\', next]),
                    None => part.push('\\'),
                }
            }
            (character, _) if character == separator => parts.push(String::new()),
            (character, Some(part)) => part.push(character),
            (_, None) => {}
        }
    }
    parts
}

/// `system|value`, `value`, `|value` → (system; None: any, empty: none at all; value).
pub fn token(value: &str) -> Result<(Option<String>, String), String> {
    let mut parts = split(value, '|').into_iter();
    match (parts.next(), parts.next(), parts.next()) {
        (Some(code), None, None) if !code.is_empty() => Ok((None, code)),
        (Some(system), Some(code), None) if !code.is_empty() => Ok((Some(system), code)),
        _ => Err(String::from("it must be system|code, code or |code")),
    }
}

fn values(name: &str, value: &str) -> Result<Vec<String>, Problem> {
    let values = split(value, ',');
    if values.len() > MAX_VALUES {
        return Err(bad(name, format!("it lists more than {MAX_VALUES} values")));
    }
    if values.iter().any(String::is_empty) {
        return Err(bad(name, "a value is empty"));
    }
    Ok(values)
}

fn reference(name: &str, value: &str, modifier: Option<&str>) -> Result<String, Problem> {
    let mut values = values(name, value)?;
    let value = match (values.pop(), values.is_empty()) {
        (Some(value), true) => value.replace("\\|", "|"),
        _ => return Err(bad(name, "only one patient can be named")),
    };
    if value.contains('/') || value.contains(':') {
        return match modifier {
            None => Ok(value),
            Some(_) => Err(bad(name, "a type and a whole reference were both given")),
        };
    }
    check_id(&value).map_err(|_| bad(name, "it is neither an id nor a reference"))?;
    Ok(format!("{}/{value}", modifier.unwrap_or("Patient")))
}

impl Search {
    /// Parse the query part of a URL for this type.
    ///
    /// # Errors
    /// 400 for a value that cannot be used, and (under `handling=strict`) for an unknown parameter.
    pub fn parse(kind: &TypeInfo, query: &str, call: &Call) -> Result<Self, Problem> {
        let mut search = Self {
            base: call.base.clone(),
            ..Self::default()
        };
        kind.name.clone_into(&mut search.query.resource_type);
        search.query.count = DEFAULT_COUNT;
        search.query.page_bytes = Some(PAGE_BYTES);
        for (name, value) in url::form_urlencoded::parse(query.as_bytes()) {
            if name.is_empty() && value.is_empty() {
                continue;
            }
            if search.take(kind, &name, &value)? {
                search.applied.push((name.into_owned(), value.into_owned()));
            } else if call.strict {
                let text = format!(
                    "The search parameter {} is not supported for {}.",
                    shorten(&name, 80),
                    kind.name
                );
                return Err(Problem::new(StatusCode::BAD_REQUEST, IssueType::NotSupported, text));
            } else {
                search.ignored.push(shorten(&name, 80).into_owned());
            }
        }
        Ok(search)
    }

    /// Use one parameter; false when it is not one of ours.
    fn take(&mut self, kind: &TypeInfo, full_name: &str, value: &str) -> Result<bool, Problem> {
        match full_name {
            "_count" => self.take_count(value)?,
            "_sort" => self.take_sort(value)?,
            "_page" => self.page = Some(parse_page(value)?),
            // Checked with Accept, before this.
            "_format" => {}
            "_total" if matches!(value, "none" | "estimate" | "accurate") => {}
            "_total" => return Err(bad("_total", "it must be none, estimate or accurate")),
            _ => {
                let (name, modifier) = match full_name.split_once(':') {
                    Some((name, modifier)) => (name, Some(modifier)),
                    None => (full_name, None),
                };
                if !kind.params.iter().any(|param| param.name == name) {
                    return Ok(false);
                }
                self.take_param(name, modifier, value)?;
            }
        }
        Ok(true)
    }

    fn take_param(&mut self, name: &str, modifier: Option<&str>, value: &str) -> Result<(), Problem> {
        let typed = (name == "subject" && modifier == Some("Patient")) || modifier.is_none();
        if !typed {
            return Err(bad(name, "its modifier is not supported"));
        }
        let once = |free: bool| {
            if free {
                Ok(())
            } else {
                Err(bad(name, "it stands twice"))
            }
        };
        let query = &mut self.query;
        match name {
            "_id" => {
                once(query.ids.is_empty())?;
                query.ids = values(name, value)?;
                for id in &query.ids {
                    check_id(id).map_err(|_| bad(name, "a value is not a FHIR id"))?;
                }
            }
            "identifier" => {
                once(query.identifier.is_none())?;
                let mut listed = values(name, value)?;
                match (listed.pop(), listed.is_empty()) {
                    (Some(one), true) => query.identifier = Some(token(&one).map_err(|reason| bad(name, reason))?),
                    _ => return Err(bad(name, "only one identifier can be asked for")),
                }
            }
            "patient" | "subject" => {
                let own = self
                    .base
                    .as_ref()
                    .and_then(|base| value.strip_prefix(base.as_str())?.strip_prefix('/'));
                let wanted = reference(name, own.unwrap_or(value), modifier)?;
                once(query.patient.as_ref().is_none_or(|known| *known == wanted))?;
                query.patient = Some(wanted);
            }
            "status" => {
                once(query.statuses.is_empty())?;
                for status in values(name, value)? {
                    query
                        .statuses
                        .push(token(&status).map_err(|reason| bad(name, reason))?.1);
                }
            }
            "code" => {
                once(query.codes.is_empty())?;
                for code in values(name, value)? {
                    query.codes.push(token(&code).map_err(|reason| bad(name, reason))?);
                }
            }
            _ => self.take_date(name, value)?,
        }
        Ok(())
    }

    fn take_date(&mut self, name: &str, value: &str) -> Result<(), Problem> {
        let parsed = when::parse(value).map_err(|reason| bad(name, reason))?;
        // Only bounds of an interval are kept, so "the whole period lies after" cannot be asked.
        if name == "date" && (value.starts_with("sa") || value.starts_with("eb")) {
            return Err(bad(name, "the prefixes sa and eb are not supported for it"));
        }
        let query = &mut self.query;
        let (from, before) = if name == "_lastUpdated" {
            (&mut query.updated_from, &mut query.updated_before)
        } else {
            (&mut query.effective_from, &mut query.effective_before)
        };
        let mut bounds = Bounds {
            from: *from,
            before: *before,
        };
        bounds.narrow(parsed);
        (*from, *before) = (bounds.from, bounds.before);
        Ok(())
    }

    fn take_count(&mut self, value: &str) -> Result<(), Problem> {
        let count: usize = value
            .parse()
            .map_err(|_| bad("_count", "it is not a whole number from 0"))?;
        self.count_only = count == 0;
        self.query.count = count.clamp(1, MAX_COUNT);
        Ok(())
    }

    fn take_sort(&mut self, value: &str) -> Result<(), Problem> {
        self.query.newest_first = match value {
            "_lastUpdated" => false,
            "-_lastUpdated" => true,
            _ => return Err(bad("_sort", "only _lastUpdated and -_lastUpdated can be sorted by")),
        };
        Ok(())
    }

    /// The query for the store, moved to the page that was asked for.
    fn for_store(&self) -> SearchQuery {
        let mut query = self.query.clone();
        if let Some(page) = self.page {
            let mut bounds = Bounds {
                from: query.updated_from,
                before: query.updated_before,
            };
            bounds.narrow(if query.newest_first {
                let after = Instant::from_millis(page.moment.millis().saturating_add(1));
                Bounds {
                    from: None,
                    before: Some(after),
                }
            } else {
                Bounds {
                    from: Some(page.moment),
                    before: None,
                }
            });
            (query.updated_from, query.updated_before) = (bounds.from, bounds.before);
            query.offset = page.skip;
        }
        query
    }

    /// Where the page after these rows begins; None when they were the last.
    fn next(&self, found: &SearchPage, total: usize) -> Option<Page> {
        let skipped = self.page.map_or(0, |page| page.skip);
        let last = found.rows.last()?;
        if self.count_only || skipped + found.rows.len() >= found.total {
            return None;
        }
        let moment = moment(last);
        let mut skip = found
            .rows
            .iter()
            .rev()
            .take_while(|row| self::moment(row) == moment)
            .count();
        if skip == found.rows.len() && self.page.is_some_and(|page| page.moment == moment) {
            skip += skipped;
        }
        Some(Page { moment, skip, total })
    }

    fn link(&self, call: &Call, page: Option<Page>) -> String {
        let mut query = url::form_urlencoded::Serializer::new(String::new());
        for (name, value) in self
            .applied
            .iter()
            .filter(|(name, _)| page.is_none() || name != "_page")
        {
            query.append_pair(name, value);
        }
        if let Some(Page { moment, skip, total }) = page {
            query.append_pair("_page", &format!("{}.{skip}.{total}", moment.millis()));
        }
        let query = query.finish();
        let kind = &self.query.resource_type;
        call.link(&if query.is_empty() {
            kind.clone()
        } else {
            format!("{kind}?{query}")
        })
    }
}

/// The moment by which the store sorts: meta.lastUpdated.
fn moment(row: &InputRow) -> Instant {
    row.version.last_updated.unwrap_or(row.received)
}

fn parse_page(value: &str) -> Result<Page, Problem> {
    let mut parts = value.split('.');
    let parsed = (|| {
        let moment = Instant::from_millis(parts.next()?.parse().ok()?);
        let skip = parts.next()?.parse().ok()?;
        let total = parts.next()?.parse().ok()?;
        parts.next().is_none().then_some(Page { moment, skip, total })
    })();
    parsed.ok_or_else(|| bad("_page", "use the next link as it was given"))
}

#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
struct SearchSet {
    resource_type: &'static str,
    #[serde(rename = "type")]
    kind: &'static str,
    total: usize,
    link: Vec<Link>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    entry: Vec<Entry>,
}

#[derive(Serialize)]
struct Link {
    relation: &'static str,
    url: String,
}

#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
struct Entry {
    #[serde(skip_serializing_if = "Option::is_none")]
    full_url: Option<String>,
    resource: Box<RawValue>,
    search: Mode,
}

#[derive(Serialize)]
struct Mode {
    mode: &'static str,
}

/// Carry out a search; the searchset Bundle as JSON text.
///
/// # Errors
/// 503 when the store cannot be read.
pub async fn run(app: &AppState, call: &Call, search: Search) -> Result<String, Problem> {
    let query = search.for_store();
    let mut found = app.with_store(move |store| store.search(&query)).await?;
    let total = search.page.map_or(found.total, |page| page.total);
    if search.count_only {
        found.rows.clear();
    }
    let mut link = vec![Link {
        relation: "self",
        url: search.link(call, None),
    }];
    if let Some(next) = search.next(&found, total) {
        link.push(Link {
            relation: "next",
            url: search.link(call, Some(next)),
        });
    }
    let entry = entries(call, &search, &found).map_err(|error| broken(&error))?;
    let bundle = SearchSet {
        resource_type: "Bundle",
        kind: "searchset",
        total,
        link,
        entry,
    };
    serde_json::to_string(&bundle).map_err(|error| broken(&error))
}

/// A kept body that is not JSON: never put there by this service.
fn broken(error: &serde_json::Error) -> Problem {
    tracing::error!(%error, "a stored resource cannot be written as JSON");
    Problem::new(
        StatusCode::INTERNAL_SERVER_ERROR,
        IssueType::Exception,
        "A stored resource cannot be written as JSON.",
    )
}

fn entries(call: &Call, search: &Search, found: &SearchPage) -> Result<Vec<Entry>, serde_json::Error> {
    let mut entries = Vec::with_capacity(found.rows.len() + 1);
    for row in &found.rows {
        entries.push(Entry {
            full_url: call.absolute(&format!("{}/{}", row.resource_type, row.id)),
            resource: RawValue::from_string(row.body.clone())?,
            search: Mode { mode: "match" },
        });
    }
    if !search.ignored.is_empty() {
        let issue = Issue {
            severity: Severity::Warning,
            code: IssueType::NotSupported,
            diagnostics: format!(
                "These search parameters were ignored: {}. The self link shows what was used.",
                search.ignored.join(", ")
            ),
            expression: Vec::new(),
        };
        entries.push(Entry {
            full_url: None,
            resource: to_raw_value(&outcome(&[issue]))?,
            search: Mode { mode: "outcome" },
        });
    }
    Ok(entries)
}

/// The identifier of a conditional interaction (`identifier=system|value`, nothing else).
///
/// # Errors
/// 400 for any other condition: matching on less than was asked could change the wrong resource.
pub fn condition(kind: &TypeInfo, query: &str) -> Result<(Option<String>, String), Problem> {
    let strict = Call {
        strict: true,
        ..Call::default()
    };
    let search = Search::parse(kind, query.trim_start_matches('?'), &strict)?;
    let only = SearchQuery {
        identifier: search.query.identifier.clone(),
        resource_type: search.query.resource_type.clone(),
        count: DEFAULT_COUNT,
        page_bytes: search.query.page_bytes,
        ..SearchQuery::default()
    };
    match &search.query.identifier {
        Some(identifier) if search.query == only && search.applied.len() == 1 => Ok(identifier.clone()),
        _ => Err(Problem::new(
            StatusCode::BAD_REQUEST,
            IssueType::NotSupported,
            "A conditional interaction must name one identifier, and nothing else: identifier=system|value.",
        )),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn tokens_and_escapes() {
        assert_eq!(split(r"a\,b,c", ','), ["a,b", "c"]);
        assert_eq!(split(r"a\|b,c\\", ','), [r"a\|b", r"c\\"]);
        assert_eq!(token("s|c"), Ok((Some("s".into()), "c".into())));
        assert_eq!(token("|c"), Ok((Some(String::new()), "c".into())));
        assert_eq!(token("c"), Ok((None, "c".into())));
        assert_eq!(token(r"s|a\|b\\"), Ok((Some("s".into()), r"a|b\".into())));
        assert!(token("s|").is_err() && token("").is_err() && token("a|b|c").is_err());
    }
}
