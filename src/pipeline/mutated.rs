//! The one commit, wrongly in parts: for the simulation to find (feature `mutations`).

use crate::store::{Commit, Store, StoreError};

/// What is left for the one commit, and for one after it; what goes before it is committed here.
///
/// # Errors
/// When the store cannot commit.
pub(super) fn split(mut commit: Commit, store: &dyn Store) -> Result<(Commit, Commit), StoreError> {
    if mutated!(CursorBeforeCommit) {
        let cursors = std::mem::take(&mut commit.cursors);
        store.commit(&Commit {
            cursors,
            ..Commit::default()
        })?;
    }
    let mut after = Commit::default();
    if mutated!(OutboxAfterCommit) {
        after.outbox = std::mem::take(&mut commit.outbox);
    }
    Ok((commit, after))
}
