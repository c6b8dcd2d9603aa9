//! Observation.subject → the patient as the record refers to them, and references to members.

use super::fault::Fault;
use super::reading::PatientKey;
use super::reason::Reason;
use crate::fhir::observation::Reference;
use crate::fhir::reference::{self, Reference as Literal};

/// The patient. Two references to one patient give one key as far as the text alone can tell: a
/// version is dropped, a relative reference stays relative, an absolute one absolute.
pub(super) fn patient(subject: Option<&Reference<'_>>) -> Result<PatientKey, Fault> {
    let subject = subject.ok_or_else(|| Fault::new(Reason::NoPatient, "no subject"))?;
    if let Some(stated) = subject.target_type.as_deref()
        && !is_patient_type(stated)
    {
        return Err(Fault::new(Reason::SubjectNotAPatient, "subject.type is not Patient"));
    }
    match subject.reference.as_deref() {
        Some(text) => literal(text),
        None => logical(subject),
    }
}

/// Reference.type is a uri: the name alone stands for the R4 StructureDefinition of that name.
fn is_patient_type(text: &str) -> bool {
    text.strip_prefix("http://hl7.org/fhir/StructureDefinition/")
        .unwrap_or(text)
        == "Patient"
}

fn literal(text: &str) -> Result<PatientKey, Fault> {
    let literal = reference::parse(text, None).map_err(|error| Fault::new(Reason::NoPatient, error.to_string()))?;
    if let Some(target) = literal.target()
        && target.resource_type != "Patient"
    {
        let kind = crate::fhir::shorten(target.resource_type, 30);
        return Err(Fault::new(
            Reason::SubjectNotAPatient,
            format!("the subject is a {kind}"),
        ));
    }
    match literal {
        // A patient that stands inside one Observation cannot be the patient of another.
        Literal::Contained(_) => Err(Fault::new(Reason::NoPatient, "the subject is a contained resource")),
        // `Patient?identifier=…`: legal only inside a transaction, where the receiver resolves it.
        Literal::Other(uri) if uri.contains('?') => Err(Fault::new(Reason::NoPatient, "the subject is a search")),
        // The common case, spared the formatting: the text is its own key.
        Literal::Here(target) if target.version.is_none() => Ok(PatientKey(text.to_owned())),
        other => Ok(PatientKey(other.to_string())),
    }
}

fn logical(subject: &Reference<'_>) -> Result<PatientKey, Fault> {
    let Some(identifier) = &subject.identifier else {
        return Err(Fault::new(
            Reason::NoPatient,
            "the subject has neither reference nor identifier",
        ));
    };
    match (
        stated(identifier.system.as_deref()),
        stated(identifier.value.as_deref()),
    ) {
        (Some(system), Some(value)) => Ok(PatientKey(format!("identifier:{system}|{value}"))),
        // Without its system a number may stand for two patients.
        _ => Err(Fault::new(
            Reason::NoPatient,
            "the subject's identifier lacks system or value",
        )),
    }
}

fn stated(text: Option<&str>) -> Option<&str> {
    text.filter(|text| !text.trim().is_empty())
}

/// What hasMember names.
pub(super) enum Member {
    /// A contained resource, by its id.
    Contained(String),
    /// Another Observation.
    External(String),
    /// Something that is not an Observation, or that the text does not tell.
    Other,
}

pub(super) fn member(member: &Reference<'_>) -> Member {
    let literal = member
        .reference
        .as_deref()
        .and_then(|text| reference::parse(text, None).ok());
    match literal {
        Some(Literal::Contained(id)) => Member::Contained(id.to_owned()),
        Some(Literal::Uuid(_)) => literal.map_or(Member::Other, |uuid| Member::External(uuid.to_string())),
        Some(other)
            if other
                .target()
                .is_some_and(|target| target.resource_type == "Observation") =>
        {
            Member::External(other.to_string())
        }
        _ => Member::Other,
    }
}
