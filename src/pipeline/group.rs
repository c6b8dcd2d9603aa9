//! One commit after the other: each is prepared on top of the one before, which may still be under way,
//! and begun only when that one stands. What fails takes with it what was prepared on top of it.

use super::awaited::Awaited;
use super::engine::Engine;
use super::outlets::Told;
use super::work::Current;
use super::writer::{Desk, Ended, Ready, Reply, Writer};
use crate::fhir::Instant;
use crate::recognise::reading::PatientKey;
use crate::source::intake::{Answer, IntakeError, Submission};
use crate::store::{Commit, StoreError};
use std::collections::{BTreeSet, HashSet};
use std::sync::Arc;

/// A commit that the writer has, as far as the next one is prepared on top of it.
pub(super) struct UnderWay {
    /// Current versions as it leaves them.
    pub(super) current: Arc<Current>,
    /// Whose rows it writes.
    pub(super) patients: HashSet<PatientKey>,
    /// So many batches were answered with it.
    pub(super) batches: usize,
    /// It takes rows away: nothing is prepared before it stands.
    pub(super) alone: bool,
    pub(super) promised: Promised,
}

/// What a commit holds, and what follows from it.
pub(super) struct Prepared {
    pub(super) commit: Commit,
    pub(super) answers: Vec<Vec<Answer>>,
    pub(super) told: Told,
    pub(super) current: Current,
}

/// What a commit changes of whom is told of later.
#[derive(Default)]
pub(super) struct Promised {
    /// Patients of whom only the past was read so far.
    pub(super) added: Vec<PatientKey>,
    /// Patients who are told of in this commit.
    pub(super) told: BTreeSet<PatientKey>,
}

impl Engine {
    /// One commit for everything in `group` and for the timers that fell due: prepared here while the one
    /// before it is still under way, and begun once that one stands.
    pub(super) fn commit_group(&mut self, group: Vec<Submission>) {
        let started = std::time::Instant::now();
        let (batches, replies): (Vec<_>, Vec<_>) = group.into_iter().map(|one| (one.batch, one.reply)).unzip();
        let alone = self.forgets <= (self.clock)() || self.under_way.as_ref().is_some_and(|one| one.alone);
        if alone {
            // If it failed, that was said and answered, and nothing was made on top of it.
            let _ = self.settle();
        }
        let prepared = self.work(batches);
        // It was made on top of the one before, and falls with it.
        match self.settle().and(prepared) {
            Ok(prepared) => self.begin(prepared, replies, started),
            Err(error) => {
                self.take_back();
                self.lost(&error, replies);
                self.look_for_timer();
            }
        }
    }

    /// Commit, by the writer where there is one.
    fn begin(&mut self, prepared: Prepared, replies: Vec<Reply>, started: std::time::Instant) {
        let Prepared {
            commit,
            answers,
            told,
            current,
        } = prepared;
        let promised = std::mem::take(&mut self.promised);
        let patients = commit.patients.iter().map(|change| change.patient.clone());
        let under_way = UnderWay {
            current: Arc::new(current),
            patients: patients.collect(),
            batches: replies.len(),
            alone: !commit.unneeded.is_empty() || !commit.refiled.is_empty(),
            promised,
        };
        let ready = Box::new(Ready {
            commit,
            answers,
            replies,
            told,
            started,
        });
        let ready = match &self.writer {
            Some(writer) => match writer.begin(ready) {
                Ok(()) => {
                    self.under_way = Some(under_way);
                    return;
                }
                Err(returned) => {
                    self.writer = None;
                    returned
                }
            },
            None => ready,
        };
        let desk = Desk::new(Arc::clone(&self.store), self.outlets.clone(), None);
        // What failed was said and answered.
        let _ = self.ended(desk.finish(*ready), under_way.promised);
    }

    /// Wait for the commit under way.
    ///
    /// # Errors
    /// When it failed; what was prepared on top of it must not be committed.
    pub(super) fn settle(&mut self) -> Result<(), StoreError> {
        match (self.under_way.take(), &self.writer) {
            (Some(one), Some(writer)) => {
                let ended = writer.wait();
                self.ended(ended, one.promised)
            }
            _ => Ok(()),
        }
    }

    /// See to the commit under way if it has ended.
    pub(super) fn look_whether_ended(&mut self) {
        let ended = self.writer.as_ref().and_then(Writer::ended);
        if let Some(ended) = ended
            && let Some(one) = self.under_way.take()
        {
            // What failed was said and answered.
            let _ = self.ended(ended, one.promised);
        }
    }

    /// Draw the consequences of how a commit ended.
    fn ended(&mut self, ended: Ended, promised: Promised) -> Result<(), StoreError> {
        let result = match ended {
            Ok(()) => {
                self.went_through();
                Ok(())
            }
            Err((error, replies)) => {
                // First what was prepared on top of it.
                self.take_back();
                self.promised = promised;
                self.take_back();
                self.lost(&error, replies);
                // Its thread has panicked: from here on the engine commits by itself, and ends if it has to
                // do the same.
                self.writer.take_if(|writer| writer.is_gone());
                Err(error)
            }
        };
        self.look_for_timer();
        result
    }

    /// Nothing of a commit stands.
    fn lost(&mut self, error: &StoreError, replies: Vec<Reply>) {
        // What is in memory may be ahead of the store now: forget it, it is read again.
        self.patients.clear();
        // Whose birth date was to be asked for was not told to anybody.
        self.awaited = Awaited::default();
        self.outlets.metrics.failed_commit();
        self.failed(error);
        for reply in replies {
            let _ = reply.send(match mutated!(AcknowledgedUncommitted) {
                true => Ok(Vec::new()),
                false => Err(IntakeError::Store(error.to_string())),
            });
        }
    }

    /// When the first timer falls due now.
    fn look_for_timer(&mut self) {
        match self.store.next_due() {
            Ok(due) => self.next_due = due,
            Err(error) => {
                // What was read before may be later than what this commit set: look at the next turn.
                self.next_due = Some(Instant::from_millis(i64::MIN));
                tracing::error!(%error, "the next timer could not be read; it is tried again");
            }
        }
    }

    /// A commit that failed takes back whom it promised to tell of.
    pub(super) fn take_back(&mut self) {
        let Promised { added, told } = std::mem::take(&mut self.promised);
        self.untold.extend(told);
        for patient in added {
            self.untold.remove(&patient);
        }
    }

    /// Does the commit under way write rows of this patient?
    pub(super) fn is_under_way(&self, patient: &PatientKey) -> bool {
        self.under_way
            .as_ref()
            .is_some_and(|one| one.patients.contains(patient))
    }
}
