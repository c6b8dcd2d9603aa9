//! FHIR search and read over what `/fhir` serves: inputs and derived resources together.

use super::rows::{Fault, INPUT_COLUMNS, bounded, input_row};
use crate::recognise::DERIVED_IDENTIFIER_SYSTEM;
use crate::store::records::{InputRow, SearchPage, SearchQuery};
use crate::store::stamp::stamp;
use rusqlite::types::Value;
use rusqlite::{OptionalExtension, Transaction, params_from_iter};

/// The input or the derived resource behind each address, in the columns of `input_row`.
const SERVED: &str = "SELECT resources.resource_type, resources.id, resources.deleted, resources.updated,
        CASE WHEN input_row IS NULL THEN derived.last_updated ELSE inputs.last_updated END AS last_updated,
        CASE WHEN input_row IS NULL THEN derived.version ELSE inputs.version_number END AS version_number,
        CASE WHEN input_row IS NULL THEN CAST(derived.version AS TEXT) ELSE inputs.version_id END AS version_id,
        CASE WHEN input_row IS NULL THEN derived.digest ELSE inputs.digest END AS digest,
        CASE WHEN input_row IS NULL THEN derived.last_updated ELSE inputs.received END AS received,
        CASE WHEN input_row IS NULL THEN derived.patient ELSE inputs.patient END AS patient,
        CASE WHEN input_row IS NULL THEN derived.body ELSE inputs.body END AS body
 FROM resources
 LEFT JOIN inputs ON inputs.row = resources.input_row
 LEFT JOIN derived ON resources.input_row IS NULL AND derived.identity = resources.id";

/// A row as it is served: the body carries id, versionId and lastUpdated of the row.
fn served_row(row: &rusqlite::Row<'_>) -> rusqlite::Result<InputRow> {
    let mut served = input_row(row)?;
    let updated = super::rows::instant(row, "updated")?;
    served.body = stamp(&served.body, &served.id, &served.version.id, updated);
    Ok(served)
}

/// What stands at an address, without the index. What we derived comes before an input of that address.
pub(super) fn read(tx: &Transaction<'_>, resource_type: &str, id: &str) -> Result<Option<InputRow>, Fault> {
    let of_ours = tx
        .prepare_cached(
            "SELECT resource_type, identity AS id, 0 AS deleted, last_updated AS updated, last_updated,
                    version AS version_number, CAST(version AS TEXT) AS version_id, digest,
                    last_updated AS received, patient, body
             FROM derived WHERE identity = ?2 AND resource_type = ?1",
        )?
        .query_row([resource_type, id], served_row)
        .optional()?;
    if of_ours.is_some() {
        return Ok(of_ours);
    }
    let sql = format!(
        "SELECT {INPUT_COLUMNS}, coalesce(last_updated, received) AS updated FROM inputs
         WHERE resource_type = ?1 AND id = ?2 AND current = 1"
    );
    let mut statement = tx.prepare_cached(&sql)?;
    Ok(statement.query_row([resource_type, id], served_row).optional()?)
}

/// One page and the total, both of the same moment. Order: (lastUpdated, id), so that a page never
/// depends on the plan that SQLite chose.
pub(super) fn search(tx: &Transaction<'_>, query: &SearchQuery) -> Result<SearchPage, Fault> {
    let filter = Filter::of(query);
    let count = format!("SELECT COUNT(*) FROM resources WHERE {}", filter.sql);
    let total: i64 = tx
        .prepare_cached(&count)?
        .query_row(params_from_iter(&filter.values), |row| row.get(0))?;
    let way = if query.newest_first { "DESC" } else { "ASC" };
    let count = match query.page_bytes {
        Some(bytes) => fitting(tx, &filter, query, bytes)?,
        None => query.count,
    };
    // The page is chosen without the bodies, which are read only for its rows.
    let sql = format!(
        "{SERVED} WHERE resources.key IN (SELECT key FROM resources WHERE {} ORDER BY updated {way}, id {way}
         LIMIT {} OFFSET {}) ORDER BY resources.updated {way}, resources.id {way}",
        filter.sql,
        filter.place(1),
        filter.place(2),
    );
    let page = [bounded(count), bounded(query.offset)].map(Value::Integer);
    let mut statement = tx.prepare_cached(&sql)?;
    let rows = statement.query_map(params_from_iter(filter.values.iter().chain(&page)), served_row)?;
    Ok(SearchPage {
        rows: rows.collect::<Result<_, _>>()?,
        total: usize::try_from(total).unwrap_or(0),
    })
}

/// How many matches of the page have bodies of `bytes` together, at least one. SQLite takes the length
/// of a body from its header, without the body.
fn fitting(tx: &Transaction<'_>, filter: &Filter, query: &SearchQuery, bytes: usize) -> Result<usize, Fault> {
    let way = if query.newest_first { "DESC" } else { "ASC" };
    let sql = format!(
        "SELECT OCTET_LENGTH(CASE WHEN input_row IS NULL THEN derived.body ELSE inputs.body END)
         FROM resources
         LEFT JOIN inputs ON inputs.row = resources.input_row
         LEFT JOIN derived ON resources.input_row IS NULL AND derived.identity = resources.id
         WHERE resources.key IN (SELECT key FROM resources WHERE {} ORDER BY updated {way}, id {way} LIMIT {} OFFSET {})
         ORDER BY resources.updated {way}, resources.id {way}",
        filter.sql,
        filter.place(1),
        filter.place(2),
    );
    let page = [bounded(query.count), bounded(query.offset)].map(Value::Integer);
    let mut statement = tx.prepare_cached(&sql)?;
    let mut lengths = statement.query(params_from_iter(filter.values.iter().chain(&page)))?;
    let (mut taken, mut sum) = (0, 0_usize);
    while let Some(row) = lengths.next()? {
        let length: i64 = row.get(0)?;
        sum = sum.saturating_add(usize::try_from(length).unwrap_or(0));
        if taken > 0 && sum > bytes {
            break;
        }
        taken += 1;
    }
    Ok(taken.max(1))
}

/// Conditions on `resources`, with the values of their numbered placeholders.
struct Filter {
    sql: String,
    values: Vec<Value>,
}

impl Filter {
    /// A `+` keeps a column out of SQLite's choice of index: it has no statistics, and would walk
    /// a whole type in its order rather than look a few rows up and sort them.
    fn of(query: &SearchQuery) -> Self {
        let by_identifier = query.identifier.is_some();
        let plus_when = |few: bool| if few { "+" } else { "" };
        let mut filter = Self {
            sql: format!(
                "{}resources.deleted = 0",
                plus_when(by_identifier || !query.ids.is_empty())
            ),
            values: Vec::new(),
        };
        let of_type = format!("{}resources.resource_type = ", plus_when(by_identifier));
        filter.text(&of_type, &query.resource_type);
        if let Some(patient) = &query.patient {
            filter.text("resources.subject = ", patient);
        }
        filter.any_of("resources.id", &query.ids);
        filter.any_of("resources.status", &query.statuses);
        // A resource whose effective time overlaps the asked span matches (FHIR `ge`, `lt`).
        let starts_before = format!("{}resources.effective_start < ", plus_when(query.patient.is_some()));
        let bounds = [
            ("resources.updated >= ", query.updated_from),
            ("resources.updated < ", query.updated_before),
            ("+resources.effective_end >= ", query.effective_from),
            (starts_before.as_str(), query.effective_before),
        ];
        for (condition, bound) in bounds {
            if let Some(at) = bound {
                filter.value(condition, Value::Integer(at.millis()));
            }
        }
        filter.identifier(query);
        filter.codes(query);
        filter
    }

    /// The placeholder `ahead` places after the values so far.
    fn place(&self, ahead: usize) -> String {
        format!("?{}", self.values.len() + ahead)
    }

    fn bind(&mut self, value: Value) -> String {
        self.values.push(value);
        self.place(0)
    }

    fn value(&mut self, condition: &str, value: Value) {
        let place = self.bind(value);
        self.sql.push_str(" AND ");
        self.sql.push_str(condition);
        self.sql.push_str(&place);
    }

    fn text(&mut self, condition: &str, text: &str) {
        self.value(condition, Value::Text(text.to_owned()));
    }

    fn any_of(&mut self, column: &str, texts: &[String]) {
        if texts.is_empty() {
            return;
        }
        let places: Vec<_> = texts.iter().map(|text| self.bind(Value::Text(text.clone()))).collect();
        self.sql.push_str(&format!(" AND {column} IN ({})", places.join(", ")));
    }

    /// `column = value`, and the system too when one is named (empty: the one without a system).
    fn token(&mut self, column: &str, system: Option<&String>, value: &str) -> String {
        let value = self.bind(Value::Text(value.to_owned()));
        match system {
            Some(system) => {
                let system = self.bind(Value::Text(system.clone()));
                format!("({column} = {value} AND system = {system})")
            }
            None => format!("({column} = {value})"),
        }
    }

    fn identifier(&mut self, query: &SearchQuery) {
        if let Some((system, value)) = &query.identifier {
            let token = self.token("value", system.as_ref(), value);
            let mut keys = format!("SELECT key FROM resource_identifiers WHERE {token}");
            // What we derived is named by its id, and has no row there of that name (`index::put`).
            if system.as_ref().is_none_or(|system| system == DERIVED_IDENTIFIER_SYSTEM) {
                let resource_type = self.bind(Value::Text(query.resource_type.clone()));
                let id = self.bind(Value::Text(value.clone()));
                keys.push_str(&format!(
                    " UNION ALL SELECT key FROM resources AS own
                      WHERE own.resource_type = {resource_type} AND own.id = {id} AND own.input_row IS NULL"
                ));
            }
            self.sql.push_str(&format!(" AND resources.key IN ({keys})"));
        }
    }

    fn codes(&mut self, query: &SearchQuery) {
        if query.codes.is_empty() {
            return;
        }
        let tokens: Vec<_> = query
            .codes
            .iter()
            .map(|(system, code)| self.token("code", system.as_ref(), code))
            .collect();
        let tokens = tokens.join(" OR ");
        // A code alone is shared by much of the table: when something narrower is asked too, look
        // at the codes of each candidate; else start from the index of codes.
        let narrow = query.patient.is_some()
            || query.updated_from.is_some()
            || query.identifier.is_some()
            || !query.ids.is_empty();
        let condition = if narrow {
            format!(
                " AND EXISTS (SELECT 1 FROM resource_codes WHERE resource_codes.key = resources.key AND ({tokens}))"
            )
        } else {
            format!(" AND resources.key IN (SELECT key FROM resource_codes WHERE {tokens})")
        };
        self.sql.push_str(&condition);
    }
}
