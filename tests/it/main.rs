#![allow(missing_docs)]
mod outbox;
#[test]
fn nothing() {}
