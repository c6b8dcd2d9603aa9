//! 1. Where readings come from. A source hands the engine batches and is answered only after the
//! commit that holds them (invariant 1); until then its cursor does not move.

pub mod intake;

pub use intake::{Answer, Batch, CursorUpdate, Incoming, Intake, IntakeError, Operation};
