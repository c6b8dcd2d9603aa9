//! `deltaward run`: the service until Ctrl-C or SIGTERM.

use super::service::{Face, Service};
use super::settings::Clock;
use super::sheets;
use crate::config::Config;
use crate::server::connections::{self, ConnectionLimits};
use crate::store::SqliteStore;
use anyhow::Context;
use std::net::SocketAddr;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio_util::sync::CancellationToken;

/// How long open connections may take to end after the signal.
const GRACE: Duration = Duration::from_secs(5);

/// Run until a signal; returns once everything is drained.
///
/// # Errors
/// When the store, the address, the rule sheet or the mapping cannot be used.
pub async fn run(config: Config, clock: Clock) -> anyhow::Result<()> {
    let mut signals = Signals::listen()?;
    let store = SqliteStore::open(&config.store.path)?;
    let listener = bind(config.server.listen).await?;
    let service = Service::start(&config, store, clock, Face::default())?;
    for warning in config.warnings() {
        eprintln!("warning: {warning}");
    }
    println!("page:  http://{}/", listener.local_addr()?);
    println!("FHIR:  http://{}/fhir", listener.local_addr()?);
    println!("store: {}", config.store.path.display());
    println!("{}", config.mode_words());
    for line in sheets::lines(&service.sheets) {
        println!("{line}");
    }
    tracing::info!(listen = %listener.local_addr()?, version = env!("CARGO_PKG_VERSION"), "started");
    let stop = CancellationToken::new();
    let limits = ConnectionLimits::from(&config.server);
    let serving = tokio::spawn(serve(listener, service.router.clone(), limits, stop.clone()));
    signals.either().await;
    tracing::info!("stopping: what was received is finished first");
    stop.cancel();
    let served = serving.await;
    service.stop().await;
    Ok(served?)
}

/// Bind the address.
///
/// # Errors
/// When it is taken or not ours; the text says which.
pub async fn bind(address: SocketAddr) -> anyhow::Result<TcpListener> {
    TcpListener::bind(address).await.with_context(|| {
        format!("cannot listen on {address}; choose another with [server] listen (run) or --listen (demo)")
    })
}

/// Serve until `stop`, then give open requests a bounded time to end.
pub async fn serve(listener: TcpListener, router: axum::Router, limits: ConnectionLimits, stop: CancellationToken) {
    let server = connections::serve(listener, router, limits, stop.clone());
    let bounded = async {
        stop.cancelled().await;
        tokio::time::sleep(GRACE).await;
    };
    tokio::select! {
        () = server => {}
        // Event streams of open pages never end by themselves.
        () = bounded => {}
    }
}

/// Ctrl-C and SIGTERM, listened to from the moment this is made.
pub struct Signals {
    interrupt: Signal,
    terminate: Signal,
    /// Held so that a file at its size limit is an error of the write, not the end of the process.
    _file_size: Signal,
}

/// SIGXFSZ (setrlimit(2)), by its number on Linux and the BSDs.
const FILE_SIZE: i32 = 25;

impl Signals {
    /// Listen. Made before anything is opened: a signal during the start ends it as orderly as a later one.
    ///
    /// # Errors
    /// When signals cannot be listened to.
    pub fn listen() -> std::io::Result<Self> {
        Ok(Self {
            interrupt: signal(SignalKind::interrupt())?,
            terminate: signal(SignalKind::terminate())?,
            _file_size: signal(SignalKind::from_raw(FILE_SIZE))?,
        })
    }

    /// Wait for either.
    pub async fn either(&mut self) {
        tokio::select! {
            _ = self.interrupt.recv() => {}
            _ = self.terminate.recv() => {}
        }
    }
}
