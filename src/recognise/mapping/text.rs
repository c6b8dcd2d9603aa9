//! What free text says about side and compartment: regular expressions of `text-patterns.toml`.
//! Careful by intent: a text that matches two compartments counts as naming none.

use super::{Mapping, MappingError, Sides};
use regex::Regex;
use serde::Deserialize;

/// The patterns, compiled.
#[derive(Debug, Default)]
pub(in crate::recognise) struct TextPatterns {
    sides: Vec<(Sides, Regex)>,
    compartments: Vec<CompartmentPattern>,
    /// Extensions that refer to a BodyStructure.
    pub body_site_extensions: Vec<String>,
    /// Extensions whose value is a side.
    pub laterality_extensions: Vec<String>,
}

#[derive(Debug)]
struct CompartmentPattern {
    code: String,
    all: Vec<Regex>,
    none: Vec<Regex>,
}

/// What a text says about the compartment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::recognise) enum TextSite<'m> {
    /// Nothing.
    Silent,
    /// One compartment.
    One(&'m str),
    /// More than one: which is not known.
    Several,
}

impl TextPatterns {
    /// The sides that a text states.
    pub fn sides(&self, text: &str) -> Sides {
        let stated = self.sides.iter().filter(|(_, pattern)| pattern.is_match(text));
        stated.fold(Sides::default(), |all, (sides, _)| all.and(*sides))
    }

    /// The compartment that a text names.
    pub fn compartment(&self, text: &str) -> TextSite<'_> {
        let mut found = TextSite::Silent;
        for pattern in &self.compartments {
            let holds = pattern.all.iter().all(|regex| regex.is_match(text))
                && !pattern.none.iter().any(|regex| regex.is_match(text));
            found = match (holds, found) {
                (false, found) => found,
                (true, TextSite::Silent) => TextSite::One(&pattern.code),
                (true, TextSite::One(code)) if code == pattern.code => found,
                (true, _) => return TextSite::Several,
            };
        }
        found
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[serde(default)]
    body_site_extensions: Vec<String>,
    #[serde(default)]
    laterality_extensions: Vec<String>,
    #[serde(default)]
    side: Vec<SideEntry>,
    #[serde(default)]
    compartment: Vec<CompartmentEntry>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SideEntry {
    side: String,
    pattern: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CompartmentEntry {
    code: String,
    all: Vec<String>,
    #[serde(default)]
    none: Vec<String>,
}

/// Add the patterns of one file to the mapping, whose compartments are read already.
pub(super) fn read(mapping: &mut Mapping, name: &str, text: &str) -> Result<(), MappingError> {
    let fail = |at: String, what: String| MappingError {
        file: name.to_owned(),
        at,
        what,
    };
    let file: File = toml::from_str(text).map_err(|error| fail(String::from("TOML"), error.to_string()))?;
    let compile = |at: String, pattern: &str| {
        Regex::new(pattern).map_err(|error| fail(at, format!("the pattern cannot be used: {error}")))
    };
    for (index, entry) in file.side.iter().enumerate() {
        let sides = super::files::sides_of(&entry.side)
            .ok_or_else(|| fail(format!("side[{index}].side"), format!("{:?} is not a side", entry.side)))?;
        mapping
            .text
            .sides
            .push((sides, compile(format!("side[{index}].pattern"), &entry.pattern)?));
    }
    for (index, entry) in file.compartment.into_iter().enumerate() {
        let at = |part: &str| format!("compartment[{index}].{part}");
        if !mapping.compartments.contains_key(&entry.code) {
            return Err(fail(
                at("code"),
                format!("{:?} is not in the compartment CodeSystem", entry.code),
            ));
        }
        if entry.all.is_empty() {
            return Err(fail(at("all"), String::from("at least one pattern is needed")));
        }
        let all = entry
            .all
            .iter()
            .map(|pattern| compile(at("all"), pattern))
            .collect::<Result<_, _>>()?;
        let none = entry
            .none
            .iter()
            .map(|pattern| compile(at("none"), pattern))
            .collect::<Result<_, _>>()?;
        mapping.text.compartments.push(CompartmentPattern {
            code: entry.code,
            all,
            none,
        });
    }
    mapping.text.body_site_extensions.extend(file.body_site_extensions);
    mapping.text.laterality_extensions.extend(file.laterality_extensions);
    Ok(())
}
