//! One group of one patient to the server, and the settlement of each of its entries.

use super::attempt::{Attempt, is_outage};
use super::bundle::{self, EntryAnswer};
use super::capability::Capabilities;
use super::client::FhirClient;
use super::error::ClientError;
use super::present::{self, Before};
use super::references::{self, Place, identifier_token};
use super::single::{self, Known};
use super::status::GroupReport;
use crate::fhir::Instant;
use crate::outbox::answer::{self, Limits, Meaning, Verdict};
use crate::store::{OutboxEntry, OutboxState, Settlement, Store, StoreError, off_thread};
use std::collections::hash_map::Entry;
use std::collections::{HashMap, HashSet};
use std::sync::{Arc, OnceLock};
use tokio::sync::Mutex;
use uuid::Uuid;

/// What delivery needs of the store. Calls block; they are made on the blocking pool.
pub trait Outbox: Send + Sync + 'static {
    /// The groups whose time has come, in `seq` order; see [`Store::outbox_due`].
    ///
    /// # Errors
    /// When the store cannot be read.
    fn due(&self, now: Instant, limit: usize) -> Result<Vec<OutboxEntry>, StoreError>;
    /// The highest `seq` that waits now: up to it an earlier process may have sent entries. Who does
    /// not know it has all of them looked for before they are created.
    ///
    /// # Errors
    /// When the store cannot be read.
    fn newest_waiting(&self) -> Result<i64, StoreError> {
        Ok(i64::MAX)
    }
    /// Record what became of an attempt.
    ///
    /// # Errors
    /// When the store cannot commit.
    fn settle(&self, settlements: &[Settlement], now: Instant) -> Result<(), StoreError>;
    /// The server's own reference of a delivered resource.
    ///
    /// # Errors
    /// When the store cannot be read.
    fn remote_reference(&self, identity: &Uuid) -> Result<Option<String>, StoreError>;
}

impl<S: Store + ?Sized> Outbox for S {
    fn due(&self, now: Instant, limit: usize) -> Result<Vec<OutboxEntry>, StoreError> {
        self.outbox_due(now, limit)
    }

    fn newest_waiting(&self) -> Result<i64, StoreError> {
        let newest = self.outbox_list(OutboxState::Waiting, 1)?;
        Ok(newest.first().map_or(0, |entry| entry.seq))
    }

    fn settle(&self, settlements: &[Settlement], now: Instant) -> Result<(), StoreError> {
        self.outbox_settle(settlements, now)
    }

    fn remote_reference(&self, identity: &Uuid) -> Result<Option<String>, StoreError> {
        Store::remote_reference(self, identity)
    }
}

/// How long a CapabilityStatement that was read holds, seconds.
const CAPABILITIES_SECONDS: i64 = 3_600;
/// When to ask again after it could not be read, seconds.
const CAPABILITIES_RETRY_SECONDS: i64 = 60;

/// Attempts of a group as one transaction, and after which an Observation that finds the server
/// unwell no longer ends the group's turn: a server may hang on that one resource only.
const TRIES_AS_WHOLE: u32 = 2;

/// Run a blocking call of the outbox.
pub(super) async fn blocking<O, T>(
    outbox: &Arc<O>,
    action: &'static str,
    call: impl FnOnce(&O) -> Result<T, StoreError> + Send + 'static,
) -> Result<T, StoreError>
where
    O: Outbox + ?Sized,
    T: Send + 'static,
{
    let outbox = Arc::clone(outbox);
    off_thread(action, move || call(&outbox)).await
}

/// Sends groups.
pub struct Sender<O: ?Sized> {
    client: Arc<FhirClient>,
    limits: Limits,
    capabilities: Mutex<Option<(Capabilities, Instant)>>,
    /// The Device is the one resource that groups of several patients share: groups that hold it
    /// go one at a time, so that no server gets two creates of it at once.
    device: Mutex<()>,
    /// The newest entry that waited when this process began to deliver.
    inherited: OnceLock<i64>,
    /// Entries under way, and those whose attempt could not be recorded: they may have been sent.
    unsettled: Mutex<HashSet<i64>>,
    refusals: present::Refusals,
    outbox: Arc<O>,
}

impl<O: Outbox + ?Sized> Sender<O> {
    /// A sender with the given limits.
    pub fn new(client: Arc<FhirClient>, outbox: Arc<O>, limits: Limits) -> Self {
        Self {
            client,
            limits,
            capabilities: Mutex::new(None),
            device: Mutex::new(()),
            inherited: OnceLock::new(),
            unsettled: Mutex::new(HashSet::new()),
            refusals: present::Refusals::default(),
            outbox,
        }
    }

    /// Delivery begins: what waits now may have been sent by an earlier process. No clock says which
    /// that is, for it may have been set back since.
    pub async fn begin(&self) {
        let newest = blocking(&self.outbox, "read the outbox", Outbox::newest_waiting).await;
        // An outbox that cannot be read: any entry may be one of them.
        let _ = self.inherited.set(newest.unwrap_or(i64::MAX));
    }

    /// Send one group (entries of one step, in order) and settle each entry.
    ///
    /// # Errors
    /// When the outbox cannot be read or settled; what was sent is then sent again, harmlessly.
    pub async fn deliver(
        &self,
        group: Vec<OutboxEntry>,
        clock: &(impl Fn() -> Instant + Sync),
    ) -> Result<GroupReport, StoreError> {
        let shared = group.iter().any(|entry| entry.resource_type == "Device");
        let _device = if shared { Some(self.device.lock().await) } else { None };
        let (mut present, rest) = self.split_known_devices(group).await?;
        let again = self.begin_attempts(&rest).await;
        let (rest, attempts) = match present::sent_before(&self.client, &again, &self.refusals).await {
            Ok(Before { found, unanswered }) => {
                let (there, rest): (Vec<_>, Vec<_>) =
                    rest.into_iter().partition(|entry| found.contains_key(&entry.seq));
                let references = there
                    .into_iter()
                    .filter_map(|entry| Some((found.get(&entry.seq)?.clone(), entry)));
                present.extend(references.map(|(reference, entry)| (entry, reference)));
                let attempts = self.attempts(&rest, &unanswered, clock).await?;
                (rest, attempts)
            }
            Err(error) => {
                let attempts = vec![Attempt::failed(&error, clock()); rest.len()];
                (rest, attempts)
            }
        };
        let now = clock();
        let mut settlements: Vec<Settlement> = present.into_iter().map(|(entry, at)| known(&entry, at, now)).collect();
        let mut report = GroupReport {
            delivered: settlements.len() as u64,
            ..GroupReport::default()
        };
        settlements.extend(self.settlements(&rest, attempts, now, &mut report));
        let settled: Vec<i64> = settlements.iter().map(|settlement| settlement.seq).collect();
        for done in settlements.iter().filter(|one| one.state != OutboxState::Waiting) {
            self.refusals.forget(done.seq).await;
        }
        blocking(&self.outbox, "settle outbox entries", move |outbox| {
            outbox.settle(&settlements, now)
        })
        .await?;
        let mut unsettled = self.unsettled.lock().await;
        settled.iter().for_each(|seq| {
            unsettled.remove(seq);
        });
        drop(unsettled);
        Ok(report)
    }

    /// The entries that may have been sent before: tried before, inherited from an earlier process, or
    /// tried without that it could be recorded (a full disk). All are under way from now on.
    async fn begin_attempts<'e>(&self, entries: &'e [OutboxEntry]) -> Vec<&'e OutboxEntry> {
        let inherited = self.inherited.get().copied();
        let mut unsettled = self.unsettled.lock().await;
        let again = entries.iter().filter(|entry| {
            let unrecorded = !unsettled.insert(entry.seq);
            unrecorded || entry.attempts > 0 || inherited.is_some_and(|newest| entry.seq <= newest)
        });
        again.collect()
    }

    /// As one transaction where that may go, else one by one.
    async fn attempts(
        &self,
        group: &[OutboxEntry],
        unanswered: &HashMap<i64, ClientError>,
        clock: &(impl Fn() -> Instant + Sync),
    ) -> Result<Vec<Attempt>, StoreError> {
        let capabilities = self.capabilities(clock()).await;
        let as_whole = group.iter().all(|entry| entry.attempts < TRIES_AS_WHOLE);
        let whole = capabilities.takes_bundles() && as_whole && !group.is_empty();
        if whole && let Some(attempts) = self.as_transaction(group, clock()).await? {
            return Ok(attempts);
        }
        // A transaction whose answer could not be used may have been done.
        let known = Known {
            capabilities,
            maybe_sent: whole,
            unanswered,
        };
        self.one_by_one(group, &known, clock).await
    }

    /// Devices that the server already has need not be sent again.
    async fn split_known_devices(
        &self,
        group: Vec<OutboxEntry>,
    ) -> Result<(Vec<(OutboxEntry, String)>, Vec<OutboxEntry>), StoreError> {
        let (mut present, mut rest) = (Vec::new(), Vec::new());
        for entry in group {
            let known = if entry.resource_type == "Device" {
                self.stored_reference(entry.identity).await?
            } else {
                None
            };
            match known {
                Some(reference) => present.push((entry, reference)),
                None => rest.push(entry),
            }
        }
        Ok((present, rest))
    }

    async fn stored_reference(&self, identity: Uuid) -> Result<Option<String>, StoreError> {
        blocking(&self.outbox, "read a remote reference", move |outbox| {
            outbox.remote_reference(&identity)
        })
        .await
    }

    /// What the server can do: asked once an hour, and each minute while it does not say.
    async fn capabilities(&self, now: Instant) -> Capabilities {
        let mut held = self.capabilities.lock().await;
        if let Some((capabilities, until)) = *held
            && now < until
        {
            return capabilities;
        }
        let (capabilities, seconds) = match self.client.capabilities().await {
            Ok(Some(capabilities)) => (capabilities, CAPABILITIES_SECONDS),
            Ok(None) => (Capabilities::UNKNOWN, CAPABILITIES_SECONDS),
            Err(error) => {
                tracing::warn!(%error, "the CapabilityStatement cannot be read: sending single conditional requests");
                (Capabilities::UNKNOWN, CAPABILITIES_RETRY_SECONDS)
            }
        };
        *held = Some((capabilities, now.plus_seconds(seconds)));
        capabilities
    }

    /// All entries in one transaction; None when they should go one by one instead.
    async fn as_transaction(&self, group: &[OutboxEntry], now: Instant) -> Result<Option<Vec<Attempt>>, StoreError> {
        let inside: HashSet<Uuid> = group.iter().map(|entry| entry.identity).collect();
        let mut places: HashMap<Uuid, Place> = inside.iter().map(|identity| (*identity, Place::SameBundle)).collect();
        for (identity, _) in group.iter().flat_map(|entry| references::mentioned(&entry.body)) {
            if let Entry::Vacant(place) = places.entry(identity) {
                let stored = self.stored_reference(identity).await?;
                place.insert(stored.map_or(Place::Conditional, Place::Remote));
            }
        }
        let place_of = |identity: &Uuid| places.get(identity).cloned().unwrap_or(Place::Conditional);
        let bundle = bundle::transaction(group.iter().map(|entry| {
            let mut body = entry.body.clone();
            references::rewrite(&mut body, &place_of);
            (&entry.identity, entry.resource_type.as_str(), body)
        }));
        let error = match self.client.transaction(&bundle).await.and_then(|reply| reply.json()) {
            Ok(response) => match bundle::answers(&response, group) {
                Ok(answers) => return Ok(Some(self.of_entries(group, answers, now).await)),
                Err(error) => ClientError::Malformed(error.to_string()),
            },
            Err(error) => error,
        };
        let falls_back = match &error {
            ClientError::Refused { status, .. } => answer::transaction_falls_back(*status),
            ClientError::Malformed(_) | ClientError::TooLarge { .. } => true,
            _ => false,
        };
        if falls_back {
            tracing::warn!(%error, entries = group.len(), "transaction not taken: sending its entries one by one");
            return Ok(None);
        }
        Ok(Some(vec![Attempt::failed(&error, now); group.len()]))
    }

    async fn of_entries(&self, group: &[OutboxEntry], answers: Vec<EntryAnswer>, now: Instant) -> Vec<Attempt> {
        let mut attempts = Vec::with_capacity(answers.len());
        for (entry, mut answer) in group.iter().zip(answers) {
            let kind = entry.resource_type.as_str();
            if answer.status == 200 && !bundle::is_updated(kind) {
                let token = identifier_token(&entry.identity);
                let remote = answer.remote.take();
                match present::existing(&self.client, kind, &token, remote, answer.resource.as_ref()).await {
                    Ok(remote) => answer.remote = remote,
                    Err(error) => {
                        attempts.push(Attempt::failed(&error, now));
                        continue;
                    }
                }
            }
            attempts.push(Attempt::of_entry(answer));
        }
        attempts
    }

    /// In order; a refused entry does not keep the next ones back, an unwell server does. After
    /// [`TRIES_AS_WHOLE`] attempts the messages are tried even so, without the Observations.
    async fn one_by_one(
        &self,
        group: &[OutboxEntry],
        known: &Known<'_>,
        clock: &(impl Fn() -> Instant + Sync),
    ) -> Result<Vec<Attempt>, StoreError> {
        let mut attempts = Vec::with_capacity(group.len());
        let mut delivered: HashMap<Uuid, String> = HashMap::new();
        let mut messages_only = false;
        for entry in group {
            if messages_only && entry.resource_type != "Communication" {
                attempts.push(Attempt::NotTried);
                continue;
            }
            match self.single(entry, known, &delivered).await? {
                Ok((status, remote)) => {
                    if let Some(remote) = &remote {
                        delivered.insert(entry.identity, remote.clone());
                    }
                    attempts.push(Attempt::Done { status, remote });
                }
                Err(error) => {
                    attempts.push(Attempt::failed(&error, clock()));
                    if is_outage(&error) {
                        if messages_only || entry.resource_type == "Communication" || entry.attempts < TRIES_AS_WHOLE {
                            break;
                        }
                        messages_only = true;
                    }
                }
            }
        }
        attempts.resize(group.len(), Attempt::NotTried);
        Ok(attempts)
    }

    async fn single(
        &self,
        entry: &OutboxEntry,
        known: &Known<'_>,
        delivered: &HashMap<Uuid, String>,
    ) -> Result<Result<(u16, Option<String>), ClientError>, StoreError> {
        let mut places = HashMap::new();
        for (identity, kind) in references::mentioned(&entry.body) {
            let stored = match delivered.get(&identity) {
                Some(reference) => Some(reference.clone()),
                None => self.stored_reference(identity).await?,
            };
            let place = match stored {
                Some(reference) => Place::Remote(reference),
                None => match self.client.find(kind, &identifier_token(&identity)).await {
                    Ok(found) => found.into_iter().next().map_or(Place::Identifier, Place::Remote),
                    Err(error) if is_outage(&error) => return Ok(Err(error)),
                    // The server does not let us search: the logical reference stays true.
                    Err(_) => Place::Identifier,
                },
            };
            places.insert(identity, place);
        }
        let mut body = entry.body.clone();
        references::rewrite(&mut body, &|identity| {
            places.get(identity).cloned().unwrap_or(Place::Identifier)
        });
        Ok(single::write(&self.client, entry, &body, known).await)
    }

    /// What each entry comes to. All that wait get one moment, so that the group stays together
    /// and in order.
    fn settlements(
        &self,
        group: &[OutboxEntry],
        attempts: Vec<Attempt>,
        now: Instant,
        report: &mut GroupReport,
    ) -> Vec<Settlement> {
        let mut settlements: Vec<Settlement> = Vec::with_capacity(group.len());
        let mut again_at = now.plus_seconds(1);
        for (entry, attempt) in group.iter().zip(attempts) {
            let own_failure = matches!(attempt, Attempt::Failed { own: true, .. });
            let (verdict, answer, remote_reference) = match attempt {
                Attempt::Done { status, remote } => (Verdict::Delivered, status.to_string(), remote),
                Attempt::NotTried => (Verdict::Waiting(again_at), entry.last_answer.clone(), None),
                Attempt::Failed {
                    meaning,
                    told,
                    neutral,
                    retry_after_millis,
                    own: _,
                } => {
                    report.needs_mending |= meaning == Meaning::Mend;
                    if report.trouble.is_empty() {
                        report.trouble = neutral;
                    }
                    let (identity, tries) = (&entry.identity, entry.attempts);
                    let verdict = answer::verdict(meaning, identity, tries, retry_after_millis, &self.limits, now);
                    (verdict, told, None)
                }
            };
            let (state, next_attempt) = match verdict {
                Verdict::Delivered => (OutboxState::Delivered, now),
                Verdict::Stopped => (OutboxState::Stopped, now),
                Verdict::Waiting(at) => (OutboxState::Waiting, at),
            };
            match state {
                OutboxState::Delivered => report.delivered += 1,
                OutboxState::Stopped => report.stopped += 1,
                OutboxState::Waiting => {
                    report.waiting += 1;
                    again_at = again_at.max(next_attempt);
                }
            }
            settlements.push(Settlement {
                seq: entry.seq,
                state,
                next_attempt,
                answer,
                own_failure,
                remote_reference,
            });
        }
        for settlement in &mut settlements {
            if settlement.state == OutboxState::Waiting {
                settlement.next_attempt = again_at;
            }
        }
        settlements
    }
}

/// A Device that was delivered before.
fn known(entry: &OutboxEntry, reference: String, now: Instant) -> Settlement {
    Settlement {
        seq: entry.seq,
        state: OutboxState::Delivered,
        next_attempt: now,
        answer: String::from("200"),
        own_failure: false,
        remote_reference: Some(reference),
    }
}
