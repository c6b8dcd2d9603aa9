//! References inside a transaction: what the Bundle calls `urn:uuid:…` gets the id that it will
//! have here (FHIR R4, "RESTful API", section "Transaction Processing Rules"; "Bundle", section
//! "Resolving references in Bundles").

use super::json::rewrite_strings;
use super::problem::Problem;
use super::types;
use super::write::{self, Matched};
use crate::fhir::outcome::IssueType;
use crate::server::AppState;
use axum::http::StatusCode;
use std::collections::{BTreeSet, HashMap};

/// The most conditional references of one Bundle: each is a search of its own.
pub const MAX_CONDITIONS: usize = 1000;

/// fullUrl, or conditional reference → `Type/id` here.
#[derive(Clone, Debug, Default)]
pub struct References {
    known: HashMap<String, String>,
    conditions: usize,
}

impl References {
    /// The entry with this fullUrl will stand as `reference`; false when the fullUrl was taken.
    pub fn add(&mut self, full_url: &str, reference: String) -> bool {
        self.known.insert(full_url.to_owned(), reference).is_none()
    }

    /// Find the resources that conditional references (`Patient?identifier=…`) in `text` mean.
    ///
    /// # Errors
    /// 412 when a condition does not match exactly one resource, 400 when it is not one identifier.
    pub async fn resolve_conditions(&mut self, app: &AppState, text: &str) -> Result<(), Problem> {
        let mut conditions = BTreeSet::new();
        rewrite_strings(text, |token, value| {
            if token.is_reference() && !value.contains("://") && value.contains('?') {
                conditions.insert(value.to_owned());
            }
            None
        });
        for condition in conditions {
            if self.known.contains_key(&condition) {
                continue;
            }
            let Some((kind, query)) = condition.split_once('?') else {
                continue;
            };
            self.conditions += 1;
            if self.conditions > MAX_CONDITIONS {
                let text = format!("A transaction may hold at most {MAX_CONDITIONS} conditional references.");
                return Err(Problem::new(StatusCode::PAYLOAD_TOO_LARGE, IssueType::TooLong, text));
            }
            match write::resolve(app, types::find(kind)?, query).await? {
                Matched::One(row) => self.add(&condition, format!("{}/{}", row.resource_type, row.id)),
                Matched::None => {
                    let text = "A conditional reference matches nothing; the transaction was not carried out.";
                    return Err(Problem::new(StatusCode::PRECONDITION_FAILED, IssueType::NotFound, text));
                }
            };
        }
        Ok(())
    }

    /// The text with each known reference replaced. `full_url` is the entry's own: a relative
    /// reference is looked up under its base.
    ///
    /// # Errors
    /// 400 for a `urn:` reference that no entry bears: stored, it would name nobody.
    pub fn rewrite(&self, text: &str, full_url: Option<&str>) -> Result<String, Problem> {
        let base = full_url.and_then(restful_base);
        let mut unresolved = false;
        let rewritten = rewrite_strings(text, |token, value| {
            if let Some(reference) = self.known.get(value) {
                return Some(reference.clone());
            }
            if !token.is_reference() {
                return None;
            }
            unresolved |= value.starts_with("urn:uuid:") || value.starts_with("urn:oid:");
            let absolute = format!("{}{value}", base?);
            self.known.get(&absolute).cloned()
        });
        if unresolved {
            return Err(Problem::new(
                StatusCode::BAD_REQUEST,
                IssueType::NotFound,
                "A urn: reference names no entry that a transaction could resolve; a batch resolves none.",
            ));
        }
        Ok(rewritten)
    }
}

/// `http://host/fhir/` of `http://host/fhir/Patient/1`.
fn restful_base(full_url: &str) -> Option<&str> {
    if !full_url.starts_with("http://") && !full_url.starts_with("https://") {
        return None;
    }
    let (rest, _id) = full_url.rsplit_once('/')?;
    let (base, _kind) = rest.rsplit_once('/')?;
    full_url.get(..=base.len())
}
