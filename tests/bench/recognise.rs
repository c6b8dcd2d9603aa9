//! Recognition on one core. Target: 500,000 Observations a second for a blood pressure panel of
//! about 1.1 KB.

use criterion::{Criterion, Throughput};
use deltaward::recognise::{Mapping, Version, recognise};
use std::hint::black_box;

/// Invented: the vital-signs panel as records send it.
const PANEL: &str = include_str!("recognise/blood-pressure-panel.json");
/// Invented: a compartment pressure with site and side coded.
const COMPARTMENT: &str = include_str!("recognise/compartment-pressure.json");
/// Invented: most of what a record sends is something else.
const GLUCOSE: &str = include_str!("recognise/glucose.json");

/// Adds the group `recognise`.
pub fn bench(c: &mut Criterion) {
    let mapping = Mapping::builtin();
    let mut group = c.benchmark_group("recognise");
    for (name, json, readings) in [
        ("blood-pressure-panel", PANEL, 2),
        ("compartment-pressure", COMPARTMENT, 1),
        ("not-mapped", GLUCOSE, 0),
    ] {
        let version = || Version {
            last_updated: None,
            number: Some(1),
            id: "".into(),
            digest: "".into(),
        };
        assert_eq!(
            recognise(json, "a", version(), &mapping).readings.len(),
            readings,
            "{name}"
        );
        group.throughput(Throughput::Elements(1));
        group.bench_function(format!("{name}, {} bytes", json.len()), |bencher| {
            bencher.iter(|| recognise(black_box(json), "a", version(), &mapping));
        });
    }
    // How much of it is reading JSON: the rest is ours.
    group.bench_function("of which reading the panel's JSON", |bencher| {
        bencher.iter(|| deltaward::fhir::observation::parse(black_box(PANEL)).is_ok());
    });
    group.finish();
}
