//! One process: the engine, the delivery and the polling of production over the simulated disk and
//! network, wired as `pipeline::service` wires them.

use crate::disk::Disk;
use crate::history::{History, How};
use crate::life::{Life, Mortal};
use crate::network::{Network, TIMEOUT_SECONDS};
use crate::server::BASE;
use crate::world::World;
use deltaward::config::{FhirServerConfig, SinkConfig, SourceConfig};
use deltaward::delivery::{DeliveryStatus, FhirClient, Worker};
use deltaward::outbox::Mode;
use deltaward::patient::AskPolicy;
use deltaward::pipeline::engine::Outlets;
use deltaward::pipeline::{Clock, Engine, Settings};
use deltaward::recognise::{Mapping, Method};
use deltaward::rules::{Sheet, Sheets};
use deltaward::server::{Health, Metrics};
use deltaward::source::Intake;
use deltaward::source::ask::Ask;
use deltaward::source::poll::{Codes, Poller};
use deltaward::source::status::SourceStatus;
use deltaward::store::SqliteStore;
use std::sync::{Arc, LazyLock};
use tokio::sync::{Notify, broadcast, mpsc};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

pub struct Process {
    pub intake: Intake,
    tasks: Vec<JoinHandle<()>>,
}

/// What is the same for every process of every run: read once.
struct Common {
    mapping: Arc<Mapping>,
    adult: Sheet,
    child: Sheet,
    client: FhirClient,
}

static COMMON: LazyLock<Common> = LazyLock::new(|| Common {
    mapping: Arc::new(Mapping::builtin()),
    adult: Sheet::adult().unwrap(),
    child: Sheet::child().unwrap(),
    client: FhirClient::new(&server()).unwrap(),
});

fn server() -> FhirServerConfig {
    FhirServerConfig {
        timeout_seconds: TIMEOUT_SECONDS,
        ..FhirServerConfig::new(BASE.parse().unwrap())
    }
}

fn settings(history: &History) -> Settings {
    let mut adult = COMMON.adult.clone();
    let method = |how: &How| match how {
        How::Cuff => Method::Cuff,
        How::Line => Method::ArterialLine,
        How::Unstated => Method::Unstated,
    };
    adult.pairing.method_order = history.method_order.iter().map(method).collect();
    let mut child = COMMON.child.clone();
    child.pairing.method_order.clone_from(&adult.pairing.method_order);
    Settings {
        sheets: Arc::new(Sheets::new(adult, child).unwrap()),
        mapping: Arc::clone(&COMMON.mapping),
        policy: AskPolicy {
            ask: history.asks,
            timeout_seconds: 30,
        },
        mode: Mode::Live,
        deliver: true,
        recipients: Vec::new(),
        bases: vec![BASE.to_owned()],
        patients_in_memory: 10,
        batches_per_commit: 8,
    }
}

impl Process {
    /// Start over what the disk holds; None when it died while starting.
    pub fn start(world: &Arc<World>, store: &Arc<SqliteStore>, history: &History, life: &Arc<Life>) -> Option<Self> {
        let disk = Arc::new(Disk {
            world: Arc::clone(world),
            life: Arc::clone(life),
            store: Arc::clone(store),
        });
        let clock: Clock = {
            let world = Arc::clone(world);
            Arc::new(move || world.service_now())
        };
        let now = {
            let clock = Arc::clone(&clock);
            move || clock()
        };
        let network = Network {
            world: Arc::clone(world),
            life: Arc::clone(life),
        };
        let client = Arc::new(COMMON.client.clone().over(Arc::new(network)));
        let (intake, receiver) = Intake::new(64);
        let (questions, mut asked) = mpsc::channel(64);
        let (asks, to_ask) = mpsc::channel(64);
        let (watched, to_fetch) = mpsc::channel(64);
        let wake = Arc::new(Notify::new());
        let outlets = Outlets {
            events: broadcast::channel(16).0,
            metrics: Arc::new(Metrics::new()),
            health: Arc::new(Health::default()),
            questions: history.asks.then_some(questions),
            watched: history.people.then_some(watched),
            outbox: Arc::clone(&wake),
        };
        let settings = settings(history);
        let mut engine = Engine::new(disk.clone(), settings.clone(), clock, outlets, receiver).ok()?;
        engine.refresh().ok()?;
        let source = SourceConfig {
            page_count: history.page_count,
            interval_seconds: 2,
            start: Some(deltaward::fhir::Instant::from_millis(crate::history::NOON - 1_000_000)),
            ..SourceConfig::new(server())
        };
        let codes = Codes {
            readings: settings.mapping.search_codes(),
            diastolics: settings.mapping.diastolic_codes(),
        };
        let status = Arc::new(SourceStatus::default());
        let poller = Arc::new(Poller::new(
            Arc::clone(&client),
            intake.clone(),
            disk.clone(),
            source,
            codes,
            status,
        ));
        let sink = SinkConfig {
            live: true,
            ..SinkConfig::new(server())
        };
        let worker = Worker::new(client, disk, &sink, wake, Arc::new(DeliveryStatus::default()));
        let stop = CancellationToken::new();
        let (polls, answers, people) = (Arc::clone(&poller), Arc::clone(&poller), poller);
        let (first, second, third, fourth) = (now.clone(), now.clone(), now.clone(), now);
        let (stop_polls, stop_asks, stop_people, stop_worker) =
            (stop.clone(), stop.clone(), stop.clone(), stop.clone());
        let forward = async move {
            while let Some(question) = asked.recv().await {
                let deltaward::patient::Question {
                    patient,
                    source,
                    from,
                    to,
                } = question;
                let _ = asks
                    .send(Ask {
                        patient,
                        source,
                        from,
                        to,
                    })
                    .await;
            }
        };
        let tasks = vec![
            tokio::spawn(Mortal::new(life, engine.run(stop))),
            tokio::spawn(Mortal::new(life, forward)),
            tokio::spawn(Mortal::new(life, async move { polls.run(stop_polls, first).await })),
            tokio::spawn(Mortal::new(life, answers.run_asks(to_ask, stop_asks, second))),
            tokio::spawn(Mortal::new(life, async move { worker.run(stop_worker, third).await })),
            tokio::spawn(Mortal::new(life, async move {
                people.run_patients(to_fetch, stop_people, fourth).await
            })),
        ];
        Some(Self { intake, tasks })
    }

    /// Nothing of it remains but what is on the disk.
    /// True when a task had panicked.
    pub async fn bury(self) -> bool {
        let mut panicked = false;
        for task in &self.tasks {
            task.abort();
        }
        for task in self.tasks {
            panicked |= task.await.is_err_and(|error| error.is_panic());
        }
        panicked
    }
}
