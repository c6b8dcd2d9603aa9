//! The R4 Procedure as it is read: only the elements that recognition needs, borrowed from the
//! text, as [`super::observation`] does.

use super::element::{Text, element};
use super::observation::{CodeableConcept, Identifier, Meta, Period, Reference};
use serde::de::IgnoredAny;

element! {
    /// Procedure.
    Procedure {
        /// `Procedure`, or another resource that came by this way.
        resource_type: Text<'a> = "resourceType";
        /// A modifier: rules under which the resource was made.
        implicit_rules: IgnoredAny = "implicitRules";
        /// Tags.
        meta: Meta<'a> = "meta", beside;
        /// Extensions that may change the meaning.
        modifier_extension: Vec<IgnoredAny> = "modifierExtension";
        /// Business identifiers.
        identifier: Vec<Identifier<'a>> = "identifier", beside;
        /// Status.
        status: Text<'a> = "status";
        /// Classification.
        category: CodeableConcept<'a> = "category";
        /// What was done.
        code: CodeableConcept<'a> = "code";
        /// On whom.
        subject: Reference<'a> = "subject";
        /// performed\[x\].
        performed_date_time: Text<'a> = "performedDateTime";
        /// performed\[x\].
        performed_period: Period<'a> = "performedPeriod";
        /// Any other performed\[x\].
        performed_other: IgnoredAny = "performedString" | "performedAge" | "performedRange";
    }
}
