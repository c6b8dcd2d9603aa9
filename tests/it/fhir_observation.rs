//! An Observation is read as serde_json alone would read it, though a quicker reader comes first.

use deltaward::fhir::observation::{Observation, parse};
use proptest::prelude::*;
use proptest::sample::{Index, select};

/// serde_json is the oracle; the depth, which it does not count in what it skips, is ours.
fn is_read_as_by_serde(text: &str) {
    let oracle: serde_json::Result<Observation<'_>> = serde_json::from_str(text);
    match (parse(text), oracle) {
        (Ok(ours), Ok(theirs)) => assert_eq!(ours, theirs, "{text}"),
        (Err(_), Err(_)) => {}
        (Err(what), Ok(_)) => assert_eq!(what, "nested deeper than 64", "{text}"),
        (Ok(ours), Err(error)) => panic!("{error}, and yet read as {ours:?}: {text}"),
    }
}

/// Every resource of the fixtures, those of HL7 too.
fn fixtures() -> Vec<String> {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let folders = ["fixtures/observations", "fixtures/official", "tests/bench/recognise"];
    let files = folders
        .iter()
        .flat_map(|folder| std::fs::read_dir(root.join(folder)).unwrap());
    let mut paths: Vec<_> = files.map(|file| file.unwrap().path()).collect();
    paths.retain(|path| path.extension().is_some_and(|ending| ending == "json"));
    paths.sort();
    assert!(paths.len() > 100, "{}", paths.len());
    paths
        .iter()
        .map(|path| std::fs::read_to_string(path).unwrap())
        .collect()
}

#[test]
fn fixtures_are_read_alike() {
    for text in fixtures() {
        is_read_as_by_serde(&text);
    }
}

/// What breaks a text, or is escaped in it.
const PIECES: &[&str] = &[
    "{",
    "}",
    "[",
    "]",
    ",",
    ":",
    "\"",
    "\\",
    "\\\"",
    "\\u0041",
    "\\u00g",
    "\\ud800",
    "\n",
    "\n\"",
    "\u{0}",
    " ",
    "é",
    "null",
    "-",
    "0",
    "1.",
    "e",
    "\"a\",",
    "\"status\":\"final\",",
    "\"st\\u0061tus\":1,",
    "\"code\":{},",
    "[[",
    "{}",
];

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1_000))]

    #[test]
    fn changed_fixtures_are_read_alike(
        mut text in select(fixtures().into_iter().filter(|text| text.len() < 4_000).collect::<Vec<_>>()),
        changes in proptest::collection::vec((any::<Index>(), 0_usize..4, select(PIECES)), 1..4),
    ) {
        for (index, removed, piece) in changes {
            let places: Vec<usize> = text.char_indices().map(|(at, _)| at).chain([text.len()]).collect();
            let first = index.index(places.len());
            let last = (first + removed).min(places.len() - 1);
            text.replace_range(places[first]..places[last], piece);
        }
        is_read_as_by_serde(&text);
    }
}
