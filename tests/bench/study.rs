//! How long the full replay of files takes, phase by phase, and as a whole with its report.
//!
//! `cargo bench --bench study -- FILE…` (NDJSON); `--threads N` chooses the threads.

use deltaward::fhir::Instant;
use deltaward::recognise::Mapping;
use deltaward::replay::clock::{Judges, Pace};
use deltaward::replay::cohort::{Cohort, CohortSettings, Order};
use deltaward::replay::findings::Keep;
use deltaward::replay::gather::gather;
use deltaward::replay::input::{self, Silent};
use deltaward::replay::study::{self, StudyOptions};
use deltaward::rules::Sheets;
use std::sync::Arc;

#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> anyhow::Result<()> {
    let mut names: Vec<String> = std::env::args().skip(1).filter(|name| name != "--bench").collect();
    let mut threads = 2;
    if let Some(at) = names.iter().position(|name| name == "--threads") {
        threads = names.get(at + 1).and_then(|text| text.parse().ok()).unwrap_or(threads);
        names.drain(at..(at + 2).min(names.len()));
    }
    if names.is_empty() {
        println!("study: no file named, nothing measured");
        return Ok(());
    }
    let settings = CohortSettings {
        mapping: Arc::new(Mapping::builtin()),
        as_of: None,
        bases: Vec::new(),
        systolics: false,
    };
    let files = input::files(&names)?;
    for round in 0..3 {
        let began = std::time::Instant::now();
        let shared = Arc::new(settings.clone());
        let options = input::Options { threads, strict: false };
        let scanned = input::scan(&files, options, &Silent, || Cohort::new(&shared))?;
        let read = began.elapsed();
        let (patients, _) = gather(scanned.outs, Order::Taken)?;
        let gathered = began.elapsed();
        let mut events = 0;
        for patient in patients.iter() {
            events += patient?.events.len();
        }
        let (count, unpacked) = (patients.len(), began.elapsed());
        let keep = Keep {
            pairs: false,
            traces: true,
        };
        let judges = [Judges::new(Sheets::builtin()?)];
        let found = study::replay(&patients, &judges, Pace::WhenItMatters, keep, threads)?;
        let replayed = began.elapsed();
        let steps: u64 = found.iter().map(|findings| findings.totals.steps).sum();
        println!(
            "round {round}: {} lines, {count} patients, {events} events, {steps} steps: read {read:.3?}, gathered {:.3?}, unpacked {:.3?}, replayed {:.3?}, \
             all {replayed:.3?}",
            scanned.lines,
            gathered - read,
            unpacked - gathered,
            replayed - unpacked
        );
    }
    let folder = std::env::temp_dir().join(format!("deltaward-study-{}", std::process::id()));
    std::fs::create_dir_all(&folder)?;
    let options = StudyOptions {
        sheets: Sheets::builtin()?,
        against: None,
        order: Order::Taken,
        settings,
        labels: None,
        sweep: None,
        html: Some(folder.join("report.html")),
        json: Some(folder.join("report.json")),
        pairs: None,
        events: None,
        threads,
        strict: false,
        title: String::from("bench"),
        made_at: Instant::from_millis(0),
    };
    let began = std::time::Instant::now();
    let study = study::run(options, &files, &Silent)?;
    println!(
        "with report: {:.3?}, {} messages",
        began.elapsed(),
        study.burden.messages
    );
    std::fs::remove_dir_all(&folder)?;
    Ok(())
}
