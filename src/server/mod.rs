//! What is shown and received over HTTP.

pub mod charts;
pub mod live;
pub mod pages;

pub use live::LiveEvent;
