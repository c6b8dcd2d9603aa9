//! Recognised inputs of one invented patient, and a ward that keeps what a step answers.
//!
//! Minutes count from an invented night; a source name stands for `Observation/<name>`.
#![allow(dead_code, clippy::unwrap_used, missing_docs)] // each binary uses a part of it

use deltaward::fhir::{Decimal, Instant, quantity};
use deltaward::outbox::draft::{DeltaDraft, Family, MessageDraft, Occasion, RetractDraft};
use deltaward::patient::state::{ConcernKey, Standing};
use deltaward::patient::{AskPolicy, Effect, Input, Question, State, Step, step};
use deltaward::recognise::reading::{Comparator, Pressure, ReadingStatus};
use deltaward::recognise::{
    COMPARTMENT_SYSTEM, Context, ContextKind, Kind, Method, PatientKey, Reading, Recognised, Refusal, Side, Site,
    Version, Withdrawal,
};
use deltaward::rules::{Sheet, Tier};
use std::collections::BTreeMap;
use std::sync::LazyLock;

/// 2026-01-10T02:00:00Z.
const NIGHT: i64 = 1_768_010_400_000;

/// The built-in sheet, read once.
pub static ADULT: LazyLock<Sheet> = LazyLock::new(|| Sheet::adult().unwrap());

/// So many minutes into the night.
pub fn at(minute: i64) -> Instant {
    Instant::from_millis(NIGHT).plus_minutes(minute)
}

pub fn site(side: Side, code: &str) -> Site {
    Site {
        side,
        system: COMPARTMENT_SYSTEM.to_owned(),
        code: code.to_owned(),
        display: format!("{code} compartment"),
    }
}

/// A version of one source with one reading; versions are numbered, a greater one is newer.
#[derive(Clone, Debug)]
pub struct Obs(pub Recognised);

fn obs(source: &str, kind: Kind, minute: i64, mmhg: &str, site: Option<Site>) -> Obs {
    Obs(Recognised {
        source: format!("Observation/{source}"),
        version: version(1, minute),
        patient: None,
        withdrawn: None,
        readings: vec![reading(kind, minute, mmhg, site)],
        refusals: Vec::new(),
        members: Vec::new(),
        members_side: Side::Unstated,
        contexts: Vec::new(),
    })
}

pub fn reading(kind: Kind, minute: i64, mmhg: &str, site: Option<Site>) -> Reading {
    Reading {
        part: "".into(),
        kind,
        pressure: Pressure {
            mmhg: Decimal::from_str_exact(mmhg).unwrap(),
            sent_value: mmhg.into(),
            sent_unit: "mmHg".into(),
            comparator: None,
        },
        start: at(minute),
        at: at(minute),
        site,
        body_site_json: None,
        method: Method::Cuff,
        status: ReadingStatus::Final,
        identifiers: Vec::new(),
        quality: None,
    }
}

pub fn version(number: u64, minute: i64) -> Version {
    Version {
        last_updated: Some(at(minute)),
        number: Some(number),
        id: number.to_string().into(),
        digest: "".into(),
    }
}

/// A pressure in the anterior compartment of the left leg.
pub fn compartment(source: &str, minute: i64, mmhg: &str) -> Obs {
    let site = site(Side::Left, "leg-anterior");
    let Obs(mut recognised) = obs(source, Kind::Compartment, minute, mmhg, Some(site));
    recognised.readings[0].method = Method::Needle;
    Obs(recognised)
}

/// A diastolic by cuff.
pub fn diastolic(source: &str, minute: i64, mmhg: &str) -> Obs {
    obs(source, Kind::Diastolic, minute, mmhg, None)
}

/// A mean arterial pressure by cuff.
pub fn mean(source: &str, minute: i64, mmhg: &str) -> Obs {
    obs(source, Kind::Mean, minute, mmhg, None)
}

/// A resource that says what is so of the patient from one minute on, to another one or without end.
pub fn context(source: &str, kind: ContextKind, from: i64, to: Option<i64>) -> Obs {
    diastolic(source, from, "70").edit(|recognised| {
        recognised.readings.clear();
        recognised.contexts = vec![Context {
            kind,
            start: at(from),
            end: to.map(at),
        }];
    })
}

impl Obs {
    pub fn edit(mut self, edit: impl FnOnce(&mut Recognised)) -> Self {
        edit(&mut self.0);
        self
    }

    pub fn at_site(self, side: Side, code: &str) -> Self {
        self.edit(|recognised| recognised.readings[0].site = Some(site(side, code)))
    }

    pub fn comparator(self, comparator: Comparator) -> Self {
        self.edit(|recognised| recognised.readings[0].pressure.comparator = Some(comparator))
    }

    pub fn identifier(self, identifier: &str) -> Self {
        self.edit(|recognised| recognised.readings[0].identifiers.push(identifier.to_owned()))
    }

    pub fn method(self, method: Method) -> Self {
        self.edit(|recognised| recognised.readings[0].method = method)
    }

    /// The same source's n-th version, last updated at `minute`.
    pub fn version(self, number: u64, minute: i64) -> Self {
        self.edit(|recognised| recognised.version = version(number, minute))
    }

    /// A value in another unit, converted as recognition does.
    pub fn sent(self, value: &str, unit: &str) -> Self {
        let exact = Decimal::from_str_exact(value).unwrap();
        let mmhg = quantity::to_mmhg(exact, Some(quantity::UCUM_SYSTEM), Some(unit), None).unwrap();
        self.edit(|recognised| {
            let pressure = &mut recognised.readings[0].pressure;
            pressure.mmhg = mmhg;
            pressure.sent_value = value.into();
            pressure.sent_unit = unit.into();
        })
    }

    /// The version that takes everything back.
    pub fn withdrawn(self, how: Withdrawal) -> Self {
        self.edit(|recognised| {
            recognised.withdrawn = Some(how);
            recognised.readings.clear();
            recognised.members.clear();
        })
    }

    /// Not a reading at all, but refused.
    pub fn refused(self, refusal: Refusal) -> Self {
        self.edit(|recognised| {
            recognised.readings.clear();
            recognised.refusals.push(refusal);
        })
    }

    pub fn input(&self) -> Input {
        let mut recognised = self.0.clone();
        // The digest is of the content, as recognition's is of the body.
        recognised.version.digest = digest(&format!("{recognised:?}")).into();
        Input::Recognised(recognised)
    }
}

/// FNV-1a, 64 bit.
fn digest(text: &str) -> String {
    let hash = text.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
    });
    format!("{hash:016x}")
}

/// What one step wrote, told and asked.
#[derive(Debug, Default)]
pub struct Told {
    pub published: Vec<DeltaDraft>,
    pub retracted: Vec<RetractDraft>,
    pub messages: Vec<MessageDraft>,
    pub asked: Vec<Question>,
}

impl Told {
    pub fn of(step: Step) -> Self {
        let mut told = Self::default();
        for effect in step.effects {
            match effect {
                Effect::Publish(draft) => told.published.push(draft),
                Effect::Retract(draft) => told.retracted.push(draft),
                Effect::Notify(message) => told.messages.push(message),
                Effect::Ask(question) => told.asked.push(question),
            }
        }
        told
    }

    /// A question that has no answer yet is asked again by every step: that writes and tells nothing.
    pub fn is_nothing(&self) -> bool {
        self.published.is_empty() && self.retracted.is_empty() && self.messages.is_empty()
    }

    /// Occasion, family and tier of each message, in order.
    pub fn said(&self) -> Vec<(Occasion, Family, Option<Tier>)> {
        let each = self.messages.iter();
        each.map(|message| (message.occasion, message.family, message.tier))
            .collect()
    }

    /// The same of the pressure family alone, without the family.
    pub fn pressure(&self) -> Vec<(Occasion, Option<Tier>)> {
        let each = self
            .messages
            .iter()
            .filter(|message| message.family == Family::Pressure);
        each.map(|message| (message.occasion, message.tier)).collect()
    }

    /// Every rule that a message names.
    pub fn rules(&self) -> Vec<&str> {
        let grounds = self.messages.iter().flat_map(|message| &message.grounds);
        grounds.map(|ground| ground.rule.as_str()).collect()
    }
}

/// Nobody can be asked.
pub const NO_ASK: AskPolicy = AskPolicy {
    ask: false,
    timeout_seconds: 0,
};

/// One patient with the sheet that judges them.
#[derive(Clone, Debug)]
pub struct Ward {
    pub state: State,
    pub sheet: Sheet,
    pub policy: AskPolicy,
}

impl Ward {
    /// An adult, the built-in sheet, nobody to ask.
    pub fn adult() -> Self {
        let mut state = State::new(PatientKey(String::from("Patient/invented")));
        state.birth_date = Some(String::from("1980-02-03"));
        Self {
            state,
            sheet: ADULT.clone(),
            policy: NO_ASK,
        }
    }

    /// A child, the built-in children's sheet, nobody to ask.
    pub fn child() -> Self {
        let mut ward = Self::adult();
        ward.state.birth_date = Some(String::from("2019-05-06"));
        ward.sheet = Sheet::child().unwrap();
        ward
    }

    pub fn step(&mut self, minute: i64, inputs: Vec<Input>) -> Told {
        Told::of(step(&mut self.state, inputs, &self.sheet, self.policy, at(minute)))
    }

    /// Each Observation at `minute`, in one step.
    pub fn take(&mut self, minute: i64, observations: &[Obs]) -> Told {
        self.step(minute, observations.iter().map(Obs::input).collect())
    }

    /// What stands now.
    pub fn standing(&self) -> Vec<&Standing> {
        self.state
            .standing
            .values()
            .map(AsRef::as_ref)
            .filter(|standing: &&Standing| !standing.retracted)
            .collect()
    }

    /// Open concerns and their tiers.
    pub fn open(&self) -> BTreeMap<ConcernKey, Tier> {
        let open = self.state.concerns.iter();
        open.filter_map(|(key, concern)| Some((key.clone(), concern.tier?)))
            .collect()
    }

    /// The tier of the left leg's anterior compartment.
    pub fn left(&self, family: Family) -> Option<Tier> {
        self.tier(&site(Side::Left, "leg-anterior"), family)
    }

    pub fn tier(&self, site: &Site, family: Family) -> Option<Tier> {
        let key = ConcernKey {
            site: site.key(),
            family,
        };
        self.state.concerns.get(&key).and_then(|concern| concern.tier)
    }
}
