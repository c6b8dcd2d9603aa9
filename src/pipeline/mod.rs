//! Wiring: the engine between the sources and the store, and the commands `run` and `demo`.
//! Only this module (and `main`) knows all others.

pub mod settings;
pub mod work;
pub mod engine;
pub mod refresh;

pub use engine::Engine;
pub use settings::Settings;
