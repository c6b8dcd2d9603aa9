//! The R4 Observation as far as a pressure, its place, its time and its version are concerned: what
//! [`crate::replay::summary`] reads of a great many.

use super::element::element;
pub use super::element::{Each, Raw, Text};
pub use super::observation::{Head, Period, Quantity};

element! {
    /// Observation.
    Narrow {
        /// `Observation`, or another resource.
        resource_type: Text<'a> = "resourceType";
        /// Logical id.
        id: Text<'a> = "id";
        /// Version.
        meta: super::observation::MetaVersion<'a> = "meta", beside;
        /// Status.
        status: Text<'a> = "status";
        /// What was measured.
        code: Concept<'a> = "code";
        /// Of whom.
        subject: Literal<'a> = "subject";
        /// effective\[x\].
        effective_date_time: Text<'a> = "effectiveDateTime";
        /// effective\[x\].
        effective_instant: Text<'a> = "effectiveInstant";
        /// effective\[x\].
        effective_period: Period<'a> = "effectivePeriod";
        /// value\[x\].
        value_quantity: Quantity<'a> = "valueQuantity";
        /// Where, raw: read for a compartment pressure only.
        body_site: Raw<'a> = "bodySite";
        /// Components, each read by itself.
        component: Vec<Each<'a, NarrowComponent<'a>>> = "component";
    }
}

element! {
    /// Observation.component.
    NarrowComponent {
        /// What was measured.
        code: Concept<'a> = "code";
        /// value\[x\].
        value_quantity: Quantity<'a> = "valueQuantity";
    }
}

element! {
    /// CodeableConcept, the codes.
    Concept {
        /// Codings.
        coding: Vec<Code<'a>> = "coding";
    }
}

impl<'a> Concept<'a> {
    /// The codings; none when absent.
    pub fn codings(&self) -> &[Code<'a>] {
        self.coding.as_deref().unwrap_or_default()
    }
}

element! {
    /// Coding, as far as a program reads it.
    Code {
        /// Code system.
        system: Text<'a> = "system";
        /// Code.
        code: Text<'a> = "code";
    }
}

element! {
    /// Reference, the literal part.
    Literal {
        /// Literal reference.
        reference: Text<'a> = "reference";
    }
}

/// Read one Observation.
///
/// # Errors
/// Names the element that is not as FHIR has it; never repeats content.
pub fn parse(json: &str) -> Result<Narrow<'_>, String> {
    super::observation::parse_as(json)
}

/// What kind of resource a text is and its id, whatever else is in it.
///
/// # Errors
/// As [`parse`].
pub fn head(json: &str) -> Result<Head<'_>, String> {
    super::observation::parse_as(json)
}

/// Read a CodeableConcept.
///
/// # Errors
/// As [`parse`].
pub fn concept(raw: Raw<'_>) -> Result<Concept<'_>, String> {
    super::observation::read(raw.get())
}
