//! What SQLite reports (<https://www.sqlite.org/rescode.html>) as the store says it: which file,
//! what happened, what to do. A file that cannot be trusted or written is refused at start.

use super::build::{at, change, input, patient, state};
use deltaward::store::{Commit, SqliteStore, Store, StoreError};
use rusqlite::Connection;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// The schemas of before, as they were released.
const SCHEMAS: [&str; 4] = [
    include_str!("../../../src/store/sqlite/0001_start.sql"),
    include_str!("../../../src/store/sqlite/0002_alerts_pass.sql"),
    include_str!("../../../src/store/sqlite/0003_retention.sql"),
    include_str!("../../../src/store/sqlite/0004_append.sql"),
];

fn commit(number: u32) -> Commit {
    let body = format!("{{\"invented\": \"{}\"}}", "x".repeat(2000));
    Commit {
        inputs: vec![input(&format!("o{number}"), number.into(), 0, &body)],
        patients: vec![change(&state(number))],
        ..Commit::default()
    }
}

/// A store with something in it, closed.
fn filled() -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let store = SqliteStore::open(&path).unwrap();
    for number in 1..40 {
        store.commit(&commit(number)).unwrap();
    }
    drop(store);
    (folder, path)
}

fn refusal(path: &Path) -> StoreError {
    SqliteStore::open(path).err().expect("the store was opened")
}

fn names_file_and_remedy(error: &StoreError, remedy: &str) {
    let text = error.to_string();
    assert!(text.contains("store.db") && text.contains(remedy), "{text}");
}

/// One damaged page anywhere after the first is found before the service starts, and the file is
/// left as it was for whoever looks into it.
#[test]
fn any_damaged_page_is_refused_at_start_and_the_file_left_alone() {
    let (_folder, path) = filled();
    let whole = std::fs::read(&path).unwrap();
    let raw = Connection::open(&path).unwrap();
    let size: u32 = raw.pragma_query_value(None, "page_size", |row| row.get(0)).unwrap();
    // Pages of trees, not those that hold nothing but the middle of a long value.
    let pages: Vec<u32> = raw
        .prepare("SELECT rootpage FROM sqlite_schema WHERE rootpage > 1")
        .unwrap()
        .query_map([], |row| row.get(0))
        .unwrap()
        .map(Result::unwrap)
        .collect();
    drop(raw);
    assert!(pages.len() > 20, "{pages:?}");
    for page in pages {
        let start = usize::try_from((page - 1) * size).unwrap();
        let mut damaged = whole.clone();
        damaged[start..start + 200].fill(0x5a);
        std::fs::write(&path, &damaged).unwrap();
        let error = refusal(&path);
        assert!(matches!(error, StoreError::Corrupt { .. }), "page {page}: {error}");
        names_file_and_remedy(&error, "restore a backup");
        assert_eq!(std::fs::read(&path).unwrap(), damaged, "page {page}");
    }
    std::fs::write(&path, &whole).unwrap();
    assert_eq!(SqliteStore::open(&path).unwrap().counts().unwrap().patients, 39);
}

#[test]
fn a_file_that_was_cut_short_is_refused() {
    let (_folder, path) = filled();
    let whole = std::fs::read(&path).unwrap();
    for kept in [whole.len() / 2, whole.len() - 4096, 5000, 200] {
        std::fs::write(&path, &whole[..kept]).unwrap();
        let error = refusal(&path);
        assert!(matches!(error, StoreError::Corrupt { .. }), "{kept} bytes: {error}");
    }
}

/// The database file format, 1.3.3: a write version above 2 means that the file may only be read
/// (<https://www.sqlite.org/fileformat2.html>). Rights would not do here: tests may run as root.
#[test]
fn a_file_that_may_only_be_read_is_refused() {
    let (_folder, path) = filled();
    let mut bytes = std::fs::read(&path).unwrap();
    bytes[18] = 3;
    std::fs::write(&path, bytes).unwrap();
    let error = refusal(&path);
    assert!(matches!(error, StoreError::ReadOnly { .. }), "{error}");
    names_file_and_remedy(&error, "right to write");
}

#[test]
fn a_newer_schema_is_refused_with_its_file_and_what_to_run() {
    let (_folder, path) = filled();
    let raw = Connection::open(&path).unwrap();
    raw.pragma_update(None, "user_version", 99).unwrap();
    drop(raw);
    let error = refusal(&path);
    assert!(matches!(error, StoreError::Newer { found: 99, .. }), "{error}");
    names_file_and_remedy(&error, "run the newer program");
}

/// A store of schema `version` with one patient of that time.
fn of_schema(version: usize) -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let raw = Connection::open(&path).unwrap();
    for schema in &SCHEMAS[..version] {
        raw.execute_batch(schema).unwrap();
    }
    raw.execute_batch("INSERT INTO patients (patient, label) VALUES ('Patient/1', 'Bed 3 (invented)')")
        .unwrap();
    raw.pragma_update(None, "user_version", i64::try_from(version).unwrap())
        .unwrap();
    (folder, path)
}

fn version_of(path: &Path) -> i64 {
    let raw = Connection::open(path).unwrap();
    raw.pragma_query_value(None, "user_version", |row| row.get(0)).unwrap()
}

#[test]
fn an_older_schema_is_migrated_and_the_file_of_before_kept_beside() {
    for version in 1..=SCHEMAS.len() {
        let (folder, path) = of_schema(version);
        let reading = SqliteStore::open_to_read(&path).err().unwrap();
        assert!(matches!(reading, StoreError::Older { .. }), "{reading}");
        let store = SqliteStore::open(&path).unwrap();
        assert_eq!(
            store.load_patient(&patient(1)).unwrap().label.as_deref(),
            Some("Bed 3 (invented)")
        );
        store.commit(&commit(2)).unwrap();
        drop(store);
        assert_eq!(version_of(&path), 5);
        let copy = folder.path().join("store.db.before-schema-5");
        assert_eq!(usize::try_from(version_of(&copy)).unwrap(), version);
        let raw = Connection::open(&copy).unwrap();
        let label: String = raw
            .query_row("SELECT label FROM patients", [], |row| row.get(0))
            .unwrap();
        assert_eq!(label, "Bed 3 (invented)");
        // A second start finds nothing to migrate, and makes no copy.
        std::fs::remove_file(&copy).unwrap();
        drop(SqliteStore::open(&path).unwrap());
        assert!(!copy.exists());
    }
}

/// The last statement of a migration fails: nothing of it stays.
#[test]
fn a_migration_that_fails_leaves_the_file_as_it_was() {
    let (folder, path) = of_schema(1);
    let raw = Connection::open(&path).unwrap();
    // The name that the third schema wants, after the second was applied.
    raw.execute_batch("CREATE TABLE patients_forget (invented TEXT)")
        .unwrap();
    let tables = |raw: &Connection| -> String {
        let sql = "SELECT group_concat(type || name || coalesce(sql, ''), ';') FROM (SELECT * FROM sqlite_schema ORDER BY name)";
        raw.query_row(sql, [], |row| row.get(0)).unwrap()
    };
    let before = tables(&raw);
    drop(raw);
    let error = refusal(&path).to_string();
    assert!(error.contains("bring its schema up to date"), "{error}");
    assert_eq!(version_of(&path), 1);
    assert_eq!(tables(&Connection::open(&path).unwrap()), before);
    assert!(folder.path().join("store.db.before-schema-5").exists());
}

/// Another program that keeps a write open past the time that is waited for (SQLITE_BUSY): the
/// commit fails as such, and the next goes through.
#[test]
fn a_commit_behind_a_foreign_lock_fails_as_busy_and_then_goes_through() {
    let (_folder, path) = filled();
    let store = SqliteStore::open(&path).unwrap();
    let raw = Connection::open(&path).unwrap();
    raw.execute_batch("BEGIN IMMEDIATE").unwrap();
    let error = store.commit(&commit(50)).unwrap_err();
    assert!(matches!(error, StoreError::Busy { .. }), "{error}");
    names_file_and_remedy(&error, "end what else has the file open");
    raw.execute_batch("ROLLBACK").unwrap();
    store.commit(&commit(50)).unwrap();
    assert_eq!(store.input("Observation", "o50").unwrap().unwrap().received, at(0));
}

/// What is shown outside (health, answers) names no path.
#[test]
fn a_reason_names_no_path() {
    let path = String::from("/srv/ward/store.db");
    let errors = [
        StoreError::Full {
            path: path.clone(),
            action: "commit",
        },
        StoreError::Busy {
            path: path.clone(),
            action: "commit",
        },
        StoreError::Disk {
            path,
            action: "commit",
            cause: "invented".into(),
        },
    ];
    for error in errors {
        assert!(error.to_string().contains("/srv/ward/store.db"));
        assert!(!error.reason().contains('/'), "{}", error.reason());
    }
}
