//! Which rule sheet judges whom, and which sheet may stand where.

use deltaward::fhir::{Instant, datetime};
use deltaward::rules::sheet::{ADULT, CHILD};
use deltaward::rules::{Sheet, Sheets};

fn at(text: &str) -> Instant {
    datetime::parse(text).unwrap().earliest
}

#[test]
fn below_16_and_only_there_the_childrens_sheet_judges() {
    let sheets = Sheets::builtin().unwrap();
    let now = at("2026-03-05T12:00:00Z");
    for (birth_date, sheet) in [
        (Some("2010-03-05"), "adult-limb"),
        (Some("2010-03-06"), "child-limb"),
        // The latest day that it allows: 31 March 2010, so possibly a child.
        (Some("2010-03"), "child-limb"),
        (Some("2010-02"), "adult-limb"),
        (Some("2010"), "child-limb"),
        (Some("2009"), "adult-limb"),
        (Some("unknown"), "adult-limb"),
        (None, "adult-limb"),
    ] {
        assert_eq!(sheets.for_patient(birth_date, now).id, sheet, "{birth_date:?}");
    }
    // The birthday itself.
    let born = Some("2010-03-06");
    assert_eq!(sheets.for_patient(born, at("2026-03-06T12:00:00Z")).id, "adult-limb");
}

#[test]
fn a_sheet_for_others_is_refused_in_its_place() {
    let adult = || Sheet::adult().unwrap();
    let child = || Sheet::child().unwrap();
    let message = Sheets::new(child(), child()).unwrap_err().to_string();
    assert!(
        message.contains("this sheet is for children") && message.contains("[rules] child_sheet"),
        "{message}"
    );
    let message = Sheets::new(adult(), adult()).unwrap_err().to_string();
    assert!(
        message.contains("this sheet is for adults") && message.contains("[rules] sheet"),
        "{message}"
    );
    let any = Sheet::parse("any.toml", &ADULT.replacen("ages = \"adults\"", "ages = \"any\"", 1)).unwrap();
    assert!(Sheets::new(any.clone(), any).is_ok());
    let other = CHILD.replacen("adult_from_years = 16", "adult_from_years = 18", 1);
    let message = Sheets::new(adult(), Sheet::parse("child.toml", &other).unwrap())
        .unwrap_err()
        .to_string();
    assert!(
        message.contains("18") && message.contains("16") && message.contains("same age"),
        "{message}"
    );
}
