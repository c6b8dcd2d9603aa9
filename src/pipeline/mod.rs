//! Wiring: the engine between the sources and the store, and the commands `run` and `demo`.
//! Only this module (and `main`) knows all others.

mod awaited;
mod group;
mod held;
#[cfg(feature = "mutations")]
mod mutated;
mod outlets;
mod rows;
mod writer;

pub mod check;
pub mod demo;
pub mod engine;
pub mod refresh;
pub mod rules;
pub mod run;
pub mod service;
pub mod settings;
pub mod sheets;
pub mod telemetry;
pub mod work;

pub use engine::Engine;
pub use settings::{Clock, Settings};
