//! One entry as requests of its own: conditional where the server can, else looked for first.

use super::attempt::is_outage;
use super::bundle;
use super::capability::Capabilities;
use super::client::{FhirClient, Reply};
use super::error::ClientError;
use super::present;
use super::references::identifier_token;
use crate::store::OutboxEntry;
use serde_json::Value;
use std::collections::HashMap;
use uuid::Uuid;

/// What single requests of a group go by.
pub(super) struct Known<'g> {
    pub(super) capabilities: Capabilities,
    /// All of it went out as a transaction whose answer could not be used.
    pub(super) maybe_sent: bool,
    /// Entries of which the server does not say whether it has them already.
    pub(super) unanswered: &'g HashMap<i64, ClientError>,
}

/// Write one entry, with its references as they are to be sent. Answers the status and the server's own
/// reference.
///
/// # Errors
/// What the server, or the way to it, refused.
pub(super) async fn write(
    client: &FhirClient,
    entry: &OutboxEntry,
    body: &Value,
    known: &Known<'_>,
) -> Result<(u16, Option<String>), ClientError> {
    let kind = entry.resource_type.as_str();
    let token = match mutated!(RetryRenamed) && entry.attempts > 0 {
        true => identifier_token(&Uuid::from_u128(entry.identity.as_u128() ^ u128::from(entry.attempts))),
        false => identifier_token(&entry.identity),
    };
    let capabilities = known.capabilities;
    let updated = bundle::is_updated(kind);
    let direct = match (
        updated,
        capabilities.conditional_update,
        capabilities.conditional_create,
    ) {
        (true, true, _) => Some(client.update_where(kind, &token, body).await),
        (false, _, true) if !known.maybe_sent => {
            return match known.unanswered.get(&entry.seq) {
                // Neither a search nor a condition says that this is no second one.
                Some(error) if !capabilities.said => Err(error.clone()),
                _ => create(client, kind, &token, body).await,
            };
        }
        _ => None,
    };
    match direct {
        // No conditional update here, whatever was said or assumed: search first.
        Some(Err(ClientError::Refused {
            status: 404 | 405 | 501,
            ..
        })) if updated => {}
        Some(result) => return result.map(|reply| taken(kind, &reply)),
        None => {}
    }
    let found = match client.find(kind, &token).await {
        // It does not let us search: the condition must do.
        Err(error) if !updated && capabilities.conditional_create && !is_outage(&error) => Vec::new(),
        Err(error) => return Err(if updated { error } else { present::waits(&error) }),
        Ok(found) => found,
    };
    match (found.as_slice(), updated) {
        ([], _) => create(client, kind, &token, body).await,
        ([reference], true) => {
            let mut body = body.clone();
            if let (Value::Object(object), Some((_, id))) = (&mut body, reference.split_once('/')) {
                object.insert(String::from("id"), Value::String(id.to_owned()));
            }
            let reply = client.update(reference, &body).await?;
            Ok((reply.status, Some(reference.clone())))
        }
        (several, true) => Err(ClientError::Refused {
            status: 412,
            outcome: true,
            codes: String::from("multiple-matches"),
            told: format!(
                "{} resources on the server carry this identifier; remove all but one",
                several.len()
            ),
            retry_after: None,
        }),
        ([reference, ..], false) => Ok((200, Some(reference.clone()))),
    }
}

/// Create unless it is there; "it is there" is believed when it is ours.
async fn create(
    client: &FhirClient,
    kind: &str,
    token: &str,
    body: &Value,
) -> Result<(u16, Option<String>), ClientError> {
    let reply = client.create_if_none(kind, token, body).await?;
    let (status, remote) = taken(kind, &reply);
    if status != 200 {
        return Ok((status, remote));
    }
    let body = reply.json().ok();
    let remote = present::existing(client, kind, token, remote, body.as_ref()).await?;
    Ok((status, remote))
}

fn taken(kind: &str, reply: &Reply) -> (u16, Option<String>) {
    let body = reply.json().ok();
    let remote = bundle::remote_reference(kind, reply.location.as_deref(), body.as_ref());
    (reply.status, remote)
}
