//! The mapping: which codes are pressures, which sites are compartments.

/// The mapping, compiled once at start.
#[derive(Debug)]
pub struct Mapping {
    /// SHA-256 (hex) over the files it was read from: a change re-tries everything set aside.
    pub hash: String,
}
