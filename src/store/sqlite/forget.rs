//! What is no longer kept.

use super::index;
use super::rows::Fault;
use super::write::Tally;
use crate::fhir::Instant;
use crate::recognise::reading::PatientKey;
use rusqlite::{OptionalExtension, Transaction, params};
use std::collections::HashMap;

/// Delete inputs, all their versions and what is served of them, unless filed elsewhere by now.
pub(super) fn unneeded(tx: &Transaction<'_>, sources: &[(PatientKey, String)], tally: &mut Tally) -> Result<(), Fault> {
    for (patient, source) in sources {
        let Some((resource_type, id)) = source.split_once('/') else {
            return Err(Fault::Refused(
                "what is to be forgotten is no address of a resource".to_owned(),
            ));
        };
        let filed: Option<bool> = tx
            .prepare_cached(
                "SELECT deleted FROM inputs WHERE resource_type = ?1 AND id = ?2 AND current = 1 AND patient = ?3",
            )?
            .query_row(params![resource_type, id, patient.0], |row| row.get(0))
            .optional()?;
        let Some(deleted) = filed else {
            continue;
        };
        for sql in [
            // What we derived stands at its own address and has no input.
            "DELETE FROM resources WHERE resource_type = ?1 AND id = ?2 AND input_row IS NOT NULL",
            "DELETE FROM inputs WHERE resource_type = ?1 AND id = ?2 AND current = 0",
            "DELETE FROM inputs WHERE resource_type = ?1 AND id = ?2 AND current = 1",
        ] {
            tx.prepare_cached(sql)?.execute([resource_type, id])?;
        }
        tally.inputs -= i64::from(!deleted);
    }
    if !sources.is_empty() {
        index::inputs_removed(tx)?;
    }
    Ok(())
}

/// Set when something of a patient may be forgotten, where nothing else of the patient is written.
pub(super) fn set_times(tx: &Transaction<'_>, times: &HashMap<&PatientKey, Option<Instant>>) -> Result<(), Fault> {
    let mut set = tx.prepare_cached("UPDATE patients SET forget_at = ?2 WHERE patient = ?1 AND forget_at IS NOT ?2")?;
    for (patient, at) in times {
        set.execute(params![patient.0, at.map(Instant::millis)])?;
    }
    Ok(())
}
