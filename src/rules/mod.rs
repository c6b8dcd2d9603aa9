//! 4. The versioned rule sheet and its rules. Pure.
//!
//! Comes in: the TOML text of a sheet; then one site's measurements in time order. Goes out: which
//! rules hold on which measurement. Every number that decides is a parameter of the sheet.

mod kind;
pub mod phrase;
mod read;
pub mod sheet;
pub mod show;
pub mod tier;
pub mod trend;

pub use sheet::{Ages, Rule, RuleKind, Sheet, SheetError};
pub use tier::Tier;
