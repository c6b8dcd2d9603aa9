//! Figures of the pure core: `cargo bench --bench core`.

mod step;

criterion::criterion_group!(core, step::bench);
criterion::criterion_main!(core);
