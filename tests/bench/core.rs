//! Figures of the pure core: `cargo bench --bench core`. One module a capability.

mod recognise;
mod step;

/// As in the program.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() {
    let mut criterion = criterion::Criterion::default().configure_from_args();
    recognise::bench(&mut criterion);
    step::bench(&mut criterion);
    criterion.final_summary();
}
