//! A request's body: type, size, time, UTF-8, depth; then text.

use super::call::check_content_type;
use super::json::checked_text;
use super::problem::Problem;
use crate::fhir::outcome::IssueType;
use crate::server::Limits;
use axum::body::Body;
use axum::http::{HeaderMap, StatusCode, header};
use futures_util::StreamExt;

/// The body of one resource.
///
/// # Errors
/// 400, 408, 413 or 415.
pub async fn resource(limits: &Limits, headers: &HeaderMap, body: Body) -> Result<String, Problem> {
    read(limits, headers, body, limits.max_body_bytes).await
}

/// The body of a Bundle.
///
/// # Errors
/// 400, 408, 413 or 415.
pub async fn bundle(limits: &Limits, headers: &HeaderMap, body: Body) -> Result<String, Problem> {
    read(limits, headers, body, limits.max_bundle_bytes).await
}

async fn read(limits: &Limits, headers: &HeaderMap, body: Body, max_bytes: usize) -> Result<String, Problem> {
    check_content_type(headers)?;
    let announced = headers
        .get(header::CONTENT_LENGTH)
        .and_then(|length| length.to_str().ok()?.parse::<u64>().ok());
    if announced.is_some_and(|length| u64::try_from(max_bytes).is_ok_and(|max| length > max)) {
        return Err(too_large(max_bytes));
    }
    let bytes = tokio::time::timeout(limits.body_timeout, collect(body, max_bytes))
        .await
        .unwrap_or_else(|_| {
            let text = "The body did not arrive in time; nothing was kept.";
            Err(Problem::new(StatusCode::REQUEST_TIMEOUT, IssueType::Timeout, text))
        })?;
    checked_text(&bytes, limits.max_depth).map(str::to_owned)
}

async fn collect(body: Body, max_bytes: usize) -> Result<Vec<u8>, Problem> {
    let mut bytes = Vec::new();
    let mut chunks = body.into_data_stream();
    while let Some(chunk) = chunks.next().await {
        let chunk = chunk.map_err(|_| Problem::invalid("The body broke off; nothing was kept."))?;
        if bytes.len() + chunk.len() > max_bytes {
            return Err(too_large(max_bytes));
        }
        bytes.extend_from_slice(&chunk);
    }
    Ok(bytes)
}

/// 413.
pub fn too_large(max_bytes: usize) -> Problem {
    Problem::new(
        StatusCode::PAYLOAD_TOO_LARGE,
        IssueType::TooLong,
        format!("The resource is larger than {max_bytes} bytes; nothing was kept."),
    )
}
