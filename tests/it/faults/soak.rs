//! Twice what the service can take, for as long as `SOAK_SECONDS` says: its memory stays flat, and
//! every refusal says when to come back. `tests/faults/soak` runs it on the optimised binary.

use super::load::{Says, observation};
use super::number;
use crate::process::{Running, config};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// Patients, each with three Observations that are written again and again: what is kept in memory
/// of them is bounded, so growth is growth.
const PATIENTS: u64 = 1000;
/// Connections of the search for the rate.
const FEW: u64 = 32;
/// Connections under overload, far above the service's queue. A client opens a second one while it puts
/// the first back, so the service may hold more than twice as many: past its bound it refuses them.
const MANY: u64 = 700;
const MAX_CONNECTIONS: u64 = 1600;
/// How much memory may grow over the last two thirds, per cent of its mean.
const GROWTH_PERCENT: f64 = 5.0;

#[derive(Default)]
struct Counts {
    taken: AtomicU64,
    refused: AtomicU64,
    failed: AtomicU64,
    without_retry_after: AtomicU64,
}

impl Counts {
    fn of(count: &AtomicU64) -> f64 {
        count.load(Ordering::Relaxed) as f64
    }
}

/// One client for all writers, each with its own connection: made once, for a client that is long in
/// the making lets the connections of the others wait past the service's deadline for a head.
fn client(connections: u64) -> reqwest::Client {
    reqwest::Client::builder()
        .timeout(Duration::from_secs(90))
        .pool_max_idle_per_host(usize::try_from(connections).unwrap())
        .build()
        .unwrap()
}

/// Write until the stop, one request each `pause`; what came too late for its turn follows at once, so
/// that the rate is offered whatever the answers take.
async fn writer(
    (client, base): (reqwest::Client, String),
    name: u64,
    pause: Duration,
    counts: Arc<Counts>,
    stop: Arc<AtomicBool>,
) {
    let mut ticks = tokio::time::interval(pause.max(Duration::from_micros(1)));
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Burst);
    for number in 0_u64.. {
        if stop.load(Ordering::Relaxed) {
            return;
        }
        if !pause.is_zero() {
            ticks.tick().await;
        }
        let part = ["d1", "c", "d2"][usize::try_from(number % 3).unwrap()];
        let patient = format!("s{}", (name * 7919 + number / 3) % PATIENTS);
        let mmhg = i64::try_from(20 + (number * 13 + name) % 60).unwrap();
        let body = observation(&patient, part, Says::Value(mmhg)).to_string();
        let request = client
            .put(format!("{base}/fhir/Observation/{part}-{patient}"))
            .header("content-type", "application/fhir+json")
            .header("prefer", "return=minimal")
            .body(body);
        let response = match request.send().await {
            Ok(response) => response,
            Err(error) => {
                eprintln!("soak: a request failed: {error:?}");
                counts.failed.fetch_add(1, Ordering::Relaxed);
                continue;
            }
        };
        match response.status().as_u16() {
            200 | 201 => counts.taken.fetch_add(1, Ordering::Relaxed),
            429 | 503 => {
                let missing = !response.headers().contains_key("retry-after");
                counts
                    .without_retry_after
                    .fetch_add(u64::from(missing), Ordering::Relaxed);
                counts.refused.fetch_add(1, Ordering::Relaxed)
            }
            other => panic!("answered {other}"),
        };
        // The connection is used again only when the answer was read.
        let _read = response.bytes().await;
    }
}

/// Memory of the process's own making, KiB (proc(5), RssAnon).
fn memory_kib(pid: u32) -> f64 {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).expect("the service runs");
    let line = status.lines().find(|line| line.starts_with("RssAnon:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

/// Growth over the samples by least squares, per cent of their mean.
fn growth_percent(samples: &[f64]) -> f64 {
    let count = samples.len() as f64;
    let mean = samples.iter().sum::<f64>() / count;
    let middle = (count - 1.0) / 2.0;
    let pairs = samples.iter().enumerate();
    let (over, under) = pairs.fold((0.0, 0.0), |(over, under), (index, sample)| {
        let from_middle = index as f64 - middle;
        (over + from_middle * (sample - mean), under + from_middle * from_middle)
    });
    over / under * (count - 1.0) / mean * 100.0
}

/// The measure itself: flat is flat, and a rise is seen.
#[test]
fn growth_is_the_rise_of_a_straight_line() {
    let line = |rise: f64| {
        (0..101)
            .map(move |index| 1000.0 + rise * f64::from(index))
            .collect::<Vec<f64>>()
    };
    assert!(growth_percent(&line(0.0)).abs() < 1e-9);
    // From 1000 to 1100: 100 of a mean of 1050.
    assert!((growth_percent(&line(1.0)) - 100.0 / 10.5).abs() < 1e-9);
}

/// Requests a second that were taken (and refused) while `connections` write for `seconds`.
fn run_for(
    runtime: &tokio::runtime::Runtime,
    base: &str,
    connections: u64,
    offered: Option<f64>,
    mut each_second: impl FnMut(),
    seconds: u64,
) -> Arc<Counts> {
    let (counts, stop) = (Arc::new(Counts::default()), Arc::new(AtomicBool::new(false)));
    let pause = offered.map_or(Duration::ZERO, |rate| {
        Duration::from_secs_f64(connections as f64 / rate)
    });
    let client = client(connections);
    let writers: Vec<_> = (0..connections)
        .map(|name| {
            runtime.spawn(writer(
                (client.clone(), base.to_owned()),
                name,
                pause,
                Arc::clone(&counts),
                Arc::clone(&stop),
            ))
        })
        .collect();
    let end = Instant::now() + Duration::from_secs(seconds);
    while Instant::now() < end {
        std::thread::sleep(Duration::from_secs(1));
        each_second();
    }
    stop.store(true, Ordering::Relaxed);
    for writer in writers {
        runtime.block_on(writer).unwrap();
    }
    counts
}

#[test]
#[ignore = "takes ten minutes: tests/faults/soak runs it"]
fn memory_is_flat_at_twice_the_rate() {
    let seconds = number("SOAK_SECONDS", 600);
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .unwrap();
    let folder = tempfile::tempdir().unwrap();
    // A short queue, so that the load generator beside the service overfills it.
    let file = config(folder.path(), "[telemetry]\nlevel = \"error\"\n");
    let text = std::fs::read_to_string(&file).unwrap().replacen(
        "[server]\n",
        &format!("[server]\nqueue_batches = 64\nmax_connections = {MAX_CONNECTIONS}\n"),
        1,
    );
    std::fs::write(&file, text).unwrap();
    let running = Running::start(folder.path(), &["run", "--config", &file]);
    let searched = 10;
    let found = run_for(&runtime, &running.base, FEW, None, || {}, searched);
    let rate = Counts::of(&found.taken) / searched as f64;
    let mut samples = Vec::new();
    let sample = || samples.push(memory_kib(running.id()));
    let counts = run_for(&runtime, &running.base, MANY, Some(rate * 2.0), sample, seconds);
    let late = &samples[samples.len() / 3..];
    let growth = growth_percent(late);
    let mib = |kib: f64| kib / 1024.0;
    let most = samples.iter().copied().fold(0.0, f64::max);
    let (taken, refused) = (Counts::of(&counts.taken), Counts::of(&counts.refused));
    let store = std::fs::metadata(folder.path().join("deltaward.db")).unwrap().len();
    println!(
        "soak: {seconds} s, sustainable {rate:.0}/s, offered {:.0}/s, taken {:.0}/s, refused {:.0}/s ({} without Retry-After), \
         failed {}, memory at 1/3 {:.1} MiB, at the end {:.1} MiB, at most {:.1} MiB, growth over the last two thirds \
         {growth:.1} %, store {:.0} MiB",
        (taken + refused) / seconds as f64,
        taken / seconds as f64,
        refused / seconds as f64,
        counts.without_retry_after.load(Ordering::Relaxed),
        counts.failed.load(Ordering::Relaxed),
        mib(late[0]),
        mib(samples[samples.len() - 1]),
        mib(most),
        store as f64 / 1024.0 / 1024.0,
    );
    assert!(growth < GROWTH_PERCENT, "memory grows by {growth:.1} %");
    assert_eq!(counts.without_retry_after.load(Ordering::Relaxed), 0);
    assert!(refused > 0.0, "nothing was refused: that was no overload");
    assert_eq!(counts.failed.load(Ordering::Relaxed), 0, "connections broke");
}
