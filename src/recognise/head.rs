//! The parts of any resource that are read before it is recognised: type, id and version.

use crate::fhir::observation::{self, MetaVersion};
use crate::recognise::reading::Version;
use serde::Deserialize;
use serde_json::value::RawValue;
use std::borrow::Cow;

/// Type, id and version of a resource.
#[derive(Deserialize)]
pub struct Head<'a> {
    /// `Observation`.
    #[serde(rename = "resourceType", borrow)]
    pub resource_type: Option<Cow<'a, str>>,
    /// The logical id.
    #[serde(borrow)]
    pub id: Option<Cow<'a, str>>,
    /// Raw: a meta that cannot be read must not cost the resource, it then has no version of its own.
    #[serde(borrow)]
    meta: Option<&'a RawValue>,
}

impl<'a> Head<'a> {
    /// Read it.
    ///
    /// # Errors
    /// When the text is no JSON object, or type or id is no string.
    pub fn parse(body: &'a str) -> Result<Self, serde_json::Error> {
        serde_json::from_str(body)
    }

    /// The version that its source gave it; `digest` stands for its content.
    pub fn version(&self, digest: String) -> Version {
        let meta = self.meta.and_then(|raw| observation::read(raw.get()).ok());
        let meta: MetaVersion<'_> = meta.unwrap_or_default();
        let id = meta.version_id.as_deref().unwrap_or_default().to_owned();
        let updated = meta.last_updated.as_deref();
        let last_updated = updated
            .and_then(|text| crate::fhir::datetime::parse(text).ok())
            .map(|span| span.earliest);
        Version {
            last_updated,
            number: id.parse().ok(),
            id,
            digest,
        }
    }
}
