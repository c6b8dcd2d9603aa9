//! The engine: one thread between the sources and the store. It drains what waits, steps the
//! patients concerned, writes one commit, and only then answers (invariants 1 and 2).

use super::awaited::Awaited;
use super::group::{Prepared, Promised, UnderWay};
use super::held::Held;
pub use super::outlets::Outlets;
use super::outlets::Told;
use super::rows::{changes, derived_row, history_words, outbox_entry, stopped_entry};
use super::settings::{Clock, Settings};
use super::work::{Current, Work, set_aside_rows};
use super::writer::{Desk, Writer, tidy};
use crate::fhir::Instant;
use crate::outbox::build::{self, Draft};
use crate::outbox::context::MessageContext;
use crate::outbox::validate::Validator;
use crate::patient::effect::Effect;
use crate::patient::{Input, State, Step, retention, step, step_held, step_untold};
use crate::recognise::Withdrawal;
use crate::recognise::reading::PatientKey;
use crate::server::LiveEvent;
use crate::source::Batch;
use crate::source::intake::Submission;
use crate::store::{Commit, Store, StoreError};
use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::Duration;
use tokio::runtime::{Handle, RuntimeFlavor};
use tokio::sync::{Notify, mpsc};
use tokio_util::sync::CancellationToken;

/// How long the engine sleeps at most before it looks whether a timer fell due.
pub(super) const TIMER_LOOK: Duration = Duration::from_millis(100);
/// Minutes between two looks for what may be forgotten.
const FORGET_LOOK_MINUTES: i64 = 1;
/// How long after a failed commit only what is sent is tried, and then a probe: a full disk is not
/// asked ten times a second.
const REST: Duration = Duration::from_secs(2);
/// Patients stepped by timers in one commit.
const DUE_PER_COMMIT: usize = 500;

/// The engine. `run` owns it.
pub struct Engine {
    pub(super) store: Arc<dyn Store>,
    pub(super) settings: Arc<Settings>,
    pub(super) validator: &'static Validator,
    pub(super) clock: Clock,
    pub(super) outlets: Outlets,
    receiver: mpsc::Receiver<Submission>,
    pub(super) patients: Held,
    /// Hours for which readings of patients without a compartment pressure are kept.
    unwatched_hours: i64,
    /// When to look next for what may be forgotten.
    pub(super) forgets: Instant,
    /// Patients whose past is being read: told of when it is complete.
    pub(super) untold: BTreeSet<PatientKey>,
    /// What the commit under way changed of that, to be taken back when it fails.
    pub(super) promised: Promised,
    /// Patients whose first message is held until their birth date has been read.
    pub(super) awaited: Awaited,
    pub(super) next_due: Option<Instant>,
    /// Commits while the next one is prepared. None: the engine commits by itself.
    pub(super) writer: Option<Writer>,
    /// What the writer commits now. At most one.
    pub(super) under_way: Option<UnderWay>,
    /// Set after a commit that failed: until then no timer is taken up and no probe made.
    resting: Option<tokio::time::Instant>,
}

/// One patient's turn in a commit.
struct Turn {
    inputs: Vec<Input>,
    /// False while only the patient's past is being read.
    tell: bool,
    now: Instant,
}

impl Engine {
    /// An engine over `store`, fed by `receiver`.
    ///
    /// # Errors
    /// When the JSON Schema does not compile or the store cannot be read.
    pub fn new(
        store: Arc<dyn Store>,
        settings: Settings,
        clock: Clock,
        outlets: Outlets,
        receiver: mpsc::Receiver<Submission>,
    ) -> anyhow::Result<Self> {
        let validator = Validator::shared()?;
        let next_due = store.next_due()?;
        let patients = Held::new(settings.patients_in_memory);
        let forgets = (clock)();
        Ok(Self {
            store,
            settings: Arc::new(settings),
            validator,
            clock,
            outlets,
            receiver,
            patients,
            unwatched_hours: retention::UNWATCHED_HOURS,
            forgets,
            untold: BTreeSet::new(),
            promised: Promised::default(),
            awaited: Awaited::default(),
            next_due,
            writer: None,
            under_way: None,
            resting: None,
        })
    }

    /// Keep readings of patients without a compartment pressure for so many hours (48 otherwise).
    #[must_use]
    pub fn with_unwatched_hours(mut self, hours: i64) -> Self {
        self.unwatched_hours = hours;
        self
    }

    /// Start the engine on a thread of its own; it ends when every sender is gone, or after
    /// `shutdown` once what waits is done.
    ///
    /// # Errors
    /// When the thread or its timer cannot be made.
    pub fn start(mut self, shutdown: CancellationToken) -> std::io::Result<std::thread::JoinHandle<()>> {
        let several = |runtime: &Handle| runtime.runtime_flavor() == RuntimeFlavor::MultiThread;
        let answering = Handle::try_current().ok().filter(several);
        let desk = Desk::new(Arc::clone(&self.store), self.outlets.clone(), answering);
        self.writer = Some(Writer::start(desk)?);
        let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build()?;
        std::thread::Builder::new()
            .name(String::from("engine"))
            .spawn(move || runtime.block_on(self.run(shutdown)))
    }

    /// Work until every sender is gone, or after `shutdown` once what waits is done. It blocks
    /// whoever polls it: on a runtime of its own, see [`Engine::start`].
    pub async fn run(mut self, shutdown: CancellationToken) {
        let mut group = Vec::new();
        loop {
            let mut idle = false;
            let limit = self.settings.batches_per_commit.max(1);
            let more = limit.saturating_sub(group.len()).max(1);
            let ended = self.writer.as_ref().map(Writer::woken);
            tokio::select! {
                biased;
                () = shutdown.cancelled() => {
                    self.receiver.close();
                    while !group.is_empty() || self.receiver.recv_many(&mut group, limit).await > 0 {
                        self.commit_group(std::mem::take(&mut group));
                    }
                    break;
                }
                taken = self.receiver.recv_many(&mut group, more) => if taken == 0 {
                    if !group.is_empty() {
                        self.commit_group(group);
                    }
                    break;
                },
                () = woken(ended), if self.under_way.is_some() => self.look_whether_ended(),
                () = tokio::time::sleep(TIMER_LOOK) => {
                    // A writer that has panicked wakes nobody.
                    self.look_whether_ended();
                    idle = self.under_way.is_none();
                }
            }
            self.outlets.health.engine_beat((self.clock)());
            // Small commits cost the disk as much as large ones: the next one is begun when as much waits as is
            // under way, or when that has ended.
            let enough = self.under_way.as_ref().is_none_or(|one| group.len() >= one.batches);
            let nothing_came = group.is_empty();
            if enough && !nothing_came {
                self.commit_group(std::mem::take(&mut group));
            }
            // After a commit the writer does it.
            if (idle || (self.writer.is_none() && !nothing_came)) && self.resting.is_none() {
                tidy(self.store.as_ref(), idle);
            }
            match self.resting {
                Some(until) if tokio::time::Instant::now() < until => {}
                // Nothing is sent that would show it: see by itself whether commits go through again.
                Some(_) if self.under_way.is_none() => self.probe(),
                None if self.under_way.is_none() && self.is_due() => self.commit_group(Vec::new()),
                _ => {}
            }
        }
        // What failed was said and answered.
        let _ = self.settle();
    }

    fn is_due(&self) -> bool {
        let now = (self.clock)();
        self.forgets <= now || self.next_due.is_some_and(|due| due <= now)
    }

    /// Does the store commit again?
    fn probe(&mut self) {
        match self.store.probe_writable() {
            Ok(()) => self.went_through(),
            Err(error) => self.failed(&error),
        }
    }

    pub(super) fn went_through(&mut self) {
        if self.resting.take().is_some() {
            tracing::info!("the store commits again");
        }
        self.outlets.health.commit_failed(None);
    }

    pub(super) fn failed(&mut self, error: &StoreError) {
        // Said once, not at every probe; what is refused to a caller is logged there.
        if self.resting.is_none() {
            tracing::error!(%error, "a commit failed; nothing of it was acknowledged, and what is sent is answered 503 until one goes through");
        }
        self.resting = Some(tokio::time::Instant::now() + REST);
        self.outlets.health.commit_failed(Some(error.reason()));
    }

    /// Everything of a commit, made from what came and from the timers that fell due.
    ///
    /// # Errors
    /// When the store cannot be read, or the commit under way failed.
    pub(super) fn work(&mut self, batches: Vec<Batch>) -> Result<Prepared, StoreError> {
        let now = (self.clock)();
        let store = Arc::clone(&self.store);
        let settings = Arc::clone(&self.settings);
        let earlier = self.under_way.as_ref().map(|one| Arc::clone(&one.current));
        let mut work = Work::new(store.as_ref(), &settings, now).on_top_of(earlier);
        let mut answers = Vec::with_capacity(batches.len());
        // Only a source ends a history: with a cursor that moves, or with nothing more to say.
        let empty = |batch: &Batch| batch.items.is_empty() && batch.answered.is_empty();
        let ends = |batch: &Batch| !batch.history && !batch.aside && (empty(batch) || !batch.cursors.is_empty());
        let complete = batches.iter().any(ends);
        work.look_up(&batches)?;
        for batch in batches {
            answers.push(work.batch(batch)?);
        }
        let waiting: BTreeSet<PatientKey> = work.aside.intersection(&self.untold).cloned().collect();
        work.untold.extend(waiting);
        let added = work.untold.difference(&work.told);
        let added: Vec<PatientKey> = added
            .filter(|patient| !self.untold.contains(*patient))
            .cloned()
            .collect();
        self.untold.extend(added.iter().cloned());
        let complete = if complete {
            std::mem::take(&mut self.untold)
        } else {
            BTreeSet::new()
        };
        self.promised = Promised {
            added,
            told: complete.clone(),
        };
        // After a failure what is sent is tried by itself: a timer cannot hold it up.
        let mut due = match self.resting.is_none() && self.next_due.is_some_and(|due| due <= now) {
            true => store.patients_due(now, DUE_PER_COMMIT)?,
            false => Vec::new(),
        };
        // The commit under way may have seen to them, or put them off: they are looked at after it, unless
        // they are stepped now all the same.
        due.retain(|patient| work.inputs.contains_key(patient) || !self.is_under_way(patient));
        let old = match self.resting.is_none() && self.forgets <= now {
            true => store.patients_to_forget(now, DUE_PER_COMMIT)?,
            false => Vec::new(),
        };
        if old.len() < DUE_PER_COMMIT {
            self.forgets = self.forgets.max(now.plus_minutes(FORGET_LOOK_MINUTES));
        }
        for patient in old {
            work.inputs.entry(patient).or_default();
        }
        for patient in due.into_iter().chain(complete) {
            work.told.insert(patient.clone());
            work.inputs.entry(patient).or_default();
        }
        let (commit, told, current) = self.step_all(work)?;
        Ok(Prepared {
            commit,
            answers,
            told,
            current,
        })
    }

    /// Step every patient of `work`: the one commit, what is told after it, and the versions that it leaves.
    pub(super) fn step_all(&mut self, work: Work<'_>) -> Result<(Commit, Told, Current), StoreError> {
        let Work {
            mut commit,
            inputs,
            now,
            untold,
            told: new,
            current,
            ..
        } = work;
        let mut told = Told::default();
        for (_, rows) in &commit.set_aside {
            told.refused.extend(rows.iter().map(|row| row.reason));
        }
        for (patient, inputs) in inputs {
            let tell = new.contains(&patient) || !untold.contains(&patient);
            self.step(patient, Turn { inputs, tell, now }, &mut commit, &mut told)?;
        }
        Ok((commit, told, current))
    }

    /// Step one patient and add what changed to the commit.
    fn step(
        &mut self,
        patient: PatientKey,
        turn: Turn,
        commit: &mut Commit,
        told: &mut Told,
    ) -> Result<(), StoreError> {
        let Turn { inputs, tell, now } = turn;
        let mut state = match self.patients.take(&patient) {
            Some(state) => state,
            None => {
                // Let go of since: its rows are not all there before the commit under way stands.
                if self.is_under_way(&patient) {
                    self.settle()?;
                }
                self.store.load_patient(&patient)?
            }
        };
        let settings = Arc::clone(&self.settings);
        let sheet = settings.sheets.for_patient(birth_date(&state, &inputs), now);
        let held = match self.outlets.watched {
            Some(_) => self.awaited.until(&patient, &state, &inputs, now),
            None => None,
        };
        let step = match held {
            Some(latest) if tell => step_held(&mut state, inputs, sheet, settings.policy, now, latest),
            _ if tell => step(&mut state, inputs, sheet, settings.policy, now),
            _ => step_untold(&mut state, inputs, sheet, settings.policy, now),
        };
        let moved = |source: &String| {
            let slot = state.slots.get(source);
            slot.is_some_and(|slot| slot.withdrawn == Some(Withdrawal::MovedToAnotherPatient))
        };
        // What moved away is shown where it went, with what is wrong with it there.
        for (source, refusals) in step.refusals.iter().filter(|(source, _)| !moved(source)) {
            let rows = set_aside_rows(source, Some(&patient), refusals, now);
            told.refused.extend(rows.iter().map(|row| row.reason));
            commit.set_aside.push((source.clone(), rows));
        }
        self.write(&step, &patient, &settings.context(sheet), now, commit, told);
        let label = state.label.clone().unwrap_or_else(|| patient.0.clone());
        if step.history.is_empty() && !step.slots.is_empty() {
            // Open pages redraw; there is nothing to announce.
            told.events.push(LiveEvent {
                patient: patient.clone(),
                at: now,
                text: String::new(),
            });
        }
        for line in &step.history {
            let text = format!("{label} · {}", history_words(line));
            told.events.push(LiveEvent {
                patient: patient.clone(),
                at: now,
                text,
            });
        }
        if step.standing.len() + step.concerns.len() > 0 || held.is_some() {
            told.watched.push(patient.clone());
        }
        let unneeded = retention::forget_unneeded(&mut state, sheet, self.unwatched_hours, now);
        let mut change = changes(&state, &step, now);
        change.forgotten.extend(unneeded.iter().cloned());
        commit.patients.push(change);
        for source in unneeded {
            commit.set_aside.push((source.clone(), Vec::new()));
            commit.unneeded.push((patient.clone(), source));
        }
        let forget_at = retention::forget_at(&state, sheet, self.unwatched_hours, now);
        commit.forget_at.push((patient, forget_at));
        self.patients.put(state);
        Ok(())
    }

    /// Drafts → checked resources → derived rows and outbox entries.
    fn write(
        &self,
        step: &Step,
        patient: &PatientKey,
        context: &MessageContext,
        now: Instant,
        commit: &mut Commit,
        told: &mut Told,
    ) {
        let mut group = Vec::new();
        for effect in &step.effects {
            let draft = match effect {
                Effect::Publish(draft) => Draft::Delta(draft),
                Effect::Retract(draft) => Draft::Retract(draft),
                Effect::Notify(draft) => {
                    told.messages.push((draft.occasion, draft.tier));
                    Draft::Message(draft)
                }
                Effect::Ask(question) => {
                    told.questions.push(question.clone());
                    continue;
                }
            };
            match build::resource(draft, context, self.validator) {
                Ok(resource) => {
                    if self.settings.deliver && self.settings.mode == crate::outbox::context::Mode::Live {
                        group.push(outbox_entry(resource.clone(), patient, now));
                    }
                    commit.derived.push(derived_row(resource, Some(patient), now));
                }
                Err(error) => {
                    // A defect of ours: it must be seen (among the stopped messages), and must not
                    // hold back the rest.
                    tracing::error!(%error, "a derived resource failed its own check and was stopped");
                    self.outlets.metrics.invalid_resource();
                    commit.outbox.push(vec![stopped_entry(error, patient, now)]);
                }
            }
        }
        if !group.is_empty() {
            told.queued = true;
            commit.outbox.push(group);
        }
    }
}

/// When the writer says that a commit has ended; never without one.
async fn woken(writer: Option<Arc<Notify>>) {
    match writer {
        Some(writer) => writer.notified().await,
        None => std::future::pending().await,
    }
}

/// The birth date as the step will have it: one that arrives in this very step already chooses the sheet.
fn birth_date<'s>(state: &'s State, inputs: &'s [Input]) -> Option<&'s str> {
    let arrives = inputs.iter().rev().find_map(|input| match input {
        Input::Person { birth_date, .. } => Some(birth_date),
        _ => None,
    });
    arrives.unwrap_or(&state.birth_date).as_deref()
}
