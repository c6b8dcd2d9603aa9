//! Lines in any order and split give the same.

use crate::calm::JUDGES;
use crate::cohort::{Dice, cohort};
use deltaward::recognise::Mapping;
use deltaward::replay::clock::Pace;
use deltaward::replay::cohort::{Cohort, CohortSettings, Order};
use deltaward::replay::findings::{Findings, Keep};
use deltaward::replay::gather::gather;
use deltaward::replay::study::replay;
use deltaward::rules::Sheets;
use proptest::prelude::*;
use std::sync::{Arc, LazyLock};

static SETTINGS: LazyLock<Arc<CohortSettings>> = LazyLock::new(|| {
    Arc::new(CohortSettings {
        mapping: Arc::new(Mapping::builtin()),
        as_of: None,
        bases: Vec::new(),
        systolics: true,
    })
});

fn found(lines: &[&str], parts: usize, threads: usize, order: Order) -> Findings {
    let mut cohorts: Vec<Cohort> = (0..parts).map(|_| Cohort::new(&SETTINGS)).collect();
    for (index, line) in lines.iter().enumerate() {
        // Bad lines are the scan's to count.
        let _ = cohorts[index % parts].take(line);
    }
    let (patients, inputs) = gather(cohorts, order).unwrap();
    let keep = Keep {
        pairs: true,
        traces: true,
    };
    let judges = [deltaward::replay::clock::Judges::new(Sheets::builtin().unwrap())];
    let mut findings = replay(&patients, &judges, Pace::WhenItMatters, keep, threads)
        .unwrap()
        .remove(0);
    findings.inputs = inputs;
    findings
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    #[test]
    fn the_order_of_lines_does_not_matter(seed in any::<u64>(), arrived in any::<bool>()) {
        let order = if arrived { Order::Arrived } else { Order::Taken };
        let text = cohort(seed, 6).ndjson;
        let mut lines: Vec<&str> = text.lines().collect();
        let straight = found(&lines, 1, 1, order);
        let mut dice = Dice(seed);
        for index in (1..lines.len()).rev() {
            let other = usize::try_from(dice.from(0, i64::try_from(index).unwrap())).unwrap();
            lines.swap(index, other);
        }
        let shuffled = found(&lines, 3, 2, order);
        prop_assert!(!straight.patients.is_empty());
        prop_assert_eq!(straight, shuffled);
    }
}

/// Ids and times of one resource in three versions.
fn version(id: &str, patient: &str, updated: &str, status: &str, pressure: i64) -> String {
    format!(
        r#"{{"resourceType":"Observation","id":"{id}","meta":{{"lastUpdated":"{updated}"}},"status":"{status}",
        "code":{{"coding":[{{"system":"https://deltaward.example/fhir/CodeSystem/measurement","code":"compartment-pressure"}}]}},
        "subject":{{"reference":"Patient/{patient}"}},"effectiveDateTime":"2026-01-10T02:00:00Z",
        "valueQuantity":{{"value":{pressure},"system":"http://unitsofmeasure.org","code":"mm[Hg]"}}}}"#
    )
    .replace('\n', " ")
}

/// The newest lastUpdated counts, also across patients; a withdrawal leaves nothing.
#[test]
fn only_the_newest_version_counts_on_the_clinical_clock() {
    let lines = [
        version("a", "one", "2026-01-10T02:05:00Z", "final", 50),
        version("a", "two", "2026-01-10T02:30:00Z", "corrected", 20),
        version("b", "three", "2026-01-10T02:05:00Z", "final", 50),
        version("b", "three", "2026-01-10T02:06:00Z", "entered-in-error", 50),
    ];
    let lines: Vec<&str> = lines.iter().map(String::as_str).collect();
    let taken = found(&lines, 2, 1, Order::Taken);
    let watched: Vec<&str> = taken
        .patients
        .iter()
        .map(|patient| patient.patient.0.as_str())
        .collect();
    assert_eq!(watched, ["Patient/two"]);
    assert_eq!((taken.inputs.superseded, taken.inputs.withdrawn), (2, 1));
    // By arrival patient one was told of 50 mmHg (pressure-30), and that it fell away.
    let arrived = found(&lines, 2, 1, Order::Arrived);
    let one = arrived
        .patients
        .iter()
        .find(|patient| patient.patient.0 == "Patient/one")
        .unwrap();
    let occasions: Vec<String> = one
        .told
        .iter()
        .map(|told| format!("{:?} {:?}", told.occasion, told.family))
        .collect();
    assert!(occasions.iter().any(|one| one == "Raised Pressure"), "{occasions:?}");
    assert!(occasions.iter().any(|one| one == "Withdrawn Pressure"), "{occasions:?}");
    let _ = &*JUDGES;
}
