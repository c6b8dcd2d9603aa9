//! What only the SQLite file can show.

use super::build::{at, change, derived, entry, input, patient, state};
use deltaward::source::CursorUpdate;
use deltaward::store::{Commit, Counts, OutboxState, SearchQuery, SqliteStore, Store, StoreError};
use rusqlite::Connection;
use serde_json::json;

fn all() -> Commit {
    Commit {
        inputs: vec![input("a", 1, 0, r#"{"value":5.30}"#)],
        patients: vec![change(&state(1))],
        derived: vec![derived(7, 0, json!({"status": "final"}))],
        outbox: vec![vec![entry(1, 1, 0), entry(1, 2, 0)]],
        cursors: vec![CursorUpdate {
            name: "poll".into(),
            position: at(3),
        }],
        meta: vec![("mapping".into(), "1".into())],
        ..Commit::default()
    }
}

#[test]
fn everything_is_there_after_reopening() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let query = SearchQuery {
        resource_type: "Observation".into(),
        count: 10,
        ..SearchQuery::default()
    };
    let store = SqliteStore::open(&path).unwrap();
    store.commit(&all()).unwrap();
    let seen = |store: &SqliteStore| {
        (
            store.load_patient(&patient(1)).unwrap(),
            store.search(&query).unwrap(),
            store.outbox_due(at(9), 10).unwrap(),
            store.counts().unwrap(),
            (store.cursor("poll").unwrap(), store.meta("mapping").unwrap()),
        )
    };
    let before = seen(&store);
    drop(store);
    let store = SqliteStore::open(&path).unwrap();
    assert_eq!(seen(&store), before);
    assert_eq!(before.1.total, 2);
    assert_eq!(before.2.len(), 2);
    // Numbers go on, also of derived versions.
    store.commit(&all()).unwrap();
    assert_eq!(store.derived(&patient(1), 1).unwrap()[0].version, 2);
    assert_eq!(store.outbox_list(OutboxState::Waiting, 1).unwrap()[0].seq, 4);
}

#[test]
fn an_empty_file_is_brought_up_to_date() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    std::fs::write(&path, "").unwrap();
    SqliteStore::open(&path).unwrap().commit(&all()).unwrap();
    let raw = Connection::open(&path).unwrap();
    let version: i64 = raw.pragma_query_value(None, "user_version", |row| row.get(0)).unwrap();
    assert_eq!(version, 5);
    let mode: String = raw.pragma_query_value(None, "journal_mode", |row| row.get(0)).unwrap();
    assert_eq!(mode, "wal");
    let check: String = raw
        .pragma_query_value(None, "integrity_check", |row| row.get(0))
        .unwrap();
    assert_eq!(check, "ok");
    let orphans: i64 = raw
        .query_row("SELECT COUNT(*) FROM pragma_foreign_key_check", [], |row| row.get(0))
        .unwrap();
    assert_eq!(orphans, 0);
}

#[test]
fn a_newer_schema_is_refused_and_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let raw = Connection::open(&path).unwrap();
    raw.pragma_update(None, "user_version", 4711).unwrap();
    let bytes = std::fs::read(&path).unwrap();
    let error = SqliteStore::open(&path).err().unwrap();
    assert!(
        matches!(
            error,
            StoreError::Newer {
                found: 4711,
                known: 5,
                ..
            }
        ),
        "{error}"
    );
    assert_eq!(std::fs::read(&path).unwrap(), bytes);
}

#[test]
fn a_second_opener_is_refused_and_told_which_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let first = SqliteStore::open(&path).unwrap();
    let error = SqliteStore::open(&path).err().unwrap().to_string();
    assert!(
        error.contains("store.db.lock") && error.contains("stop that process first"),
        "{error}"
    );
    drop(first);
    SqliteStore::open(&path).unwrap();
}

#[test]
fn what_cannot_be_opened_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let absent = folder.path().join("absent").join("store.db");
    assert!(matches!(SqliteStore::open(&absent), Err(StoreError::Open { .. })));
    let other = folder.path().join("other.txt");
    std::fs::write(&other, "no database, only a long enough text. ".repeat(40)).unwrap();
    assert!(matches!(SqliteStore::open(&other), Err(StoreError::Corrupt { .. })));
}

/// The last table but one that a commit writes fails: nothing of what was written before stays.
#[test]
fn a_failure_late_in_a_commit_leaves_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let store = SqliteStore::open(&path).unwrap();
    let raw = Connection::open(&path).unwrap();
    raw.execute_batch(
        "CREATE TRIGGER full BEFORE INSERT ON cursors BEGIN SELECT RAISE(ABORT, 'the disk is full'); END",
    )
    .unwrap();
    let error = store.commit(&all()).unwrap_err();
    assert_eq!(error.to_string(), "the store could not commit: the disk is full");
    assert_eq!(store.counts().unwrap(), Counts::default());
    for table in [
        "inputs",
        "slots",
        "standing",
        "concerns",
        "derived",
        "derived_versions",
        "resources",
        "outbox",
    ] {
        let rows: i64 = raw
            .query_row(&format!("SELECT COUNT(*) FROM {table}"), [], |row| row.get(0))
            .unwrap();
        assert_eq!(rows, 0, "{table}");
    }
    raw.execute_batch("DROP TRIGGER full").unwrap();
    store.commit(&all()).unwrap();
}

/// FHIR R4 §3.1.0.2 (versioning): a version that was served is not lost when the next one comes.
#[test]
fn the_form_before_an_amendment_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let store = SqliteStore::open(&path).unwrap();
    let versions = || {
        let raw = Connection::open(&path).unwrap();
        let mut rows = raw
            .prepare("SELECT version, body FROM derived_versions ORDER BY version")
            .unwrap();
        let rows = rows.query_map([], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, String>(1)?)));
        rows.unwrap().map(Result::unwrap).collect::<Vec<_>>()
    };
    let mut first = all();
    first.derived.truncate(1);
    store.commit(&first).unwrap();
    assert_eq!(versions(), []);
    let mut amended = Commit::default();
    amended.derived.extend(first.derived.clone());
    amended.derived[0].body["status"] = "amended".into();
    store.commit(&amended).unwrap();
    let before = versions();
    assert_eq!(before.len(), 1);
    assert_eq!(before[0].0, 1);
    assert!(!before[0].1.contains("amended"));
}

/// What is read must not decode by luck: a damaged row is an error that says what to do.
#[test]
fn a_damaged_row_is_an_error_without_its_content() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let store = SqliteStore::open(&path).unwrap();
    store.commit(&all()).unwrap();
    let raw = Connection::open(&path).unwrap();
    raw.execute("UPDATE slots SET slot = '{\"source\": 1, \"secret\": 2}'", [])
        .unwrap();
    let error = store.load_patient(&patient(1)).unwrap_err().to_string();
    assert!(
        error.contains("restore a backup") && !error.contains("secret"),
        "{error}"
    );
}

/// Another name for the same file is no way around the lock.
#[cfg(unix)]
#[test]
fn a_link_to_the_file_is_the_same_store() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let link = folder.path().join("link.db");
    let first = SqliteStore::open(&path).unwrap();
    std::os::unix::fs::symlink(&path, &link).unwrap();
    assert!(matches!(SqliteStore::open(&link), Err(StoreError::InUse { .. })));
    drop(first);
    SqliteStore::open(&link).unwrap();
}

#[cfg(unix)]
#[test]
fn the_file_is_its_owners_only() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let store = SqliteStore::open(&path).unwrap();
    store.commit(&all()).unwrap();
    for name in ["store.db", "store.db-wal"] {
        let mode = std::fs::metadata(folder.path().join(name))
            .unwrap()
            .permissions()
            .mode();
        assert_eq!(mode & 0o077, 0, "{name}");
    }
}
