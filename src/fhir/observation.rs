//! The R4 Observation as it is read: only the elements that recognition needs, borrowed from the
//! text. Any other element is skipped, whatever it holds.
//!
//! Decimals stay as the text that was sent ([`RawValue`]). `bodySite`, `extension` and `contained`
//! stay raw too and are read only for a compartment pressure or a panel.
//!
//! The structs are read by hand-written visitors (one macro), not by a derive: a derived struct
//! also accepts a JSON array in place of the object, and an `Option<Cow<str>>` always copies.

use serde::de::{Deserialize, Deserializer, Error as _, IgnoredAny, MapAccess, Visitor};
use serde_json::value::RawValue;
use std::borrow::Cow;
use std::fmt;
use std::marker::PhantomData;
use std::ops::Deref;

/// The greatest depth of nesting that is read (objects and arrays, the resource itself is 1).
pub const DEPTH_MAX: usize = 64;

/// A JSON string, borrowed unless it holds escapes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Text<'a>(Cow<'a, str>);

impl Deref for Text<'_> {
    type Target = str;
    fn deref(&self) -> &str {
        &self.0
    }
}

impl<'de: 'a, 'a> Deserialize<'de> for Text<'a> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct TextVisitor;
        impl<'de> Visitor<'de> for TextVisitor {
            type Value = Text<'de>;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a string")
            }
            fn visit_borrowed_str<E>(self, text: &'de str) -> Result<Text<'de>, E> {
                Ok(Text(Cow::Borrowed(text)))
            }
            fn visit_str<E>(self, text: &str) -> Result<Text<'de>, E> {
                Ok(Text(Cow::Owned(text.to_owned())))
            }
        }
        deserializer.deserialize_str(TextVisitor)
    }
}

/// Declares one element: its fields, each with the JSON names that fill it. A name that comes
/// twice is an error; `null` counts as absent.
macro_rules! element {
    ($(#[$doc:meta])* $name:ident {
        $($(#[$field_doc:meta])* $field:ident: $type:ty = $($key:literal)|+;)*
    }) => {
        $(#[$doc])*
        #[derive(Debug, Default)]
        pub struct $name<'a> {
            $($(#[$field_doc])* pub $field: Option<$type>,)*
        }

        impl<'de: 'a, 'a> Deserialize<'de> for $name<'a> {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                struct ElementVisitor<'a>(PhantomData<&'a ()>);
                impl<'de: 'a, 'a> Visitor<'de> for ElementVisitor<'a> {
                    type Value = $name<'a>;
                    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                        f.write_str("an object")
                    }
                    fn visit_map<M: MapAccess<'de>>(self, mut map: M) -> Result<Self::Value, M::Error> {
                        let mut element = $name::default();
                        while let Some(key) = map.next_key::<Text<'de>>()? {
                            match &*key {
                                $($($key)|+ => {
                                    if element.$field.is_some() {
                                        return Err(M::Error::duplicate_field($name::NAME));
                                    }
                                    element.$field = map.next_value()?;
                                })*
                                _ => {
                                    map.next_value::<IgnoredAny>()?;
                                }
                            }
                        }
                        Ok(element)
                    }
                }
                deserializer.deserialize_map(ElementVisitor(PhantomData))
            }
        }

        impl $name<'_> {
            const NAME: &'static str = stringify!($name);
        }
    };
}
pub(super) use element;

element! {
    /// Observation.
    Observation {
        /// `Observation`, or another resource that came by this way.
        resource_type: Text<'a> = "resourceType";
        /// Logical id (of a contained resource: the name without `#`).
        id: Text<'a> = "id";
        /// A modifier: rules under which the resource was made.
        implicit_rules: IgnoredAny = "implicitRules";
        /// Tags.
        meta: Meta<'a> = "meta";
        /// Contained resources, raw.
        contained: &'a RawValue = "contained";
        /// Extensions, raw.
        extension: &'a RawValue = "extension";
        /// Extensions that may change the meaning.
        modifier_extension: Vec<IgnoredAny> = "modifierExtension";
        /// Business identifiers.
        identifier: Vec<Identifier<'a>> = "identifier";
        /// Status.
        status: Text<'a> = "status";
        /// What was measured.
        code: CodeableConcept<'a> = "code";
        /// Of whom.
        subject: Reference<'a> = "subject";
        /// What was measured, when it is not the subject.
        focus: Vec<IgnoredAny> = "focus";
        /// effective\[x\].
        effective_date_time: Text<'a> = "effectiveDateTime";
        /// Extensions of effectiveDateTime.
        effective_date_time_extra: IgnoredAny = "_effectiveDateTime";
        /// effective\[x\].
        effective_period: Period<'a> = "effectivePeriod";
        /// effective\[x\].
        effective_instant: Text<'a> = "effectiveInstant";
        /// effective\[x\].
        effective_timing: IgnoredAny = "effectiveTiming";
        /// value\[x\].
        value_quantity: Quantity<'a> = "valueQuantity";
        /// Any other value\[x\], raw.
        value_other: &'a RawValue = "valueCodeableConcept" | "valueString" | "valueBoolean" | "valueInteger"
            | "valueRange" | "valueRatio" | "valueSampledData" | "valueTime" | "valueDateTime" | "valuePeriod";
        /// Why there is no value.
        data_absent_reason: CodeableConcept<'a> = "dataAbsentReason";
        /// Where, raw: read for a compartment pressure only.
        body_site: &'a RawValue = "bodySite";
        /// How.
        method: CodeableConcept<'a> = "method";
        /// Members of a panel.
        has_member: Vec<Reference<'a>> = "hasMember";
        /// Components.
        component: Vec<Component<'a>> = "component";
    }
}

element! {
    /// Observation.component.
    Component {
        /// What was measured.
        code: CodeableConcept<'a> = "code";
        /// Extensions, raw.
        extension: &'a RawValue = "extension";
        /// Extensions that may change the meaning.
        modifier_extension: Vec<IgnoredAny> = "modifierExtension";
        /// value\[x\].
        value_quantity: Quantity<'a> = "valueQuantity";
        /// Any other value\[x\], raw.
        value_other: &'a RawValue = "valueCodeableConcept" | "valueString" | "valueBoolean" | "valueInteger"
            | "valueRange" | "valueRatio" | "valueSampledData" | "valueTime" | "valueDateTime" | "valuePeriod";
        /// Why there is no value.
        data_absent_reason: CodeableConcept<'a> = "dataAbsentReason";
    }
}

element! {
    /// Meta.
    Meta {
        /// Tags.
        tag: Vec<Coding<'a>> = "tag";
    }
}

element! {
    /// Coding.
    Coding {
        /// Code system.
        system: Text<'a> = "system";
        /// Code.
        code: Text<'a> = "code";
        /// What a person reads.
        display: Text<'a> = "display";
    }
}

element! {
    /// CodeableConcept.
    CodeableConcept {
        /// Codings.
        coding: Vec<Coding<'a>> = "coding";
        /// Text.
        text: Text<'a> = "text";
        /// Extensions, raw (used in bodySite).
        extension: &'a RawValue = "extension";
    }
}

impl<'a> CodeableConcept<'a> {
    /// The codings; none when absent.
    pub fn codings(&self) -> &[Coding<'a>] {
        self.coding.as_deref().unwrap_or_default()
    }
}

element! {
    /// Quantity.
    Quantity {
        /// The number as sent; may be any JSON.
        value: &'a RawValue = "value";
        /// `<`, `<=`, `>=`, `>`.
        comparator: Text<'a> = "comparator";
        /// Unit for people.
        unit: Text<'a> = "unit";
        /// System of `code`.
        system: Text<'a> = "system";
        /// Unit for machines.
        code: Text<'a> = "code";
    }
}

element! {
    /// Period.
    Period {
        /// Start.
        start: Text<'a> = "start";
        /// End.
        end: Text<'a> = "end";
    }
}

element! {
    /// Reference.
    Reference {
        /// Literal reference.
        reference: Text<'a> = "reference";
        /// Type of the target.
        target_type: Text<'a> = "type";
        /// Logical reference.
        identifier: Identifier<'a> = "identifier";
        /// What a person reads.
        display: Text<'a> = "display";
    }
}

element! {
    /// Identifier.
    Identifier {
        /// Namespace.
        system: Text<'a> = "system";
        /// Value.
        value: Text<'a> = "value";
    }
}

element! {
    /// Extension, with the values that a body site or a side may come in.
    Extension {
        /// Which extension.
        url: Text<'a> = "url";
        /// value\[x\].
        value_reference: Reference<'a> = "valueReference";
        /// value\[x\].
        value_codeable_concept: CodeableConcept<'a> = "valueCodeableConcept";
        /// value\[x\].
        value_coding: Coding<'a> = "valueCoding";
        /// value\[x\].
        value_text: Text<'a> = "valueString" | "valueCode";
    }
}

element! {
    /// Any contained resource: what it is and its name.
    Named {
        /// Resource type.
        resource_type: Text<'a> = "resourceType";
        /// Name without `#`.
        id: Text<'a> = "id";
    }
}

element! {
    /// BodyStructure.
    BodyStructure {
        /// Where.
        location: CodeableConcept<'a> = "location";
        /// Side and further qualifiers.
        location_qualifier: Vec<CodeableConcept<'a>> = "locationQualifier";
    }
}

element! {
    /// What is still read of a resource that cannot be read as a whole.
    Remnant {
        /// Resource type.
        resource_type: &'a RawValue = "resourceType";
        /// Status: a withdrawal counts even if the rest is bad.
        status: &'a RawValue = "status";
        /// Of whom.
        subject: &'a RawValue = "subject";
    }
}

/// Read one Observation.
///
/// # Errors
/// Names the element that is not as FHIR has it; never repeats content.
pub fn parse(json: &str) -> Result<Observation<'_>, String> {
    parse_as(json)
}

/// Read one resource of another type; as [`parse`].
///
/// # Errors
/// As [`parse`].
pub fn parse_as<'a, T: Deserialize<'a>>(json: &'a str) -> Result<T, String> {
    if deeper_than(json, DEPTH_MAX) {
        return Err(format!("nested deeper than {DEPTH_MAX}"));
    }
    read(json)
}

/// Read one element from its text.
///
/// # Errors
/// As [`parse`].
pub fn read<'a, T: Deserialize<'a>>(json: &'a str) -> Result<T, String> {
    serde_json::from_str(json).map_err(|error| describe(json, &error))
}

fn describe(json: &str, error: &serde_json::Error) -> String {
    let (line, column) = (error.line(), error.column());
    if !error.is_data() {
        return format!("not JSON: line {line}, column {column}");
    }
    let path = path_at(json, offset(json, line, column));
    // Only names of elements that are read can stand in the path, never content.
    let what = if error.to_string().starts_with("duplicate field") {
        "is given twice"
    } else {
        "does not have the JSON type that FHIR gives it"
    };
    if path.is_empty() {
        return format!("the resource {what}");
    }
    format!("{path} {what}")
}

fn offset(json: &str, line: usize, column: usize) -> usize {
    let start: usize = json
        .split_inclusive('\n')
        .take(line.saturating_sub(1))
        .map(str::len)
        .sum();
    (start + column).min(json.len())
}

/// The path of the element that is open at byte `end`: `component[1].code`.
fn path_at(json: &str, end: usize) -> String {
    enum Level {
        Object(String),
        Array(usize),
    }
    let bytes = json.as_bytes();
    let mut levels: Vec<Level> = Vec::new();
    let mut expects_key = false;
    let mut at = 0;
    while at < end {
        match bytes[at] {
            b'{' => {
                levels.push(Level::Object(String::new()));
                expects_key = true;
            }
            b'[' => {
                levels.push(Level::Array(0));
                expects_key = false;
            }
            b'}' | b']' => {
                levels.pop();
                expects_key = false;
            }
            b',' => match levels.last_mut() {
                Some(Level::Array(index)) => *index += 1,
                _ => expects_key = true,
            },
            b'"' => {
                let start = at + 1;
                at = string_end(bytes, start).min(end);
                if let (true, Some(Level::Object(key))) = (expects_key, levels.last_mut()) {
                    *key = String::from_utf8_lossy(&bytes[start.min(at)..at]).into_owned();
                    expects_key = false;
                }
            }
            _ => {}
        }
        at += 1;
    }
    let mut path = String::new();
    for level in &levels {
        match level {
            Level::Object(key) if path.is_empty() => path.push_str(key),
            Level::Object(key) if key.is_empty() => {}
            Level::Object(key) => {
                path.push('.');
                path.push_str(key);
            }
            Level::Array(index) => path.push_str(&format!("[{index}]")),
        }
    }
    path
}

/// Index of the quote that closes the string whose content starts at `at`.
fn string_end(bytes: &[u8], mut at: usize) -> usize {
    while at < bytes.len() && bytes[at] != b'"' {
        at += if bytes[at] == b'\\' { 2 } else { 1 };
    }
    at.min(bytes.len())
}

/// True when objects and arrays nest deeper than `limit`. The parser skips unread elements without
/// counting their depth, so it is counted here.
fn deeper_than(json: &str, limit: usize) -> bool {
    let bytes = json.as_bytes();
    // `[` and `{` differ in one bit. A text with few of them cannot be deep: the common case.
    let openings: usize = bytes.chunks(128).map(|chunk| usize::from(openings_in(chunk))).sum();
    if openings <= limit {
        return false;
    }
    let mut depth = 0_usize;
    let mut at = 0;
    while at < bytes.len() {
        match bytes[at] {
            b'{' | b'[' => {
                depth += 1;
                if depth > limit {
                    return true;
                }
            }
            b'}' | b']' => depth = depth.saturating_sub(1),
            b'"' => at = string_end(bytes, at + 1),
            _ => {}
        }
        at += 1;
    }
    false
}

/// At most 128 bytes, so that the count fits one byte and the loop becomes vector instructions.
fn openings_in(chunk: &[u8]) -> u8 {
    chunk.iter().map(|byte| u8::from(byte | 0x20 == b'{')).sum()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn strings_are_borrowed_unless_escaped() {
        let coding: Coding<'_> = read(r#"{"system":"a","code":"b\u0063"}"#).unwrap();
        assert!(matches!(coding.system.unwrap().0, Cow::Borrowed("a")));
        assert_eq!(&*coding.code.unwrap(), "bc");
    }

    #[test]
    fn the_fault_names_the_element_and_not_its_content() {
        let fault = |json: &str| parse(json).unwrap_err();
        assert_eq!(
            fault("[]"),
            "the resource does not have the JSON type that FHIR gives it"
        );
        let typed = "does not have the JSON type that FHIR gives it";
        assert_eq!(fault(r#"{"id":"x","status":5}"#), format!("status {typed}"));
        assert_eq!(fault(r#"{"code":["a"]}"#), format!("code {typed}"));
        let nested = r#"{"component":[{"code":{}},
            {"code":{"coding":[{"code":"a"},{"system":"s","code":{"Mrs":"X"}}]}}]}"#;
        assert_eq!(fault(nested), format!("component[1].code.coding[1].code {typed}"));
        assert_eq!(fault(r#"{"status":"final","status":"final"}"#), "status is given twice");
        assert_eq!(fault(r#"{"status":"fin"#), "not JSON: line 1, column 14");
    }

    #[test]
    fn depth_is_counted_outside_strings_and_in_unread_elements() {
        let deep = |depth: usize| format!("{}{}{}", r#"{"x":"#, "[".repeat(depth - 1), "]".repeat(depth - 1)) + "}";
        assert!(!deeper_than(&deep(DEPTH_MAX), DEPTH_MAX));
        assert!(deeper_than(&deep(DEPTH_MAX + 1), DEPTH_MAX));
        assert!(parse(&deep(DEPTH_MAX)).is_ok());
        assert_eq!(parse(&deep(DEPTH_MAX + 1)).unwrap_err(), "nested deeper than 64");
        assert!(!deeper_than(&format!(r#"{{"x":"{}\"["}}"#, "[".repeat(100)), DEPTH_MAX));
        assert!(!deeper_than(&format!("[{}0]", "[],".repeat(500)), DEPTH_MAX));
    }
}
