//! Polling a FHIR server: one search over all patients, or one for each member of a Group or List.
//! A poller reads Observations; a second one reads Procedures where that is configured, on its own,
//! so that nothing that ails it delays a pressure.
//!
//! Comes in: pages of searches by code and `_lastUpdated`. Goes out: batches to the engine, each
//! with the cursor move that it makes certain. The cursor is the newest lastUpdated seen from the
//! server, never our own clock; a failure leaves it where it was.

use super::ask;
use super::chain::{Reader, Recent, Search};
use super::members::{self, Members};
use super::query;
use super::status::SourceStatus;
pub use super::walk::PollError;
use crate::config::{PollMode, SourceConfig};
use crate::delivery::FhirClient;
use crate::fhir::Instant;
use crate::source::intake::Intake;
use crate::store::{Store, StoreError, off_thread};
use futures_util::StreamExt;
use sha2::{Digest, Sha256};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::Mutex;
use tokio_util::sync::CancellationToken;

/// Patients polled at once.
pub const PARALLEL_PATIENTS: usize = 4;
/// The Group or List is read again every so many polls.
pub const MEMBERS_EVERY_POLLS: u32 = 10;
/// Name of the cursor of a whole-system poll that needs one search.
pub const CURSOR: &str = "observations";
/// The same for a poll of Procedures.
pub const PROCEDURE_CURSOR: &str = "procedures";
/// Longest wait after failures in a row, unless the interval or `Retry-After` is longer.
const MAX_FAILURE_WAIT_SECONDS: u64 = 60;
/// Longest `Retry-After` that is honoured between polls.
const MAX_RETRY_AFTER_MILLIS: i64 = 600_000;

/// What polling needs of the store. The call blocks; it is made on the blocking pool.
pub trait Cursors: Send + Sync + 'static {
    /// Where a cursor stands.
    ///
    /// # Errors
    /// When the store cannot be read.
    fn cursor(&self, name: &str) -> Result<Option<Instant>, StoreError>;
}

impl<S: Store + ?Sized> Cursors for S {
    fn cursor(&self, name: &str) -> Result<Option<Instant>, StoreError> {
        Store::cursor(self, name)
    }
}

/// What one poll did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PollReport {
    /// Searches made (in per-patient mode at least one a patient).
    pub searches: usize,
    /// Pages read.
    pub pages: usize,
    /// Resources handed to the engine and committed.
    pub entries: usize,
    /// Resources known already (the overlap).
    pub duplicates: usize,
    /// Entries that are no match of the search.
    pub skipped: usize,
    /// Matches without a usable type and id.
    pub unusable: usize,
    /// Resources that the engine refused.
    pub refused: usize,
    /// Resources without a readable lastUpdated.
    pub without_last_updated: usize,
    /// Resources whose lastUpdated lies more than a day ahead of our clock.
    pub ahead: usize,
    /// Newest lastUpdated seen.
    pub newest: Option<Instant>,
    /// Chains begun anew because the server dropped them.
    pub restarts: usize,
    /// Times that a page was too large and a smaller one was asked for.
    pub smaller_pages: usize,
    /// The server did not sort by `_lastUpdated`; the cursor then moves at the end of a chain only.
    pub order_ignored: bool,
    /// A chain was cut at `max_pages`; the rest is read by the next poll.
    pub hit_page_limit: bool,
    /// A chain that was cut moved its cursor, so the next poll gets further.
    pub advanced: bool,
    /// Patients polled (per-patient mode).
    pub members: Option<usize>,
    /// Members that are no patients of this server.
    pub members_unusable: usize,
    /// Patients whose search failed; the others were read.
    pub failed_patients: usize,
    /// What went wrong in part, without patient data; empty when nothing did.
    pub trouble: String,
}

/// The codes to search for, as (system, code); an empty system matches any.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Codes {
    /// Everything that the mapping knows: what polling looks for.
    pub readings: Vec<(String, String)>,
    /// Those under which a diastolic can stand (panels too): what a question looks for.
    pub diastolics: Vec<(String, String)>,
}

/// Polls one FHIR server.
pub struct Poller<C: ?Sized> {
    pub(super) client: Arc<FhirClient>,
    pub(super) intake: Intake,
    pub(super) config: SourceConfig,
    pub(super) codes: Codes,
    pub(super) status: Arc<SourceStatus>,
    pub(super) pace: ask::Pace,
    wanted: Wanted,
    recent: Recent,
    members: Mutex<MembersRead>,
    cursors: Arc<C>,
}

/// What a poller reads.
#[derive(Clone, Copy, Debug)]
struct Wanted {
    resource_type: &'static str,
    cursor: &'static str,
    /// It stands beside the readings ([`crate::source::Batch::aside`]).
    aside: bool,
}

#[derive(Default)]
struct MembersRead {
    members: Option<Members>,
    polls_since: u32,
}

impl<C: Cursors + ?Sized> Poller<C> {
    /// A poller; nothing is read yet.
    pub fn new(
        client: Arc<FhirClient>,
        intake: Intake,
        cursors: Arc<C>,
        config: SourceConfig,
        codes: Codes,
        status: Arc<SourceStatus>,
    ) -> Self {
        Self {
            client,
            intake,
            config,
            codes,
            status,
            pace: ask::Pace::default(),
            wanted: Wanted {
                resource_type: "Observation",
                cursor: CURSOR,
                aside: false,
            },
            recent: Recent::default(),
            members: Mutex::new(MembersRead::default()),
            cursors,
        }
    }

    /// Another pace of repeated questions than [`ask::Pace::default`].
    #[must_use]
    pub fn with_pace(mut self, pace: ask::Pace) -> Self {
        self.pace = pace;
        self
    }

    /// Read Procedures instead of Observations; [`Codes::readings`] are then those of the contexts.
    #[must_use]
    pub fn of_procedures(mut self) -> Self {
        self.wanted = Wanted {
            resource_type: "Procedure",
            cursor: PROCEDURE_CURSOR,
            aside: true,
        };
        self
    }

    /// Poll until `shutdown`. A poll under way is then dropped: what it had not committed is read
    /// again after the restart.
    pub async fn run(&self, shutdown: CancellationToken, clock: impl Fn() -> Instant + Send + Sync) {
        let mut failures = 0_u32;
        loop {
            let result = tokio::select! {
                biased;
                () = shutdown.cancelled() => return,
                result = self.poll_once(clock()) => result,
            };
            let now = clock();
            let wait = match result {
                Ok(report) => {
                    failures = 0;
                    self.status.record_report(&report, now);
                    tell(&report, self.wanted.resource_type);
                    if report.hit_page_limit && report.advanced {
                        Duration::ZERO
                    } else {
                        Duration::from_secs(self.config.interval_seconds.max(1))
                    }
                }
                Err(error) => {
                    failures = failures.saturating_add(1);
                    tracing::warn!(%error, failures, of = self.wanted.resource_type, "polling failed; the cursor stays where it was");
                    let wait = self.wait_after(&error, failures, now);
                    self.status.record_failure(error.to_string(), now);
                    wait
                }
            };
            tokio::select! {
                biased;
                () = shutdown.cancelled() => return,
                () = tokio::time::sleep(wait) => {}
            }
        }
    }

    /// The interval, doubled after each failure up to a minute; longer when the server says so.
    fn wait_after(&self, error: &PollError, failures: u32, now: Instant) -> Duration {
        let interval = self.config.interval_seconds.max(1);
        let doubled = interval.saturating_mul(1 << failures.saturating_sub(1).min(6));
        let own = doubled.min(MAX_FAILURE_WAIT_SECONDS.max(interval));
        let wish = error
            .retry_after_millis(now)
            .unwrap_or(0)
            .clamp(0, MAX_RETRY_AFTER_MILLIS);
        Duration::from_secs(own).max(Duration::from_millis(u64::try_from(wish).unwrap_or(0)))
    }

    /// One poll at `now`.
    ///
    /// # Errors
    /// Any [`PollError`], when nothing could be read; in per-patient mode only when the members or
    /// all patients failed.
    pub async fn poll_once(&self, now: Instant) -> Result<PollReport, PollError> {
        if self.codes.readings.is_empty() {
            return Err(PollError::NoCodes);
        }
        match &self.config.mode {
            PollMode::WholeSystem => {
                let first_from = self.config.start.unwrap_or_else(|| self.first_hours_before(now));
                let mut report = PollReport::default();
                self.searches(None, self.wanted.cursor, first_from, now, &mut report)
                    .await?;
                Ok(report)
            }
            PollMode::PerPatient { members_of } => self.poll_members(members_of, now).await,
        }
    }

    const fn first_hours_before(&self, now: Instant) -> Instant {
        now.plus_minutes(self.config.first_hours.saturating_mul(-60))
    }

    /// Every search that the codes need, for all patients or for one.
    async fn searches(
        &self,
        patient: Option<&str>,
        cursor: &str,
        first_from: Instant,
        now: Instant,
        report: &mut PollReport,
    ) -> Result<(), PollError> {
        let values = query::code_values(&self.codes.readings, self.client.base().as_str().len());
        let reader = Reader {
            client: &self.client,
            intake: &self.intake,
            recent: &self.recent,
            page_count: self.config.page_count,
            max_pages: self.config.max_pages.max(1),
            overlap_seconds: self.config.overlap_seconds,
            now,
        };
        for value in &values {
            // Each search has its own cursor: what one has seen says nothing of another.
            let name = if values.len() == 1 {
                cursor.to_owned()
            } else {
                cursor_of(cursor, value)
            };
            let position = self.cursor(&name).await?;
            let query = |from, count| query::changed_since(value, patient, from, count);
            let search = Search {
                resource_type: self.wanted.resource_type,
                aside: self.wanted.aside,
                cursor: &name,
                position,
                first_from,
                query: &query,
            };
            report.searches += 1;
            reader.read(&search, report).await?;
        }
        Ok(())
    }

    async fn cursor(&self, name: &str) -> Result<Option<Instant>, PollError> {
        let (cursors, name) = (Arc::clone(&self.cursors), name.to_owned());
        Ok(off_thread("read a cursor", move || cursors.cursor(&name)).await?)
    }

    async fn poll_members(&self, members_of: &str, now: Instant) -> Result<PollReport, PollError> {
        let mut report = PollReport::default();
        let members = self.current_members(members_of, &mut report).await?;
        report.members = Some(members.patients.len());
        report.members_unusable = members.unusable;
        let first_from = self.first_hours_before(now);
        let polls = members.patients.iter().map(|patient| async move {
            let mut own = PollReport::default();
            let cursor = format!("{}/{patient}", self.wanted.cursor);
            let result = self.searches(Some(patient), &cursor, first_from, now, &mut own).await;
            (own, result)
        });
        // Boxed one by one: a stream of borrowed futures of this size is beyond the compiler's
        // inference of Send.
        let polls: Vec<futures_util::future::BoxFuture<'_, _>> = polls
            .map(|poll| Box::pin(poll) as futures_util::future::BoxFuture<'_, _>)
            .collect();
        let mut results = futures_util::stream::iter(polls).buffer_unordered(PARALLEL_PATIENTS);
        let mut first_error = None;
        while let Some((own, result)) = results.next().await {
            report.add(&own);
            if let Err(error) = result {
                report.failed_patients += 1;
                first_error.get_or_insert(error);
            }
        }
        match first_error {
            Some(error) if report.failed_patients == members.patients.len() => Err(error),
            Some(error) => {
                report.trouble = format!(
                    "{} of {} patients: {error}",
                    report.failed_patients,
                    members.patients.len()
                );
                Ok(report)
            }
            None => Ok(report),
        }
    }

    /// The members, read again now and then. While a re-read fails, the ones known are polled.
    async fn current_members(&self, members_of: &str, report: &mut PollReport) -> Result<Members, PollError> {
        let mut held = self.members.lock().await;
        let stale = held.polls_since >= MEMBERS_EVERY_POLLS;
        if let Some(members) = &held.members
            && !stale
        {
            let members = members.clone();
            held.polls_since += 1;
            return Ok(members);
        }
        match (self.read_members(members_of).await, &held.members) {
            (Ok(members), _) => {
                *held = MembersRead {
                    members: Some(members.clone()),
                    polls_since: 1,
                };
                Ok(members)
            }
            (Err(error), Some(members)) => {
                report.trouble = format!("the members cannot be read again ({error}); those known are polled");
                Ok(members.clone())
            }
            (Err(error), None) => Err(error),
        }
    }

    async fn read_members(&self, members_of: &str) -> Result<Members, PollError> {
        let reference = self.client.local_reference(members_of)?;
        let resource = self.client.get(self.client.url(&reference, "")?).await?.json()?;
        members::read(&resource, &self.client).ok_or(PollError::Members)
    }

    /// Ask the server for a patient's diastolics between two moments. Whatever the answer, also
    /// when it is none, the batch says which question it answers.
    ///
    /// # Errors
    /// Any [`PollError`]; the engine's own deadline then decides.
    pub async fn ask_diastolics(&self, ask: &ask::Ask, now: Instant) -> Result<crate::source::Batch, PollError> {
        ask::diastolics(&self.client, &self.codes.diastolics, self.config.page_count, ask, now).await
    }
}

impl PollReport {
    fn add(&mut self, other: &Self) {
        self.searches += other.searches;
        self.pages += other.pages;
        self.entries += other.entries;
        self.duplicates += other.duplicates;
        self.skipped += other.skipped;
        self.unusable += other.unusable;
        self.refused += other.refused;
        self.without_last_updated += other.without_last_updated;
        self.ahead += other.ahead;
        self.newest = self.newest.max(other.newest);
        self.restarts += other.restarts;
        self.smaller_pages += other.smaller_pages;
        self.order_ignored |= other.order_ignored;
        self.hit_page_limit |= other.hit_page_limit;
        self.advanced |= other.advanced;
    }
}

/// Cursor of one of several searches: named after its codes, so that changed codes begin anew.
fn cursor_of(cursor: &str, codes: &str) -> String {
    use std::fmt::Write as _;
    let mut name = format!("{cursor}/");
    for byte in Sha256::digest(codes.as_bytes()).iter().take(8) {
        let _ = write!(name, "{byte:02x}");
    }
    name
}

fn tell(report: &PollReport, of: &str) {
    let PollReport {
        pages,
        entries,
        duplicates,
        unusable,
        refused,
        ..
    } = report;
    let lost_sight = unusable + refused > 0 || report.hit_page_limit || !report.trouble.is_empty();
    if lost_sight {
        tracing::warn!(
            of,
            pages,
            entries,
            duplicates,
            unusable,
            refused,
            hit_page_limit = report.hit_page_limit,
            trouble = report.trouble,
            "polled, but not everything could be used"
        );
    } else {
        tracing::debug!(of, pages, entries, duplicates, "polled");
    }
}
