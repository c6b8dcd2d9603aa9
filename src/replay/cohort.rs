//! Lines of NDJSON, each read by the same `recognise` as in the live service. Pure: whoever reads the
//! files hands in the lines.

use super::input::{BadLine, BadLines, Place, Worker};
use super::packed::{Foreign, Kept, Kind, Names, Pack};
use super::shapes::{Known, Shapes};
use crate::fhir::observation::{self, Observation};
use crate::fhir::{Instant, Short};
use crate::recognise::reading::{self, PatientKey, Version};
use crate::recognise::{self, Head, Mapping, Person, Reason, Recognised};
use std::collections::BTreeMap;
use std::sync::Arc;
use xxhash_rust::xxh3::xxh3_64;

/// By what the lines are read.
#[derive(Clone)]
pub struct CohortSettings {
    /// The mapping in force.
    pub mapping: Arc<Mapping>,
    /// A view of the past: versions that were last updated later do not count. Without it all do.
    pub as_of: Option<Instant>,
    /// Base URLs of the source: an absolute reference to one of them means the same patient.
    pub bases: Vec<String>,
    /// False: a systolic is left out once the diastolic beside it was judged by it, for nothing else asks
    /// for it. Only in a replay by arrival it can still be told, as a reading of the future.
    pub systolics: bool,
}

/// What came in, counted.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Inputs {
    /// Lines that are not empty.
    pub lines: u64,
    /// Resources by type.
    pub by_type: BTreeMap<String, u64>,
    /// Lines that could not be read as a resource, with the first of them.
    pub bad: BadLines,
    /// Versions last updated after the moment of the view; without a lastUpdated, measured after it.
    pub later_than_view: u64,
    /// Versions of Observations and Procedures without a usable meta.lastUpdated: when they arrived is not
    /// known.
    pub undated: u64,
    /// Ids under which versions of different patients stand.
    pub shared_ids: u64,
    /// Versions of which a newer one counts.
    pub superseded: u64,
    /// Resources whose newest version takes them back (entered-in-error, cancelled, not-done).
    pub withdrawn: u64,
    /// Parts that recognition set aside, by reason; of the versions that count.
    pub set_aside: BTreeMap<Reason, u64>,
}

impl Inputs {
    /// Add what another thread counted.
    pub fn merge(&mut self, other: Self) {
        self.lines += other.lines;
        self.bad.count += other.bad.count;
        self.later_than_view += other.later_than_view;
        self.undated += other.undated;
        self.shared_ids += other.shared_ids;
        self.superseded += other.superseded;
        self.withdrawn += other.withdrawn;
        for (kind, count) in other.by_type {
            *self.by_type.entry(kind).or_default() += count;
        }
        for (reason, count) in other.set_aside {
            *self.set_aside.entry(reason).or_default() += count;
        }
        self.bad.samples.extend(other.bad.samples);
    }

    fn count(&mut self, kind: &str) {
        match self.by_type.get_mut(kind) {
            Some(count) => *count += 1,
            None => {
                self.by_type.insert(kind.to_owned(), 1);
            }
        }
    }
}

/// What one thread has read.
pub struct Cohort {
    settings: Arc<CohortSettings>,
    pub(super) inputs: Inputs,
    /// In buckets by source.
    pub(super) kept: Vec<Vec<Kept>>,
    pub(super) pack: Pack,
    pub(super) names: Names,
    shapes: Shapes,
    /// Room for a name.
    source: String,
    pub(super) people: Vec<(PatientKey, Version, Person)>,
}

impl Cohort {
    /// Nothing read yet.
    pub fn new(settings: &Arc<CohortSettings>) -> Self {
        Self {
            settings: Arc::clone(settings),
            inputs: Inputs::default(),
            kept: (0..BUCKETS).map(|_| Vec::new()).collect(),
            pack: Pack::default(),
            names: Names::default(),
            shapes: Shapes::default(),
            source: String::new(),
            people: Vec::new(),
        }
    }

    /// One line: a resource as JSON. An empty line is none.
    ///
    /// # Errors
    /// When it is no resource with type and id; what is wrong, without anything of the line.
    pub fn take(&mut self, text: &str) -> Result<(), BadLine> {
        let body = text.trim();
        if body.is_empty() {
            return Ok(());
        }
        // Out of its place while it lends what it knows.
        let mut shapes = std::mem::take(&mut self.shapes);
        let outcome = match shapes.read(body) {
            Some(known) => self.keep_known(&known),
            None => self.recognise(body, &mut shapes),
        };
        self.shapes = shapes;
        outcome
    }

    fn recognise(&mut self, body: &str, shapes: &mut Shapes) -> Result<(), BadLine> {
        // In one pass, as most lines can be read.
        let mut observation = Observation::default();
        if observation::fill(body, &mut observation)
            && let (Some("Observation"), Some(id), Some(meta)) = (
                observation.resource_type.as_deref(),
                observation.id.as_deref(),
                observation.meta.as_ref(),
            )
        {
            self.inputs.count("Observation");
            let version = Version::of(meta.version_id.as_deref(), meta.last_updated.as_deref(), digest(body));
            if self.is_in_view(&version) {
                let CohortSettings {
                    mapping,
                    bases,
                    systolics,
                    ..
                } = &*self.settings;
                let recognised = recognise::observation(&observation, body, id, version, mapping, bases);
                shapes.learn(body, &recognised, mapping, *systolics);
                self.keep(recognised)?;
            }
            return Ok(());
        }
        self.take_by_head(body)
    }

    fn take_by_head(&mut self, body: &str) -> Result<(), BadLine> {
        let head = Head::parse(body).map_err(|error| BadLine::json(&error))?;
        let kind = head
            .resource_type
            .as_deref()
            .ok_or_else(|| BadLine::whole("resourceType is missing"))?;
        if !matches!(kind, "Observation" | "Procedure" | "Patient") {
            self.inputs.count(kind);
            return Ok(());
        }
        let id = head
            .id
            .as_deref()
            .ok_or_else(|| BadLine::whole("the resource has no id"))?;
        self.inputs.count(kind);
        let version = head.version(digest(body));
        if !self.is_in_view(&version) {
            return Ok(());
        }
        if kind == "Patient" {
            let patient = PatientKey(["Patient/", id].concat());
            self.people.push((patient, version, recognise::person(body)));
            return Ok(());
        }
        let CohortSettings { mapping, bases, .. } = &*self.settings;
        let recognised = recognise::resource(kind, body, id, version, mapping, bases);
        self.keep(recognised)
    }

    /// False for a version of after the moment of the view, which is counted.
    fn is_in_view(&mut self, version: &Version) -> bool {
        let later =
            matches!((self.settings.as_of, version.last_updated), (Some(view), Some(updated)) if updated > view);
        self.inputs.later_than_view += u64::from(later);
        !later
    }

    fn keep(&mut self, mut recognised: Recognised) -> Result<(), BadLine> {
        let is_of_concern =
            recognised.concerns_a_patient() && recognised.patient.is_some() || recognised.withdrawn.is_some();
        if !is_of_concern {
            let reason = recognised.refusals.first().map(|refusal| refusal.reason);
            return self.keep_foreign(&recognised.source, &recognised.version, reason);
        }
        // A systolic says when the measurement was, too.
        let at = taken_at(&recognised);
        if !self.settings.systolics {
            let readings = &mut recognised.readings;
            readings.retain(|reading| reading.kind != reading::Kind::Systolic);
        }
        for reading in &mut recognised.readings {
            // Copied into what is derived; here nothing is.
            reading.body_site_json = None;
        }
        let patient = recognised.patient.take();
        self.keep_recognised(&recognised, patient.as_ref().map(|patient| patient.0.as_str()), at)
    }

    fn keep_known(&mut self, known: &Known<'_, '_>) -> Result<(), BadLine> {
        self.inputs.count("Observation");
        if !self.is_in_view(known.version()) {
            return Ok(());
        }
        match known {
            Known::Foreign { id, version, reason } => {
                let mut source = std::mem::take(&mut self.source);
                source.clear();
                source.push_str("Observation/");
                source.push_str(id);
                let outcome = self.keep_foreign(&source, version, Some(*reason));
                self.source = source;
                outcome
            }
            Known::Readings {
                recognised,
                patient,
                at,
            } => self.keep_recognised(recognised, Some(patient), *at),
        }
    }

    /// `recognised` without its patient, all of it taken by `at`.
    fn keep_recognised(&mut self, recognised: &Recognised, patient: Option<&str>, at: Instant) -> Result<(), BadLine> {
        let is_undated = recognised.version.last_updated.is_none();
        self.inputs.undated += u64::from(is_undated);
        // What was measured later was not known then.
        if is_undated && self.settings.as_of.is_some_and(|view| at > view) {
            self.inputs.later_than_view += 1;
            return Ok(());
        }
        let is_refused = !recognised.refusals.is_empty();
        let kept = Kept {
            source: hash(&recognised.source),
            at,
            spot: self.pack.put(recognised).ok_or_else(too_much)?,
            patient: patient
                .map(|patient| self.names.index(patient).ok_or_else(too_much))
                .transpose()?,
            what: match recognised.withdrawn {
                Some(_) => Kind::Withdrawal(is_refused),
                None => Kind::Reading(is_refused),
            },
        };
        self.kept[bucket(kept.source)].push(kept);
        Ok(())
    }

    fn keep_foreign(&mut self, source: &str, version: &Version, reason: Option<Reason>) -> Result<(), BadLine> {
        self.inputs.undated += u64::from(version.last_updated.is_none());
        let kept = Kept {
            source: hash(source),
            at: Instant::from_millis(0),
            spot: self.pack.put(&Foreign::packed(source, version)).ok_or_else(too_much)?,
            patient: None,
            what: Kind::Foreign(reason),
        };
        self.kept[bucket(kept.source)].push(kept);
        Ok(())
    }
}

fn too_much() -> BadLine {
    BadLine::whole("too large to be kept")
}

impl Worker for Cohort {
    type Out = Self;

    fn line(&mut self, _: Place, line: &[u8]) -> Result<(), BadLine> {
        match std::str::from_utf8(line) {
            Ok(text) => self.take(text),
            Err(error) => Err(BadLine {
                column: error.valid_up_to() as u64 + 1,
                what: String::from("not UTF-8"),
            }),
        }
    }

    fn finish(self) -> Self {
        self
    }
}

/// A quick hash of a body: the last tie-break between versions, and the sameness test. The live
/// service takes SHA-256, which decides nothing else.
pub(super) fn digest(body: &str) -> Short {
    const DIGITS: &[u8; 16] = b"0123456789abcdef";
    let mut text = [0; 16];
    for (digit, byte) in text.iter_mut().zip(
        xxh3_64(body.as_bytes())
            .to_be_bytes()
            .iter()
            .flat_map(|byte| [byte >> 4, byte & 15]),
    ) {
        *digit = DIGITS[usize::from(byte)];
    }
    Short::from(std::str::from_utf8(&text).unwrap_or_default())
}

/// So that threads can share the work.
pub(super) const BUCKETS: usize = 64;

/// Of a source, or of a patient.
pub(super) fn hash(name: &str) -> u64 {
    xxh3_64(name.as_bytes())
}

/// The bucket of a hash.
pub(super) fn bucket(hash: u64) -> usize {
    (hash % BUCKETS as u64) as usize
}

/// When all of a resource had been taken: its latest reading, else the start of what it says of the
/// patient, else when a lost reading was meant, else when it was last updated.
fn taken_at(one: &Recognised) -> Instant {
    let readings = one.readings.iter().map(|reading| reading.at).max();
    let contexts = || one.contexts.iter().map(|context| context.start).min();
    let meant = || {
        let refusals = one.refusals.iter();
        let meant = refusals.filter_map(|refusal| refusal.meant.as_deref());
        meant.filter_map(|meant| meant.at).max()
    };
    readings
        .or_else(contexts)
        .or_else(meant)
        .or(one.version.last_updated)
        .unwrap_or(Instant::from_millis(0))
}

/// Which versions are replayed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Order {
    /// The clinical clock: of each resource its newest version, when it was taken.
    Taken,
    /// By lastUpdated: every version when it arrived, late ones and corrections included.
    Arrived,
}

/// One thing that happens to a patient.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Event {
    /// When, on the clock of the replay.
    pub at: Instant,
    /// What.
    pub what: What,
}

/// What happens.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum What {
    /// A version of a resource of this patient.
    Version(Box<Recognised>),
    /// A newer version names another patient.
    Moved {
        /// `Observation/abc`.
        source: String,
        /// The version that moved it.
        version: Version,
    },
}

impl What {
    pub(super) fn name(&self) -> (&str, &Version) {
        match self {
            Self::Version(recognised) => (&recognised.source, &recognised.version),
            Self::Moved { source, version } => (source, version),
        }
    }
}

/// All of one patient.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PatientInputs {
    /// Who.
    pub patient: PatientKey,
    /// From a Patient resource, if there was one: known from the beginning.
    pub person: Person,
    /// In order of the clock.
    pub events: Vec<Event>,
}
