//! The production core over a simulated clock, network, FHIR server and disk: one seed decides
//! everything that happens, and an oracle that shares no code with the core says what must stand.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod check;
mod disk;
mod exact;
mod history;
mod life;
mod network;
mod oracle;
mod process;
mod rng;
mod run;
mod server;
mod world;

use history::History;

#[test]
fn nothing_is_lost_and_nothing_doubled() {
    let from: u64 = std::env::var("DELTAWARD_SEED").ok().and_then(|text| text.parse().ok()).unwrap_or(1);
    let count: u64 = std::env::var("DELTAWARD_SEEDS").ok().and_then(|text| text.parse().ok()).unwrap_or(20);
    let mut failed = 0;
    for seed in from..from + count {
        let history = History::new(seed);
        let begun = std::time::Instant::now();
        let outcome = run::run(&history);
        if !outcome.wrong.is_empty() {
            failed += 1;
            println!("seed {seed}: {:#?}", outcome.wrong);
            println!("history {:#?}", history);
        }
        println!("{seed}: {:?} {:?} {}", begun.elapsed(), outcome.counts, outcome.trace);
    }
    assert_eq!(failed, 0);
}
