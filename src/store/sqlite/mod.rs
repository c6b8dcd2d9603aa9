//! The embedded store: one SQLite file. One connection writes, behind a mutex, each write a named
//! IMMEDIATE transaction; a few read-only connections read beside it (WAL). `synchronous=FULL`:
//! in WAL mode anything less may lose the last commits when the power fails
//! (<https://www.sqlite.org/pragma.html#pragma_synchronous>), and a commit is a promise here.

mod checkpoint;
mod copy;
#[cfg(test)]
mod disk_tests;
mod forget;
mod index;
mod lock;
mod outbox;
mod place;
mod read;
mod rows;
mod schema;
mod search;
mod sound;
mod write;

pub use copy::backup;

use super::records::{
    Commit, Counts, DerivedRow, EventRow, InputRow, OutboxEntry, OutboxState, SearchPage, SearchQuery, SetAsideRow,
    Settlement,
};
use super::{Store, StoreError};
use crate::fhir::Instant;
use crate::patient::state::{State, StateRow};
use crate::recognise::reading::PatientKey;
use checkpoint::Checkpointer;
use place::Place;
use rows::Fault;
use rusqlite::{Connection, OpenFlags, Transaction, TransactionBehavior};
use sound::{Found, Watch};
use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, TryLockError};
use std::time::Duration;

/// Read-only connections: the page, `/fhir` and delivery read at the same time.
const READERS: usize = 3;
/// How long a statement waits for a lock of another connection (a checkpoint, a backup tool).
const BUSY_TIMEOUT: Duration = Duration::from_secs(5);
/// Prepared statements kept per connection; more than there are fixed statements.
const CACHED_STATEMENTS: usize = 96;
/// The WAL file is cut back to this size after a checkpoint, bytes.
const WAL_BYTES_MAX: u64 = 64 * 1024 * 1024;
/// Pages (of 4 KiB) in the WAL file after which a commit itself copies them into the database, when
/// that was not done beside it.
const CHECKPOINT_PAGES: i64 = 32_768;
/// Memory for pages of the writer, KiB: a commit touches a page of most indexes, and should find it here.
const WRITER_CACHE_KIB: i64 = 32 * 1024;

/// A file up to this size is seen whole before anything else happens, however long that takes.
const CHECKED_WHOLE_BYTES: u64 = 64 * 1024 * 1024;
/// How long the check of a larger file may hold up the start; what it has not seen by then is looked
/// at beside the work.
const CHECK_BUDGET: Duration = Duration::from_millis(700);

/// The store in one SQLite file. Safe to call from any number of threads; calls block.
pub struct SqliteStore {
    /// Copies the WAL file into the database; None in memory and for looking only.
    checkpointer: Option<Checkpointer>,
    writer: Arc<Mutex<Connection>>,
    /// Empty for a store in memory: then the writer reads too.
    readers: Vec<Mutex<Connection>>,
    turn: AtomicUsize,
    /// The file's name, for errors.
    path: String,
    /// A check that goes on, and what it found; None when the file was seen whole at start.
    watch: Option<Watch>,
    /// Where its files are; None in memory and for looking only.
    place: Option<Place>,
    /// Holds the advisory lock as long as the store lives; None in memory.
    _guard: Option<File>,
}

impl SqliteStore {
    /// Open the file, creating it (readable by its owner only) when absent, and bring its schema
    /// up to this program's, all in one transaction; a file of an older schema is first copied to
    /// `<path>.before-schema-N`. Its folder must exist. `<path>.lock` is locked as long as the store
    /// lives, so that two processes never deliver the same outbox; the lock falls with the
    /// process, the file stays and may be deleted when no process runs.
    ///
    /// # Errors
    /// `InUse` when another process holds the lock, `Newer` when a newer program wrote the file (it
    /// is left untouched), `Corrupt`, `ReadOnly`, `Full`, `Disk` or `Open` when it cannot be used,
    /// `Copy` when there is no room for the copy before a migration.
    pub fn open(path: impl AsRef<Path>) -> Result<Self, StoreError> {
        let path = path.as_ref();
        place::refuse_orphaned_wal(path)?;
        lock::owner_only(path)?;
        // By its one true name: a link to the file must meet the same lock.
        let path = &true_name(path)?;
        let guard = lock::hold(path)?;
        let name = path.display().to_string();
        let failed = |error: rusqlite::Error| StoreError::of_sqlite(&error, &name, "be opened");
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let mut writer = Connection::open_with_flags(path, flags).map_err(failed)?;
        settle(&writer).map_err(failed)?;
        let found = schema::found(&writer, &name)?;
        let small = std::fs::metadata(path).is_ok_and(|file| file.len() <= CHECKED_WHOLE_BYTES);
        let budget = if small { Duration::MAX } else { CHECK_BUDGET };
        let sound = sound::check(&writer, budget).map_err(failed)?;
        if let Found::Fault(cause) = sound {
            return Err(StoreError::Corrupt { path: name, cause });
        }
        durable(&writer).map_err(failed)?;
        if found > 0 && found < schema::known() {
            let copy = schema::copy_path(path);
            copy::into(&writer, &name, &copy, true)?;
            tracing::info!(from = found, to = schema::known(), copy = %copy.display(), "the store is brought up to date; a copy is kept");
        }
        schema::migrate(&mut writer, &name)?;
        let reader = || open_reader(path).map_err(failed);
        let readers: Result<Vec<_>, _> = (0..READERS).map(|_| reader().map(Mutex::new)).collect();
        let watch = match sound {
            Found::Unfinished => Some(Watch::start(reader()?)),
            _ => None,
        };
        let beside = Connection::open_with_flags(path, flags).map_err(failed)?;
        settle(&beside).and_then(|()| durable(&beside)).map_err(failed)?;
        let writer = Arc::new(Mutex::new(writer));
        let mut store = Self {
            checkpointer: Some(Checkpointer::start(beside, Arc::clone(&writer))),
            writer,
            readers: readers?,
            turn: AtomicUsize::new(0),
            path: name,
            watch,
            place: None,
            _guard: Some(guard),
        };
        store.probe_writable()?;
        store.place = Some(Place::of(path)?);
        Ok(store)
    }

    /// The store for looking only, while nothing else uses it: every write fails as `ReadOnly`.
    /// A running service would change it under the eyes; look at a [`backup`] then.
    ///
    /// # Errors
    /// `InUse` when another process holds the lock, `Older` and `Newer` when its schema is not this
    /// program's, `Open`, `Corrupt` or `Disk` when it cannot be read.
    pub fn open_to_read(path: impl AsRef<Path>) -> Result<Self, StoreError> {
        let path = path.as_ref();
        let path = &true_name(path)?;
        let guard = lock::hold(path)?;
        let name = path.display().to_string();
        let reader = open_reader(path).map_err(|error| StoreError::of_sqlite(&error, &name, "be opened"))?;
        schema::refuse_older(&reader, &name)?;
        Ok(Self {
            checkpointer: None,
            writer: Arc::new(Mutex::new(reader)),
            readers: Vec::new(),
            turn: AtomicUsize::new(0),
            path: name,
            watch: None,
            place: None,
            _guard: Some(guard),
        })
    }

    /// Every page and row of the file, compared with its indexes. Takes as long as reading the file
    /// does.
    ///
    /// # Errors
    /// `Corrupt` with the first fault, or what keeps the file from being read.
    pub fn sound(&self) -> Result<(), StoreError> {
        let line: String = self.query("check its pages", |tx| {
            Ok(tx.query_row("PRAGMA integrity_check(1)", [], |row| row.get(0))?)
        })?;
        match line.as_str() {
            "ok" => Ok(()),
            _ => Err(StoreError::Corrupt {
                path: self.path.clone(),
                cause: line,
            }),
        }
    }

    /// A store that is gone when it is dropped: for the demonstration and for tests. One
    /// connection serves reads and writes.
    ///
    /// # Errors
    /// `Open` or `Statement` when SQLite has no memory for it.
    pub fn in_memory() -> Result<Self, StoreError> {
        const NAME: &str = ":memory:";
        let failed = |error: rusqlite::Error| StoreError::of_sqlite(&error, NAME, "be opened");
        let mut writer = Connection::open_in_memory().map_err(failed)?;
        settle(&writer).map_err(failed)?;
        schema::migrate(&mut writer, NAME)?;
        Ok(Self {
            checkpointer: None,
            writer: Arc::new(Mutex::new(writer)),
            readers: Vec::new(),
            turn: AtomicUsize::new(0),
            path: NAME.to_owned(),
            watch: None,
            place: None,
            _guard: None,
        })
    }

    /// One named write: an IMMEDIATE transaction, committed when `work` succeeds, else rolled back.
    fn write<T>(
        &self,
        action: &'static str,
        work: impl FnOnce(&Transaction<'_>) -> Result<T, Fault>,
    ) -> Result<T, StoreError> {
        if let Some(cause) = self.watch.as_ref().and_then(Watch::fault) {
            return Err(StoreError::Corrupt {
                path: self.path.clone(),
                cause: cause.clone(),
            });
        }
        let mut connection = locked(&self.writer);
        if let Some(place) = &self.place {
            place.look()?;
        }
        let attempt = || {
            let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let value = work(&transaction)?;
            transaction.commit()?;
            Ok(value)
        };
        let done = attempt().map_err(|fault: Fault| fault.during(action, &self.path))?;
        if let Some(checkpointer) = &self.checkpointer {
            checkpointer.written();
        }
        Ok(done)
    }

    /// One named read: everything in it sees the same moment of the database.
    fn query<T>(
        &self,
        action: &'static str,
        work: impl FnOnce(&Transaction<'_>) -> Result<T, Fault>,
    ) -> Result<T, StoreError> {
        let mut connection = self.reader();
        let attempt = || {
            let transaction = connection.transaction()?;
            let value = work(&transaction)?;
            transaction.commit()?;
            Ok(value)
        };
        attempt().map_err(|fault: Fault| fault.during(action, &self.path))
    }

    /// [`SqliteStore::query`] for the engine between its commits: on the writer when it is free, for it
    /// holds the pages that it wrote in memory, while a reader drops its own at every commit of
    /// another connection. One statement needs no transaction, several that are to see one moment do.
    fn query_warm<T>(
        &self,
        action: &'static str,
        work: impl FnOnce(&Connection) -> Result<T, Fault>,
    ) -> Result<T, StoreError> {
        let found = match self.writer.try_lock() {
            Ok(writer) => work(&writer),
            // Left by a panic: the guard is in here, and held like any other.
            Err(TryLockError::Poisoned(writer)) => work(&writer.into_inner()),
            Err(TryLockError::WouldBlock) => work(&self.reader()),
        };
        found.map_err(|fault| fault.during(action, &self.path))
    }

    /// Index what waits now, in parts of `size`; what comes meanwhile is not waited for.
    fn index(&self, leave: u64, size: usize) -> Result<(), StoreError> {
        let mut waiting = self.query_warm("see what is not indexed", index::waiting)?;
        while waiting > leave {
            self.write("index what was received", |tx| index::part(tx, size))?;
            waiting = waiting.saturating_sub(size as u64);
        }
        Ok(())
    }

    /// Index in the writer's memory only, search there, and take it back.
    fn search_unwritten(&self, query: &SearchQuery) -> Result<SearchPage, StoreError> {
        let mut connection = locked(&self.writer);
        let mut attempt = || {
            let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            while index::waiting(&transaction)? > 0 {
                index::part(&transaction, index::PART)?;
            }
            let page = search::search(&transaction, query)?;
            transaction.rollback()?;
            Ok(page)
        };
        attempt().map_err(|fault: Fault| fault.during("search", &self.path))
    }

    /// A free reader; when none is free, wait for one, taking turns.
    fn reader(&self) -> MutexGuard<'_, Connection> {
        if self.readers.is_empty() {
            return locked(&self.writer);
        }
        for reader in &self.readers {
            if let Ok(free) = reader.try_lock() {
                return free;
            }
        }
        let turn = self.turn.fetch_add(1, Ordering::Relaxed);
        locked(&self.readers[turn % self.readers.len()])
    }
}

/// A panic of another thread has rolled its transaction back while unwinding, so the connection
/// behind a poisoned mutex is sound.
fn locked(connection: &Mutex<Connection>) -> MutexGuard<'_, Connection> {
    connection.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The file's one name, whatever links lead to it.
fn true_name(path: &Path) -> Result<PathBuf, StoreError> {
    path.canonicalize().map_err(|error| StoreError::Open {
        path: path.display().to_string(),
        cause: error.to_string(),
    })
}

fn open_reader(path: &Path) -> rusqlite::Result<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let reader = Connection::open_with_flags(path, flags)?;
    settle(&reader)?;
    Ok(reader)
}

/// Settings of every connection. Sorting happens in memory: no patient data in temporary files.
fn settle(connection: &Connection) -> rusqlite::Result<()> {
    connection.busy_timeout(BUSY_TIMEOUT)?;
    connection.set_prepared_statement_cache_capacity(CACHED_STATEMENTS);
    connection.pragma_update(None, "foreign_keys", true)?;
    connection.pragma_update(None, "temp_store", "MEMORY")
}

/// Settings of the writer of a file.
fn durable(writer: &Connection) -> rusqlite::Result<()> {
    writer.pragma_update(None, "journal_mode", "WAL")?;
    writer.pragma_update(None, "synchronous", "FULL")?;
    writer.pragma_update(None, "journal_size_limit", WAL_BYTES_MAX.cast_signed())?;
    writer.pragma_update(None, "wal_autocheckpoint", CHECKPOINT_PAGES)?;
    // A negative number is KiB (<https://www.sqlite.org/pragma.html#pragma_cache_size>).
    writer.pragma_update(None, "cache_size", -WRITER_CACHE_KIB)
}

impl Store for SqliteStore {
    fn load_patient(&self, patient: &PatientKey) -> Result<State, StoreError> {
        self.query_warm("load a patient", |connection| {
            let transaction = connection.unchecked_transaction()?;
            read::patient(&transaction, patient)
        })
    }

    fn input(&self, resource_type: &str, id: &str) -> Result<Option<InputRow>, StoreError> {
        self.query_warm("read an input", |tx| read::input(tx, resource_type, id))
    }

    fn inputs(&self, addresses: &[(&str, &str)]) -> Result<Vec<Option<InputRow>>, StoreError> {
        // One transaction for all of them: to begin one costs more than to look one up.
        self.query_warm("read inputs", |connection| {
            let transaction = connection.unchecked_transaction()?;
            let input = |(resource_type, id): &(&str, &str)| read::input(&transaction, resource_type, id);
            addresses.iter().map(input).collect()
        })
    }

    fn commit(&self, commit: &Commit) -> Result<(), StoreError> {
        self.write("commit", |tx| write::commit(tx, commit))
    }

    fn patients_due(&self, now: Instant, limit: usize) -> Result<Vec<PatientKey>, StoreError> {
        self.query_warm("list the patients due", |tx| read::patients_due(tx, now, limit))
    }

    fn patients_to_forget(&self, now: Instant, limit: usize) -> Result<Vec<PatientKey>, StoreError> {
        self.query_warm("list the patients with something to forget", |tx| {
            read::patients_to_forget(tx, now, limit)
        })
    }

    fn next_due(&self) -> Result<Option<Instant>, StoreError> {
        self.query_warm("find the next patient due", read::next_due)
    }

    fn inputs_after(&self, after: Option<(&str, &str)>, limit: usize) -> Result<Vec<InputRow>, StoreError> {
        self.query("list inputs", |tx| read::inputs_after(tx, after, limit))
    }

    fn patients_after(&self, after: Option<&PatientKey>, limit: usize) -> Result<Vec<PatientKey>, StoreError> {
        self.query("list the patients", |tx| read::patients_after(tx, after, limit))
    }

    fn meta(&self, key: &str) -> Result<Option<String>, StoreError> {
        self.query("read a meta value", |tx| read::meta(tx, key))
    }

    fn cursor(&self, name: &str) -> Result<Option<Instant>, StoreError> {
        self.query("read a cursor", |tx| read::cursor(tx, name))
    }

    fn outbox_due(&self, now: Instant, limit: usize) -> Result<Vec<OutboxEntry>, StoreError> {
        self.query("list the outbox entries due", |tx| outbox::due(tx, now, limit))
    }

    fn outbox_settle(&self, settlements: &[Settlement], now: Instant) -> Result<(), StoreError> {
        self.write("settle outbox entries", |tx| outbox::settle(tx, settlements, now))
    }

    fn remote_reference(&self, identity: &uuid::Uuid) -> Result<Option<String>, StoreError> {
        self.query("read a remote reference", |tx| outbox::remote_reference(tx, identity))
    }

    fn outbox_resend(&self, seq: i64, now: Instant) -> Result<bool, StoreError> {
        self.write("resend an outbox entry", |tx| outbox::resend(tx, seq, now))
    }

    fn outbox_list(&self, state: OutboxState, limit: usize) -> Result<Vec<OutboxEntry>, StoreError> {
        self.query("list outbox entries", |tx| outbox::list(tx, state, limit))
    }

    fn search(&self, query: &SearchQuery) -> Result<SearchPage, StoreError> {
        // A client finds what it wrote.
        if let Err(error) = self.index(0, index::PART) {
            // Also while nothing can be written.
            return self.search_unwritten(query).map_err(|_| error);
        }
        self.query("search", |tx| search::search(tx, query))
    }

    fn read(&self, resource_type: &str, id: &str) -> Result<Option<InputRow>, StoreError> {
        self.query("read a resource", |tx| search::read(tx, resource_type, id))
    }

    fn open_concerns(&self) -> Result<Vec<StateRow>, StoreError> {
        self.query("list the open concerns", read::open_concerns)
    }

    fn watched(&self, since: Instant, limit: usize) -> Result<Vec<PatientKey>, StoreError> {
        self.query("list the watched patients", |tx| read::watched(tx, since, limit))
    }

    fn events(&self, patient: &PatientKey, limit: usize) -> Result<Vec<EventRow>, StoreError> {
        self.query("list the events of a patient", |tx| read::events(tx, patient, limit))
    }

    fn derived(&self, patient: &PatientKey, limit: usize) -> Result<Vec<DerivedRow>, StoreError> {
        self.query("list derived resources", |tx| read::derived(tx, patient, limit))
    }

    fn set_aside(&self, patient: Option<&PatientKey>, limit: usize) -> Result<Vec<SetAsideRow>, StoreError> {
        self.query("list what is set aside", |tx| read::set_aside(tx, patient, limit))
    }

    fn counts(&self) -> Result<Counts, StoreError> {
        self.query("count", read::counts)
    }

    fn probe_writable(&self) -> Result<(), StoreError> {
        self.write("prove that a write can be committed", write::probe)
    }

    fn tidy(&self, idle: bool) -> Result<(), StoreError> {
        match idle {
            true if self.query_warm("see what is not indexed", index::waiting)? > 0 => {
                self.write("index what was received", |tx| index::part(tx, index::PART))
            }
            true => Ok(()),
            false => self.index(index::WAITING_MAX, index::BUSY_PART),
        }
    }

    fn fold(&self) -> Result<(), StoreError> {
        if let Some(place) = &self.place {
            place.look()?;
        }
        // Each reader lets go of its snapshot first.
        let _readers: Vec<_> = self.readers.iter().map(locked).collect();
        let folded = locked(&self.writer).query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()));
        folded.map_err(|error| Fault::from(error).during("fold the WAL file into the store", &self.path))
    }
}
