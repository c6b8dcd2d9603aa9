//! The pressures that a readable Observation carries, each a reading or a refusal.

use super::fault::{Fault, is_lost_measurement};
use super::frame::{Content, Frame, Frames, Part};
use super::mapping::{Class, Mapping, Sides, What};
use super::quality;
use super::reading::{Kind, Method, PatientKey, Pressure, Quality, Reading, ReadingStatus, Recognised, Site};
use super::reason::{Meant, Reason, Refusal};
use super::site::Evidence;
use super::subject;
use super::time::{self, Interval};
use super::value::Value;
use crate::fhir::observation::{CodeableConcept, Observation, Raw};
use crate::fhir::shorten;
use smallvec::SmallVec;

/// What a member takes from its panel when it does not say it itself.
#[derive(Clone)]
struct Inherited<'a> {
    status: ReadingStatus,
    time: Result<Interval, Fault>,
    body_site: Option<Raw<'a>>,
    sides: Sides,
    identifiers: Vec<String>,
    quality: Option<Box<Quality>>,
}

/// Of each frame; most resources are one.
type Contents<'o, 'a, 'm> = SmallVec<[Content<'o, 'a, 'm>; 1]>;

/// Read every frame; `class` is that of the resource itself. A fault that comes back concerns the resource as a whole.
pub(super) fn read(
    observation: &Observation<'_>,
    class: Class<'_>,
    no_patient: Option<Fault>,
    mapping: &Mapping,
    out: &mut Recognised,
) -> Result<(), Fault> {
    // Most of what a record holds is no pressure.
    if is_simple(observation) && class.what.is_none() && !class.contradictory {
        return Err(not_mapped(false, observation.code.as_ref()));
    }
    let Frames {
        frames,
        members,
        refusals,
    } = Frames::of(observation);
    out.members = members;
    out.refusals = refusals;
    let contained = frames[0].observation.contained;
    let evidence = |frame| evidence_of(frame, contained);
    let mut contents: Contents<'_, '_, '_> = SmallVec::new();
    for (index, frame) in frames.iter().enumerate() {
        let class = if index == 0 {
            class
        } else {
            mapping.classify(frame.observation.code.as_ref())
        };
        contents.push(frame.content(mapping, class, evidence(frame)));
    }
    let top = &frames[0];
    if !out.members.is_empty() {
        out.members_side = evidence(top).sides(mapping)?.side();
    }
    let known = contents
        .iter()
        .any(|content| content.class.what.is_some() || !content.parts.is_empty() || !content.refusals.is_empty());
    let speaks_for_members = !out.members.is_empty() && out.members_side != super::Side::Unstated;
    if !known && out.refusals.is_empty() && !speaks_for_members {
        return Err(not_mapped(
            contents[0].class.contradictory,
            top.observation.code.as_ref(),
        ));
    }
    let status = top
        .status()?
        .ok_or_else(|| Fault::new(Reason::StatusNotUsable, "no status"))?;
    top.meaning_is_plain()?;
    no_patient.map_or(Ok(()), Err)?;
    let has_members = frames.len() > 1 || !out.members.is_empty();
    read_frames(&frames, contents, status, mapping, out);
    judge_diastolics(out);
    if out.readings.is_empty() && out.refusals.is_empty() {
        return Err(nothing(has_members));
    }
    Ok(())
}

/// True when it stands for itself: no member and no component may be a pressure where it is none.
pub(super) fn is_simple(observation: &Observation<'_>) -> bool {
    observation.has_member.is_none() && observation.component.is_none()
}

/// Frame by frame, a panel before its members.
fn read_frames<'a>(
    frames: &[Frame<'_, 'a>],
    contents: Contents<'_, 'a, '_>,
    status: ReadingStatus,
    mapping: &Mapping,
    out: &mut Recognised,
) {
    let contained = frames[0].observation.contained;
    let mut known: Vec<Inherited<'a>> = Vec::new();
    for (frame, content) in frames.iter().zip(contents) {
        let from = known.get(frame.parent).cloned().unwrap_or_else(|| Inherited {
            status,
            time: Err(Fault::new(Reason::NoEffectiveTime, "")),
            body_site: None,
            sides: Sides::default(),
            identifiers: Vec::new(),
            quality: None,
        });
        let own = Evidence {
            panel: from.sides,
            ..evidence_of(frame, contained)
        };
        let given = stated(frame, from, own, mapping, frames.len() > 1);
        if frames.len() > 1 {
            known.push(given.clone());
        }
        if let Err(fault) = given.read(frame, content, own, mapping, out) {
            out.refusals.push(fault.at(frame.label.clone()));
        }
    }
}

fn evidence_of<'o, 'a>(frame: &'o Frame<'_, 'a>, contained: Option<Raw<'a>>) -> Evidence<'o, 'a> {
    let observation = &frame.observation;
    Evidence {
        observation,
        component: None,
        body_site: observation.body_site,
        contained,
        panel: Sides::default(),
    }
}

/// What this frame states, the rest from its panel.
fn stated<'a>(
    frame: &Frame<'_, 'a>,
    from: Inherited<'a>,
    evidence: Evidence<'_, 'a>,
    mapping: &Mapping,
    has_members: bool,
) -> Inherited<'a> {
    let observation = &frame.observation;
    // Sides are asked here only for the sake of contained members; a site that cannot be read is
    // told where the reading is.
    let own = if has_members {
        evidence.sides(mapping).unwrap_or_default()
    } else {
        Sides::default()
    };
    let identifiers = identifiers(observation);
    Inherited {
        status: frame.status().ok().flatten().unwrap_or(from.status),
        time: if time::is_stated(observation) {
            time::interval(observation)
        } else {
            from.time
        },
        body_site: observation.body_site.or(from.body_site),
        sides: if own.is_silent() { from.sides } else { own },
        identifiers: if identifiers.is_empty() {
            from.identifiers
        } else {
            identifiers
        },
        quality: quality::of(observation, from.quality, mapping),
    }
}

/// Observation.identifier with system and value: without a system a value is no identity.
fn identifiers(observation: &Observation<'_>) -> Vec<String> {
    let identifiers = observation.identifier.iter().flatten();
    let stated =
        identifiers.filter_map(|identifier| Some((identifier.system.as_deref()?, identifier.value.as_deref()?)));
    stated.map(|(system, value)| [system, "|", value].concat()).collect()
}

impl<'a> Inherited<'a> {
    /// Read one frame: its parts become readings or refusals.
    fn read(
        mut self,
        frame: &Frame<'_, 'a>,
        content: Content<'_, 'a, '_>,
        evidence: Evidence<'_, 'a>,
        mapping: &Mapping,
        out: &mut Recognised,
    ) -> Result<(), Fault> {
        if !frame.label.is_empty() && !content.parts.is_empty() {
            frame.status()?;
            frame.meaning_is_plain()?;
            same_patient(frame, out.patient.as_ref())?;
        }
        out.refusals.extend(content.refusals);
        if content.parts.is_empty() {
            return member_without_value(frame, content.class.what);
        }
        let (start, at) = self.time?;
        let method = mapping.method(frame.observation.method.as_ref());
        out.readings.reserve_exact(content.parts.len());
        let mut rest = content.parts.len();
        for part in content.parts {
            rest -= 1;
            let evidence = Evidence {
                component: part.component,
                body_site: self.body_site,
                ..evidence
            };
            match measured(&part, evidence, mapping) {
                Ok((pressure, site)) => out.readings.push(Reading {
                    part: part.label,
                    kind: part.kind,
                    pressure,
                    start,
                    at,
                    body_site_json: site.as_ref().and(self.body_site).map(|raw| raw.get().to_owned()),
                    site,
                    method: fitting(part.kind, part.method.or(method)),
                    status: self.status,
                    identifiers: if rest == 0 {
                        std::mem::take(&mut self.identifiers)
                    } else {
                        self.identifiers.clone()
                    },
                    quality: self.quality.clone().filter(|_| part.kind == Kind::Compartment),
                }),
                Err(fault) => {
                    let meant = (part.kind == Kind::Compartment && is_lost_measurement(fault.reason)).then(|| {
                        let site = evidence.site(mapping).unwrap_or_else(|_| Site::unstated());
                        Box::new(Meant {
                            site,
                            at: Some(at),
                            sent: part.value.as_sent(),
                        })
                    });
                    out.refusals.push(Refusal {
                        meant,
                        ..fault.at(part.label)
                    });
                }
            }
        }
        Ok(())
    }
}

/// The pressure of a part, and its site when it is a compartment pressure.
fn measured(
    part: &Part<'_, '_>,
    evidence: Evidence<'_, '_>,
    mapping: &Mapping,
) -> Result<(Pressure, Option<Site>), Fault> {
    if part
        .component
        .is_some_and(|it| it.modifier_extension.as_ref().is_some_and(|list| !list.is_empty()))
    {
        return Err(Fault::new(Reason::UnknownModifier, "modifierExtension"));
    }
    let pressure = part.value.pressure()?;
    let site = (part.kind == Kind::Compartment)
        .then(|| evidence.site(mapping))
        .transpose()?;
    Ok((pressure, site))
}

/// A method that cannot belong to the kind (a cuff in a compartment) is a muddle: unstated.
fn fitting(kind: Kind, method: Option<Method>) -> Method {
    match (kind, method) {
        (Kind::Compartment, Some(method @ (Method::Needle | Method::Catheter))) => method,
        (Kind::Diastolic | Kind::Systolic | Kind::Mean, Some(method @ (Method::Cuff | Method::ArterialLine))) => method,
        _ => Method::Unstated,
    }
}

/// A contained member must be of the panel's patient: readings are never moved between patients.
fn same_patient(frame: &Frame<'_, '_>, patient: Option<&PatientKey>) -> Result<(), Fault> {
    let Some(stated) = &frame.observation.subject else {
        return Ok(());
    };
    match (subject::patient(Some(stated))?, patient) {
        (own, Some(panel)) if own == *panel => Ok(()),
        _ => Err(Fault::new(
            Reason::FocusElsewhere,
            "the member names another subject than its panel",
        )),
    }
}

/// A contained member whose code is a pressure but that has no value. The resource itself is
/// judged at the end, when it is known what its members gave.
fn member_without_value(frame: &Frame<'_, '_>, what: Option<What>) -> Result<(), Fault> {
    match what {
        Some(What::Pressure(_)) if !frame.label.is_empty() => Err(Fault::new(Reason::NoValue, "")),
        _ => Ok(()),
    }
}

/// A diastolic at or above the systolic of the same resource, moment and method is refused; when no
/// systolic has its method, the others count. Bounds are not compared.
fn judge_diastolics(out: &mut Recognised) {
    let exact = |kind| {
        let readings = out.readings.iter().enumerate();
        readings.filter(move |(_, reading)| reading.kind == kind && reading.pressure.comparator.is_none())
    };
    let is_above = |diastolic: &Reading| {
        let simultaneous = || exact(Kind::Systolic).filter(|(_, systolic)| systolic.at == diastolic.at);
        let has_method = simultaneous().any(|(_, systolic)| systolic.method == diastolic.method);
        simultaneous()
            .filter(|(_, systolic)| !has_method || systolic.method == diastolic.method)
            .any(|(_, systolic)| diastolic.pressure.mmhg >= systolic.pressure.mmhg)
    };
    let diastolics = exact(Kind::Diastolic).filter(|(_, diastolic)| is_above(diastolic));
    let refused: Vec<usize> = diastolics.map(|(index, _)| index).collect();
    // Backwards, so that what is still to be removed keeps its place; told in the order it was sent.
    let at = out.refusals.len();
    for index in refused.into_iter().rev() {
        let Reading { part, pressure, .. } = out.readings.remove(index);
        let detail = format!("diastolic {} {}", pressure.sent_value, pressure.sent_unit);
        out.refusals
            .insert(at, Fault::new(Reason::DiastolicAboveSystolic, detail).at(part));
    }
}

/// The codes that no mapping knows, so that they can be added; never the text, which may be
/// anything.
pub(super) fn not_mapped(contradictory: bool, code: Option<&CodeableConcept<'_>>) -> Fault {
    if contradictory {
        return Fault::new(Reason::CodeNotMapped, "two codings stand for different measurements");
    }
    let codings = code.map(CodeableConcept::codings).unwrap_or_default();
    let mut names = String::new();
    for coding in codings.iter().take(5) {
        let (system, code) = (coding.system.as_deref(), coding.code.as_deref());
        let name = [system.unwrap_or_default(), "|", code.unwrap_or_default()].concat();
        if names.is_empty() {
            names = shorten(&name, 120).into_owned();
        } else {
            names.push_str(", ");
            names.push_str(&shorten(&name, 120));
        }
    }
    if names.is_empty() {
        names.push_str("no coding");
    }
    Fault::new(Reason::CodeNotMapped, names)
}

/// Mapped, and yet neither reading nor refusal.
fn nothing(has_members: bool) -> Fault {
    let reason = if has_members {
        Reason::PanelOnly
    } else {
        Reason::NoValue
    };
    Fault::new(reason, "")
}

/// What a compartment Observation meant whose refusal concerns it as a whole.
pub(super) fn meant(observation: &Observation<'_>, mapping: &Mapping) -> Meant {
    let evidence = Evidence {
        observation,
        component: None,
        body_site: observation.body_site,
        contained: observation.contained,
        panel: Sides::default(),
    };
    Meant {
        site: evidence.site(mapping).unwrap_or_else(|_| Site::unstated()),
        at: time::interval(observation).ok().map(|(_, at)| at),
        sent: Value::of(observation).as_sent(),
    }
}
