//! 2. Observation or Procedure → Readings or contexts, or set aside with a reason. Pure.
//!
//! Comes in: the JSON of one Observation or Procedure and the mapping (ConceptMaps and CodeSystems
//! of `profiles/`). Goes out: [`reading::Recognised`]: readings, or contexts, or a withdrawal, or at
//! least one refusal; nothing is silently dropped. Never guesses a unit, a side or a site.
//!
//! The order of the questions is fixed, and the first that fails is the one reason that is given
//! for the whole: readable? ours? withdrawn? mapped? status? modifier and focus? patient? time?
//! Then each part answers for its own value.

mod context;
mod fault;
mod frame;
mod head;
pub mod mapping;
mod parts;
mod person;
mod procedure;
mod quality;
pub mod reading;
pub mod reason;
mod site;
mod subject;
mod time;
mod value;

pub use head::Head;
pub use mapping::{Mapping, MappingError};
pub use person::{Person, person};
pub use procedure::recognise_procedure;
pub use reading::{
    Context, ContextKind, Kind, Method, PatientKey, Quality, Reading, Recognised, Side, Site, Version, Withdrawal,
};
pub use reason::{Meant, Reason, Refusal};

use crate::fhir::observation::{self, CodeableConcept, Identifier, Meta, Observation, Raw, Reference, Remnant, Text};
use crate::fhir::{reference, shorten};
use fault::Fault;
use mapping::What;

/// Our CodeSystem of measurements (there is no LOINC code for a compartment pressure).
pub const MEASUREMENT_SYSTEM: &str = "https://deltaward.example/fhir/CodeSystem/measurement";
/// Our CodeSystem of compartments.
pub const COMPARTMENT_SYSTEM: &str = "https://deltaward.example/fhir/CodeSystem/compartment";
/// Our CodeSystem of what codes mean: the target of the ConceptMaps.
pub const READING_SYSTEM: &str = "https://deltaward.example/fhir/CodeSystem/reading";
/// The identifier system of everything that this service derives.
pub const DERIVED_IDENTIFIER_SYSTEM: &str = "https://deltaward.example/fhir/derived";
/// The system of the `meta.tag` (shadow or live) of everything that this service derives.
pub const MODE_TAG_SYSTEM: &str = "https://deltaward.example/fhir/CodeSystem/mode";

/// Recognise one Observation (JSON text). Never panics, whatever the text; what cannot be used
/// comes back as a refusal with a reason. `id` is the logical id at its source.
///
/// An Observation that is entered-in-error or cancelled is a withdrawal, whatever else is wrong
/// with it. Our own output is refused as [`Reason::OwnOutput`], also when it is entered-in-error.
pub fn recognise(json: &str, id: &str, version: Version, mapping: &Mapping) -> Recognised {
    // Borrowed: an Observation is large.
    let read = observation::parse(json);
    let read = read.as_ref().map_err(String::as_str);
    recognise_read(read, json, id, version, mapping)
}

/// As [`recognise`], of an Observation that was read from `json` already.
fn recognise_read(
    read: Result<&Observation<'_>, &str>,
    json: &str,
    id: &str,
    version: Version,
    mapping: &Mapping,
) -> Recognised {
    let mut out = Recognised {
        source: ["Observation/", id].concat(),
        version,
        patient: None,
        withdrawn: None,
        readings: Vec::new(),
        refusals: Vec::new(),
        members: Vec::new(),
        members_side: Side::Unstated,
        contexts: Vec::new(),
    };
    let mut compartment = false;
    let outcome = match read {
        Ok(observation) => whole(observation, mapping, &mut out, &mut compartment),
        Err(what) => unreadable(json, what, mapping, &mut out),
    };
    if let Err(fault) = outcome {
        out.refusals.push(fault.at(""));
    }
    if compartment {
        tell_what_was_meant(json, mapping, &mut out.refusals);
    }
    out
}

/// Recognise one resource that is read for pressures or contexts, its references to the source itself
/// (`bases`) made relative.
pub fn resource(
    resource_type: &str,
    body: &str,
    id: &str,
    version: Version,
    mapping: &Mapping,
    bases: &[String],
) -> Recognised {
    let mut recognised = match resource_type {
        "Procedure" => recognise_procedure(body, id, version, mapping),
        _ => recognise(body, id, version, mapping),
    };
    make_relative(&mut recognised, bases);
    recognised
}

/// True when only the code of an Observation says that it is of no patient's concern: no mapping knows it, and
/// neither value, subject, time nor anything else in it is asked.
pub(crate) fn is_foreign(observation: &Observation<'_>, mapping: &Mapping) -> bool {
    let class = mapping.classify(observation.code.as_ref());
    class.what.is_none()
        && !class.contradictory
        && mapping.contexts(observation.code.as_ref()).is_empty()
        && !is_ours(observation.identifier.as_deref(), observation.meta.as_ref())
        && parts::is_simple(observation)
}

/// As [`resource`] of an Observation that was read from `body` already: in one pass with its head.
pub fn observation(
    read: &Observation<'_>,
    body: &str,
    id: &str,
    version: Version,
    mapping: &Mapping,
    bases: &[String],
) -> Recognised {
    let mut recognised = recognise_read(Ok(read), body, id, version, mapping);
    make_relative(&mut recognised, bases);
    recognised
}

fn make_relative(recognised: &mut Recognised, bases: &[String]) {
    for base in bases {
        let relative = |text: &str| {
            reference::parse(text, Some(base))
                .ok()
                .map(|reference| reference.to_string())
        };
        if let Some(patient) = &mut recognised.patient
            && let Some(local) = relative(&patient.0)
        {
            patient.0 = local;
        }
        for member in &mut recognised.members {
            if let Some(local) = relative(member) {
                *member = local;
            }
        }
    }
}

/// The questions that concern the resource as a whole, up to the withdrawal; the rest is
/// [`parts::read`].
fn whole(
    observation: &Observation<'_>,
    mapping: &Mapping,
    out: &mut Recognised,
    compartment: &mut bool,
) -> Result<(), Fault> {
    is_type(observation.resource_type.as_deref(), "Observation")?;
    let class = mapping.classify(observation.code.as_ref());
    if is_ours(observation.identifier.as_deref(), observation.meta.as_ref()) || class.what == Some(What::Derived) {
        return Err(Fault::new(Reason::OwnOutput, ""));
    }
    let no_patient = match subject::patient(observation.subject.as_ref()) {
        Ok(patient) => {
            out.patient = Some(patient);
            None
        }
        Err(fault) => Some(fault),
    };
    if let Some(withdrawal) = observation.status.as_deref().and_then(withdrawal) {
        out.withdrawn = Some(withdrawal);
        return Ok(());
    }
    if class.what.is_none() && !class.contradictory {
        let kinds = mapping.contexts(observation.code.as_ref());
        if !kinds.is_empty() {
            return context::read(observation, class, &kinds, no_patient, mapping, out);
        }
    }
    *compartment = class.what == Some(What::Pressure(Kind::Compartment));
    parts::read(observation, class, no_patient, mapping, out)
}

/// Say of every lost measurement of a compartment Observation what was meant. Read again: this is
/// rare, and the common path stays as fast as it is.
fn tell_what_was_meant(json: &str, mapping: &Mapping, refusals: &mut [Refusal]) {
    // A component that cannot be read has said it itself, unless it is known to be no compartment pressure.
    let is_odd_component =
        |refusal: &Refusal| refusal.reason == Reason::Unreadable && refusal.part.contains("component[");
    let lost = |refusal: &&mut Refusal| {
        refusal.meant.is_none() && fault::is_lost_measurement(refusal.reason) && !is_odd_component(refusal)
    };
    let mut refusals = refusals.iter_mut().filter(lost).peekable();
    if refusals.peek().is_some()
        && let Ok(observation) = observation::parse(json)
    {
        let meant = parts::meant(&observation, mapping);
        refusals.for_each(|refusal| refusal.meant = Some(Box::new(meant.clone())));
    }
}

fn is_type(found: Option<&str>, wanted: &str) -> Result<(), Fault> {
    match found {
        Some(found) if found == wanted => Ok(()),
        Some(other) => Err(Fault::new(
            Reason::Unreadable,
            format!("resourceType is {:?}", shorten(other, 40)),
        )),
        None => Err(Fault::new(Reason::Unreadable, "resourceType is missing")),
    }
}

/// FHIR R4 observation-status: the two that take a measurement back.
fn withdrawal(status: &str) -> Option<Withdrawal> {
    match status {
        "entered-in-error" => Some(Withdrawal::EnteredInError),
        "cancelled" => Some(Withdrawal::Cancelled),
        _ => None,
    }
}

/// By our identifier system or our tag; the code is asked of the mapping.
fn is_ours(identifiers: Option<&[Identifier<'_>]>, meta: Option<&Meta<'_>>) -> bool {
    let mut identifiers = identifiers.into_iter().flatten();
    let mut tags = meta.iter().filter_map(|meta| meta.tag.as_ref()).flatten();
    identifiers.any(|identifier| identifier.system.as_deref() == Some(DERIVED_IDENTIFIER_SYSTEM))
        || tags.any(|tag| tag.system.as_deref() == Some(MODE_TAG_SYSTEM))
}

/// Even of a resource that cannot be read a withdrawal is taken, if its JSON holds together.
fn unreadable(json: &str, what: &str, mapping: &Mapping, out: &mut Recognised) -> Result<(), Fault> {
    let fault = remnant(json, what, "Observation", withdrawal, out);
    let code = observation::read::<Remnant<'_>>(json)
        .ok()
        .and_then(|remnant| remnant.code);
    let code = code.and_then(|raw| observation::read::<CodeableConcept<'_>>(raw.get()).ok());
    match fault {
        // Somebody measured a compartment: that the reading is lost is told, though not from where.
        Err(fault) if mapping.classify(code.as_ref()).what == Some(What::Pressure(Kind::Compartment)) => {
            let meant = Meant {
                site: Site::unstated(),
                at: None,
                sent: None,
            };
            let mut refusal = fault.at("");
            refusal.meant = Some(Box::new(meant));
            out.refusals.push(refusal);
            Ok(())
        }
        other => other,
    }
}

/// What can be read of a resource of type `wanted` that cannot be read as a whole.
fn remnant(
    json: &str,
    what: &str,
    wanted: &str,
    withdrawal: fn(&str) -> Option<Withdrawal>,
    out: &mut Recognised,
) -> Result<(), Fault> {
    if let Ok(remnant) = observation::read::<Remnant<'_>>(json) {
        is_type(text(remnant.resource_type).as_deref(), wanted)?;
        let subject = remnant
            .subject
            .and_then(|raw| observation::read::<Reference<'_>>(raw.get()).ok());
        out.patient = subject::patient(subject.as_ref()).ok();
        out.withdrawn = text(remnant.status).as_deref().and_then(withdrawal);
        if out.withdrawn.is_some() {
            return Ok(());
        }
    }
    Err(Fault::new(Reason::Unreadable, what))
}

fn text(raw: Option<Raw<'_>>) -> Option<Text<'_>> {
    observation::read(raw?.get()).ok()
}
