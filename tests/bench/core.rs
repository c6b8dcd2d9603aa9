//! `cargo bench --bench core`: one module a capability.

mod recognise;

fn main() {
    let mut criterion = criterion::Criterion::default().configure_from_args();
    recognise::bench(&mut criterion);
    criterion.final_summary();
}
