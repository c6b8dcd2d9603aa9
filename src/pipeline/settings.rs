//! What the engine needs to know to judge and to write.

use crate::fhir::Instant;
use crate::outbox::context::{MessageContext, Mode, SheetRef};
use crate::patient::AskPolicy;
use crate::recognise::Mapping;
use crate::rules::{Sheet, Sheets};
use std::sync::Arc;

/// Where the time comes from. Made once in `main` (or by the demo, which has a clock of its own);
/// below the engine `now` is a value.
pub type Clock = Arc<dyn Fn() -> Instant + Send + Sync>;

/// What the engine judges and writes by.
#[derive(Clone)]
pub struct Settings {
    /// The rule sheets in force: which one judges a patient is decided at each step.
    pub sheets: Arc<Sheets>,
    /// The mapping in force.
    pub mapping: Arc<Mapping>,
    /// Whether a source can be asked for earlier diastolics.
    pub policy: AskPolicy,
    /// Shadow or live.
    pub mode: Mode,
    /// True when a FHIR server is to be written to: what is derived goes to the outbox.
    pub deliver: bool,
    /// Recipients of every Communication.
    pub recipients: Vec<String>,
    /// Base URLs of the source and of our own endpoint: an absolute reference to one of them means
    /// the same patient as a relative one.
    pub bases: Vec<String>,
    /// Patients kept in memory (10,000).
    pub patients_in_memory: usize,
    /// Batches taken into one commit (512).
    pub batches_per_commit: usize,
}

impl Settings {
    /// What every resource carries that is written of a patient whom `sheet` judged.
    pub fn context(&self, sheet: &Sheet) -> MessageContext {
        MessageContext {
            mode: self.mode,
            sheet: SheetRef::from(sheet),
            recipients: self.recipients.clone(),
        }
    }
}
