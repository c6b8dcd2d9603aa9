//! FHIR references (R4 `Reference.reference`): what a text points to, without asking anybody.

use std::fmt;

/// What a reference points to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Reference<'a> {
    /// `Patient/123`, or the absolute form of it under our base: a resource on the same server.
    Here(Target<'a>),
    /// `https://other.example/fhir/Patient/123`: a resource on another server. Never to be read
    /// with our credentials.
    Elsewhere {
        /// Its base URL, without a trailing slash.
        base: &'a str,
        /// The resource.
        target: Target<'a>,
    },
    /// `urn:uuid:…`: another entry of the same Bundle. The part behind `urn:uuid:`.
    Uuid(&'a str),
    /// `#a`: a contained resource. The id without `#`; empty for `#`, the containing resource itself.
    Contained(&'a str),
    /// Any other URI with a scheme (`urn:oid:…`, a URL that is no RESTful one), or a search
    /// (`Patient?identifier=…`): names something that cannot be known from the text.
    Other(&'a str),
}

/// A resource by type and logical id.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Target<'a> {
    /// `Patient`.
    pub resource_type: &'a str,
    /// Logical id: 1 to 64 of `A-Z a-z 0-9 - .`
    pub id: &'a str,
    /// The version behind `/_history/`.
    pub version: Option<&'a str>,
}

/// `Patient/123`, without the version.
impl fmt::Display for Target<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.resource_type, self.id)
    }
}

/// The same resource gives the same text: version dropped, our own base dropped.
impl fmt::Display for Reference<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Here(target) => target.fmt(f),
            Self::Elsewhere { base, target } => write!(f, "{base}/{target}"),
            // UUIDs are compared without case (RFC 9562 §4).
            Self::Uuid(uuid) => write!(f, "urn:uuid:{}", uuid.to_ascii_lowercase()),
            Self::Contained(id) => write!(f, "#{id}"),
            Self::Other(uri) => f.write_str(uri),
        }
    }
}

impl<'a> Reference<'a> {
    /// The type and id, when the text gives them.
    pub fn target(&self) -> Option<Target<'a>> {
        match self {
            Self::Here(target) | Self::Elsewhere { target, .. } => Some(*target),
            _ => None,
        }
    }
}

/// Why a text is not a reference. Does not repeat the text: it may name a patient.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ReferenceError {
    /// Nothing, or only spaces.
    #[error("the reference is empty")]
    Empty,
    /// FHIR R4 `uri`: `\S*`.
    #[error("the reference has a space in it")]
    Space,
    /// Neither `Type/id` nor `#id` nor a URI with a scheme.
    #[error("the reference is neither Type/id nor #id nor an absolute URI")]
    Form,
}

/// Read a reference. `base` is the URL under which the resource that holds it was read; an absolute
/// reference under it is the relative one. It is compared as text: with scheme and host in lower
/// case, as the `url` crate writes them; a slash at its end does not matter.
///
/// # Errors
/// When the text has none of the forms of a reference.
pub fn parse<'a>(text: &'a str, base: Option<&str>) -> Result<Reference<'a>, ReferenceError> {
    // Most are of this form, which no other is.
    if let Some(target) = target(text) {
        return Ok(Reference::Here(target));
    }
    if text.trim().is_empty() {
        return Err(ReferenceError::Empty);
    }
    if text.contains(char::is_whitespace) {
        return Err(ReferenceError::Space);
    }
    if let Some(id) = text.strip_prefix('#') {
        let legal = id.is_empty() || is_id(id);
        return if legal {
            Ok(Reference::Contained(id))
        } else {
            Err(ReferenceError::Form)
        };
    }
    if let Some(uuid) = text.strip_prefix("urn:uuid:") {
        return if uuid.is_empty() {
            Err(ReferenceError::Form)
        } else {
            Ok(Reference::Uuid(uuid))
        };
    }
    if text.starts_with("http://") || text.starts_with("https://") {
        return Ok(absolute(text, base));
    }
    if has_scheme(text) || text.split_once('?').is_some_and(|(name, _)| is_resource_type(name)) {
        return Ok(Reference::Other(text));
    }
    Err(ReferenceError::Form)
}

/// FHIR R4 `id`: 1 to 64 of `A-Z a-z 0-9 - .`
pub fn is_id(text: &str) -> bool {
    let legal = |byte: u8| byte.is_ascii_alphanumeric() || byte == b'-' || byte == b'.';
    (1..=64).contains(&text.len()) && text.bytes().all(legal)
}

/// The form of a resource type's name: a capital, then letters. Whether R4 knows it is not asked.
pub fn is_resource_type(text: &str) -> bool {
    text.starts_with(|first: char| first.is_ascii_uppercase())
        && text.len() <= 64
        && text.bytes().all(|byte| byte.is_ascii_alphabetic())
}

/// `Type/id` or `Type/id/_history/version`, and nothing else.
fn target(text: &str) -> Option<Target<'_>> {
    let (resource_type, rest) = text.split_once('/')?;
    // An id has no slash, so the version can only begin at the next one.
    let (id, version) = match rest.split_once('/') {
        Some((id, behind)) => (id, Some(behind.strip_prefix("_history/")?)),
        None => (rest, None),
    };
    let legal = is_resource_type(resource_type) && is_id(id) && version.is_none_or(is_id);
    legal.then_some(Target {
        resource_type,
        id,
        version,
    })
}

fn absolute<'a>(text: &'a str, base: Option<&str>) -> Reference<'a> {
    let under_base = base.and_then(|base| text.strip_prefix(base.trim_end_matches('/'))?.strip_prefix('/'));
    if let Some(target) = under_base.and_then(target) {
        return Reference::Here(target);
    }
    // The last two steps of the path (four with a version) are the resource, the rest is a base.
    let path_end = text.find("/_history/").unwrap_or(text.len());
    let start = text[..path_end].rmatch_indices('/').nth(1).map(|(at, _)| at);
    match start.and_then(|at| Some((&text[..at], target(&text[at + 1..])?))) {
        // "https:/" is what is left of a URL that has only a host.
        Some((base, target)) if base.contains("://") => Reference::Elsewhere { base, target },
        _ => Reference::Other(text),
    }
}

/// A letter, then letters, digits, `+ - .`, then a colon (RFC 3986 §3.1).
fn has_scheme(text: &str) -> bool {
    let legal = |byte: u8| byte.is_ascii_alphanumeric() || b"+-.".contains(&byte);
    text.split_once(':').is_some_and(|(scheme, rest)| {
        scheme.starts_with(|first: char| first.is_ascii_alphabetic()) && scheme.bytes().all(legal) && !rest.is_empty()
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    const BASE: &str = "https://fhir.example/r4";

    fn here<'a>(resource_type: &'a str, id: &'a str, version: Option<&'a str>) -> Target<'a> {
        Target {
            resource_type,
            id,
            version,
        }
    }

    #[test]
    fn forms_of_the_standard() {
        // The forms that HL7 FHIR R4, references.html ("Literal References"), names.
        let elsewhere = |base, target| Reference::Elsewhere { base, target };
        let table = [
            ("Patient/123", Reference::Here(here("Patient", "123", None))),
            (
                "Patient/034AB16/_history/2",
                Reference::Here(here("Patient", "034AB16", Some("2"))),
            ),
            (
                "https://fhir.example/r4/Patient/1",
                Reference::Here(here("Patient", "1", None)),
            ),
            (
                "https://fhir.example/r4x/Patient/1",
                elsewhere("https://fhir.example/r4x", here("Patient", "1", None)),
            ),
            (
                "https://fhir.example/r4/more/Patient/1",
                elsewhere("https://fhir.example/r4/more", here("Patient", "1", None)),
            ),
            (
                "http://other.example/Observation/1x2/_history/2",
                elsewhere("http://other.example", here("Observation", "1x2", Some("2"))),
            ),
            ("#a", Reference::Contained("a")),
            ("#", Reference::Contained("")),
            (
                "urn:uuid:C757873D-ec9a-4326-a141-556f43239520",
                Reference::Uuid("C757873D-ec9a-4326-a141-556f43239520"),
            ),
            ("urn:oid:1.2.3.4", Reference::Other("urn:oid:1.2.3.4")),
            ("https://Patient/1", Reference::Other("https://Patient/1")),
            (
                "https://fhir.example/r4/Patient/1?x=y",
                Reference::Other("https://fhir.example/r4/Patient/1?x=y"),
            ),
            ("Patient?identifier=a|b", Reference::Other("Patient?identifier=a|b")),
        ];
        for (text, expected) in table {
            for base in [BASE.to_owned(), format!("{BASE}/")] {
                assert_eq!(parse(text, Some(&base)), Ok(expected), "{text}");
            }
        }
    }

    #[test]
    fn one_resource_has_one_text() {
        let shown = |text: &str| parse(text, Some(BASE)).unwrap().to_string();
        for text in [
            "Patient/1",
            "Patient/1/_history/7",
            "https://fhir.example/r4/Patient/1/_history/7",
        ] {
            assert_eq!(shown(text), "Patient/1");
        }
        assert_eq!(
            shown("https://other.example/r4/Patient/1/_history/7"),
            "https://other.example/r4/Patient/1"
        );
        assert_eq!(shown("urn:uuid:C757873D"), "urn:uuid:c757873d");
        assert_eq!(
            parse("Patient/1", None).unwrap().target().map(|target| target.id),
            Some("1")
        );
        assert_eq!(parse("#a", None).unwrap().target(), None);
    }

    #[test]
    fn what_is_no_reference() {
        let long = format!("Patient/{}", "1".repeat(65));
        for text in [
            "Patient",
            "Patient/",
            "/Patient/1",
            "patient/1",
            "Patient/a_b",
            "Patient/1/",
            "Patient/1/_history/",
        ] {
            assert_eq!(parse(text, Some(BASE)), Err(ReferenceError::Form), "{text}");
        }
        for text in [
            long.as_str(),
            "#a/b",
            "a b",
            "",
            " ",
            "Patient/ä",
            ":x",
            "urn:",
            "urn:uuid:",
        ] {
            assert!(parse(text, Some(BASE)).is_err(), "{text}");
        }
    }

    proptest::proptest! {
        #[test]
        fn never_panics_and_reads_its_own_text(text in r"\PC{0,40}|(https?://)?[a-zA-Z#:?./_-]{0,30}(/_history/)?[a-zA-Z0-9/]{0,9}") {
            if let Ok(reference) = parse(&text, Some(BASE)) {
                let again = reference.to_string();
                proptest::prop_assert_eq!(parse(&again, Some(BASE)).map(|it| it.to_string()), Ok(again.clone()));
            }
        }
    }
}
