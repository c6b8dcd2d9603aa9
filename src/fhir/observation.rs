//! The R4 Observation as it is read: only the elements that recognition needs, borrowed from the
//! text. Any other element is skipped, whatever it holds.
//!
//! Decimals stay as the text that was sent ([`Raw`]). `bodySite`, `extension` and `contained`
//! stay raw too and are read only for a compartment pressure or a panel.

use super::element::element;
pub use super::element::{Each, Raw, Text};
pub(crate) use super::json::Skipped;
use super::json::{self, DEPTH_MAX, Quick};
use super::json_fault;
use serde::de::{Deserialize, IgnoredAny};

/// What can be read from a JSON text.
pub(crate) trait Read<'a>: Quick<'a> + Deserialize<'a> {}
impl<'a, T: Quick<'a> + Deserialize<'a>> Read<'a> for T {}

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
        meta: Meta<'a> = "meta", beside;
        /// Contained resources, raw.
        contained: Raw<'a> = "contained";
        /// Extensions, raw.
        extension: Raw<'a> = "extension";
        /// Extensions that may change the meaning.
        modifier_extension: Vec<IgnoredAny> = "modifierExtension";
        /// Business identifiers.
        identifier: Vec<Identifier<'a>> = "identifier", beside;
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
        value_other: Raw<'a> = "valueCodeableConcept" | "valueString" | "valueBoolean" | "valueInteger"
            | "valueRange" | "valueRatio" | "valueSampledData" | "valueTime" | "valueDateTime" | "valuePeriod";
        /// Why there is no value.
        data_absent_reason: CodeableConcept<'a> = "dataAbsentReason";
        /// Where, raw: read for a compartment pressure only.
        body_site: Raw<'a> = "bodySite";
        /// How.
        method: CodeableConcept<'a> = "method", beside;
        /// Members of a panel.
        has_member: Vec<Reference<'a>> = "hasMember";
        /// Components, each read by itself.
        component: Vec<Each<'a, Component<'a>>> = "component";
    }
}

element! {
    /// Observation.component.
    Component {
        /// What was measured.
        code: CodeableConcept<'a> = "code";
        /// Extensions, raw.
        extension: Raw<'a> = "extension";
        /// Extensions that may change the meaning.
        modifier_extension: Vec<IgnoredAny> = "modifierExtension";
        /// value\[x\].
        value_quantity: Quantity<'a> = "valueQuantity";
        /// Any other value\[x\], raw.
        value_other: Raw<'a> = "valueCodeableConcept" | "valueString" | "valueBoolean" | "valueInteger"
            | "valueRange" | "valueRatio" | "valueSampledData" | "valueTime" | "valueDateTime" | "valuePeriod";
        /// Why there is no value.
        data_absent_reason: CodeableConcept<'a> = "dataAbsentReason";
    }
}

element! {
    /// Meta.
    Meta {
        /// versionId.
        version_id: Text<'a> = "versionId", beside;
        /// lastUpdated.
        last_updated: Text<'a> = "lastUpdated", beside;
        /// Tags.
        tag: Vec<Coding<'a>> = "tag", beside;
    }
}

element! {
    /// Meta of any resource, as far as its version is concerned.
    MetaVersion {
        /// versionId.
        version_id: Text<'a> = "versionId", beside;
        /// lastUpdated.
        last_updated: Text<'a> = "lastUpdated", beside;
    }
}

element! {
    /// An entry of a Bundle of type searchset.
    SearchEntry {
        /// Where the resource is: only a string can name the id that the resource lacks.
        full_url: Text<'a> = "fullUrl", beside;
        /// The resource, raw.
        resource: Raw<'a> = "resource";
        /// Why it is in the Bundle.
        search: SearchMode<'a> = "search", beside;
    }
}

element! {
    /// Bundle.entry.search.
    SearchMode {
        /// `match`, `include` or `outcome`.
        mode: Text<'a> = "mode", beside;
    }
}

element! {
    /// What any resource says of itself.
    Head {
        /// Resource type.
        resource_type: Text<'a> = "resourceType";
        /// Logical id.
        id: Text<'a> = "id";
        /// Meta, raw: what cannot be read of it costs no resource.
        meta: Raw<'a> = "meta";
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
        display: Text<'a> = "display", beside;
    }
}

element! {
    /// CodeableConcept.
    CodeableConcept {
        /// Codings.
        coding: Vec<Coding<'a>> = "coding";
        /// Text.
        text: Text<'a> = "text", beside;
        /// Extensions, raw (used in bodySite).
        extension: Raw<'a> = "extension";
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
        value: Raw<'a> = "value";
        /// `<`, `<=`, `>=`, `>`.
        comparator: Text<'a> = "comparator";
        /// Unit for people.
        unit: Text<'a> = "unit", beside;
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
        display: Text<'a> = "display", beside;
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
        resource_type: Raw<'a> = "resourceType";
        /// Status: a withdrawal counts even if the rest is bad.
        status: Raw<'a> = "status";
        /// Of whom.
        subject: Raw<'a> = "subject";
        /// What was measured: of a compartment reading even that is told which cannot be read.
        code: Raw<'a> = "code";
    }
}

/// What is wrong with a component that cannot be read; never repeats content.
pub(crate) fn component_fault(raw: Raw<'_>) -> String {
    let what = read::<Component<'_>>(raw.get()).err().unwrap_or_default();
    what.replacen("the resource", "the component", 1)
}

/// Read one Observation.
///
/// # Errors
/// Names the element that is not as FHIR has it; never repeats content.
pub fn parse(json: &str) -> Result<Observation<'_>, String> {
    parse_as(json)
}

/// As [`parse`], into `observation`, which is as `default` made it: it is large, and here nothing is moved.
/// False when it cannot be read; then it is half filled.
pub fn fill<'a>(json: &'a str, observation: &mut Observation<'a>) -> bool {
    json::read(json, observation)
}

/// As [`fill`]: which members nobody read, in order; None also where that is in doubt.
pub(crate) fn fill_noting<'a>(json: &'a str, observation: &mut Observation<'a>) -> Option<Vec<Skipped>> {
    json::read_noting(json, observation)
}

/// Read one resource of another type; as [`parse`].
///
/// # Errors
/// As [`parse`].
pub(crate) fn parse_as<'a, T: Read<'a> + Default>(json: &'a str) -> Result<T, String> {
    // The quick reader counts the depth itself; serde does not count it in what it skips.
    let mut resource = T::default();
    if json::read(json, &mut resource) {
        return Ok(resource);
    }
    if json_fault::deeper_than(json, DEPTH_MAX) {
        return Err(format!("nested deeper than {DEPTH_MAX}"));
    }
    with_serde(json)
}

/// Read one element from its text.
///
/// # Errors
/// As [`parse`].
pub(crate) fn read<'a, T: Read<'a>>(json: &'a str) -> Result<T, String> {
    let mut value = T::default();
    if json::read(json, &mut value) {
        return Ok(value);
    }
    with_serde(json)
}

fn with_serde<'a, T: Deserialize<'a>>(json: &'a str) -> Result<T, String> {
    serde_json::from_str(json).map_err(|error| json_fault::describe(json, &error))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn an_odd_component_is_kept_with_its_fault_and_costs_no_other() {
        let text = r#"{"component":[{"code":{"coding":[{"code":"a"}]}},7,
            {"code":{"coding":[{"code":"a"},{"system":"s","code":{"Mrs":"X"}}]}},{"c\u006fde":{}}]}"#;
        let observation = parse(text).unwrap();
        let faults: Vec<Option<String>> = observation
            .component
            .iter()
            .flatten()
            .map(|item| match item {
                Each::Read(_) => None,
                Each::Odd(raw) => Some(component_fault(*raw)),
            })
            .collect();
        let typed = "does not have the JSON type that FHIR gives it";
        let expected = [
            None,
            Some(format!("the component {typed}")),
            Some(format!("code.coding[1].code {typed}")),
            None,
        ];
        assert_eq!(faults, expected);
        let by_serde: Observation<'_> = serde_json::from_str(text).unwrap();
        assert_eq!(observation, by_serde);
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
        let nested = r#"{"hasMember":[{"reference":"a"},
            {"identifier":{"value":"v","system":{"Mrs":"X"}}}]}"#;
        assert_eq!(fault(nested), format!("hasMember[1].identifier.system {typed}"));
        assert_eq!(fault(r#"{"status":"final","status":"final"}"#), "status is given twice");
        assert_eq!(fault(r#"{"status":"fin"#), "not JSON: line 1, column 14");
    }
}
