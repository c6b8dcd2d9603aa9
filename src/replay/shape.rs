//! One form of lines: where its holes are, and what recognition found in the first line that had it.

use crate::fhir::alike::{Hole, Span};
use crate::fhir::observation::{Component, Each, Observation, Quantity, Skipped, Text};
use crate::recognise::{Kind, Reason, Recognised};

/// What stands in a hole that is given out.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Field {
    Id,
    VersionId,
    LastUpdated,
    /// The value of the identifier of this index.
    Identifier(usize),
    Patient,
    Effective,
    /// The value of this index.
    Value(usize),
    /// Nobody asks.
    Nothing,
}

/// A form.
pub(super) struct Shape {
    /// In order of the holes that are given out.
    pub fields: Vec<Field>,
    pub outcome: Outcome,
}

/// Which sort of line, and how it is kept.
#[derive(Clone, Copy)]
pub(super) struct Sort {
    /// Only its code says that it is of no patient's concern.
    pub is_foreign: bool,
    /// Systolics are kept.
    pub systolics: bool,
}

/// What recognition found.
pub(super) enum Outcome {
    /// Of no patient's concern.
    Foreign(Reason),
    Readings(Box<Readings>),
}

/// Readings of one moment, to be filled.
pub(super) struct Readings {
    /// Without the patient.
    pub recognised: Recognised,
    pub values: Vec<Value>,
    /// `system|` of each identifier.
    pub identifiers: Vec<String>,
}

/// One number and its unit.
pub(super) struct Value {
    pub kind: Kind,
    pub system: Option<String>,
    pub code: Option<String>,
    pub unit: Option<String>,
    /// Index among the readings; None where it only judges another.
    pub reading: Option<usize>,
}

impl Shape {
    /// The form of `body`, which was read as `observation`, `skipped` being what nobody read, and recognised;
    /// and its holes. None where more than the holes of another such line could change what is recognised.
    pub fn of(
        body: &str,
        observation: &Observation<'_>,
        skipped: &[Skipped],
        recognised: &Recognised,
        sort: Sort,
    ) -> Option<(Self, Vec<Span>)> {
        if !is_plain(observation, recognised) {
            return None;
        }
        let outcome = match sort.is_foreign {
            true => foreign(recognised)?,
            false => readings(observation, recognised, sort.systolics)?,
        };
        let mut holes = Holes { body, all: Vec::new() };
        let skipped = skipped.iter().map(|member| {
            let hole = Hole::Skipped(member.depth);
            let (start, end) = (member.start, member.end);
            (Span { start, end, hole }, Field::Nothing)
        });
        holes.all.extend(skipped);
        holes.of(observation)?;
        let mut all = holes.all;
        all.sort_by_key(|(span, _)| span.start);
        if all.windows(2).any(|pair| pair[0].0.end > pair[1].0.start) {
            return None;
        }
        let given_out = all.iter().filter(|(span, _)| !matches!(span.hole, Hole::Skipped(_)));
        let fields = given_out.map(|(_, field)| *field).collect();
        let spans = all.into_iter().map(|(span, _)| span).collect();
        Some((Self { fields, outcome }, spans))
    }
}

/// True when nothing is in the Observation but what a measurement consists of.
fn is_plain(observation: &Observation<'_>, recognised: &Recognised) -> bool {
    let Observation {
        implicit_rules: None,
        meta: Some(meta),
        contained: None,
        extension: None,
        modifier_extension: None,
        focus: None,
        effective_date_time_extra: None,
        effective_period: None,
        effective_instant: None,
        effective_timing: None,
        value_other: None,
        data_absent_reason: None,
        has_member: None,
        ..
    } = observation
    else {
        return false;
    };
    let logical = observation
        .subject
        .as_ref()
        .is_some_and(|subject| subject.identifier.is_some());
    meta.tag.is_none()
        && !logical
        && recognised.withdrawn.is_none()
        && recognised.contexts.is_empty()
        && recognised.members.is_empty()
}

/// An Observation whose code no mapping knows: nothing else in it was asked.
fn foreign(recognised: &Recognised) -> Option<Outcome> {
    match recognised.refusals.as_slice() {
        [only] if only.reason == Reason::CodeNotMapped => Some(Outcome::Foreign(only.reason)),
        _ => None,
    }
}

/// An Observation of which each value is a reading.
fn readings(observation: &Observation<'_>, recognised: &Recognised, systolics: bool) -> Option<Outcome> {
    if !recognised.refusals.is_empty() || recognised.readings.is_empty() || recognised.patient.is_none() {
        return None;
    }
    let mut recognised = Recognised {
        patient: None,
        ..recognised.clone()
    };
    let quantities = quantities(observation)?;
    let parts = recognised.readings.iter().map(|reading| reading.part.as_str());
    if !parts.eq(quantities.iter().map(|(part, _)| part.as_str())) {
        return None;
    }
    let mut identifiers = Vec::new();
    for identifier in observation.identifier.iter().flatten() {
        identifier.value.as_ref()?;
        identifiers.push([identifier.system.as_deref()?, "|"].concat());
    }
    let owned = |text: &Option<Text<'_>>| text.as_deref().map(str::to_owned);
    let (mut values, mut kept) = (Vec::new(), 0);
    for ((_, quantity), reading) in quantities.iter().zip(&recognised.readings) {
        let is_kept = systolics || reading.kind != Kind::Systolic;
        values.push(Value {
            kind: reading.kind,
            system: owned(&quantity.system),
            code: owned(&quantity.code),
            unit: owned(&quantity.unit),
            reading: is_kept.then_some(kept),
        });
        kept += usize::from(is_kept);
    }
    recognised
        .readings
        .retain(|reading| systolics || reading.kind != Kind::Systolic);
    for reading in &mut recognised.readings {
        reading.body_site_json = None;
    }
    Some(Outcome::Readings(Box::new(Readings {
        recognised,
        values,
        identifiers,
    })))
}

/// The Observation's own value and those of its components, by part. None where one cannot be read, or
/// has none, or more than a value.
fn quantities<'o, 'a>(observation: &'o Observation<'a>) -> Option<Vec<(String, &'o Quantity<'a>)>> {
    let own = observation.value_quantity.iter().map(|own| (String::new(), own));
    let mut all: Vec<_> = own.collect();
    for (index, component) in observation.component.iter().flatten().enumerate() {
        match component {
            Each::Read(Component {
                extension: None,
                modifier_extension: None,
                value_quantity: Some(quantity),
                value_other: None,
                data_absent_reason: None,
                ..
            }) => all.push((format!("component[{index}]"), quantity)),
            _ => return None,
        }
    }
    Some(all)
}

/// The holes of a line, found so far.
struct Holes<'b> {
    body: &'b str,
    all: Vec<(Span, Field)>,
}

impl Holes<'_> {
    fn of(&mut self, observation: &Observation<'_>) -> Option<()> {
        self.text(observation.id.as_ref(), Field::Id)?;
        let meta = observation.meta.as_ref();
        self.text(meta.and_then(|meta| meta.version_id.as_ref()), Field::VersionId)?;
        self.text(meta.and_then(|meta| meta.last_updated.as_ref()), Field::LastUpdated)?;
        for (index, identifier) in observation.identifier.iter().flatten().enumerate() {
            self.text(identifier.value.as_ref(), Field::Identifier(index))?;
        }
        let subject = observation.subject.as_ref();
        self.text(subject.and_then(|subject| subject.reference.as_ref()), Field::Patient)?;
        // A name, perhaps.
        self.text(subject.and_then(|subject| subject.display.as_ref()), Field::Nothing)?;
        self.text(observation.effective_date_time.as_ref(), Field::Effective)?;
        for (index, (_, quantity)) in quantities(observation)?.iter().enumerate() {
            if let Some(value) = quantity.value {
                self.add(value.get(), 0, Hole::Number, Field::Value(index))?;
            }
        }
        Some(())
    }

    /// A string that stands in the line as it is; None where it holds escapes.
    fn text(&mut self, text: Option<&Text<'_>>, field: Field) -> Option<()> {
        match text {
            Some(text) => self.add(text, 1, Hole::Text, field),
            None => Some(()),
        }
    }

    /// `text` is a piece of the line, with `quote` bytes around it.
    fn add(&mut self, text: &str, quote: usize, hole: Hole, field: Field) -> Option<()> {
        let at = (text.as_ptr() as usize).checked_sub(self.body.as_ptr() as usize)?;
        let (start, end) = (at.checked_sub(quote)?, at + text.len() + quote);
        let found = self.body.get(start..end)?;
        let is_there = found.get(quote..found.len() - quote) == Some(text);
        let is_quoted = quote == 0 || (found.starts_with('"') && found.ends_with('"'));
        let is_number = hole != Hole::Number || found.starts_with(|first: char| first == '-' || first.is_ascii_digit());
        (is_there && is_quoted && is_number).then(|| self.all.push((Span { start, end, hole }, field)))
    }
}
