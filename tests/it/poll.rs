//! Polling against a FHIR server played by wiremock: what is asked, what is handed over, where the
//! cursor stands afterwards.

mod asks;
mod bounds;
mod cursor;
mod members;
mod odd;
mod patients;
mod procedures;

use crate::fhir_server::{Engine, FHIR_JSON, at, base, config, observation, page, parameters};
use deltaward::config::{PollMode, SourceConfig};
use deltaward::delivery::{ClientError, FhirClient};
use deltaward::fhir::Instant;
use deltaward::recognise::reading::PatientKey;
use deltaward::source::ask::Ask;
use deltaward::source::intake::Versioning;
use deltaward::source::poll::{CURSOR, Codes, MEMBERS_EVERY_POLLS, PollError, PollReport, Poller};
use deltaward::source::status::SourceStatus;
use deltaward::source::{Intake, Operation};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant as Clock};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use wiremock::matchers::{any, method, path, query_param, query_param_is_missing};
use wiremock::{Mock, MockServer, Request, ResponseTemplate};

const LOINC: &str = "http://loinc.org";

fn now() -> Instant {
    at("2026-03-05T22:00:00Z")
}

fn source(server: &MockServer) -> SourceConfig {
    SourceConfig {
        server: config(server),
        mode: PollMode::WholeSystem,
        interval_seconds: 1,
        overlap_seconds: 120,
        page_count: 200,
        max_pages: 1_000,
        start: Some(at("2026-03-05T10:00:00Z")),
        first_hours: 24,
        ask_diastolics: true,
        ask_timeout_seconds: 30,
        procedures: false,
    }
}

fn codes() -> Codes {
    let code = |code: &str| (String::from(LOINC), String::from(code));
    Codes {
        readings: vec![code("85354-9"), code("8462-4")],
        diastolics: vec![code("8462-4")],
    }
}

fn poller_with(config: SourceConfig, engine: &Engine, intake: Intake, codes: Codes) -> Arc<Poller<Engine>> {
    let client = Arc::new(FhirClient::new(&config.server).unwrap());
    let cursors = Arc::new(engine.clone());
    Arc::new(Poller::new(
        client,
        intake,
        cursors,
        config,
        codes,
        Arc::new(SourceStatus::default()),
    ))
}

/// A poller in whole-system mode with its engine.
fn poller(server: &MockServer) -> (Arc<Poller<Engine>>, Engine) {
    poller_of(source(server))
}

fn poller_of(config: SourceConfig) -> (Arc<Poller<Engine>>, Engine) {
    let (engine, intake) = Engine::start();
    (poller_with(config, &engine, intake, codes()), engine)
}

fn fhir(body: &Value) -> ResponseTemplate {
    ResponseTemplate::new(200).set_body_raw(body.to_string(), FHIR_JSON)
}

/// A server that answers the search with `first` and `?page=N` with the N-th of `further` (from 2).
async fn chain(server: &MockServer, first: Value, further: Vec<ResponseTemplate>) {
    Mock::given(path("/fhir/Observation"))
        .and(query_param_is_missing("page"))
        .respond_with(fhir(&first))
        .mount(server)
        .await;
    for (index, template) in further.into_iter().enumerate() {
        Mock::given(query_param("page", (index + 2).to_string()))
            .respond_with(template)
            .mount(server)
            .await;
    }
}

fn next(server: &MockServer, number: usize) -> String {
    format!("{}/Observation?page={number}", base(server))
}

fn sorted(server: &MockServer) -> String {
    format!("{}/Observation?code=a&_sort=_lastUpdated", base(server))
}

/// Observation `id`, version 1, updated at the given minute after 21:00.
fn minute(id: &str, minute: u32) -> Value {
    observation(id, "1", &moment(minute))
}

fn moment(minute: u32) -> String {
    format!("2026-03-05T21:{minute:02}:00.000Z")
}

async fn requests(server: &MockServer) -> Vec<Request> {
    server.received_requests().await.unwrap()
}
