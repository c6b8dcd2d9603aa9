//! The check that every resource passes before it enters the outbox: the official R4 JSON Schema,
//! then the invariants that the schema misses (`invariants`).

use crate::outbox::invariants;
use jsonschema::{Draft, ValidationError};
use serde_json::value::RawValue;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::OnceLock;

/// HL7's JSON Schema of FHIR 4.0.1 (CC0), unchanged; see `profiles/schema/README.md`.
const R4_SCHEMA: &str = include_str!("../../profiles/schema/fhir-r4.schema.json");

/// The types that the running service writes.
pub const CHECKED_TYPES: [&str; 4] = ["Observation", "Communication", "Device", "Bundle"];

/// Most messages that one resource gives: a wrecked one must not fill a page.
pub const MESSAGES_MAX: usize = 20;

/// Deepest nesting of resources within resources (Bundle entry, contained) that is followed.
const RESOURCE_DEPTH_MAX: usize = 4;

/// Why the schema could not be compiled: the file shipped with the program is damaged.
#[derive(Debug, thiserror::Error)]
pub enum SchemaError {
    /// Not JSON.
    #[error("profiles/schema/fhir-r4.schema.json is not JSON: {0}; restore the file from its source")]
    Json(#[from] serde_json::Error),
    /// A definition that another names is absent.
    #[error("profiles/schema/fhir-r4.schema.json lacks the definition {0:?}; restore the file from its source")]
    Missing(String),
    /// Not a schema.
    #[error("profiles/schema/fhir-r4.schema.json cannot be compiled for {resource_type}: {message}")]
    Compile {
        /// Type of resource.
        resource_type: &'static str,
        /// What the compiler said.
        message: String,
    },
}

/// The file as far as it is needed; the other 600 definitions stay unparsed text.
#[derive(serde::Deserialize)]
struct SchemaFile<'a> {
    #[serde(borrow)]
    definitions: BTreeMap<&'a str, &'a RawValue>,
}

/// Compiled once at start, then shared.
#[derive(Debug)]
pub struct Validator {
    by_type: BTreeMap<&'static str, jsonschema::Validator>,
}

impl Validator {
    /// Compile the schema of each type that the running service writes.
    ///
    /// # Errors
    /// When the schema shipped with the program is damaged.
    pub fn new() -> Result<Self, SchemaError> {
        Self::of(&CHECKED_TYPES)
    }

    /// The validator of this program: compiled at the first call, then kept.
    ///
    /// # Errors
    /// When the schema shipped with the program is damaged.
    pub fn shared() -> Result<&'static Self, SchemaError> {
        static SHARED: OnceLock<Validator> = OnceLock::new();
        match SHARED.get() {
            Some(validator) => Ok(validator),
            None => {
                let validator = Self::new()?;
                Ok(SHARED.get_or_init(|| validator))
            }
        }
    }

    /// Compile the schema of each of `types`, cut to the definitions that they reach.
    ///
    /// # Errors
    /// When the schema shipped with the program is damaged, or has no such type.
    pub fn of(types: &[&'static str]) -> Result<Self, SchemaError> {
        let definitions = reachable_definitions(R4_SCHEMA, types)?;
        let mut by_type = BTreeMap::new();
        for resource_type in types.iter().copied() {
            // Not the 148-way `oneOf` of the file: its messages would name every type at once.
            let schema = json!({
                "$schema": "http://json-schema.org/draft-06/schema#",
                "definitions": definitions,
                "allOf": [{ "$ref": format!("#/definitions/{resource_type}") }],
            });
            let compiled = jsonschema::options()
                .with_draft(Draft::Draft6)
                .build(&schema)
                .map_err(|error| SchemaError::Compile {
                    resource_type,
                    message: error.to_string(),
                })?;
            by_type.insert(resource_type, compiled);
        }
        Ok(Self { by_type })
    }

    /// Check a resource of one of the types: schema, then invariants. Resources
    /// in a Bundle or `contained` are checked too, each as its own type.
    ///
    /// # Errors
    /// What is wrong and where, at most [`MESSAGES_MAX`] messages, without the values themselves
    /// (they may name a patient).
    pub fn validate(&self, resource: &Value) -> Result<(), Vec<String>> {
        let mut messages = Vec::new();
        self.collect(resource, "", 0, &mut messages);
        done(messages)
    }

    /// Check a resource that this service derived: [`Validator::validate`], and that it carries
    /// our identifier, its mode tag, and (an Observation) UCUM `mm[Hg]` and its sources.
    ///
    /// # Errors
    /// As [`Validator::validate`].
    pub fn validate_derived(&self, resource: &Value) -> Result<(), Vec<String>> {
        let mut messages = Vec::new();
        self.collect(resource, "", 0, &mut messages);
        invariants::derived(resource, &mut messages);
        done(messages)
    }

    fn collect(&self, resource: &Value, at: &str, depth: usize, messages: &mut Vec<String>) {
        let name = resource["resourceType"].as_str().unwrap_or("");
        let Some(compiled) = self.by_type.get(name) else {
            let known: Vec<&str> = self.by_type.keys().copied().collect();
            messages.push(format!("{at}/resourceType: not one of {}", known.join(", ")));
            return;
        };
        // Nearly all are valid, and to see that is quicker than to look for what is wrong.
        if !compiled.is_valid(resource) {
            let errors = compiled.iter_errors(resource).take(MESSAGES_MAX);
            messages.extend(errors.map(|error| schema_message(at, &error)));
        }
        invariants::check(name, resource, at, messages);
        if depth >= RESOURCE_DEPTH_MAX {
            messages.push(format!(
                "{at}: resources are nested more than {RESOURCE_DEPTH_MAX} deep"
            ));
            return;
        }
        for (index, entry) in array(resource, "entry").iter().enumerate() {
            if let Some(inner) = entry.get("resource") {
                self.collect(inner, &format!("{at}/entry/{index}/resource"), depth + 1, messages);
            }
        }
        for (index, inner) in array(resource, "contained").iter().enumerate() {
            // A contained resource of a type that we never write is not ours to judge.
            if inner["resourceType"]
                .as_str()
                .is_some_and(|name| self.by_type.contains_key(name))
            {
                self.collect(inner, &format!("{at}/contained/{index}"), depth + 1, messages);
            }
        }
    }
}

/// The elements of an array field; none when it is absent or no array.
fn array<'a>(resource: &'a Value, field: &str) -> &'a [Value] {
    resource[field].as_array().map_or(&[], Vec::as_slice)
}

fn done(mut messages: Vec<String>) -> Result<(), Vec<String>> {
    messages.truncate(MESSAGES_MAX);
    if messages.is_empty() { Ok(()) } else { Err(messages) }
}

fn schema_message(at: &str, error: &ValidationError<'_>) -> String {
    format!("{at}{}: {}", error.instance_path(), error.masked())
}

/// The definitions that the checked types reach. `ResourceList` (any resource) becomes "an object
/// that names its type": what stands there is checked as its own type instead.
fn reachable_definitions(schema: &str, types: &[&str]) -> Result<BTreeMap<String, Value>, SchemaError> {
    let file: SchemaFile<'_> = serde_json::from_str(schema)?;
    let any_resource = json!({ "type": "object", "required": ["resourceType"] });
    let mut reached = BTreeMap::from([(String::from("ResourceList"), any_resource)]);
    let mut pending: BTreeSet<String> = types.iter().copied().map(String::from).collect();
    while let Some(name) = pending.pop_first() {
        if reached.contains_key(&name) {
            continue;
        }
        let raw = file
            .definitions
            .get(name.as_str())
            .ok_or_else(|| SchemaError::Missing(name.clone()))?;
        let definition: Value = serde_json::from_str(raw.get())?;
        collect_references(&definition, &mut pending);
        reached.insert(name, definition);
    }
    Ok(reached)
}

fn collect_references(schema: &Value, into: &mut BTreeSet<String>) {
    match schema {
        Value::Object(fields) => {
            for (key, value) in fields {
                match value.as_str().and_then(|text| text.strip_prefix("#/definitions/")) {
                    Some(name) if key == "$ref" => {
                        into.insert(name.to_string());
                    }
                    _ => collect_references(value, into),
                }
            }
        }
        Value::Array(items) => items.iter().for_each(|item| collect_references(item, into)),
        _ => {}
    }
}
