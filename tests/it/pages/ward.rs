//! A small ward, wholly invented, built through `patient::step` as the engine does it.

use deltaward::fhir::Instant;
use deltaward::fhir::quantity::to_mmhg;
use deltaward::outbox::communication::communication;
use deltaward::outbox::{MessageContext, Mode, SheetRef};
use deltaward::patient::assess::AskPolicy;
use deltaward::patient::effect::{Effect, Input};
use deltaward::patient::state::State;
use deltaward::patient::step::{step, withdrawn};
use deltaward::recognise::reading::{Comparator, Pressure, ReadingStatus};
use deltaward::recognise::{
    COMPARTMENT_SYSTEM, Context, ContextKind, Kind, Method, PatientKey, Quality, Reading, Reason, Recognised, Refusal,
    Side, Site, Version, Withdrawal,
};
use deltaward::rules::Sheet;
use deltaward::store::records::PatientChange;
use deltaward::store::{Commit, DerivedRow, EventRow, SetAsideRow};

pub const NOBODY_TO_ASK: AskPolicy = AskPolicy {
    ask: false,
    timeout_seconds: 0,
};

/// 2026-03-05T22:10:00Z (`date -u -d @1772748600`), moved by minutes.
pub fn at(minutes: i64) -> Instant {
    Instant::from_millis(1_772_748_600_000).plus_minutes(minutes)
}

pub fn leg(side: Side) -> Site {
    Site {
        side,
        system: COMPARTMENT_SYSTEM.into(),
        code: "leg-anterior".into(),
        display: "leg, anterior compartment".into(),
    }
}

/// One reading on its way in.
#[derive(Clone)]
pub struct Sent {
    pub id: String,
    pub minute: i64,
    pub kind: Kind,
    pub value: String,
    pub unit: String,
    pub comparator: Option<Comparator>,
    pub site: Option<Site>,
    pub method: Method,
    pub quality: Option<Box<Quality>>,
}

pub fn pressure(id: &str, minute: i64, mmhg: i64) -> Sent {
    Sent {
        id: id.into(),
        minute,
        kind: Kind::Compartment,
        value: mmhg.to_string(),
        unit: "mm[Hg]".into(),
        comparator: None,
        site: Some(leg(Side::Left)),
        method: Method::Needle,
        quality: None,
    }
}

pub fn diastolic(id: &str, minute: i64, mmhg: i64) -> Sent {
    Sent {
        kind: Kind::Diastolic,
        site: None,
        method: Method::Cuff,
        ..pressure(id, minute, mmhg)
    }
}

pub fn mean(id: &str, minute: i64, mmhg: i64) -> Sent {
    Sent {
        kind: Kind::Mean,
        ..diastolic(id, minute, mmhg)
    }
}

impl Sent {
    pub fn by(mut self, method: Method) -> Self {
        self.method = method;
        self
    }

    pub fn taken(mut self, quality: Quality) -> Self {
        self.quality = Some(Box::new(quality));
        self
    }

    pub fn on(mut self, site: Site) -> Self {
        self.site = Some(site);
        self
    }

    pub fn sent_as(mut self, value: &str, unit: &str) -> Self {
        (self.value, self.unit) = (value.into(), unit.into());
        self
    }

    pub fn bound(mut self, comparator: Comparator) -> Self {
        self.comparator = Some(comparator);
        self
    }

    fn recognised(&self, received: Instant) -> Recognised {
        let value = self.value.parse().unwrap();
        // An invented unit is a test of escaping, never of conversion: it counts as mmHg.
        let mmhg = to_mmhg(value, None, None, Some(&self.unit)).unwrap_or(value);
        let reading = Reading {
            part: "".into(),
            kind: self.kind,
            pressure: Pressure {
                mmhg,
                sent_value: self.value.as_str().into(),
                sent_unit: self.unit.as_str().into(),
                comparator: self.comparator,
            },
            start: at(self.minute),
            at: at(self.minute),
            site: self.site.clone(),
            body_site_json: None,
            method: self.method,
            status: ReadingStatus::Final,
            identifiers: Vec::new(),
            quality: self.quality.clone(),
        };
        Recognised {
            source: format!("Observation/{}", self.id),
            version: version(1, received),
            patient: None,
            withdrawn: None,
            readings: vec![reading],
            refusals: Vec::new(),
            members: Vec::new(),
            members_side: Side::Unstated,
            contexts: Vec::new(),
        }
    }
}

fn version(number: u64, updated: Instant) -> Version {
    Version {
        last_updated: Some(updated),
        number: Some(number),
        id: number.to_string().into(),
        digest: format!("{number:016x}").into(),
    }
}

/// One patient, with everything that the engine would commit.
pub struct Bed {
    pub state: State,
    sheet: Sheet,
    commit: Commit,
    events: Vec<EventRow>,
}

impl Bed {
    pub fn new(key: &str, label: Option<&str>, birth_date: Option<&str>) -> Self {
        let mut bed = Self {
            state: State::new(PatientKey(key.into())),
            sheet: Sheet::adult().unwrap(),
            commit: Commit::default(),
            events: Vec::new(),
        };
        let person = Input::Person {
            birth_date: birth_date.map(Into::into),
            label: label.map(Into::into),
        };
        bed.take(vec![person], at(-600));
        bed
    }

    /// Each reading in its own step, received a minute after it was measured.
    pub fn readings(mut self, sent: &[Sent]) -> Self {
        for one in sent {
            let now = at(one.minute + 1);
            self.take(vec![Input::Recognised(one.recognised(now))], now);
        }
        self
    }

    /// Anaesthesia, recorded when it began.
    pub fn anaesthesia(mut self, id: &str, start: i64, end: Option<i64>) -> Self {
        let mut recognised = pressure(id, start, 30).recognised(at(start));
        recognised.readings.clear();
        recognised.contexts.push(Context {
            kind: ContextKind::Anaesthesia,
            start: at(start),
            end: end.map(at),
        });
        self.take(vec![Input::Recognised(recognised)], at(start));
        self
    }

    /// A step without any input, as when a timer falls due.
    pub fn later(mut self, minute: i64) -> Self {
        self.take(Vec::new(), at(minute));
        self
    }

    pub fn withdraw(mut self, id: &str, number: u64, minute: i64) -> Self {
        let gone = withdrawn(
            format!("Observation/{id}"),
            version(number, at(minute)),
            Withdrawal::EnteredInError,
        );
        self.take(vec![Input::Recognised(gone)], at(minute));
        self
    }

    /// A compartment reading that recognition refused.
    pub fn refused(mut self, id: &str, minute: i64, reason: Reason, detail: &str) -> Self {
        let mut recognised = pressure(id, minute, 30).recognised(at(minute));
        recognised.readings.clear();
        recognised.refusals.push(Refusal {
            part: "".into(),
            reason,
            detail: detail.into(),
            meant: None,
        });
        self.take(vec![Input::Recognised(recognised)], at(minute));
        self
    }

    fn take(&mut self, inputs: Vec<Input>, now: Instant) {
        let step = step(&mut self.state, inputs, &self.sheet, NOBODY_TO_ASK, now);
        let patient = &self.state.patient;
        for history in &step.history {
            self.events.push(EventRow {
                patient: patient.clone(),
                site_key: history.site_key.clone(),
                site_text: history.site_text.clone(),
                family: history.family,
                at: now,
                tier_before: history.tier_before,
                tier: history.tier,
                occasion: history.occasion,
                text: history.text.clone(),
                message: history.message,
            });
        }
        let context = MessageContext {
            mode: Mode::Shadow,
            sheet: SheetRef::from(&self.sheet),
            recipients: Vec::new(),
        };
        for effect in &step.effects {
            if let Effect::Notify(draft) = effect {
                self.commit.derived.push(DerivedRow {
                    identity: draft.identity,
                    resource_type: "Communication".into(),
                    patient: Some(patient.clone()),
                    body: communication(draft, &context),
                    last_updated: now,
                    version: 0,
                });
            }
        }
        for (source, refusals) in &step.refusals {
            let rows = refusals.iter().map(|refusal| SetAsideRow {
                source: source.clone(),
                part: refusal.part.clone(),
                patient: Some(patient.clone()),
                reason: refusal.reason,
                detail: refusal.detail.clone(),
                since: now,
            });
            self.commit.set_aside.push((source.clone(), rows.collect()));
        }
    }

    /// Everything in one commit.
    pub fn commit(mut self) -> Commit {
        let State {
            patient,
            birth_date,
            label,
            slots,
            standing,
            concerns,
            next_due,
        } = self.state;
        self.commit.patients.push(PatientChange {
            patient,
            birth_date,
            label,
            next_due,
            forgotten: Vec::new(),
            forgotten_standing: Vec::new(),
            slots: slots.into_values().map(|slot| *slot).collect(),
            standing: standing.into_iter().map(|(key, one)| (key, *one)).collect(),
            concerns: concerns.into_iter().map(|(key, one)| (key, *one)).collect(),
            events: self.events,
        });
        self.commit
    }
}

/// A leg whose pressure climbs over four hours: watch, act, critical.
pub fn climbing() -> Bed {
    Bed::new("Patient/climbing", Some("Bed 1 (invented)"), Some("1988-04-02")).readings(&[
        diastolic("bp-1", -246, 74),
        pressure("cp-1", -244, 22),
        diastolic("bp-2", -184, 73),
        pressure("cp-2", -182, 35),
        diastolic("bp-3", -124, 72),
        pressure("cp-3", -122, 43),
        diastolic("bp-4", -64, 71),
        pressure("cp-4", -62, 49),
        diastolic("bp-5", -8, 70),
        pressure("cp-5", -4, 58),
    ])
}

/// A leg whose pressure stays while the diastolic falls: carried deltas, one stale pairing before.
pub fn falling() -> Bed {
    Bed::new("Patient/falling", Some("Bed 2 (invented)"), Some("1961")).readings(&[
        diastolic("bp-1", -215, 80),
        pressure("cp-1", -180, 27),
        diastolic("bp-2", -120, 78),
        pressure("cp-2", -118, 28),
        diastolic("bp-3", -80, 72),
        diastolic("bp-4", -50, 63),
        diastolic("bp-5", -20, 57),
        diastolic("bp-6", -5, 46),
    ])
}

/// A reading corrected after it alarmed, then two higher deltas: the newest is not what the tier stands on.
pub fn corrected() -> Bed {
    Bed::new("Patient/corrected", Some("Bed 3 (invented)"), Some("1975-11-30"))
        .readings(&[diastolic("bp-1", -95, 70), pressure("cp-1", -92, 55)])
        .withdraw("cp-1", 2, -70)
        .readings(&[
            diastolic("bp-2", -50, 72),
            pressure("cp-2", -48, 43).on(leg(Side::Right)),
            diastolic("bp-3", -12, 74),
            pressure("cp-3", -10, 22).on(leg(Side::Right)),
        ])
}

/// No diastolic anywhere, and a pressure that speaks alone.
pub fn without_diastolic() -> Bed {
    Bed::new("Patient/alone", Some("Bed 4 (invented)"), Some("1990-01-01")).readings(&[pressure("cp-1", -25, 34)])
}

/// No rule is met; kPa and cmH2O.
pub fn units() -> Bed {
    Bed::new("Patient/units", Some("Bed 5 (invented)"), Some("1955-06-17")).readings(&[
        diastolic("bp-1", -62, 0).sent_as("10.53", "kPa"),
        pressure("cp-1", -60, 0).sent_as("1.60", "kPa"),
        diastolic("bp-2", -34, 77),
        pressure("cp-2", -31, 0).sent_as("20.4", "cm[H2O]"),
    ])
}

/// A child, side missing, and a reading that could not be used.
pub fn child() -> Bed {
    Bed::new("Patient/child", Some("Bed 6 (invented)"), Some("2018-05-01"))
        .readings(&[
            diastolic("bp-1", -42, 58),
            pressure("cp-1", -40, 24).on(leg(Side::Unstated)),
        ])
        .refused("cp-2", -15, Reason::UnitMissing, "value 31 without a unit")
}

/// An operation: diastolic 74 before, 56 under anaesthesia, pressure 40 (clinical check row 11: 34 and 16); cuff and
/// line differ; nobody measured again.
pub fn theatre() -> Bed {
    let taken = Quality {
        zeroed: Some(true),
        flushed: Some(true),
        settled: Some(true),
        distance_from_fracture: Some("5 cm".into()),
        limb_level: Some("heart".into()),
    };
    Bed::new("Patient/theatre", Some("Bed 7 (invented)"), Some("1983-02-11"))
        .readings(&[diastolic("bp-1", -200, 74), pressure("cp-1", -198, 24)])
        .anaesthesia("an-1", -110, None)
        .readings(&[
            diastolic("bp-2", -63, 56),
            mean("map-2", -63, 0).sent_as("9.07", "kPa"),
            diastolic("bp-3", -62, 78).by(Method::ArterialLine),
            pressure("cp-2", -60, 0).sent_as("5.33", "kPa").taken(taken),
        ])
        .later(-1)
}

/// Everything that the record can name is hostile.
pub const HOSTILE: &str = "<script>alert(1)</script>\"'&<img src=x onerror=alert(2)>";

pub fn hostile() -> Bed {
    let site = Site {
        side: Side::Left,
        system: format!("urn:{HOSTILE}"),
        code: HOSTILE.into(),
        display: HOSTILE.into(),
    };
    Bed::new(&format!("Patient/{HOSTILE}"), Some(HOSTILE), Some(HOSTILE))
        .readings(&[
            diastolic("bp-1", -12, 62).sent_as("62", HOSTILE),
            pressure(&format!("cp-{HOSTILE}"), -10, 40)
                .on(site)
                .sent_as("40", HOSTILE),
        ])
        .refused(HOSTILE, -5, Reason::UnitUnknown, HOSTILE)
}

pub fn all() -> Vec<Bed> {
    vec![
        climbing(),
        falling(),
        corrected(),
        without_diastolic(),
        units(),
        child(),
        theatre(),
    ]
}
