//! Numbered migrations. `user_version` of the file says how many were applied.

use super::rows::Fault;
use crate::store::StoreError;
use rusqlite::{Connection, TransactionBehavior};

/// In order; an entry is never changed once a release had it, only followed by another.
const MIGRATIONS: &[&str] = &[include_str!("0001_start.sql"), include_str!("0002_alerts_pass.sql")];

/// The schema version that this program writes.
fn known() -> i64 {
    i64::try_from(MIGRATIONS.len()).unwrap_or(i64::MAX)
}

fn version(connection: &Connection) -> rusqlite::Result<i64> {
    connection.pragma_query_value(None, "user_version", |row| row.get(0))
}

/// `Newer` when a newer program wrote this file; `failed` says that it is no database.
pub(super) fn refuse_newer(connection: &Connection, failed: impl Fn(String) -> StoreError) -> Result<(), StoreError> {
    let found = version(connection).map_err(|error| failed(error.to_string()))?;
    let known = known();
    if found > known {
        return Err(StoreError::Newer { found, known });
    }
    Ok(())
}

/// Apply what is missing, all in one transaction: a failure leaves the file as it was.
pub(super) fn migrate(connection: &mut Connection) -> Result<(), StoreError> {
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
    attempt().map_err(|fault| fault.during("bring the schema up to date"))
}
