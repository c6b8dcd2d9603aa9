//! What needs the writer's own connection. A real SQLITE_FULL on any machine: `PRAGMA max_page_count` of the writer's own connection
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

/// A large file is looked at beside the work: what is found there stops every commit from then on,
/// also one that does not touch the damaged page.
#[test]
fn damage_found_beside_the_work_stops_every_commit() {
    use std::os::unix::fs::FileExt;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    drop(SqliteStore::open(&path).unwrap());
    let mut store = SqliteStore::open(&path).unwrap();
    store.commit(&commit(1)).unwrap();
    let sql = "SELECT rootpage FROM sqlite_schema WHERE name = 'deliveries'";
    let page: u32 = locked(&store.writer).query_row(sql, [], |row| row.get(0)).unwrap();
    locked(&store.writer)
        .query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))
        .unwrap();
    let file = std::fs::OpenOptions::new().write(true).open(&path).unwrap();
    file.write_all_at(&[0x5a; 100], u64::from(page - 1) * 4096).unwrap();
    store.commit(&commit(2)).unwrap();
    store.watch = Some(Watch::start(open_reader(&path).unwrap()));
    let end = std::time::Instant::now() + Duration::from_secs(20);
    let error = loop {
        match store.commit(&commit(3)) {
            Err(error) => break error,
            Ok(()) => assert!(std::time::Instant::now() < end, "the damage is not found"),
        }
        std::thread::sleep(Duration::from_millis(10));
    };
    assert!(matches!(error, StoreError::Corrupt { .. }), "{error}");
    assert!(error.to_string().contains("restore a backup"), "{error}");
    assert!(matches!(store.probe_writable(), Err(StoreError::Corrupt { .. })));
}

/// A check whose time is up says so, and leaves the connection as it was.
#[test]
fn a_check_that_does_not_end_in_time_is_called_unfinished() {
    let folder = tempfile::tempdir().unwrap();
    let store = SqliteStore::open(folder.path().join("store.db")).unwrap();
    for number in 0..300 {
        store.commit(&commit(number)).unwrap();
    }
    let writer = locked(&store.writer);
    // One page in memory, so that every page is read from the file.
    writer.pragma_update(None, "cache_size", 1).unwrap();
    let mut found = Found::Whole;
    for _ in 0..50 {
        found = sound::check(&writer, Duration::ZERO).unwrap();
        if found == Found::Unfinished {
            break;
        }
    }
    assert_eq!(found, Found::Unfinished);
    assert_eq!(sound::check(&writer, Duration::MAX).unwrap(), Found::Whole);
}
