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
use tokio::sync::mpsc;
use tokio::task::{Id, JoinSet};
use tokio_util::sync::CancellationToken;

/// Questions asked at once.
pub const PARALLEL_ASKS: usize = 4;
/// Pages of one answer; a window of an hour holds far fewer.
const MAX_ASK_PAGES: usize = 50;
/// Attempts at one question, when what failed may heal.
const ASK_ATTEMPTS: u32 = 3;
/// Wait between attempts, milliseconds, when the server names none.
const ASK_WAIT_MILLIS: i64 = 1_000;
/// Longest such wait: the engine does not wait for ever.
const MAX_ASK_WAIT_MILLIS: i64 = 10_000;

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
    pub async fn run_asks(
        self: Arc<Self>,
        mut receiver: mpsc::Receiver<Ask>,
        shutdown: CancellationToken,
        clock: impl Fn() -> Instant + Clone + Send + Sync + 'static,
    ) {
        let mut running: JoinSet<()> = JoinSet::new();
        let mut in_flight: HashSet<Ask> = HashSet::new();
        let mut asks: HashMap<Id, Ask> = HashMap::new();
        let mut open = true;
        while open || !running.is_empty() {
            tokio::select! {
                () = shutdown.cancelled() => return,
                Some(joined) = running.join_next_with_id(), if !running.is_empty() => {
                    let id = joined.map_or_else(|error| error.id(), |(id, ())| id);
                    if let Some(ask) = asks.remove(&id) {
                        in_flight.remove(&ask);
                    }
                }
                received = receiver.recv(), if open && running.len() < PARALLEL_ASKS => match received {
                    None => open = false,
                    Some(ask) => {
                        if in_flight.insert(ask.clone()) {
                            let (poller, clock, own) = (Arc::clone(&self), clock.clone(), ask.clone());
                            let handle = running.spawn(async move { poller.answer(&own, &clock).await });
                            asks.insert(handle.id(), ask);
                        }
                    }
                },
            }
        }
    }

    /// One question, within the time after which its answer no longer counts for the decision plus
    /// one request's, so that a slow server does not hold the place of further questions.
    async fn answer(&self, ask: &Ask, clock: &(impl Fn() -> Instant + Sync)) {
        let decided = u64::try_from(self.config.ask_timeout_seconds).unwrap_or(0);
        let limit = Duration::from_secs(decided.saturating_add(self.config.server.timeout_seconds).max(1));
        let answered = match tokio::time::timeout(limit, self.answer_in_time(ask, clock)).await {
            Ok(Ok(())) => true,
            Ok(Err(error)) => {
                tracing::warn!(%error, "the server did not answer a question for earlier diastolics");
                false
            }
            Err(_) => {
                tracing::warn!(
                    seconds = limit.as_secs(),
                    "a question for earlier diastolics took too long"
                );
                false
            }
        };
        self.status.record_ask(answered);
    }

    /// Tried again while that may help, then handed to the engine.
    async fn answer_in_time(&self, ask: &Ask, clock: &(impl Fn() -> Instant + Sync)) -> Result<(), PollError> {
        let mut attempt = 1;
        let batch = loop {
            let error = match self.ask_diastolics(ask, clock()).await {
                Ok(batch) => break batch,
                Err(error) => error,
            };
            let heals = matches!(&error, PollError::Client(client) if client.may_heal());
            if !heals || attempt >= ASK_ATTEMPTS {
                return Err(error);
            }
            let wish = error.retry_after_millis(clock()).unwrap_or(ASK_WAIT_MILLIS);
            let wait = u64::try_from(wish.clamp(ASK_WAIT_MILLIS, MAX_ASK_WAIT_MILLIS)).unwrap_or(0);
            tokio::time::sleep(Duration::from_millis(wait)).await;
            attempt += 1;
        };
        self.intake.submit_when_room(batch).await?;
        Ok(())
    }
}
