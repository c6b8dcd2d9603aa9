//! The standard's own forms (HL7 FHIR R4, 4.0.1): dateTime, decimal, pressure quantities, the
//! Observation and Procedure as they are read, references, OperationOutcome. Pure: text in, values out.
//!
//! Only the elements that the service uses are read, as borrowed views; everything else in a
//! resource is left alone and kept as it was sent.

pub(crate) mod alike;
pub mod datetime;
pub mod decimal;
mod element;
pub mod instant;
mod json;
mod json_fault;
pub mod narrow;
pub mod observation;
pub mod outcome;
pub mod procedure;
pub mod quantity;
pub mod reference;

/// A text that is mostly short: up to 24 bytes of it stand in place.
pub use compact_str::CompactString as Short;
pub use instant::Instant;
pub use rust_decimal::Decimal;

/// At most `most` characters of a text from outside, for messages: the rest becomes an ellipsis.
pub(crate) fn shorten(text: &str, most: usize) -> std::borrow::Cow<'_, str> {
    match text.char_indices().nth(most) {
        None => text.into(),
        Some((end, _)) => format!("{}…", &text[..end]).into(),
    }
}

#[cfg(test)]
mod json_tests;
