//! The shell of the full replay: reads the files, runs the patients on threads, writes what was found.

use super::against::{Compared, compare};
use super::burden::Burden;
use super::clock::{Judges, Pace, replay_patient};
use super::cohort::{Cohort, CohortSettings, Order};
use super::error::ReplayError;
use super::findings::{Findings, Keep};
use super::gather::{Gathered, gather};
use super::input::{self, File, Progress};
use super::labels::{Judged, Labels, judge};
use super::output::{print, write};
use super::sweep::{Sweep, SweepPoint};
use super::{report, tables};
use crate::fhir::Instant;
use crate::rules::{Sheets, parameter};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

/// What is to be found out, and where it goes.
pub struct StudyOptions {
    /// The sheets that are judged.
    pub sheets: Sheets,
    /// Other sheets, to be compared.
    pub against: Option<Sheets>,
    /// By which clock.
    pub order: Order,
    /// By what lines are read.
    pub settings: CohortSettings,
    /// CSV: patient, outcome, time.
    pub labels: Option<PathBuf>,
    /// One parameter over a range of values.
    pub sweep: Option<Sweep>,
    /// The HTML report.
    pub html: Option<PathBuf>,
    /// The figures as JSON; `-` is standard output.
    pub json: Option<PathBuf>,
    /// CSV of all pairings.
    pub pairs: Option<PathBuf>,
    /// CSV of all messages.
    pub events: Option<PathBuf>,
    /// Threads; 0: as many as there are processors.
    pub threads: usize,
    /// The first bad line ends the replay.
    pub strict: bool,
    /// Heading of the report.
    pub title: String,
    /// When the report is made.
    pub made_at: Instant,
}

/// All that the report shows.
pub struct Study {
    /// Heading.
    pub title: String,
    /// When it was made.
    pub made_at: Instant,
    /// Names of the files.
    pub sources: Vec<String>,
    /// By which clock.
    pub order: Order,
    /// A view of the past, if one was asked for.
    pub as_of: Option<Instant>,
    /// The sheets.
    pub sheets: Sheets,
    /// What they found.
    pub findings: Findings,
    /// The figures.
    pub burden: Burden,
    /// Against the labels.
    pub judged: Option<Judged>,
    /// Against other sheets.
    pub against: Option<Against>,
    /// The sweep, by values.
    pub sweep: Option<(String, Vec<SweepPoint>)>,
}

/// The other sheets of a comparison.
pub struct Against {
    /// The sheets.
    pub sheets: Sheets,
    /// Their figures.
    pub burden: Burden,
    /// Against the labels.
    pub judged: Option<Judged>,
    /// Who is alerted by one and not the other.
    pub compared: Compared,
}

/// Read `files`, replay them, and write all that `options` ask for.
///
/// # Errors
/// When the input cannot be read, labels or sweep make no sense, or something cannot be written.
pub fn run(options: StudyOptions, files: &[File], progress: &dyn Progress) -> Result<Study, ReplayError> {
    // What may be refused is looked at before hours of reading.
    let labels = options.labels.as_deref().map(read_labels).transpose()?;
    let mut runs = vec![options.sheets.clone()];
    runs.extend(options.against.clone());
    if let Some(sweep) = &options.sweep {
        for value in &sweep.values {
            runs.push(sweep.sheets(&options.sheets, *value)?);
        }
    }
    let settings = Arc::new(options.settings.clone());
    let scan = input::Options {
        threads: options.threads,
        strict: options.strict,
    };
    let scanned = input::scan(files, scan, progress, || Cohort::new(&settings))?;
    let (patients, mut inputs) = gather(scanned.outs, options.order)?;
    inputs.lines = scanned.lines;
    inputs.bad = scanned.bad;
    let keep = Keep {
        pairs: options.pairs.is_some(),
        traces: options.html.is_some(),
    };
    let as_of = options.settings.as_of;
    let judges = runs
        .into_iter()
        .map(|sheets| Judges::new(sheets).until(as_of))
        .collect::<Vec<_>>();
    let threads = match options.threads {
        0 => std::thread::available_parallelism().map_or(1, usize::from),
        threads => threads,
    };
    let pace = match options.order {
        Order::Taken => Pace::WhenItMatters,
        // What arrives late can change anything.
        Order::Arrived => Pace::Each,
    };
    let mut found = replay(&patients, &judges, pace, keep, threads)?.into_iter();
    let mut findings = found.next().unwrap_or_default();
    findings.inputs = inputs;
    let sources = files.iter().map(|file| file.name.clone()).collect();
    let study = Study::of(&options, sources, labels.as_ref(), findings, found, &judges);
    write_all(&options, &study)?;
    Ok(study)
}

impl Study {
    fn of(
        options: &StudyOptions,
        sources: Vec<String>,
        labels: Option<&Labels>,
        findings: Findings,
        mut others: impl Iterator<Item = Findings>,
        judges: &[Judges],
    ) -> Self {
        let judged = |findings: &Findings| labels.map(|labels| judge(findings, labels));
        let against = options.against.as_ref().and_then(|sheets| {
            let other = others.next()?;
            Some(Against {
                burden: Burden::of(&other),
                judged: judged(&other),
                compared: compare((&findings, &options.sheets), (&other, sheets)),
                sheets: sheets.clone(),
            })
        });
        let first_of_sweep = 1 + usize::from(against.is_some());
        let sweep = options.sweep.as_ref().map(|sweep| {
            let in_force = |value: i64| {
                let named = parameter::all(options.sheets.adult());
                named
                    .iter()
                    .any(|(name, number)| *name == sweep.parameter && *number == value)
            };
            let runs = sweep.values.iter().zip(judges.iter().skip(first_of_sweep));
            let points = runs.zip(&mut others).map(|((value, _), found)| SweepPoint {
                value: *value,
                in_force: in_force(*value),
                burden: Burden::of(&found),
                judged: judged(&found),
            });
            (sweep.parameter.clone(), points.collect())
        });
        Self {
            title: options.title.clone(),
            made_at: options.made_at,
            sources,
            order: options.order,
            as_of: options.settings.as_of,
            sheets: options.sheets.clone(),
            burden: Burden::of(&findings),
            judged: judged(&findings),
            findings,
            against,
            sweep,
        }
    }
}

/// Every patient by every pair of sheets, on threads that take turns.
///
/// # Errors
/// When a thread failed, which is a fault of this program.
pub fn replay(
    patients: &Gathered,
    judges: &[Judges],
    pace: Pace,
    keep: Keep,
    threads: usize,
) -> Result<Vec<Findings>, ReplayError> {
    let next = AtomicUsize::new(0);
    let work = || -> Result<Vec<Findings>, ReplayError> {
        let mut found: Vec<Findings> = judges.iter().map(|_| Findings::default()).collect();
        loop {
            let Some(inputs) = patients.patient(next.fetch_add(1, Ordering::Relaxed))? else {
                return Ok(found);
            };
            let mut inputs = Some(inputs);
            for (index, (judge, findings)) in judges.iter().zip(&mut found).enumerate() {
                // Only the first run keeps more than figures.
                let keep = if index == 0 { keep } else { Keep::default() };
                let own = match index + 1 == judges.len() {
                    true => inputs.take(),
                    false => inputs.clone(),
                };
                if let Some(own) = own {
                    findings.add(replay_patient(own, judge, pace), judge, keep);
                }
            }
        }
    };
    std::thread::scope(|scope| {
        let workers: Vec<_> = (0..threads.max(1)).map(|_| scope.spawn(work)).collect();
        let mut merged: Vec<Findings> = judges.iter().map(|_| Findings::default()).collect();
        for worker in workers {
            let found = worker.join().map_err(|_| ReplayError::Worker)??;
            for (all, more) in merged.iter_mut().zip(found) {
                all.merge(more);
            }
        }
        for findings in &mut merged {
            findings.in_order();
        }
        Ok(merged)
    })
}

fn read_labels(path: &Path) -> Result<Labels, ReplayError> {
    let file = path.display().to_string();
    let text = std::fs::read_to_string(path).map_err(|error| ReplayError::NoLabels {
        file: file.clone(),
        what: error.to_string(),
    })?;
    Labels::parse(&text).map_err(|cause| ReplayError::Labels { file, cause })
}

fn write_all(options: &StudyOptions, study: &Study) -> Result<(), ReplayError> {
    if let Some(path) = &options.html {
        write(path, |file| file.write_all(report::html(study).as_bytes()))?;
    }
    if let Some(path) = &options.json {
        let text = format!("{:#}\n", report::json(study));
        match path.as_os_str() == "-" {
            true => print(&text)?,
            false => write(path, |file| file.write_all(text.as_bytes()))?,
        }
    }
    if let Some(path) = &options.pairs {
        write(path, |file| {
            tables::pairs(&study.findings.pairs, file).map_err(Into::into)
        })?;
    }
    if let Some(path) = &options.events {
        write(path, |file| tables::events(&study.findings, file).map_err(Into::into))?;
    }
    Ok(())
}
