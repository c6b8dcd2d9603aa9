//! A commit that fails: what the engine knows is never ahead of its store.

use super::*;
use deltaward::source::IntakeError;
use rusqlite::Connection;

/// An engine over a file whose commits can be made to fail late, after all rows of the patient.
pub(super) fn breakable() -> (tempfile::TempDir, Running, Connection) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let store = SqliteStore::open(&path).unwrap();
    let running = Running::start(Arc::new(store), Mapping::builtin());
    (folder, running, Connection::open(path).unwrap())
}

fn breaks(raw: &Connection) {
    raw.execute_batch("CREATE TRIGGER broken BEFORE INSERT ON outbox BEGIN SELECT RAISE(ABORT, 'no room'); END")
        .unwrap();
}

pub(super) fn batch(resources: &[Value]) -> Batch {
    Batch {
        items: resources.iter().map(incoming).collect(),
        ..Batch::default()
    }
}

/// SQLite, "Atomic Commit In SQLite": all changes of a transaction occur, or none
/// (<https://www.sqlite.org/atomiccommit.html>). The same must hold of what is in memory: were the
/// reading or the alert remembered there, the second time would bring nothing new.
#[tokio::test]
async fn what_a_failed_commit_held_is_new_when_it_comes_again() {
    let (_folder, running, raw) = breakable();
    running.poll(&[diastolic("d", 70, "10:00")]).await;
    breaks(&raw);
    for _ in 0..3 {
        let error = running.intake.submit(batch(&[pressure("c", 50, "10:02")])).await;
        assert!(matches!(error, Err(IntakeError::Store(_))), "{error:?}");
        assert_eq!(running.store.input("Observation", "c").unwrap(), None);
        assert!(running.deltas().is_empty() && running.messages().is_empty());
    }
    raw.execute_batch("DROP TRIGGER broken").unwrap();
    running.poll(&[pressure("c", 50, "10:02")]).await;
    assert_eq!(running.deltas().len(), 1);
    assert_eq!(running.deltas()[0]["meta"]["versionId"], "1");
    assert_eq!(running.messages().len(), 1);
    running.end();
}

/// Polling repeats a page whose commit failed: its cursor must stand where it stood.
#[tokio::test]
async fn a_failed_commit_moves_no_cursor() {
    let (_folder, running, raw) = breakable();
    let cursor = |minutes: i64| CursorUpdate {
        name: "poll".into(),
        position: at("2026-03-05T10:00:00Z").plus_minutes(minutes),
    };
    let with = |resources: &[Value], minutes: i64| Batch {
        cursors: vec![cursor(minutes)],
        ..batch(resources)
    };
    running.submit(with(&[diastolic("d", 70, "10:00")], 1)).await;
    breaks(&raw);
    let error = running.intake.submit(with(&[pressure("c", 50, "10:02")], 5)).await;
    assert!(error.is_err());
    assert_eq!(running.store.cursor("poll").unwrap(), Some(cursor(1).position));
    assert_eq!(running.store.counts().unwrap().outbox_waiting, 1, "the Device alone");
    raw.execute_batch("DROP TRIGGER broken").unwrap();
    running.submit(with(&[pressure("c", 50, "10:02")], 5)).await;
    assert_eq!(running.store.cursor("poll").unwrap(), Some(cursor(5).position));
    running.end();
}

/// What was read of a patient's past and not yet told must still be told when the commit that
/// ends the past fails at first.
#[tokio::test]
async fn a_failed_commit_forgets_nobody_who_is_to_be_told_of() {
    let (_folder, running, raw) = breakable();
    let past = Batch {
        history: true,
        ..batch(&[diastolic("d", 70, "10:00"), pressure("c", 50, "10:02")])
    };
    running.submit(past).await;
    assert!(running.messages().is_empty());
    breaks(&raw);
    assert!(running.intake.submit(Batch::default()).await.is_err());
    assert!(running.messages().is_empty());
    raw.execute_batch("DROP TRIGGER broken").unwrap();
    running.submit(Batch::default()).await;
    assert_eq!(running.messages().len(), 1);
    running.end();
}

/// A timer alone fails and then goes through, though nothing is sent.
#[tokio::test]
async fn a_timer_whose_commit_failed_is_taken_up_again() {
    let (_folder, running, raw) = breakable();
    running
        .poll(&[diastolic("d", 70, "12:00"), pressure("c", 50, "12:00")])
        .await;
    let told = running.messages().len();
    breaks(&raw);
    let later = at("2026-03-05T14:00:00Z").millis();
    running.clock.store(later, Ordering::SeqCst);
    tokio::time::sleep(std::time::Duration::from_millis(500)).await;
    assert_eq!(running.messages().len(), told);
    raw.execute_batch("DROP TRIGGER broken").unwrap();
    let end = std::time::Instant::now() + std::time::Duration::from_secs(20);
    while running.messages().len() == told {
        assert!(
            std::time::Instant::now() < end,
            "nobody measured again, and nobody is told"
        );
        tokio::time::sleep(std::time::Duration::from_millis(50)).await;
    }
    running.end();
}
