//! Catching up after an outage: polling 1,000,000 waiting Observations from a server on this machine.
//! Target: 20,000 a second.

use super::data;
use super::intake::{figure, now};
use super::service::Process;
use anyhow::ensure;
use axum::Router;
use axum::extract::{Query, State};
use axum::http::header::CONTENT_TYPE;
use axum::response::IntoResponse;
use axum::routing::get;
use std::collections::HashMap;
use std::fmt::Write;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// Observations that wait; `BENCH_WAITING` takes another number for a quick look.
const WAITING: u64 = 1_000_000;
/// Entries of a page.
const PAGE: u64 = 1_000;
/// Patients.
const PATIENTS: u64 = 20_000;

/// What the server of the record serves.
struct Record {
    address: std::net::SocketAddr,
    start: deltaward::fhir::Instant,
    waiting: u64,
}

/// Measure.
pub async fn measure() -> anyhow::Result<()> {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await?;
    let start = now().plus_minutes(-120);
    let waiting = figure("BENCH_WAITING", WAITING)?;
    let record = Arc::new(Record {
        address: listener.local_addr()?,
        start,
        waiting,
    });
    let router = Router::new()
        .route("/fhir/Observation", get(search))
        .with_state(Arc::clone(&record));
    tokio::spawn(async move { axum::serve(listener, router).await });
    let folder = tempfile::tempdir()?;
    let tables = format!(
        "[source]\nfhir = \"http://{}/fhir\"\nmode = \"whole-system\"\npage_count = {PAGE}\nmax_pages = 2000\ninterval_seconds \
         = 1\nstart = \"{start}\"\nask_diastolics = false\n",
        record.address
    );
    let began = Instant::now();
    let ours = Process::deltaward(folder.path(), &tables)?;
    let took = loop {
        tokio::time::sleep(Duration::from_millis(200)).await;
        let held = held(&ours).await?;
        if held >= waiting {
            break began.elapsed();
        }
        ensure!(
            began.elapsed() < Duration::from_secs(900),
            "only {held} of {waiting} arrived"
        );
    };
    println!(
        "catch-up: {waiting} waiting Observations in {:.1} s: {:.0}/s (target 20,000/s), resident {} MiB",
        took.as_secs_f64(),
        waiting as f64 / took.as_secs_f64(),
        ours.resident_bytes()? >> 20
    );
    Ok(())
}

/// Observations that the service has kept, by its own count; none before the first.
async fn held(ours: &Process) -> anyhow::Result<u64> {
    let text = reqwest::get(format!("http://{}/metrics", ours.address))
        .await?
        .text()
        .await?;
    let created = text
        .lines()
        .find(|line| line.starts_with("deltaward_inputs_total{outcome=\"created\"}"));
    Ok(created
        .and_then(|line| line.rsplit(' ').next()?.parse().ok())
        .unwrap_or(0))
}

/// A page: by its number, or the first one at or after `_lastUpdated=ge…`.
async fn search(State(record): State<Arc<Record>>, Query(query): Query<HashMap<String, String>>) -> impl IntoResponse {
    let first = match query.get("page").and_then(|page| page.parse::<u64>().ok()) {
        Some(page) => page * PAGE,
        None => match query
            .get("_lastUpdated")
            .and_then(|since| deltaward::fhir::datetime::parse(since.trim_start_matches("ge")).ok())
        {
            Some(since) => u64::try_from(since.earliest.millis_since(record.start)).unwrap_or(0),
            None => 0,
        },
    };
    let waiting = record.waiting;
    // One more than a page is behind an odd start; the pages after it are even.
    let first = first / PAGE * PAGE;
    let last = (first + PAGE).min(waiting);
    let mut body = String::with_capacity(1_400 * usize::try_from(PAGE).unwrap_or(0));
    body.push_str(r#"{"resourceType":"Bundle","type":"searchset","link":["#);
    if last < waiting {
        let (address, page) = (record.address, last / PAGE);
        let _ = write!(
            body,
            r#"{{"relation":"next","url":"http://{address}/fhir/Observation?page={page}"}}"#
        );
    }
    body.push_str(r#"],"entry":["#);
    for number in first..last {
        let millis = i64::try_from(number).unwrap_or(0);
        let at = deltaward::fhir::Instant::from_millis(record.start.millis() + millis);
        let resource = data::observation(number, PATIENTS, at);
        let rest = resource.body.trim_start_matches(r#"{"resourceType":"Observation","#);
        // One meta: the panel's profile is not needed here.
        let rest = rest.replace(
            r#""meta":{"profile":["http://hl7.org/fhir/StructureDefinition/bp"]},"#,
            "",
        );
        let comma = if number == first { "" } else { "," };
        let _ = write!(
            body,
            r#"{comma}{{"resource":{{"resourceType":"Observation","meta":{{"versionId":"1","lastUpdated":"{at}"}},{rest},"search":{{"mode":"match"}}}}"#
        );
    }
    body.push_str("]}");
    ([(CONTENT_TYPE, "application/fhir+json")], body)
}
