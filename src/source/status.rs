//! How polling fares, for health, metrics and the page. No patient data.

use super::poll::PollReport;
use crate::fhir::Instant;
use std::sync::{Mutex, PoisonError};

/// Shared by the poller (writes) and the server (reads).
#[derive(Debug, Default)]
pub struct SourceStatus {
    inner: Mutex<SourceSnapshot>,
}

/// The figures at one moment. Counters are since the start of the process.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SourceSnapshot {
    /// When a poll last ended.
    pub last_poll: Option<Instant>,
    /// When a poll last went through.
    pub last_success: Option<Instant>,
    /// What is wrong, without patient data; empty when the last poll went through.
    pub last_trouble: String,
    /// Polls in a row that failed, in whole or for some patients.
    pub consecutive_failures: u64,
    /// What the last poll that ended without a total failure did.
    pub last_report: PollReport,
    /// Pages read.
    pub pages: u64,
    /// Resources handed to the engine.
    pub entries: u64,
    /// Resources of the overlap, known already.
    pub duplicates: u64,
    /// Questions for earlier diastolics that were answered.
    pub asks_answered: u64,
    /// Questions that failed.
    pub asks_failed: u64,
    /// Patient resources read.
    pub patients_read: u64,
    /// Patient resources that could not be read.
    pub patients_failed: u64,
}

impl SourceStatus {
    /// The figures now.
    pub fn snapshot(&self) -> SourceSnapshot {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn change(&self, change: impl FnOnce(&mut SourceSnapshot)) {
        change(&mut self.inner.lock().unwrap_or_else(PoisonError::into_inner));
    }

    /// A poll ended with a report.
    pub fn record_report(&self, report: &PollReport, now: Instant) {
        self.change(|inner| {
            inner.last_poll = Some(now);
            inner.pages += report.pages as u64;
            inner.entries += report.entries as u64;
            inner.duplicates += report.duplicates as u64;
            inner.last_trouble.clone_from(&report.trouble);
            if report.trouble.is_empty() {
                inner.last_success = Some(now);
                inner.consecutive_failures = 0;
            } else {
                inner.consecutive_failures += 1;
            }
            inner.last_report = report.clone();
        });
    }

    /// A poll failed as a whole.
    pub fn record_failure(&self, trouble: String, now: Instant) {
        self.change(|inner| {
            inner.last_poll = Some(now);
            inner.last_trouble = trouble;
            inner.consecutive_failures += 1;
        });
    }

    /// A question for diastolics ended.
    pub fn record_ask(&self, answered: bool) {
        self.change(|inner| {
            if answered {
                inner.asks_answered += 1;
            } else {
                inner.asks_failed += 1;
            }
        });
    }

    /// A Patient was asked for.
    pub fn record_patient(&self, read: bool) {
        self.change(|inner| {
            if read {
                inner.patients_read += 1;
            } else {
                inner.patients_failed += 1;
            }
        });
    }
}
