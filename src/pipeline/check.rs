//! `deltaward store check`: every patient recomputed from the stored inputs, by the same pure
//! functions that judged them, and compared with what stands. Reads only.

use super::settings::Settings;
use super::work::{RECOGNISED, Work};
use crate::fhir::Instant;
use crate::outbox::context::SheetRef;
use crate::outbox::delta_observation::delta_observation;
use crate::outbox::draft::DeltaDraft;
use crate::patient::effect::Effect;
use crate::patient::state::{Slot, Standing, State};
use crate::patient::step;
use crate::recognise::reading::PatientKey;
use crate::recognise::{Reason, Withdrawal};
use crate::rules::Sheet;
use crate::store::{Store, StoreError};
use anyhow::bail;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::fmt;
use uuid::Uuid;

/// Patients or inputs read at a time.
const AT_A_TIME: usize = 500;

/// One thing that is not as the inputs say. It names a patient: for a terminal, never for a log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Difference {
    /// Whose; None when it is of nobody.
    pub patient: Option<PatientKey>,
    /// What stands and what should.
    pub text: String,
}

impl fmt::Display for Difference {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.patient {
            Some(patient) => write!(f, "{patient}: {}", self.text),
            None => f.write_str(&self.text),
        }
    }
}

/// What was looked at.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Looked {
    /// Patients.
    pub patients: usize,
    /// Inputs that hold readings or contexts.
    pub inputs: usize,
    /// Derived Observations that stand.
    pub standing: usize,
    /// Concerns that are open.
    pub open: usize,
}

/// Recompute every patient; each difference goes to `report`.
///
/// # Errors
/// When the store cannot be read, or was judged by another mapping or rule sheet than `settings`.
pub fn check(
    store: &dyn Store,
    settings: &Settings,
    now: Instant,
    report: &mut dyn FnMut(Difference),
) -> anyhow::Result<Looked> {
    same_grounds(store, settings)?;
    let mut check = Check {
        store,
        settings,
        work: Work::new(store, settings, now),
        now,
        held: HashSet::new(),
        open: BTreeSet::new(),
        beyond: BTreeMap::new(),
        looked: Looked::default(),
        report,
    };
    let mut after: Option<PatientKey> = None;
    loop {
        let patients = store.patients_after(after.as_ref(), AT_A_TIME)?;
        let Some(last) = patients.last() else { break };
        after = Some(last.clone());
        for patient in &patients {
            check.patient(patient)?;
        }
    }
    check.inputs_without_slot()?;
    check.open_concerns()?;
    Ok(check.looked)
}

/// Another mapping or sheet judges differently: that is no fault of the store.
fn same_grounds(store: &dyn Store, settings: &Settings) -> anyhow::Result<()> {
    let [adult, child] = settings.sheets.both().map(|sheet| &sheet.hash);
    for (key, what, hash) in [
        ("mapping_hash", "mapping", &settings.mapping.hash),
        ("sheet_hash", "rule sheet", adult),
        ("child_sheet_hash", "children's rule sheet", child),
    ] {
        if store.meta(key)?.is_some_and(|before| before != *hash) {
            bail!(
                "the store was judged by another {what} than this configuration names; give the configuration of the \
                 service with --config, or start the service once with this one"
            );
        }
    }
    Ok(())
}

struct Check<'c> {
    store: &'c dyn Store,
    settings: &'c Settings,
    work: Work<'c>,
    now: Instant,
    /// Patient and source of every slot.
    held: HashSet<(String, String)>,
    /// Open concerns as the patients' rows have them.
    open: BTreeSet<(String, String, &'static str)>,
    /// Sources that were set aside as too old to be judged, of patients who have such.
    beyond: BTreeMap<PatientKey, HashSet<String>>,
    looked: Looked,
    report: &'c mut dyn FnMut(Difference),
}

impl Check<'_> {
    fn differs(&mut self, patient: &PatientKey, text: String) {
        (self.report)(Difference {
            patient: Some(patient.clone()),
            text,
        });
    }

    fn patient(&mut self, patient: &PatientKey) -> Result<(), StoreError> {
        let state = self.store.load_patient(patient)?;
        self.looked.patients += 1;
        for slot in state.slots.values() {
            self.held.insert((patient.0.clone(), slot.source.clone()));
            if let Some(text) = self.slot(patient, slot)? {
                self.differs(patient, text);
            }
        }
        for (key, concern) in &state.concerns {
            if concern.tier.is_some() {
                self.open
                    .insert((patient.0.clone(), key.site.clone(), key.family.word()));
            }
        }
        // What time alone changes is changed when the timer comes: until then it stands rightly.
        let before_timer = state
            .next_due
            .map(|due| Instant::from_millis(due.millis().saturating_sub(1)));
        let at = before_timer.map_or(self.now, |before| before.min(self.now));
        let sheets = std::sync::Arc::clone(&self.settings.sheets);
        let sheet = sheets.for_patient(state.birth_date.as_deref(), at);
        for text in self.observations(&state, sheet, at) {
            self.differs(patient, text);
        }
        for identity in state.standing.keys() {
            if let Some(text) = self.served(identity, &state.standing[identity], sheet)? {
                self.differs(patient, text);
            }
        }
        for text in self.messages(state, sheet, at) {
            self.differs(patient, text);
        }
        Ok(())
    }

    /// Does a slot hold what its input says?
    fn slot(&mut self, patient: &PatientKey, slot: &Slot) -> Result<Option<String>, StoreError> {
        let source = &slot.source;
        let Some((resource_type, id)) = source.split_once('/') else {
            return Ok(Some(format!("{source} is no address of a resource")));
        };
        let Some(input) = self.store.input(resource_type, id)? else {
            return Ok(Some(format!("{source} is judged, and its input is not there")));
        };
        self.looked.inputs += 1;
        let elsewhere = input.patient.as_ref() != Some(patient);
        Ok(match slot.withdrawn {
            Some(Withdrawal::Deleted) if !input.deleted && !elsewhere => {
                Some(format!("{source} is judged as deleted, and is not"))
            }
            Some(Withdrawal::MovedToAnotherPatient) if !elsewhere && !input.deleted => {
                Some(format!("{source} is judged as moved away, and is filed here"))
            }
            Some(Withdrawal::Deleted | Withdrawal::MovedToAnotherPatient) => None,
            _ if elsewhere => Some(format!("{source} is judged here, and is filed elsewhere")),
            _ if input.deleted => Some(format!("{source} was deleted, and is judged")),
            _ => {
                let found = self.work.recognise(resource_type, &input.body, id, input.version);
                let same = found.withdrawn == slot.withdrawn
                    && found.readings == slot.readings
                    && found.refusals == slot.refusals
                    && found.members == slot.members
                    && found.members_side == slot.members_side
                    && found.contexts == slot.contexts;
                (!same).then(|| format!("{source} is judged otherwise than its input reads"))
            }
        })
    }

    /// Derived Observations made anew from the readings alone, against those that stand.
    fn observations(&mut self, state: &State, sheet: &Sheet, at: Instant) -> Vec<String> {
        let mut bare = state.clone();
        bare.standing.clear();
        for slot in bare.slots.values_mut() {
            slot.published.clear();
        }
        let made = step(&mut bare, Vec::new(), sheet, self.settings.policy, at);
        let wanted: BTreeMap<Uuid, DeltaDraft> = made
            .effects
            .into_iter()
            .filter_map(|effect| match effect {
                Effect::Publish(draft) => Some((draft.identity, draft)),
                _ => None,
            })
            .collect();
        let mut texts = Vec::new();
        for (identity, standing) in state.standing.iter().filter(|(_, standing)| !standing.retracted) {
            self.looked.standing += 1;
            match wanted.get(identity) {
                None => texts.push(format!("Observation/{identity} stands without its ground")),
                Some(draft) if draft.facts != standing.draft.facts => {
                    texts.push(format!(
                        "Observation/{identity} stands on other facts than the readings give"
                    ));
                }
                Some(_) => {}
            }
        }
        let stands = |identity: &Uuid| state.standing.get(identity).is_some_and(|standing| !standing.retracted);
        let missing = wanted.keys().filter(|identity| !stands(identity));
        texts.extend(missing.map(|identity| format!("Observation/{identity} ought to stand, and does not")));
        texts
    }

    /// Is what `/fhir` serves of a derived Observation what stands?
    fn served(&self, identity: &Uuid, standing: &Standing, sheet: &Sheet) -> Result<Option<String>, StoreError> {
        let Some(row) = self.store.read("Observation", &identity.to_string())? else {
            return Ok(Some(format!("Observation/{identity} stands, and is not in the store")));
        };
        let served: Value = serde_json::from_str(&row.body).unwrap_or_default();
        let right = delta_observation(&standing.draft, self.settings.mode, &SheetRef::from(sheet));
        let withdrawn = served["status"] == "entered-in-error";
        if withdrawn != standing.retracted {
            return Ok(Some(format!(
                "Observation/{identity} is served with status {}",
                served["status"]
            )));
        }
        let elements = [
            "subject",
            "effectiveDateTime",
            "effectivePeriod",
            "valueQuantity",
            "component",
        ];
        let other = elements.into_iter().find(|element| served[element] != right[element]);
        Ok(other.map(|element| format!("Observation/{identity} is served with another {element} than stands")))
    }

    /// Messages and concerns that a step would bring though nothing arrived.
    fn messages(&self, state: State, sheet: &Sheet, at: Instant) -> Vec<String> {
        let mut stepped = state;
        let made = step(&mut stepped, Vec::new(), sheet, self.settings.policy, at);
        let mut texts: Vec<String> = Vec::new();
        for line in &made.history {
            let tier = line.tier.map_or("none", crate::rules::Tier::word);
            let before = line.tier_before.map_or("none", crate::rules::Tier::word);
            texts.push(format!(
                "the concern of {} ({}) stands at {before}, and is {tier} by its readings",
                line.site_text,
                line.family.word()
            ));
        }
        let untold = made
            .effects
            .iter()
            .filter(|effect| matches!(effect, Effect::Notify(_)))
            .count();
        if untold > 0 && texts.is_empty() {
            texts.push(format!("{untold} messages ought to have been told, and were not"));
        }
        texts
    }

    /// Inputs that are filed under a patient who does not hold them.
    fn inputs_without_slot(&mut self) -> Result<(), StoreError> {
        let mut after: Option<(String, String)> = None;
        loop {
            let from = after.as_ref().map(|(kind, id)| (kind.as_str(), id.as_str()));
            let rows = self.store.inputs_after(from, AT_A_TIME)?;
            let Some(last) = rows.last() else { return Ok(()) };
            after = Some((last.resource_type.clone(), last.id.clone()));
            for row in &rows {
                let Some(patient) = row
                    .patient
                    .as_ref()
                    .filter(|_| RECOGNISED.contains(&row.resource_type.as_str()))
                else {
                    continue;
                };
                let source = format!("{}/{}", row.resource_type, row.id);
                if !self.held.contains(&(patient.0.clone(), source.clone())) && !self.is_beyond(patient, &source)? {
                    self.differs(patient, format!("{source} is filed here, and is not judged"));
                }
            }
        }
    }

    /// Older than the history that is kept in judgement.
    fn is_beyond(&mut self, patient: &PatientKey, source: &str) -> Result<bool, StoreError> {
        if !self.beyond.contains_key(patient) {
            let rows = self.store.set_aside(Some(patient), usize::MAX)?;
            let beyond = rows.into_iter().filter(|row| row.reason == Reason::BeyondHistory);
            let sources = beyond.map(|row| row.source).collect();
            self.beyond.insert(patient.clone(), sources);
        }
        Ok(self.beyond.get(patient).is_some_and(|sources| sources.contains(source)))
    }

    /// The list of the front page against the patients' own rows.
    fn open_concerns(&mut self) -> Result<(), StoreError> {
        let mut listed = BTreeSet::new();
        for row in self.store.open_concerns()? {
            let site = row
                .concern
                .site
                .as_ref()
                .map(crate::recognise::Site::key)
                .unwrap_or_default();
            listed.insert((row.patient.0, site, row.concern.family.word()));
        }
        self.looked.open = listed.len();
        let wrong: Vec<_> = listed.symmetric_difference(&self.open).cloned().collect();
        for (patient, site, family) in wrong {
            self.differs(
                &PatientKey(patient),
                format!("the concern {family} of {site:?} is open in one place only"),
            );
        }
        Ok(())
    }
}
