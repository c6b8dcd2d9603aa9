//! A request's body: type, size, time, UTF-8, depth; then text.

use super::call::check_content_type;
use super::json::checked_text;
use super::problem::Problem;
use crate::fhir::outcome::IssueType;
use crate::server::AppState;
use axum::body::{Body, BodyDataStream};
use axum::http::{HeaderMap, StatusCode, header};
use futures_util::StreamExt;
use std::ops::Deref;
use std::sync::Arc;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// A body as text. Its bytes count among those that are being received until it is dropped.
pub struct Received {
    text: String,
    _room: Option<OwnedSemaphorePermit>,
}

impl Deref for Received {
    type Target = str;

    fn deref(&self) -> &str {
        &self.text
    }
}

/// The body of one resource.
///
/// # Errors
/// 400, 408, 413, 415 or 503.
pub async fn resource(app: &AppState, headers: &HeaderMap, body: Body) -> Result<Received, Problem> {
    read(app, headers, body, app.limits.max_body_bytes).await
}

/// The body of a Bundle.
///
/// # Errors
/// 400, 408, 413, 415 or 503.
pub async fn bundle(app: &AppState, headers: &HeaderMap, body: Body) -> Result<Received, Problem> {
    read(app, headers, body, app.limits.max_bundle_bytes).await
}

async fn read(app: &AppState, headers: &HeaderMap, body: Body, max_bytes: usize) -> Result<Received, Problem> {
    check_content_type(headers)?;
    let announced = headers
        .get(header::CONTENT_LENGTH)
        .and_then(|length| length.to_str().ok()?.parse::<u64>().ok());
    if announced.is_some_and(|length| u64::try_from(max_bytes).is_ok_and(|max| length > max)) {
        // Who asks first (RFC 9110, 10.1.1) has sent nothing yet.
        if !headers.contains_key(header::EXPECT) {
            let _ = tokio::time::timeout(app.limits.body_timeout, discard(body.into_data_stream())).await;
        }
        return Err(too_large(max_bytes));
    }
    let (bytes, room) = tokio::time::timeout(app.limits.body_timeout, collect(&app.receiving, body, max_bytes))
        .await
        .unwrap_or_else(|_| {
            let text = "The body did not arrive in time; nothing was kept.";
            Err(Problem::new(StatusCode::REQUEST_TIMEOUT, IssueType::Timeout, text))
        })?;
    let text = checked_text(&bytes, app.limits.max_depth)?.to_owned();
    Ok(Received { text, _room: room })
}

/// The body, counted as it comes: an announced length alone takes no room from others.
async fn collect(
    receiving: &Arc<Semaphore>,
    body: Body,
    max_bytes: usize,
) -> Result<(Vec<u8>, Option<OwnedSemaphorePermit>), Problem> {
    let mut bytes = Vec::new();
    let mut room: Option<OwnedSemaphorePermit> = None;
    let mut chunks = body.into_data_stream();
    while let Some(chunk) = chunks.next().await {
        let chunk = chunk.map_err(|_| Problem::invalid("The body broke off; nothing was kept."))?;
        if bytes.len() + chunk.len() > max_bytes {
            drop((bytes, room));
            discard(chunks).await;
            return Err(too_large(max_bytes));
        }
        let more = u32::try_from(chunk.len()).map_err(|_| too_large(max_bytes))?;
        let more = Arc::clone(receiving).try_acquire_many_owned(more).map_err(|_| {
            Problem::try_again("Too much is being received at once; nothing of this was kept. Send the request again.")
        })?;
        match &mut room {
            Some(room) => room.merge(more),
            None => room = Some(more),
        }
        bytes.extend_from_slice(&chunk);
    }
    Ok((bytes, room))
}

/// So much of a body that is too large is still received.
const DISCARDED_MAX: usize = 64 << 20;

/// Receive and drop: a client that is still sending when the connection closes never reads the answer
/// (RFC 9112, 9.6), and tries again for ever.
async fn discard(mut chunks: BodyDataStream) {
    let mut received = 0;
    while let Some(Ok(chunk)) = chunks.next().await {
        received += chunk.len();
        if received > DISCARDED_MAX {
            return;
        }
    }
}

/// 413.
pub fn too_large(max_bytes: usize) -> Problem {
    Problem::new(
        StatusCode::PAYLOAD_TOO_LARGE,
        IssueType::TooLong,
        format!("The resource is larger than {max_bytes} bytes; nothing was kept."),
    )
}
