//! What a server says it can do (CapabilityStatement, `GET [base]/metadata`). Pure.

use serde_json::Value;

/// What decides how entries are sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Capabilities {
    /// Read from a statement; false: assumed.
    pub said: bool,
    /// `rest.interaction` names `transaction`.
    pub transaction: bool,
    /// `conditionalUpdate` of Observation.
    pub conditional_update: bool,
    /// `conditionalCreate` of Communication (and of Device, where the statement lists Device).
    pub conditional_create: bool,
}

impl Capabilities {
    /// What is assumed while the statement cannot be read: single requests with conditional
    /// headers. Assumed only for the first attempt: before a create is repeated the server is
    /// searched, whatever it says it can, so one that ignores the headers gets each entry once too.
    /// While that search is not answered the create is not repeated on this assumption.
    pub const UNKNOWN: Self = Self {
        said: false,
        transaction: false,
        conditional_update: true,
        conditional_create: true,
    };

    /// Read a CapabilityStatement; None when the value is none.
    pub fn read(statement: &Value) -> Option<Self> {
        if statement.get("resourceType")?.as_str()? != "CapabilityStatement" {
            return None;
        }
        let rests = statement.get("rest")?.as_array()?;
        let is_server = |rest: &&Value| rest.get("mode").and_then(Value::as_str) == Some("server");
        let rest = rests.iter().find(is_server)?;
        let interactions = rest.get("interaction").and_then(Value::as_array);
        let transaction = interactions
            .into_iter()
            .flatten()
            .any(|interaction| interaction.get("code").and_then(Value::as_str) == Some("transaction"));
        let says = |resource_type: &str, element: &str| {
            let resources = rest.get("resource").and_then(Value::as_array);
            resources
                .into_iter()
                .flatten()
                .find(|resource| resource.get("type").and_then(Value::as_str) == Some(resource_type))
                .map(|resource| resource.get(element).and_then(Value::as_bool).unwrap_or(false))
        };
        Some(Self {
            said: true,
            transaction,
            conditional_update: says("Observation", "conditionalUpdate").unwrap_or(false),
            conditional_create: says("Communication", "conditionalCreate").unwrap_or(false)
                && says("Device", "conditionalCreate").unwrap_or(true),
        })
    }

    /// True when a group may go as one transaction Bundle of conditional writes.
    pub const fn takes_bundles(self) -> bool {
        self.transaction && self.conditional_update && self.conditional_create
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use serde_json::json;

    #[test]
    fn a_server_says_what_it_can() {
        let statement = json!({"resourceType": "CapabilityStatement", "rest": [
            {"mode": "client", "interaction": [{"code": "batch"}]},
            {"mode": "server", "interaction": [{"code": "transaction"}], "resource": [
                {"type": "Observation", "conditionalUpdate": true},
                {"type": "Communication", "conditionalCreate": true}]}]});
        assert!(Capabilities::read(&statement).unwrap().takes_bundles());
    }

    #[test]
    fn what_is_not_said_is_not_there() {
        let statement = json!({"resourceType": "CapabilityStatement", "rest": [
            {"mode": "server", "interaction": [{"code": "transaction"}],
             "resource": [{"type": "Observation"}]}]});
        let read = Capabilities::read(&statement).unwrap();
        assert!(read.transaction && !read.conditional_update && !read.conditional_create && !read.takes_bundles());
        assert_eq!(Capabilities::read(&json!({"resourceType": "OperationOutcome"})), None);
        assert!(!Capabilities::UNKNOWN.takes_bundles());
    }
}
