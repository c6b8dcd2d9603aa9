//! A commit is prepared while the one before it waits for the disk: what it sees, and what becomes of it
//! when that one fails. Another connection that writes keeps the first one waiting.

use super::failing::{batch, breakable};
use super::*;
use deltaward::source::{Answer, IntakeError};
use rusqlite::Connection;
use std::time::Duration;

type Submitted = tokio::task::JoinHandle<Result<Vec<Answer>, IntakeError>>;

/// Submit each batch once the one before it is in the engine's hands, none of them committed.
async fn submitted(running: &Running, raw: &Connection, batches: Vec<Batch>) -> Vec<Submitted> {
    raw.execute_batch("BEGIN IMMEDIATE").unwrap();
    let mut waiting = Vec::new();
    for batch in batches {
        let intake = running.intake.clone();
        waiting.push(tokio::spawn(async move { intake.submit(batch).await }));
        tokio::time::sleep(Duration::from_millis(150)).await;
    }
    assert!(
        waiting.iter().all(|one| !one.is_finished()),
        "answered before it was committed"
    );
    waiting
}

fn put(id: &str, value: i64, if_match: Option<&str>) -> Batch {
    let mut item = incoming(&diastolic(id, value, "10:00"));
    item.versioning = Versioning::Ours;
    item.if_match = if_match.map(str::to_owned);
    Batch {
        items: vec![item],
        ..Batch::default()
    }
}

/// The second would go through by itself; it was made of what the first left in memory.
#[tokio::test]
async fn what_is_prepared_on_top_of_a_commit_that_fails_is_refused_with_it() {
    let (_folder, running, raw) = breakable();
    running.poll(&[diastolic("d", 70, "10:00")]).await;
    let moved = Batch {
        cursors: vec![CursorUpdate {
            name: "poll".into(),
            position: at("2026-03-05T10:00:00Z"),
        }],
        ..batch(&[of(diastolic("other", 71, "10:00"), "2")])
    };
    let waiting = submitted(
        &running,
        &raw,
        vec![batch(&[pressure("c", 50, "10:02")]), moved.clone()],
    )
    .await;
    raw.execute_batch(
        "CREATE TRIGGER broken BEFORE INSERT ON outbox BEGIN SELECT RAISE(ABORT, 'no room'); END; COMMIT",
    )
    .unwrap();
    for one in waiting {
        let answer = one.await.unwrap();
        assert!(matches!(answer, Err(IntakeError::Store(_))), "{answer:?}");
    }
    for id in ["c", "other-2"] {
        assert_eq!(running.store.input("Observation", id).unwrap(), None);
    }
    assert_eq!(running.store.cursor("poll").unwrap(), None);
    raw.execute_batch("DROP TRIGGER broken").unwrap();
    running.submit(moved).await;
    running.poll(&[pressure("c", 50, "10:02")]).await;
    assert_eq!((running.deltas().len(), running.messages().len()), (1, 1));
    assert_eq!(running.deltas()[0]["meta"]["versionId"], "1");
    running.end();
}

#[tokio::test]
async fn the_version_of_a_commit_under_way_is_the_one_before() {
    let (_folder, running, raw) = breakable();
    let waiting = submitted(
        &running,
        &raw,
        vec![put("a", 70, None), put("a", 71, Some("1")), put("a", 72, Some("1"))],
    )
    .await;
    raw.execute_batch("COMMIT").unwrap();
    let mut answers = Vec::new();
    for one in waiting {
        answers.extend(one.await.unwrap().unwrap());
    }
    let ids = |version: &deltaward::recognise::Version| version.id.clone();
    assert!(
        matches!(&answers[0], Answer::Created(version) if ids(version) == "1"),
        "{answers:?}"
    );
    assert!(
        matches!(&answers[1], Answer::Updated(version) if ids(version) == "2"),
        "{answers:?}"
    );
    assert!(
        matches!(&answers[2], Answer::VersionConflict(Some(version)) if ids(version) == "2"),
        "{answers:?}"
    );
    running.end();
}

/// More patients than are held: who was let go of is read from the store only when the commit stands.
#[tokio::test]
async fn a_patient_of_the_commit_under_way_is_not_read_before_it_stands() {
    let (_folder, running, raw) = breakable();
    let diastolics: Vec<Value> = (0..200)
        .map(|number| of(diastolic(&format!("d{number}"), 70, "10:00"), &format!("p{number}")))
        .collect();
    let pressures: Vec<Value> = (0..200)
        .map(|number| of(pressure(&format!("c{number}"), 50, "10:02"), &format!("p{number}")))
        .collect();
    let waiting = submitted(&running, &raw, vec![batch(&diastolics), batch(&pressures)]).await;
    raw.execute_batch("COMMIT").unwrap();
    for one in waiting {
        assert_eq!(one.await.unwrap().unwrap().len(), 200);
    }
    let deltas = running.deltas();
    assert_eq!(deltas.len(), 200);
    assert!(
        deltas
            .iter()
            .all(|delta| delta["valueQuantity"]["value"] == json!(20.0)),
        "{:?}",
        deltas[0]
    );
    running.end();
}
