//! Procedure → contexts: what was done to the patient, over a time.
//!
//! The same questions in the same order as for an Observation: readable? ours? withdrawn? mapped?
//! status? modifier? patient? time?
//!
//! | status (R4 event-status) | what it gives |
//! | --- | --- |
//! | entered-in-error, not-done | a withdrawal |
//! | preparation, absent, any other | a refusal: nothing has begun |
//! | in-progress, on-hold | a context without an end; an end that is given is only planned |
//! | completed, stopped, unknown | a context with the end that is given, without one if none is |
//!
//! A completed Procedure without an end keeps none: its performedDateTime is when it was performed,
//! and a context that ends as it begins would add nothing.

use super::context;
use super::fault::Fault;
use super::mapping::Mapping;
use super::parts;
use super::reading::{Context, ContextKind, Recognised, Version, Withdrawal};
use super::reason::Reason;
use super::subject;
use crate::fhir::observation;
use crate::fhir::procedure::Procedure;
use crate::fhir::shorten;

/// Recognise one Procedure (JSON text). Never panics, whatever the text; what cannot be used comes
/// back as a refusal with a reason. `id` is the logical id at its source.
///
/// Its code and its category are looked up among the contexts of the mapping. One that is
/// entered-in-error or not-done is a withdrawal, whatever else is wrong with it.
pub fn recognise_procedure(json: &str, id: &str, version: Version, mapping: &Mapping) -> Recognised {
    let mut out = Recognised::nothing(["Procedure/", id].concat(), version);
    let outcome = match observation::parse_as::<Procedure<'_>>(json) {
        Ok(procedure) => whole(&procedure, mapping, &mut out),
        Err(what) => super::remnant(json, &what, "Procedure", withdrawal, &mut out),
    };
    if let Err(fault) = outcome {
        out.refusals.push(fault.at(""));
    }
    out
}

fn whole(procedure: &Procedure<'_>, mapping: &Mapping, out: &mut Recognised) -> Result<(), Fault> {
    super::is_type(procedure.resource_type.as_deref(), "Procedure")?;
    if super::is_ours(procedure.identifier.as_deref(), procedure.meta.as_ref()) {
        return Err(Fault::new(Reason::OwnOutput, ""));
    }
    let no_patient = match subject::patient(procedure.subject.as_ref()) {
        Ok(patient) => {
            out.patient = Some(patient);
            None
        }
        Err(fault) => Some(fault),
    };
    if let Some(withdrawal) = procedure.status.as_deref().and_then(withdrawal) {
        out.withdrawn = Some(withdrawal);
        return Ok(());
    }
    let mut kinds = mapping.contexts(procedure.code.as_ref());
    for kind in mapping.contexts(procedure.category.as_ref()) {
        if !kinds.contains(&kind) {
            kinds.push(kind);
        }
    }
    if kinds.is_empty() {
        return Err(parts::not_mapped(false, procedure.code.as_ref()));
    }
    let ends = has_ended(procedure.status.as_deref())?;
    if procedure
        .modifier_extension
        .as_ref()
        .is_some_and(|list| !list.is_empty())
    {
        return Err(Fault::new(Reason::UnknownModifier, "modifierExtension"));
    }
    if procedure.implicit_rules.is_some() {
        return Err(Fault::new(Reason::UnknownModifier, "implicitRules"));
    }
    no_patient.map_or(Ok(()), Err)?;
    out.contexts = contexts(procedure, &kinds, ends)?;
    Ok(())
}

/// FHIR R4 event-status: the two that take a Procedure back.
fn withdrawal(status: &str) -> Option<Withdrawal> {
    match status {
        "entered-in-error" => Some(Withdrawal::EnteredInError),
        "not-done" => Some(Withdrawal::Cancelled),
        _ => None,
    }
}

/// FHIR R4 event-status: whether an end that is given is one.
fn has_ended(status: Option<&str>) -> Result<bool, Fault> {
    match status {
        Some("completed" | "stopped" | "unknown") => Ok(true),
        Some("in-progress" | "on-hold") => Ok(false),
        Some(other) => Err(Fault::new(
            Reason::StatusNotUsable,
            format!("status {:?}", shorten(other, 40)),
        )),
        None => Err(Fault::new(Reason::StatusNotUsable, "no status")),
    }
}

fn contexts(procedure: &Procedure<'_>, kinds: &[ContextKind], ends: bool) -> Result<Vec<Context>, Fault> {
    let moments = [("performedDateTime", procedure.performed_date_time.as_deref())];
    let period = procedure.performed_period.as_ref();
    if procedure.performed_other.is_some() && moments[0].1.is_none() && period.is_none() {
        let what = "performed[x] is neither a dateTime nor a Period";
        return Err(Fault::new(Reason::NoEffectiveTime, what));
    }
    let (start, end) = context::span(&moments, "performedPeriod", period)?;
    let of = |kind: ContextKind| Context {
        kind,
        start,
        end: match kind {
            ContextKind::Anaesthesia => end.filter(|_| ends),
            // It is the limb that is after ischaemia, not the operation that gave it its blood back.
            ContextKind::AfterIschaemia => None,
        },
    };
    Ok(kinds.iter().copied().map(of).collect())
}
