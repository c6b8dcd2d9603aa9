//! 4. The versioned rule sheet and its rules. Pure.

pub mod tier;

pub use tier::Tier;
