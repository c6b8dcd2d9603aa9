//! Backups: one moment of the store, whole, while it is written to.

use super::build::{change, input, state};
use deltaward::store::sqlite::backup;
use deltaward::store::{Commit, SqliteStore, Store, StoreError};
use rusqlite::Connection;
use std::sync::atomic::{AtomicBool, Ordering};

fn commit(number: u32) -> Commit {
    Commit {
        inputs: vec![input(&format!("o{number}"), 1, 0, "{}")],
        patients: vec![change(&state(number))],
        ..Commit::default()
    }
}

/// Input and patient of a number are one commit: a copy that held one without the other would not
/// be of one moment. What was committed before it began is in it.
#[test]
fn a_backup_under_load_is_of_one_moment_and_can_be_opened() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let store = SqliteStore::open(&path).unwrap();
    for number in 0..50 {
        store.commit(&commit(number)).unwrap();
    }
    let stop = AtomicBool::new(false);
    std::thread::scope(|scope| {
        let writer = scope.spawn(|| {
            let mut number = 50;
            while !stop.load(Ordering::SeqCst) {
                store.commit(&commit(number)).unwrap();
                number += 1;
            }
            number
        });
        for copy in 0..5 {
            let to = folder.path().join(format!("copy-{copy}.db"));
            let before = store.counts().unwrap().patients;
            let bytes = backup(&path, &to).unwrap();
            assert_eq!(bytes, std::fs::metadata(&to).unwrap().len());
            let copied = SqliteStore::open(&to).unwrap();
            let counts = copied.counts().unwrap();
            assert_eq!(counts.inputs, counts.patients);
            assert!(counts.patients >= before, "{} of {before}", counts.patients);
            copied.sound().unwrap();
            for number in 0..counts.patients {
                let row = copied.input("Observation", &format!("o{number}")).unwrap();
                assert!(row.is_some(), "o{number} of {}", counts.patients);
            }
        }
        stop.store(true, Ordering::SeqCst);
        assert!(writer.join().unwrap() > 50, "nothing was written meanwhile");
    });
    let left: Vec<_> = std::fs::read_dir(folder.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.contains("partial"))
        .collect();
    assert!(left.is_empty(), "{left:?}");
}

#[test]
fn a_backup_is_never_written_over_a_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let store = SqliteStore::open(&path).unwrap();
    let to = folder.path().join("copy.db");
    std::fs::write(&to, "").unwrap();
    for target in [&to, &path] {
        let before = std::fs::read(target).unwrap();
        let error = backup(&path, target).unwrap_err();
        assert!(matches!(error, StoreError::CopyExists { .. }), "{error}");
        assert_eq!(std::fs::read(target).unwrap(), before);
    }
    drop(store);
}

#[test]
fn a_backup_that_cannot_be_made_leaves_nothing_and_says_why() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let to = folder.path().join("copy.db");
    let absent = backup(&path, &to).unwrap_err();
    assert!(matches!(absent, StoreError::Open { .. }), "{absent}");
    drop(SqliteStore::open(&path).unwrap());
    let nowhere = backup(&path, folder.path().join("absent").join("copy.db")).unwrap_err();
    assert!(matches!(nowhere, StoreError::Copy { .. }), "{nowhere}");
    assert!(!to.exists() && !path.with_file_name("copy.db.partial").exists());
}

#[cfg(unix)]
#[test]
fn a_backup_is_its_owners_only() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let to = folder.path().join("copy.db");
    drop(SqliteStore::open(&path).unwrap());
    backup(&path, &to).unwrap();
    assert_eq!(std::fs::metadata(&to).unwrap().permissions().mode() & 0o077, 0);
    let raw = Connection::open(&to).unwrap();
    let check: String = raw
        .pragma_query_value(None, "integrity_check", |row| row.get(0))
        .unwrap();
    assert_eq!(check, "ok");
}
