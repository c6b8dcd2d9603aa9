//! The real process on a disk that takes no more: nothing is acknowledged, it says so, and it
//! heals by itself.

use crate::process::{BINARY, Running, config};
use serde_json::{Value, json};
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

fn reading(number: usize, code: Value, value: u32) -> Value {
    json!({"resourceType": "Observation", "id": format!("o{number}"), "status": "final",
        "code": {"coding": [code]}, "subject": {"reference": "Patient/p1"},
        "effectiveDateTime": "2026-03-05T10:00:00Z",
        "bodySite": {"coding": [
            {"system": "https://deltaward.example/fhir/CodeSystem/compartment", "code": "leg-anterior"},
            {"system": "http://snomed.info/sct", "code": "7771000"}]},
        // Room that a reading needs in the store.
        "note": [{"text": "invented ".repeat(2000)}],
        "valueQuantity": {"value": value, "unit": "mmHg", "system": "http://unitsofmeasure.org", "code": "mm[Hg]"}})
}

fn diastolic(number: usize) -> Value {
    reading(number, json!({"system": "http://loinc.org", "code": "8462-4"}), 70)
}

fn pressure(number: usize) -> Value {
    let system = "https://deltaward.example/fhir/CodeSystem/measurement";
    reading(number, json!({"system": system, "code": "compartment-pressure"}), 45)
}

async fn put(base: &str, resource: &Value) -> (u16, Option<String>, Value) {
    let url = format!("{base}/fhir/Observation/{}", resource["id"].as_str().unwrap());
    let request = reqwest::Client::new()
        .put(url)
        .header("content-type", "application/fhir+json");
    let answer = request.body(resource.to_string()).send().await.unwrap();
    let status = answer.status().as_u16();
    let after = answer
        .headers()
        .get("retry-after")
        .map(|value| value.to_str().unwrap().to_owned());
    (
        status,
        after,
        serde_json::from_str(&answer.text().await.unwrap()).unwrap(),
    )
}

async fn get(base: &str, path: &str) -> (u16, Value) {
    let answer = reqwest::get(format!("{base}/{path}")).await.unwrap();
    let status = answer.status().as_u16();
    (status, serde_json::from_str(&answer.text().await.unwrap()).unwrap())
}

fn store_check(ready: &Value) -> (bool, String) {
    let checks = ready["checks"].as_array().unwrap();
    let store = checks.iter().find(|check| check["name"] == "store").unwrap();
    (
        store["ok"].as_bool().unwrap(),
        store["detail"].as_str().unwrap().to_owned(),
    )
}

/// Fill the disk, see that nothing more is acknowledged, give room, see that all goes on.
/// RFC 9110, 10.2.3: Retry-After is a number of seconds; 15.6.4: 503 says that it is temporary.
async fn fills_and_heals(running: &mut Running, reason: &str, give_room: impl FnOnce(u32)) {
    let base = running.base.clone();
    let mut kept = 0;
    let refused = loop {
        let answer = put(&base, &diastolic(kept)).await;
        if answer.0 != 201 {
            break answer;
        }
        kept += 1;
        assert!(kept < 2000, "the disk is never full");
    };
    let (status, after, outcome) = refused;
    assert_eq!((status, after.as_deref()), (503, Some("10")), "{outcome}");
    assert_eq!(outcome["resourceType"], "OperationOutcome");
    assert_eq!(outcome["issue"][0]["code"], "transient");
    assert!(kept > 3, "{kept} were kept");
    let (code, ready) = get(&base, "health/ready").await;
    let (ok, detail) = store_check(&ready);
    assert_eq!((code, ok), (503, false), "{ready}");
    assert!(detail.contains(reason) && !detail.contains('/'), "{detail}");
    // It lives, shows what it has, and has nothing of what it refused.
    assert_eq!(get(&base, "health/live").await.0, 200);
    assert_eq!(get(&base, &format!("fhir/Observation/o{kept}")).await.0, 404);
    assert_eq!(put(&base, &pressure(9000)).await.0, 503);
    assert_eq!(get(&base, "fhir/Communication").await.1["total"], 0);
    give_room(running.id());
    let end = Instant::now() + Duration::from_secs(30);
    while get(&base, "health/ready").await.0 != 200 {
        assert!(Instant::now() < end, "it does not heal by itself");
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    // What was refused is new, and its alert is told once.
    assert_eq!(put(&base, &pressure(9000)).await.0, 201);
    assert_eq!(get(&base, "fhir/Communication").await.1["total"], 1);
    for number in 0..kept {
        let (code, _) = get(&base, &format!("fhir/Observation/o{number}")).await;
        assert_eq!(code, 200, "o{number} of {kept} was acknowledged and is lost");
    }
    running.signal("TERM");
    assert_eq!(running.wait().code(), Some(0));
}

/// A limit on the size of files, that of a quota or of `ulimit -f`: SQLite reports SQLITE_IOERR_WRITE.
#[tokio::test]
async fn past_a_size_limit_nothing_is_acknowledged_and_it_heals() {
    let folder = tempfile::tempdir().unwrap();
    let file = config(folder.path(), "");
    let mut limited = Command::new("prlimit");
    limited.args(["--fsize=1500000:unlimited", BINARY]);
    limited.args(["run", "--config", &file]);
    let mut running = Running::start_by(folder.path(), &mut limited);
    let give_room = |process: u32| {
        let given = Command::new("prlimit")
            .args([&format!("--pid={process}"), "--fsize=unlimited:unlimited"])
            .status();
        assert!(given.unwrap().success());
    };
    fills_and_heals(&mut running, "does not read or write", give_room).await;
    assert!(whole(&folder.path().join("deltaward.db")));
}

/// A small file system that is full (SQLITE_FULL), in a mount namespace of its own. Many build
/// machines forbid such namespaces; the size limit above shows the same on all of them.
#[tokio::test]
#[ignore = "needs a mount namespace (unshare -rm): run it where that is allowed"]
async fn on_a_full_disk_nothing_is_acknowledged_and_it_heals() {
    let folder = tempfile::tempdir().unwrap();
    let disk = folder.path().join("disk");
    std::fs::create_dir(&disk).unwrap();
    let mount = "mount -t tmpfs -o size=8m,mode=700 tmpfs \"$0\"";
    let file = config(folder.path(), "").clone();
    let text = std::fs::read_to_string(&file).unwrap();
    let path = disk.join("deltaward.db");
    std::fs::write(&file, text.replace("deltaward.db", path.to_str().unwrap())).unwrap();
    let mut small = Command::new("unshare");
    let then = "head -c 5000000 /dev/zero > \"$0/ballast\" && exec \"$1\" run --config \"$2\"";
    small.args(["-rm", "sh", "-c", &format!("{mount} && {then}")]);
    small.arg(&disk).arg(BINARY).arg(&file);
    let mut running = Running::start_by(folder.path(), &mut small);
    let give_room = |process: u32| {
        let inside = disk.strip_prefix("/").unwrap();
        let ballast = Path::new("/proc")
            .join(process.to_string())
            .join("root")
            .join(inside)
            .join("ballast");
        std::fs::remove_file(ballast).unwrap();
    };
    fills_and_heals(&mut running, "is full", give_room).await;
}

fn whole(path: &Path) -> bool {
    let raw = rusqlite::Connection::open(path).unwrap();
    let check: String = raw
        .pragma_query_value(None, "integrity_check", |row| row.get(0))
        .unwrap();
    check == "ok"
}

/// One writer: a second process on the same store says so and ends.
#[test]
fn a_second_process_on_the_same_store_refuses_to_start() {
    let folder = tempfile::tempdir().unwrap();
    let file = config(folder.path(), "");
    let first = Running::start(folder.path(), &["run", "--config", &file]);
    let second = Command::new(BINARY)
        .args(["run", "--config", &file])
        .current_dir(folder.path())
        .output()
        .unwrap();
    let said = String::from_utf8(second.stderr).unwrap();
    assert_eq!(second.status.code(), Some(1), "{said}");
    assert!(
        said.contains("is in use") && said.contains("deltaward.db.lock"),
        "{said}"
    );
    first.signal("KILL");
    drop(first);
    // The lock fell with the process, however it ended.
    let mut third = Running::start(folder.path(), &["run", "--config", &file]);
    third.signal("TERM");
    assert_eq!(third.wait().code(), Some(0));
}
