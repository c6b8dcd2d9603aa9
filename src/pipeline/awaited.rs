//! Whose birth date is being read: it says whose sheet judges, so a first message is held for it, for
//! a few seconds at most.

use crate::fhir::Instant;
use crate::patient::{Input, State};
use crate::recognise::reading::PatientKey;
use crate::recognise::{Kind, Reading};
use std::collections::HashMap;

/// How long a first message is held while the patient's birth date is being read: a few seconds late
/// is better than by the wrong sheet, and no answer never silences it.
pub const PERSON_SECONDS: i64 = 5;
/// Patients waited for at once; beyond it all are forgotten and told of.
const AWAITED_MAX: usize = 50_000;

/// Until when messages of a patient are held.
#[derive(Default)]
pub(super) struct Awaited(HashMap<PatientKey, Instant>);

impl Awaited {
    /// Until when the messages of this turn are held; None when they go out. Asked only where a source
    /// is read for the Patient. A patient who was told of before, or is known, is never held.
    pub(super) fn until(
        &mut self,
        patient: &PatientKey,
        state: &State,
        inputs: &[Input],
        now: Instant,
    ) -> Option<Instant> {
        let arrives = inputs.iter().any(|input| matches!(input, Input::Person { .. }));
        if arrives || state.birth_date.is_some() || state.label.is_some() {
            self.0.remove(patient);
            return None;
        }
        if let Some(latest) = self.0.get(patient) {
            return (now < *latest).then_some(*latest);
        }
        let is_compartment = |reading: &Reading| reading.kind == Kind::Compartment;
        let measured = inputs.iter().any(|input| match input {
            Input::Recognised(recognised) => recognised.readings.iter().any(is_compartment),
            _ => false,
        });
        if !measured || !state.concerns.is_empty() || !state.standing.is_empty() {
            return None;
        }
        if self.0.len() >= AWAITED_MAX {
            self.0.clear();
        }
        let latest = now.plus_seconds(PERSON_SECONDS);
        self.0.insert(patient.clone(), latest);
        Some(latest)
    }
}
