//! Which resource types are served, and what can be asked of each. The handlers and the
//! CapabilityStatement read the same table, so they cannot disagree.

use super::problem::Problem;
use crate::fhir::outcome::IssueType;
use axum::http::StatusCode;

/// A search parameter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Param {
    /// Its name in a query.
    pub name: &'static str,
    /// SearchParamType.
    pub kind: &'static str,
    /// What of it is supported.
    pub documentation: &'static str,
}

/// A resource type.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TypeInfo {
    /// Its name.
    pub name: &'static str,
    /// True when clients write it; the rest is derived by this service and read only.
    pub writable: bool,
    /// Search parameters.
    pub params: &'static [Param],
}

const ID: Param = Param {
    name: "_id",
    kind: "token",
    documentation: "Logical ids, comma separated.",
};
const LAST_UPDATED: Param = Param {
    name: "_lastUpdated",
    kind: "date",
    documentation: "Prefixes eq, ge, gt, le, lt, sa, eb; may stand more than once. A day, month or year is one in UTC.",
};
const IDENTIFIER: Param = Param {
    name: "identifier",
    kind: "token",
    documentation: "One of: system|value, value, |value.",
};
const PATIENT: Param = Param {
    name: "patient",
    kind: "reference",
    documentation: "One patient: an id, Patient/id, or the absolute reference as it was sent.",
};
const SUBJECT: Param = Param {
    name: "subject",
    kind: "reference",
    documentation: "As patient; an id without a type is a Patient's.",
};
const STATUS: Param = Param {
    name: "status",
    kind: "token",
    documentation: "Codes, comma separated.",
};
const CODE: Param = Param {
    name: "code",
    kind: "token",
    documentation: "Comma separated, each system|code, code, or |code (a coding without a system).",
};
const DATE: Param = Param {
    name: "date",
    kind: "date",
    documentation: "Effective time (of a Procedure: when it was performed): what overlaps the asked time matches. As _lastUpdated, without sa and eb.",
};

/// Everything that is served.
pub const TYPES: &[TypeInfo] = &[
    TypeInfo {
        name: "Communication",
        writable: false,
        params: &[ID, LAST_UPDATED, IDENTIFIER, PATIENT, SUBJECT, STATUS],
    },
    TypeInfo {
        name: "Device",
        writable: false,
        params: &[ID, LAST_UPDATED, IDENTIFIER],
    },
    TypeInfo {
        name: "Observation",
        writable: true,
        params: &[ID, LAST_UPDATED, IDENTIFIER, PATIENT, SUBJECT, STATUS, CODE, DATE],
    },
    TypeInfo {
        name: "Patient",
        writable: true,
        params: &[ID, LAST_UPDATED, IDENTIFIER],
    },
    TypeInfo {
        name: "Procedure",
        writable: true,
        params: &[ID, LAST_UPDATED, IDENTIFIER, PATIENT, SUBJECT, STATUS, CODE, DATE],
    },
];

/// The type of this name.
///
/// # Errors
/// 404, as FHIR says for a resource type that is not supported.
pub fn find(name: &str) -> Result<&'static TypeInfo, Problem> {
    TYPES.iter().find(|known| known.name == name).ok_or_else(|| {
        let names: Vec<&str> = TYPES.iter().map(|known| known.name).collect();
        let text = format!(
            "This resource type (or path) is not served; served are {}. See /fhir/metadata.",
            names.join(", ")
        );
        Problem::new(StatusCode::NOT_FOUND, IssueType::NotSupported, text)
    })
}

/// The type of this name, if clients may write it.
///
/// # Errors
/// 404 for an unknown type, 405 for one that only this service writes.
pub fn find_writable(name: &str) -> Result<&'static TypeInfo, Problem> {
    let known = find(name)?;
    if known.writable {
        return Ok(known);
    }
    let text = format!("{name} resources are derived by this service; clients can only read them.");
    Err(
        Problem::new(StatusCode::METHOD_NOT_ALLOWED, IssueType::NotSupported, text).with_header(
            axum::http::header::ALLOW,
            axum::http::HeaderValue::from_static("GET,HEAD"),
        ),
    )
}

/// FHIR's `id` grammar: 1 to 64 of letters, digits, `-` and `.`.
///
/// # Errors
/// 400.
pub fn check_id(id: &str) -> Result<(), Problem> {
    let fits = (1..=64).contains(&id.len())
        && id
            .bytes()
            .all(|byte| byte.is_ascii_alphanumeric() || byte == b'-' || byte == b'.');
    if fits {
        return Ok(());
    }
    Err(Problem::new(
        StatusCode::BAD_REQUEST,
        IssueType::Value,
        "The id is not a FHIR id: 1 to 64 letters, digits, '-' and '.'.",
    ))
}
