//! The index of searches is brought up to date after the commit: no search may show that.

use super::build::{at, change, derived, identity, input, patient, state};
use deltaward::store::{Commit, InputRow, SearchQuery, SqliteStore, Store};
use rusqlite::Connection;
use serde_json::json;
use std::path::Path;

/// More than two parts of what is indexed at once.
const MANY: usize = 1_300;

fn query() -> SearchQuery {
    SearchQuery {
        resource_type: "Observation".into(),
        count: 1_000,
        ..SearchQuery::default()
    }
}

fn observation(number: usize, version: u64) -> InputRow {
    input(
        &format!("o{number}"),
        version,
        0,
        r#"{"resourceType":"Observation","status":"final"}"#,
    )
}

fn inputs(rows: Vec<InputRow>) -> Commit {
    Commit {
        inputs: rows,
        ..Commit::default()
    }
}

/// Rows that a search would not see.
fn unindexed(path: &Path) -> i64 {
    let raw = Connection::open(path).unwrap();
    raw.query_row(
        "SELECT (SELECT COUNT(*) FROM inputs, indexed WHERE inputs.row > indexed.input_row)
              + (SELECT COUNT(*) FROM unindexed)",
        [],
        |row| row.get(0),
    )
    .unwrap()
}

/// Killed after its commits, before anything was indexed: the next process finds all of it.
#[test]
fn what_was_committed_is_found_after_a_crash() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let store = SqliteStore::open(&path).unwrap();
    store
        .commit(&inputs((0..MANY).map(|number| observation(number, 1)).collect()))
        .unwrap();
    assert!(unindexed(&path) > 0, "this test needs something that waits");
    drop(store);
    let store = SqliteStore::open(&path).unwrap();
    assert_eq!(
        store.read("Observation", "o7").unwrap().unwrap().version.number,
        Some(1)
    );
    assert_eq!(store.search(&query()).unwrap().total, MANY);
    assert_eq!(unindexed(&path), 0);
}

/// A search shows the same whether what was committed was indexed bit by bit or not at all.
#[test]
fn a_search_does_not_depend_on_when_it_was_indexed() {
    let shown = |tidied: bool| {
        let store = SqliteStore::in_memory().unwrap();
        let tidy = || {
            if tidied {
                store.tidy(true).unwrap();
            }
        };
        store
            .commit(&inputs((0..5).map(|number| observation(number, 1)).collect()))
            .unwrap();
        tidy();
        let gone = InputRow {
            deleted: true,
            ..observation(1, 2)
        };
        store.commit(&inputs(vec![observation(0, 2), gone])).unwrap();
        tidy();
        // What is forgotten gives its row number to what comes next.
        let mut forgets = inputs(Vec::new());
        forgets.unneeded = vec![
            (patient(1), "Observation/o4".into()),
            (patient(1), "Observation/o3".into()),
        ];
        store.commit(&forgets).unwrap();
        tidy();
        store.commit(&inputs(vec![observation(9, 1)])).unwrap();
        // An input at the address of a derived resource, before and after it.
        let ours = identity(7).to_string();
        let squatter = || input(&ours, 1, 0, r#"{"status":"squatter"}"#);
        let commit = Commit {
            inputs: vec![squatter()],
            derived: vec![derived(7, 1, json!({"resourceType": "Observation", "status": "final"}))],
            ..Commit::default()
        };
        store.commit(&commit).unwrap();
        tidy();
        store.commit(&inputs(vec![squatter()])).unwrap();
        tidy();
        (store.search(&query()).unwrap().rows, store.counts().unwrap())
    };
    let (rows, counts) = shown(false);
    assert_eq!((rows.clone(), counts.clone()), shown(true));
    let ids: Vec<&str> = rows.iter().map(|row| row.id.as_str()).collect();
    assert_eq!(ids, ["o0", "o2", "o9", "00000000-0000-0000-0000-000000000007"]);
    assert!(rows[3].body.contains("final"), "{}", rows[3].body);
    // o0, o2, o9 and the squatter, which is kept; o1 is deleted.
    assert_eq!(counts.inputs, 4);
}

/// In busy times not more waits than a bound, whatever comes.
#[test]
fn what_waits_is_bounded() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let store = SqliteStore::open(&path).unwrap();
    for round in 0..10 {
        let numbers = round * MANY..(round + 1) * MANY;
        store
            .commit(&inputs(numbers.map(|number| observation(number, 1)).collect()))
            .unwrap();
        store.tidy(false).unwrap();
        assert!(unindexed(&path) <= 8_192, "{}", unindexed(&path));
    }
    assert!(unindexed(&path) > 0);
    while unindexed(&path) > 0 {
        store.tidy(true).unwrap();
    }
    assert_eq!(store.search(&query()).unwrap().total, 10 * MANY);
}

/// The fourth schema moves these rows into tables of another form.
#[test]
fn a_patient_comes_whole_through_the_migration() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let raw = Connection::open(&path).unwrap();
    for schema in [
        include_str!("../../../src/store/sqlite/0001_start.sql"),
        include_str!("../../../src/store/sqlite/0002_alerts_pass.sql"),
        include_str!("../../../src/store/sqlite/0003_retention.sql"),
    ] {
        raw.execute_batch(schema).unwrap();
    }
    raw.pragma_update(None, "user_version", 3).unwrap();
    let wanted = state(1);
    raw.execute(
        "INSERT INTO patients (patient, birth_date, label, next_due) VALUES (?1, ?2, ?3, ?4)",
        (&wanted.patient.0, &wanted.birth_date, &wanted.label, at(60).millis()),
    )
    .unwrap();
    for (source, slot) in &wanted.slots {
        let slot = serde_json::to_string(slot).unwrap();
        raw.execute(
            "INSERT INTO slots VALUES (?1, ?2, ?3)",
            (&wanted.patient.0, source, slot),
        )
        .unwrap();
    }
    for (identity, standing) in &wanted.standing {
        let standing = serde_json::to_string(standing).unwrap();
        let key = (&wanted.patient.0, identity.to_string(), standing);
        raw.execute("INSERT INTO standing VALUES (?1, ?2, ?3)", key).unwrap();
    }
    raw.execute(
        "INSERT INTO inputs (current, resource_type, id, version_id, digest, received, deleted, body)
         VALUES (1, 'Observation', 'old', '', '', 0, 0, '{}')",
        [],
    )
    .unwrap();
    raw.execute(
        "INSERT INTO resources (resource_type, id, input_row, deleted, updated) VALUES ('Observation', 'old', 1, 0, 0)",
        [],
    )
    .unwrap();
    drop(raw);
    let store = SqliteStore::open(&path).unwrap();
    let found = store.load_patient(&patient(1)).unwrap();
    assert_eq!((&found.slots, &found.standing), (&wanted.slots, &wanted.standing));
    assert_eq!(unindexed(&path), 0);
    store
        .commit(&Commit {
            patients: vec![change(&wanted)],
            ..inputs(vec![observation(1, 1)])
        })
        .unwrap();
    assert_eq!(store.load_patient(&patient(1)).unwrap(), wanted);
    assert_eq!(store.search(&query()).unwrap().total, 2);
    let counts = store.counts().unwrap();
    assert_eq!((counts.inputs, counts.patients), (2, 1));
    store.sound().unwrap();
}

/// What we derived is named by its id: no row of that name is kept, and it is found all the same,
/// beside an input that a client put under the same identifier.
#[test]
fn a_derived_resource_is_found_by_its_own_identifier() {
    const SYSTEM: &str = deltaward::recognise::DERIVED_IDENTIFIER_SYSTEM;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let store = SqliteStore::open(&path).unwrap();
    let own = identity(7).to_string();
    let identifiers = json!([{"system": SYSTEM, "value": own}, {"system": "urn:x", "value": "1"}]);
    let body = json!({"resourceType": "Observation", "identifier": identifiers});
    let mut commit = inputs(vec![input("copy", 1, 0, &body.to_string()), input(&own, 1, 0, "{}")]);
    commit.derived = vec![
        derived(7, 0, body),
        derived(8, 0, json!({"resourceType": "Observation"})),
    ];
    store.commit(&commit).unwrap();
    let found = |system: Option<&str>, value: &str| {
        let identifier = Some((system.map(str::to_owned), value.to_owned()));
        let page = store.search(&SearchQuery { identifier, ..query() }).unwrap();
        let mut ids: Vec<String> = page.rows.into_iter().map(|row| row.id).collect();
        ids.sort();
        assert_eq!(page.total, ids.len());
        ids
    };
    let both = vec![own.clone(), String::from("copy")];
    assert_eq!(found(Some(SYSTEM), &own), both);
    assert_eq!(found(None, &own), both);
    assert_eq!(found(Some("urn:x"), "1"), both);
    assert!(found(Some("urn:x"), &own).is_empty());
    assert!(found(Some(""), &own).is_empty());
    let raw = Connection::open(&path).unwrap();
    let rows: i64 = raw
        .query_row(
            "SELECT COUNT(*) FROM resource_identifiers WHERE value = ?1",
            [&own],
            |row| row.get(0),
        )
        .unwrap();
    assert_eq!(rows, 1, "the input's");
}

/// As the schemas before the fifth kept it, every member written.
#[test]
fn a_slot_of_before_is_read() {
    let text = r#"{"source":"Observation/a","version":{"number":1,"last_updated":0,"id":"1","digest":"d"},"received":0,
        "withdrawn":null,"readings":[{"part":"","kind":"diastolic","pressure":{"mmhg":"70","sent_value":"70",
        "sent_unit":"mmHg","comparator":null},"start":0,"at":0,"site":null,"body_site_json":null,
        "method":"unstated","status":"final","identifiers":[]}],"refusals":[{"part":"","reason":"panel-only",
        "detail":"","meant":null}],"members":[],"members_side":"unstated","diastolics_asked":false,"seal":1,
        "published":[],"judged":[]}"#;
    let slot: deltaward::patient::state::Slot = serde_json::from_str(text).unwrap();
    assert_eq!(slot.readings[0].pressure.sent_value, "70");
    let short = serde_json::to_string(&slot).unwrap();
    assert!(!short.contains("null") && short.len() < text.len() * 3 / 4, "{short}");
    assert_eq!(
        serde_json::from_str::<deltaward::patient::state::Slot>(&short).unwrap(),
        slot
    );
}
