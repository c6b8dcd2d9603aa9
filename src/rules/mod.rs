//! 4. The versioned rule sheet and its rules. Pure.
//!
//! Comes in: the TOML text of a sheet. Goes out: a checked [`Sheet`], or its faults by line and
//! column; and the sheet as a document. Every number that decides is a parameter of the sheet.
//! [`Sheets`] says which sheet judges whom.

pub mod age;
pub mod approval;
pub mod export;
mod fit;
mod kind;
pub mod notes;
pub mod parameter;
pub mod phrase;
mod read;
pub mod sheet;
mod sheets;
pub mod show;
mod texts;
pub mod tier;
pub mod trend;

pub use approval::{Approval, ApprovalRecord};
pub use sheet::{Ages, Rule, RuleKind, Sheet, SheetError};
pub use sheets::Sheets;
pub use tier::Tier;
