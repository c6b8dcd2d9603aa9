//! Drafts → checked resources, ready for the store's outbox.

use crate::outbox::communication::communication;
use crate::outbox::context::MessageContext;
use crate::outbox::delta_observation::{delta_observation, retracted};
use crate::outbox::draft::{DeltaDraft, MessageDraft, RetractDraft};
use crate::outbox::validate::Validator;
use crate::outbox::{device, identity};
use serde_json::Value;
use uuid::Uuid;

/// One thing to be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Draft<'a> {
    /// A delta Observation, created or amended.
    Delta(&'a DeltaDraft),
    /// A delta Observation, set entered-in-error.
    Retract(&'a RetractDraft),
    /// A Communication.
    Message(&'a MessageDraft),
}

/// A resource that passed every check.
#[derive(Clone, Debug, PartialEq)]
pub struct Resource {
    /// `Observation`, `Communication` or `Device`.
    pub resource_type: &'static str,
    /// Its identity: the value of its derived identifier, and its id when served from here.
    pub identity: Uuid,
    /// The resource, references to other derived resources as `urn:uuid:<identity>`.
    pub value: Value,
}

/// A resource that failed a check. It must not be sent, and must not be lost: the engine shows it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{resource_type} {identity} is not valid FHIR R4: {} faults", messages.len())]
pub struct InvalidResource {
    /// Type.
    pub resource_type: &'static str,
    /// Identity.
    pub identity: Uuid,
    /// What is wrong and where. Names of elements may come from a source: never for a log.
    pub messages: Vec<String>,
    /// The resource as built, to be shown and mended.
    pub value: Box<Value>,
}

/// Each draft as a resource that passed every check, in the order of the drafts. One that fails is
/// an error in its place; the others are not held up by it.
pub fn resources<'a>(
    drafts: impl IntoIterator<Item = Draft<'a>>,
    ctx: &MessageContext,
    validator: &Validator,
) -> Vec<Result<Resource, InvalidResource>> {
    drafts
        .into_iter()
        .map(|draft| resource(draft, ctx, validator))
        .collect()
}

/// One draft.
///
/// # Errors
/// When the resource built from it fails a check.
pub fn resource(draft: Draft<'_>, ctx: &MessageContext, validator: &Validator) -> Result<Resource, InvalidResource> {
    let (resource_type, identity, value) = match draft {
        Draft::Delta(draft) => (
            "Observation",
            draft.identity,
            delta_observation(draft, ctx.mode, &ctx.sheet),
        ),
        Draft::Retract(draft) => (
            "Observation",
            draft.last.identity,
            retracted(draft, ctx.mode, &ctx.sheet),
        ),
        Draft::Message(draft) => ("Communication", draft.identity, communication(draft, ctx)),
    };
    checked(resource_type, identity, value, validator).or_else(|refused| match draft {
        // What was copied from the source may be what is wrong: our own words for the site then.
        Draft::Delta(draft) if draft.facts.body_site_json.is_some() => {
            let mut plain = draft.clone();
            plain.facts.body_site_json = None;
            resource(Draft::Delta(&plain), ctx, validator)
        }
        Draft::Retract(draft) if draft.last.facts.body_site_json.is_some() => {
            let mut plain = draft.clone();
            plain.last.facts.body_site_json = None;
            resource(Draft::Retract(&plain), ctx, validator)
        }
        _ => Err(refused),
    })
}

/// The Device resource that the others refer to; written before them. `version` is the service's.
///
/// # Errors
/// When it fails a check (an empty version).
pub fn device_resource(version: &str, validator: &Validator) -> Result<Resource, InvalidResource> {
    checked("Device", identity::device(), device::device(version), validator)
}

fn checked(
    resource_type: &'static str,
    identity: Uuid,
    value: Value,
    validator: &Validator,
) -> Result<Resource, InvalidResource> {
    match validator.validate_derived(&value) {
        Ok(()) => Ok(Resource {
            resource_type,
            identity,
            value,
        }),
        Err(messages) => Err(InvalidResource {
            resource_type,
            identity,
            messages,
            value: Box::new(value),
        }),
    }
}
