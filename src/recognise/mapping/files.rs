//! Files → [`Mapping`]. Every error names the file, the JSON path and what is wrong.

use super::{Compartment, Kind, MappedSite, Mapping, MappingError, Meaning, Method, Sides, What, text};
use crate::recognise::{COMPARTMENT_SYSTEM, READING_SYSTEM};
use serde_json::Value;
use sha2::{Digest, Sha256};
use std::fmt::Write as _;

/// Products of a ConceptMap target that are read: what else a code says.
const METHOD_PROPERTY: &str = "https://deltaward.example/fhir/property/method";
const SITE_PROPERTY: &str = "https://deltaward.example/fhir/property/site";
const SIDE_PROPERTY: &str = "https://deltaward.example/fhir/property/side";

pub(super) fn read(mut files: Vec<(&str, &str)>) -> Result<Mapping, MappingError> {
    files.sort_unstable();
    let mut mapping = Mapping {
        hash: hash(&files),
        ..Mapping::default()
    };
    let mut resources = Vec::new();
    for (name, text) in files.iter().filter(|(name, _)| name.ends_with(".json")) {
        let value: Value = serde_json::from_str(text).map_err(|error| MappingError {
            file: (*name).to_owned(),
            at: format!("line {}, column {}", error.line(), error.column()),
            what: String::from("not JSON"),
        })?;
        resources.push((*name, value));
    }
    // Code systems first: maps and patterns may only name their codes.
    for kind in ["CodeSystem", "ConceptMap"] {
        for (name, value) in &resources {
            let root = At {
                file: name,
                path: String::new(),
                value,
            };
            match (root.text("resourceType")?, kind) {
                ("CodeSystem", "CodeSystem") => code_system(&mut mapping, &root)?,
                ("ConceptMap", "ConceptMap") => concept_map(&mut mapping, &root)?,
                ("CodeSystem" | "ConceptMap" | "ValueSet", _) => {}
                (other, _) => return Err(root.fail(format!("a {other} cannot be part of a mapping"))),
            }
        }
    }
    for (name, text) in files.iter().filter(|(name, _)| !name.ends_with(".json")) {
        if !name.ends_with(".toml") {
            let (at, what) = (
                String::from("name"),
                String::from("a mapping file ends in .json or .toml"),
            );
            return Err(MappingError {
                file: (*name).to_owned(),
                at,
                what,
            });
        }
        text::read(&mut mapping, name, text)?;
    }
    complete(mapping)
}

/// A mapping without a compartment pressure or a diastolic would set everything aside.
fn complete(mapping: Mapping) -> Result<Mapping, MappingError> {
    for kind in [Kind::Compartment, Kind::Diastolic] {
        if mapping
            .readings
            .codes(|meaning| meaning.what == What::Pressure(kind))
            .is_empty()
        {
            return Err(MappingError {
                file: String::from("(all)"),
                at: String::from("ConceptMap"),
                what: format!("no code is mapped to {kind:?}; add one, or give the built-in files too"),
            });
        }
    }
    mapping.check_one_meaning()?;
    Ok(mapping)
}

fn hash(files: &[(&str, &str)]) -> String {
    let mut digest = Sha256::new();
    for (name, text) in files {
        for part in [name, text] {
            digest.update((part.len() as u64).to_le_bytes());
            digest.update(part.as_bytes());
        }
    }
    digest
        .finalize()
        .iter()
        .fold(String::with_capacity(64), |mut hex, byte| {
            // Writing to a String cannot fail.
            let _ = write!(hex, "{byte:02x}");
            hex
        })
}

fn code_system(mapping: &mut Mapping, root: &At<'_>) -> Result<(), MappingError> {
    if root.text("url")? != COMPARTMENT_SYSTEM {
        return Ok(());
    }
    for concept in root.items("concept")? {
        let (code, display) = (concept.text("code")?, concept.text("display")?);
        let mut region = None;
        for property in concept.items("property")? {
            if property.text("code")? == "region" {
                region = Some(property.text("valueCode")?);
            }
        }
        let region = region.ok_or_else(|| concept.fail("the property region is missing"))?;
        let compartment = Compartment {
            display: display.to_owned(),
            region: region.to_owned(),
        };
        if mapping.compartments.insert(code.to_owned(), compartment).is_some() {
            return Err(concept.fail(format!("the code {code:?} is given twice")));
        }
        // Our own codes are known sites without a map.
        let site = MappedSite {
            compartment: code.to_owned(),
            sides: Sides::default(),
        };
        mapping.sites.insert(COMPARTMENT_SYSTEM, code, site);
    }
    Ok(())
}

fn concept_map(mapping: &mut Mapping, root: &At<'_>) -> Result<(), MappingError> {
    for group in root.items("group")? {
        // A map may hold codes without a system: records that send none.
        let source = group.text_or_empty("source")?;
        let target = group.text("target")?;
        if target != READING_SYSTEM && target != COMPARTMENT_SYSTEM {
            return Err(group.fail(format!(
                "the target {target:?} is neither {READING_SYSTEM} nor {COMPARTMENT_SYSTEM}"
            )));
        }
        for element in group.items("element")? {
            let code = element.text("code")?;
            if let Some(meant) = only_target(&element)? {
                let fresh = insert(mapping, target, (source, code), &meant)?;
                if !fresh {
                    return Err(element.fail(format!("{source}|{code} is mapped twice; keep one")));
                }
            }
        }
    }
    Ok(())
}

/// The one target that is not a denial.
fn only_target<'v>(element: &At<'v>) -> Result<Option<At<'v>>, MappingError> {
    let mut found = None;
    for target in element.items("target")? {
        let equivalence = target.text("equivalence")?;
        if matches!(equivalence, "unmatched" | "disjoint") {
            continue;
        }
        if found.replace(target).is_some() {
            return Err(element.fail("more than one target; a code means one thing here"));
        }
    }
    Ok(found)
}

fn insert(mapping: &mut Mapping, system: &str, from: (&str, &str), to: &At<'_>) -> Result<bool, MappingError> {
    let product = Product::read(mapping, to)?;
    let code = to.text("code")?;
    let (source, from) = from;
    if system == COMPARTMENT_SYSTEM {
        known_compartment(mapping, &to.field("code")?)?;
        let site = MappedSite {
            compartment: code.to_owned(),
            sides: product.sides,
        };
        return Ok(mapping.sites.insert(source, from, site));
    }
    if let Some(what) = what_of(code) {
        let Product { method, site, sides } = product;
        return Ok(mapping.readings.insert(
            source,
            from,
            Meaning {
                what,
                method,
                site,
                sides,
            },
        ));
    }
    if let Some(method) = method_of(code) {
        return Ok(mapping.methods.insert(source, from, method));
    }
    if let Some(sides) = sides_of(code) {
        return Ok(mapping.sides.insert(source, from, sides));
    }
    if let Some(fresh) = mapping.beside.insert(code, source, from) {
        return Ok(fresh);
    }
    Err(to
        .field("code")?
        .fail(format!("{code:?} is not a code of {READING_SYSTEM}")))
}

/// What a code says beside its target.
#[derive(Default)]
struct Product {
    method: Option<Method>,
    site: Option<String>,
    sides: Sides,
}

impl Product {
    fn read(mapping: &Mapping, target: &At<'_>) -> Result<Self, MappingError> {
        let mut product = Self::default();
        for entry in target.items("product")? {
            let (value, code) = (entry.field("value")?, entry.text("value")?);
            match entry.text("property")? {
                METHOD_PROPERTY => {
                    let method = method_of(code).ok_or_else(|| value.fail(format!("{code:?} is not a method")))?;
                    product.method = Some(method);
                }
                SITE_PROPERTY => {
                    known_compartment(mapping, &value)?;
                    product.site = Some(code.to_owned());
                }
                SIDE_PROPERTY => {
                    product.sides = sides_of(code).ok_or_else(|| value.fail(format!("{code:?} is not a side")))?;
                }
                other => {
                    return Err(entry.fail(format!(
                        "the property {other:?} is none of {METHOD_PROPERTY}, {SITE_PROPERTY}, {SIDE_PROPERTY}"
                    )));
                }
            }
        }
        Ok(product)
    }
}

fn known_compartment(mapping: &Mapping, code: &At<'_>) -> Result<(), MappingError> {
    match code.value.as_str() {
        Some(known) if mapping.compartments.contains_key(known) => Ok(()),
        _ => Err(code.fail(format!(
            "{} is not a code of the CodeSystem {COMPARTMENT_SYSTEM}",
            code.value
        ))),
    }
}

// The codes of our CodeSystem `reading`, which are the names of these Rust values.

fn what_of(code: &str) -> Option<What> {
    Some(match code {
        "compartment" => What::Pressure(Kind::Compartment),
        "diastolic" => What::Pressure(Kind::Diastolic),
        "systolic" => What::Pressure(Kind::Systolic),
        "mean" => What::Pressure(Kind::Mean),
        "blood-pressure-panel" => What::BloodPressurePanel,
        "panel" => What::Panel,
        "derived" => What::Derived,
        _ => return None,
    })
}

fn method_of(code: &str) -> Option<Method> {
    Some(match code {
        "cuff" => Method::Cuff,
        "arterial-line" => Method::ArterialLine,
        "needle" => Method::Needle,
        "catheter" => Method::Catheter,
        _ => return None,
    })
}

pub(super) fn sides_of(code: &str) -> Option<Sides> {
    let (left, right) = match code {
        "side-left" => (true, false),
        "side-right" => (false, true),
        "side-both" => (true, true),
        _ => return None,
    };
    Some(Sides { left, right })
}

/// A place in a file, so that an error can name it.
struct At<'v> {
    file: &'v str,
    path: String,
    value: &'v Value,
}

impl<'v> At<'v> {
    fn fail(&self, what: impl Into<String>) -> MappingError {
        let at = if self.path.is_empty() {
            String::from("(root)")
        } else {
            self.path.clone()
        };
        MappingError {
            file: self.file.to_owned(),
            at,
            what: what.into(),
        }
    }

    fn join(&self, name: &str) -> String {
        if self.path.is_empty() {
            name.to_owned()
        } else {
            format!("{}.{name}", self.path)
        }
    }

    fn field(&self, name: &str) -> Result<At<'v>, MappingError> {
        let value = self
            .value
            .get(name)
            .ok_or_else(|| self.fail(format!("{name} is missing")))?;
        Ok(At {
            file: self.file,
            path: self.join(name),
            value,
        })
    }

    fn text(&self, name: &str) -> Result<&'v str, MappingError> {
        let field = self.field(name)?;
        field.value.as_str().ok_or_else(|| field.fail("a string is expected"))
    }

    fn text_or_empty(&self, name: &str) -> Result<&'v str, MappingError> {
        if self.value.get(name).is_none() {
            Ok("")
        } else {
            self.text(name)
        }
    }

    /// The items of an array; none when it is absent.
    fn items(&self, name: &str) -> Result<Vec<At<'v>>, MappingError> {
        if self.value.get(name).is_none() {
            return Ok(Vec::new());
        }
        let field = self.field(name)?;
        let items = field
            .value
            .as_array()
            .ok_or_else(|| field.fail("an array is expected"))?;
        let at = |(index, value)| At {
            file: self.file,
            path: format!("{}[{index}]", field.path),
            value,
        };
        Ok(items.iter().enumerate().map(at).collect())
    }
}
