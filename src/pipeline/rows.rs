//! What a step decided, as rows of the commit.

use crate::fhir::Instant;
use crate::outbox::build::{InvalidResource, Resource};
use crate::outbox::local_references::localise;
use crate::patient::effect::History;
use crate::patient::state::{Concern, Slot, Standing};
use crate::patient::{State, Step};
use crate::recognise::reading::PatientKey;
use crate::store::records::PatientChange;
use crate::store::{DerivedRow, EventRow, OutboxEntry, OutboxState};
use std::collections::BTreeSet;

/// A derived resource as a row; its references point to our own endpoint.
pub(super) fn derived_row(mut resource: Resource, patient: Option<&PatientKey>, now: Instant) -> DerivedRow {
    localise(&mut resource.value);
    DerivedRow {
        identity: resource.identity,
        resource_type: resource.resource_type.to_owned(),
        patient: patient.cloned(),
        body: resource.value,
        last_updated: now,
        version: 0,
    }
}

/// A derived resource on its way to a server.
pub(super) fn outbox_entry(resource: Resource, patient: &PatientKey, now: Instant) -> OutboxEntry {
    OutboxEntry {
        seq: 0,
        group: 0,
        identity: resource.identity,
        resource_type: resource.resource_type.to_owned(),
        patient: patient.clone(),
        body: resource.value,
        state: OutboxState::Waiting,
        attempts: 0,
        next_attempt: now,
        last_answer: String::new(),
    }
}

/// A derived resource that failed its own check: kept and shown, never sent as it is.
pub(super) fn stopped_entry(error: InvalidResource, patient: &PatientKey, now: Instant) -> OutboxEntry {
    OutboxEntry {
        seq: 0,
        group: 0,
        identity: error.identity,
        resource_type: error.resource_type.to_owned(),
        patient: patient.clone(),
        body: *error.value,
        state: OutboxState::Stopped,
        attempts: 0,
        next_attempt: now,
        last_answer: format!("failed our own check: {}", error.messages.join("; ")),
    }
}

/// The rows of a patient that a step changed.
pub(super) fn changes(state: &State, step: &Step, now: Instant) -> PatientChange {
    let patient = &state.patient;
    let slots: BTreeSet<&String> = step.slots.iter().collect();
    PatientChange {
        patient: patient.clone(),
        birth_date: state.birth_date.clone(),
        label: state.label.clone(),
        next_due: state.next_due,
        slots: slots
            .into_iter()
            .filter_map(|source| state.slots.get(source).map(|slot| Slot::clone(slot)))
            .collect(),
        forgotten: step.forgotten.clone(),
        forgotten_standing: step.forgotten_standing.clone(),
        standing: step
            .standing
            .iter()
            .filter_map(|identity| {
                state
                    .standing
                    .get(identity)
                    .map(|standing| (*identity, Standing::clone(standing)))
            })
            .collect(),
        concerns: step
            .concerns
            .iter()
            .filter_map(|key| {
                state
                    .concerns
                    .get(key)
                    .map(|concern| (key.clone(), Concern::clone(concern)))
            })
            .collect(),
        events: step.history.iter().map(|line| event_row(line, patient, now)).collect(),
    }
}

fn event_row(line: &History, patient: &PatientKey, now: Instant) -> EventRow {
    EventRow {
        patient: patient.clone(),
        site_key: line.site_key.clone(),
        site_text: line.site_text.clone(),
        family: line.family,
        at: now,
        tier_before: line.tier_before,
        tier: line.tier,
        occasion: line.occasion,
        text: line.text.clone(),
        message: line.message,
    }
}

/// "critical (from act) · left leg, anterior compartment · delta pressure …".
pub(super) fn history_words(line: &History) -> String {
    use crate::outbox::draft::Occasion;
    let tier = |tier: Option<crate::rules::Tier>| tier.map_or("none", crate::rules::Tier::word);
    let what = match line.occasion {
        Some(Occasion::Raised) => format!("{} raised", tier(line.tier)),
        Some(Occasion::Withdrawn) => format!("withdrawn ({} told, now {})", tier(line.tier_before), tier(line.tier)),
        Some(Occasion::Resolved) => format!("{} closed", tier(line.tier_before)),
        None => format!("{}, was {}", tier(line.tier), tier(line.tier_before)),
    };
    format!("{what} · {} · {}", line.site_text, line.text)
}
