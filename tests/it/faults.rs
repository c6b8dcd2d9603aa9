//! The real process under load, killed at random times and started again on the same store, with a
//! proxy that spoils its connections to the FHIR server that it polls and writes to. At the end the
//! server holds just what an oracle says.
//!
//! `FAULTS_KILLS`, `FAULTS_SEED` and `DELTAWARD_BINARY` set how often, with which numbers, and which
//! binary (`tests/faults/run`).

mod load;
mod oracle;
mod soak;

use crate::memory_fhir::MemoryFhir;
use crate::process::{Running, approved_rules, config};
use crate::proxy::{Proxy, Random};
use load::{Counts, Writer};
use oracle::{Ends, Seen};
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, RwLock};
use std::time::{Duration, Instant};

/// Clients that write by REST.
const WRITERS: u64 = 4;

fn number(variable: &str, default: u64) -> u64 {
    std::env::var(variable).map_or(default, |text| text.parse().expect("a whole number"))
}

fn configuration(folder: &Path, fhir: std::net::SocketAddr) -> String {
    let rules = approved_rules(folder);
    config(
        folder,
        &format!(
            "[source]\nfhir = \"http://{fhir}/fhir\"\ninterval_seconds = 1\noverlap_seconds = 5\ntimeout_seconds = 2\n\
             ask_timeout_seconds = 2\n\
             [sink]\nfhir = \"http://{fhir}/fhir\"\nmode = \"live\"\nrecipients = [\"CareTeam/night\"]\n\
             timeout_seconds = 2\nmax_backoff_seconds = 1\n\
             [telemetry]\nlevel = \"off\"\n{rules}"
        ),
    )
}

fn start(folder: &Path, file: &str) -> Running {
    Running::start(folder, &["run", "--config", file])
}

/// Kill and restart `kills` times while the writers write: mostly once a write was acknowledged by
/// this life of the process, sometimes at any moment, while it starts too.
fn kill_often(mut running: Running, kills: u64, site: &Site<'_>, random: &mut Random) -> Running {
    for _ in 0..kills {
        let before = site.counts.acknowledged.load(Ordering::Relaxed);
        let patience = Instant::now() + Duration::from_secs(if random.percent(75) { 2 } else { 0 });
        while site.counts.acknowledged.load(Ordering::Relaxed) == before && Instant::now() < patience {
            std::thread::sleep(Duration::from_millis(5));
        }
        std::thread::sleep(Duration::from_millis(random.within(0, 350)));
        running.signal("KILL");
        running.wait();
        drop(running);
        running = start(site.folder, site.file);
        site.base.write().unwrap().clone_from(&running.base);
    }
    running
}

/// Where the process lives, and who writes to it.
struct Site<'a> {
    folder: &'a Path,
    file: &'a str,
    base: &'a RwLock<String>,
    counts: &'a Counts,
}

/// Wait until nothing waits in the outbox and all is as the oracle says, twice in a row. As long as
/// the outbox gets emptier, or what differs is another thing than before, it is waited for: after a
/// fault the source is left alone for up to a minute, and a busy machine is slow.
fn settle(ends: &Ends<'_>, seed: u64) -> Seen {
    let patience = Duration::from_secs(150);
    let last = Instant::now() + Duration::from_secs(600);
    let mut end = Instant::now() + patience;
    let (mut agreed, mut fewest) = (0, u64::MAX);
    let mut before = String::new();
    loop {
        let entries = outbox_entries(&ends.base);
        if entries < fewest {
            (fewest, end) = (entries, Instant::now() + patience);
        }
        let found = match entries {
            0 => ends.compare(),
            _ => Err(format!("{entries} entries are in the outbox")),
        };
        match found {
            Ok(seen) if agreed > 0 => return seen,
            Ok(_) => agreed += 1,
            Err(difference) => {
                agreed = 0;
                if difference != before {
                    before.clone_from(&difference);
                    end = Instant::now() + patience;
                }
                let left = Instant::now() < end.min(last);
                assert!(left, "seed {seed} (FAULTS_SEED={seed}): {difference}");
            }
        }
        std::thread::sleep(Duration::from_millis(700));
    }
}

/// Entries that wait or are stopped.
fn outbox_entries(base: &str) -> u64 {
    let metrics = reqwest::blocking::get(format!("{base}/metrics")).and_then(|answer| answer.text());
    let metrics = metrics.expect("the service answers");
    let entries: Vec<&str> = metrics
        .lines()
        .filter(|line| line.contains("outbox_entries{"))
        .collect();
    assert_eq!(entries.len(), 2, "waiting and stopped: {entries:?}");
    let count = |line: &&str| line.rsplit(' ').next().unwrap().parse::<u64>().unwrap();
    entries.iter().map(count).sum()
}

/// Invariants 1 and 2: what was acknowledged is never lost, nothing stands twice, whatever breaks.
#[test]
fn nothing_is_lost_or_doubled_by_kills_and_a_bad_network() {
    let (kills, seed) = (number("FAULTS_KILLS", 20), number("FAULTS_SEED", 1));
    let began = Instant::now();
    let random = Random(seed);
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .unwrap();
    let (record, address) = runtime.block_on(MemoryFhir::start());
    let proxy = runtime.block_on(Proxy::start(address, random.fork(1)));
    let folder = tempfile::tempdir().unwrap();
    let file = configuration(folder.path(), proxy.address);
    let running = start(folder.path(), &file);
    let base = Arc::new(RwLock::new(running.base.clone()));
    let ledger = load::Ledger::default();
    let (counts, stop) = (Arc::new(Counts::default()), Arc::new(AtomicBool::new(false)));
    let mut writers: Vec<_> = (0..WRITERS)
        .map(|name| {
            let writer = Writer {
                name,
                base: Arc::clone(&base),
                ledger: Arc::clone(&ledger),
                counts: Arc::clone(&counts),
                stop: Arc::clone(&stop),
            };
            runtime.spawn(writer.run(random.fork(10 + name)))
        })
        .collect();
    let filling = load::fill_record(record.clone(), Arc::clone(&ledger), Arc::clone(&stop), random.fork(2));
    writers.push(runtime.spawn(filling));
    let site = Site {
        folder: folder.path(),
        file: &file,
        base: &base,
        counts: &counts,
    };
    let running = kill_often(running, kills, &site, &mut random.fork(3));
    std::thread::sleep(Duration::from_millis(500));
    stop.store(true, Ordering::SeqCst);
    for writer in writers {
        runtime
            .block_on(writer)
            .unwrap_or_else(|error| panic!("seed {seed}: {error}"));
    }
    proxy.calm_down();
    let ends = Ends {
        base: running.base.clone(),
        record: &record,
        ledger: &ledger,
    };
    let seen = settle(&ends, seed);
    let of = |count: &std::sync::atomic::AtomicU64| count.load(Ordering::Relaxed);
    println!(
        "faults: seed {seed}, {kills} kills, {} spoiled connections, {} acknowledged writes ({} repeated, {} given up), \
         {} patients, {} deltas stand, {} messages ({} withdrawals), lost 0, doubled 0, {:.0} s",
        of(&proxy.spoiled),
        of(&counts.acknowledged),
        of(&counts.repeated),
        of(&counts.given_up),
        seen.patients,
        seen.deltas,
        seen.messages,
        seen.withdrawals,
        began.elapsed().as_secs_f64(),
    );
    assert!(seen.deltas > 0 && seen.withdrawals > 0 && of(&proxy.spoiled) > 0);
}
