//! What a page that is open now is told at once.

use crate::fhir::Instant;
use crate::recognise::reading::PatientKey;

/// Something happened to one patient: the engine says so after the commit, pages redraw.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LiveEvent {
    /// Whose page is to be drawn again.
    pub patient: PatientKey,
    /// When it was decided.
    pub at: Instant,
    /// One line for a person ("critical: delta 12 mmHg").
    pub text: String,
}
