//! Patients held in memory between two steps: a bounded number, the least recently used go first
//! and are read again from the store when they are touched.

use crate::patient::State;
use crate::recognise::reading::PatientKey;
use std::collections::HashMap;

/// Resources held of all patients together. One takes about a kilobyte.
const SLOTS_MAX: usize = 40_000;

/// Two generations: whoever is touched moves to the younger; when that is half of what may be held,
/// it becomes the older, and the older is let go.
pub(super) struct Held {
    young: HashMap<PatientKey, State>,
    old: HashMap<PatientKey, State>,
    /// Slots in `young`, and one for each patient.
    weight: usize,
    patients_max: usize,
}

impl Held {
    /// Nobody yet; at most `patients_max` patients.
    pub(super) fn new(patients_max: usize) -> Self {
        Self {
            young: HashMap::new(),
            old: HashMap::new(),
            weight: 0,
            patients_max,
        }
    }

    /// Take a patient out, to be stepped.
    pub(super) fn take(&mut self, patient: &PatientKey) -> Option<State> {
        match self.young.remove(patient) {
            Some(state) => {
                self.weight -= weight(&state);
                Some(state)
            }
            None => self.old.remove(patient),
        }
    }

    /// Hold a patient.
    pub(super) fn put(&mut self, state: State) {
        self.weight += weight(&state);
        self.young.insert(state.patient.clone(), state);
        if self.young.len() > self.patients_max / 2 || self.weight > SLOTS_MAX / 2 {
            self.old = std::mem::take(&mut self.young);
            self.weight = 0;
        }
    }

    /// Let everybody go.
    pub(super) fn clear(&mut self) {
        self.young.clear();
        self.old.clear();
        self.weight = 0;
    }
}

fn weight(state: &State) -> usize {
    1 + state.slots.len() + state.standing.len()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn state(number: usize) -> State {
        State::new(PatientKey(format!("Patient/{number}")))
    }

    #[test]
    fn never_more_than_the_limit_is_held_and_who_is_touched_stays() {
        let mut held = Held::new(10);
        for number in 0..100 {
            held.put(state(number));
            assert!(held.young.len() + held.old.len() <= 11);
            let first = held.take(&PatientKey("Patient/0".into())).unwrap();
            held.put(first);
        }
        assert!(held.take(&PatientKey("Patient/1".into())).is_none());
        assert!(held.take(&PatientKey("Patient/99".into())).is_some());
    }

    #[test]
    fn the_weight_goes_back_to_nothing() {
        let mut held = Held::new(100);
        for number in 0..20 {
            held.put(state(number));
        }
        for number in 0..20 {
            held.take(&PatientKey(format!("Patient/{number}"))).unwrap();
        }
        assert_eq!(held.weight, 0);
    }
}
