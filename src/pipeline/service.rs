//! The parts of a running service: engine, polling, delivery, started in that order and told to
//! stop together. Nothing depends on who ends first: what the engine took is committed, what
//! polling had not committed is read again, what was not delivered waits in the store.

use super::engine::{Engine, Outlets};
use super::settings::{Clock, Settings};
use super::sheets;
use crate::config::{Config, SinkConfig, SourceConfig};
use crate::delivery::client::FhirClient;
use crate::delivery::status::DeliveryStatus;
use crate::delivery::worker::Worker;
use crate::outbox::context::Mode;
use crate::patient::{AskPolicy, Question};
use crate::recognise::Mapping;
use crate::recognise::mapping::BUILTIN_FILES;
use crate::recognise::reading::PatientKey;
use crate::rules::Sheets;
use crate::server::Auth;
use crate::server::pages::{self, PageMode, PageState};
use crate::server::{AppState, LiveEvent};
use crate::source::Intake;
use crate::source::ask::Ask;
use crate::source::poll::{Codes, Poller};
use crate::source::status::SourceStatus;
use crate::store::{SqliteStore, Store};
use anyhow::Context;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio::sync::{Notify, broadcast, mpsc};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// Questions and patients waiting for the source; past it a question is left to its deadline. The
/// room is taken up only by what waits, and questions are taken out at once.
const SOURCE_QUEUE: usize = 65_536;

/// A running service without its HTTP listener.
pub struct Service {
    /// Everything that is served.
    pub router: axum::Router,
    /// What open pages are told.
    pub events: broadcast::Sender<LiveEvent>,
    /// What is kept.
    pub store: Arc<dyn Store>,
    /// What judges.
    pub sheets: Arc<Sheets>,
    shutdown: CancellationToken,
    engine: std::thread::JoinHandle<()>,
    tasks: Vec<JoinHandle<()>>,
}

/// How the page presents itself.
#[derive(Clone, Debug, Default)]
pub struct Face {
    /// The demo: invented patients.
    pub demo: bool,
    /// Heading of the front page.
    pub title: Option<String>,
}

impl Service {
    /// Start engine, polling and delivery over `store`.
    ///
    /// # Errors
    /// When the rule sheet or the mapping is wrong, or a part cannot be started.
    pub fn start(config: &Config, store: SqliteStore, clock: Clock, face: Face) -> anyhow::Result<Self> {
        let store = Arc::new(store);
        let shared: Arc<dyn Store> = Arc::clone(&store) as Arc<dyn Store>;
        let settings = settings(config)?;
        let (intake, receiver) = Intake::bounded(config.server.queue_batches, config.server.max_waiting_bytes);
        let mut app = AppState::new(intake.clone(), Arc::clone(&shared), &config.server, Arc::clone(&clock));
        app.self_contained = config.sink.is_none();
        app.auth = config.auth.as_ref().map(|auth| Arc::new(Auth::new(&auth.token)));
        let shutdown = CancellationToken::new();
        let mut tasks = Vec::new();
        let wake = Arc::new(Notify::new());
        let source = config.source.as_ref();
        let polling = source.map(|source| Polling::start(source, &settings, &intake, &store, &app, &clock, &shutdown));
        let polling = polling.transpose()?;
        let outlets = Outlets {
            events: app.events.clone(),
            metrics: Arc::clone(&app.metrics),
            health: Arc::clone(&app.health),
            questions: polling.as_ref().map(|polling| polling.questions.clone()),
            watched: polling.as_ref().map(|polling| polling.watched.clone()),
            outbox: Arc::clone(&wake),
        };
        let mut engine = Engine::new(
            Arc::clone(&shared),
            settings.clone(),
            Arc::clone(&clock),
            outlets,
            receiver,
        )?
        .with_unwatched_hours(config.store.unwatched_hours);
        engine
            .refresh()
            .context("the store could not be brought into line with mapping and rule sheet")?;
        let engine = engine.start(shutdown.clone())?;
        tasks.extend(polling.into_iter().flat_map(|polling| polling.tasks));
        if let Some(sink) = config.sink.as_ref().filter(|_| settings.deliver) {
            tasks.push(deliver(sink, &store, &app, &wake, &clock, &shutdown)?);
        }
        let page = PageState {
            store: Arc::clone(&shared),
            sheets: Arc::clone(&settings.sheets),
            policy: settings.policy,
            clock,
            events: app.events.clone(),
            mode: page_mode(&face, settings.mode),
            ward_title: face.title,
        };
        let events = app.events.clone();
        let router = crate::server::router(app, pages::router(page));
        Ok(Self {
            router,
            events,
            store: shared,
            sheets: settings.sheets,
            shutdown,
            engine,
            tasks,
        })
    }

    /// Stop: the engine finishes what waits in its queue, delivery settles the groups under way,
    /// polling drops the poll under way. Returns when all have ended.
    pub async fn stop(self) {
        self.shutdown.cancel();
        for task in self.tasks {
            if let Err(error) = task.await {
                tracing::error!(%error, "a part ended badly");
            }
        }
        let engine = self.engine;
        if tokio::task::spawn_blocking(move || engine.join()).await.is_err() {
            tracing::error!("the engine ended badly");
        }
        let store = self.store;
        match tokio::task::spawn_blocking(move || store.fold()).await {
            Ok(Ok(())) => {}
            Ok(Err(error)) => tracing::warn!(%error, "the WAL file stays beside the store; the next start reads it"),
            Err(_) => tracing::error!("the store could not be folded"),
        }
    }
}

fn page_mode(face: &Face, mode: Mode) -> PageMode {
    match (face.demo, mode) {
        (true, _) => PageMode::Demo,
        (false, Mode::Shadow) => PageMode::Shadow,
        (false, Mode::Live) => PageMode::Live,
    }
}

/// What the engine judges and writes by, from the configuration.
///
/// # Errors
/// When a rule sheet or the mapping cannot be read, or a live sink stands on a sheet that nobody approved.
pub fn settings(config: &Config) -> anyhow::Result<Settings> {
    let sheets = sheets::in_force(&config.rules)?;
    sheets::require_approval(config, &sheets)?;
    let mapping = match &config.mapping.folder {
        Some(folder) => mapping_of(Some(folder), &[])?,
        None => Mapping::builtin(),
    };
    let sink = config.sink.as_ref();
    let policy = match &config.source {
        Some(source) => AskPolicy {
            ask: source.ask_diastolics,
            timeout_seconds: source.ask_timeout_seconds,
        },
        None => AskPolicy {
            ask: false,
            timeout_seconds: 0,
        },
    };
    Ok(Settings {
        sheets: Arc::new(sheets),
        mapping: Arc::new(mapping),
        policy,
        // Without a sink nothing leaves anyway: what is derived is served here, and is live.
        mode: if sink.is_none_or(|sink| sink.live) {
            Mode::Live
        } else {
            Mode::Shadow
        },
        deliver: sink.is_some_and(|sink| sink.live),
        recipients: sink.map(|sink| sink.recipients.clone()).unwrap_or_default(),
        bases: bases(config),
        patients_in_memory: 10_000,
        batches_per_commit: 512,
    })
}

/// Base URLs that mean "here": the source's, and our own endpoint under its usual names.
fn bases(config: &Config) -> Vec<String> {
    let port = config.server.listen.port();
    let own = ["127.0.0.1", "localhost", "[::1]"].map(|host| format!("http://{host}:{port}/fhir"));
    let source = config.source.iter().map(|source| source.server.base_text().to_owned());
    source
        .chain(own)
        .chain([format!("http://{}/fhir", config.server.listen)])
        .collect()
}

/// A site's mapping: the built-in files, those of the same name in the folder instead, and further
/// ConceptMaps, CodeSystems and ValueSets of the folder beside them; `more` files (name, text) count too.
///
/// # Errors
/// When the folder or a file of it cannot be used; says which.
pub fn mapping_of(folder: Option<&Path>, more: &[(String, String)]) -> anyhow::Result<Mapping> {
    let mut files: BTreeMap<String, String> = BTreeMap::new();
    for (name, text) in BUILTIN_FILES {
        files.insert((*name).to_owned(), (*text).to_owned());
    }
    for path in folder.map(mapping_files).transpose()?.unwrap_or_default() {
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let text = std::fs::read_to_string(&path).with_context(|| {
            format!(
                "the mapping file {} cannot be read; mend its rights or take it away",
                path.display()
            )
        })?;
        files.insert(name, text);
    }
    files.extend(more.iter().cloned());
    let files: Vec<(String, String)> = files.into_iter().collect();
    Ok(Mapping::from_files(&files)?)
}

/// The files of a mapping folder (and of `mapping/` in it, as in `profiles/`); whatever has another
/// name is left alone.
fn mapping_files(folder: &Path) -> anyhow::Result<Vec<PathBuf>> {
    let what = || {
        format!(
            "[mapping] folder {} cannot be read; name an existing folder, or none for the built-in mapping",
            folder.display()
        )
    };
    let mut paths = Vec::new();
    for place in [folder.to_path_buf(), folder.join("mapping")] {
        if place != folder && !place.is_dir() {
            continue;
        }
        for entry in std::fs::read_dir(&place).with_context(what)? {
            let path = entry.with_context(what)?.path();
            let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
            let json = name.ends_with(".json")
                && [
                    "ConceptMap-",
                    "CodeSystem-compartment",
                    "CodeSystem-reading",
                    "ValueSet-",
                ]
                .iter()
                .any(|start| name.starts_with(start));
            if path.is_file() && (json || name == "text-patterns.toml") {
                paths.push(path);
            }
        }
    }
    if paths.is_empty() {
        anyhow::bail!(
            "[mapping] folder {} holds no file of a mapping; put changed copies of profiles/ConceptMap-*.json, \
             CodeSystem-compartment.json, CodeSystem-reading.json, ValueSet-*.json or mapping/text-patterns.toml there",
            folder.display()
        );
    }
    paths.sort();
    Ok(paths)
}

/// Everything that the configuration names, read and checked, before anything is started. Answers
/// the sheets in force.
///
/// # Errors
/// When a rule sheet, the mapping or the folder of the store cannot be used; says which.
pub fn check(config: &Config) -> anyhow::Result<Arc<Sheets>> {
    let sheets = settings(config)?.sheets;
    let folder = config
        .store
        .path
        .parent()
        .filter(|folder| !folder.as_os_str().is_empty());
    match folder {
        Some(folder) if !folder.is_dir() => anyhow::bail!(
            "[store] path {}: there is no folder {}; make it, or name another path",
            config.store.path.display(),
            folder.display()
        ),
        _ => Ok(sheets),
    }
}

/// Polling and what it answers.
struct Polling {
    questions: mpsc::Sender<Question>,
    watched: mpsc::Sender<PatientKey>,
    tasks: Vec<JoinHandle<()>>,
}

impl Polling {
    fn start(
        source: &SourceConfig,
        settings: &Settings,
        intake: &Intake,
        store: &Arc<SqliteStore>,
        app: &AppState,
        clock: &Clock,
        shutdown: &CancellationToken,
    ) -> anyhow::Result<Self> {
        let client = Arc::new(FhirClient::new(&source.server)?);
        let codes = Codes {
            readings: settings.mapping.search_codes(),
            diastolics: settings.mapping.diastolic_codes(),
        };
        let status = Arc::new(SourceStatus::default());
        app.health.expect_polls(source.interval_seconds, (clock)());
        app.health.watch_source(Arc::clone(&status));
        let poller = Arc::new(Poller::new(
            client,
            intake.clone(),
            Arc::clone(store),
            source.clone(),
            codes,
            status,
        ));
        let (questions, mut asked) = mpsc::channel::<Question>(SOURCE_QUEUE);
        let (asks, to_ask) = mpsc::channel::<Ask>(SOURCE_QUEUE);
        let (watched, to_fetch) = mpsc::channel::<PatientKey>(SOURCE_QUEUE);
        let now = |clock: &Clock| {
            let clock = Arc::clone(clock);
            move || clock()
        };
        let forward = async move {
            while let Some(Question {
                patient,
                source,
                from,
                to,
            }) = asked.recv().await
            {
                if asks
                    .send(Ask {
                        patient,
                        source,
                        from,
                        to,
                    })
                    .await
                    .is_err()
                {
                    return;
                }
            }
        };
        let (polls, answers, people) = (Arc::clone(&poller), Arc::clone(&poller), poller);
        let (first, second, third) = (now(clock), now(clock), now(clock));
        let (stop, stop_asks, stop_people) = (shutdown.clone(), shutdown.clone(), shutdown.clone());
        let mut tasks = vec![
            tokio::spawn(forward),
            tokio::spawn(async move { polls.run(stop, first).await }),
            tokio::spawn(async move { answers.run_asks(to_ask, stop_asks, second).await }),
            tokio::spawn(async move { people.run_patients(to_fetch, stop_people, third).await }),
        ];
        if source.procedures {
            let client = Arc::new(FhirClient::new(&source.server)?);
            let codes = Codes {
                readings: settings.mapping.context_codes(),
                ..Codes::default()
            };
            let status = Arc::new(SourceStatus::default());
            app.health.watch_procedures(Arc::clone(&status));
            let poller =
                Poller::new(client, intake.clone(), Arc::clone(store), source.clone(), codes, status).of_procedures();
            let (stop, clock) = (shutdown.clone(), now(clock));
            tasks.push(tokio::spawn(async move { poller.run(stop, clock).await }));
        }
        Ok(Self {
            questions,
            watched,
            tasks,
        })
    }
}

/// Start the delivery of the outbox.
fn deliver(
    sink: &SinkConfig,
    store: &Arc<SqliteStore>,
    app: &AppState,
    wake: &Arc<Notify>,
    clock: &Clock,
    shutdown: &CancellationToken,
) -> anyhow::Result<JoinHandle<()>> {
    let client = Arc::new(FhirClient::new(&sink.server)?);
    let status = Arc::new(DeliveryStatus::default());
    app.health.watch_delivery(Arc::clone(&status));
    let worker = Worker::new(client, Arc::clone(store), sink, Arc::clone(wake), status);
    let (clock, shutdown) = (Arc::clone(clock), shutdown.clone());
    Ok(tokio::spawn(async move { worker.run(shutdown, move || clock()).await }))
}
