//! The door between any source and the engine: a bounded queue of batches, each answered after
//! the commit.

use crate::fhir::Instant;
use crate::recognise::reading::{PatientKey, Version};
use std::sync::Arc;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc, oneshot};

/// What is to be done with one resource.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Operation {
    /// Store this body (JSON text of one resource) as the current version.
    Put(String),
    /// The resource was deleted at its source.
    Delete,
}

/// Who sets version and lastUpdated.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Versioning {
    /// We are the server (REST intake): the engine counts versions, an unchanged body makes none.
    Ours,
    /// The resource's own meta says (polling, files): older versions than the one held are ignored.
    Theirs,
}

/// One resource on its way in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Incoming {
    /// Resource type: `Observation`, `Procedure`, `Patient`.
    pub resource_type: String,
    /// Logical id at its source.
    pub id: String,
    /// What to do.
    pub operation: Operation,
    /// Whose versions count.
    pub versioning: Versioning,
    /// REST `If-Match`: the versionId that must be current, else `Answer::VersionConflict`.
    pub if_match: Option<String>,
}

/// Where a polling source stands; committed together with what it read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CursorUpdate {
    /// Name of the cursor (one per poll query or patient).
    pub name: String,
    /// Newest lastUpdated seen from the server (never our own clock).
    pub position: Instant,
}

/// An answer to a question for earlier diastolics (`pipeline::engine::Ask`).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AskAnswered {
    /// The patient whose diastolics were asked for.
    pub patient: PatientKey,
    /// The compartment reading's source (`Observation/abc`).
    pub source: String,
}

/// Something that a source sent in the place of a resource and that cannot be filed as one (no
/// usable id, a head of the wrong types): kept and shown, never used.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UnreadableEntry {
    /// A stable made-up name: `Observation/abc?<16 hex digits of the SHA-256 of the body>`, without
    /// the id where none can be read.
    pub source: String,
    /// Its text as sent.
    pub body: String,
    /// What is wrong with it.
    pub detail: String,
}

/// What a source hands over at once.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Batch {
    /// In the order in which they are to be applied.
    pub items: Vec<Incoming>,
    /// True for a FHIR transaction: one refused item refuses all.
    pub atomic: bool,
    /// Moved in the same commit.
    pub cursors: Vec<CursorUpdate>,
    /// Questions that these items answer.
    pub answered: Vec<AskAnswered>,
    /// Kept as set aside; answers do not count them.
    pub unreadable: Vec<UnreadableEntry>,
    /// Part of a long history that is being read: to be computed and shown, and told of only once a
    /// batch without this flag comes (the source sends one at the end, if need be an empty one).
    pub history: bool,
    /// What stands beside the readings (Procedures, polled on their own): it ends no history, and
    /// while a patient's is being read, it is told of with it.
    pub aside: bool,
}

/// What became of one item, after the commit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answer {
    /// A new resource.
    Created(Version),
    /// A new version of a known one.
    Updated(Version),
    /// The same content again: nothing changed.
    Unchanged(Version),
    /// Deleted now, or deleted before.
    Deleted,
    /// A delete of something never seen.
    NotFound,
    /// `If-Match` named another version; the current one is given when there is one.
    VersionConflict(Option<Version>),
    /// The item was refused (not JSON, resource type or id not as said). Nothing was stored.
    Refused(String),
    /// Another item of the atomic batch was refused, so this one was not applied.
    NotApplied,
}

/// Why a batch as a whole got no answer.
#[derive(Debug, thiserror::Error)]
pub enum IntakeError {
    /// The queue is full: try again after a second.
    #[error("the intake queue is full ({0} batches wait); send again after a second")]
    Busy(usize),
    /// What waits is too much to be held in memory: try again after a second.
    #[error("too much waits to be stored (the limit is {0} bytes); send again after a second")]
    Full(usize),
    /// The store cannot commit; nothing was kept.
    #[error("the store could not commit: {0}; nothing of this batch was kept, send it again")]
    Store(String),
    /// The engine has stopped.
    #[error("the service is shutting down; send the batch again after its restart")]
    Stopped,
}

/// One batch waiting for the engine.
pub struct Submission {
    /// The batch.
    pub batch: Batch,
    /// Where its answers go.
    pub reply: oneshot::Sender<Result<Vec<Answer>, IntakeError>>,
}

/// Bytes of batches that wait, when nobody says otherwise (64 MiB).
pub const MAX_WAITING_BYTES: usize = 64 * 1024 * 1024;
/// What one item takes beside its body, roughly.
const ITEM_BYTES: usize = 256;

/// The sending side; cheap to clone.
#[derive(Clone)]
pub struct Intake {
    sender: mpsc::Sender<Submission>,
    /// Free bytes.
    room: Arc<Semaphore>,
    max_bytes: usize,
}

impl Intake {
    /// A queue of at most `limit` batches and its receiving end (for the engine).
    pub fn new(limit: usize) -> (Self, mpsc::Receiver<Submission>) {
        Self::bounded(limit, MAX_WAITING_BYTES)
    }

    /// The same with a bound on the bytes of all batches that wait for their commit. A batch that is
    /// larger by itself waits until it is alone.
    pub fn bounded(limit: usize, max_bytes: usize) -> (Self, mpsc::Receiver<Submission>) {
        let (sender, receiver) = mpsc::channel(limit);
        // Permits are counted in 32 bits.
        let max_bytes = max_bytes.clamp(1, u32::MAX as usize);
        let room = Arc::new(Semaphore::new(max_bytes));
        (
            Self {
                sender,
                room,
                max_bytes,
            },
            receiver,
        )
    }

    /// Permits for a batch.
    fn size(&self, batch: &Batch) -> u32 {
        let items = batch.items.iter().map(|item| match &item.operation {
            Operation::Put(body) => body.len(),
            Operation::Delete => 0,
        });
        let unreadable = batch.unreadable.iter().map(|entry| entry.body.len());
        let bytes = items.chain(unreadable).fold(0, |sum: usize, bytes| {
            sum.saturating_add(bytes).saturating_add(ITEM_BYTES)
        });
        u32::try_from(bytes.min(self.max_bytes)).unwrap_or(u32::MAX)
    }

    /// Submit and wait for the commit. A full queue is refused at once (REST answers 503).
    ///
    /// # Errors
    /// `Busy`, `Full`, `Store` or `Stopped`; in each case nothing of the batch is kept.
    pub async fn submit(&self, batch: Batch) -> Result<Vec<Answer>, IntakeError> {
        let room = Arc::clone(&self.room).try_acquire_many_owned(self.size(&batch));
        let _held_until_the_commit: OwnedSemaphorePermit = room.map_err(|_| IntakeError::Full(self.max_bytes))?;
        let (reply, answer) = oneshot::channel();
        self.sender
            .try_send(Submission { batch, reply })
            .map_err(|error| match error {
                mpsc::error::TrySendError::Full(_) => IntakeError::Busy(self.sender.max_capacity()),
                mpsc::error::TrySendError::Closed(_) => IntakeError::Stopped,
            })?;
        answer.await.unwrap_or(Err(IntakeError::Stopped))
    }

    /// As `submit`, but waits for room: for pollers, which can simply slow down.
    ///
    /// # Errors
    /// `Store` or `Stopped`.
    pub async fn submit_when_room(&self, batch: Batch) -> Result<Vec<Answer>, IntakeError> {
        let room = Arc::clone(&self.room).acquire_many_owned(self.size(&batch)).await;
        let _held_until_the_commit = room.map_err(|_| IntakeError::Stopped)?;
        let (reply, answer) = oneshot::channel();
        self.sender
            .send(Submission { batch, reply })
            .await
            .map_err(|_| IntakeError::Stopped)?;
        answer.await.unwrap_or(Err(IntakeError::Stopped))
    }
}
