//! One round of measurements: which of the compartments that belong to it were measured.

use crate::fhir::instant::MINUTE_MILLIS;
use crate::outbox::draft::SessionNote;
use crate::patient::assess::Assessment;
use crate::recognise::Side;
use crate::rules::Sheet;

/// What the round around a measurement lacks; None when it lacks nothing, or when the sheet names
/// no round for this compartment. Information, never an accusation.
pub fn session(assessment: &Assessment<'_>, index: usize, sheet: &Sheet) -> Option<SessionNote> {
    let session = sheet.session.as_ref()?;
    let measurement = &assessment.measurements[index];
    let site = &assessment.sites[measurement.gathered.site];
    let belongs = session
        .compartments
        .iter()
        .any(|compartment| compartment.code == site.code);
    if !belongs || !site.is_mapped() || site.side == Side::Unstated {
        return None;
    }
    let near = |code: &str| {
        assessment.measurements.iter().any(|other| {
            let at = &assessment.sites[other.gathered.site];
            at.side == site.side
                && at.is_mapped()
                && at.code == code
                && other.at().millis_since(measurement.at()).saturating_abs() <= session.minutes * MINUTE_MILLIS
        })
    };
    let (measured, missing): (Vec<_>, Vec<_>) = session
        .compartments
        .iter()
        .partition(|compartment| near(&compartment.code));
    let names =
        |of: Vec<&crate::rules::sheet::SessionCompartment>| of.into_iter().map(|one| one.name.clone()).collect();
    (!missing.is_empty()).then(|| SessionNote {
        minutes: session.minutes,
        measured: names(measured),
        missing: names(missing),
    })
}
