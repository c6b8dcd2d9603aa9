//! What is no longer kept.

use super::rows::Fault;
use crate::fhir::Instant;
use crate::recognise::reading::PatientKey;
use rusqlite::{Transaction, params};

/// Delete inputs, all their versions and what is served of them, unless filed elsewhere by now.
pub(super) fn unneeded(tx: &Transaction<'_>, sources: &[(PatientKey, String)]) -> Result<(), Fault> {
    for (patient, source) in sources {
        let Some((resource_type, id)) = source.split_once('/') else {
            return Err(Fault::Refused(
                "what is to be forgotten is no address of a resource".to_owned(),
            ));
        };
        let filed: i64 = tx
            .prepare_cached(
                "SELECT COUNT(*) FROM inputs WHERE resource_type = ?1 AND id = ?2 AND current = 1 AND patient = ?3",
            )?
            .query_row(params![resource_type, id, patient.0], |row| row.get(0))?;
        if filed == 0 {
            continue;
        }
        for sql in [
            // What we derived stands at its own address and has no input.
            "DELETE FROM resources WHERE resource_type = ?1 AND id = ?2 AND input_row IS NOT NULL",
            "DELETE FROM inputs WHERE resource_type = ?1 AND id = ?2 AND current = 0",
            "DELETE FROM inputs WHERE resource_type = ?1 AND id = ?2 AND current = 1",
        ] {
            tx.prepare_cached(sql)?.execute([resource_type, id])?;
        }
    }
    Ok(())
}

/// Set when something of a patient may be forgotten.
pub(super) fn set_times(tx: &Transaction<'_>, times: &[(PatientKey, Option<Instant>)]) -> Result<(), Fault> {
    let mut set = tx.prepare_cached("UPDATE patients SET forget_at = ?2 WHERE patient = ?1 AND forget_at IS NOT ?2")?;
    for (patient, at) in times {
        set.execute(params![patient.0, at.map(Instant::millis)])?;
    }
    Ok(())
}
