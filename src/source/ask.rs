//! Questions for earlier diastolics: before it is said that a compartment reading has none, the
//! server is asked for that patient's diastolics in the window.

use super::chain::incoming;
use super::poll::{Cursors, PollError, Poller};
use super::query;
use super::walk::Walk;
use crate::delivery::{ClientError, FhirClient};
use crate::fhir::Instant;
use crate::recognise::reading::PatientKey;
use crate::source::intake::{AskAnswered, Batch, Incoming, UnreadableEntry};
use std::collections::{HashMap, HashSet};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{Semaphore, mpsc};
use tokio::task::{Id, JoinSet};
use tokio_util::sync::CancellationToken;

/// Questions asked at once.
pub const PARALLEL_ASKS: usize = 4;
/// Questions kept open at once; further ones wait in the queue.
const MAX_OPEN: usize = 100_000;
/// Pages of one answer; a window of an hour holds far fewer.
const MAX_ASK_PAGES: usize = 50;

/// When a question that failed is asked again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pace {
    /// First wait, doubled after each further failure.
    pub first_wait: Duration,
    /// Longest wait until the question's deadline, also for `Retry-After`.
    pub longest_wait: Duration,
    /// Wait between attempts after the deadline: then a late answer still corrects what was said.
    pub later_wait: Duration,
    /// Attempts after the deadline before the question is given up.
    pub later_attempts: u32,
}

impl Default for Pace {
    /// 1 s to 10 s until the deadline, then twenty times every three minutes (an hour).
    fn default() -> Self {
        Self {
            first_wait: Duration::from_secs(1),
            longest_wait: Duration::from_secs(10),
            later_wait: Duration::from_secs(180),
            later_attempts: 20,
        }
    }
}

/// One question.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Ask {
    /// Whose diastolics.
    pub patient: PatientKey,
    /// The compartment reading's source (`Observation/abc`).
    pub source: String,
    /// Begin of the window, inclusive.
    pub from: Instant,
    /// End of the window, inclusive.
    pub to: Instant,
}

/// Search for the diastolics of a question.
pub(super) async fn diastolics(
    client: &FhirClient,
    codes: &[(String, String)],
    page_count: usize,
    ask: &Ask,
    now: Instant,
) -> Result<Batch, PollError> {
    let local = client.local_reference(&ask.patient.0).ok();
    let patient = local
        .filter(|local| local.starts_with("Patient/"))
        .ok_or(PollError::PatientElsewhere)?;
    let values = query::code_values(codes, client.base().as_str().len());
    if values.is_empty() {
        return Err(PollError::NoCodes);
    }
    let (mut items, mut unreadable) = (Vec::new(), Vec::new());
    for value in &values {
        let mut count = page_count.max(1);
        loop {
            let query = query::effective_between(value, &patient, ask.from, ask.to, count);
            match collect(client, &query, now).await {
                Ok((found, odd)) => {
                    items.extend(found);
                    unreadable.extend(odd);
                    break;
                }
                Err(PollError::Client(ClientError::TooLarge { .. })) if count > 1 => count = (count / 4).max(1),
                Err(error) => return Err(error),
            }
        }
    }
    let answered = AskAnswered {
        patient: ask.patient.clone(),
        source: ask.source.clone(),
    };
    Ok(Batch {
        items,
        answered: vec![answered],
        unreadable,
        ..Batch::default()
    })
}

async fn collect(
    client: &FhirClient,
    query: &str,
    now: Instant,
) -> Result<(Vec<Incoming>, Vec<UnreadableEntry>), PollError> {
    let mut walk = Walk::new(client, "Observation", client.url("Observation", query)?, now);
    let (mut items, mut unreadable) = (Vec::new(), Vec::new());
    while let Some(page) = walk.next_page().await? {
        if page.next.is_some() && walk.pages() >= MAX_ASK_PAGES {
            return Err(PollError::PageLimit(MAX_ASK_PAGES));
        }
        items.extend(page.entries.into_iter().map(incoming));
        unreadable.extend(page.unreadable);
    }
    Ok((items, unreadable))
}

impl<C: Cursors + ?Sized> Poller<C> {
    /// Answer questions until `shutdown` or until the sending side is gone. A question that is
    /// already being asked is not asked a second time.
    ///
    /// Questions are taken from the queue at once and wait here for their turn, so that many of
    /// them do not fill it.
    pub async fn run_asks(
        self: Arc<Self>,
        mut receiver: mpsc::Receiver<Ask>,
        shutdown: CancellationToken,
        clock: impl Fn() -> Instant + Clone + Send + Sync + 'static,
    ) {
        let turns = Arc::new(Semaphore::new(PARALLEL_ASKS));
        let mut running: JoinSet<()> = JoinSet::new();
        let mut in_flight: HashSet<Ask> = HashSet::new();
        let mut asks: HashMap<Id, Ask> = HashMap::new();
        let mut open = true;
        while open || !running.is_empty() {
            tokio::select! {
                biased;
                () = shutdown.cancelled() => return,
                Some(joined) = running.join_next_with_id(), if !running.is_empty() => {
                    let id = joined.map_or_else(|error| error.id(), |(id, ())| id);
                    if let Some(ask) = asks.remove(&id) {
                        in_flight.remove(&ask);
                    }
                }
                received = receiver.recv(), if open && running.len() < MAX_OPEN => match received {
                    None => open = false,
                    Some(ask) => {
                        if in_flight.insert(ask.clone()) {
                            let (poller, clock, own) = (Arc::clone(&self), clock.clone(), ask.clone());
                            let turns = Arc::clone(&turns);
                            let handle = running.spawn(async move { poller.answer(&own, &turns, &clock).await });
                            asks.insert(handle.id(), ask);
                        }
                    }
                },
            }
        }
    }

    /// One question, asked until it is answered: often until its deadline, then now and then. An
    /// answer after the deadline still counts, since the diastolics that it brings are new readings.
    async fn answer(&self, ask: &Ask, turns: &Semaphore, clock: &(impl Fn() -> Instant + Sync)) {
        let deadline = Duration::from_secs(u64::try_from(self.config.ask_timeout_seconds).unwrap_or(0));
        let begun = tokio::time::Instant::now();
        let (mut wait, mut later) = (self.pace.first_wait, 0);
        loop {
            let error = match self.ask_once(ask, turns, clock).await {
                Ok(()) => return self.status.record_ask(true),
                Err(error) => error,
            };
            if matches!(error, PollError::PatientElsewhere | PollError::NoCodes) {
                tracing::warn!(%error, "a question for earlier diastolics cannot be asked");
                return self.status.record_ask(false);
            }
            let wish = error.retry_after_millis(clock()).unwrap_or(0);
            let wish = Duration::from_millis(u64::try_from(wish).unwrap_or(0));
            let pause = if begun.elapsed() < deadline {
                wait.max(wish).min(self.pace.longest_wait)
            } else {
                if later == 0 {
                    tracing::warn!(%error, "the server did not answer a question for earlier diastolics in time; it is asked again");
                    self.status.record_ask(false);
                }
                if later >= self.pace.later_attempts {
                    tracing::error!(%error, attempts = later, "a question for earlier diastolics was given up");
                    return;
                }
                later += 1;
                self.pace.later_wait
            };
            tokio::time::sleep(pause).await;
            wait = wait.saturating_mul(2).min(self.pace.longest_wait);
        }
    }

    /// One attempt, in its turn, within the deadline plus one request's time, so that a slow server
    /// does not hold the place of further questions.
    async fn ask_once(
        &self,
        ask: &Ask,
        turns: &Semaphore,
        clock: &(impl Fn() -> Instant + Sync),
    ) -> Result<(), PollError> {
        let _turn = turns.acquire().await;
        let decided = u64::try_from(self.config.ask_timeout_seconds).unwrap_or(0);
        let seconds = decided.saturating_add(self.config.server.timeout_seconds).max(1);
        let asked = tokio::time::timeout(Duration::from_secs(seconds), self.ask_diastolics(ask, clock())).await;
        let batch = asked.unwrap_or(Err(PollError::Client(ClientError::Timeout { seconds })))?;
        self.intake.submit_when_room(batch).await?;
        Ok(())
    }
}
