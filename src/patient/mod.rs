//! 2–4 for one patient. [`assess`](assess::assess) says what ought to stand, `publish` and `tell`
//! compare it with what stands and yield effects. Pure: live, replay and simulation call the same
//! [`step`](step::step).
//!
//! A reader follows one reading downward: `gather` (what counts, each measurement once) →
//! `assess` (pairing, delta, rules) → `concern` (which concerns are open) → `publish` (derived
//! Observations) and `tell` (messages) → `step` (state and effects).

pub mod assess;
pub mod concern;
pub mod effect;
pub mod examples;
pub mod gather;
pub mod history;
pub mod publish;
pub mod state;
pub mod step;
pub mod tell;

mod ground;
pub mod words;

pub use assess::{AskPolicy, Assessment, assess};
pub use effect::{Effect, Input, Question, Step};
pub use state::State;
pub use step::{step, step_untold};
