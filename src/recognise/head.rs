//! The parts of any resource that are read before it is recognised: type, id and version.

use crate::fhir::Short;
use crate::fhir::observation::{self, MetaVersion, Raw, Text};
use crate::recognise::reading::Version;
use serde::Deserialize;
use serde_json::value::RawValue;
use std::borrow::Cow;

/// Type, id and version of a resource.
pub struct Head<'a> {
    /// `Observation`.
    pub resource_type: Option<Cow<'a, str>>,
    /// The logical id.
    pub id: Option<Cow<'a, str>>,
    /// Raw: a meta that cannot be read must not cost the resource, it then has no version of its own.
    meta: Option<&'a str>,
}

/// As the general parser reads it, which says what is wrong.
#[derive(Deserialize)]
struct General<'a> {
    #[serde(rename = "resourceType", borrow)]
    resource_type: Option<Cow<'a, str>>,
    #[serde(borrow)]
    id: Option<Cow<'a, str>>,
    #[serde(borrow)]
    meta: Option<&'a RawValue>,
}

impl<'a> Head<'a> {
    /// Read it.
    ///
    /// # Errors
    /// When the text is no JSON object, or type or id is no string.
    pub fn parse(body: &'a str) -> Result<Self, serde_json::Error> {
        if let Ok(head) = observation::read::<observation::Head<'_>>(body) {
            return Ok(Self {
                resource_type: head.resource_type.map(Text::into_cow),
                id: head.id.map(Text::into_cow),
                meta: head.meta.map(Raw::get),
            });
        }
        let General {
            resource_type,
            id,
            meta,
        } = serde_json::from_str(body)?;
        let meta = meta.map(RawValue::get);
        Ok(Self {
            resource_type,
            id,
            meta,
        })
    }

    /// The version that its source gave it; `digest` stands for its content.
    pub fn version(&self, digest: Short) -> Version {
        let meta = self.meta.and_then(|raw| observation::read(raw).ok());
        let meta: MetaVersion<'_> = meta.unwrap_or_default();
        Version::of(meta.version_id.as_deref(), meta.last_updated.as_deref(), digest)
    }
}

impl Version {
    /// Of meta.versionId and meta.lastUpdated as sent; `digest` stands for the content.
    pub fn of(version_id: Option<&str>, last_updated: Option<&str>, digest: Short) -> Self {
        let id = Short::from(version_id.unwrap_or_default());
        let last_updated = last_updated
            .and_then(|text| crate::fhir::datetime::parse(text).ok())
            .map(|span| span.earliest);
        Self {
            last_updated,
            number: id.parse().ok(),
            id,
            digest,
        }
    }
}
