//! One Observation and those contained in it that hasMember names: each is a frame, and inherits
//! from the frame of its panel what it does not state itself.

use super::fault::Fault;
use super::mapping::{Class, Mapping, What};
use super::reading::{Kind, Method, ReadingStatus, Site};
use super::reason::{Meant, Reason, Refusal};
use super::site::Evidence;
use super::subject::{self, Member};
use super::time;
use super::value::Value;
use crate::fhir::observation::{self, CodeableConcept, Component, Each, Named, Observation, Raw, Remnant};
use crate::fhir::{Short, shorten};
use smallvec::{SmallVec, smallvec};
use std::ops::Deref;

/// One Observation of the resource.
pub(super) struct Frame<'o, 'a> {
    /// Empty for the resource itself, `contained[a]` for a member.
    pub label: String,
    /// Index of the panel's frame; its own for the resource itself.
    pub parent: usize,
    /// The Observation.
    pub observation: Held<'o, 'a>,
}

/// An Observation is large, so it stays where it was read.
pub(super) enum Held<'o, 'a> {
    /// The resource itself.
    Whole(&'o Observation<'a>),
    /// A contained member.
    Member(Box<Observation<'a>>),
}

impl<'a> Deref for Held<'_, 'a> {
    type Target = Observation<'a>;
    fn deref(&self) -> &Observation<'a> {
        match self {
            Self::Whole(observation) => observation,
            Self::Member(observation) => observation,
        }
    }
}

/// The frames, the members that are elsewhere, and contained members that cannot be read.
pub(super) struct Frames<'o, 'a> {
    pub frames: SmallVec<[Frame<'o, 'a>; 1]>,
    pub members: Vec<String>,
    pub refusals: Vec<Refusal>,
}

impl<'o, 'a> Frames<'o, 'a> {
    /// Follow hasMember through the contained Observations; each is read once, so circles end.
    pub fn of(observation: &'o Observation<'a>) -> Self {
        let contained = observation.contained;
        let first = Frame {
            label: String::new(),
            parent: 0,
            observation: Held::Whole(observation),
        };
        let mut all = Self {
            frames: smallvec![first],
            members: Vec::new(),
            refusals: Vec::new(),
        };
        let mut next = 0;
        while next < all.frames.len() {
            let references = all.frames[next].observation.has_member.iter().flatten();
            for member in references.map(subject::member).collect::<Vec<_>>() {
                match member {
                    Member::Contained(id) => all.add_contained(contained, &id, next),
                    Member::External(member) if !all.members.contains(&member) => all.members.push(member),
                    _ => {}
                }
            }
            next += 1;
        }
        all
    }

    fn add_contained(&mut self, contained: Option<Raw<'a>>, id: &str, parent: usize) {
        let label = format!("contained[{}]", shorten(id, 64));
        if self.frames.iter().any(|frame| frame.label == label) {
            return;
        }
        match find_contained(contained, id) {
            Ok(Some(observation)) => self.frames.push(Frame {
                label,
                parent,
                observation: Held::Member(Box::new(observation)),
            }),
            // A contained resource of another type carries no pressure.
            Ok(None) => {}
            Err(what) => self.refusals.push(Fault::new(Reason::Unreadable, what).at(label)),
        }
    }
}

fn find_contained<'a>(contained: Option<Raw<'a>>, id: &str) -> Result<Option<Observation<'a>>, String> {
    let missing = || String::from("hasMember names a contained resource that is not there");
    let raw = contained.ok_or_else(missing)?;
    let items: Vec<Raw<'a>> = observation::read(raw.get())?;
    for item in items {
        let named: Named<'_> = observation::read(item.get())?;
        if named.id.as_deref() == Some(id) {
            if named.resource_type.as_deref() != Some("Observation") {
                return Ok(None);
            }
            return observation::read(item.get()).map(Some);
        }
    }
    Err(missing())
}

/// A component that cannot be read costs no other: a diastolic beside it still counts. Where it is, or
/// may be, a compartment pressure, its loss is told.
fn odd_component(
    raw: Raw<'_>,
    label: Short,
    panel: Class<'_>,
    evidence: Evidence<'_, '_>,
    mapping: &Mapping,
) -> Refusal {
    let code = observation::read::<Remnant<'_>>(raw.get())
        .ok()
        .and_then(|remnant| remnant.code);
    let code = code.and_then(|raw| observation::read::<CodeableConcept<'_>>(raw.get()).ok());
    // Without a word of its own a component of a compartment panel may be one.
    let is_compartment = match mapping.classify(code.as_ref()).what {
        Some(what) => what == What::Pressure(Kind::Compartment),
        None => panel.what == Some(What::Pressure(Kind::Compartment)) && mapping.quality(code.as_ref()).is_none(),
    };
    // What its code says of the place is known all the same.
    let component = Component {
        code,
        ..Component::default()
    };
    let evidence = Evidence {
        component: Some(&component),
        ..evidence
    };
    let meant = is_compartment.then(|| {
        Box::new(Meant {
            site: evidence.site(mapping).unwrap_or_else(|_| Site::unstated()),
            at: time::interval(evidence.observation).ok().map(|(_, at)| at),
            sent: None,
        })
    });
    Refusal {
        meant,
        ..Fault::new(Reason::Unreadable, observation::component_fault(raw)).at(label)
    }
}

/// One pressure that a frame carries.
pub(super) struct Part<'o, 'a> {
    /// Empty, `component[2]`, `contained[a]` or `contained[a].component[2]`.
    pub label: Short,
    pub kind: Kind,
    /// Method that the code implies.
    pub method: Option<Method>,
    pub value: Value<'o, 'a>,
    pub component: Option<&'o Component<'a>>,
}

/// What a frame carries, by its codes alone.
pub(super) struct Content<'o, 'a, 'm> {
    pub class: Class<'m>,
    /// A panel of blood pressures holds two or three.
    pub parts: SmallVec<[Part<'o, 'a>; 3]>,
    pub refusals: Vec<Refusal>,
}

impl<'a> Frame<'_, 'a> {
    /// The label of component `index`.
    fn component_label(&self, index: usize) -> Short {
        // Without format!: this is on the path of every blood pressure panel.
        let mut digits = [0_u8; 20];
        let mut at = digits.len();
        let mut rest = index;
        loop {
            at -= 1;
            digits[at] = b'0' + u8::try_from(rest % 10).unwrap_or(0);
            rest /= 10;
            if rest == 0 {
                break;
            }
        }
        let number = std::str::from_utf8(&digits[at..]).unwrap_or_default();
        let dot = if self.label.is_empty() { "" } else { "." };
        let mut label = Short::from(self.label.as_str());
        for part in [dot, "component[", number, "]"] {
            label.push_str(part);
        }
        label
    }

    /// Sort the Observation's own value and its components by their codes. A component that no
    /// mapping knows is left alone without a word, for panels hold much that is no pressure; only
    /// in a compartment panel one in a unit of pressure is told, for it may be a compartment.
    pub fn content<'o, 'm>(
        &'o self,
        mapping: &Mapping,
        mut class: Class<'m>,
        evidence: Evidence<'o, 'a>,
    ) -> Content<'o, 'a, 'm> {
        if class.contradictory {
            class.what = None;
        }
        let mut content = Content {
            class,
            parts: SmallVec::new(),
            refusals: Vec::new(),
        };
        self.own_value(&mut content);
        for (index, component) in self.observation.component.iter().flatten().enumerate() {
            let component = match component {
                Each::Read(component) => component,
                Each::Odd(raw) => {
                    let label = self.component_label(index);
                    content
                        .refusals
                        .push(odd_component(*raw, label, content.class, evidence, mapping));
                    continue;
                }
            };
            let kind = match self.component_kind(
                mapping,
                content.class,
                Evidence {
                    component: Some(component),
                    ..evidence
                },
            ) {
                Ok(Some(kind)) => kind,
                Ok(None) => continue,
                Err(fault) => {
                    content.refusals.push(fault.at(self.component_label(index)));
                    continue;
                }
            };
            content.parts.push(Part {
                label: self.component_label(index),
                kind: kind.0,
                method: kind.1,
                value: Value::of_component(component),
                component: Some(component),
            });
        }
        content
    }

    fn own_value<'o>(&'o self, content: &mut Content<'o, 'a, '_>) {
        let value = Value::of(&self.observation);
        if value.is_silent() {
            return;
        }
        match content.class.what {
            Some(What::Pressure(kind)) => {
                let (label, method) = (Short::from(self.label.as_str()), content.class.method);
                content.parts.push(Part {
                    label,
                    kind,
                    method,
                    value,
                    component: None,
                });
            }
            Some(What::BloodPressurePanel | What::Panel) => {
                let fault = value.pressure().err().unwrap_or_else(|| {
                    Fault::new(
                        Reason::CodeNotMapped,
                        "a panel's own value: its code does not say which pressure it is",
                    )
                });
                content.refusals.push(fault.at(self.label.clone()));
            }
            _ => {}
        }
    }

    fn component_kind(
        &self,
        mapping: &Mapping,
        parent: Class<'_>,
        evidence: Evidence<'_, 'a>,
    ) -> Result<Option<(Kind, Option<Method>)>, Fault> {
        let Some(component) = evidence.component else {
            return Ok(None);
        };
        let class = mapping.classify(component.code.as_ref());
        if class.contradictory {
            return Err(Fault::new(
                Reason::CodeNotMapped,
                "two codings stand for different measurements",
            ));
        }
        match class.what {
            Some(What::Pressure(kind)) => Ok(Some((kind, class.method.or(parent.method)))),
            Some(What::Derived) => Err(Fault::new(Reason::OwnOutput, "a derived component")),
            Some(What::BloodPressurePanel | What::Panel) => Ok(None),
            None if parent.what != Some(What::Pressure(Kind::Compartment)) => Ok(None),
            None if mapping.quality(component.code.as_ref()).is_some() => Ok(None),
            None if evidence.component_names_compartment(mapping)? => Ok(Some((Kind::Compartment, parent.method))),
            None if Value::of_component(component).pressure().is_ok() => Err(Fault::new(
                Reason::CodeNotMapped,
                "a pressure in a compartment panel, but no mapping knows which",
            )),
            None => Ok(None),
        }
    }

    /// The status of this frame, when a result exists.
    pub fn status(&self) -> Result<Option<ReadingStatus>, Fault> {
        match self.observation.status.as_deref() {
            None => Ok(None),
            Some("final") => Ok(Some(ReadingStatus::Final)),
            Some("amended") => Ok(Some(ReadingStatus::Amended)),
            Some("corrected") => Ok(Some(ReadingStatus::Corrected)),
            Some("preliminary") => Ok(Some(ReadingStatus::Preliminary)),
            Some(other) => Err(Fault::new(
                Reason::StatusNotUsable,
                format!("status {:?}", shorten(other, 40)),
            )),
        }
    }

    /// A modifier that we do not understand, or a focus: the value may not mean what it seems to.
    pub fn meaning_is_plain(&self) -> Result<(), Fault> {
        let observation = &self.observation;
        if observation
            .modifier_extension
            .as_ref()
            .is_some_and(|list| !list.is_empty())
        {
            return Err(Fault::new(Reason::UnknownModifier, "modifierExtension"));
        }
        if observation.implicit_rules.is_some() {
            return Err(Fault::new(Reason::UnknownModifier, "implicitRules"));
        }
        if observation.focus.as_ref().is_some_and(|list| !list.is_empty()) {
            return Err(Fault::new(Reason::FocusElsewhere, ""));
        }
        Ok(())
    }
}
