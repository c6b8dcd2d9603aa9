//! The report of an invented cohort: whole, by itself, and without an all-clear.

use crate::cohort::cohort;
use deltaward::fhir::Instant;
use deltaward::outbox::wording::forbidden_in;
use deltaward::recognise::Mapping;
use deltaward::replay::cohort::{CohortSettings, Order};
use deltaward::replay::input::{Silent, files};
use deltaward::replay::study::{Study, StudyOptions, run};
use deltaward::replay::sweep::Sweep;
use deltaward::rules::{Sheets, parameter};
use std::path::Path;
use std::sync::Arc;

/// DELTAWARD_REPORT_PATIENTS=1000 gives the cohort by which the report is looked at.
fn patients() -> usize {
    let patients = std::env::var("DELTAWARD_REPORT_PATIENTS");
    patients.ok().and_then(|text| text.parse().ok()).unwrap_or(120)
}

fn other_sheets() -> Sheets {
    let base = Sheets::builtin().unwrap();
    let adult = parameter::with(base.adult(), "delta_threshold", 25).unwrap();
    Sheets::new(adult, base.child().clone()).unwrap()
}

fn study(folder: &Path, order: Order) -> Study {
    let cohort = cohort(20_260_105, patients());
    let data = folder.join("invented.ndjson");
    let labels = folder.join("labels.csv");
    std::fs::write(&data, cohort.ndjson).unwrap();
    std::fs::write(&labels, cohort.labels).unwrap();
    let options = StudyOptions {
        sheets: Sheets::builtin().unwrap(),
        against: Some(other_sheets()),
        order,
        settings: CohortSettings {
            mapping: Arc::new(Mapping::builtin()),
            as_of: None,
            bases: Vec::new(),
            systolics: false,
        },
        labels: Some(labels),
        sweep: Some(Sweep::parse("delta_threshold=10..45:5").unwrap()),
        html: Some(folder.join("report.html")),
        json: Some(folder.join("report.json")),
        pairs: Some(folder.join("pairs.csv")),
        events: Some(folder.join("events.csv")),
        threads: 2,
        strict: false,
        title: String::from("Invented cohort, nothing measured on anybody"),
        made_at: Instant::from_millis(1_772_748_600_000),
    };
    run(options, &files(&[data.display().to_string()]).unwrap(), &Silent).unwrap()
}

/// The text of a page: everything between tags, style left out.
fn text_of(page: &str) -> String {
    let body = page.split("</style>").last().unwrap();
    let mut text = String::new();
    let mut in_tag = false;
    for letter in body.chars() {
        match letter {
            '<' => in_tag = true,
            '>' => {
                in_tag = false;
                text.push('\n');
            }
            _ if !in_tag => text.push(letter),
            _ => {}
        }
    }
    text
}

#[test]
fn the_report_is_whole_loads_nothing_and_clears_nobody() {
    let folder = std::env::var_os("DELTAWARD_REPORT_FOLDER");
    let temporary = tempfile::tempdir().unwrap();
    let folder = folder.map_or(temporary.path().to_owned(), Into::into);
    let study = study(&folder, Order::Taken);
    let page = std::fs::read_to_string(folder.join("report.html")).unwrap();
    for outside in ["http://", "https://", "<script", "url(http", "@import", "src="] {
        let found = page.find(outside).map(|at| &page[at.saturating_sub(40)..at + 40]);
        assert_eq!(found, None, "{outside}");
    }
    let text = text_of(&page);
    for wanted in [
        "In figures",
        "What was read",
        "Pairings and deltas",
        "Concerns",
        "Messages",
        "The patients with the most messages",
        "Individual traces",
        "Against what became of the patients",
        "Against the other rule sheet",
        "One parameter over a range",
        "To bear in mind",
        "messages ÷ patient-days",
        "code-not-mapped",
        "Wilson",
    ] {
        assert!(text.contains(wanted), "{wanted}");
    }
    // The cautions are the service's own, and reviewed there.
    let own = text.split("To bear in mind").next().unwrap().to_owned();
    assert_eq!(forbidden_in(&own), None);
    assert_eq!(study.findings.inputs.bad.count, 2);
    let json: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(folder.join("report.json")).unwrap()).unwrap();
    assert_eq!(json["burden"]["messages"], study.burden.messages);
    let rows = |name: &str| {
        csv::Reader::from_path(folder.join(name))
            .unwrap()
            .into_records()
            .map(Result::unwrap)
            .count()
    };
    assert_eq!(rows("events.csv") as u64, study.burden.messages);
    assert_eq!(
        rows("pairs.csv") as u64,
        study.findings.totals.pairings.values().sum::<u64>()
    );
}

/// A lower threshold alerts to fewer: the sweep rises with it, and whom only the first sheet alerts to is
/// listed with the threshold as the reason.
#[test]
fn sweep_and_comparison_follow_the_threshold() {
    let folder = tempfile::tempdir().unwrap();
    let study = study(folder.path(), Order::Taken);
    let (_, points) = study.sweep.as_ref().unwrap();
    let alerted: Vec<u64> = points.iter().map(|point| point.burden.alerted).collect();
    assert!(alerted.is_sorted() && alerted.first() < alerted.last(), "{alerted:?}");
    assert_eq!(
        points
            .iter()
            .filter(|point| point.in_force)
            .map(|point| point.value)
            .collect::<Vec<_>>(),
        [30]
    );
    assert_eq!(points[4].burden, study.burden);
    let compared = &study.against.as_ref().unwrap().compared;
    assert!(!compared.only.is_empty() && compared.only.iter().all(|only| only.first));
    for only in &compared.only {
        assert!(
            only.reason.contains("delta-") && only.reason.contains("30 and 25"),
            "{only:?}"
        );
    }
    let cells = study.judged.unwrap().cells;
    assert!(cells.true_positive > 0 && cells.true_negative > 0);
}
