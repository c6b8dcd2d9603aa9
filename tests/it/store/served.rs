//! What `/fhir` serves: search and read.

use super::build::{at, derived, identity, input, patient};
use deltaward::store::{Commit, SearchQuery, Store};
use serde_json::{Value, json};

/// `identity(7)` as text.
const OURS: &str = "00000000-0000-0000-0000-000000000007";

fn query() -> SearchQuery {
    SearchQuery {
        resource_type: "Observation".into(),
        count: 100,
        ..SearchQuery::default()
    }
}

fn found(store: &dyn Store, query: &SearchQuery) -> Vec<String> {
    let page = store.search(query).unwrap();
    assert_eq!(page.total, page.rows.len(), "one page holds all here");
    page.rows.into_iter().map(|row| row.id).collect()
}

pub fn derived_resources_are_numbered_and_stamped(store: &dyn Store) {
    let body =
        |text: &str| json!({"resourceType": "Observation", "status": "final", "text": text, "meta": {"tag": []}});
    for (minutes, text) in [(0, "a"), (1, "b"), (2, "c")] {
        let rows = vec![
            derived(7, minutes, body(text)),
            derived(100 + u128::try_from(minutes).unwrap(), 0, body(text)),
        ];
        store
            .commit(&Commit {
                derived: rows,
                ..Commit::default()
            })
            .unwrap();
    }
    let rows = store.derived(&patient(1), 10).unwrap();
    assert_eq!(rows.len(), 4);
    assert_eq!(
        (rows[0].identity, rows[0].version, rows[0].last_updated),
        (identity(7), 3, at(2))
    );
    let id = identity(7).to_string();
    let stamped = json!({"resourceType": "Observation", "status": "final", "text": "c", "id": id,
        "meta": {"tag": [], "versionId": "3", "lastUpdated": "2026-03-05T22:12:00.000Z"}});
    assert_eq!(rows[0].body, stamped);
    assert!(rows[1..].iter().all(|row| row.version == 1));
    assert_eq!(store.derived(&patient(1), 1).unwrap(), rows[..1]);
    let served = store.read("Observation", &id).unwrap().unwrap();
    assert_eq!((served.version.id.as_str(), served.version.number), ("3", Some(3)));
    assert_eq!(serde_json::from_str::<Value>(&served.body).unwrap(), stamped);
    // An input row it is not.
    assert_eq!(store.input("Observation", &id).unwrap(), None);
    assert_eq!(store.counts().unwrap().inputs, 0);
    // Only an object is a resource.
    assert!(
        store
            .commit(&Commit {
                derived: vec![derived(8, 0, json!("x"))],
                ..Commit::default()
            })
            .is_err()
    );
}

pub fn derived_keeps_its_address(store: &dyn Store) {
    let id = identity(7).to_string();
    let ours = || vec![derived(7, 1, json!({"status": "final", "who": "ours"}))];
    let theirs = || vec![input(&id, 9, 2, r#"{"status": "final", "who": "theirs"}"#)];
    for commit in [
        Commit {
            inputs: theirs(),
            ..Commit::default()
        },
        Commit {
            derived: ours(),
            ..Commit::default()
        },
        Commit {
            inputs: theirs(),
            ..Commit::default()
        },
    ] {
        store.commit(&commit).unwrap();
    }
    let served = store.read("Observation", &id).unwrap().unwrap();
    assert!(served.body.contains("ours"), "{}", served.body);
    assert_eq!(found(store, &query()), [id.as_str()]);
    // The input is kept all the same.
    assert!(
        store
            .input("Observation", &id)
            .unwrap()
            .unwrap()
            .body
            .contains("theirs")
    );
}

pub fn decimals_stay_as_sent(store: &dyn Store) {
    let body = r#"{"resourceType": "Observation", "id": "old", "meta": {"versionId": "7", "source": "urn:x"},
        "valueQuantity": {"value": 5.30, "unit": "kPa"}, "extension": [{"valueDecimal": 1.10e1}], "big": 0.1000000000000000055511151231257827}"#;
    store
        .commit(&Commit {
            inputs: vec![input("a", 3, 0, body)],
            ..Commit::default()
        })
        .unwrap();
    // As kept: byte for byte.
    assert_eq!(store.input("Observation", "a").unwrap().unwrap().body, body);
    // As served: only id and meta differ.
    let expected = concat!(
        r#"{"resourceType":"Observation","id":"a","#,
        r#""meta":{"versionId":"3","source":"urn:x","lastUpdated":"2026-03-05T22:10:00.000Z"},"#,
        r#""valueQuantity":{"value": 5.30, "unit": "kPa"},"extension":[{"valueDecimal": 1.10e1}],"#,
        r#""big":0.1000000000000000055511151231257827}"#
    );
    // lastUpdated is new in this meta: it stands second.
    let expected = expected.replace(
        r#""source":"urn:x","lastUpdated":"2026-03-05T22:10:00.000Z""#,
        r#""lastUpdated":"2026-03-05T22:10:00.000Z","source":"urn:x""#,
    );
    assert_eq!(store.read("Observation", "a").unwrap().unwrap().body, expected);
    assert_eq!(store.search(&query()).unwrap().rows[0].body, expected);
}

pub fn deleted_is_read_and_not_found(store: &dyn Store) {
    let mut gone = input("a", 2, 1, r#"{"status":"final"}"#);
    gone.deleted = true;
    store
        .commit(&Commit {
            inputs: vec![input("a", 1, 0, "{}"), gone],
            ..Commit::default()
        })
        .unwrap();
    let served = store.read("Observation", "a").unwrap().unwrap();
    assert!(served.deleted);
    assert_eq!(served.version.id, "2");
    assert_eq!(store.search(&query()).unwrap().total, 0);
    assert_eq!(store.read("Observation", "b").unwrap(), None);
    store
        .commit(&Commit {
            inputs: vec![input("a", 3, 2, "{}")],
            ..Commit::default()
        })
        .unwrap();
    assert_eq!(found(store, &query()), ["a"]);
}

fn observation(system: Option<&str>, code: &str, status: &str, identifier: &str) -> String {
    json!({
        "resourceType": "Observation", "status": status,
        "identifier": [{"system": "urn:device", "value": identifier}, {"value": "shared"}],
        "code": {"coding": [{"system": system, "code": code}, {"system": "urn:local", "code": "p"}]},
        "component": [{"code": {"coding": [{"system": "http://loinc.org", "code": "8462-4"}]}}],
        "subject": {"reference": "Patient/sent"}
    })
    .to_string()
}

pub fn search_by_every_parameter(store: &dyn Store) {
    let loinc = Some("http://loinc.org");
    let mut other = input("c", 1, 2, &observation(None, "85354-9", "preliminary", "3"));
    other.patient = None;
    let mut not_observation = input("a", 1, 0, &observation(loinc, "85354-9", "final", "1"));
    not_observation.resource_type = "Communication".into();
    let inputs = vec![
        input("b", 1, 1, &observation(loinc, "8462-4", "final", "2")),
        input("a", 1, 0, &observation(loinc, "85354-9", "final", "old")),
        // The parameters of an earlier version no longer find it.
        input("a", 2, 0, &observation(loinc, "85354-9", "amended", "1")),
        other,
        not_observation,
    ];
    let delta: Value =
        serde_json::from_str(&observation(Some("urn:measurement"), "delta-pressure", "final", "4")).unwrap();
    store
        .commit(&Commit {
            inputs,
            derived: vec![derived(7, 3, delta)],
            ..Commit::default()
        })
        .unwrap();
    let code = |system: Option<&str>, code: &str| (system.map(str::to_owned), code.to_owned());
    let text = |texts: &[&str]| -> Vec<String> { texts.iter().map(|text| (*text).to_owned()).collect() };
    let codes = |codes: &[(Option<String>, String)]| SearchQuery {
        codes: codes.to_vec(),
        ..query()
    };
    let cases: Vec<(SearchQuery, &[&str])> = vec![
        (query(), &["a", "b", "c", OURS]),
        (
            SearchQuery {
                newest_first: true,
                ..query()
            },
            &[OURS, "c", "b", "a"],
        ),
        (
            SearchQuery {
                patient: Some("Patient/1".into()),
                ..query()
            },
            &["a", "b", OURS],
        ),
        // Without a patient key the subject is searched as it was sent.
        (
            SearchQuery {
                patient: Some("Patient/sent".into()),
                ..query()
            },
            &["c"],
        ),
        (codes(&[code(loinc, "8462-4")]), &["b"]),
        (codes(&[code(None, "85354-9")]), &["a", "c"]),
        (codes(&[code(Some(""), "85354-9")]), &["c"]),
        (
            codes(&[code(None, "85354-9"), code(Some("urn:measurement"), "delta-pressure")]),
            &["a", "c", OURS],
        ),
        (codes(&[code(Some("urn:local"), "85354-9")]), &[]),
        (
            SearchQuery {
                patient: Some("Patient/1".into()),
                ..codes(&[code(None, "85354-9"), code(loinc, "8462-4")])
            },
            &["a", "b"],
        ),
        (
            SearchQuery {
                ids: text(&["c", "a", "none"]),
                ..query()
            },
            &["a", "c"],
        ),
        (
            SearchQuery {
                statuses: text(&["final", "preliminary"]),
                ..query()
            },
            &["b", "c", OURS],
        ),
        (
            SearchQuery {
                identifier: Some(code(Some("urn:device"), "2")),
                ..query()
            },
            &["b"],
        ),
        (
            SearchQuery {
                identifier: Some(code(Some("urn:device"), "old")),
                ..query()
            },
            &[],
        ),
        (
            SearchQuery {
                identifier: Some(code(Some("urn:other"), "2")),
                ..query()
            },
            &[],
        ),
        (
            SearchQuery {
                identifier: Some(code(None, "shared")),
                ..query()
            },
            &["a", "b", "c", OURS],
        ),
        (
            SearchQuery {
                identifier: Some(code(Some(""), "shared")),
                ..codes(&[code(loinc, "8462-4")])
            },
            &["b"],
        ),
        (
            SearchQuery {
                updated_from: Some(at(1)),
                updated_before: Some(at(3)),
                ..query()
            },
            &["b", "c"],
        ),
        (
            SearchQuery {
                updated_from: Some(at(4)),
                ..query()
            },
            &[],
        ),
        (
            SearchQuery {
                resource_type: "Communication".into(),
                ..query()
            },
            &["a"],
        ),
    ];
    for (query, expected) in cases {
        assert_eq!(found(store, &query), expected, "{query:?}");
    }
}

pub fn search_by_effective_time(store: &dyn Store) {
    let inputs = [
        ("at", json!({"effectiveDateTime": "2026-03-05T22:10:00Z"})),
        ("day", json!({"effectiveDateTime": "2026-03-05"})),
        (
            "period",
            json!({"effectivePeriod": {"start": "2026-03-05T22:00:00Z", "end": "2026-03-05T22:10:00+00:00"}}),
        ),
        ("open", json!({"effectivePeriod": {"start": "2026-03-05T22:20:00Z"}})),
        ("none", json!({})),
        ("odd", json!({"effectiveDateTime": "yesterday"})),
    ]
    .map(|(id, body)| input(id, 1, 0, &body.to_string()));
    store
        .commit(&Commit {
            inputs: inputs.into(),
            ..Commit::default()
        })
        .unwrap();
    let between = |from: Option<i64>, before: Option<i64>| {
        let query = SearchQuery {
            effective_from: from.map(at),
            effective_before: before.map(at),
            ..query()
        };
        found(store, &query)
    };
    assert_eq!(between(Some(0), None), ["at", "day", "open", "period"]);
    assert_eq!(between(Some(1), None), ["day", "open"]);
    assert_eq!(between(None, Some(0)), ["day", "period"]);
    assert_eq!(between(Some(0), Some(1)), ["at", "day", "period"]);
    // Hours after that day in every zone: only the Period without an end still goes on.
    assert_eq!(between(Some(3 * 24 * 60), None), ["open"]);
}

pub fn pages_cover_every_match_once_in_order(store: &dyn Store) {
    // Equal times, so that the id decides; written in another order than they are served.
    let ids = ["e", "b", "d", "a", "c"];
    let inputs = ids.map(|id| input(id, 1, i64::from(id > "c"), "{}"));
    store
        .commit(&Commit {
            inputs: inputs.into(),
            ..Commit::default()
        })
        .unwrap();
    for (newest_first, expected) in [(false, ["a", "b", "c", "d", "e"]), (true, ["e", "d", "c", "b", "a"])] {
        let mut seen = Vec::new();
        for offset in [0, 2, 4, 6] {
            let page = store
                .search(&SearchQuery {
                    count: 2,
                    offset,
                    newest_first,
                    ..query()
                })
                .unwrap();
            assert_eq!(page.total, 5);
            assert_eq!(page.rows.len(), 2.min(5_usize.saturating_sub(offset)));
            seen.extend(page.rows.into_iter().map(|row| row.id));
        }
        assert_eq!(seen, expected);
    }
}
