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
use std::mem::Discriminant;
use tokio::sync::Mutex;

/// Attempts after which a search that fails no longer ends the turn of a group; and equal refusals
/// of it after which an entry is created though neither a search nor a condition of which the server
/// has spoken protects it: that it arrives twice is better than never.
const SEARCHED_FIRST: u32 = 5;

/// Searches for an entry that were refused in the same way, by `seq`, and how often in a row: a
/// server that lets nobody search refuses alike each time, a bad way to it does not.
#[derive(Debug, Default)]
pub(super) struct Refusals(Mutex<HashMap<i64, (Refusal, u32)>>);

type Refusal = (Discriminant<ClientError>, Option<u16>);

impl Refusals {
    /// One more; true when that is enough to take it for the server's way.
    async fn add(&self, seq: i64, error: &ClientError) -> bool {
        let refusal = (std::mem::discriminant(error), error.status());
        let mut all = self.0.lock().await;
        let (last, times) = all.entry(seq).or_insert((refusal, 0));
        *times = if *last == refusal { *times + 1 } else { 1 };
        *last = refusal;
        *times >= SEARCHED_FIRST
    }

    /// The search was answered, or the entry no longer waits.
    pub(super) async fn forget(&self, seq: i64) {
        self.0.lock().await.remove(&seq);
    }
}

/// What is known of entries that may have been sent before, by `seq`.
#[derive(Debug, Default)]
pub(super) struct Before {
    /// The server has them, under this reference.
    pub(super) found: HashMap<i64, String>,
    /// The server did not say. Only a condition that it says it honours makes a create safe.
    pub(super) unanswered: HashMap<i64, ClientError>,
}

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
/// server has, or of which it does not say: the answer may have been lost.
///
/// # Errors
/// When the server is found unwell; not when it only does not let us search.
pub(super) async fn sent_before(
    client: &FhirClient,
    may: &[&OutboxEntry],
    refusals: &Refusals,
) -> Result<Before, ClientError> {
    let mut before = Before::default();
    for entry in may {
        let kind = entry.resource_type.as_str();
        if bundle::is_updated(kind) {
            continue;
        }
        let error = match client.find(kind, &identifier_token(&entry.identity)).await {
            Ok(there) => {
                refusals.forget(entry.seq).await;
                let reference = there.into_iter().next();
                before.found.extend(reference.map(|reference| (entry.seq, reference)));
                continue;
            }
            Err(error) => error,
        };
        let for_good = refusals.add(entry.seq, &error).await;
        if (is_outage(&error) || may_heal(&error)) && entry.attempts < SEARCHED_FIRST {
            return Err(error);
        }
        tracing::warn!(%error, for_good, "the server does not say whether it has an entry already");
        if !for_good {
            before.unanswered.insert(entry.seq, waits(&error));
        }
    }
    Ok(before)
}

/// A search that was refused says nothing of the entry: it never stops it.
pub(super) fn waits(error: &ClientError) -> ClientError {
    match error {
        ClientError::Refused { status, outcome, .. } if answer::meaning(*status, *outcome) == answer::Meaning::Stop => {
            ClientError::Malformed(format!(
                "the search that comes before a create was refused with {status}; let this service search by identifier"
            ))
        }
        other => other.clone(),
    }
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
