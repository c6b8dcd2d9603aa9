#![allow(missing_docs)]
#[test]
fn nothing() {}
