//! Which messages are to be sent: a tier that rose, a ground that fell away, a concern that
//! resolved. A message is never unsaid; what it stood on is remembered so that its loss is told.

use crate::fhir::Instant;
use crate::outbox::draft::{
    AgeNote, Beside, DeltaFacts, Family, GroundLost, Measured, MessageDraft, Occasion, SessionNote, SourceRef, Unusable,
};
use crate::outbox::{identity, wording};
use crate::patient::assess::{Assessment, Measurement, Paired};
use crate::patient::concern::{ConcernNow, Headline};
use crate::patient::effect::{Effect, History};
use crate::patient::session::session;
use crate::patient::state::{Concern, ConcernKey, State, ToldGround};
use crate::patient::words;
use crate::recognise::Site;
use crate::rules::{Sheet, Tier};
use std::collections::BTreeMap;
use uuid::Uuid;

/// Grounds remembered of one concern, newest last; older ones are forgotten.
pub const TOLD_LIMIT: usize = 32;

/// What telling changes.
#[derive(Debug, Default)]
pub struct Telling {
    /// Messages.
    pub effects: Vec<Effect>,
    /// Concerns as they are now.
    pub concerns: BTreeMap<ConcernKey, Concern>,
    /// History.
    pub history: Vec<History>,
}

/// Compare the open concerns with what was told.
pub fn tell(state: &State, assessment: &Assessment<'_>, sheet: &Sheet, now: Instant) -> Telling {
    let mut telling = Telling::default();
    for concern in &assessment.concerns {
        let told = state.concerns.get(&concern.key).map(AsRef::as_ref);
        Teller {
            state,
            assessment,
            sheet,
            now,
            key: &concern.key,
            index: concern.site,
            open: Some(concern),
        }
        .tell(told, &mut telling);
    }
    for (key, told) in &state.concerns {
        if !assessment.concerns.iter().any(|open| open.key == *key) {
            Teller {
                state,
                assessment,
                sheet,
                now,
                key,
                index: assessment.sites.iter().position(|site| site.key() == key.site),
                open: None,
            }
            .tell(Some(told), &mut telling);
        }
    }
    telling
}

pub(super) struct Teller<'a, 's> {
    pub(super) state: &'a State,
    pub(super) assessment: &'a Assessment<'s>,
    pub(super) sheet: &'a Sheet,
    pub(super) now: Instant,
    pub(super) key: &'a ConcernKey,
    /// Its site in the assessment; None when nothing usable is of it.
    pub(super) index: Option<usize>,
    pub(super) open: Option<&'a ConcernNow<'s>>,
}

impl Teller<'_, '_> {
    fn tell(&self, before: Option<&Concern>, telling: &mut Telling) {
        let tier = self.open.map(|open| open.tier);
        let tier_before = before.and_then(|before| before.tier);
        let before_lost = before.filter(|_| !mutated!(WithdrawalForgotten));
        let lost: Vec<(usize, GroundLost)> = before_lost.map(|before| self.lost(before)).unwrap_or_default();
        if tier == tier_before && lost.is_empty() {
            return;
        }
        let mut concern = before.cloned().unwrap_or_else(|| self.fresh());
        concern.told = keep(&concern.told, &lost);
        if tier_before.is_none() && tier.is_some() {
            concern.since = self.now;
        }
        concern.tier = tier;
        let rose = tier > tier_before;
        concern.reach(tier, self.now);
        if !lost.is_empty() {
            // When the tier also rose, the rise is told by its own message below.
            let now_tier = if rose { tier_before } else { tier };
            let lost = lost.into_iter().map(|(_, lost)| lost).collect();
            self.send(&mut concern, Occasion::Withdrawn, now_tier, tier_before, lost, telling);
        } else if tier.is_none() {
            self.send(&mut concern, Occasion::Resolved, None, tier_before, Vec::new(), telling);
        } else if !rose {
            let text = self.line();
            telling.history.push(self.history(None, tier, tier_before, text, None));
        }
        if rose {
            self.send(&mut concern, Occasion::Raised, tier, tier_before, Vec::new(), telling);
        }
        if let Some(open) = self.open
            && (rose || !concern.told.iter().any(|told| Some(told.tier) == tier))
        {
            concern.told.extend(self.told_ground(open));
            let excess = concern.told.len().saturating_sub(TOLD_LIMIT);
            concern.told.drain(..excess);
        }
        telling.concerns.insert(self.key.clone(), concern);
    }

    fn fresh(&self) -> Concern {
        Concern {
            site: self.site(),
            family: self.key.family,
            tier: None,
            since: self.now,
            reached: BTreeMap::new(),
            told: Vec::new(),
            last_message: None,
            messages: 0,
        }
    }

    fn site(&self) -> Option<Site> {
        let open = self
            .open
            .and_then(|open| open.site)
            .map(|site| self.assessment.sites[site].clone().into_owned());
        open.or_else(|| {
            self.state
                .concerns
                .get(self.key)
                .and_then(|concern| concern.site.clone())
        })
    }

    fn send(
        &self,
        concern: &mut Concern,
        occasion: Occasion,
        tier: Option<Tier>,
        tier_before: Option<Tier>,
        lost: Vec<GroundLost>,
        telling: &mut Telling,
    ) {
        let family = self.key.family.word();
        concern.messages += 1;
        let ground = self.ground_words(occasion, tier, &lost);
        let identity = identity::message(&self.state.patient.0, &self.key.site, family, concern.messages, &ground);
        let evidence = self.evidence(occasion);
        let grounds = match self.open {
            Some(open) if tier.is_some() => words::grounds(self.assessment, open, self.sheet),
            _ => Vec::new(),
        };
        let text = match occasion {
            Occasion::Raised => self.line(),
            Occasion::Withdrawn => lost.iter().map(wording::lost).collect::<Vec<_>>().join(" "),
            // A check that is answered says nothing of the limb.
            Occasion::Resolved if self.key.family != Family::Pressure => String::from("this check no longer holds"),
            Occasion::Resolved => String::from("no pressure rule is met by the readings received"),
        };
        let message = MessageDraft {
            identity,
            predecessor: concern.last_message,
            patient: self.state.patient.clone(),
            site: concern.site.clone(),
            family: self.key.family,
            occasion,
            tier,
            tier_before,
            grounds,
            lost,
            unusable: evidence.unusable,
            compartment: evidence.compartment,
            diastolic: evidence.diastolic,
            delta_identity: evidence.delta.as_ref().and(evidence.identity),
            delta: evidence.delta,
            beside: evidence.beside,
            session: evidence.session,
            reading_count: evidence.reading_count,
            age_note: self.age_note(),
            at: self.now,
        };
        concern.last_message = Some(identity);
        telling
            .history
            .push(self.history(Some(occasion), tier, tier_before, text, Some(identity)));
        telling.effects.push(Effect::Notify(message));
    }

    /// What a message stands on, in a stable form: occasion, tier, and the sources with what they held.
    fn ground_words(&self, occasion: Occasion, tier: Option<Tier>, lost: &[GroundLost]) -> String {
        let told = self.open.and_then(|open| self.told_ground(open));
        let told = told.map(|told| {
            format!(
                "{}|{:?}|{:x}|{:x}",
                told.source, told.diastolic, told.seals.0, told.seals.1
            )
        });
        let newest = self
            .newest()
            .map(|index| self.assessment.measurements[index].gathered.current.slot.seal);
        format!("{occasion:?}|{tier:?}|{}|{newest:?}|{lost:?}", told.unwrap_or_default())
    }

    fn age_note(&self) -> AgeNote {
        self.assessment.age_note
    }

    /// What the message speaks of: the headline of an open concern, else the newest reading.
    fn evidence(&self, occasion: Occasion) -> Evidence {
        let headline = match self.open {
            Some(open) => Some(open.headline),
            None => self.newest().map(Headline::Measurement),
        };
        let mut evidence = Evidence::default();
        match headline {
            Some(Headline::Measurement(index)) => {
                let measurement = &self.assessment.measurements[index];
                evidence.compartment = Some(words::measured(&measurement.gathered));
                evidence.delta = words::facts(self.assessment, measurement, None, self.sheet);
                if evidence.delta.is_none() {
                    evidence.beside = words::besides(self.assessment, &measurement.beside, &measurement.gathered);
                    evidence.diastolic = self.lower_method(measurement);
                }
                evidence.session = session(self.assessment, index, self.sheet);
                evidence.identity = self.delta_identity(index, None);
                evidence.reading_count = self.count_to(index);
            }
            Some(Headline::Carried(index, position)) => {
                let measurement = &self.assessment.measurements[index];
                let carried = &measurement.carried[position];
                evidence.compartment = Some(words::measured(&measurement.gathered));
                evidence.delta = words::facts(self.assessment, measurement, Some(carried), self.sheet);
                evidence.identity = carried
                    .raises
                    .then(|| self.delta_identity(index, Some(carried.diastolic)))
                    .flatten();
                evidence.reading_count = self.count_to(index);
            }
            Some(Headline::Implausible(member)) => {
                evidence.compartment = Some(words::measured_alone(member));
            }
            Some(Headline::Unusable(index)) => {
                evidence.unusable = self.assessment.lost.get(index).map(|lost| Unusable {
                    source: SourceRef {
                        reference: lost.slot.source.clone(),
                        version_id: lost.slot.version.id.to_string(),
                    },
                    sent: lost.sent.clone(),
                    at: lost.at,
                    reason: lost.reason,
                });
            }
            Some(Headline::Diastolic(member)) => evidence.diastolic = Some(words::measured_alone(member)),
            None => {}
        }
        if occasion == Occasion::Withdrawn && self.open.is_none() {
            // Nothing remains to be spoken of but what was lost.
            evidence.identity = None;
        }
        evidence
    }

    /// The diastolic that counts where arterial line and cuff disagree: without a delta nothing else names it.
    fn lower_method(&self, measurement: &Measurement<'_>) -> Option<Measured> {
        match (measurement.other_method, measurement.paired) {
            (Some(_), Paired::With(index, _)) => Some(words::measured(&self.assessment.diastolics[index])),
            _ => None,
        }
    }

    fn newest(&self) -> Option<usize> {
        self.assessment.of_site(self.index?).next_back().map(|(index, _)| index)
    }

    fn count_to(&self, index: usize) -> usize {
        let site = self.assessment.measurements[index].gathered.site;
        self.assessment
            .of_site(site)
            .filter(|(other, _)| *other <= index)
            .count()
    }

    fn delta_identity(&self, index: usize, diastolic: Option<usize>) -> Option<Uuid> {
        let measurement = &self.assessment.measurements[index];
        let (owner, patient) = (measurement.gathered.owner, &self.state.patient.0);
        let site_key = self.assessment.sites[measurement.gathered.site].key();
        let (source, part) = owner.identity();
        Some(match diastolic {
            None => {
                measurement.delta?;
                identity::delta(patient, &site_key, source, part)
            }
            Some(diastolic) => {
                let (against, against_part) = self.assessment.diastolics[diastolic].owner.identity();
                identity::carried(patient, &site_key, source, part, against, against_part)
            }
        })
    }

    /// The rules' sentences, in one line.
    fn line(&self) -> String {
        let Some(open) = self.open else { return String::new() };
        let grounds = words::grounds(self.assessment, open, self.sheet);
        grounds
            .into_iter()
            .map(|ground| ground.sentence)
            .collect::<Vec<_>>()
            .join(" ")
    }

    fn history(
        &self,
        occasion: Option<Occasion>,
        tier: Option<Tier>,
        tier_before: Option<Tier>,
        text: String,
        message: Option<Uuid>,
    ) -> History {
        let site_text = self
            .site()
            .map_or_else(|| String::from("blood pressure and record"), |site| site.to_string());
        let (site_key, family) = (self.key.site.clone(), self.key.family);
        History {
            site_key,
            site_text,
            family,
            tier_before,
            tier,
            occasion,
            text,
            message,
        }
    }
}

#[derive(Default)]
struct Evidence {
    unusable: Option<Unusable>,
    compartment: Option<Measured>,
    diastolic: Option<Measured>,
    delta: Option<DeltaFacts>,
    beside: Vec<Beside>,
    session: Option<SessionNote>,
    identity: Option<Uuid>,
    reading_count: usize,
}

fn keep(told: &[ToldGround], lost: &[(usize, GroundLost)]) -> Vec<ToldGround> {
    let is_lost = |position: usize| lost.iter().any(|(lost, _)| *lost == position);
    told.iter()
        .enumerate()
        .filter(|(position, _)| !is_lost(*position))
        .map(|(_, told)| told.clone())
        .collect()
}
