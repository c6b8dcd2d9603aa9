//! `GET /fhir/{type}/{id}`: one resource, its version and age in the headers.

use super::call;
use super::problem::{FHIR_JSON, Problem};
use super::types::{self, check_id};
use crate::fhir::Instant;
use crate::fhir::outcome::IssueType;
use crate::recognise::reading::Version;
use crate::server::AppState;
use crate::store::InputRow;
use axum::http::StatusCode;
use axum::http::header::{self, HeaderMap, HeaderValue};
use axum::response::{IntoResponse, Response};
use std::time::{Duration, SystemTime};

/// `W/"3"`; None when the version has no id.
pub fn etag(version: &Version) -> Option<String> {
    (!version.id.is_empty()).then(|| format!("W/\"{}\"", version.id))
}

fn http_time(at: Instant) -> Option<SystemTime> {
    let millis = u64::try_from(at.millis()).ok()?;
    SystemTime::UNIX_EPOCH.checked_add(Duration::from_millis(millis))
}

/// ETag and Last-Modified of a version.
pub fn version_headers(version: &Version) -> HeaderMap {
    let mut headers = HeaderMap::new();
    let tag = etag(version).and_then(|tag| HeaderValue::from_str(&tag).ok());
    if let Some(tag) = tag {
        headers.insert(header::ETAG, tag);
    }
    let modified = version
        .last_updated
        .and_then(http_time)
        .and_then(|time| HeaderValue::from_str(&httpdate::fmt_http_date(time)).ok());
    if let Some(modified) = modified {
        headers.insert(header::LAST_MODIFIED, modified);
    }
    headers
}

/// The current version of a resource.
///
/// # Errors
/// 404 when it was never here, 410 when it was deleted, 503 when the store cannot be read.
pub async fn current(app: &AppState, kind: &str, id: &str) -> Result<InputRow, Problem> {
    types::find(kind)?;
    check_id(id)?;
    let (kind, id) = (kind.to_owned(), id.to_owned());
    let row = app.with_store(move |store| store.read(&kind, &id)).await?;
    match row {
        None => Err(Problem::new(
            StatusCode::NOT_FOUND,
            IssueType::NotFound,
            "There is no resource of this type with this id.",
        )),
        Some(row) if row.deleted => {
            let mut problem = Problem::new(StatusCode::GONE, IssueType::Deleted, "The resource was deleted.");
            let headers = version_headers(&row.version);
            problem
                .headers
                .extend(headers.iter().map(|(name, value)| (name.clone(), value.clone())));
            Err(problem)
        }
        Some(row) => Ok(row),
    }
}

/// The current version when it is the one asked for: older versions are kept, not served.
///
/// # Errors
/// As [`current`]; 404 for another version.
pub async fn version(app: &AppState, kind: &str, id: &str, wanted: &str) -> Result<InputRow, Problem> {
    let row = current(app, kind, id).await?;
    if row.version.id == wanted {
        return Ok(row);
    }
    let text = "Only the current version of a resource is served, and it is another one.";
    Err(Problem::new(StatusCode::NOT_FOUND, IssueType::NotFound, text))
}

/// True when the caller already holds this version: `If-None-Match`, or else `If-Modified-Since`
/// (RFC 9110, section 13.2.2).
fn holds(headers: &HeaderMap, version: &Version) -> bool {
    if let Some(tags) = call::text(headers, "if-none-match") {
        return tags
            .split(',')
            .any(|tag| tag.trim() == "*" || (!version.id.is_empty() && call::version_of(tag) == version.id));
    }
    let since = call::text(headers, "if-modified-since").and_then(|since| httpdate::parse_http_date(&since).ok());
    match (since, version.last_updated) {
        // Last-Modified has whole seconds, so compare those.
        (Some(since), Some(updated)) => {
            http_time(Instant::from_millis(updated.millis() / 1000 * 1000)).is_some_and(|updated| updated <= since)
        }
        _ => false,
    }
}

/// The answer to a read: 200 with the resource, or 304.
pub fn answer(headers: &HeaderMap, row: &InputRow) -> Response {
    let about = version_headers(&row.version);
    if holds(headers, &row.version) {
        return (StatusCode::NOT_MODIFIED, about).into_response();
    }
    (about, [(header::CONTENT_TYPE, FHIR_JSON)], row.body.clone()).into_response()
}
