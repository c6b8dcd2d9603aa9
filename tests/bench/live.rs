//! Figures of the running service: `cargo bench --bench live -- [intake|write-back|memory|catch-up]…`
//! (all of them without an argument). Every figure that a machine decides is given as a ratio to
//! a peer that was measured in turn, in the same run, on the same cores.

#[path = "live/catch_up.rs"]
mod catch_up;
#[path = "live/data.rs"]
mod data;
#[path = "live/intake.rs"]
mod intake;
#[path = "live/load.rs"]
mod load;
#[path = "live/memory.rs"]
mod memory;
#[path = "live/peer.rs"]
mod peer;
#[path = "live/service.rs"]
mod service;
#[path = "live/write_back.rs"]
mod write_back;

/// As in the program.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

const ALL: [&str; 4] = ["intake", "write-back", "memory", "catch-up"];

fn main() -> anyhow::Result<()> {
    let arguments: Vec<String> = std::env::args()
        .skip(1)
        .filter(|word| !word.starts_with("--"))
        .collect();
    // The peers are this program again, as processes of their own.
    if let [word, rest @ ..] = arguments.as_slice()
        && word == "peer"
    {
        return runtime()?.block_on(peer::serve(rest));
    }
    let wanted: Vec<&str> = match arguments.is_empty() {
        true => ALL.to_vec(),
        false => arguments.iter().map(String::as_str).collect(),
    };
    // `cargo test --all-targets` starts benches too, without the `--bench` of `cargo bench`: that they
    // start is enough there.
    if !std::env::args().any(|word| word == "--bench") {
        return Ok(());
    }
    for one in wanted {
        let runtime = runtime()?;
        match one {
            "intake" => runtime.block_on(intake::measure())?,
            "write-back" => runtime.block_on(write_back::measure())?,
            "memory" => runtime.block_on(memory::measure())?,
            "catch-up" => runtime.block_on(catch_up::measure())?,
            other => anyhow::bail!("no bench {other:?}; there are {}", ALL.join(", ")),
        }
    }
    Ok(())
}

fn runtime() -> std::io::Result<tokio::runtime::Runtime> {
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
}
