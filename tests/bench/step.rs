//! `step` on a patient with 500 readings: 200 compartment readings on four sites over 24 hours and
//! 300 diastolics, all stepped in; one compartment reading arrives in each iteration.
//!
//! The target is 50 µs.

#[path = "../support/patient.rs"]
mod patient;

use criterion::{BatchSize, Criterion};
use deltaward::recognise::Side;
use patient::{Obs, Ward, compartment, diastolic};

const SITES: [(Side, &str); 4] = [
    (Side::Left, "leg-anterior"),
    (Side::Left, "leg-lateral"),
    (Side::Left, "leg-superficial-posterior"),
    (Side::Left, "leg-deep-posterior"),
];

/// Minutes of the whole record.
const DAY: i64 = 24 * 60;

/// The reading of turn `turn`: one round of the four sites every 28.8 minutes.
fn reading(turn: i64) -> Obs {
    let (side, code) = SITES[usize::try_from(turn % 4).unwrap_or(0)];
    let mmhg = (18 + (turn * 7) % 25).to_string();
    compartment(&format!("c{turn:04}"), turn * DAY / 200, &mmhg).at_site(side, code)
}

/// A patient with 500 readings.
fn full() -> Ward {
    let mut ward = Ward::adult();
    for turn in 0..300 {
        let minute = turn * DAY / 300;
        let mmhg = (62 + (turn * 11) % 20).to_string();
        ward.take(minute, &[diastolic(&format!("d{turn:04}"), minute, &mmhg)]);
    }
    for turn in 0..200 {
        ward.take(DAY, &[reading(turn)]);
    }
    assert_eq!(ward.state.slots.len(), 500);
    ward
}

/// One compartment reading arrives in each iteration: the newest one, again and again in a newer
/// version with another value, so that the patient keeps 500 readings and no state is copied.
pub fn bench(c: &mut Criterion) {
    let mut ward = full();
    let mut number = 1;
    c.bench_function("step/500 readings, one arrives", |bencher| {
        bencher.iter_batched(
            || {
                number += 1;
                let mmhg = (43 + number % 2).to_string();
                let obs = compartment("c0199", 199 * DAY / 200, &mmhg).version(number, 199 * DAY / 200);
                vec![obs.at_site(SITES[3].0, SITES[3].1).input()]
            },
            |inputs| deltaward::patient::step(&mut ward.state, inputs, &ward.sheet, ward.policy, patient::at(DAY + 1)),
            BatchSize::PerIteration,
        );
    });
    assert_eq!(ward.state.slots.len(), 500);
}
