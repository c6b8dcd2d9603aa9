//! The engine over a real store: versions as servers really send them, history, a changed mapping.

mod failing;
mod gone;
mod on_top;
mod procedures;
mod retention;

use deltaward::fhir::{Instant, datetime};
use deltaward::outbox::Mode;
use deltaward::patient::AskPolicy;
use deltaward::pipeline::engine::Outlets;
use deltaward::pipeline::{Clock, Engine, Settings};
use deltaward::recognise::Mapping;
use deltaward::recognise::mapping::BUILTIN_FILES;
use deltaward::recognise::reading::PatientKey;
use deltaward::rules::Sheets;
use deltaward::server::{Health, Metrics};
use deltaward::source::intake::{Operation, Versioning};
use deltaward::source::{Batch, CursorUpdate, Incoming, Intake};
use deltaward::store::{SearchQuery, SqliteStore, Store};
use serde_json::{Value, json};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use tokio::sync::{Notify, broadcast};
use tokio_util::sync::CancellationToken;

const MEASUREMENT: &str = "https://deltaward.example/fhir/CodeSystem/measurement";

fn at(text: &str) -> Instant {
    datetime::parse(text).unwrap().earliest
}

/// A running engine.
struct Running {
    store: Arc<dyn Store>,
    intake: Intake,
    /// The service's clock, milliseconds.
    clock: Arc<AtomicI64>,
    /// Patients whose Patient resource the engine asks for.
    asked_for: Option<tokio::sync::mpsc::Receiver<PatientKey>>,
    stop: CancellationToken,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Running {
    fn start(store: Arc<dyn Store>, mapping: Mapping) -> Self {
        Self::begin(store, mapping, false)
    }

    /// One whose source can be asked for a Patient.
    fn polling() -> Self {
        Self::begin(Arc::new(SqliteStore::in_memory().unwrap()), Mapping::builtin(), true)
    }

    fn begin(store: Arc<dyn Store>, mapping: Mapping, asks: bool) -> Self {
        let settings = Settings {
            sheets: Arc::new(Sheets::builtin().unwrap()),
            mapping: Arc::new(mapping),
            policy: AskPolicy {
                ask: false,
                timeout_seconds: 0,
            },
            mode: Mode::Live,
            deliver: true,
            recipients: Vec::new(),
            bases: Vec::new(),
            patients_in_memory: 100,
            batches_per_commit: 16,
        };
        let (intake, receiver) = Intake::new(16);
        let (watched, asked_for) = match asks {
            true => {
                let (sender, receiver) = tokio::sync::mpsc::channel(16);
                (Some(sender), Some(receiver))
            }
            false => (None, None),
        };
        let outlets = Outlets {
            events: broadcast::channel(64).0,
            metrics: Arc::new(Metrics::new()),
            health: Arc::new(Health::default()),
            questions: None,
            watched,
            outbox: Arc::new(Notify::new()),
        };
        let millis = Arc::new(AtomicI64::new(at("2026-03-05T12:00:00Z").millis()));
        let clock: Clock = {
            let millis = Arc::clone(&millis);
            Arc::new(move || Instant::from_millis(millis.load(Ordering::SeqCst)))
        };
        let mut engine = Engine::new(Arc::clone(&store), settings, clock, outlets, receiver).unwrap();
        engine.refresh().unwrap();
        let stop = CancellationToken::new();
        let thread = Some(engine.start(stop.clone()).unwrap());
        Self {
            store,
            intake,
            clock: millis,
            asked_for,
            stop,
            thread,
        }
    }

    fn fresh() -> Self {
        Self::start(Arc::new(SqliteStore::in_memory().unwrap()), Mapping::builtin())
    }

    fn end(mut self) -> Arc<dyn Store> {
        self.stop.cancel();
        self.thread.take().unwrap().join().unwrap();
        Arc::clone(&self.store)
    }

    async fn poll(&self, resources: &[Value]) {
        self.submit(Batch {
            items: resources.iter().map(incoming).collect(),
            ..Batch::default()
        })
        .await;
    }

    async fn submit(&self, batch: Batch) {
        self.intake.submit(batch).await.unwrap();
    }

    fn served(&self, kind: &str) -> Vec<Value> {
        let query = SearchQuery {
            resource_type: kind.into(),
            count: 1000,
            ..SearchQuery::default()
        };
        let rows = self.store.search(&query).unwrap().rows;
        rows.iter()
            .map(|row| serde_json::from_str(&row.body).unwrap())
            .collect()
    }

    fn deltas(&self) -> Vec<Value> {
        let is_delta = |resource: &Value| resource["code"]["coding"][0]["code"] == "delta-pressure";
        self.served("Observation").into_iter().filter(is_delta).collect()
    }

    fn messages(&self) -> Vec<Value> {
        self.served("Communication")
    }
}

fn incoming(resource: &Value) -> Incoming {
    Incoming {
        resource_type: resource["resourceType"].as_str().unwrap().into(),
        id: resource["id"].as_str().unwrap().into(),
        operation: Operation::Put(resource.to_string()),
        versioning: Versioning::Theirs,
        if_match: None,
    }
}

fn observation(id: &str, code: (&str, &str), value: i64, time: &str) -> Value {
    json!({"resourceType": "Observation", "id": id, "status": "final",
        "code": {"coding": [{"system": code.0, "code": code.1}]}, "subject": {"reference": "Patient/1"},
        "effectiveDateTime": format!("2026-03-05T{time}:00Z"),
        "valueQuantity": {"value": value, "system": "http://unitsofmeasure.org", "code": "mm[Hg]"}})
}

fn pressure(id: &str, value: i64, time: &str) -> Value {
    let mut resource = observation(id, (MEASUREMENT, "compartment-pressure"), value, time);
    resource["bodySite"] = json!({"coding": [
        {"system": "https://deltaward.example/fhir/CodeSystem/compartment", "code": "leg-anterior"},
        {"system": "http://snomed.info/sct", "code": "7771000"}]});
    resource
}

fn diastolic(id: &str, value: i64, time: &str) -> Value {
    observation(id, ("http://loinc.org", "8462-4"), value, time)
}

fn meta(mut resource: Value, version: &str, updated: &str) -> Value {
    resource["meta"] = json!({"versionId": version, "lastUpdated": format!("2026-03-05T{updated}:00Z")});
    resource
}

#[tokio::test]
async fn without_meta_what_the_server_shows_last_is_current() {
    let running = Running::fresh();
    running.poll(&[diastolic("d", 70, "10:00")]).await;
    for value in 30..=41 {
        running.poll(&[pressure("c", value, "10:02")]).await;
        assert_eq!(
            running.deltas()[0]["valueQuantity"]["value"],
            json!(f64::from(70 - i32::try_from(value).unwrap()))
        );
    }
    running.end();
}

#[tokio::test]
async fn an_opaque_version_id_with_the_same_last_updated_is_a_correction() {
    let running = Running::fresh();
    running
        .poll(&[
            diastolic("d", 70, "10:00"),
            meta(pressure("c", 31, "10:02"), "zzz", "10:03"),
        ])
        .await;
    running.poll(&[meta(pressure("c", 50, "10:02"), "aaa", "10:03")]).await;
    assert_eq!(running.deltas()[0]["valueQuantity"]["value"], json!(20.0));
    // An older version is still older.
    running.poll(&[meta(pressure("c", 10, "10:02"), "mmm", "10:01")]).await;
    assert_eq!(running.deltas()[0]["valueQuantity"]["value"], json!(20.0));
    running.end();
}

#[tokio::test]
async fn a_clock_that_ran_ahead_does_not_keep_a_retraction_out() {
    let running = Running::fresh();
    running
        .poll(&[
            diastolic("d", 70, "10:00"),
            meta(pressure("c", 45, "10:02"), "1", "11:30"),
        ])
        .await;
    let mut taken_back = meta(pressure("c", 45, "10:02"), "2", "10:30");
    taken_back["status"] = json!("entered-in-error");
    running.poll(&[taken_back]).await;
    assert_eq!(running.deltas()[0]["status"], "entered-in-error");
    running.end();
}

#[tokio::test]
async fn a_long_history_is_shown_at_once_and_told_once() {
    let running = Running::fresh();
    for (number, (value, time)) in [(45, "08:00"), (15, "08:30"), (12, "09:30"), (46, "10:00")]
        .into_iter()
        .enumerate()
    {
        let items = [
            diastolic(&format!("d{number}"), 70, time),
            pressure(&format!("c{number}"), value, time),
        ];
        let items = items.iter().map(incoming).collect();
        running
            .submit(Batch {
                items,
                history: true,
                ..Batch::default()
            })
            .await;
        assert_eq!(running.deltas().len(), number + 1);
        assert!(running.messages().is_empty());
    }
    let cursors = vec![CursorUpdate {
        name: "observations".into(),
        position: at("2026-03-05T10:05:00Z"),
    }];
    running
        .submit(Batch {
            cursors,
            ..Batch::default()
        })
        .await;
    let messages = running.messages();
    assert_eq!(messages.len(), 1, "{messages:?}");
    assert_eq!(messages[0]["priority"], "stat");
    running.end();
}

/// Two stores that write to one server must not take each other's messages for their own.
#[tokio::test]
async fn the_first_message_of_another_store_has_another_identity() {
    let mut identities = Vec::new();
    for value in [45, 80] {
        let running = Running::fresh();
        running
            .poll(&[diastolic("d", 70, "10:00"), pressure("c", value, "10:02")])
            .await;
        identities.push(running.messages()[0]["identifier"][0]["value"].clone());
        running.end();
    }
    assert_ne!(identities[0], identities[1]);
    // The same ground again, in a third store: the same message.
    let running = Running::fresh();
    running
        .poll(&[diastolic("d", 70, "10:00"), pressure("c", 45, "10:02")])
        .await;
    assert_eq!(running.messages()[0]["identifier"][0]["value"], identities[0]);
    running.end();
}

#[tokio::test]
async fn what_was_set_aside_is_tried_again_when_the_mapping_changes() {
    let running = Running::fresh();
    let local = ("urn:local", "tissue-pressure");
    let mut resource = pressure("c", 45, "10:02");
    resource["code"] = json!({"coding": [{"system": local.0, "code": local.1}]});
    running.poll(&[diastolic("d", 70, "10:00"), resource]).await;
    assert!(running.deltas().is_empty());
    let aside = running.store.set_aside(None, 10).unwrap();
    assert!(aside.iter().any(|row| row.source == "Observation/c"), "{aside:?}");
    let store = running.end();

    let files: Vec<(&str, String)> = BUILTIN_FILES
        .iter()
        .map(|(name, text)| match *name {
            "ConceptMap-reading.json" => (*name, with_local_code(text, local)),
            _ => (*name, (*text).to_owned()),
        })
        .collect();
    let running = Running::start(store, Mapping::from_files(&files).unwrap());
    assert_eq!(running.deltas()[0]["valueQuantity"]["value"], json!(25.0));
    let aside = running.store.set_aside(None, 10).unwrap();
    assert!(aside.iter().all(|row| row.source != "Observation/c"), "{aside:?}");
    running.end();
}

/// The reading map with one more code for a compartment pressure.
fn with_local_code(text: &str, (system, code): (&str, &str)) -> String {
    let mut map: Value = serde_json::from_str(text).unwrap();
    let groups = map["group"].as_array_mut().unwrap();
    let own = groups
        .iter()
        .find(|group| group["source"] == MEASUREMENT)
        .unwrap()
        .clone();
    let is_pressure = |element: &&Value| element["code"] == "compartment-pressure";
    let mut element = own["element"]
        .as_array()
        .unwrap()
        .iter()
        .find(is_pressure)
        .unwrap()
        .clone();
    element["code"] = json!(code);
    let mut group = own;
    group["source"] = json!(system);
    group["element"] = json!([element]);
    groups.push(group);
    map.to_string()
}

#[tokio::test]
async fn a_resource_that_moves_between_patients_takes_its_alert_along_and_back() {
    let running = Running::fresh();
    running
        .poll(&[
            diastolic("d", 70, "10:00"),
            meta(pressure("c", 45, "10:02"), "1", "10:03"),
        ])
        .await;
    let mut moved = meta(pressure("c", 45, "10:02"), "2", "10:04");
    moved["subject"] = json!({"reference": "Patient/2"});
    running.poll(&[moved]).await;
    assert_eq!(running.deltas()[0]["status"], "entered-in-error");
    let second = running.store.load_patient(&PatientKey("Patient/2".into())).unwrap();
    assert!(second.slots["Observation/c"].withdrawn.is_none());
    running.poll(&[meta(pressure("c", 45, "10:02"), "3", "10:05")]).await;
    let standing: Vec<Value> = running
        .deltas()
        .into_iter()
        .filter(|delta| delta["status"] != "entered-in-error")
        .collect();
    assert_eq!(standing.len(), 1, "{standing:?}");
    running.end();
}

/// The sheet that a derived resource names: its extension, id and hash.
fn sheet_of(resource: &Value) -> (String, String) {
    let extensions = resource["extension"].as_array().unwrap();
    let of_sheet = |one: &&Value| one["url"] == "https://deltaward.example/fhir/StructureDefinition/rule-sheet";
    let parts = &extensions.iter().find(of_sheet).unwrap()["extension"];
    let part = |index: usize| parts[index]["valueString"].as_str().unwrap().to_owned();
    (part(0), part(2))
}

fn person(id: &str, birth_date: &str) -> Value {
    json!({"resourceType": "Patient", "id": id, "birthDate": birth_date})
}

fn of(mut resource: Value, patient: &str) -> Value {
    resource["id"] = json!(format!("{}-{patient}", resource["id"].as_str().unwrap()));
    resource["subject"] = json!({"reference": format!("Patient/{patient}")});
    resource
}

/// The engine's clock stands at 2026-03-05: who was born on 2010-03-06 is 15.
#[tokio::test]
async fn each_patient_is_judged_by_the_sheet_of_their_age_and_everything_names_it() {
    let running = Running::fresh();
    let born = [
        ("old", "2010-03-05"),
        ("young", "2010-03-06"),
        ("month", "2010-03"),
        ("unknown", ""),
    ];
    for (patient, birth_date) in born {
        if !birth_date.is_empty() {
            running.poll(&[person(patient, birth_date)]).await;
        }
        let readings = [
            of(diastolic("d", 70, "10:00"), patient),
            of(pressure("c", 45, "10:02"), patient),
        ];
        running.poll(&readings).await;
    }
    let sheets = Sheets::builtin().unwrap();
    let [adult, child] = sheets.both();
    for (patient, sheet) in [("old", adult), ("young", child), ("month", child), ("unknown", adult)] {
        let of_patient = |one: &Value| one["subject"]["reference"] == json!(format!("Patient/{patient}"));
        let deltas: Vec<Value> = running.deltas().into_iter().filter(of_patient).collect();
        let messages: Vec<Value> = running.messages().into_iter().filter(of_patient).collect();
        assert_eq!((deltas.len(), messages.len()), (1, 1), "{patient}");
        for resource in deltas.iter().chain(&messages) {
            assert_eq!(sheet_of(resource), (sheet.id.clone(), sheet.hash.clone()), "{patient}");
        }
        let text = messages[0]["payload"][0]["contentString"].as_str().unwrap();
        let words = format!(
            "Rule sheet {}, version {}, {}.",
            sheet.id,
            sheet.version,
            &sheet.hash[..12]
        );
        assert!(text.contains(&words), "{patient}: {text}");
    }
    running.end();
}

/// The first message of a polled patient is held for the birth date, for five seconds at most.
#[tokio::test]
async fn a_first_message_is_held_for_the_birth_date_and_never_silenced() {
    let mut running = Running::polling();
    running
        .poll(&[diastolic("d", 85, "11:50"), pressure("c", 60, "11:52")])
        .await;
    assert!(
        running.messages().is_empty(),
        "told before it is known whose sheet judges"
    );
    assert_eq!(running.deltas().len(), 1, "what was computed stands");
    let asked = running.asked_for.as_mut().unwrap().recv().await.unwrap();
    assert_eq!(asked.0, "Patient/1");
    running.poll(&[person("1", "2018-05-01")]).await;
    let messages = running.messages();
    assert_eq!(messages.len(), 1, "{messages:?}");
    assert_eq!(sheet_of(&messages[0]).0, "child-limb");

    // Nobody answers: after five seconds it is told all the same.
    let other = [
        of(diastolic("d2", 85, "11:50"), "2"),
        of(pressure("c2", 60, "11:52"), "2"),
    ];
    running.poll(&other).await;
    running.clock.fetch_add(4_900, Ordering::SeqCst);
    running.poll(&[of(diastolic("d3", 84, "11:53"), "2")]).await;
    assert_eq!(running.messages().len(), 1);
    running.clock.fetch_add(100, Ordering::SeqCst);
    let end = std::time::Instant::now() + std::time::Duration::from_secs(10);
    while running.messages().len() < 2 {
        assert!(std::time::Instant::now() < end, "it was never told");
        tokio::time::sleep(std::time::Duration::from_millis(20)).await;
    }
    // From now on nothing is held.
    running.poll(&[of(pressure("c4", 66, "11:54"), "2")]).await;
    assert_eq!(running.messages().len(), 3, "critical by the newer reading");
    running.end();
}

/// The pressure alone raises nothing in a child (adult.toml: pressure-30 is for adults).
#[tokio::test]
async fn a_birth_date_that_arrives_later_changes_the_sheet_and_what_it_says() {
    let running = Running::fresh();
    running
        .poll(&[diastolic("d", 85, "10:00"), pressure("c", 35, "10:02")])
        .await;
    let first = running.messages();
    assert_eq!(first.len(), 1, "{first:?}");
    assert_eq!(sheet_of(&first[0]).0, "adult-limb");
    running.poll(&[person("1", "2018-05-01")]).await;
    let all = running.messages();
    assert_eq!(all.len(), 2, "{all:?}");
    let answer = all.iter().find(|one| one["inResponseTo"].is_array()).unwrap();
    assert_eq!(sheet_of(answer).0, "child-limb");
    // One that comes together with the readings counts already.
    let together = [
        of(diastolic("d", 85, "10:00"), "2"),
        of(pressure("c", 35, "10:02"), "2"),
        person("2", "2018-05-01"),
    ];
    running.poll(&together).await;
    let delta = running
        .deltas()
        .into_iter()
        .find(|one| one["subject"]["reference"] == "Patient/2")
        .unwrap();
    assert_eq!(sheet_of(&delta).0, "child-limb");
    assert_eq!(running.messages().len(), 2);
    running.end();
}

/// A store written before there was a children's sheet: its children are judged anew at start.
#[tokio::test]
async fn a_store_that_knows_no_childrens_sheet_is_judged_anew() {
    let running = Running::fresh();
    running
        .poll(&[diastolic("d", 85, "10:00"), pressure("c", 35, "10:02")])
        .await;
    let store = running.end();
    let meta = |name: &str| store.meta(name).unwrap();
    let sheets = Sheets::builtin().unwrap();
    assert_eq!(meta("sheet_hash"), Some(sheets.adult().hash.clone()));
    assert_eq!(meta("child_sheet_hash"), Some(sheets.child().hash.clone()));
    let mut state = store.load_patient(&PatientKey("Patient/1".into())).unwrap();
    state.birth_date = Some("2018-05-01".into());
    let change = deltaward::store::records::PatientChange {
        patient: state.patient.clone(),
        birth_date: state.birth_date.clone(),
        label: None,
        next_due: None,
        slots: Vec::new(),
        forgotten: Vec::new(),
        forgotten_standing: Vec::new(),
        standing: Vec::new(),
        concerns: Vec::new(),
        events: Vec::new(),
    };
    let commit = deltaward::store::Commit {
        patients: vec![change],
        meta: vec![("child_sheet_hash".into(), "0".into())],
        ..deltaward::store::Commit::default()
    };
    store.commit(&commit).unwrap();
    let running = Running::start(store, Mapping::builtin());
    assert_eq!(
        running.store.meta("child_sheet_hash").unwrap(),
        Some(sheets.child().hash.clone())
    );
    let messages = running.messages();
    assert_eq!(messages.len(), 2, "{messages:?}");
    assert!(
        messages.iter().any(|one| sheet_of(one).0 == "child-limb"),
        "{messages:?}"
    );
    running.end();
}
