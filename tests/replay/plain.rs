//! A plain answer, from wherever it comes.

use crate::naive::SetAside;
use deltaward::fhir::Decimal;
use deltaward::replay::summary::Summary;
use serde_json::Value;

#[derive(Debug, Default, PartialEq)]
pub struct Plain {
    pub observations: u64,
    pub superseded: u64,
    pub withdrawn: u64,
    pub pairs: u64,
    pub low: u64,
    pub sum_thousandths: i128,
    pub low_runs: u64,
    pub groups: u64,
    pub first_low_sha256: String,
    pub compartment_readings: u64,
    pub diastolic_readings: u64,
    pub set_aside: SetAside,
    pub later_versions: u64,
    pub undated_versions: u64,
    pub other_resources: u64,
    pub bad_lines: u64,
}

impl From<&Summary> for Plain {
    fn from(summary: &Summary) -> Self {
        Self {
            observations: summary.observations,
            superseded: summary.superseded,
            withdrawn: summary.withdrawn,
            pairs: summary.pairs,
            low: summary.low,
            sum_thousandths: thousandths(summary.sum_delta_mmhg.get()),
            low_runs: summary.low_runs,
            groups: summary.groups,
            first_low_sha256: summary.first_low_sha256.clone(),
            compartment_readings: summary.compartment_readings,
            diastolic_readings: summary.diastolic_readings,
            set_aside: summary
                .set_aside
                .iter()
                .map(|(reason, count)| ((*reason).to_owned(), *count))
                .collect(),
            later_versions: summary.later_versions,
            undated_versions: summary.undated_versions,
            other_resources: summary.other_resources,
            bad_lines: summary.bad_lines,
        }
    }
}

impl Plain {
    /// What another library says of the same file; it does not say everything.
    pub fn of_peer(&self, line: &str) -> Self {
        let peer: Value = serde_json::from_str(line).unwrap();
        let number = |name: &str| peer[name].as_u64().unwrap_or_else(|| panic!("{name} in {line}"));
        Self {
            observations: number("observations"),
            superseded: number("superseded"),
            withdrawn: number("withdrawn"),
            pairs: number("pairs"),
            low: number("low"),
            sum_thousandths: thousandths(peer["sum_delta_mmhg"].as_str().unwrap()),
            low_runs: number("low_runs"),
            groups: number("groups"),
            first_low_sha256: peer["first_low_sha256"].as_str().unwrap().to_owned(),
            compartment_readings: self.compartment_readings,
            diastolic_readings: self.diastolic_readings,
            set_aside: self.set_aside.clone(),
            later_versions: self.later_versions,
            undated_versions: self.undated_versions,
            other_resources: self.other_resources,
            bad_lines: self.bad_lines,
        }
    }
}

fn thousandths(text: &str) -> i128 {
    let number: Decimal = text.parse().unwrap();
    let thousandths = number * Decimal::ONE_THOUSAND;
    assert!(thousandths.is_integer(), "{text}");
    thousandths.normalize().mantissa()
}
