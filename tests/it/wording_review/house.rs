//! The whole service in memory, and everything that it says.

use super::{Said, must_say, nothing_forbidden};
use axum::body::{Body, to_bytes};
use axum::http::{Request, header};
use deltaward::config::Config;
use deltaward::fhir::outcome;
use deltaward::fhir::{Instant, datetime};
use deltaward::pipeline::service::{Face, Service};
use deltaward::recognise::reading::PatientKey;
use deltaward::recognise::{ContextKind, Method, Side};
use deltaward::rules::Sheets;
use deltaward::rules::sheet::ExampleReading;
use deltaward::store::{Commit, OutboxEntry, OutboxState, Settlement, SqliteStore};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use tower::ServiceExt;

pub fn folder(path: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(path)
}

pub fn read(path: &str) -> String {
    std::fs::read_to_string(folder(path)).unwrap_or_else(|error| panic!("{path}: {error}"))
}

pub fn at(text: &str) -> Instant {
    datetime::parse(text).unwrap().earliest
}

/// Every JSON file of the Observations and of the official examples, by its path.
pub fn fixtures() -> BTreeMap<String, String> {
    let mut all = BTreeMap::new();
    for place in [
        "fixtures/observations",
        "fixtures/official",
        "fixtures/official/examples",
    ] {
        for entry in std::fs::read_dir(folder(place)).unwrap() {
            let name = entry.unwrap().file_name().into_string().unwrap();
            if name.ends_with(".json") {
                let path = format!("{place}/{name}");
                let body = read(&path);
                all.insert(path, body);
            }
        }
    }
    all
}

/// A running service and what it said.
pub struct House {
    service: Service,
    millis: Arc<AtomicI64>,
    said: BTreeSet<Said>,
    /// Communications that were checked, by id.
    checked: BTreeSet<String>,
    /// How many were of an open concern.
    open: usize,
    /// Rules that a message named.
    pub rules: BTreeSet<String>,
    /// What is wrong with them.
    missing: Vec<String>,
    pub sheets: Sheets,
}

impl House {
    pub fn start(now: Instant, mapping: Option<PathBuf>) -> Self {
        let millis = Arc::new(AtomicI64::new(now.millis()));
        let time = Arc::clone(&millis);
        let clock: deltaward::pipeline::Clock = Arc::new(move || Instant::from_millis(time.load(Ordering::SeqCst)));
        let mut config = Config::default();
        config.mapping.folder = mapping;
        let service = Service::start(&config, SqliteStore::in_memory().unwrap(), clock, Face::default()).unwrap();
        Self {
            service,
            millis,
            said: BTreeSet::new(),
            checked: BTreeSet::new(),
            open: 0,
            rules: BTreeSet::new(),
            missing: Vec::new(),
            sheets: Sheets::builtin().unwrap(),
        }
    }

    pub fn now(&self, now: Instant) {
        self.millis.store(now.millis(), Ordering::SeqCst);
    }

    async fn call(&self, method: &str, path: &str, kind: &str, body: &str) -> (u16, String) {
        let request = Request::builder()
            .method(method)
            .uri(path)
            .header(header::HOST, "127.0.0.1:8080")
            .header(header::CONTENT_TYPE, kind)
            .body(Body::from(body.to_owned()))
            .unwrap();
        let answer = self.service.router.clone().oneshot(request).await.unwrap();
        let status = answer.status().as_u16();
        let bytes = to_bytes(answer.into_body(), usize::MAX).await.unwrap();
        (status, String::from_utf8(bytes.to_vec()).unwrap())
    }

    /// A write; what a refusal says is kept.
    pub async fn send(&mut self, method: &str, path: &str, body: &str) -> u16 {
        self.send_as(method, path, "application/fhir+json", body).await
    }

    pub async fn send_as(&mut self, method: &str, path: &str, kind: &str, body: &str) -> u16 {
        let (status, text) = self.call(method, path, kind, body).await;
        if status >= 300 {
            self.strings(&format!("{method} {path}"), &json_or_text(&text));
        }
        status
    }

    async fn get(&self, path: &str) -> Value {
        json_or_text(&self.call("GET", path, "application/fhir+json", "").await.1)
    }

    /// Every text of a JSON value.
    pub fn strings(&mut self, place: &str, value: &Value) {
        match value {
            Value::String(text) => {
                self.said.insert(Said {
                    place: place.to_owned(),
                    text: text.clone(),
                });
            }
            Value::Array(items) => items.iter().for_each(|item| self.strings(place, item)),
            Value::Object(members) => {
                for (name, member) in members {
                    self.strings(&format!("{place}.{name}"), member);
                }
            }
            _ => {}
        }
    }

    pub async fn page(&mut self, path: &str) {
        let (_, html) = self.call("GET", path, "text/html", "").await;
        self.said.insert(Said {
            place: format!("page {path}"),
            text: text_of(&html),
        });
    }

    /// A patient's messages, derived Observations and page, as they are now.
    pub async fn look_at(&mut self, patient: &str) {
        let query = format!("patient={}&_count=1000", patient.replace('/', "%2F"));
        for message in self.all(&format!("/fhir/Communication?{query}")).await {
            let id = message["id"].as_str().unwrap().to_owned();
            if self.checked.insert(id.clone()) {
                self.strings(&format!("Communication {id} of {patient}"), &message);
                let sources = self.sources(&message).await;
                let born = self
                    .service
                    .store
                    .load_patient(&PatientKey(patient.into()))
                    .unwrap()
                    .birth_date;
                let sent = datetime::parse(message["sent"].as_str().unwrap()).unwrap().earliest;
                let sheet = self.sheets.for_patient(born.as_deref(), sent);
                let faults = must_say::faults(&message, &sources, sheet);
                let text = message["payload"][0]["contentString"].as_str().unwrap();
                self.open += usize::from(must_say::is_open(text));
                let fault = |fault: String| format!("Communication of {patient}: {fault}\n{text}");
                self.missing.extend(faults.into_iter().map(fault));
                for rule in &sheet.rules {
                    if text.contains(&format!("Rule {} (", rule.id)) {
                        self.rules.insert(rule.id.clone());
                    }
                }
            }
        }
        for delta in self
            .all(&format!("/fhir/Observation?{query}&code=delta-pressure"))
            .await
        {
            self.strings(&format!("derived Observation of {patient}"), &delta);
        }
        self.page(&format!("/patient?id={}", patient.replace('/', "%2F"))).await;
    }

    async fn all(&self, path: &str) -> Vec<Value> {
        let bundle = self.get(path).await;
        let entries = bundle["entry"].as_array().cloned().unwrap_or_default();
        entries
            .into_iter()
            .map(|entry| entry["resource"].clone())
            .filter(|resource| resource["resourceType"] != "OperationOutcome")
            .collect()
    }

    /// The Observations that a message rests on, through its delta Observation where it has one.
    async fn sources(&self, message: &Value) -> Vec<Value> {
        let mut sources = Vec::new();
        for about in message["about"].as_array().into_iter().flatten() {
            let Some(reference) = about["reference"].as_str() else {
                continue;
            };
            let resource = self.get(&format!("/fhir/{reference}")).await;
            match resource["derivedFrom"].as_array() {
                Some(from) => {
                    for source in from {
                        sources.push(
                            self.get(&format!("/fhir/{}", source["reference"].as_str().unwrap()))
                                .await,
                        );
                    }
                }
                None => sources.push(resource),
            }
        }
        sources
    }

    /// One fixture in a bed of its own, beside a low delta pressure, then taken back.
    pub async fn bed(&mut self, path: &str, body: &str, beside: bool) {
        let name = path.trim_start_matches("fixtures/").trim_end_matches(".json");
        let name = name.replace('/', "-").to_lowercase();
        let patient = format!("Patient/{name}");
        let body = body.replace("Patient/a\"", &format!("{patient}\""));
        if beside {
            for reading in companions(&name, &patient) {
                assert_eq!(
                    self.send(
                        "PUT",
                        &format!("/fhir/Observation/{}", reading["id"].as_str().unwrap()),
                        &reading.to_string()
                    )
                    .await,
                    201
                );
            }
            self.look_at(&patient).await;
        }
        self.send("POST", "/fhir/Observation", &body).await;
        self.send("POST", "/fhir", &body).await;
        self.look_at(&patient).await;
        if beside {
            for mut reading in companions(&name, &patient) {
                reading["status"] = json!("entered-in-error");
                self.send(
                    "PUT",
                    &format!("/fhir/Observation/{}", reading["id"].as_str().unwrap()),
                    &reading.to_string(),
                )
                .await;
                self.look_at(&patient).await;
            }
        }
    }

    /// Every page and document that is of no one patient.
    pub async fn everything(&mut self) {
        for path in [
            "/",
            "/rules",
            "/set-aside",
            "/stopped",
            "/patient?id=Patient%2Fnobody",
            "/nowhere",
            "/patient",
        ] {
            self.page(path).await;
        }
        let statement = self.get("/fhir/metadata").await;
        self.strings("CapabilityStatement", &statement);
        for device in self.all("/fhir/Device").await {
            self.strings("Device", &device);
        }
    }

    /// Fails when anything forbidden was said or anything is missing, or too little was looked at.
    pub async fn judge(self, texts: usize, open_messages: usize) {
        self.service.stop().await;
        let said: Vec<Said> = self.said.into_iter().collect();
        nothing_forbidden(&said, texts);
        assert!(
            self.open >= open_messages,
            "only {} messages of open concerns",
            self.open
        );
        assert!(self.missing.is_empty(), "{}", self.missing.join("\n\n"));
    }

    /// The clock goes on to `minute` of an example, and what falls due on the way is looked for.
    pub async fn later(&mut self, name: &str, start: Instant, minute: i64) {
        self.now(start.plus_minutes(minute + 1));
        // The engine looks for timers ten times a second.
        tokio::time::sleep(std::time::Duration::from_millis(300)).await;
        self.look_at(&format!("Patient/{name}")).await;
    }

    /// One reading of a rule's example, as a record would send it.
    pub async fn example(&mut self, name: &str, start: Instant, reading: &ExampleReading) {
        let patient = format!("Patient/{name}");
        self.now(start.plus_minutes(reading.minute + 1));
        let time = start.plus_minutes(reading.minute).to_string();
        let minute = reading.minute;
        let mut all = Vec::new();
        if let Some(value) = reading.diastolic {
            let code = match reading.method {
                Some(Method::ArterialLine) => "76213-8",
                Some(Method::Cuff) => "76535-4",
                _ => "8462-4",
            };
            let id = format!("d-{name}-{minute}-{code}");
            let code = json!({"system": "http://loinc.org", "code": code});
            all.push(observation(&id, &patient, &code, value, &time));
        }
        if let Some(value) = reading.mean {
            let code = json!({"system": "http://loinc.org", "code": "8478-0"});
            all.push(observation(
                &format!("m-{name}-{minute}"),
                &patient,
                &code,
                value,
                &time,
            ));
        }
        if reading.pressure.is_some() || reading.unusable.is_some() {
            let value = reading.pressure.unwrap_or(30);
            let mut pressure = pressure(&format!("c-{name}-{minute}"), &patient, value, &time);
            match reading.side {
                Some(Side::Unstated) => drop(pressure["bodySite"]["coding"].as_array_mut().unwrap().pop()),
                Some(Side::Right) => pressure["bodySite"]["coding"][1]["code"] = json!("24028007"),
                Some(Side::Left) | None => {}
            }
            if reading.unusable.is_some() {
                for unit in ["unit", "system", "code"] {
                    pressure["valueQuantity"].as_object_mut().unwrap().remove(unit);
                }
            }
            all.push(pressure);
        }
        if let Some(kind) = reading.context {
            let code = match kind {
                ContextKind::Anaesthesia => "anaesthesia",
                ContextKind::AfterIschaemia => "after-ischaemia",
            };
            all.push(json!({
                "resourceType": "Procedure", "id": format!("x-{name}-{minute}"), "status": "in-progress",
                "code": {"coding": [{"system": deltaward::recognise::READING_SYSTEM, "code": code}]},
                "subject": {"reference": patient}, "performedPeriod": {"start": time},
            }));
        }
        for resource in all {
            let kind = resource["resourceType"].as_str().unwrap();
            let address = format!("/fhir/{kind}/{}", resource["id"].as_str().unwrap());
            assert!(
                self.send("PUT", &address, &resource.to_string()).await < 300,
                "{address}"
            );
            self.look_at(&patient).await;
        }
    }

    /// What the page of stopped messages says when a server refuses with each official OperationOutcome.
    pub async fn stopped(&mut self) {
        // allok is no refusal: its one issue is information.
        let outcomes = fixtures()
            .into_iter()
            .filter(|(path, _)| path.contains("OperationOutcome") && !path.contains("allok"));
        for (number, (_, body)) in outcomes.enumerate() {
            let now = Instant::from_millis(self.millis.load(Ordering::SeqCst));
            let entry = OutboxEntry {
                seq: 0,
                group: 0,
                identity: uuid::Uuid::from_u128(number as u128),
                resource_type: "Communication".into(),
                patient: PatientKey("Patient/invented".into()),
                body: json!({}),
                state: OutboxState::Waiting,
                attempts: 0,
                next_attempt: now,
                last_answer: String::new(),
            };
            let commit = Commit {
                outbox: vec![vec![entry]],
                ..Commit::default()
            };
            self.service.store.commit(&commit).unwrap();
            let seq = self.service.store.outbox_due(now, 10).unwrap()[0].seq;
            let refused = Settlement {
                seq,
                state: OutboxState::Stopped,
                next_attempt: now,
                answer: format!("422: {}", outcome::summary(&body)),
                own_failure: false,
                remote_reference: None,
            };
            self.service.store.outbox_settle(&[refused], now).unwrap();
            self.page("/stopped").await;
            self.page("/").await;
        }
    }
}

fn json_or_text(text: &str) -> Value {
    serde_json::from_str(text).unwrap_or_else(|_| Value::String(text.to_owned()))
}

fn observation(id: &str, patient: &str, code: &Value, value: i64, time: &str) -> Value {
    let id: String = id
        .chars()
        .filter(|one| one.is_ascii_alphanumeric() || *one == '-')
        .take(64)
        .collect();
    json!({"resourceType": "Observation", "id": id, "status": "final", "code": {"coding": [code]},
        "subject": {"reference": patient}, "effectiveDateTime": time,
        "valueQuantity": {"value": value, "unit": "mmHg", "system": "http://unitsofmeasure.org", "code": "mm[Hg]"}})
}

fn pressure(id: &str, patient: &str, value: i64, time: &str) -> Value {
    let system = "https://deltaward.example/fhir/CodeSystem/measurement";
    let code = json!({"system": system, "code": "compartment-pressure"});
    let mut pressure = observation(id, patient, &code, value, time);
    pressure["bodySite"] = json!({"coding": [
        {"system": "https://deltaward.example/fhir/CodeSystem/compartment", "code": "leg-anterior"},
        {"system": "http://snomed.info/sct", "code": "7771000"}]});
    pressure
}

/// 70 − 45 = 25 (Whitesides 1975, Clin Orthop 113:43-51).
fn companions(name: &str, patient: &str) -> [Value; 2] {
    let code = json!({"system": "http://loinc.org", "code": "8462-4"});
    [
        observation(&format!("d-{name}"), patient, &code, 70, "2026-03-05T21:00:00Z"),
        pressure(&format!("c-{name}"), patient, 45, "2026-03-05T21:02:00Z"),
    ]
}

/// What a person reads or hears of a page: the text between tags, and the attributes that are read out.
pub fn text_of(html: &str) -> String {
    let mut text = String::new();
    for (number, piece) in html.split('<').enumerate() {
        let (tag, after) = if number == 0 {
            ("", piece)
        } else {
            piece.split_once('>').unwrap_or((piece, ""))
        };
        for name in ["aria-label", "title", "alt", "content", "placeholder"] {
            for value in tag.split(&format!(" {name}=\"")).skip(1) {
                text.push_str(&format!(" [{}]", value.split('"').next().unwrap()));
            }
        }
        text.push(' ');
        text.push_str(after);
    }
    let text = text
        .replace("&lt;", "<")
        .replace("&gt;", ">")
        .replace("&quot;", "\"")
        .replace("&amp;", "&");
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}
