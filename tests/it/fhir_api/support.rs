//! The endpoint with a store in memory and an engine that only counts versions.

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, Request, StatusCode, header};
use deltaward::config::ServerConfig;
use deltaward::fhir::Instant;
use deltaward::recognise::reading::Version;
use deltaward::server::{AppState, router};
use deltaward::source::intake::Submission;
use deltaward::source::{Answer, Batch, Incoming, Intake, IntakeError, Operation};
use deltaward::store::{Commit, DerivedRow, InputRow, SqliteStore, Store};
use serde_json::Value;
use std::path::PathBuf;
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, Mutex};
use tokio::sync::mpsc;
use tower::ServiceExt;

/// 2026-03-05T22:10:00Z (`date -u -d @1772748600`).
pub const START: i64 = 1_772_748_600_000;

/// A server under test.
pub struct Api {
    pub app: AppState,
    pub store: Arc<dyn Store>,
    pub millis: Arc<AtomicI64>,
    /// Every batch that the engine was given.
    pub batches: Arc<Mutex<Vec<Batch>>>,
}

/// An answer, read whole.
#[derive(Debug)]
pub struct Got {
    pub status: StatusCode,
    pub headers: HeaderMap,
    pub text: String,
}

impl Got {
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|error| panic!("{error}: {:?}", self.text))
    }

    pub fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", |value| value.to_str().unwrap())
    }

    /// The first issue, after checking that this is an OperationOutcome as FHIR JSON that passes
    /// the R4 schema.
    pub fn issue(&self, status: u16) -> Value {
        assert_eq!(self.status.as_u16(), status, "{}", self.text);
        assert_eq!(self.header("content-type"), "application/fhir+json");
        let outcome = self.json();
        assert_eq!(outcome["resourceType"], "OperationOutcome");
        assert_valid(&outcome);
        outcome["issue"][0].clone()
    }
}

pub fn server_config() -> ServerConfig {
    ServerConfig {
        listen: "127.0.0.1:8080".parse().unwrap(),
        max_body_bytes: 1 << 20,
        max_bundle_bytes: 16 << 20,
        max_depth: 64,
        queue_batches: 4,
        ..ServerConfig::default()
    }
}

impl Api {
    /// With the small engine.
    pub fn new() -> Self {
        Self::with(|store, millis, batches, receiver| {
            tokio::spawn(engine(store, millis, batches, receiver));
        })
    }

    /// With another receiving end.
    pub fn with(
        start: impl FnOnce(Arc<dyn Store>, Arc<AtomicI64>, Arc<Mutex<Vec<Batch>>>, mpsc::Receiver<Submission>),
    ) -> Self {
        let store: Arc<dyn Store> = Arc::new(SqliteStore::in_memory().unwrap());
        let millis = Arc::new(AtomicI64::new(START));
        let batches = Arc::new(Mutex::new(Vec::new()));
        let config = server_config();
        let (intake, receiver) = Intake::new(config.queue_batches);
        start(store.clone(), millis.clone(), batches.clone(), receiver);
        let now = millis.clone();
        let clock = Arc::new(move || Instant::from_millis(now.load(Ordering::SeqCst)));
        let app = AppState::new(intake, store.clone(), &config, clock);
        Self {
            app,
            store,
            millis,
            batches,
        }
    }

    pub fn router(&self) -> Router {
        router(self.app.clone(), axum::Router::new())
    }

    /// Seconds pass.
    pub fn pass(&self, seconds: i64) {
        self.millis.fetch_add(seconds * 1000, Ordering::SeqCst);
    }

    pub async fn send(&self, request: Request<Body>) -> Got {
        let response = self.router().oneshot(request).await.unwrap();
        let (parts, body) = response.into_parts();
        let bytes = to_bytes(body, usize::MAX).await.unwrap();
        Got {
            status: parts.status,
            headers: parts.headers,
            text: String::from_utf8(bytes.to_vec()).unwrap(),
        }
    }

    pub async fn call(&self, method: &str, path: &str, headers: &[(&str, &str)], body: impl Into<Body>) -> Got {
        let mut request = Request::builder().method(method).uri(path);
        if !headers.iter().any(|(name, _)| name.eq_ignore_ascii_case("host")) {
            request = request.header(header::HOST, "localhost:8080");
        }
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        self.send(request.body(body.into()).unwrap()).await
    }

    pub async fn get(&self, path: &str) -> Got {
        self.call("GET", path, &[], Body::empty()).await
    }

    pub async fn put(&self, path: &str, body: &Value) -> Got {
        self.call("PUT", path, &[FHIR], body.to_string()).await
    }

    pub async fn post(&self, path: &str, body: &Value) -> Got {
        self.call("POST", path, &[FHIR], body.to_string()).await
    }

    /// Put a derived resource into the store, as the engine would.
    pub fn derive(&self, resource_type: &str, identity: uuid::Uuid, body: Value) {
        let commit = Commit {
            derived: vec![DerivedRow {
                identity,
                resource_type: resource_type.into(),
                patient: None,
                body,
                last_updated: self.app.now(),
                version: 0,
            }],
            ..Commit::default()
        };
        self.store.commit(&commit).unwrap();
    }

    pub fn batch_count(&self) -> usize {
        self.batches.lock().unwrap().len()
    }
}

pub const FHIR: (&str, &str) = ("content-type", "application/fhir+json");

/// An official R4 example (fixtures/official/examples).
pub fn example(name: &str) -> String {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures/official/examples")
        .join(format!("{name}.json"));
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// Passes the R4 JSON Schema (profiles/schema, HL7's file) for its own resource type.
pub fn assert_valid(resource: &Value) {
    static SCHEMA: std::sync::OnceLock<Value> = std::sync::OnceLock::new();
    static VALIDATORS: Mutex<Vec<(String, Arc<jsonschema::Validator>)>> = Mutex::new(Vec::new());
    let kind = resource["resourceType"].as_str().unwrap().to_owned();
    let schema = SCHEMA.get_or_init(|| {
        let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("profiles/schema/fhir-r4.schema.json");
        serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
    });
    let mut validators = VALIDATORS.lock().unwrap();
    let known = validators
        .iter()
        .find(|(name, _)| *name == kind)
        .map(|(_, one)| one.clone());
    let validator = known.unwrap_or_else(|| {
        // The schema's own root is a choice of 148 types; the definition of one says what is wrong.
        let mut one = schema.clone();
        let root = one.as_object_mut().unwrap();
        root.remove("oneOf");
        root.remove("discriminator");
        root.insert("$ref".into(), format!("#/definitions/{kind}").into());
        let validator = Arc::new(jsonschema::draft6::new(&one).unwrap());
        validators.push((kind.clone(), validator.clone()));
        validator
    });
    drop(validators);
    let errors: Vec<String> = validator.iter_errors(resource).map(|error| error.to_string()).collect();
    assert!(errors.is_empty(), "{kind} is not valid R4: {errors:?}\n{resource}");
}

/// Keeps what comes in: versions 1, 2, …; an unchanged body makes none.
async fn engine(
    store: Arc<dyn Store>,
    millis: Arc<AtomicI64>,
    batches: Arc<Mutex<Vec<Batch>>>,
    mut receiver: mpsc::Receiver<Submission>,
) {
    while let Some(Submission { batch, reply }) = receiver.recv().await {
        batches.lock().unwrap().push(batch.clone());
        let now = Instant::from_millis(millis.load(Ordering::SeqCst));
        let mut rows: Vec<InputRow> = Vec::new();
        let mut answers: Vec<Answer> = Vec::new();
        for item in &batch.items {
            let held = rows
                .iter()
                .rev()
                .find(|row| row.resource_type == item.resource_type && row.id == item.id)
                .cloned()
                .or_else(|| store.input(&item.resource_type, &item.id).unwrap());
            let (answer, row) = apply(item, held.as_ref(), now);
            answers.push(answer);
            rows.extend(row);
        }
        let refused = |answer: &Answer| matches!(answer, Answer::Refused(_) | Answer::VersionConflict(_));
        if batch.atomic && answers.iter().any(refused) {
            rows.clear();
            for answer in answers.iter_mut().filter(|answer| !refused(answer)) {
                *answer = Answer::NotApplied;
            }
        }
        let commit = Commit {
            inputs: rows,
            ..Commit::default()
        };
        let committed = store.commit(&commit);
        let _caller_may_be_gone = reply.send(
            committed
                .map(|()| answers)
                .map_err(|error| IntakeError::Store(error.to_string())),
        );
    }
}

fn apply(item: &Incoming, held: Option<&InputRow>, now: Instant) -> (Answer, Option<InputRow>) {
    if let Some(wanted) = &item.if_match {
        let current = held.filter(|row| !row.deleted).map(|row| row.version.clone());
        if current.as_ref().map(|version| version.id.as_str()) != Some(wanted.as_str()) {
            return (Answer::VersionConflict(current), None);
        }
    }
    let number = held.and_then(|row| row.version.number).unwrap_or(0) + 1;
    let version = Version {
        last_updated: Some(now),
        number: Some(number),
        id: number.to_string().into(),
        digest: "".into(),
    };
    let row = |body: &str, deleted: bool| InputRow {
        resource_type: item.resource_type.clone(),
        id: item.id.clone(),
        version: version.clone(),
        received: now,
        patient: None,
        body: body.to_owned(),
        deleted,
    };
    match (&item.operation, held) {
        (Operation::Put(body), Some(held)) if !held.deleted && held.body == *body => {
            (Answer::Unchanged(held.version.clone()), None)
        }
        (Operation::Put(body), Some(held)) if !held.deleted => {
            (Answer::Updated(version.clone()), Some(row(body, false)))
        }
        (Operation::Put(body), _) => (Answer::Created(version.clone()), Some(row(body, false))),
        (Operation::Delete, None) => (Answer::NotFound, None),
        (Operation::Delete, Some(held)) if held.deleted => (Answer::Deleted, None),
        (Operation::Delete, Some(held)) => (Answer::Deleted, Some(row(&held.body, true))),
    }
}
