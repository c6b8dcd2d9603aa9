//! The production core over a simulated clock, network, FHIR server and disk: one seed decides
//! everything that happens, and an oracle that shares no code with the core says what must stand.
//!
//! `tests/simulation/run 10000` runs as many seeds as named; `DELTAWARD_FIRST_SEED=7 DELTAWARD_SEEDS=1`
//! before `cargo test --test simulation` runs one.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::cast_precision_loss, missing_docs)]

mod check;
mod disk;
mod exact;
mod history;
mod life;
#[cfg(feature = "mutations")]
mod mutations;
mod network;
mod oracle;
mod process;
mod rng;
mod run;
mod server;
mod shrink;
mod world;

use history::History;
use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

/// Seeds that `cargo test` runs.
const SEEDS: u64 = 500;

fn number(name: &str, otherwise: u64) -> u64 {
    let text = std::env::var(name).ok();
    text.map_or(otherwise, |text| {
        text.parse().unwrap_or_else(|_| panic!("{name} is no number: {text}"))
    })
}

/// What many runs came to.
#[derive(Default)]
struct Sum {
    counts: BTreeMap<&'static str, u64>,
    /// Seeds that went wrong, with what was wrong.
    failed: Vec<(u64, Vec<String>)>,
}

/// Run `seeds` side by side; `enough` failures end it.
fn run_all(seeds: std::ops::Range<u64>, enough: usize, prepare: impl Fn() + Sync) -> Sum {
    let next = AtomicU64::new(seeds.start);
    let sum = Mutex::new(Sum::default());
    std::thread::scope(|scope| {
        for _ in 0..number("DELTAWARD_THREADS", 2) {
            scope.spawn(|| {
                prepare();
                loop {
                    let seed = next.fetch_add(1, Ordering::SeqCst);
                    if seed >= seeds.end || sum.lock().unwrap().failed.len() >= enough {
                        return;
                    }
                    let outcome = run::run(&History::new(seed));
                    let mut sum = sum.lock().unwrap();
                    for (what, count) in outcome.counts {
                        *sum.counts.entry(what).or_default() += count;
                    }
                    *sum.counts.entry("seeds").or_default() += 1;
                    if !outcome.wrong.is_empty() {
                        sum.failed.push((seed, outcome.wrong));
                    }
                }
            });
        }
    });
    let mut sum = sum.into_inner().unwrap();
    sum.failed.sort();
    sum
}

/// Invariants 1 to 4, 6 and 7 of the design, whatever breaks.
#[test]
fn nothing_is_lost_and_nothing_doubled() {
    let from = number("DELTAWARD_FIRST_SEED", 1);
    let count = number("DELTAWARD_SEEDS", SEEDS);
    let sum = run_all(from..from + count, 5, || {});
    println!("{} failures in {:?}", sum.failed.len(), sum.counts);
    for (seed, wrong) in &sum.failed {
        println!("seed {seed}: {wrong:#?}");
    }
    if let Some((seed, _)) = sum.failed.first() {
        let short = shrink::shrink(&History::new(*seed));
        println!("as short as it still fails: {}", shrink::told(&short));
        println!("{:#?}", run::run(&short).wrong);
        panic!("{} of {count} seeds failed, the first is {seed}", sum.failed.len());
    }
    if count >= SEEDS {
        makes_what_matters(&sum.counts);
    }
}

/// Seeds beyond the first hundreds that found something once.
/// 6041: after a failing disk the engine rested by another clock than the one that its timers follow.
/// 4449: a reading of "less than" hid, and would have closed, the check that arterial line and cuff disagree.
/// 4056, 5500, 7270: the check of grounds took the message of a carried delta that is not written for another.
const FOUND_ONCE: [u64; 5] = [4056, 4449, 5500, 6041, 7270];

#[test]
fn what_was_found_once_stays_mended() {
    for seed in FOUND_ONCE {
        let wrong = run::run(&History::new(seed)).wrong;
        assert!(wrong.is_empty(), "seed {seed}: {wrong:#?}");
    }
}

/// The simulation is worth something only if it makes what the invariants are about.
fn makes_what_matters(counts: &BTreeMap<&'static str, u64>) {
    let seeds = counts["seeds"];
    for what in [
        "observations that stand",
        "observations taken back",
        "messages",
        "messages withdrawn",
        "concerns open",
        "critical",
        "carried deltas",
        "duplicates",
        "crashes",
        "disk full",
        "late commits",
        "lost replies",
        "clock jumps",
    ] {
        let count = counts.get(what).copied().unwrap_or(0);
        assert!(count * 20 >= seeds, "only {count} {what} in {seeds} seeds");
    }
    for (_, fault) in network::FAULTS {
        assert!(counts.contains_key(fault), "the fault {fault} never happened");
    }
}

/// The same seed runs the same way: a failure can be looked at again.
#[test]
fn a_seed_decides_everything() {
    for seed in [3, 5, 16, 68] {
        let (one, other) = (run::run(&History::new(seed)), run::run(&History::new(seed)));
        assert_eq!(one.trace, other.trace, "seed {seed}");
        assert_eq!(one.counts, other.counts, "seed {seed}");
    }
}
