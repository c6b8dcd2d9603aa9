//! `deltaward demo`: an invented ward at night, its record's Observations sent to our own FHIR
//! endpoint, the whole service and its page, on a clock of the ward's own.

pub mod ward;

use super::run::{Signals, bind, serve};
use super::service::{Face, Service};
use super::settings::Clock;
use super::sheets;
use crate::config::Config;
use crate::fhir::Instant;
use crate::server::ConnectionLimits;
use crate::server::LiveEvent;
use crate::store::{SqliteStore, Store};
use anyhow::{Context, bail};
use axum::body::Body;
use axum::http::{Request, header};
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;
use tokio::sync::broadcast;
use tokio_util::sync::CancellationToken;
use tower::ServiceExt;
use ward::{Sending, Ward};

/// How the demo runs.
#[derive(Clone, Copy, Debug)]
pub struct Options {
    /// Where the page is.
    pub listen: SocketAddr,
    /// Real seconds for one hour of the ward.
    pub pace_seconds: f64,
    /// Run the script without waiting, print what was raised, and end.
    pub until_end: bool,
}

/// How often the demo looks whether a timer fell due before it gives up: 10 s.
const TIMER_LOOKS: usize = 400;
/// How often the ward's clock moves.
const TICK: Duration = Duration::from_millis(50);

/// Run the demo.
///
/// # Errors
/// When the address is taken, or the script is refused by our own endpoint (a defect).
pub async fn demo(options: Options) -> anyhow::Result<()> {
    let ward = Ward::read().context("the demo's script")?;
    let time = Arc::new(AtomicI64::new(ward.start()?.millis()));
    let clock: Clock = {
        let time = Arc::clone(&time);
        Arc::new(move || Instant::from_millis(time.load(Ordering::SeqCst)))
    };
    let mut config = Config::default();
    config.server.listen = options.listen;
    let listener = bind(options.listen).await?;
    let address = listener.local_addr()?;
    config.server.listen = address;
    let face = Face {
        demo: true,
        title: Some(ward.title.clone()),
    };
    // `--until-end` ends by itself, and by any signal at once.
    let signals = (!options.until_end).then(Signals::listen).transpose()?;
    let service = Service::start(&config, SqliteStore::in_memory()?, clock, face)?;
    println!("{}", ward.title);
    if !options.until_end {
        println!("page:  http://{address}/");
        println!("FHIR:  http://{address}/fhir");
    }
    for line in sheets::lines(&service.sheets) {
        println!("{line}");
    }
    println!("All patients and numbers are invented. Decision support: local protocol and licensed practice decide.");
    let stop = CancellationToken::new();
    let limits = ConnectionLimits::from(&config.server);
    let serving = tokio::spawn(serve(listener, service.router.clone(), limits, stop.clone()));
    let script = Script {
        ward,
        time,
        router: service.router.clone(),
        store: Arc::clone(&service.store),
        host: address.to_string(),
    };
    let events = service.events.subscribe();
    let result = match signals {
        None => script.without_waiting(events).await,
        Some(mut signals) => tokio::select! {
            result = script.paced(options.pace_seconds, events) => result,
            () = signals.either() => Ok(()),
        },
    };
    stop.cancel();
    service.stop().await;
    serving.abort();
    result
}

struct Script {
    ward: Ward,
    time: Arc<AtomicI64>,
    router: axum::Router,
    store: Arc<dyn Store>,
    host: String,
}

impl Script {
    /// Everything at once, each event printed after the reading that caused it.
    async fn without_waiting(&self, mut events: broadcast::Receiver<LiveEvent>) -> anyhow::Result<()> {
        for sending in self.ward.sendings()? {
            self.timers_until(sending.at, &mut events).await?;
            self.time.store(sending.at.millis(), Ordering::SeqCst);
            self.send(&sending).await?;
            print_waiting(&mut events);
        }
        let end = self.ward.start()?.plus_minutes(self.ward.end_minute);
        self.timers_until(end, &mut events).await?;
        println!("end of the script");
        Ok(())
    }

    /// Let every timer fall due that is due before `until`, each at its own time; the engine looks for
    /// them by itself.
    async fn timers_until(&self, until: Instant, events: &mut broadcast::Receiver<LiveEvent>) -> anyhow::Result<()> {
        while let Some(due) = self.store.next_due()?.filter(|due| *due < until) {
            self.time.store(due.millis(), Ordering::SeqCst);
            for _ in 0..TIMER_LOOKS {
                tokio::time::sleep(super::engine::TIMER_LOOK / 4).await;
                if self.store.next_due()? != Some(due) {
                    break;
                }
            }
            if self.store.next_due()? == Some(due) {
                bail!("a timer of {due} did not fall due (a defect)");
            }
            print_waiting(events);
        }
        Ok(())
    }

    /// At the ward's pace, then on until a signal.
    async fn paced(&self, pace_seconds: f64, events: broadcast::Receiver<LiveEvent>) -> anyhow::Result<()> {
        let printing = tokio::spawn(print_all(events));
        let start = self.ward.start()?;
        let began = tokio::time::Instant::now();
        let tick = || {
            let hours = began.elapsed().as_secs_f64() / pace_seconds.max(0.001);
            // A ward's night fits easily: the cast cannot lose what matters.
            let millis = (hours * 3_600_000.0) as i64;
            self.time.store(start.millis().saturating_add(millis), Ordering::SeqCst);
        };
        for sending in self.ward.sendings()? {
            while self.time.load(Ordering::SeqCst) < sending.at.millis() {
                tokio::time::sleep(TICK).await;
                tick();
            }
            self.send(&sending).await?;
        }
        println!("end of the script; the page stays until Ctrl-C, from here on in real time");
        let (end, ended) = (self.time.load(Ordering::SeqCst), tokio::time::Instant::now());
        loop {
            tokio::time::sleep(TICK).await;
            let real = i64::try_from(ended.elapsed().as_millis()).unwrap_or(i64::MAX);
            self.time.store(end.saturating_add(real), Ordering::SeqCst);
            if printing.is_finished() {
                bail!("the event stream ended");
            }
        }
    }

    /// PUT one resource to our own endpoint, as a record would.
    async fn send(&self, sending: &Sending) -> anyhow::Result<()> {
        let request = Request::put(format!("/fhir/{}", sending.address))
            .header(header::HOST, &self.host)
            .header(header::CONTENT_TYPE, "application/fhir+json")
            .body(Body::from(sending.body.to_string()))?;
        let response = self.router.clone().oneshot(request).await?;
        let status = response.status();
        if !status.is_success() {
            let body = axum::body::to_bytes(response.into_body(), 64 * 1024).await?;
            bail!(
                "{} was refused: {status} {}",
                sending.address,
                String::from_utf8_lossy(&body)
            );
        }
        Ok(())
    }
}

fn print_waiting(events: &mut broadcast::Receiver<LiveEvent>) {
    loop {
        match events.try_recv() {
            Ok(event) => print_event(&event),
            Err(broadcast::error::TryRecvError::Lagged(missed)) => println!("({missed} events not shown)"),
            Err(_) => return,
        }
    }
}

async fn print_all(mut events: broadcast::Receiver<LiveEvent>) {
    loop {
        match events.recv().await {
            Ok(event) => print_event(&event),
            Err(broadcast::error::RecvError::Lagged(missed)) => println!("({missed} events not shown)"),
            Err(broadcast::error::RecvError::Closed) => return,
        }
    }
}

/// One line: the ward's time, and what happened. Patients of the demo are invented.
fn print_event(event: &LiveEvent) {
    if !event.text.is_empty() {
        let time = event.at.to_string();
        println!("{}  {}", time.get(11..16).unwrap_or(&time), event.text);
    }
}
