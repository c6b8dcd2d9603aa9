//! How a compartment pressure was taken, from components: zeroed, flushed, settled, distance from
//! the fracture, level of the limb. Whatever cannot be read is left out without a word: it is
//! never held against the reading, and its absence neither.

use super::context;
use super::mapping::{Mapping, QualityOf};
use super::reading::Quality;
use crate::fhir::observation::{self, CodeableConcept, Component, Each, Observation, Quantity, Text};
use crate::fhir::shorten;

/// The longest text that is taken, characters: a level is said in a few words.
const TEXT_CHARS: usize = 40;
/// Units of length, as UCUM and as people write them.
const LENGTHS: [&str; 3] = ["mm", "cm", "m"];

/// What this Observation says; the rest from its panel.
pub(super) fn of(
    observation: &Observation<'_>,
    panel: Option<Box<Quality>>,
    mapping: &Mapping,
) -> Option<Box<Quality>> {
    let mut quality = panel;
    let components = observation.component.iter().flatten();
    for component in components.filter_map(Each::read) {
        let Some(what) = mapping.quality(component.code.as_ref()) else {
            continue;
        };
        let doubtful = component.data_absent_reason.is_some()
            || component
                .modifier_extension
                .as_ref()
                .is_some_and(|list| !list.is_empty());
        if !doubtful {
            take(what, component, mapping, quality.get_or_insert_default());
        }
    }
    quality.filter(|quality| **quality != Quality::default())
}

/// Take what can be read of it; else what was known stays.
fn take(what: QualityOf, component: &Component<'_>, mapping: &Mapping, known: &mut Quality) {
    let json = component.value_other.map(|raw| raw.get());
    let yes = || json.and_then(|json| context::answer(json, mapping));
    let length = || component.value_quantity.as_ref().and_then(length);
    match what {
        QualityOf::Zeroed => known.zeroed = yes().or(known.zeroed),
        QualityOf::Flushed => known.flushed = yes().or(known.flushed),
        QualityOf::Settled => known.settled = yes().or(known.settled),
        QualityOf::DistanceFromFracture => {
            known.distance_from_fracture = length().or(known.distance_from_fracture.take());
        }
        QualityOf::LimbLevel => {
            known.limb_level = json.and_then(words).or_else(length).or(known.limb_level.take());
        }
    }
}

/// "5 cm": number and unit as sent.
fn length(quantity: &Quantity<'_>) -> Option<String> {
    let number = quantity.value.map(|raw| raw.get())?;
    let is_number = number.starts_with(|first: char| first == '-' || first.is_ascii_digit());
    let unit = [quantity.code.as_deref(), quantity.unit.as_deref()]
        .into_iter()
        .flatten()
        .find(|unit| LENGTHS.contains(unit))?;
    let sign = quantity.comparator.as_deref().unwrap_or_default();
    is_number.then(|| format!("{}{} {unit}", shorten(sign, 2), shorten(number, 20)))
}

/// A short text: a string, or the text (else the first display) of a CodeableConcept.
fn words(json: &str) -> Option<String> {
    let text = match observation::read::<Text<'_>>(json) {
        Ok(text) => text.to_string(),
        Err(_) => {
            let concept = observation::read::<CodeableConcept<'_>>(json).ok()?;
            let display = || concept.codings().iter().find_map(|coding| coding.display.as_deref());
            concept.text.as_deref().or_else(display)?.to_owned()
        }
    };
    let text = text.trim();
    let fits = !text.is_empty() && text.chars().count() <= TEXT_CHARS && !text.contains(char::is_control);
    fits.then(|| text.to_owned())
}
