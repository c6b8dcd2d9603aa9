//! `GET /fhir/metadata`: the CapabilityStatement, made from the table that the handlers read.

use super::call::Call;
use super::types::{TYPES, TypeInfo};
use crate::server::AppState;
use serde_json::{Value, json};

/// When what is offered last changed (CapabilityStatement.date).
const DATE: &str = "2026-11-25";

/// What this endpoint offers, FHIR R4 4.0.1.
pub fn statement(app: &AppState, call: &Call) -> Value {
    let mut implementation = json!({
        "description": if app.self_contained {
            "Deltaward, self-contained: what it derives is kept and served here."
        } else {
            "Deltaward: what it derives is kept and served here, and delivered to the configured FHIR server."
        }
    });
    if let Some(base) = &call.base {
        implementation["url"] = json!(base);
    }
    json!({
        "resourceType": "CapabilityStatement",
        "url": "https://deltaward.example/fhir/CapabilityStatement/deltaward",
        "version": env!("CARGO_PKG_VERSION"),
        "name": "Deltaward",
        "title": "Deltaward: limb compartment pressures and blood pressures into delta-pressure alerts",
        "status": "active",
        "experimental": true,
        "date": DATE,
        "kind": "instance",
        "software": {"name": "Deltaward", "version": env!("CARGO_PKG_VERSION")},
        "implementation": implementation,
        "fhirVersion": "4.0.1",
        "format": ["application/fhir+json", "json"],
        "rest": [{
            "mode": "server",
            "documentation": documentation(app),
            "security": security(app),
            "resource": TYPES.iter().map(resource).collect::<Vec<Value>>(),
            "interaction": [{"code": "transaction"}, {"code": "batch"}]
        }]
    })
}

fn security(app: &AppState) -> Value {
    let hosts = "Requests with a Host that is not ours are refused.";
    if app.auth.is_none() {
        let description =
            format!("Nothing is asked for: only the machine itself, or a proxy on it, reaches this. {hosts}");
        return json!({"cors": false, "description": description});
    }
    let system = "http://terminology.hl7.org/CodeSystem/restful-security-service";
    json!({
        "cors": false,
        "service": [{"coding": [{"system": system, "code": "Basic"}]}],
        "description": format!(
            "One shared secret, as a bearer token (RFC 6750) or as the password of Basic (RFC 7617) with any user \
             name. {hosts}"
        )
    })
}

fn documentation(app: &AppState) -> String {
    let limits = &app.limits;
    format!(
        "A write is answered after its commit. Bodies up to {} bytes, Bundles up to {} bytes and {} entries, \
         nesting up to {} levels. An Observation or Procedure that cannot be used is kept and set aside with a \
         reason, not refused. Of Procedures those count whose code or category says that the patient is under \
         anaesthesia or that a limb has its blood again. GET is not supported inside a transaction. A condition (If-None-Exist, PUT by query, a conditional \
         reference in a transaction) names one identifier. Older versions are not served. Unknown search \
         parameters are ignored and listed, or refused under Prefer: handling=strict. Results are sorted by \
         _lastUpdated; a page ends at {} matches or {} bytes of them.",
        limits.max_body_bytes,
        limits.max_bundle_bytes,
        limits.max_bundle_entries,
        limits.max_depth,
        super::search::MAX_COUNT,
        super::search::PAGE_BYTES
    )
}

fn resource(kind: &TypeInfo) -> Value {
    let read = ["read", "search-type"];
    let write = ["create", "update", "delete"];
    let interactions: Vec<Value> = read
        .iter()
        .chain(write.iter().filter(|_| kind.writable))
        .map(|code| json!({"code": code}))
        .collect();
    let params: Vec<Value> = kind
        .params
        .iter()
        .map(|param| json!({"name": param.name, "type": param.kind, "documentation": param.documentation}))
        .collect();
    json!({
        "type": kind.name,
        "documentation": if kind.writable { "Received from clients; read-only where this service derived it." }
            else { "Derived by this service; read-only." },
        "interaction": interactions,
        "versioning": if kind.writable { "versioned-update" } else { "versioned" },
        "readHistory": false,
        "updateCreate": kind.writable,
        "conditionalCreate": kind.writable,
        "conditionalRead": "full-support",
        "conditionalUpdate": kind.writable,
        "conditionalDelete": "not-supported",
        "searchParam": params
    })
}
