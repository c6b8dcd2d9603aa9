//! What the engine tells the rest of the service once a commit has gone through.

use crate::outbox::draft::Occasion;
use crate::patient::Question;
use crate::recognise::Reason;
use crate::recognise::reading::PatientKey;
use crate::rules::Tier;
use crate::server::{Health, LiveEvent, Metrics};
use std::sync::Arc;
use tokio::sync::{Notify, broadcast, mpsc};

/// What the engine tells the rest of the service after a commit.
#[derive(Clone)]
pub struct Outlets {
    /// Open pages, the demo's printout.
    pub events: broadcast::Sender<LiveEvent>,
    /// Counters.
    pub metrics: Arc<Metrics>,
    /// Signs of life.
    pub health: Arc<Health>,
    /// Questions to the source; None when nobody can be asked.
    pub questions: Option<mpsc::Sender<Question>>,
    /// Patients with a compartment reading whose Patient resource may be fetched.
    pub watched: Option<mpsc::Sender<PatientKey>>,
    /// Wakes the delivery.
    pub outbox: Arc<Notify>,
}

/// What a commit made known, told after it.
#[derive(Default)]
pub(super) struct Told {
    pub(super) events: Vec<LiveEvent>,
    pub(super) questions: Vec<Question>,
    pub(super) messages: Vec<(Occasion, Option<Tier>)>,
    pub(super) refused: Vec<Reason>,
    pub(super) queued: bool,
    pub(super) watched: Vec<PatientKey>,
}

impl Outlets {
    /// Tell of a commit that went through.
    pub(super) fn tell(&self, told: Told) {
        for event in told.events {
            // Nobody listening is not an error.
            let _ = self.events.send(event);
        }
        for (occasion, tier) in told.messages {
            self.metrics.message(occasion, tier);
        }
        for reason in told.refused {
            self.metrics.set_aside(reason);
        }
        if let Some(questions) = &self.questions {
            for question in told.questions {
                // A full queue means that the source is slow: the deadline decides instead.
                let _ = questions.try_send(question);
            }
        }
        if let Some(watched) = &self.watched {
            for patient in told.watched {
                let _ = watched.try_send(patient);
            }
        }
        if told.queued {
            self.outbox.notify_one();
        }
    }
}
