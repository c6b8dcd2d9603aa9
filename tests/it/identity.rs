//! Identities against UUIDv5 (RFC 9562 §5.5) computed with Python's `uuid` module.

use deltaward::outbox::identity;
use uuid::Uuid;

const SITE: &str = "left|s|c";

/// Python: `ns = uuid5(NAMESPACE_URL, "https://deltaward.example/fhir/derived")`, then
/// `uuid5(ns, "".join(f"{len(part)}:{part}" for part in parts))`.
#[test]
fn identities_are_those_of_another_implementation() {
    let table = [
        (identity::device(), "1ec37f2d-91df-585c-95bf-2dc20017740e"),
        (
            identity::delta("Patient/1", SITE, "Observation/a", ""),
            "312b67f3-5d31-5ae8-bb3c-a35400ae6858",
        ),
        (
            identity::carried("Patient/1", SITE, "Observation/a", "component[1]", "Observation/b", ""),
            "07b1ba12-c351-51a6-9834-207d8e5c6015",
        ),
        (
            identity::message("Patient/1", SITE, "pressure", 1, "ground"),
            "7538350c-3f31-5f5a-abce-2ef1862f2960",
        ),
    ];
    for (ours, theirs) in table {
        assert_eq!(ours, Uuid::parse_str(theirs).unwrap());
    }
}

/// Whatever differs in the ground differs in the identity; a part never runs into its neighbour.
#[test]
fn every_part_of_the_ground_counts() {
    let all = [
        identity::delta("Patient/1", SITE, "Observation/a", ""),
        identity::delta("Patient/2", SITE, "Observation/a", ""),
        identity::delta("Patient/1", "right|s|c", "Observation/a", ""),
        identity::delta("Patient/1", "side-unstated|s|c", "Observation/a", ""),
        identity::delta("Patient/1", SITE, "Observation/b", ""),
        identity::delta("Patient/1", SITE, "Observation/a", "component[0]"),
        identity::delta("Patient/1", SITE, "Observation/", "a"),
        identity::delta("Patient/1", "left|s|cO", "bservation/a", ""),
        identity::carried("Patient/1", SITE, "Observation/a", "", "Observation/b", ""),
        identity::carried("Patient/1", SITE, "Observation/a", "", "Observation/c", ""),
        identity::carried("Patient/1", SITE, "Observation/a", "", "Observation/b", "component[1]"),
        identity::message("Patient/1", SITE, "pressure", 1, "ground"),
        identity::message("Patient/1", SITE, "pressure", 2, "ground"),
        identity::message("Patient/1", SITE, "measurement", 1, "ground"),
        identity::message("Patient/1", "", "measurement", 1, "ground"),
        identity::device(),
    ];
    let distinct: std::collections::BTreeSet<Uuid> = all.into_iter().collect();
    assert_eq!(distinct.len(), all.len());
}
