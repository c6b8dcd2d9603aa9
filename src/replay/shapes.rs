//! Lines of a form that was read before: nearly all that a device or an export writes. What recognition
//! found in the first of them holds for all, but for the id, the version, the patient, the time, the
//! identifiers and the numbers, which are put in. Whatever is not plain is left to recognition, so that
//! the outcome is the same; `tests/study/shapes.rs` holds the two against each other. Pure.

use super::cohort::digest;
use super::shape::{Field, Outcome, Readings, Shape, Sort};
use crate::fhir::alike::{Forms, Holes};
use crate::fhir::datetime::{self, Precision};
use crate::fhir::observation::{self, Observation};
use crate::fhir::quantity::to_mmhg;
use crate::fhir::reference::{self, Reference};
use crate::fhir::{Decimal, Instant, Short, decimal};
use crate::recognise::{self, Kind, Mapping, Reason, Recognised, Version};

/// The forms of the lines that one thread has read.
#[derive(Default)]
pub(super) struct Shapes {
    forms: Forms<Shape>,
    /// Lines that were looked at, and those whose form was known.
    asked: u64,
    found: u64,
}

/// More than any export has; then no more are learned.
const FORMS_MAX: usize = 1_000;
/// What does not vary in a line, at most: it is kept in memory.
const FORM_BYTES_MAX: usize = 1 << 14;
/// After so many lines it is seen whether half of them have a form that was known.
const LINES_OF_TRIAL: u64 = 4_096;

/// What a line of a known form says.
pub(super) enum Known<'s, 'a> {
    /// It is of no patient's concern.
    Foreign {
        id: &'a str,
        version: Version,
        reason: Reason,
    },
    /// Readings, all of one moment.
    Readings {
        /// Without the patient.
        recognised: &'s Recognised,
        patient: &'a str,
        at: Instant,
    },
}

impl Known<'_, '_> {
    pub const fn version(&self) -> &Version {
        match self {
            Self::Foreign { version, .. } => version,
            Self::Readings { recognised, .. } => &recognised.version,
        }
    }
}

impl Shapes {
    /// What `body` says, when its form is known and nothing in it is out of the ordinary.
    pub fn read<'s, 'a>(&'s mut self, body: &'a str) -> Option<Known<'s, 'a>> {
        if self.are_many() {
            return None;
        }
        self.asked += 1;
        let mut holes = Holes::new();
        let Shape { fields, outcome } = self.forms.find(body, &mut holes)?;
        let said = Said::of(fields, &holes)?;
        let version = || Version::of(said.version_id, said.last_updated, digest(body));
        let known = match outcome {
            Outcome::Foreign(reason) => Known::Foreign {
                id: said.id,
                version: version(),
                reason: *reason,
            },
            Outcome::Readings(readings) => {
                readings.recognised.version = version();
                let (patient, at) = said.put_into(readings)?;
                Known::Readings {
                    recognised: &readings.recognised,
                    patient,
                    at,
                }
            }
        };
        self.found += 1;
        Some(known)
    }

    /// Remember what recognition made of `body`, whose form is not known. `systolics`: they are kept.
    pub fn learn(&mut self, body: &str, recognised: &Recognised, mapping: &Mapping, systolics: bool) {
        if self.are_many() || self.forms.len() >= FORMS_MAX {
            return;
        }
        let mut observation = Observation::default();
        let skipped = observation::fill_noting(body, &mut observation);
        let is_foreign = recognise::is_foreign(&observation, mapping);
        let sort = Sort { is_foreign, systolics };
        let learned = skipped.and_then(|skipped| Shape::of(body, &observation, &skipped, recognised, sort));
        let Some((shape, spans)) = learned else { return };
        let varying: usize = spans.iter().map(|span| span.end - span.start).sum();
        if body.len() - varying <= FORM_BYTES_MAX {
            self.forms.learn(body, &spans, shape);
        }
    }

    /// True when too few lines are alike for this to save anything.
    const fn are_many(&self) -> bool {
        self.asked >= LINES_OF_TRIAL && self.found < self.asked / 2
    }
}

/// What stands in the holes of a line.
struct Said<'h, 'a> {
    id: &'a str,
    version_id: Option<&'a str>,
    last_updated: Option<&'a str>,
    fields: &'h [Field],
    holes: &'h [&'a str],
}

impl<'h, 'a> Said<'h, 'a> {
    fn of(fields: &'h [Field], holes: &'h [&'a str]) -> Option<Self> {
        let mut said = Self {
            id: "",
            version_id: None,
            last_updated: None,
            fields,
            holes,
        };
        let mut id = None;
        for (field, hole) in said.all() {
            match field {
                Field::Id => id = Some(hole),
                Field::VersionId => said.version_id = Some(hole),
                Field::LastUpdated => said.last_updated = Some(hole),
                _ => {}
            }
        }
        said.id = id?;
        Some(said)
    }

    fn all(&self) -> impl Iterator<Item = (Field, &'a str)> + use<'h, 'a> {
        self.fields.iter().copied().zip(self.holes.iter().copied())
    }

    /// Put into `readings`; the patient and when it was taken. None where recognition has to look.
    fn put_into(&self, readings: &mut Readings) -> Option<(&'a str, Instant)> {
        let Readings {
            recognised,
            values,
            identifiers,
        } = readings;
        recognised.source.truncate("Observation/".len());
        recognised.source.push_str(self.id);
        let (mut patient, mut taken) = (None, None);
        // A diastolic at or above a systolic is refused.
        let (mut highest_diastolic, mut lowest_systolic) = (Decimal::MIN, Decimal::MAX);
        for (field, hole) in self.all() {
            match field {
                Field::Patient => patient = Some(hole).filter(|text| is_patient(text)),
                Field::Effective => taken = datetime::parse(hole).ok(),
                Field::Identifier(index) => {
                    let length = identifiers.get(index)?.len();
                    for reading in &mut recognised.readings {
                        let identifier = reading.identifiers.get_mut(index)?;
                        identifier.truncate(length);
                        identifier.push_str(hole);
                    }
                }
                Field::Value(index) => {
                    let value = values.get(index)?;
                    let number = decimal::parse(hole).ok()?;
                    let [system, code, unit] = [&value.system, &value.code, &value.unit].map(|text| text.as_deref());
                    let mmhg = to_mmhg(number, system, code, unit).ok()?;
                    match value.kind {
                        Kind::Diastolic => highest_diastolic = highest_diastolic.max(mmhg),
                        Kind::Systolic => lowest_systolic = lowest_systolic.min(mmhg),
                        Kind::Compartment | Kind::Mean => {}
                    }
                    if let Some(index) = value.reading {
                        let pressure = &mut recognised.readings.get_mut(index)?.pressure;
                        pressure.mmhg = mmhg;
                        pressure.sent_value = Short::from(hole);
                    }
                }
                Field::Id | Field::VersionId | Field::LastUpdated | Field::Nothing => {}
            }
        }
        let taken = taken.filter(|span| span.precision == Precision::Moment)?;
        for reading in &mut recognised.readings {
            (reading.start, reading.at) = (taken.earliest, taken.latest);
        }
        (highest_diastolic < lowest_systolic).then_some((patient?, taken.latest))
    }
}

/// True for `Patient/123`, which is its own key.
fn is_patient(text: &str) -> bool {
    match reference::parse(text, None) {
        Ok(Reference::Here(target)) => target.resource_type == "Patient" && target.version.is_none(),
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    /// A panel with three things to choose.
    fn panel(patient: &str, effective: &str, systolic: &str) -> String {
        format!(
            r#"{{"resourceType":"Observation","id":"o1","meta":{{"versionId":"3"}},"status":"final","code":{{"coding":[{{"system":"http://loinc.org","code":"85354-9"}}]}},"subject":{{"reference":"{patient}"}},"effectiveDateTime":"{effective}","component":[{{"code":{{"coding":[{{"system":"http://loinc.org","code":"8480-6"}}]}},"valueQuantity":{{"value":{systolic},"unit":"mmHg"}}}},{{"code":{{"coding":[{{"system":"http://loinc.org","code":"8462-4"}}]}},"valueQuantity":{{"value":70.5,"unit":"mmHg"}}}}]}}"#
        )
    }

    #[test]
    fn the_second_line_of_a_form_is_known_unless_something_in_it_is_out_of_the_ordinary() {
        let first = panel("Patient/a", "2026-01-10T02:05:00Z", "120");
        let mut shapes = Shapes::default();
        assert!(shapes.read(&first).is_none());
        let version = Version::of(Some("3"), None, digest(&first));
        let recognised = recognise::recognise(&first, "o1", version, &Mapping::builtin());
        shapes.learn(&first, &recognised, &Mapping::builtin(), false);
        let second = panel("Patient/b", "2026-01-10T03:05:00+01:00", "131");
        match shapes.read(&second).unwrap() {
            Known::Readings {
                recognised,
                patient,
                at,
            } => {
                let readings: Vec<_> = recognised
                    .readings
                    .iter()
                    .map(|one| (one.kind, one.pressure.mmhg, one.at))
                    .collect();
                assert_eq!(readings, [(Kind::Diastolic, Decimal::new(705, 1), at)]);
                assert_eq!((recognised.source.as_str(), patient), ("Observation/o1", "Patient/b"));
                assert_eq!(at.to_string(), "2026-01-10T02:05:00.000Z");
            }
            Known::Foreign { .. } => unreachable!(),
        }
        let odd = [
            panel("Patient/b", "2026-01-10T02:05:00Z", "70.5"),
            panel("Patient/b", "2026-01-10", "120"),
            panel("Patient/b", "2026-01-10T02:05:00Z", "1e99"),
            panel("Group/b", "2026-01-10T02:05:00Z", "120"),
            panel("Patient/b/_history/1", "2026-01-10T02:05:00Z", "120"),
            panel("https://other.example/Patient/b", "2026-01-10T02:05:00Z", "120"),
        ];
        for line in odd {
            assert!(shapes.read(&line).is_none(), "{line}");
        }
        assert!(shapes.read(&first).is_some());
    }

    #[test]
    fn a_form_that_would_fill_memory_is_not_kept() {
        let known = |bytes: usize| {
            let method = format!(r#""status":"final","method":{{"text":"{}"}}"#, "x".repeat(bytes));
            let line = panel("Patient/a", "2026-01-10T02:05:00Z", "120").replace(r#""status":"final""#, &method);
            let mut shapes = Shapes::default();
            let version = Version::of(Some("3"), None, digest(&line));
            let recognised = recognise::recognise(&line, "o1", version, &Mapping::builtin());
            shapes.learn(&line, &recognised, &Mapping::builtin(), false);
            shapes.read(&line).is_some()
        };
        assert_eq!((known(1_000), known(FORM_BYTES_MAX)), (true, false));
    }
}
