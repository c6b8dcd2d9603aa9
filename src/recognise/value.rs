//! value\[x\] → a pressure in mm\[Hg\], or why there is none.

use super::fault::Fault;
use super::reading::{Comparator, Pressure};
use super::reason::Reason;
use crate::fhir::observation::{CodeableConcept, Component, Observation, Quantity, Raw};
use crate::fhir::quantity::{UnitError, to_mmhg};
use crate::fhir::{decimal, shorten};

/// The value of an Observation or of a component.
#[derive(Clone, Copy)]
pub(super) struct Value<'o, 'a> {
    quantity: Option<&'o Quantity<'a>>,
    other: bool,
    absent: Option<&'o CodeableConcept<'a>>,
}

impl<'o, 'a> Value<'o, 'a> {
    pub fn of(observation: &'o Observation<'a>) -> Self {
        Self {
            quantity: observation.value_quantity.as_ref(),
            other: observation.value_other.is_some(),
            absent: observation.data_absent_reason.as_ref(),
        }
    }

    pub fn of_component(component: &'o Component<'a>) -> Self {
        Self {
            quantity: component.value_quantity.as_ref(),
            other: component.value_other.is_some(),
            absent: component.data_absent_reason.as_ref(),
        }
    }

    /// True when nothing at all is said, not even why.
    pub fn is_silent(&self) -> bool {
        self.quantity.is_none() && !self.other && self.absent.is_none()
    }

    /// What was sent, shortened: the number and its unit.
    pub fn as_sent(&self) -> Option<String> {
        let quantity = self.quantity?;
        let value = quantity.value.map_or("no number", Raw::get);
        let unit = quantity
            .unit
            .as_deref()
            .or(quantity.code.as_deref())
            .unwrap_or("no unit");
        Some(format!("{} {}", shorten(value, 20), shorten(unit, 20)))
    }

    pub fn pressure(&self) -> Result<Pressure, Fault> {
        if let Some(reason) = self.absent {
            return Err(absent(reason, self.quantity.is_some() || self.other));
        }
        match (self.quantity, self.other) {
            (None, false) => Err(Fault::new(Reason::NoValue, "")),
            (None, true) => Err(Fault::new(Reason::ValueNotAQuantity, "")),
            (Some(_), true) => Err(Fault::new(Reason::ValueNotAQuantity, "more than one value[x]")),
            (Some(quantity), false) => pressure(quantity),
        }
    }
}

/// A value beside a reason for its absence breaks invariant obs-6: the record itself doubts it.
fn absent(reason: &CodeableConcept<'_>, with_value: bool) -> Fault {
    if with_value {
        return Fault::new(Reason::DataAbsent, "both a value and a dataAbsentReason are given");
    }
    let code = reason.codings().iter().find_map(|coding| coding.code.as_deref());
    let detail = code
        .map(|code| format!("dataAbsentReason {:?}", shorten(code, 40)))
        .unwrap_or_default();
    Fault::new(Reason::DataAbsent, detail)
}

fn pressure(quantity: &Quantity<'_>) -> Result<Pressure, Fault> {
    let Some(raw) = quantity.value else {
        return Err(Fault::new(Reason::NoValue, "valueQuantity has no value"));
    };
    // Not a number in JSON: do not repeat it, it may hold anything.
    if !raw
        .get()
        .starts_with(|first: char| first == '-' || first.is_ascii_digit())
    {
        return Err(Fault::new(
            Reason::NumberNotUsable,
            "valueQuantity.value is not a JSON number",
        ));
    }
    let number = decimal::parse(raw.get()).map_err(|error| Fault::new(Reason::NumberNotUsable, error.to_string()))?;
    let comparator = quantity.comparator.as_deref().map(comparator).transpose()?;
    let (system, code, unit) = (
        quantity.system.as_deref(),
        quantity.code.as_deref(),
        quantity.unit.as_deref(),
    );
    let mmhg = to_mmhg(number, system, code, unit).map_err(unit_fault)?;
    Ok(Pressure {
        mmhg,
        sent_value: raw.get().into(),
        sent_unit: unit.or(code).unwrap_or_default().into(),
        comparator,
    })
}

/// FHIR R4 quantity-comparator.
fn comparator(text: &str) -> Result<Comparator, Fault> {
    match text {
        "<" => Ok(Comparator::Less),
        "<=" => Ok(Comparator::LessOrEqual),
        ">=" => Ok(Comparator::GreaterOrEqual),
        ">" => Ok(Comparator::Greater),
        other => Err(Fault::new(
            Reason::NumberNotUsable,
            format!("comparator {:?} is not one of R4", shorten(other, 10)),
        )),
    }
}

fn unit_fault(error: UnitError) -> Fault {
    match error {
        UnitError::Missing => Fault::new(Reason::UnitMissing, ""),
        UnitError::Unknown(unit) => Fault::new(Reason::UnitUnknown, format!("unit {:?}", shorten(&unit, 40))),
        UnitError::Overflow => Fault::new(Reason::NumberNotUsable, error.to_string()),
    }
}
