//! A real SQLITE_FULL on any machine: `PRAGMA max_page_count` of the writer's own connection
//! (<https://www.sqlite.org/pragma.html#pragma_max_page_count>). No option of the program sets it.
#![allow(clippy::unwrap_used)]

use super::*;
use crate::recognise::Version;

fn commit(number: u64) -> Commit {
    let body = format!("{{\"invented\": \"{}\"}}", "x".repeat(30_000));
    let version = Version {
        number: Some(number),
        last_updated: None,
        id: number.to_string(),
        digest: String::new(),
    };
    Commit {
        inputs: vec![InputRow {
            resource_type: "Observation".into(),
            id: format!("o{number}"),
            version,
            received: Instant::from_millis(0),
            patient: None,
            body,
            deleted: false,
        }],
        meta: vec![("last".into(), number.to_string())],
        ..Commit::default()
    }
}

#[test]
fn a_full_file_refuses_whole_commits_and_takes_them_again_when_there_is_room() {
    let folder = tempfile::tempdir().unwrap();
    let store = SqliteStore::open(folder.path().join("store.db")).unwrap();
    let room = |pages: i64| {
        let writer = locked(&store.writer);
        writer
            .pragma_update_and_check(None, "max_page_count", pages, |row| row.get::<_, i64>(0))
            .unwrap();
    };
    let pages: i64 = locked(&store.writer)
        .pragma_query_value(None, "page_count", |row| row.get(0))
        .unwrap();
    room(pages + 40);
    let mut kept = 0;
    let error = loop {
        match store.commit(&commit(kept)) {
            Ok(()) => kept += 1,
            Err(error) => break error,
        }
    };
    assert!(matches!(error, StoreError::Full { .. }), "{error}");
    assert!(
        error.to_string().contains("store.db") && error.to_string().contains("free space"),
        "{error}"
    );
    assert!((1..20).contains(&kept), "{kept}");
    assert_eq!(store.input("Observation", &format!("o{kept}")).unwrap(), None);
    assert_eq!(store.meta("last").unwrap(), Some((kept - 1).to_string()));
    assert_eq!(store.counts().unwrap().inputs, kept);
    room(pages + 4000);
    store.probe_writable().unwrap();
    store.commit(&commit(kept)).unwrap();
    assert_eq!(store.meta("last").unwrap(), Some(kept.to_string()));
    store.sound().unwrap();
}

/// Before room for it is there, a probe must not say that all is well.
#[test]
fn a_probe_fails_on_a_full_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let store = SqliteStore::open(&path).unwrap();
    {
        let writer = locked(&store.writer);
        // The room of earlier probes is given up, as in a store that was never probed.
        writer
            .execute_batch("DELETE FROM probe; VACUUM; PRAGMA max_page_count = 1")
            .unwrap();
    }
    let error = store.probe_writable().unwrap_err();
    assert!(matches!(error, StoreError::Full { .. }), "{error}");
}
