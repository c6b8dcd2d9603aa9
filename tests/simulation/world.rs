//! Everything outside the process: time, chance, the disk, the FHIR servers.

use crate::history::{History, NOON, Troubles};
use crate::rng::Rng;
use crate::server::Server;
use deltaward::fhir::Instant;
use deltaward::store::EventRow;
use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// What happened, for the summary.
pub type Counts = BTreeMap<&'static str, u64>;

/// A commit that is late comes out no later than this after its lastUpdated, but for what runs
/// meanwhile; `overlap_seconds` is 120.
const LATEST_MILLIS: i64 = 70_000;

#[derive(Debug)]
pub struct World {
    inner: Mutex<Inner>,
    begun: tokio::time::Instant,
}

#[derive(Debug)]
pub struct Inner {
    pub rng: Rng,
    pub troubles: Troubles,
    /// True time is noon, plus what the simulation has run, plus this.
    skipped_millis: i64,
    /// How wrong the service's clock is.
    wrong_millis: i64,
    disk_full_until: Option<tokio::time::Instant>,
    pub server: Server,
    pub counts: Counts,
    /// What was decided of the concerns, in order of the commits (the store lists it by a clock that jumps).
    pub decided: Vec<EventRow>,
}

impl World {
    /// Made inside the runtime whose clock it uses.
    pub fn new(history: &History) -> Self {
        Self {
            inner: Mutex::new(Inner {
                rng: Rng::new(history.seed ^ 0x5eed),
                troubles: history.troubles,
                skipped_millis: 0,
                wrong_millis: 0,
                disk_full_until: None,
                server: Server::new(history.stamp_millis, history.abilities),
                counts: Counts::new(),
                decided: Vec::new(),
            }),
            begun: tokio::time::Instant::now(),
        }
    }

    pub fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// True time, milliseconds.
    pub fn now(&self) -> i64 {
        let run = i64::try_from(self.begun.elapsed().as_millis()).unwrap();
        NOON + run + self.lock().skipped_millis
    }

    /// The service's clock.
    pub fn service_now(&self) -> Instant {
        let now = self.now();
        Instant::from_millis(now + self.lock().wrong_millis)
    }

    /// Time passes without anything happening, to `millis` at most: a commit that is late comes out
    /// before the overlap of a poll has passed, else nobody could find it.
    pub fn skip_to(&self, millis: i64) {
        let now = self.now();
        let mut inner = self.lock();
        let latest = inner
            .server
            .oldest_hidden()
            .map_or(i64::MAX, |hidden| hidden + LATEST_MILLIS);
        inner.skipped_millis += (millis.min(latest) - now).max(0);
    }

    pub fn clock_wrong(&self, minutes: i64) {
        let mut inner = self.lock();
        inner.wrong_millis = minutes * 60_000;
        if minutes != 0 {
            inner.count("clock jumps");
        }
    }

    pub fn disk_is_full(&self) -> bool {
        let now = tokio::time::Instant::now();
        let mut inner = self.lock();
        if inner.disk_full_until.is_some_and(|until| now < until) && inner.troubles.disk > 0 {
            return true;
        }
        let rate = inner.troubles.disk;
        let full = inner.rng.permille(rate);
        if full {
            let millis = inner.rng.below(3000);
            inner.disk_full_until = Some(now + std::time::Duration::from_millis(millis));
            inner.count("disk full");
        }
        full
    }

    /// No more trouble.
    pub fn calm(&self) {
        let mut inner = self.lock();
        inner.troubles = Troubles::default();
        inner.wrong_millis = 0;
        inner.server.show_all();
    }
}

impl Inner {
    pub fn count(&mut self, what: &'static str) {
        *self.counts.entry(what).or_default() += 1;
    }
}
