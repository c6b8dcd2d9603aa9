//! A rule sheet is used, or every fault has its line and column; one that is used can be tried,
//! shown and exported.

use super::assert_place;
use deltaward::patient::examples;
use deltaward::rules::export::export;
use deltaward::rules::show;
use deltaward::rules::{Sheet, SheetError};

pub fn holds(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let (read, checked) = (Sheet::parse("s.toml", text), Sheet::checked("s.toml", text));
    if let Err(error) = &read {
        has_its_places(text, error);
        assert_eq!(Some(error), checked.as_ref().err(), "what cannot be read is not used");
        return;
    }
    assert!(toml::from_str::<toml::Table>(text).is_ok());
    match checked {
        Err(error) => has_its_places(text, &error),
        Ok(sheet) => is_of_use(&sheet, text),
    }
}

fn has_its_places(text: &str, error: &SheetError) {
    assert!(!error.faults.is_empty());
    for fault in &error.faults {
        let (line, column) = fault.place.unwrap_or_else(|| panic!("no place: {fault}"));
        assert_place(text, line, column);
        assert!(!fault.message.trim().is_empty());
    }
    assert!(error.to_string().starts_with("s.toml: line "), "{error}");
}

fn is_of_use(sheet: &Sheet, source: &str) {
    assert_eq!(sheet.hash.len(), 64);
    for failure in examples::failures(sheet) {
        assert!(sheet.rules.iter().any(|rule| rule.id == failure.rule), "{failure}");
    }
    let (text, html) = (show::text(sheet), show::html(sheet));
    for rule in &sheet.rules {
        assert!(text.contains(&rule.id), "{} is not shown", rule.id);
    }
    assert!(html.starts_with("<!DOCTYPE html>"), "{}", &html[..html.len().min(40)]);
    let [definition, library] = export(sheet, source);
    assert_eq!(definition["resourceType"], "PlanDefinition");
    assert_eq!(library["resourceType"], "Library");
}
