//! A FHIR server in memory: it is polled and written to. Conditional creates and updates go by
//! identifier (FHIR R4 §3.1.0.8.1, §3.1.0.4.3); a search answers everything that changed, derived
//! resources too, whatever codes were asked for.

use axum::extract::{Path, RawQuery, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Json, Router};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use tokio::net::TcpListener;

/// What it holds: `Type/id` → resource with meta, in order of change.
#[derive(Default)]
pub struct Held {
    resources: BTreeMap<String, Value>,
    next_id: u64,
    last_millis: i64,
    /// Writes that were answered.
    pub writes: u64,
}

/// Shared handle.
#[derive(Clone, Default)]
pub struct MemoryFhir(pub Arc<Mutex<Held>>);

impl MemoryFhir {
    /// Serve on a free port of the runtime at hand.
    pub async fn start() -> (Self, SocketAddr) {
        let own = Self::default();
        let router = Router::new()
            .route("/fhir/metadata", get(metadata))
            .route("/fhir", axum::routing::post(bundle))
            .route("/fhir/", axum::routing::post(bundle))
            .route("/fhir/{kind}", get(search).post(create).put(update_where))
            .route("/fhir/{kind}/{id}", get(read).put(update))
            .with_state(own.clone());
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        tokio::spawn(async move { axum::serve(listener, router).await });
        (own, address)
    }

    /// Store a resource as the record's own clients would.
    pub fn record(&self, resource: Value) {
        let mut held = self.0.lock().unwrap();
        let id = resource["id"].as_str().unwrap().to_owned();
        held.put(&id, resource);
    }

    /// All of one type.
    pub fn all(&self, kind: &str) -> Vec<Value> {
        let held = self.0.lock().unwrap();
        let of_kind = held.resources.values().filter(|one| one["resourceType"] == kind);
        of_kind.cloned().collect()
    }
}

impl Held {
    /// Write under this id; the version and whether it is new.
    fn put(&mut self, id: &str, mut resource: Value) -> (Value, bool) {
        let kind = resource["resourceType"].as_str().unwrap_or("Unknown").to_owned();
        let key = format!("{kind}/{id}");
        let before = self.resources.get(&key);
        let version = before.map_or(1, |one| {
            one["meta"]["versionId"].as_str().unwrap().parse::<u64>().unwrap() + 1
        });
        // Each change is later than the one before.
        self.last_millis = jiff::Timestamp::now().as_millisecond().max(self.last_millis + 1);
        let updated = deltaward::fhir::Instant::from_millis(self.last_millis).to_string();
        resource["id"] = json!(id);
        resource["meta"]["versionId"] = json!(version.to_string());
        resource["meta"]["lastUpdated"] = json!(updated);
        self.resources.insert(key, resource.clone());
        self.writes += 1;
        (resource, version == 1)
    }

    fn new_id(&mut self) -> String {
        self.next_id += 1;
        format!("r{}", self.next_id)
    }

    /// Ids of a type that carry `system|value`.
    fn with_identifier(&self, kind: &str, token: &str) -> Vec<String> {
        let (system, value) = token.split_once('|').unwrap_or(("", token));
        let of_kind = self.resources.values().filter(|one| one["resourceType"] == kind);
        let carries = |one: &&Value| {
            let identifiers = match &one["identifier"] {
                Value::Array(all) => all.clone(),
                Value::Null => Vec::new(),
                one => vec![one.clone()],
            };
            identifiers
                .iter()
                .any(|one| one["system"] == system && one["value"] == value)
        };
        of_kind
            .filter(carries)
            .map(|one| one["id"].as_str().unwrap().to_owned())
            .collect()
    }

    /// A write, conditional on `token` when there is one: status, id, resource.
    fn conditional(&mut self, resource: Value, token: Option<&str>, updates: bool) -> (u16, Value) {
        let kind = resource["resourceType"].as_str().unwrap_or("Unknown").to_owned();
        let matches = token
            .map(|token| self.with_identifier(&kind, token))
            .unwrap_or_default();
        match matches.as_slice() {
            [] => {
                let id = self.new_id();
                (201, self.put(&id, resource).0)
            }
            [id] if updates => (200, self.put(&id.clone(), resource).0),
            [id] => (200, self.resources[&format!("{kind}/{id}")].clone()),
            _ => (412, Value::Null),
        }
    }
}

fn fhir(status: u16, body: &Value) -> Response {
    let status = StatusCode::from_u16(status).unwrap();
    (
        status,
        [(header::CONTENT_TYPE, "application/fhir+json")],
        body.to_string(),
    )
        .into_response()
}

fn written(status: u16, resource: &Value) -> Response {
    let location = format!(
        "{}/{}",
        resource["resourceType"].as_str().unwrap_or(""),
        resource["id"].as_str().unwrap_or("")
    );
    let mut response = fhir(status, resource);
    response
        .headers_mut()
        .insert(header::LOCATION, location.parse().unwrap());
    response
}

fn parameters(query: &str) -> Vec<(String, String)> {
    url::form_urlencoded::parse(query.as_bytes()).into_owned().collect()
}

fn parameter<'q>(query: &'q [(String, String)], name: &str) -> Option<&'q str> {
    query
        .iter()
        .find(|(key, _)| key == name)
        .map(|(_, value)| value.as_str())
}

fn identifier_of(query: &str) -> Option<String> {
    parameter(&parameters(query), "identifier").map(str::to_owned)
}

async fn metadata() -> Response {
    let conditional = |kind: &str| {
        json!({"type": kind, "conditionalCreate": true, "conditionalUpdate": true,
            "interaction": [{"code": "create"}, {"code": "update"}, {"code": "search-type"}]})
    };
    let resource: Vec<Value> = ["Observation", "Communication", "Device"].map(conditional).into();
    fhir(
        200,
        &json!({"resourceType": "CapabilityStatement", "status": "active", "date": "2026-01-01", "kind": "instance",
            "fhirVersion": "4.0.1", "format": ["json"],
            "rest": [{"mode": "server", "interaction": [{"code": "transaction"}], "resource": resource}]}),
    )
}

async fn bundle(State(own): State<MemoryFhir>, Json(bundle): Json<Value>) -> Response {
    let mut held = own.0.lock().unwrap();
    let mut entries = Vec::new();
    for entry in bundle["entry"].as_array().cloned().unwrap_or_default() {
        let (method, url) = (
            entry["request"]["method"].as_str().unwrap(),
            entry["request"]["url"].as_str().unwrap(),
        );
        let resource = entry["resource"].clone();
        let (target, query) = url.split_once('?').unwrap_or((url, ""));
        let (status, stored) = match (method, target.split_once('/')) {
            ("PUT", Some((_, id))) => (200, held.put(id, resource).0),
            ("PUT", None) => held.conditional(resource, identifier_of(query).as_deref(), true),
            _ => {
                let condition = entry["request"]["ifNoneExist"].as_str().unwrap_or_default();
                held.conditional(resource, identifier_of(condition).as_deref(), false)
            }
        };
        assert_ne!(status, 412, "an identifier stands twice");
        let location = format!(
            "{}/{}/_history/{}",
            stored["resourceType"].as_str().unwrap(),
            stored["id"].as_str().unwrap(),
            stored["meta"]["versionId"].as_str().unwrap()
        );
        let words = if status == 201 { "201 Created" } else { "200 OK" };
        entries.push(json!({"resource": stored, "response": {"status": words, "location": location}}));
    }
    fhir(
        200,
        &json!({"resourceType": "Bundle", "type": "transaction-response", "entry": entries}),
    )
}

async fn create(State(own): State<MemoryFhir>, headers: HeaderMap, Json(resource): Json<Value>) -> Response {
    let condition = headers
        .get("if-none-exist")
        .map(|value| value.to_str().unwrap().to_owned());
    // The header's token is not percent-encoded.
    let token = condition.as_deref().and_then(|text| text.strip_prefix("identifier="));
    let (status, stored) = own.0.lock().unwrap().conditional(resource, token, false);
    written(status, &stored)
}

async fn update_where(
    State(own): State<MemoryFhir>,
    RawQuery(query): RawQuery,
    Json(resource): Json<Value>,
) -> Response {
    let token = identifier_of(&query.unwrap_or_default());
    let (status, stored) = own.0.lock().unwrap().conditional(resource, token.as_deref(), true);
    written(status, &stored)
}

async fn update(
    State(own): State<MemoryFhir>,
    Path((_, id)): Path<(String, String)>,
    Json(resource): Json<Value>,
) -> Response {
    let (stored, new) = own.0.lock().unwrap().put(&id, resource);
    written(if new { 201 } else { 200 }, &stored)
}

async fn read(State(own): State<MemoryFhir>, Path((kind, id)): Path<(String, String)>) -> Response {
    let held = own.0.lock().unwrap();
    match held.resources.get(&format!("{kind}/{id}")) {
        Some(resource) => fhir(200, resource),
        // Every patient is an invented adult.
        None if kind == "Patient" => fhir(
            200,
            &json!({"resourceType": "Patient", "id": id, "birthDate": "1980-01-01",
                "meta": {"versionId": "1", "lastUpdated": "2026-01-01T00:00:00Z"}}),
        ),
        None => fhir(
            404,
            &json!({"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "not-found"}]}),
        ),
    }
}

async fn search(
    State(own): State<MemoryFhir>,
    Path(kind): Path<String>,
    RawQuery(query): RawQuery,
    headers: HeaderMap,
) -> Response {
    let text = query.unwrap_or_default();
    let query = parameters(&text);
    let held = own.0.lock().unwrap();
    let mut found: Vec<&Value> = held
        .resources
        .values()
        .filter(|one| one["resourceType"] == kind.as_str())
        .collect();
    if let Some(token) = parameter(&query, "identifier") {
        let ids = held.with_identifier(&kind, token);
        found.retain(|one| ids.iter().any(|id| one["id"] == id.as_str()));
    }
    if let Some(patient) = parameter(&query, "patient") {
        let patient = format!("Patient/{}", patient.trim_start_matches("Patient/"));
        found.retain(|one| one["subject"]["reference"] == patient.as_str());
    }
    if let Some(from) = parameter(&query, "_lastUpdated").and_then(|value| value.strip_prefix("ge")) {
        let from = deltaward::fhir::datetime::parse(from).unwrap().earliest;
        found.retain(|one| {
            let updated = one["meta"]["lastUpdated"].as_str().unwrap();
            deltaward::fhir::datetime::parse(updated).unwrap().earliest >= from
        });
    }
    found.sort_by_key(|one| one["meta"]["lastUpdated"].as_str().unwrap().to_owned());
    let number = |name: &str, default: usize| parameter(&query, name).map_or(default, |value| value.parse().unwrap());
    let (count, skip) = (number("_count", 100).max(1), number("_skip", 0));
    let page: Vec<Value> = found
        .iter()
        .skip(skip)
        .take(count)
        .map(|one| json!({"resource": one, "search": {"mode": "match"}}))
        .collect();
    let host = headers.get(header::HOST).unwrap().to_str().unwrap();
    let kept: Vec<&str> = text.split('&').filter(|part| !part.starts_with("_skip=")).collect();
    let own_url = format!("http://{host}/fhir/{kind}?{text}");
    let mut links = vec![json!({"relation": "self", "url": own_url})];
    if skip + count < found.len() {
        let next = format!("http://{host}/fhir/{kind}?{}&_skip={}", kept.join("&"), skip + count);
        links.push(json!({"relation": "next", "url": next}));
    }
    fhir(
        200,
        &json!({"resourceType": "Bundle", "type": "searchset", "link": links, "entry": page}),
    )
}
