//! The demo, as a process: what it must show, and how long it may take.

use crate::process::BINARY;
use std::process::Command;
use std::time::{Duration, Instant};

#[test]
fn until_end_prints_every_kind_of_event_and_exits_0() {
    let began = Instant::now();
    let output = Command::new(BINARY)
        .args(["demo", "--until-end", "--listen", "127.0.0.1:0"])
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&output.stdout);
    assert!(
        output.status.success(),
        "{text}\n{}",
        String::from_utf8_lossy(&output.stderr)
    );
    assert!(began.elapsed() < Duration::from_secs(20), "took {:?}", began.elapsed());
    let line = |bed: &str, words: &[&str]| {
        let found = text
            .lines()
            .any(|line| line.contains(bed) && words.iter().all(|word| line.contains(word)));
        assert!(found, "no line for {bed} with {words:?} in\n{text}");
    };
    line("Bed 1", &["critical raised", "left", "anterior"]);
    line("Bed 2", &["act raised", "diastolic has changed"]);
    line("Bed 2", &["critical raised", "diastolic has changed"]);
    line("Bed 3", &["critical raised"]);
    line("Bed 3", &["withdrawn"]);
    line("Bed 4", &["check raised", "No usable diastolic"]);
    line("Bed 5", &["raised", "forearm"]);
    line("Bed 6", &["check raised", "side"]);
    line("Bed 7", &["act raised"]);
    line("Bed 8", &["critical raised", "122 minutes"]);
    line("Bed 8", &["closed"]);
    assert_eq!(deltaward::outbox::wording::forbidden_in(&text), None);
}
