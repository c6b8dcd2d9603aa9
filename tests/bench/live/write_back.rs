//! From the answer to an Observation until the server of the record has accepted what was derived
//! from it, at 1,000 Observations a second. Target: p99 at most 50 ms.

use super::data;
use super::intake::now;
use super::load::{Connection, put};
use super::service::Process;
use anyhow::ensure;
use axum::routing::{get, post};
use axum::{Json, Router};
use serde_json::{Value, json};
use sha2::Digest;
use std::collections::HashMap;
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// Observations a second.
const RATE: u64 = 1_000;
/// Seconds of load; the first five do not count.
const SECONDS: u64 = 25;
const WARM_UP_SECONDS: u64 = 5;
/// Connections that share the load.
const CONNECTIONS: u64 = 16;
/// Patients.
const PATIENTS: u64 = 1_000;

/// When the record accepted what was derived from each compartment reading.
type Accepted = Arc<Mutex<HashMap<String, Instant>>>;

/// Measure.
pub async fn measure() -> anyhow::Result<()> {
    let accepted = Accepted::default();
    let record = record(Arc::clone(&accepted)).await?;
    let folder = tempfile::tempdir()?;
    let rules = approved_rules(folder.path())?;
    let tables =
        format!("[sink]\nfhir = \"http://{record}/fhir\"\nmode = \"live\"\nrecipients = [\"CareTeam/ward\"]\n{rules}");
    let ours = Process::deltaward(folder.path(), &tables)?;
    let answered = load(&ours).await?;
    // Everything that was derived has arrived when nothing more comes for a while.
    let mut seen = 0;
    loop {
        tokio::time::sleep(Duration::from_secs(2)).await;
        let count = locked(&accepted).len();
        if count == seen {
            break;
        }
        seen = count;
    }
    let accepted = locked(&accepted);
    let mut millis: Vec<f64> = Vec::new();
    let mut missing = 0;
    for (id, at) in &answered {
        match accepted.get(id) {
            Some(arrived) => millis.push(arrived.saturating_duration_since(*at).as_secs_f64() * 1000.0),
            None => missing += 1,
        }
    }
    millis.sort_by(f64::total_cmp);
    ensure!(!millis.is_empty(), "nothing was written back");
    let at = |percent: usize| millis[(millis.len() * percent / 100).min(millis.len() - 1)];
    println!(
        "write-back: {} compartment readings among {RATE} Observations/s, from the answer to the acceptance of the derived \
         Observation: median {:.1} ms, p99 {:.1} ms (target at most 50), longest {:.1} ms; not written back: {missing}",
        millis.len(),
        at(50),
        at(99),
        at(100)
    );
    ensure!(missing == 0, "{missing} compartment readings were not written back");
    Ok(())
}

/// When each compartment reading after the warm-up was answered.
async fn load(ours: &Process) -> anyhow::Result<Vec<(String, Instant)>> {
    let start = Instant::now();
    let measured = now().plus_minutes(-30);
    let mut tasks = Vec::new();
    for lane in 0..CONNECTIONS {
        let to = ours.address;
        tasks.push(tokio::spawn(async move {
            let mut connection = Connection::open(to).await?;
            let mut answered = Vec::new();
            for number in (lane..RATE * SECONDS).step_by(usize::try_from(CONNECTIONS)?) {
                let due = start + Duration::from_micros(number * 1_000_000 / RATE);
                tokio::time::sleep_until(due.into()).await;
                let at = measured.plus_seconds(i64::try_from(number / RATE)?);
                let resource = data::observation(number, PATIENTS, at);
                let status = connection.exchange(&put(to, &resource.id, &resource.body)).await?;
                ensure!(status == 201, "Observation/{} was answered {status}", resource.id);
                if resource.compartment && number >= RATE * WARM_UP_SECONDS {
                    answered.push((resource.id, Instant::now()));
                }
            }
            anyhow::Ok(answered)
        }));
    }
    let mut all = Vec::new();
    for task in tasks {
        all.extend(task.await??);
    }
    Ok(all)
}

/// A FHIR server of the record that takes transactions and keeps the time of each acceptance.
async fn record(accepted: Accepted) -> anyhow::Result<std::net::SocketAddr> {
    let take = move |Json(bundle): Json<Value>| {
        let accepted = Arc::clone(&accepted);
        async move { Json(answer(&bundle, &accepted)) }
    };
    let router = Router::new()
        .route("/fhir/metadata", get(async || Json(capabilities())))
        .route("/fhir", post(take));
    let router = router.layer(axum::extract::DefaultBodyLimit::max(16 * 1024 * 1024));
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await?;
    let address = listener.local_addr()?;
    tokio::spawn(async move { axum::serve(listener, router).await });
    Ok(address)
}

fn answer(bundle: &Value, accepted: &Accepted) -> Value {
    let mut entries = Vec::new();
    for entry in bundle["entry"].as_array().into_iter().flatten() {
        let kind = entry["resource"]["resourceType"].as_str().unwrap_or_default();
        let identity = entry["fullUrl"]
            .as_str()
            .unwrap_or_default()
            .trim_start_matches("urn:uuid:");
        for from in entry["resource"]["derivedFrom"].as_array().into_iter().flatten() {
            let id = from["reference"]
                .as_str()
                .and_then(|text| text.rsplit('/').next())
                .unwrap_or_default();
            if id.starts_with('c') {
                locked(accepted).entry(id.to_owned()).or_insert_with(Instant::now);
            }
        }
        entries
            .push(json!({"response": {"status": "201 Created", "location": format!("{kind}/{identity}/_history/1")}}));
    }
    json!({"resourceType": "Bundle", "type": "transaction-response", "entry": entries})
}

fn capabilities() -> Value {
    json!({"resourceType": "CapabilityStatement", "status": "active", "kind": "instance", "fhirVersion": "4.0.1",
        "rest": [{"mode": "server", "interaction": [{"code": "transaction"}], "resource": [
            {"type": "Observation", "conditionalCreate": true, "conditionalUpdate": true},
            {"type": "Communication", "conditionalCreate": true},
            {"type": "Device", "conditionalCreate": true}]}]})
}

/// The built-in sheets, saved and approved in `folder`: the `[rules]` table that names them.
fn approved_rules(folder: &Path) -> anyhow::Result<String> {
    let sheets = [
        ("adult.toml", include_str!("../../../profiles/rules/adult.toml")),
        ("child.toml", include_str!("../../../profiles/rules/child.toml")),
    ];
    for (name, text) in sheets {
        std::fs::write(folder.join(name), text)?;
        let hash = format!("{:x}", sha2::Sha256::digest(text));
        let record = format!(
            "[[approval]]\nsheet = \"bench\"\nversion = \"0\"\nsha256 = \"{hash}\"\nat = \"2026-03-05T10:00:00Z\"\nrole = \
             \"invented committee\"\nnote = \"for a bench\"\n"
        );
        std::fs::write(folder.join(format!("{name}.approval.toml")), record)?;
    }
    let folder = folder.display();
    Ok(format!(
        "[rules]\nsheet = \"{folder}/adult.toml\"\nchild_sheet = \"{folder}/child.toml\"\n"
    ))
}

fn locked<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}
