//! How delivery fares, for health, metrics and the page. No patient data.

use crate::fhir::Instant;
use std::sync::{Mutex, PoisonError};

/// Shared by the worker (writes) and the server (reads).
#[derive(Debug, Default)]
pub struct DeliveryStatus {
    inner: Mutex<DeliverySnapshot>,
}

/// The figures at one moment. Counters are since the start of the process.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct DeliverySnapshot {
    /// When a group was last tried.
    pub last_attempt: Option<Instant>,
    /// When the server last took something.
    pub last_success: Option<Instant>,
    /// The last trouble, without patient data; empty when the last group went through.
    pub last_trouble: String,
    /// Groups in a row of which something has to be tried again or was stopped; 0 after a group
    /// that went through.
    pub consecutive_failures: u64,
    /// True when the server refused the credentials or the address last: an operator must act.
    pub needs_mending: bool,
    /// Entries delivered.
    pub delivered: u64,
    /// Attempts that are to be repeated.
    pub retried: u64,
    /// Entries stopped.
    pub stopped: u64,
}

/// What became of one group.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct GroupReport {
    /// Entries delivered.
    pub delivered: u64,
    /// Entries that wait for another attempt.
    pub waiting: u64,
    /// Entries stopped.
    pub stopped: u64,
    /// Refused for its credentials or its address.
    pub needs_mending: bool,
    /// The first trouble, without patient data.
    pub trouble: String,
}

impl DeliveryStatus {
    /// The figures now.
    pub fn snapshot(&self) -> DeliverySnapshot {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Take in what became of a group.
    pub fn record(&self, report: &GroupReport, now: Instant) {
        let mut inner = self.inner.lock().unwrap_or_else(PoisonError::into_inner);
        inner.last_attempt = Some(now);
        if report.delivered > 0 {
            inner.last_success = Some(now);
        }
        inner.delivered += report.delivered;
        inner.retried += report.waiting;
        inner.stopped += report.stopped;
        inner.needs_mending = report.needs_mending;
        inner.last_trouble.clone_from(&report.trouble);
        if report.waiting + report.stopped == 0 {
            inner.consecutive_failures = 0;
        } else {
            inner.consecutive_failures += 1;
        }
    }

    /// The outbox itself could not be read or settled.
    pub fn record_store_trouble(&self, trouble: String, now: Instant) {
        let mut inner = self.inner.lock().unwrap_or_else(PoisonError::into_inner);
        inner.last_attempt = Some(now);
        inner.last_trouble = trouble;
        inner.consecutive_failures += 1;
    }
}
