//! Step 1: where readings come from. A source hands the engine batches and is answered only after the
//! commit that holds them (invariant 1); until then its cursor does not move.

pub mod ask;
pub mod chain;
pub mod demographics;
pub mod intake;
pub mod members;
pub mod page;
pub mod poll;
pub mod query;
pub mod status;
pub mod walk;

pub use intake::{Answer, Batch, CursorUpdate, Incoming, Intake, IntakeError, Operation, UnreadableEntry};
