//! The Communication by which a concern is told (HL7 FHIR R4 Communication).

use crate::outbox::context::MessageContext;
use crate::outbox::draft::{GroundLost, MessageDraft, Occasion, SourceRef};
use crate::outbox::message_text::{is_answered_check, message_text};
use crate::outbox::{device, parts};
use crate::recognise::reading::Withdrawal;
use crate::rules::Tier;
use serde_json::{Value, json};
use uuid::Uuid;

/// CodeSystem of Communication.category.
pub const CATEGORY_SYSTEM: &str = "http://terminology.hl7.org/CodeSystem/communication-category";

/// The Communication. `status` is `completed`: the message is the record itself, complete once it
/// is written; whether somebody has seen it is another Communication's or `received`'s to say.
pub fn communication(draft: &MessageDraft, ctx: &MessageContext) -> Value {
    let mut resource = json!({
        "resourceType": "Communication",
        "id": draft.identity.to_string(),
        "meta": parts::meta(ctx.mode),
        "extension": [parts::sheet_extension(&ctx.sheet)],
        "identifier": parts::identifier(draft.identity),
        "status": "completed",
        "category": [category(draft)],
        "priority": priority(draft),
        "subject": parts::patient_reference(&draft.patient),
        "sent": draft.at.to_string(),
        "sender": device::reference(),
        "payload": payload(draft, ctx),
    });
    if let Some(predecessor) = draft.predecessor {
        resource["inResponseTo"] = json!([parts::derived_reference("Communication", predecessor)]);
    }
    let about = about(draft);
    if !about.is_empty() {
        resource["reasonReference"] = Value::Array(about.clone());
        resource["about"] = Value::Array(about);
    }
    if !ctx.recipients.is_empty() {
        resource["recipient"] = ctx
            .recipients
            .iter()
            .map(|recipient| recipient_reference(recipient))
            .collect();
    }
    resource
}

/// `alert` for a rise to act or critical, `notification` for all else, so that a site can ring for
/// the one and list the other.
fn category(draft: &MessageDraft) -> Value {
    let alert = draft.occasion == Occasion::Raised && draft.tier >= Some(Tier::Act);
    let (code, display) = if alert {
        ("alert", "Alert")
    } else {
        ("notification", "Notification")
    };
    json!({ "coding": [{ "system": CATEGORY_SYSTEM, "code": code, "display": display }] })
}

/// FHIR request-priority. A withdrawal goes out as urgently as what it takes back: who was called
/// must know. That something has closed or was answered calls nobody: `routine`, so that `stat`
/// keeps its meaning.
fn priority(draft: &MessageDraft) -> &'static str {
    let tier = match draft.occasion {
        Occasion::Resolved => return "routine",
        Occasion::Raised => draft.tier,
        Occasion::Withdrawn => draft.tier_before,
    };
    if tier >= Some(Tier::Act) { "stat" } else { "urgent" }
}

/// The delta Observation spoken of. An answered check speaks of none.
fn delta_identity(draft: &MessageDraft) -> Option<Uuid> {
    draft.delta_identity.filter(|_| !is_answered_check(draft))
}

/// What is spoken of: the delta Observation; when there is none, the source Observations, an
/// unusable one too.
fn about(draft: &MessageDraft) -> Vec<Value> {
    if let Some(identity) = delta_identity(draft) {
        return vec![parts::derived_reference("Observation", identity)];
    }
    let mut references: Vec<Value> = draft
        .unusable
        .iter()
        .map(|unusable| parts::source_reference(&unusable.source))
        .collect();
    let measured = draft
        .compartment
        .iter()
        .chain(&draft.diastolic)
        .chain(draft.delta.iter().flat_map(|f| [&f.compartment, &f.diastolic]));
    for reference in measured
        .flat_map(|measured| &measured.sources)
        .map(parts::source_reference)
    {
        push_new(&mut references, reference);
    }
    for lost in &draft.lost {
        push_new(&mut references, lost_reference(lost));
    }
    references
}

/// A source is named once, the first time.
fn push_new(references: &mut Vec<Value>, reference: Value) {
    let same = |known: &Value| known["reference"] == reference["reference"] && known["display"] == reference["display"];
    if !references.iter().any(same) {
        references.push(reference);
    }
}

/// What fell away. A deleted source is named in words only: a server that checks references would
/// refuse the message that tells of the deletion.
fn lost_reference(lost: &GroundLost) -> Value {
    match lost {
        GroundLost::SourceWithdrawn {
            source,
            how: Withdrawal::Deleted,
        } => {
            json!({ "type": "Observation", "display": format!("{source} (deleted)") })
        }
        GroundLost::SourceWithdrawn { source, .. }
        | GroundLost::Recomputed { source, .. }
        | GroundLost::NowElsewhere { source, .. }
        | GroundLost::NoLongerUsable { source } => parts::source_reference(&SourceRef {
            reference: source.clone(),
            version_id: String::new(),
        }),
    }
}

fn recipient_reference(recipient: &str) -> Value {
    if recipient.contains('/') || recipient.starts_with("urn:") {
        json!({ "reference": recipient })
    } else {
        json!({ "display": recipient })
    }
}

fn payload(draft: &MessageDraft, ctx: &MessageContext) -> Value {
    let mut payload = vec![json!({ "contentString": message_text(draft, &ctx.sheet) })];
    if let Some(identity) = delta_identity(draft) {
        payload.push(json!({ "contentReference": parts::derived_reference("Observation", identity) }));
    }
    Value::Array(payload)
}
