//! What a mapping says beside pressures, sites and methods: contexts, qualities, yes and no.

use super::{Mapping, MappingError, Table};
use crate::fhir::observation::CodeableConcept;
use crate::recognise::reading::ContextKind;

/// What a component says of how a compartment pressure was taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::recognise) enum QualityOf {
    /// The gauge was zeroed.
    Zeroed,
    /// The line was flushed.
    Flushed,
    /// The number had settled.
    Settled,
    /// How far from the fracture.
    DistanceFromFracture,
    /// Level of the limb against the heart.
    LimbLevel,
}

/// The tables of `ConceptMap-context.json` and `ConceptMap-quality.json`.
#[derive(Debug, Default)]
pub(super) struct Beside {
    contexts: Table<ContextKind>,
    qualities: Table<QualityOf>,
    answers: Table<bool>,
}

impl Beside {
    /// Take a code whose target is one of these; None: it is not. False: the code is there already.
    pub fn insert(&mut self, target: &str, system: &str, code: &str) -> Option<bool> {
        if let Some(kind) = context_of(target) {
            return Some(self.contexts.insert(system, code, kind));
        }
        if let Some(quality) = quality_of(target) {
            return Some(self.qualities.insert(system, code, quality));
        }
        let answer = match target {
            "yes" => true,
            "no" => false,
            _ => return None,
        };
        Some(self.answers.insert(system, code, answer))
    }
}

fn context_of(code: &str) -> Option<ContextKind> {
    Some(match code {
        "anaesthesia" => ContextKind::Anaesthesia,
        "after-ischaemia" => ContextKind::AfterIschaemia,
        _ => return None,
    })
}

fn quality_of(code: &str) -> Option<QualityOf> {
    Some(match code {
        "zeroed" => QualityOf::Zeroed,
        "flushed" => QualityOf::Flushed,
        "settled" => QualityOf::Settled,
        "distance-from-fracture" => QualityOf::DistanceFromFracture,
        "limb-level" => QualityOf::LimbLevel,
        _ => return None,
    })
}

impl Mapping {
    /// Every (system, code) of a context, sorted: what a poll of Procedures asks for with `code=`.
    pub fn context_codes(&self) -> Vec<(String, String)> {
        self.beside.contexts.codes(|_| true)
    }

    /// The contexts that the codings of a concept stand for, each once.
    pub(in crate::recognise) fn contexts(&self, concept: Option<&CodeableConcept<'_>>) -> Vec<ContextKind> {
        let codings = concept.map(CodeableConcept::codings).unwrap_or_default();
        let mut kinds: Vec<ContextKind> = codings
            .iter()
            .filter_map(|coding| self.beside.contexts.get(coding).copied())
            .collect();
        kinds.sort_unstable();
        kinds.dedup();
        kinds
    }

    /// What a component says of how the pressure was taken; None when no coding is one of those.
    pub(in crate::recognise) fn quality(&self, concept: Option<&CodeableConcept<'_>>) -> Option<QualityOf> {
        let codings = concept?.codings();
        codings
            .iter()
            .find_map(|coding| self.beside.qualities.get(coding).copied())
    }

    /// Yes or no; None when no coding is mapped, or when two disagree.
    pub(in crate::recognise) fn answer(&self, concept: &CodeableConcept<'_>) -> Option<bool> {
        let codings = concept.codings().iter();
        let mut answers = codings.filter_map(|coding| self.beside.answers.get(coding).copied());
        let first = answers.next()?;
        answers.all(|other| other == first).then_some(first)
    }

    /// A code that is a pressure and something beside it would be read as one of the two at random.
    pub(super) fn check_one_meaning(&self) -> Result<(), MappingError> {
        let readings = self.readings.codes(|_| true);
        let beside = [
            self.beside.contexts.codes(|_| true),
            self.beside.qualities.codes(|_| true),
        ]
        .concat();
        match beside.iter().find(|code| readings.contains(code)) {
            None => Ok(()),
            Some((system, code)) => Err(MappingError {
                file: String::from("(all)"),
                at: String::from("ConceptMap"),
                what: format!("{system}|{code} is mapped to a pressure and to a context or a quality; keep one"),
            }),
        }
    }
}
