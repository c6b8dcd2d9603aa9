//! Which derived Observations are to be written, amended or set entered-in-error.

use crate::fhir::Instant;
use crate::outbox::draft::{DeltaDraft, RetractDraft};
use crate::outbox::identity;
use crate::patient::assess::{Assessment, Carried, Measurement, Paired};
use crate::patient::beside;
use crate::patient::effect::Effect;
use crate::patient::gather::{Gathered, same_site};
use crate::patient::state::{Receipt, State};
use crate::patient::words;
use crate::recognise::{Reading, Site, Version};
use crate::rules::Sheet;
use crate::rules::sheet::ThresholdComparator;
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// What publishing changes.
#[derive(Debug, Default)]
pub struct Publishing {
    /// Writes.
    pub effects: Vec<Effect>,
    /// Receipts to set, by slot.
    pub receipts: BTreeMap<String, Vec<Receipt>>,
}

/// Compare what ought to stand with the receipts.
pub fn publish(state: &State, assessment: &Assessment<'_>, sheet: &Sheet, now: Instant) -> Publishing {
    let mut publishing = Publishing::default();
    let seals = Seals::of(assessment, sheet);
    let mut wanted = 0;
    for measurement in &assessment.measurements {
        if measurement.delta.is_some() {
            wanted += 1;
            consider(&mut publishing, state, assessment, measurement, None, &seals, now);
        }
        for carried in measurement.carried.iter().filter(|carried| carried.raises) {
            wanted += 1;
            consider(
                &mut publishing,
                state,
                assessment,
                measurement,
                Some(carried),
                &seals,
                now,
            );
        }
    }
    let new: usize = publishing
        .receipts
        .values()
        .flatten()
        .filter(|receipt| !held(state, receipt.identity))
        .count();
    if assessment.published + new != wanted && !mutated!(RetractionForgotten) {
        retract(&mut publishing, state, assessment, now);
    }
    publishing
}

/// True when a receipt with this identity is held by some slot.
fn held(state: &State, identity: Uuid) -> bool {
    state
        .standing
        .get(&identity)
        .is_some_and(|standing| !standing.retracted)
}

/// One wanted Observation: nothing when its receipt matches.
fn consider(
    publishing: &mut Publishing,
    state: &State,
    assessment: &Assessment<'_>,
    measurement: &Measurement<'_>,
    carried: Option<&Carried>,
    seals: &Seals<'_>,
    now: Instant,
) {
    let owner = measurement.gathered.owner;
    let fingerprint = seals.fingerprint(assessment, measurement, carried);
    // The usual case, without comparing any text: it stands as it is.
    if owner
        .slot
        .published
        .iter()
        .any(|receipt| receipt.fingerprint == fingerprint)
    {
        return;
    }
    let against = carried.map(|carried| assessment.diastolics[carried.diastolic].owner.identity());
    let Some(facts) = words::facts(assessment, measurement, carried, seals.sheet) else {
        return;
    };
    let site_key = facts.site.key();
    let patient = &state.patient.0;
    let identity = match against {
        None => identity::delta(patient, &site_key, &owner.slot.source, &owner.reading.part),
        Some((source, part)) => identity::carried(
            patient,
            &site_key,
            &owner.slot.source,
            &owner.reading.part,
            source,
            part,
        ),
    };
    let before = state.standing.get(&identity);
    let draft = DeltaDraft {
        identity,
        patient: state.patient.clone(),
        facts,
        threshold_mmhg: seals.alert_threshold,
        sheet_hash: seals.sheet.hash.clone(),
        inclusive: seals.sheet.comparator == ThresholdComparator::AtOrBelow,
        amends: before.is_some(),
        issued: now,
    };
    let carried = against.map(|(source, part)| (source.to_owned(), part.to_owned()));
    let receipt = Receipt {
        part: owner.reading.part.to_string(),
        carried,
        fingerprint,
        identity,
    };
    publishing
        .receipts
        .entry(owner.slot.source.clone())
        .or_default()
        .push(receipt);
    let same = before.is_some_and(|before| {
        !before.retracted && before.draft.facts == draft.facts && before.draft.sheet_hash == draft.sheet_hash
    });
    if !same {
        publishing.effects.push(Effect::Publish(draft));
    }
}

/// Set entered-in-error whatever stands without being wanted.
fn retract(publishing: &mut Publishing, state: &State, assessment: &Assessment<'_>, now: Instant) {
    let mut wanted: BTreeSet<Uuid> = publishing
        .receipts
        .values()
        .flatten()
        .map(|receipt| receipt.identity)
        .collect();
    for measurement in &assessment.measurements {
        let owner = measurement.gathered.owner;
        for receipt in &owner.slot.published {
            let wants = receipt.part == owner.reading.part
                && match &receipt.carried {
                    None => measurement.delta.is_some(),
                    Some((source, part)) => measurement.carried.iter().any(|carried| {
                        carried.raises
                            && assessment.diastolics[carried.diastolic].owner.identity()
                                == (source.as_str(), part.as_str())
                    }),
                };
            // A reading that changed its site has another identity now.
            let site = &assessment.sites[measurement.gathered.site];
            let same_site = state
                .standing
                .get(&receipt.identity)
                .is_some_and(|standing| same_site(&standing.draft.facts.site, site));
            if wants && same_site {
                wanted.insert(receipt.identity);
            }
        }
    }
    for (identity, standing) in &state.standing {
        if !standing.retracted && !wanted.contains(identity) {
            let last = standing.draft.clone();
            publishing
                .effects
                .push(Effect::Retract(RetractDraft { last, issued: now }));
        }
    }
}

/// What is the same for every fingerprint of one step.
struct Seals<'r> {
    sheet: &'r Sheet,
    /// Of each site with the sheet: what the fingerprints of its measurements begin with.
    sites: Vec<u64>,
    alert_threshold: i64,
}

impl<'r> Seals<'r> {
    fn of(assessment: &Assessment<'_>, sheet: &'r Sheet) -> Self {
        let alert_threshold = sheet.alert_threshold();
        let mut text = Mixer::new();
        text.text(&sheet.hash);
        let site = |site: &Site| {
            let mut mixer = Mixer::new();
            mixer.add(site.side as u64);
            mixer.text(&site.system);
            mixer.text(&site.code);
            let mut begin = Mixer::new();
            begin.add(mixer.0);
            begin.add(alert_threshold.cast_unsigned());
            begin.add(text.0);
            begin.0
        };
        Self {
            sheet,
            sites: assessment.sites.iter().map(|of| site(of)).collect(),
            alert_threshold,
        }
    }

    /// A quick hash of everything that the Observation is made from.
    fn fingerprint(
        &self,
        assessment: &Assessment<'_>,
        measurement: &Measurement<'_>,
        carried: Option<&Carried>,
    ) -> u64 {
        let mut mixer = Mixer(self.sites[measurement.gathered.site]);
        mixer.text(&measurement.gathered.owner.reading.part);
        mixer.add(u64::from(carried.is_some()));
        mixer.gathered(&measurement.gathered);
        // A carried delta shows the age class of the pairing, too.
        if let Paired::With(_, age) = measurement.paired {
            mixer.add(age as u64 + 1);
        }
        let (diastolic, tier) = match (carried, measurement.paired) {
            (Some(carried), _) => (Some(carried.diastolic), carried.tier),
            (None, Paired::With(index, _)) => (Some(index), measurement.delta_tier),
            (None, _) => (None, measurement.delta_tier),
        };
        if let Some(index) = diastolic {
            mixer.gathered(&assessment.diastolics[index]);
        }
        mixer.add(tier.map_or(0, |tier| tier as u64 + 1));
        // Second differences are few: most patients have no context and no second method.
        if !assessment.contexts.is_empty() || !measurement.beside.is_empty() {
            let at = beside::moment(assessment, measurement, carried);
            mixer.add(u64::from(
                beside::anaesthesia_since(&assessment.contexts, at, self.sheet).is_some(),
            ));
            for second in words::besides_of(assessment, measurement, carried, self.sheet) {
                mixer.add(second.kind as u64);
                mixer.gathered(beside::pressure(assessment, &second));
            }
        }
        mixer.0
    }
}

/// A quick hash of what a slot holds. The same version recognised with another mapping has the
/// same digest, so the readings count as well.
pub fn seal(source: &str, version: &Version, readings: &[Reading]) -> u64 {
    let mut mixer = Mixer::new();
    mixer.text(source);
    mixer.text(&version.digest);
    mixer.text(&version.id);
    for reading in readings {
        mixer.text(&reading.part);
        mixer.add(reading.at.millis().cast_unsigned());
        mixer.add(reading.method as u64);
        mixer.text(&reading.pressure.sent_value);
        for half in reading.pressure.mmhg.serialize().chunks_exact(8) {
            let mut word = [0; 8];
            word.copy_from_slice(half);
            mixer.add(u64::from_le_bytes(word));
        }
    }
    mixer.0
}

/// A multiply-and-rotate hash: fast, stable between versions, and only ever a hint (unequal means
/// that the facts themselves are compared).
struct Mixer(u64);

impl Mixer {
    fn new() -> Self {
        Self(0x9e37_79b9_7f4a_7c15)
    }

    fn add(&mut self, word: u64) {
        self.0 = (self.0.rotate_left(5) ^ word).wrapping_mul(0x517c_c1b7_2722_0a95);
    }

    fn text(&mut self, text: &str) {
        for chunk in text.as_bytes().chunks(8) {
            let mut word = [0; 8];
            word[..chunk.len()].copy_from_slice(chunk);
            self.add(u64::from_le_bytes(word));
        }
        self.add(text.len() as u64);
    }

    fn gathered(&mut self, gathered: &Gathered<'_>) {
        // Which of the slot's readings, and which slots.
        self.add(gathered.at.millis().cast_unsigned());
        self.add(gathered.thousandths.unwrap_or(i64::MIN).cast_unsigned());
        self.add(gathered.current.slot.seal);
        for member in &gathered.others {
            self.add(member.slot.seal);
        }
    }
}
