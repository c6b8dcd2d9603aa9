//! One run of a history, from the first event until everything is delivered and every timer has passed.

use crate::check;
use crate::history::{Event, History, Says, Way, What, error_resource};
use crate::life::Life;
use crate::process::Process;
use crate::world::{Counts, World};
use deltaward::source::intake::{Operation, Versioning};
use deltaward::source::{Batch, Incoming, Intake};
use deltaward::store::{OutboxState, SqliteStore, Store};
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::sync::mpsc;

/// What came of a run.
#[derive(Debug)]
pub struct Outcome {
    pub wrong: Vec<String>,
    pub counts: Counts,
    /// Simulated milliseconds and requests: equal for equal runs.
    pub trace: u64,
}

/// What the clients of the process share.
struct Shared {
    world: Arc<World>,
    store: Arc<SqliteStore>,
    history: History,
    intake: Mutex<Option<Intake>>,
    /// Writes that were not acknowledged yet.
    waiting: AtomicUsize,
    life: Mutex<Arc<Life>>,
    panicked: AtomicBool,
}

/// Run on a thread of its own clock.
pub fn run(history: &History) -> Outcome {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .start_paused(true)
        .build()
        .unwrap();
    let outcome = runtime.block_on(lived(history.clone()));
    runtime.shutdown_background();
    outcome
}

async fn lived(history: History) -> Outcome {
    let shared = Arc::new(Shared {
        world: Arc::new(World::new(&history)),
        store: Arc::new(SqliteStore::in_memory().unwrap()),
        history: history.clone(),
        intake: Mutex::new(None),
        waiting: AtomicUsize::new(0),
        life: Mutex::new(Life::new(0)),
        panicked: AtomicBool::new(false),
    });
    let keeper = tokio::spawn(keep_alive(Arc::clone(&shared)));
    let mut clients: BTreeMap<String, mpsc::UnboundedSender<Incoming>> = BTreeMap::new();
    let mut last: BTreeMap<String, Incoming> = BTreeMap::new();
    for event in &history.events {
        happen(&shared, event, &mut clients, &mut last).await;
    }
    let mut wrong = settle(&shared).await;
    if wrong.is_empty() {
        wrong = check::differences(&history, &shared.world, &shared.store);
    }
    if shared.panicked.load(Ordering::SeqCst) {
        wrong.push(String::from("a task of the process panicked"));
    }
    keeper.abort();
    let mut inner = shared.world.lock();
    let counts = std::mem::take(&mut inner.counts);
    let trace = inner.rng.next();
    drop(inner);
    Outcome { wrong, counts, trace }
}

/// A process runs; when it dies another one starts.
async fn keep_alive(shared: Arc<Shared>) {
    loop {
        let moments = {
            let mut inner = shared.world.lock();
            let rate = inner.troubles.crash;
            match rate {
                0 => 0,
                rate => 1 + inner.rng.below(2000 / rate),
            }
        };
        let life = Life::new(moments);
        *shared.life.lock().unwrap() = Arc::clone(&life);
        if let Some(process) = Process::start(&shared.world, &shared.store, &shared.history, &life) {
            *shared.intake.lock().unwrap() = Some(process.intake.clone());
            life.died.notified().await;
            *shared.intake.lock().unwrap() = None;
            if process.bury().await {
                shared.panicked.store(true, Ordering::SeqCst);
                return;
            }
        }
        let pause = {
            let mut inner = shared.world.lock();
            inner.count(if life.is_dead() { "crashes" } else { "failed starts" });
            inner.rng.pick(&[1, 50, 800])
        };
        tokio::time::sleep(Duration::from_millis(pause)).await;
    }
}

async fn happen(
    shared: &Arc<Shared>,
    event: &Event,
    clients: &mut BTreeMap<String, mpsc::UnboundedSender<Incoming>>,
    last: &mut BTreeMap<String, Incoming>,
) {
    let world = &shared.world;
    world.skip_to(crate::history::NOON + event.minute * 60_000);
    tokio::time::sleep(Duration::from_millis(event.wait_millis)).await;
    world.lock().count("events");
    match &event.what {
        What::ClockWrong(minutes) => world.clock_wrong(*minutes),
        What::Write {
            source,
            way,
            says,
            late,
        } => {
            let incoming = incoming(source, says);
            match way {
                Way::Polled => {
                    let hidden = late.then(|| tokio::time::Instant::now() + Duration::from_secs(20));
                    let Operation::Put(body) = &incoming.operation else {
                        return;
                    };
                    let body = serde_json::from_str(body).unwrap();
                    let now = world.now();
                    let mut inner = world.lock();
                    inner.server.hospital_writes(source, body, now, hidden);
                    if *late {
                        inner.count("late commits");
                    }
                }
                Way::Rest => {
                    last.insert(source.clone(), incoming.clone());
                    send(shared, clients, source, incoming);
                }
            }
        }
        What::Again { source, way } => match way {
            Way::Polled => {
                let now = world.now();
                world.lock().server.hospital_repeats(source, now);
            }
            Way::Rest => {
                if let Some(incoming) = last.get(source).cloned() {
                    send(shared, clients, source, incoming);
                }
            }
        },
    }
}

fn incoming(source: &str, says: &Says) -> Incoming {
    let operation = match says {
        Says::Fact(fact) => Operation::Put(fact.resource(source).to_string()),
        Says::Error(patient) => Operation::Put(error_resource(source, patient).to_string()),
        Says::Deleted => Operation::Delete,
    };
    Incoming {
        resource_type: String::from("Observation"),
        id: source.to_owned(),
        operation,
        versioning: Versioning::Ours,
        if_match: None,
    }
}

/// Hand a write to the client of its source, which sends one after the other.
fn send(
    shared: &Arc<Shared>,
    clients: &mut BTreeMap<String, mpsc::UnboundedSender<Incoming>>,
    source: &str,
    incoming: Incoming,
) {
    shared.waiting.fetch_add(1, Ordering::SeqCst);
    let client = clients.entry(source.to_owned()).or_insert_with(|| {
        let (sender, receiver) = mpsc::unbounded_channel();
        tokio::spawn(client(Arc::clone(shared), receiver));
        sender
    });
    client.send(incoming).unwrap();
}

/// A client of our endpoint: it sends until it is answered.
async fn client(shared: Arc<Shared>, mut writes: mpsc::UnboundedReceiver<Incoming>) {
    while let Some(incoming) = writes.recv().await {
        loop {
            let intake = shared.intake.lock().unwrap().clone();
            let batch = Batch {
                items: vec![incoming.clone()],
                ..Batch::default()
            };
            let answered = match intake {
                Some(intake) => intake.submit(batch).await.is_ok(),
                None => false,
            };
            let pause = {
                let mut inner = shared.world.lock();
                let rate = inner.troubles.lost_reply;
                let lost = answered && inner.rng.permille(rate);
                if lost {
                    inner.count("lost replies");
                }
                if answered && !lost {
                    break;
                }
                inner.rng.pick(&[50, 300, 1000])
            };
            tokio::time::sleep(Duration::from_millis(pause)).await;
        }
        shared.waiting.fetch_sub(1, Ordering::SeqCst);
    }
}

/// Steps of waiting before something counts as lost.
const PATIENCE: usize = 400;

/// The troubles end; wait until everything is taken and delivered, and all timers have passed.
async fn settle(shared: &Arc<Shared>) -> Vec<String> {
    let world = &shared.world;
    world.calm();
    shared.life.lock().unwrap().spare();
    for minutes in [1, 120, 26 * 60, 120] {
        let mut steps = 0;
        world.skip_to(world.now() + minutes * 60_000);
        // Timers are looked for every 100 ms.
        tokio::time::sleep(Duration::from_millis(500)).await;
        while let Some(what) = unsettled(shared) {
            steps += 1;
            if steps > PATIENCE {
                return vec![format!("not settled: {what}")];
            }
            tokio::time::sleep(Duration::from_millis(500)).await;
            if steps % 4 == 0 {
                world.skip_to(world.now() + 5 * 60_000);
            }
        }
    }
    Vec::new()
}

/// What is not done yet.
fn unsettled(shared: &Shared) -> Option<String> {
    let store = &shared.store;
    let waiting = shared.waiting.load(Ordering::SeqCst);
    if waiting > 0 {
        return Some(format!("{waiting} writes are not acknowledged"));
    }
    for (id, version) in shared.world.lock().server.written() {
        let row = store.input("Observation", id).unwrap();
        if row.and_then(|row| row.version.number) < Some(version) {
            return Some(format!("version {version} of {id} was not read"));
        }
    }
    if shared.history.people {
        let measured = store.watched(deltaward::fhir::Instant::from_millis(0), 10).unwrap();
        for patient in measured {
            if store.load_patient(&patient).unwrap().birth_date.is_none() {
                return Some(format!("the birth date of {patient} was not read"));
            }
        }
    }
    // An operator sends again what was refused for good.
    let now = shared.world.service_now();
    for entry in store.outbox_list(OutboxState::Stopped, 1000).unwrap() {
        if entry.last_answer.starts_with("failed our own check") {
            return Some(format!("a resource failed our own check: {}", entry.last_answer));
        }
        store.outbox_resend(entry.seq, now).unwrap();
    }
    let left = store.outbox_list(OutboxState::Waiting, 1).unwrap();
    left.first().map(|entry| {
        format!(
            "{} {} waits: {}",
            entry.resource_type, entry.identity, entry.last_answer
        )
    })
}
