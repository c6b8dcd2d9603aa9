#![no_main]
#[path = "../../support/properties/mod.rs"]
mod properties;

libfuzzer_sys::fuzz_target!(|data: &[u8]| properties::observation::holds(data));
