//! Where a compartment pressure was measured: bodySite, codes, extensions and text → [`Site`].
//!
//! A compartment comes from the first of: the component's code, its BodyStructure, bodySite, the
//! BodyStructure that stands for it, the Observation's code; then from text. What no mapping knows
//! is a site of its own, never merged with another and never refused.
//!
//! The side is the union of all coded evidence and bodySite.text; only when that is silent, displays
//! and the text of codes are asked. Both sides stated means unstated (invariant 7).

use super::COMPARTMENT_SYSTEM;
use super::fault::Fault;
use super::mapping::{Mapping, Sides, TextSite};
use super::reading::Site;
use super::reason::Reason;
use crate::fhir::observation::{
    self, BodyStructure, CodeableConcept, Coding, Component, Extension, Named, Observation, Raw,
};
use crate::fhir::reference::{self, Reference};

/// What a resource says about the site, not yet read.
#[derive(Clone, Copy)]
pub(super) struct Evidence<'o, 'a> {
    /// The Observation whose code and extensions count.
    pub observation: &'o Observation<'a>,
    /// The component that is the reading, if it is one.
    pub component: Option<&'o Component<'a>>,
    /// bodySite, the panel's when the member has none.
    pub body_site: Option<Raw<'a>>,
    /// contained of the resource as a whole.
    pub contained: Option<Raw<'a>>,
    /// The side that a panel states for its members, used when the member says nothing.
    pub panel: Sides,
}

/// The evidence, read. Order of `concepts` is the order of precedence for the compartment.
struct Read<'a> {
    component: Vec<CodeableConcept<'a>>,
    body_site: CodeableConcept<'a>,
    structure: Vec<CodeableConcept<'a>>,
    /// A BodyStructure that is not contained: known by name only.
    elsewhere: Option<(String, Option<String>)>,
    /// Sides from laterality extensions.
    sides: Sides,
}

impl Evidence<'_, '_> {
    /// The site.
    pub fn site(&self, mapping: &Mapping) -> Result<Site, Fault> {
        let read = self.read(mapping)?;
        let (system, code, display) = self.place(mapping, &read);
        let own = self.own_sides(mapping, &read);
        let sides = if own.is_silent() { self.panel } else { own };
        Ok(Site {
            side: sides.side(),
            system,
            code,
            display,
        })
    }

    /// Only the sides, for members elsewhere.
    pub fn sides(&self, mapping: &Mapping) -> Result<Sides, Fault> {
        let read = self.read(mapping)?;
        Ok(self.own_sides(mapping, &read))
    }

    fn read<'s>(&'s self, mapping: &Mapping) -> Result<Read<'s>, Fault> {
        let body_site: CodeableConcept<'s> = match self.body_site {
            Some(raw) => element("bodySite", raw)?,
            None => CodeableConcept::default(),
        };
        let mut read = Read {
            component: Vec::new(),
            body_site,
            structure: Vec::new(),
            elsewhere: None,
            sides: Sides::default(),
        };
        if let Some(raw) = self.component.and_then(|component| component.extension) {
            self.extensions(mapping, raw, &mut read, true)?;
        }
        for raw in [read.body_site.extension, self.observation.extension]
            .into_iter()
            .flatten()
        {
            self.extensions(mapping, raw, &mut read, false)?;
        }
        Ok(read)
    }

    fn extensions<'s>(
        &'s self,
        mapping: &Mapping,
        raw: Raw<'s>,
        read: &mut Read<'s>,
        of_component: bool,
    ) -> Result<(), Fault> {
        let patterns = mapping.text();
        // Extensions of others may have any value; a list that is not of extensions is a fault.
        let items: Vec<Raw<'s>> = element("extension", raw)?;
        for item in items {
            let Ok(OnlyUrl { url: Some(url) }) = serde_json::from_str(item.get()) else {
                continue;
            };
            let is_site = patterns.body_site_extensions.contains(&url);
            let is_side = patterns.laterality_extensions.contains(&url);
            if !is_site && !is_side {
                continue;
            }
            let extension: Extension<'s> = element("extension", item)?;
            if is_side {
                read.sides = read.sides.and(stated_side(mapping, &extension));
                continue;
            }
            let Extension {
                value_reference,
                value_codeable_concept,
                ..
            } = extension;
            let list = if of_component {
                &mut read.component
            } else {
                &mut read.structure
            };
            list.extend(value_codeable_concept);
            let Some(reference) = value_reference else { continue };
            let Some(text) = reference.reference.as_deref() else {
                continue;
            };
            match reference::parse(text, None) {
                Ok(Reference::Contained(id)) => list.extend(self.structure(id)?),
                _ => {
                    let display = reference.display.as_deref().map(str::to_owned);
                    read.elsewhere = Some((text.to_lowercase(), display));
                }
            }
        }
        Ok(())
    }

    /// location and locationQualifier of the contained BodyStructure `id`.
    fn structure<'s>(&'s self, id: &str) -> Result<Vec<CodeableConcept<'s>>, Fault> {
        let Some(raw) = self.contained else {
            return Ok(Vec::new());
        };
        let items: Vec<Raw<'s>> = element("contained", raw)?;
        for item in items {
            let named: Named<'_> = element("contained", item)?;
            if named.id.as_deref() == Some(id) && named.resource_type.as_deref() == Some("BodyStructure") {
                let structure: BodyStructure<'s> = element("contained", item)?;
                let location = structure.location.into_iter();
                return Ok(location
                    .chain(structure.location_qualifier.into_iter().flatten())
                    .collect());
            }
        }
        Ok(Vec::new())
    }

    /// System, code and display of the place, without the side.
    fn place(&self, mapping: &Mapping, read: &Read<'_>) -> (String, String, String) {
        if let Some(place) = self.coded(mapping, read) {
            return place;
        }
        if let Some(code) = self.named(mapping, read) {
            return mapped(mapping, &[code]);
        }
        let body = unmapped_body_site(mapping, read);
        match self
            .component
            .and_then(|component| component.code.as_ref())
            .and_then(|code| own_name(mapping, code))
        {
            // A component's own name says which compartment only together with the body site: two
            // "anterior" of leg and thigh must not meet.
            Some((key, display)) => match body {
                Some((_, code, name)) => (String::new(), format!("{key} / {code}"), format!("{display}, {name}")),
                None => (String::new(), key, display),
            },
            None => body.unwrap_or_else(|| (String::new(), String::from("unstated"), String::from("site not stated"))),
        }
    }

    fn coded(&self, mapping: &Mapping, read: &Read<'_>) -> Option<(String, String, String)> {
        let component = self.component.and_then(|component| component.code.as_ref());
        let code = self.observation.code.as_ref();
        let body = std::slice::from_ref(&read.body_site);
        let sources: [(Option<&CodeableConcept<'_>>, &[CodeableConcept<'_>]); 4] = [
            (component, &read.component),
            (None, body),
            (None, &read.structure),
            (code, &[]),
        ];
        for (pressure_code, concepts) in sources {
            let implied = mapping.classify(pressure_code).site.into_iter();
            let codings = pressure_code
                .into_iter()
                .chain(concepts)
                .flat_map(CodeableConcept::codings);
            let mut codes: Vec<&str> = implied
                .chain(codings.filter_map(|c| mapping.site(c)).map(|(code, _)| code))
                .collect();
            codes.sort_unstable();
            codes.dedup();
            if !codes.is_empty() {
                return Some(mapped(mapping, &codes));
            }
        }
        None
    }

    /// A compartment named in text: the nearest text first, then with what surrounds it.
    fn named<'m>(&self, mapping: &'m Mapping, read: &Read<'_>) -> Option<&'m str> {
        let mut text = String::new();
        let component = self.component.and_then(|component| component.code.as_ref());
        let structures = read.component.iter().chain(&read.structure);
        let layers = [component]
            .into_iter()
            .flatten()
            .chain(structures)
            .chain([&read.body_site]);
        for concept in layers.chain(&self.observation.code) {
            add_words(&mut text, concept);
            match mapping.text().compartment(&text) {
                TextSite::Silent => {}
                TextSite::One(code) => return Some(code),
                TextSite::Several => return None,
            }
        }
        None
    }

    /// True when the component's own words name a compartment, alone or together with those of
    /// bodySite; words of bodySite alone say nothing about a component.
    pub fn component_names_compartment(&self, mapping: &Mapping) -> Result<bool, Fault> {
        let Some(code) = self.component.and_then(|component| component.code.as_ref()) else {
            return Ok(false);
        };
        if code.codings().iter().any(|coding| mapping.site(coding).is_some()) {
            return Ok(true);
        }
        let read = self.read(mapping)?;
        if read
            .component
            .iter()
            .flat_map(CodeableConcept::codings)
            .any(|coding| mapping.site(coding).is_some())
        {
            return Ok(true);
        }
        let (mut alone, mut around) = (String::new(), String::new());
        add_words(&mut alone, code);
        add_words(&mut around, &read.body_site);
        let patterns = mapping.text();
        let one = |text: &str| matches!(patterns.compartment(text), TextSite::One(_));
        let silent = patterns.compartment(&around) == TextSite::Silent;
        Ok(one(&alone) || (silent && !alone.is_empty() && one(&format!("{alone}{around}"))))
    }

    fn own_sides(&self, mapping: &Mapping, read: &Read<'_>) -> Sides {
        let component = self.component.and_then(|component| component.code.as_ref());
        let code = self.observation.code.as_ref();
        let places = read.component.iter().chain(&read.structure).chain([&read.body_site]);
        let patterns = mapping.text();
        let mut sides = read
            .sides
            .and(mapping.classify(component).sides)
            .and(mapping.classify(code).sides);
        for coding in places
            .clone()
            .chain(component)
            .chain(code)
            .flat_map(CodeableConcept::codings)
        {
            sides = sides.and(mapping.sides(coding).unwrap_or_default());
            sides = sides.and(mapping.site(coding).map(|(_, sides)| sides).unwrap_or_default());
        }
        for text in places.clone().filter_map(|concept| concept.text.as_deref()) {
            sides = sides.and(patterns.sides(text));
        }
        if sides.is_silent() {
            sides = sides_of_words(mapping, places);
        }
        for concept in [component, code] {
            if sides.is_silent() {
                sides = sides_of_words(mapping, concept);
            }
        }
        sides
    }
}

/// The url alone, so that extensions of others may hold what they like.
#[derive(serde::Deserialize)]
struct OnlyUrl {
    url: Option<String>,
}

fn element<'a, T: observation::Read<'a>>(name: &str, raw: Raw<'a>) -> Result<T, Fault> {
    observation::read(raw.get()).map_err(|what| Fault::new(Reason::Unreadable, format!("{name}: {what}")))
}

fn stated_side(mapping: &Mapping, extension: &Extension<'_>) -> Sides {
    let concept = extension.value_codeable_concept.iter();
    let codings = concept
        .clone()
        .flat_map(CodeableConcept::codings)
        .chain(&extension.value_coding);
    let coded = codings
        .filter_map(|coding| mapping.sides(coding))
        .fold(Sides::default(), Sides::and);
    if !coded.is_silent() {
        return coded;
    }
    let texts = concept
        .filter_map(|concept| concept.text.as_deref())
        .chain(extension.value_text.as_deref());
    texts
        .map(|text| mapping.text().sides(text))
        .fold(Sides::default(), Sides::and)
}

/// Our own coding; several codes in one element name no single compartment, so they are a site of
/// their own outside our CodeSystem.
fn mapped(mapping: &Mapping, codes: &[&str]) -> (String, String, String) {
    let display = |code| mapping.compartment_display(code).unwrap_or(code);
    if let [code] = *codes {
        return (COMPARTMENT_SYSTEM.to_owned(), code.to_owned(), display(code).to_owned());
    }
    let displays: Vec<&str> = codes.iter().map(|code| display(code)).collect();
    (String::new(), codes.join("+"), displays.join(" or "))
}

/// bodySite or BodyStructure as a site that no mapping knows: its first coding that is not a side,
/// else its text, else the name of the resource that describes it.
fn unmapped_body_site(mapping: &Mapping, read: &Read<'_>) -> Option<(String, String, String)> {
    for concept in read.structure.iter().chain([&read.body_site]) {
        let coding = concept
            .codings()
            .iter()
            .find(|coding| coding.code.is_some() && mapping.sides(coding).is_none());
        if let Some(coding) = coding {
            return Some(first_coding(coding, concept));
        }
        if let Some(text) = concept.text.as_deref().map(str::trim).filter(|text| !text.is_empty()) {
            return Some((String::new(), text.to_lowercase(), text.to_owned()));
        }
    }
    let (code, display) = read.elsewhere.clone()?;
    Some((
        String::new(),
        code,
        display.unwrap_or_else(|| String::from("site described elsewhere")),
    ))
}

fn first_coding(coding: &Coding<'_>, concept: &CodeableConcept<'_>) -> (String, String, String) {
    let code = coding.code.as_deref().unwrap_or_default();
    let said = |text: Option<&str>| {
        text.map(str::trim)
            .filter(|text| !text.is_empty())
            .map(ToOwned::to_owned)
    };
    let display = said(coding.display.as_deref())
        .or_else(|| said(concept.text.as_deref()))
        .unwrap_or_else(|| code.to_owned());
    // A code that our own CodeSystem does not have is no code of it.
    let system = coding.system.as_deref().filter(|system| *system != COMPARTMENT_SYSTEM);
    (system.unwrap_or_default().to_owned(), code.to_owned(), display)
}

/// What a component's code says beside "compartment pressure": a foreign coding, or a text of its own.
fn own_name(mapping: &Mapping, code: &CodeableConcept<'_>) -> Option<(String, String)> {
    let foreign = |coding: &&Coding<'_>| {
        coding.code.is_some() && !mapping.is_reading_code(coding) && mapping.sides(coding).is_none()
    };
    if let Some(coding) = code.codings().iter().find(foreign) {
        let (system, code, display) = first_coding(coding, code);
        return Some((format!("{system}|{code}"), display));
    }
    let text = code.text.as_deref().map(str::trim).filter(|text| !text.is_empty())?;
    let echo = code
        .codings()
        .iter()
        .filter_map(|coding| coding.display.as_deref())
        .any(|known| known.eq_ignore_ascii_case(text));
    (!echo).then(|| (text.to_lowercase(), text.to_owned()))
}

/// The sides that texts and displays state together.
fn sides_of_words<'c>(mapping: &Mapping, concepts: impl IntoIterator<Item = &'c CodeableConcept<'c>>) -> Sides {
    let mut text = String::new();
    concepts.into_iter().for_each(|concept| add_words(&mut text, concept));
    mapping.text().sides(&text)
}

/// Text and displays of a concept, for the patterns.
fn add_words(text: &mut String, concept: &CodeableConcept<'_>) {
    let displays = concept.codings().iter().filter_map(|coding| coding.display.as_deref());
    for words in concept.text.as_deref().into_iter().chain(displays) {
        text.push_str(words);
        text.push_str(" | ");
    }
}
