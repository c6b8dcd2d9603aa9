//! A rule sheet as a document for the committee that answers for it. Pure.
//!
//! Everything that decides is in it, with its source and how far that source was read. [`document()`]
//! says what stands in it, [`text()`] and [`html()`] how it looks, so that the two cannot differ.

mod document;
mod html;
mod text;
mod words;

pub use document::{Block, Cell, Document, Section, Table, document};
pub use html::html;
pub use text::text;
pub use words::{applies_to, band, condition, context_words, mark_words};
