//! Numbered migrations. `user_version` of the file says how many were applied.

use super::copy;
use super::rows::Fault;
use crate::store::StoreError;
use rusqlite::{Connection, TransactionBehavior};
use std::path::{Path, PathBuf};

/// In order; an entry is never changed once a release had it, only followed by another.
const MIGRATIONS: &[&str] = &[
    include_str!("0001_start.sql"),
    include_str!("0002_alerts_pass.sql"),
    include_str!("0003_retention.sql"),
    include_str!("0004_append.sql"),
    include_str!("0005_shorter.sql"),
];

/// The schema version that this program writes.
pub(super) fn known() -> i64 {
    i64::try_from(MIGRATIONS.len()).unwrap_or(i64::MAX)
}

fn version(connection: &Connection) -> rusqlite::Result<i64> {
    connection.pragma_query_value(None, "user_version", |row| row.get(0))
}

/// Is the file of another schema than this program's? `found` 0 is a new file.
pub(super) fn found(connection: &Connection, path: &str) -> Result<i64, StoreError> {
    let found = version(connection).map_err(|error| StoreError::of_sqlite(&error, path, "read its schema version"))?;
    let known = known();
    if found > known {
        return Err(StoreError::Newer {
            path: path.to_owned(),
            found,
            known,
        });
    }
    Ok(found)
}

/// `Older` when migrations are missing: for readers, which change nothing.
pub(super) fn refuse_older(connection: &Connection, path: &str) -> Result<(), StoreError> {
    let (found, known) = (found(connection, path)?, known());
    if found < known {
        return Err(StoreError::Older {
            path: path.to_owned(),
            found,
            known,
        });
    }
    Ok(())
}

/// Where the copy is kept that is made before an older file is migrated.
pub(super) fn copy_path(path: &Path) -> PathBuf {
    copy::beside(path, &format!(".before-schema-{}", known()))
}

/// Apply what is missing, all in one transaction: a failure leaves the file as it was.
pub(super) fn migrate(connection: &mut Connection, path: &str) -> Result<(), StoreError> {
    let mut attempt = || -> Result<(), Fault> {
        let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let found = version(&transaction)?;
        for (number, migration) in (1_i64..).zip(MIGRATIONS) {
            if number > found {
                transaction.execute_batch(migration)?;
            }
        }
        transaction.pragma_update(None, "user_version", known())?;
        transaction.commit()?;
        Ok(())
    };
    attempt().map_err(|fault| fault.during("bring its schema up to date", path))
}
