//! Figures of the pure core: `cargo bench --bench core`. One module a capability.

mod recognise;
mod step;

fn main() {
    let mut criterion = criterion::Criterion::default().configure_from_args();
    recognise::bench(&mut criterion);
    step::bench(&mut criterion);
    criterion.final_summary();
}
