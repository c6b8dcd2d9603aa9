//! One round of measurements: which of the compartments that belong to it were measured.

use crate::fhir::Instant;
use crate::fhir::instant::MINUTE_MILLIS;
use crate::outbox::draft::SessionNote;
use crate::patient::assess::Assessment;
use crate::recognise::Side;
use crate::rules::Sheet;
use crate::rules::sheet::SessionCompartment;

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
    let is_here = |place: usize, code: &str| {
        let at = &assessment.sites[place];
        at.side == site.side && at.is_mapped() && at.code == code
    };
    let is_near = |at: Instant| at.millis_since(measurement.at()).saturating_abs() <= session.minutes * MINUTE_MILLIS;
    let usable = |code: &str| {
        let mut all = assessment.measurements.iter();
        all.any(|other| is_here(other.gathered.site, code) && is_near(other.at()))
    };
    // Somebody measured, and the number cannot be used: not the same as not measured.
    let unusable = |code: &str| {
        let mut implausible = assessment.implausible.iter();
        let mut lost = assessment.lost.iter();
        implausible.any(|(place, member)| is_here(*place, code) && is_near(member.reading.at))
            || lost.any(|lost| is_here(lost.site, code) && lost.at.is_some_and(is_near))
    };
    let (mut measured, mut missing) = (Vec::new(), Vec::new());
    for SessionCompartment { code, name } in &session.compartments {
        if usable(code) {
            measured.push(name.clone());
        } else if unusable(code) {
            measured.push(format!("{name} (not usable)"));
        } else {
            missing.push(name.clone());
        }
    }
    (!missing.is_empty()).then_some(SessionNote {
        minutes: session.minutes,
        measured,
        missing,
    })
}
