//! One entry of a batch or transaction: what it asks for.

use super::call::{if_match, version_of};
use super::json::parse_problem;
use super::problem::Problem;
use super::search;
use super::types::{self, TypeInfo, check_id};
use super::unsupported_condition;
use crate::fhir::outcome::IssueType;
use axum::http::StatusCode;
use serde::Deserialize;
use serde_json::value::RawValue;

/// A Bundle, its entries still text: one bad entry of a batch must not refuse the others.
#[derive(Deserialize)]
pub struct Bundle<'a> {
    #[serde(rename = "resourceType")]
    resource_type: String,
    #[serde(rename = "type", default)]
    kind: String,
    /// The entries.
    #[serde(borrow, default)]
    pub entry: Vec<&'a RawValue>,
}

impl Bundle<'_> {
    /// True for a transaction, false for a batch.
    ///
    /// # Errors
    /// 400 for anything else.
    pub fn is_transaction(&self) -> Result<bool, Problem> {
        if self.resource_type != "Bundle" {
            let text = "Only a Bundle can be posted here; post a resource to /fhir/{type}.";
            return Err(Problem::invalid(text).at("Resource.resourceType"));
        }
        match self.kind.as_str() {
            "transaction" => Ok(true),
            "batch" => Ok(false),
            _ => Err(Problem::invalid("Bundle.type must be batch or transaction.").at("Bundle.type")),
        }
    }
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct RawEntry<'a> {
    full_url: Option<String>,
    #[serde(borrow)]
    resource: Option<&'a RawValue>,
    #[serde(borrow)]
    request: Option<&'a RawValue>,
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct RawRequest {
    method: String,
    url: String,
    if_none_match: Option<String>,
    if_match: Option<String>,
    if_none_exist: Option<String>,
}

/// What an entry asks for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Plan {
    /// POST.
    Create {
        /// Type.
        kind: &'static TypeInfo,
        /// ifNoneExist.
        condition: Option<String>,
    },
    /// PUT Type/id.
    Update {
        /// Type.
        kind: &'static TypeInfo,
        /// Logical id.
        id: String,
        /// ifMatch.
        if_match: Option<String>,
    },
    /// PUT Type?identifier=…
    UpdateWhere {
        /// Type.
        kind: &'static TypeInfo,
        /// The condition.
        query: String,
        /// ifMatch.
        if_match: Option<String>,
    },
    /// DELETE Type/id.
    Delete {
        /// Type.
        kind: &'static TypeInfo,
        /// Logical id.
        id: String,
        /// ifMatch.
        if_match: Option<String>,
    },
    /// GET Type/id.
    Read {
        /// Type.
        kind: &'static TypeInfo,
        /// Logical id.
        id: String,
        /// ifNoneMatch.
        if_none_match: Option<String>,
    },
    /// GET Type?…
    Search {
        /// Type.
        kind: &'static TypeInfo,
        /// The query.
        query: String,
    },
}

impl Plan {
    /// True when the entry depends on what a search finds.
    pub fn is_conditional(&self) -> bool {
        matches!(self, Plan::UpdateWhere { .. } | Plan::Create { condition: Some(_), .. })
    }
}

/// An entry that can be carried out, as far as its request says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// fullUrl.
    pub full_url: Option<String>,
    /// The resource as sent.
    pub resource: Option<String>,
    /// What to do.
    pub plan: Plan,
}

impl Entry {
    /// Parse one entry.
    ///
    /// # Errors
    /// 400, 404 or 405, as the same request on its own would get.
    pub fn parse(raw: &RawValue) -> Result<Self, Problem> {
        let entry: RawEntry<'_> = object(raw)?;
        let request = entry.request.ok_or_else(|| {
            Problem::new(
                StatusCode::BAD_REQUEST,
                IssueType::Required,
                "The entry has no request.",
            )
        })?;
        let plan = plan(&object(request)?)?;
        Ok(Self {
            full_url: entry.full_url,
            resource: entry.resource.map(|raw| raw.get().to_owned()),
            plan,
        })
    }

    /// The resource's text.
    ///
    /// # Errors
    /// 400 when there is none.
    pub fn body(&self) -> Result<&str, Problem> {
        self.resource.as_deref().ok_or_else(|| {
            Problem::new(
                StatusCode::BAD_REQUEST,
                IssueType::Required,
                "The entry has no resource.",
            )
        })
    }
}

/// One of these structs from a JSON object: a derived one would also be read from an array.
fn object<'a, T: Deserialize<'a>>(raw: &'a RawValue) -> Result<T, Problem> {
    if !raw.get().starts_with('{') {
        let text = "A Bundle entry and its request must be JSON objects.";
        return Err(Problem::new(StatusCode::BAD_REQUEST, IssueType::Structure, text));
    }
    serde_json::from_str(raw.get()).map_err(|error| parse_problem(&error))
}

fn plan(request: &RawRequest) -> Result<Plan, Problem> {
    let (path, query) = match request.url.split_once('?') {
        Some((path, query)) => (path, Some(query.to_owned())),
        None => (request.url.as_str(), None),
    };
    let (kind, id) = match path.split_once('/') {
        Some((kind, id)) => (kind, Some(id)),
        None => (path, None),
    };
    let if_match = || if_match(request.if_match.as_deref());
    if request.if_none_match.is_some() && matches!(request.method.as_str(), "POST" | "PUT" | "DELETE") {
        let supported = if request.method == "POST" {
            "ifNoneExist"
        } else {
            "ifMatch"
        };
        return Err(unsupported_condition(supported));
    }
    match (request.method.as_str(), id, query) {
        ("POST", None, None) => {
            let kind = types::find_writable(kind)?;
            let condition = request.if_none_exist.clone();
            if let Some(condition) = &condition {
                search::condition(kind, condition)?;
            }
            Ok(Plan::Create { kind, condition })
        }
        ("PUT", Some(id), None) => Ok(Plan::Update {
            kind: types::find_writable(kind)?,
            id: checked(id)?,
            if_match: if_match()?,
        }),
        ("PUT", None, Some(query)) => Ok(Plan::UpdateWhere {
            kind: types::find_writable(kind)?,
            query,
            if_match: if_match()?,
        }),
        ("DELETE", Some(id), None) => Ok(Plan::Delete {
            kind: types::find_writable(kind)?,
            id: checked(id)?,
            if_match: if_match()?,
        }),
        ("GET" | "HEAD", Some(id), None) => Ok(Plan::Read {
            kind: types::find(kind)?,
            id: checked(id)?,
            if_none_match: request.if_none_match.as_deref().map(|tag| version_of(tag).to_owned()),
        }),
        ("GET" | "HEAD", None, query) => Ok(Plan::Search {
            kind: types::find(kind)?,
            query: query.unwrap_or_default(),
        }),
        _ => {
            let text = "This method and URL are not supported in a Bundle; see /fhir/metadata.";
            Err(Problem::new(StatusCode::BAD_REQUEST, IssueType::NotSupported, text))
        }
    }
}

fn checked(id: &str) -> Result<String, Problem> {
    check_id(id)?;
    Ok(id.to_owned())
}
