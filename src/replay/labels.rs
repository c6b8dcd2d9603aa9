//! What became of the patients, from a file of the site's own, against who was alerted. Pure: the text
//! of the file comes in.

use super::findings::{Findings, PatientFindings};
use super::statistics::{FourCells, Spread};
use crate::fhir::{Instant, datetime};
use std::collections::{BTreeMap, BTreeSet};

/// One patient's outcome.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Outcome {
    /// True: the syndrome (or whatever the file stands for) was there.
    pub present: bool,
    /// When, if it is known: an alert after it comes too late.
    pub time: Option<Instant>,
}

/// The file: patient → outcome.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Labels {
    outcomes: BTreeMap<String, Outcome>,
}

/// Why a file of labels cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("line {line}: {message}")]
pub struct LabelsError {
    /// From 1.
    pub line: u64,
    /// What is wrong and what to do.
    pub message: String,
}

fn fault(line: u64, message: impl Into<String>) -> LabelsError {
    LabelsError {
        line,
        message: message.into(),
    }
}

impl Labels {
    /// Read CSV with a head line: `patient`, `outcome` and, if it is known, `time` (a FHIR dateTime).
    /// A patient is written as in the record (`Patient/17`) or by the id alone (`17`).
    ///
    /// # Errors
    /// When a column is missing, an outcome is none of 1/0, yes/no, true/false, a time cannot be
    /// read, or a patient stands twice.
    pub fn parse(text: &str) -> Result<Self, LabelsError> {
        let mut reader = csv::ReaderBuilder::new()
            .trim(csv::Trim::All)
            .from_reader(text.as_bytes());
        let head = reader.headers().map_err(|error| fault(1, error.to_string()))?.clone();
        let column = |name: &str| head.iter().position(|found| found.eq_ignore_ascii_case(name));
        let needed = |name: &str| {
            let message =
                format!("there is no column {name}; the first line names patient, outcome and, if known, time");
            column(name).ok_or_else(|| fault(1, message))
        };
        let (patient, outcome, time) = (needed("patient")?, needed("outcome")?, column("time"));
        let mut labels = Self::default();
        for row in reader.records() {
            let row = row.map_err(|error| {
                let line = error.position().map_or(0, csv::Position::line);
                fault(
                    line,
                    "the row has another number of columns than the first line, or is not UTF-8",
                )
            })?;
            let line = row.position().map_or(0, csv::Position::line);
            let name = row.get(patient).unwrap_or_default();
            if name.is_empty() {
                return Err(fault(line, "the patient is empty"));
            }
            let present = match row.get(outcome).unwrap_or_default().to_ascii_lowercase().as_str() {
                "1" | "yes" | "true" => true,
                "0" | "no" | "false" => false,
                _ => return Err(fault(line, "the outcome is none of 1, 0, yes, no, true, false")),
            };
            let time = match time.and_then(|time| row.get(time)).filter(|text| !text.is_empty()) {
                Some(text) => Some(datetime::parse_instant(text).map_err(|error| fault(line, error.to_string()))?),
                None => None,
            };
            let before = labels
                .outcomes
                .insert(name_of(name).to_owned(), Outcome { present, time });
            if before.is_some() {
                return Err(fault(line, "this patient stands twice; give one outcome each"));
            }
        }
        Ok(labels)
    }
}

/// `Patient/17` and `17` are one patient.
fn name_of(patient: &str) -> &str {
    patient.strip_prefix("Patient/").unwrap_or(patient)
}

/// A sheet against the labels.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Judged {
    /// Watched patients with a label.
    pub cells: FourCells,
    /// Of those with the outcome, minutes from the first alert to the time of the outcome.
    pub lead: Option<Spread>,
    /// With the outcome, alerted only after its time: they count as not alerted.
    pub too_late: u64,
    /// Watched, and not in the file.
    pub without_label: u64,
    /// In the file, and nothing of them was measured.
    pub not_watched: u64,
    /// Of these, how many had the outcome.
    pub not_watched_present: u64,
}

/// Who was alerted (`act` or `critical`, in time) against the labels.
pub fn judge(findings: &Findings, labels: &Labels) -> Judged {
    let mut cells = FourCells::default();
    let (mut leads, mut too_late, mut without_label) = (Vec::new(), 0, 0);
    let mut seen: BTreeSet<&str> = BTreeSet::new();
    for patient in findings.patients.iter().filter(|patient| patient.watched) {
        let name = name_of(&patient.patient.0);
        let Some(outcome) = labels.outcomes.get(name) else {
            without_label += 1;
            continue;
        };
        seen.insert(name);
        let alerted = is_alerted(patient, *outcome, &mut too_late, &mut leads);
        match (alerted, outcome.present) {
            (true, true) => cells.true_positive += 1,
            (true, false) => cells.false_positive += 1,
            (false, true) => cells.false_negative += 1,
            (false, false) => cells.true_negative += 1,
        }
    }
    let not_watched = || labels.outcomes.iter().filter(|(name, _)| !seen.contains(name.as_str()));
    Judged {
        cells,
        lead: Spread::of(leads),
        too_late,
        without_label,
        not_watched: not_watched().count() as u64,
        not_watched_present: not_watched().filter(|(_, outcome)| outcome.present).count() as u64,
    }
}

fn is_alerted(patient: &PatientFindings, outcome: Outcome, too_late: &mut u64, leads: &mut Vec<i64>) -> bool {
    let Some(alert) = patient.first_alert() else {
        return false;
    };
    let Some(time) = outcome.time.filter(|_| outcome.present) else {
        return true;
    };
    let lead = time.minutes_since(alert.at);
    if alert.at > time {
        *too_late += 1;
        return false;
    }
    leads.push(lead);
    true
}
