//! A line → a version and its readings.

use super::pile::Pile;
use super::row::{Aside, BUCKETS, DIASTOLIC, Reason, Row, Version, bucket, moment};
use super::spill::Spill;
use crate::fhir::datetime::{self, Precision};
use crate::fhir::narrow::{self, Concept, Each, Narrow, Quantity};
use crate::fhir::quantity::{UnitError, to_mmhg};
use crate::fhir::{Decimal, Instant, decimal};
use crate::recognise::{Kind, Mapping};
use crate::replay::input::{BadLine, Place, Worker};
use rust_decimal::RoundingStrategy;
use rust_decimal::prelude::ToPrimitive;
use rustc_hash::FxHashMap;
use xxhash_rust::xxh3::{xxh3_64, xxh3_128};

/// What one worker has read.
pub(super) struct Read {
    /// In buckets by id.
    pub versions: Vec<Pile<Version>>,
    /// In buckets by patient.
    pub rows: Vec<Pile<Row>>,
    /// By hash.
    pub patients: FxHashMap<u64, Box<str>>,
    /// Names of the sites; the index of the first is 1.
    pub sites: Vec<Box<str>>,
    /// Readings that are left out.
    pub set_aside: Pile<Aside>,
    /// Observations.
    pub observations: u64,
    /// Versions of after `as_of`.
    pub later: u64,
    /// Versions without a usable lastUpdated.
    pub undated: u64,
    /// Withdrawn without an id.
    pub withdrawn: u64,
    /// Resources of another type.
    pub others: u64,
    /// Two patients have one hash.
    pub shared_hash: bool,
}

pub(super) struct Reader<'m> {
    mapping: &'m Mapping,
    as_of: Option<Instant>,
    spill: &'m Spill,
    site_indices: FxHashMap<Box<str>, u32>,
    read: Read,
}

impl<'m> Reader<'m> {
    pub fn new(mapping: &'m Mapping, as_of: Option<Instant>, spill: &'m Spill) -> Self {
        Self {
            mapping,
            as_of,
            spill,
            site_indices: FxHashMap::default(),
            read: Read {
                versions: (0..BUCKETS).map(|_| Pile::default()).collect(),
                rows: (0..BUCKETS).map(|_| Pile::default()).collect(),
                patients: FxHashMap::default(),
                sites: Vec::new(),
                set_aside: Pile::default(),
                observations: 0,
                later: 0,
                undated: 0,
                withdrawn: 0,
                others: 0,
                shared_hash: false,
            },
        }
    }

    /// A text that is no Observation as FHIR has it: perhaps another resource.
    #[cold]
    fn unreadable(&mut self, text: &str, what: String) -> Result<(), BadLine> {
        if let Ok(head) = narrow::head(text)
            && head
                .resource_type
                .as_deref()
                .is_some_and(|found| found != "Observation")
        {
            self.read.others += 1;
            return Ok(());
        }
        let column = serde_json::from_str::<Narrow<'_>>(text)
            .err()
            .map(|error| error.column());
        Err(BadLine {
            column: column.unwrap_or(1).max(1) as u64,
            // The column is said beside.
            what: if what.starts_with("not JSON") {
                String::from("not JSON")
            } else {
                what
            },
        })
    }

    fn observation(&mut self, place: Place, observation: &Narrow<'_>) {
        let meta = observation.meta.as_ref();
        let updated = meta
            .and_then(|meta| meta.last_updated.as_deref())
            .and_then(|text| datetime::parse_instant(text).ok());
        if let Some(as_of) = self.as_of {
            let measured = || millis(observation).ok().map(Instant::from_millis);
            if updated.or_else(measured).is_some_and(|known| known > as_of) {
                self.read.later += 1;
                return;
            }
        }
        self.read.undated += u64::from(updated.is_none());
        self.read.observations += 1;
        let withdrawn = observation.status.as_deref() == Some("entered-in-error");
        let updated = moment(updated);
        match observation.id.as_deref() {
            Some(id) => {
                let number = meta.and_then(|meta| meta.version_id.as_deref()?.parse().ok());
                let version = Version::new(xxh3_128(id.as_bytes()), updated, number.unwrap_or(0), withdrawn, place);
                self.read.versions[bucket(version.hash)].push(version, self.spill);
            }
            None => self.read.withdrawn += u64::from(withdrawn),
        }
        if !withdrawn {
            self.readings(place, observation, updated);
        }
    }

    fn readings(&mut self, place: Place, observation: &Narrow<'_>, updated: u64) {
        let own = (observation.code.as_ref(), observation.value_quantity.as_ref());
        let components = observation.component.iter().flatten().filter_map(Each::read);
        let components = components.map(|part| (part.code.as_ref(), part.value_quantity.as_ref()));
        for (code, quantity) in std::iter::once(own).chain(components) {
            let kind = code.and_then(|code| self.mapping.pressure(code));
            if let Some(kind @ (Kind::Compartment | Kind::Diastolic)) = kind
                && let Err(reason) = self.reading(place, observation, kind, quantity, updated)
            {
                self.read.set_aside.push(Aside::new(place, reason), self.spill);
            }
        }
    }

    fn reading(
        &mut self,
        place: Place,
        observation: &Narrow<'_>,
        kind: Kind,
        quantity: Option<&Quantity<'_>>,
        updated: u64,
    ) -> Result<(), Reason> {
        let reference = observation
            .subject
            .as_ref()
            .and_then(|subject| subject.reference.as_deref());
        let reference = reference.filter(|text| !text.is_empty()).ok_or("no-patient")?;
        let millis = millis(observation)?;
        let thousandths = thousandths(quantity)?;
        let site = match kind {
            Kind::Compartment => self.site(observation)?,
            _ => DIASTOLIC,
        };
        let patient = self.patient(reference);
        let row = Row {
            patient,
            millis,
            updated,
            place,
            thousandths,
            site,
        };
        self.read.rows[bucket(patient)].push(row, self.spill);
        Ok(())
    }

    fn patient(&mut self, reference: &str) -> u64 {
        let hash = xxh3_64(reference.as_bytes());
        let known = self.read.patients.entry(hash).or_insert_with(|| reference.into());
        self.read.shared_hash |= **known != *reference;
        hash
    }

    fn site(&mut self, observation: &Narrow<'_>) -> Result<u32, Reason> {
        let concept = match observation.body_site {
            None => Concept::default(),
            Some(raw) => narrow::concept(raw).map_err(|_| "unreadable")?,
        };
        let code = concept.codings().first().and_then(|coding| coding.code.as_deref());
        let code = code.unwrap_or_default();
        if let Some(index) = self.site_indices.get(code) {
            return Ok(*index);
        }
        self.read.sites.push(code.into());
        let index = u32::try_from(self.read.sites.len()).map_err(|_| "too-many-sites")?;
        self.site_indices.insert(code.into(), index);
        Ok(index)
    }
}

impl Worker for Reader<'_> {
    type Out = Read;

    fn line(&mut self, place: Place, line: &[u8]) -> Result<(), BadLine> {
        let text = std::str::from_utf8(line).map_err(|error| BadLine {
            column: error.valid_up_to() as u64 + 1,
            what: String::from("not UTF-8"),
        })?;
        let observation = match &narrow::parse(text) {
            Ok(observation) => match observation.resource_type.as_deref() {
                Some("Observation") => {
                    self.observation(place, observation);
                    return Ok(());
                }
                Some(_) => {
                    self.read.others += 1;
                    return Ok(());
                }
                None => String::from("resourceType is missing"),
            },
            Err(what) => return self.unreadable(text, what.clone()),
        };
        Err(BadLine::whole(observation))
    }

    fn finish(self) -> Read {
        self.read
    }
}

/// When it was taken: a moment, or the end of a Period.
fn millis(observation: &Narrow<'_>) -> Result<i64, Reason> {
    let end = observation
        .effective_period
        .as_ref()
        .map(|period| period.end.as_deref());
    let text = observation
        .effective_date_time
        .as_deref()
        .or(observation.effective_instant.as_deref());
    let text = match (text, end) {
        (Some(text), _) | (None, Some(Some(text))) => text,
        (None, Some(None)) => return Err("time-open"),
        (None, None) => return Err("no-effective-time"),
    };
    let span = datetime::parse(text).map_err(|_| "effective-time-invalid")?;
    match span.precision {
        Precision::Moment => Ok(span.earliest.millis()),
        _ => Err("time-too-coarse"),
    }
}

/// In thousandths of mm\[Hg\], a half away from zero.
fn thousandths(quantity: Option<&Quantity<'_>>) -> Result<i32, Reason> {
    let quantity = quantity.ok_or("no-value")?;
    let number = quantity.value.ok_or("no-value")?;
    if quantity.comparator.is_some() {
        return Err("comparator");
    }
    let number = decimal::parse(number.get()).map_err(|_| "number-not-usable")?;
    let mmhg = to_mmhg(
        number,
        quantity.system.as_deref(),
        quantity.code.as_deref(),
        quantity.unit.as_deref(),
    );
    let mmhg = mmhg.map_err(|error| match error {
        UnitError::Missing => "unit-missing",
        UnitError::Unknown(_) => "unit-unknown",
        UnitError::Overflow => "number-not-usable",
    })?;
    let rounded = mmhg.round_dp_with_strategy(3, RoundingStrategy::MidpointAwayFromZero);
    let thousandths = rounded
        .checked_mul(Decimal::ONE_THOUSAND)
        .and_then(|number| number.to_i32());
    thousandths.ok_or("number-not-usable")
}
