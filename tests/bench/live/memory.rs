//! Memory of a patient, watched (with a compartment pressure) and unwatched (blood pressures only),
//! and the time until a service with 200,000 patients is ready again.
//! Targets: at most 4 KiB and 1 KiB, flat from 1,000 to 200,000 patients; ready within 2 s.

use super::data::{self, Resource};
use super::intake::now;
use super::load::Connection;
use super::service::Process;
use anyhow::ensure;
use std::net::SocketAddr;

/// Patients at which memory is read.
const STEPS: [u64; 4] = [1_000, 20_000, 100_000, 200_000];
/// Patients of one Bundle.
const PATIENTS_OF_A_BUNDLE: u64 = 100;

/// Measure.
pub async fn measure() -> anyhow::Result<()> {
    for watched in [false, true] {
        let folder = tempfile::tempdir()?;
        let ours = Process::deltaward(folder.path(), "")?;
        println!("memory: {} patients", if watched { "watched" } else { "unwatched" });
        let mut before: Option<(u64, u64)> = None;
        let mut done = 0;
        for patients in STEPS {
            fill(ours.address, done..patients, watched).await?;
            done = patients;
            let bytes = ours.resident_bytes()?;
            let each = before.map(|(fewer, less)| (bytes as f64 - less as f64) / (patients - fewer) as f64);
            match each {
                Some(each) => println!(
                    "  {patients} patients: {} MiB; {each:.0} bytes for each further one",
                    bytes >> 20
                ),
                None => println!("  {patients} patients: {} MiB", bytes >> 20),
            }
            before = Some((patients, bytes));
        }
        drop(ours);
        let again = Process::deltaward(folder.path(), "")?;
        println!(
            "  ready again after {:.2} s with {done} patients (target at most 2), {} MiB",
            again.start_up.as_secs_f64(),
            again.resident_bytes()? >> 20
        );
    }
    Ok(())
}

/// Two blood pressures of each patient and, for a watched one, a compartment pressure.
async fn fill(to: SocketAddr, patients: std::ops::Range<u64>, watched: bool) -> anyhow::Result<()> {
    let mut connection = Connection::open(to).await?;
    let start = now().plus_minutes(-30);
    for first in patients.clone().step_by(usize::try_from(PATIENTS_OF_A_BUNDLE)?) {
        let mut entries = Vec::new();
        for patient in first..(first + PATIENTS_OF_A_BUNDLE).min(patients.end) {
            entries.push(entry(&data::panel(patient * 4, patient, start)));
            entries.push(entry(&data::panel(patient * 4 + 1, patient, start.plus_minutes(15))));
            if watched {
                let number = patient * 4 + 2;
                entries.push(entry(&data::compartment(number, patient, 0, start.plus_minutes(16))));
            }
        }
        let body = format!(
            r#"{{"resourceType":"Bundle","type":"batch","entry":[{}]}}"#,
            entries.join(",")
        );
        let request = format!(
            "POST /fhir HTTP/1.1\r\nHost: {to}\r\nContent-Type: application/fhir+json\r\nContent-Length: {}\r\n\r\n{body}",
            body.len()
        );
        let status = connection.exchange(request.as_bytes()).await?;
        ensure!(status == 200, "a Bundle was answered {status}");
    }
    Ok(())
}

fn entry(resource: &Resource) -> String {
    let Resource { id, body, .. } = resource;
    format!(r#"{{"resource":{body},"request":{{"method":"PUT","url":"Observation/{id}"}}}}"#)
}
