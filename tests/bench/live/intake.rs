//! Durable intake with reading, judging and outbox in one commit, beside the peer that only stores.
//! Targets: at least 0.5 of the peer's rate; p99 of the answer at most 3 times the peer's.

use super::data;
use super::load::{Outcome, put_all};
use super::service::Process;
use anyhow::Context;
use deltaward::fhir::Instant;

/// Requests of one turn; `BENCH_REQUESTS` takes another number for a quick look.
const REQUESTS: u64 = 100_000;
/// Turns; the medians count. `BENCH_TURNS` takes another number.
const TURNS: u64 = 3;
/// Patients.
const PATIENTS: u64 = 2_000;

/// Measure the two in turn.
pub async fn measure() -> anyhow::Result<()> {
    let (requests, turns) = (figure("BENCH_REQUESTS", REQUESTS)?, figure("BENCH_TURNS", TURNS)?);
    println!(
        "intake: {requests} PUTs of about 1 KB, one in five a compartment pressure, {PATIENTS} patients, {turns} turns"
    );
    for connections in [64, 256] {
        let (mut rates, mut tails) = (Vec::new(), Vec::new());
        for turn in 0..turns {
            let folder = tempfile::tempdir()?;
            let peer = Process::peer(folder.path())?;
            let bare = run(&peer, connections, requests).await?;
            drop(peer);
            let ours = Process::deltaward(folder.path(), "")?;
            let full = run(&ours, connections, requests).await?;
            drop(ours);
            println!(
                "  {connections} connections, turn {}: peer {:.0}/s, p99 {:.2} ms; deltaward {:.0}/s, p99 {:.2} ms",
                turn + 1,
                bare.rate(),
                bare.percentile(99),
                full.rate(),
                full.percentile(99)
            );
            rates.push(full.rate() / bare.rate());
            tails.push(full.percentile(99) / bare.percentile(99));
        }
        println!(
            "  {connections} connections: rate {:.2} of the peer's (target at least 0.5), p99 {:.2} times the peer's (target at most 3)",
            median(&mut rates),
            median(&mut tails)
        );
    }
    Ok(())
}

async fn run(process: &Process, connections: usize, requests: u64) -> anyhow::Result<Outcome> {
    let start = now().plus_minutes(-60);
    put_all(process.address, connections, 0..requests, move |number| {
        // An hour in the order of the numbers.
        let at = start.plus_seconds(i64::try_from(number * 3600 / requests).unwrap_or(0));
        let resource = data::observation(number, PATIENTS, at);
        (resource.id, resource.body)
    })
    .await
}

/// A figure of the environment, or the usual one.
pub fn figure(name: &str, usual: u64) -> anyhow::Result<u64> {
    match std::env::var(name) {
        Ok(text) => text.parse().with_context(|| format!("{name} is no number: {text:?}")),
        Err(_) => Ok(usual),
    }
}

/// The clock of this machine.
pub fn now() -> Instant {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
    Instant::from_millis(since.map_or(0, |since| i64::try_from(since.as_millis()).unwrap_or(0)))
}

/// The middle one.
pub fn median(figures: &mut [f64]) -> f64 {
    figures.sort_by(f64::total_cmp);
    figures.get(figures.len() / 2).copied().unwrap_or_default()
}
