//! 2–4 for one patient. [`assess`](assess::assess) says what ought to stand, `publish` and `tell`
//! compare it with what stands and yield effects. Pure: live, replay and simulation call the same
//! [`step`](step::step).
//!
//! A reader follows one reading downward: `gather` (what counts, each measurement once) →
//! `assess` (pairing, delta; `beside`: second differences), `judge`, `trend`, `disagree` and `carry`
//! (rules) → `concern` (which concerns are open; `overdue`) → `publish` (derived Observations) and `tell` (messages; `ground`: what they stood on) → `step`
//! (state and effects).

// In the order of the flow; the blank lines keep rustfmt from sorting them.
pub mod state;

pub mod gather;

pub mod beside;

pub mod assess;

mod disagree;

mod applies;

pub mod trend;

mod judge;

mod carry;

pub mod concern;

mod overdue;

pub mod session;
mod sides;

pub mod words;

pub mod publish;

pub mod tell;

mod ground;

pub mod effect;

pub mod history;

pub mod retention;

pub mod step;

pub mod examples;

pub use assess::{AskPolicy, Assessment, assess};
pub use effect::{Effect, Input, Question, Step};
pub use state::State;
pub use step::{step, step_held, step_untold};
