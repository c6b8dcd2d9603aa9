//! What a resource says of the patient over a time: kinds and times → [`Context`]s.
//!
//! A context only adds a second look at a delta, so a doubt about its end makes it longer: an end
//! that is not recorded is None (the rule sheet says how long that counts), an end that names a day
//! is the last moment of that day. Its start is never guessed.

use super::fault::Fault;
use super::frame::{Frame, Held};
use super::mapping::{Class, Mapping};
use super::parts;
use super::reading::{Context, ContextKind, Recognised};
use super::reason::Reason;
use super::time;
use crate::fhir::Instant;
use crate::fhir::observation::{self, CodeableConcept, Observation, Period};

/// From when, and to when if that is recorded.
pub(super) type Span = (Instant, Option<Instant>);

/// Read an Observation whose code stands for `kinds`, and the pressures that it holds beside, if any.
pub(super) fn read(
    observation: &Observation<'_>,
    class: Class<'_>,
    kinds: &[ContextKind],
    no_patient: Option<Fault>,
    mapping: &Mapping,
    out: &mut Recognised,
) -> Result<(), Fault> {
    let frame = Frame {
        label: String::new(),
        parent: 0,
        observation: Held::Whole(observation),
    };
    let found = observed(&frame, kinds, no_patient.clone(), mapping);
    let found = found.map(|contexts| out.contexts = contexts);
    if observation.component.is_none() && observation.has_member.is_none() {
        return found;
    }
    match parts::read(observation, class, no_patient, mapping, out) {
        // No pressure beside the context, and none was meant.
        Err(fault) if fault.reason == Reason::CodeNotMapped => found,
        read => found.and(read),
    }
}

/// Without a value, or with any but false or no, it is so.
fn observed(
    frame: &Frame<'_, '_>,
    kinds: &[ContextKind],
    no_patient: Option<Fault>,
    mapping: &Mapping,
) -> Result<Vec<Context>, Fault> {
    let observation = &frame.observation;
    if frame.status()?.is_none() {
        return Err(Fault::new(Reason::StatusNotUsable, "no status"));
    }
    frame.meaning_is_plain()?;
    no_patient.map_or(Ok(()), Err)?;
    if observation.data_absent_reason.is_some() {
        return Err(Fault::new(Reason::DataAbsent, ""));
    }
    let said = observation.value_other.map(|raw| raw.get());
    if said.and_then(|said| answer(said, mapping)) == Some(false) {
        return Err(Fault::new(Reason::NotSo, ""));
    }
    let moments = [
        ("effectiveDateTime", observation.effective_date_time.as_deref()),
        ("effectiveInstant", observation.effective_instant.as_deref()),
    ];
    let (start, end) = span(&moments, "effectivePeriod", observation.effective_period.as_ref())?;
    Ok(kinds.iter().map(|&kind| Context { kind, start, end }).collect())
}

/// `value[x]` as JSON text → yes or no; None when it is neither.
pub(super) fn answer(json: &str, mapping: &Mapping) -> Option<bool> {
    match json {
        "true" => Some(true),
        "false" => Some(false),
        _ => mapping.answer(&observation::read::<CodeableConcept<'_>>(json).ok()?),
    }
}

/// The time as given: one of `moments` (element and text), from which on it is so, or a Period.
pub(super) fn span(
    moments: &[(&str, Option<&str>)],
    element: &str,
    period: Option<&Period<'_>>,
) -> Result<Span, Fault> {
    let mut moments = moments
        .iter()
        .filter_map(|(element, text)| text.map(|text| (*element, text)));
    match (moments.next(), moments.next(), period) {
        (Some((element, text)), None, None) => Ok((time::moment(element, text)?.earliest, None)),
        (None, None, Some(period)) => of_period(element, period),
        (None, None, None) => Err(Fault::new(Reason::NoEffectiveTime, "")),
        _ => Err(Fault::new(
            Reason::EffectiveTimeInvalid,
            "more than one effective[x] or performed[x]",
        )),
    }
}

fn of_period(element: &str, period: &Period<'_>) -> Result<Span, Fault> {
    let part = |name: &str| format!("{element}.{name}");
    let Some(start) = &period.start else {
        return Err(Fault::new(Reason::NoEffectiveTime, format!("{element} has no start")));
    };
    let start = time::moment(&part("start"), start)?.earliest;
    let end = period.end.as_deref().map(|end| time::parse(&part("end"), end));
    let end = end.transpose()?.map(|span| span.latest);
    if end.is_some_and(|end| start > end) {
        let what = format!("{element} ends before it starts");
        return Err(Fault::new(Reason::EffectiveTimeInvalid, what));
    }
    Ok((start, end))
}
