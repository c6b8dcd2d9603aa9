//! 2–4 for one patient. `assess` says what ought to stand, `reconcile` compares it with what
//! stands and yields effects. Pure: live, replay and simulation call the same `step`.

pub mod state;
