//! OperationOutcome: written for every error on our endpoint, read from other servers' answers.

use serde_json::{Value, json};

/// OperationOutcome.issue.severity (FHIR R4, all four). The worst comes first in the order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Severity {
    /// The whole failed and nothing can go on.
    Fatal,
    /// The action failed.
    Error,
    /// It was done, but look at it.
    Warning,
    /// To be known.
    Information,
}

impl Severity {
    /// The code.
    pub fn code(self) -> &'static str {
        match self {
            Self::Fatal => "fatal",
            Self::Error => "error",
            Self::Warning => "warning",
            Self::Information => "information",
        }
    }

    fn read(code: &str) -> Option<Self> {
        let all = [Self::Fatal, Self::Error, Self::Warning, Self::Information];
        all.into_iter().find(|severity| severity.code() == code)
    }
}

/// Codes of the FHIR R4 value set `issue-type` (required binding) that an answer of ours can need.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum IssueType {
    /// Not JSON, or not the structure of a resource.
    Structure,
    /// An element is missing.
    Required,
    /// An element's value is not legal.
    Value,
    /// A rule over several elements is broken.
    Invariant,
    /// Not allowed.
    Security,
    /// No credentials, or none that count here.
    Login,
    /// The interaction, resource type, media type or parameter is not offered.
    NotSupported,
    /// The resource is there already.
    Duplicate,
    /// A conditional interaction matched several.
    MultipleMatches,
    /// No such resource.
    NotFound,
    /// It was there and is deleted.
    Deleted,
    /// Body, Bundle or nesting over its limit.
    TooLong,
    /// A code that is not known.
    CodeInvalid,
    /// A rule of this service refuses it.
    BusinessRule,
    /// Another version is current.
    Conflict,
    /// May go better later.
    Transient,
    /// The store cannot keep it now.
    NoStore,
    /// Too much waits already; send again later.
    Throttled,
    /// It took too long.
    Timeout,
    /// A fault of ours.
    Exception,
    /// Could not be processed for another reason.
    Processing,
    /// No fault: to be known.
    Informational,
}

impl IssueType {
    /// The code of `http://hl7.org/fhir/issue-type`.
    pub fn code(self) -> &'static str {
        match self {
            Self::Structure => "structure",
            Self::Required => "required",
            Self::Value => "value",
            Self::Invariant => "invariant",
            Self::Security => "security",
            Self::Login => "login",
            Self::NotSupported => "not-supported",
            Self::Duplicate => "duplicate",
            Self::MultipleMatches => "multiple-matches",
            Self::NotFound => "not-found",
            Self::Deleted => "deleted",
            Self::TooLong => "too-long",
            Self::CodeInvalid => "code-invalid",
            Self::BusinessRule => "business-rule",
            Self::Conflict => "conflict",
            Self::Transient => "transient",
            Self::NoStore => "no-store",
            Self::Throttled => "throttled",
            Self::Timeout => "timeout",
            Self::Exception => "exception",
            Self::Processing => "processing",
            Self::Informational => "informational",
        }
    }
}

/// One issue to be written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Issue {
    /// How bad.
    pub severity: Severity,
    /// What kind.
    pub code: IssueType,
    /// What happened and what to do, for a person. Empty: left out.
    pub diagnostics: String,
    /// FHIRPath of the elements concerned (`Observation.status`). Empty: left out.
    pub expression: Vec<String>,
}

impl Issue {
    /// An issue of severity error without an expression.
    pub fn error(code: IssueType, diagnostics: impl Into<String>) -> Self {
        Self {
            severity: Severity::Error,
            code,
            diagnostics: diagnostics.into(),
            expression: Vec::new(),
        }
    }

    /// The same, about one element.
    #[must_use]
    pub fn at(mut self, expression: impl Into<String>) -> Self {
        self.expression.push(expression.into());
        self
    }
}

/// An OperationOutcome with these issues. FHIR demands at least one: for none, an `informational`
/// "no issue" is written.
pub fn outcome(issues: &[Issue]) -> Value {
    let none = [Issue {
        severity: Severity::Information,
        code: IssueType::Informational,
        diagnostics: String::from("no issue"),
        expression: Vec::new(),
    }];
    let issues = if issues.is_empty() { &none[..] } else { issues };
    let written: Vec<Value> = issues.iter().map(issue_json).collect();
    json!({ "resourceType": "OperationOutcome", "issue": written })
}

/// An OperationOutcome with one issue of severity error.
pub fn error(code: IssueType, diagnostics: impl Into<String>) -> Value {
    outcome(&[Issue::error(code, diagnostics)])
}

fn issue_json(issue: &Issue) -> Value {
    let mut written = json!({ "severity": issue.severity.code(), "code": issue.code.code() });
    // FHIR forbids empty strings and arrays.
    if !issue.diagnostics.trim().is_empty() {
        written["diagnostics"] = json!(issue.diagnostics);
    }
    if !issue.expression.is_empty() {
        written["expression"] = json!(issue.expression);
    }
    written
}

/// True when a body is an OperationOutcome, whatever it says.
pub fn is_outcome(body: &Value) -> bool {
    body.get("resourceType").and_then(Value::as_str) == Some("OperationOutcome")
}

/// The longest line that [`summary`] gives, in characters.
pub const MAX_SUMMARY_CHARS: usize = 300;

/// One short line about a server's answer: the issues of its OperationOutcome, worst first, or what
/// else the body is (an HTML page of a proxy, nothing). Control characters and line breaks become
/// spaces. Fit for the stopped list that an operator reads; not for logs, because a server may
/// repeat patient data in its diagnostics.
pub fn summary(body: &str) -> String {
    let start = body.trim_start_matches('\u{feff}').trim_start();
    let line = if start.is_empty() {
        String::from("an empty body")
    } else if start.starts_with('<') {
        markup(start)
    } else {
        match serde_json::from_str::<Value>(start) {
            Ok(value) => json_body(&value),
            Err(_) => format!("{} bytes that are neither JSON nor HTML", body.len()),
        }
    };
    super::shorten(&one_line(&line), MAX_SUMMARY_CHARS - 1).into_owned()
}

fn json_body(value: &Value) -> String {
    match value["resourceType"].as_str() {
        Some("OperationOutcome") => {}
        Some(other) => return format!("a resource {:?}, no OperationOutcome", super::shorten(other, 40)),
        None => return String::from("JSON without an OperationOutcome"),
    }
    let mut issues: Vec<&Value> = value["issue"].as_array().into_iter().flatten().collect();
    issues.sort_by_key(|issue| {
        issue["severity"]
            .as_str()
            .and_then(Severity::read)
            .unwrap_or(Severity::Error)
    });
    let lines: Vec<String> = issues.into_iter().take(3).map(issue_line).collect();
    if lines.is_empty() {
        String::from("an OperationOutcome without issues")
    } else {
        lines.join("; ")
    }
}

/// `error code-invalid: details: diagnostics (Patient.gender)`, with what is there.
fn issue_line(issue: &Value) -> String {
    let text = |value: &Value| value.as_str().map(|text| super::shorten(text.trim(), 120).into_owned());
    let kind = [&issue["severity"], &issue["code"]].into_iter().filter_map(text);
    let coding = &issue["details"]["coding"][0];
    let details = [&issue["details"]["text"], &coding["display"], &coding["code"]]
        .into_iter()
        .find_map(text);
    let mut parts = vec![kind.collect::<Vec<_>>().join(" ")];
    parts.extend(details);
    // Many servers write the same text twice.
    parts.extend(text(&issue["diagnostics"]).filter(|diagnostics| !parts.contains(diagnostics)));
    let place = [&issue["expression"][0], &issue["location"][0]]
        .into_iter()
        .find_map(text);
    let place = place.map(|place| format!(" ({place})")).unwrap_or_default();
    parts.retain(|part| !part.is_empty());
    format!("{}{place}", parts.join(": "))
}

/// What a body is that starts with `<`.
fn markup(body: &str) -> String {
    // ASCII case only, so that byte positions hold for the body as well.
    let lower = body.to_ascii_lowercase();
    if lower.contains("<operationoutcome") {
        return String::from("an OperationOutcome in XML; only JSON is read");
    }
    if !lower.contains("<html") && !lower.starts_with("<!doctype html") {
        return String::from("XML, not FHIR JSON");
    }
    let title = lower.find("<title>").map(|at| at + "<title>".len()).and_then(|from| {
        let length = lower[from..].find("</title>")?;
        Some(super::shorten(body[from..from + length].trim(), 80))
    });
    match title.filter(|title| !title.is_empty()) {
        Some(title) => format!("an HTML page, not FHIR (title: {title})"),
        None => String::from("an HTML page, not FHIR"),
    }
}

/// Runs of white space and control characters become one space.
fn one_line(text: &str) -> String {
    let parts = text.split(|character: char| character.is_whitespace() || character.is_control());
    parts.filter(|part| !part.is_empty()).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn writes_what_fhir_demands() {
        let issue = Issue::error(IssueType::Required, "status is missing: send one").at("Observation.status");
        let expected = json!({
            "resourceType": "OperationOutcome",
            "issue": [{
                "severity": "error",
                "code": "required",
                "diagnostics": "status is missing: send one",
                "expression": ["Observation.status"],
            }],
        });
        assert_eq!(outcome(&[issue]), expected);
        // issue is 1..*; empty strings and arrays are illegal in FHIR JSON.
        assert_eq!(outcome(&[])["issue"][0]["code"], "informational");
        let bare = json!({ "severity": "error", "code": "exception" });
        assert_eq!(error(IssueType::Exception, " ")["issue"][0], bare);
    }

    #[test]
    fn codes_are_the_standards() {
        // HL7 FHIR R4 (4.0.1), fhir.schema.json, OperationOutcome_Issue.code, quoted.
        let standard = "invalid structure required value invariant security login unknown expired forbidden suppressed \
            processing not-supported duplicate multiple-matches not-found deleted too-long code-invalid extension \
            too-costly business-rule conflict transient lock-error no-store exception timeout incomplete throttled \
            informational";
        use IssueType::*;
        let all = [
            Structure,
            Required,
            Value,
            Invariant,
            Security,
            Login,
            NotSupported,
            Duplicate,
            MultipleMatches,
            NotFound,
            Deleted,
            TooLong,
            CodeInvalid,
            BusinessRule,
            Conflict,
            Transient,
            NoStore,
            Throttled,
            Timeout,
            Exception,
            Processing,
            Informational,
        ];
        for issue in all {
            assert!(standard.split(' ').any(|code| code == issue.code()), "{issue:?}");
        }
    }

    #[test]
    fn reads_official_examples() {
        // HL7 FHIR R4 examples OperationOutcome/101, /exception and /allok (CC0), narrative left out.
        let table = [
            (
                r#"{"resourceType":"OperationOutcome","id":"101","issue":[{"severity":"error","code":"code-invalid",
                    "details":{"text":"The code \"W\" is not known and not legal in this context"},
                    "diagnostics":"Acme.Interop.FHIRProcessors.Patient.processGender line 2453",
                    "location":["/f:Patient/f:gender"],"expression":["Patient.gender"]}]}"#,
                "error code-invalid: The code \"W\" is not known and not legal in this context: \
                 Acme.Interop.FHIRProcessors.Patient.processGender line 2453 (Patient.gender)",
            ),
            (
                r#"{"resourceType":"OperationOutcome","id":"exception","issue":[{"severity":"error",
                    "code":"exception","details":{"text":"SQL Link Communication Error (dbx = 34234)"}}]}"#,
                "error exception: SQL Link Communication Error (dbx = 34234)",
            ),
            (
                r#"{"resourceType":"OperationOutcome","id":"allok","issue":[{"severity":"information",
                    "code":"informational","details":{"text":"All OK"}}]}"#,
                "information informational: All OK",
            ),
        ];
        for (body, expected) in table {
            assert_eq!(summary(body), expected);
        }
    }

    #[test]
    fn worst_issue_comes_first_and_length_is_bounded() {
        let long = "x\n".repeat(100_000);
        let body = json!({ "resourceType": "OperationOutcome", "issue": [
            { "severity": "information", "code": "informational", "diagnostics": long },
            { "severity": "warning", "code": "value", "diagnostics": long },
            { "severity": "fatal", "code": "exception", "diagnostics": "boom" },
        ]});
        let line = summary(&body.to_string());
        assert!(line.starts_with("fatal exception: boom; warning value: x x"), "{line}");
        assert!(
            line.chars().count() <= MAX_SUMMARY_CHARS && !line.contains('\n'),
            "{line}"
        );
    }

    #[test]
    fn other_bodies_are_described() {
        let table = [
            ("", "an empty body"),
            (" \r\n", "an empty body"),
            (
                "<!DOCTYPE html><HTML><head><Title>502 Bad\nGateway</TITLE></head></HTML>",
                "an HTML page, not FHIR (title: 502 Bad Gateway)",
            ),
            ("<html><title>ÄÖ", "an HTML page, not FHIR"),
            (
                "<?xml version=\"1.0\"?><OperationOutcome xmlns=\"…\"/>",
                "an OperationOutcome in XML; only JSON is read",
            ),
            ("<error/>", "XML, not FHIR JSON"),
            ("upstream timed out", "18 bytes that are neither JSON nor HTML"),
            ("{\"error\":\"invalid_token\"}", "JSON without an OperationOutcome"),
            ("[1]", "JSON without an OperationOutcome"),
            (
                "{\"resourceType\":\"Observation\"}",
                "a resource \"Observation\", no OperationOutcome",
            ),
            (
                "{\"resourceType\":\"OperationOutcome\",\"issue\":7}",
                "an OperationOutcome without issues",
            ),
        ];
        for (body, expected) in table {
            assert_eq!(summary(body), expected, "{body}");
        }
    }

    proptest::proptest! {
        #[test]
        fn never_panics(body in r#"\PC{0,99}|<html>\PC{0,20}<title>\PC{0,20}(</title>)?"#) {
            proptest::prop_assert!(summary(&body).chars().count() <= MAX_SUMMARY_CHARS);
        }
    }
}
