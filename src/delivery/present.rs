//! Is a resource of ours on the server already? Asked before a create is repeated, and when a
//! server says that it is. What counts is our identifier in the resource itself: a server that
//! ignores a search parameter or a condition answers with something else.

use super::attempt::is_outage;
use super::bundle;
use super::client::FhirClient;
use super::error::ClientError;
use super::references::identifier_token;
use crate::outbox::answer;
use crate::store::OutboxEntry;
use serde_json::Value;
use std::collections::HashMap;

/// Attempts after which an entry is created (under its condition) though the server could not be
/// searched: that it arrives twice is better than never.
const SEARCHED_FIRST: u32 = 5;

/// True when `resource` is of this type and carries the identifier (`system|value`).
pub(super) fn carries(resource: &Value, kind: &str, token: &str) -> bool {
    let text = |value: &Value, name: &str| value.get(name).and_then(Value::as_str).map(str::to_owned);
    let Some((system, value)) = token.split_once('|') else {
        return false;
    };
    let is_ours = |identifier: &Value| {
        text(identifier, "system").as_deref() == Some(system) && text(identifier, "value").as_deref() == Some(value)
    };
    let identifiers = resource.get("identifier").and_then(Value::as_array);
    text(resource, "resourceType").as_deref() == Some(kind) && identifiers.is_some_and(|all| all.iter().any(is_ours))
}

/// Of entries that `may` have been sent before, those that are created (never updated) and that the
/// server has, by `seq`: the answer may have been lost.
///
/// # Errors
/// When the server is found unwell; not when it only does not let us search.
pub(super) async fn sent_before(
    client: &FhirClient,
    may: &[&OutboxEntry],
) -> Result<HashMap<i64, String>, ClientError> {
    let mut found = HashMap::new();
    for entry in may {
        let kind = entry.resource_type.as_str();
        if bundle::is_updated(kind) {
            continue;
        }
        match client.find(kind, &identifier_token(&entry.identity)).await {
            Ok(there) => {
                if let Some(reference) = there.into_iter().next() {
                    found.insert(entry.seq, reference);
                }
            }
            Err(error) if (is_outage(&error) || may_heal(&error)) && entry.attempts < SEARCHED_FIRST => {
                return Err(error);
            }
            Err(error) => {
                tracing::warn!(%error, "the server does not say whether it has an entry already: sending it under its condition");
            }
        }
    }
    Ok(found)
}

/// True when the next search may be answered: this one failed by itself, or its answer was cut off.
fn may_heal(error: &ClientError) -> bool {
    let retry = |status| answer::meaning(status, true) == answer::Meaning::Retry;
    matches!(error, ClientError::Malformed(_)) || error.status().is_some_and(retry)
}

/// The server's reference of a resource that it says was there before the create (status 200).
///
/// # Errors
/// `Malformed` when nothing there carries our identifier: the create was not done either.
pub(super) async fn existing(
    client: &FhirClient,
    kind: &str,
    token: &str,
    remote: Option<String>,
    body: Option<&Value>,
) -> Result<Option<String>, ClientError> {
    if body.is_some_and(|body| carries(body, kind, token)) {
        return Ok(remote);
    }
    // A server that lets us write but not read can only be believed.
    let not_for_us = |error: &ClientError| matches!(error.status(), Some(401 | 403 | 405));
    if let Some(reference) = &remote {
        let read = match client.url(reference, "") {
            Ok(url) => client.get(url).await.and_then(|reply| reply.json()),
            Err(error) => Err(error),
        };
        match read {
            Ok(resource) if carries(&resource, kind, token) => return Ok(remote),
            Err(error) if not_for_us(&error) => return Ok(remote),
            Err(error) if is_outage(&error) => return Err(error),
            Ok(_) | Err(_) => {}
        }
    }
    match client.find(kind, token).await {
        Ok(found) if !found.is_empty() => return Ok(found.into_iter().next()),
        Err(error) if not_for_us(&error) && remote.is_none() => return Ok(None),
        Err(error) if is_outage(&error) => return Err(error),
        Ok(_) | Err(_) => {}
    }
    Err(ClientError::Malformed(String::from(
        "status 200 to a create, but nothing on the server carries the identifier of what was sent",
    )))
}
