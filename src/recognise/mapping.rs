//! The mapping: which codes are pressures, which sites are compartments.
//!
//! It is read from FHIR ConceptMaps and CodeSystems and one TOML file of text patterns: the set in
//! `profiles/` that is built in, or the files of a site, which replace the whole set. What a map
//! says is told by the target of each group: our `reading` CodeSystem (kinds of reading, methods,
//! sides, contexts, qualities, yes and no) or our `compartment` CodeSystem. No code of a terminology
//! stands in Rust.

mod context;
mod files;
mod text;

use super::reading::{Kind, Method, Side};
use crate::fhir::narrow;
use crate::fhir::observation::{CodeableConcept, Coding};
pub(super) use context::QualityOf;
use rustc_hash::FxHashMap;
use std::collections::BTreeMap;
use text::TextPatterns;
pub(super) use text::TextSite;

/// The files that are built in: name and text.
pub const BUILTIN_FILES: &[(&str, &str)] = &[
    (
        "CodeSystem-compartment.json",
        include_str!("../../profiles/CodeSystem-compartment.json"),
    ),
    (
        "CodeSystem-reading.json",
        include_str!("../../profiles/CodeSystem-reading.json"),
    ),
    (
        "ConceptMap-context.json",
        include_str!("../../profiles/ConceptMap-context.json"),
    ),
    (
        "ConceptMap-method.json",
        include_str!("../../profiles/ConceptMap-method.json"),
    ),
    (
        "ConceptMap-quality.json",
        include_str!("../../profiles/ConceptMap-quality.json"),
    ),
    (
        "ConceptMap-reading.json",
        include_str!("../../profiles/ConceptMap-reading.json"),
    ),
    (
        "ConceptMap-side.json",
        include_str!("../../profiles/ConceptMap-side.json"),
    ),
    (
        "ConceptMap-site.json",
        include_str!("../../profiles/ConceptMap-site.json"),
    ),
    (
        "text-patterns.toml",
        include_str!("../../profiles/mapping/text-patterns.toml"),
    ),
];

/// A mapping file that cannot be used: which file, where in it, what is wrong.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("mapping file {file}: {at}: {what}")]
pub struct MappingError {
    /// Name of the file; empty when no single file is at fault.
    pub file: String,
    /// Path in the file: `group[0].element[2].target[0].code`.
    pub at: String,
    /// What is wrong and what to do.
    pub what: String,
}

/// The mapping, compiled once at start.
#[derive(Debug, Default)]
pub struct Mapping {
    /// SHA-256 (hex) over the files it was read from: a change re-tries everything set aside.
    pub hash: String,
    readings: Table<Meaning>,
    methods: Table<Method>,
    sites: Table<MappedSite>,
    sides: Table<Sides>,
    beside: context::Beside,
    compartments: BTreeMap<String, Compartment>,
    text: TextPatterns,
}

/// What a code of Observation.code or component.code stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum What {
    /// One measured pressure.
    Pressure(Kind),
    /// A panel of blood pressures.
    BloodPressurePanel,
    /// Another panel.
    Panel,
    /// Our own output.
    Derived,
}

/// One entry of the reading map.
#[derive(Clone, Debug)]
struct Meaning {
    what: What,
    method: Option<Method>,
    site: Option<String>,
    sides: Sides,
}

/// One entry of the site map.
#[derive(Clone, Debug)]
struct MappedSite {
    compartment: String,
    sides: Sides,
}

/// One compartment of our CodeSystem.
#[derive(Clone, Debug)]
struct Compartment {
    display: String,
    region: String,
}

/// Which sides were stated, by whatever evidence.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Sides {
    /// Left was stated.
    pub left: bool,
    /// Right was stated.
    pub right: bool,
}

impl Sides {
    /// Both pieces of evidence together.
    pub fn and(self, other: Self) -> Self {
        Self {
            left: self.left || other.left,
            right: self.right || other.right,
        }
    }

    /// True when no side was stated.
    pub fn is_silent(self) -> bool {
        !self.left && !self.right
    }

    /// The side; unstated when none or both were stated (invariant 7).
    pub fn side(self) -> Side {
        match (self.left, self.right) {
            (true, false) => Side::Left,
            (false, true) => Side::Right,
            _ => Side::Unstated,
        }
    }
}

/// Codes by system, then by code; looked up without allocation. A mapping knows a handful of
/// systems, so they are compared one after another. Its codes are of our own files, so the hash
/// need not withstand an attacker.
#[derive(Debug)]
struct Table<T> {
    systems: Vec<(String, FxHashMap<String, T>)>,
}

impl<T> Default for Table<T> {
    fn default() -> Self {
        Self { systems: Vec::new() }
    }
}

impl<T> Table<T> {
    fn get(&self, coding: &Coding<'_>) -> Option<&T> {
        self.by_code(coding.system.as_deref().unwrap_or_default(), coding.code.as_deref()?)
    }

    /// Of a coding by its system (empty: none) and its code.
    fn by_code(&self, system: &str, code: &str) -> Option<&T> {
        let codes = self
            .systems
            .iter()
            .find(|(known, _)| known == system)
            .map(|(_, codes)| codes)?;
        codes.get(code)
    }

    /// False when the code is already there.
    fn insert(&mut self, system: &str, code: &str, value: T) -> bool {
        let index = match self.systems.iter().position(|(known, _)| known == system) {
            Some(index) => index,
            None => {
                self.systems.push((system.to_owned(), FxHashMap::default()));
                self.systems.len() - 1
            }
        };
        self.systems[index].1.insert(code.to_owned(), value).is_none()
    }

    /// Every (system, code) whose value passes, sorted.
    fn codes(&self, keep: impl Fn(&T) -> bool) -> Vec<(String, String)> {
        let mut codes: Vec<(String, String)> = self
            .systems
            .iter()
            .flat_map(|(system, codes)| codes.iter().map(move |(code, value)| (system, code, value)))
            .filter(|(_, _, value)| keep(value))
            .map(|(system, code, _)| (system.clone(), code.clone()))
            .collect();
        codes.sort();
        codes
    }
}

/// What the codings of one CodeableConcept say together.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Class<'m> {
    /// What it stands for; None when no coding is mapped.
    pub what: Option<What>,
    /// True when two codings stand for different measurements.
    pub contradictory: bool,
    /// Method that the code implies.
    pub method: Option<Method>,
    /// Compartment that the code implies.
    pub site: Option<&'m str>,
    /// Side that the code implies.
    pub sides: Sides,
}

impl Mapping {
    /// The mapping of `profiles/`.
    pub fn builtin() -> Self {
        match Self::from_files(BUILTIN_FILES) {
            Ok(mapping) => mapping,
            // The texts are constants of this build, and a test reads them.
            Err(error) => unreachable!("the built-in mapping: {error}"),
        }
    }

    /// Read a mapping from files, given as (name, text): ConceptMap, CodeSystem and ValueSet as
    /// `.json` (ValueSets are only checked to be JSON), text patterns as `.toml`. The order of the
    /// files does not matter. To add to the built-in set rather than replace it, pass
    /// [`BUILTIN_FILES`] too.
    ///
    /// # Errors
    /// Names the file, the path in it and what is wrong: not JSON or TOML, an unknown target code,
    /// a code that is mapped twice, a broken pattern, or no code for compartment pressure or
    /// diastolic at all.
    pub fn from_files<N: AsRef<str>, T: AsRef<str>>(files: &[(N, T)]) -> Result<Self, MappingError> {
        let files: Vec<(&str, &str)> = files
            .iter()
            .map(|(name, text)| (name.as_ref(), text.as_ref()))
            .collect();
        files::read(files)
    }

    /// Every (system, code) of a reading, of a panel that holds readings, or of a context, sorted:
    /// what a poll of Observations asks for with `code=`.
    pub fn search_codes(&self) -> Vec<(String, String)> {
        let mut codes = self.readings.codes(|meaning| meaning.what != What::Derived);
        codes.extend(self.context_codes());
        codes.sort();
        codes
    }

    /// Every (system, code) under which a diastolic is found: its own codes and those of blood
    /// pressure panels, sorted.
    pub fn diastolic_codes(&self) -> Vec<(String, String)> {
        self.readings
            .codes(|meaning| matches!(meaning.what, What::Pressure(Kind::Diastolic) | What::BloodPressurePanel))
    }

    /// What a person reads for a code of our compartment CodeSystem: "leg, anterior compartment".
    pub fn compartment_display(&self, code: &str) -> Option<&str> {
        self.compartments
            .get(code)
            .map(|compartment| compartment.display.as_str())
    }

    /// The region of a code of our compartment CodeSystem: "leg".
    pub fn region(&self, code: &str) -> Option<&str> {
        self.compartments
            .get(code)
            .map(|compartment| compartment.region.as_str())
    }

    /// Every code of our compartment CodeSystem, sorted.
    pub fn compartment_codes(&self) -> impl Iterator<Item = &str> {
        self.compartments.keys().map(String::as_str)
    }

    /// Which pressure a code of an Observation or of a component stands for; None when no coding is mapped
    /// to a pressure, when two stand for different ones, and for our own output.
    pub fn pressure(&self, concept: &narrow::Concept<'_>) -> Option<Kind> {
        let mut class = Class::default();
        for coding in concept.codings() {
            let system = coding.system.as_deref().unwrap_or_default();
            let meaning = coding
                .code
                .as_deref()
                .and_then(|code| self.readings.by_code(system, code));
            if let Some(meaning) = meaning {
                class.take(meaning);
            }
        }
        match class {
            Class {
                what: Some(What::Pressure(kind)),
                contradictory: false,
                ..
            } => Some(kind),
            _ => None,
        }
    }

    /// True when the code (of an empty system: without one) is that of a compartment pressure.
    pub fn is_compartment_code(&self, system: &str, code: &str) -> bool {
        let meaning = self.readings.by_code(system, code);
        meaning.is_some_and(|meaning| meaning.what == What::Pressure(Kind::Compartment))
    }

    pub(super) fn classify(&self, concept: Option<&CodeableConcept<'_>>) -> Class<'_> {
        let mut class = Class::default();
        for meaning in concept
            .iter()
            .flat_map(|concept| concept.codings())
            .filter_map(|c| self.readings.get(c))
        {
            class.take(meaning);
        }
        class
    }

    pub(super) fn method(&self, concept: Option<&CodeableConcept<'_>>) -> Option<Method> {
        concept?
            .codings()
            .iter()
            .find_map(|coding| self.methods.get(coding))
            .copied()
    }

    /// The compartment and sides of a coding that the site map knows.
    pub(super) fn site(&self, coding: &Coding<'_>) -> Option<(&str, Sides)> {
        self.sites
            .get(coding)
            .map(|site| (site.compartment.as_str(), site.sides))
    }

    /// The side that a coding states by itself.
    pub(super) fn sides(&self, coding: &Coding<'_>) -> Option<Sides> {
        self.sides.get(coding).copied()
    }

    /// True when the coding says what was measured, so it is not the name of a site.
    pub(super) fn is_reading_code(&self, coding: &Coding<'_>) -> bool {
        self.readings.get(coding).is_some()
    }

    pub(super) fn text(&self) -> &TextPatterns {
        &self.text
    }
}

impl<'m> Class<'m> {
    fn take(&mut self, meaning: &'m Meaning) {
        self.what = match (self.what, meaning.what) {
            (None, what) => Some(what),
            (Some(one), other) if one == other => Some(one),
            (Some(What::Derived), _) | (_, What::Derived) => Some(What::Derived),
            (Some(What::Panel), What::BloodPressurePanel) => Some(What::BloodPressurePanel),
            (Some(What::BloodPressurePanel), What::Panel) => Some(What::BloodPressurePanel),
            (one, _) => {
                self.contradictory = true;
                one
            }
        };
        // Codings that disagree on the method leave it unstated.
        self.method = match (self.method, meaning.method) {
            (Some(one), Some(other)) if one != other => Some(Method::Unstated),
            (one, other) => one.or(other),
        };
        self.site = self.site.or(meaning.site.as_deref());
        self.sides = self.sides.and(meaning.sides);
    }
}
