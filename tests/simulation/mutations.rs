//! The simulation finds bugs: each mistake that can be switched on in the core is found.
//! `DELTAWARD_MUTATION=TieEarlier` tries one of them.

use crate::{SEEDS, number, run_all};
use deltaward::{Mutation, switch};

#[test]
fn every_mutation_is_found() {
    let seeds = 1..1 + number("DELTAWARD_SEEDS", SEEDS);
    assert!(Mutation::ALL.len() >= 12);
    let mut survived = Vec::new();
    let only = std::env::var("DELTAWARD_MUTATION").ok();
    let wanted = |mutation: &&Mutation| only.as_ref().is_none_or(|only| format!("{mutation:?}") == *only);
    for mutation in Mutation::ALL.iter().filter(wanted) {
        let sum = run_all(seeds.clone(), 1, || switch(Some(*mutation)));
        match sum.failed.first() {
            Some((seed, wrong)) => {
                let runs = sum.counts["seeds"];
                println!("{mutation:?}: found by seed {seed} (the {runs}th): {}", wrong[0]);
            }
            None => survived.push(*mutation),
        }
    }
    assert!(survived.is_empty(), "not found in {seeds:?}: {survived:?}");
}
