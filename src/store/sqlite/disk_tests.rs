//! What needs the writer's own connection. A real SQLITE_FULL on any machine: its `PRAGMA max_page_count`
//! (<https://www.sqlite.org/pragma.html#pragma_max_page_count>). No option of the program sets it.
#![allow(clippy::unwrap_used)]

use super::*;
use crate::recognise::Version;

fn commit(number: u64) -> Commit {
    let body = format!("{{\"invented\": \"{}\"}}", "x".repeat(30_000));
    let version = Version {
        number: Some(number),
        last_updated: None,
        id: number.to_string().into(),
        digest: "".into(),
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

/// "How To Corrupt An SQLite Database File" §2.4 (<https://www.sqlite.org/howtocorrupt.html>): a file that
/// was unlinked or renamed takes writes that nobody finds again.
#[test]
fn nothing_is_committed_to_files_that_were_taken_away() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let store = SqliteStore::open(&path).unwrap();
    store.commit(&commit(1)).unwrap();
    let aside = folder.path().join("aside");
    for name in ["store.db", "store.db-wal", "store.db-shm", "store.db.lock"] {
        let file = folder.path().join(name);
        std::fs::rename(&file, &aside).unwrap();
        let gone = store.commit(&commit(2)).unwrap_err();
        assert!(matches!(gone, StoreError::Moved { .. }), "{name}: {gone}");
        assert!(gone.to_string().contains(name), "{gone}");
        std::fs::copy(&aside, &file).unwrap();
        let another = store.probe_writable().unwrap_err();
        assert!(another.to_string().contains("is another file now"), "{name}: {another}");
        std::fs::rename(&aside, &file).unwrap();
        store.probe_writable().unwrap();
    }
    store.commit(&commit(3)).unwrap();
    let cut = std::fs::OpenOptions::new().write(true).open(&path).unwrap();
    cut.set_len(0).unwrap();
    let cut = store.commit(&commit(4)).unwrap_err();
    assert!(cut.to_string().contains("was cut to 0 bytes"), "{cut}");
}

#[test]
fn a_wal_file_without_its_store_is_not_hidden_by_a_new_store() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    std::fs::write(folder.path().join("store.db-wal"), "commits").unwrap();
    for _ in 0..2 {
        let error = SqliteStore::open(&path).map(drop).unwrap_err();
        assert!(error.to_string().contains("holds commits of it"), "{error}");
    }
    assert!(!path.exists());
    std::fs::remove_file(folder.path().join("store.db-wal")).unwrap();
    SqliteStore::open(&path).unwrap();
}

/// A copy of the one file after a clean end holds everything.
#[test]
fn after_folding_the_one_file_is_whole() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let store = SqliteStore::open(&path).unwrap();
    store.commit(&commit(1)).unwrap();
    store.fold().unwrap();
    let alone = folder.path().join("alone.db");
    std::fs::copy(&path, &alone).unwrap();
    let copy = SqliteStore::open(&alone).unwrap();
    assert!(copy.read("Observation", "o1").unwrap().is_some());
}
