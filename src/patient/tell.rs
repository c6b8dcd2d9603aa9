//! Which messages are to be sent: a tier that rose, a ground that fell away, a concern that
//! resolved. A message is never unsaid; what it stood on is remembered so that its loss is told.

use crate::fhir::Instant;
use crate::outbox::draft::{AgeClass, AgeNote, DeltaFacts, Family, GroundLost, Measured, MessageDraft, Occasion};
use crate::outbox::identity;
use crate::patient::assess::{Assessment, Paired, difference};
use crate::patient::concern::{ConcernNow, Headline};
use crate::patient::effect::{Effect, History};
use crate::patient::gather::Gathered;
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
        let told = state.concerns.get(&concern.key);
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

struct Teller<'a, 's> {
    state: &'a State,
    assessment: &'a Assessment<'s>,
    sheet: &'a Sheet,
    now: Instant,
    key: &'a ConcernKey,
    /// Its site in the assessment; None when nothing usable is of it.
    index: Option<usize>,
    open: Option<&'a ConcernNow<'s>>,
}

impl Teller<'_, '_> {
    fn tell(&self, before: Option<&Concern>, telling: &mut Telling) {
        let tier = self.open.map(|open| open.tier);
        let tier_before = before.and_then(|before| before.tier);
        let lost: Vec<(usize, GroundLost)> = before.map(|before| self.lost(before)).unwrap_or_default();
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

    /// Which told grounds no longer stand, with their position in `told`.
    fn lost(&self, before: &Concern) -> Vec<(usize, GroundLost)> {
        before
            .told
            .iter()
            .enumerate()
            .filter_map(|(position, told)| self.ground_lost(told, before.family).map(|lost| (position, lost)))
            .collect()
    }

    fn ground_lost(&self, told: &ToldGround, family: Family) -> Option<GroundLost> {
        let source = || told.source.clone();
        let slot = match self.state.slots.get(&told.source) {
            Some(slot) if slot.withdrawn.is_none() => slot,
            slot => {
                // The same measurement may stand under another id.
                let how = slot.and_then(|slot| slot.withdrawn);
                let how = how.unwrap_or(crate::recognise::Withdrawal::Deleted);
                return Some(GroundLost::SourceWithdrawn { source: source(), how });
            }
        };
        if family == Family::Measurement {
            // A diastolic that arrives, or a newer reading, answers a check: that is a resolution.
            return None;
        }
        // One source may carry several readings of one site.
        let found = || {
            let all = self.index.into_iter().flat_map(|site| self.assessment.of_site(site));
            all.map(|(_, found)| found).filter(|found| found.gathered.is_in(slot))
        };
        let Some(newest) = found().next_back() else {
            return Some(GroundLost::NoLongerUsable { source: source() });
        };
        let against = told.diastolic.as_deref().unwrap_or_default();
        let carried = || {
            let all = found().flat_map(|found| &found.carried);
            all.filter(|carried| self.assessment.diastolics[carried.diastolic].is_from(against))
        };
        let stands = if told.carried {
            carried().any(|carried| carried.tier >= Some(told.tier))
        } else {
            found().any(|found| found.tier >= Some(told.tier))
        };
        if stands || (told.carried && self.is_answered(newest.at(), against)) {
            return None;
        }
        let withdrawn = self.state.slots.get(against).and_then(|slot| slot.withdrawn);
        if let Some(how) = withdrawn {
            return Some(GroundLost::SourceWithdrawn {
                source: against.to_owned(),
                how,
            });
        }
        Some(if told.carried {
            GroundLost::Recomputed {
                source: against.to_owned(),
                delta_now_whole_mmhg: self.against(against, &newest.gathered),
            }
        } else {
            GroundLost::Recomputed {
                source: source(),
                delta_now_whole_mmhg: newest.delta.map(|delta| delta.whole),
            }
        })
    }

    /// The delta of a compartment measurement against the diastolic of `source`, if both are usable.
    fn against(&self, source: &str, compartment: &Gathered<'_>) -> Option<i64> {
        let diastolic = self
            .assessment
            .diastolics
            .iter()
            .find(|diastolic| diastolic.is_from(source))?;
        difference(diastolic, compartment).map(|delta| delta.whole)
    }

    /// A carried delta asked for a new measurement: one taken beside that very diastolic answers it.
    fn is_answered(&self, since: Instant, diastolic: &str) -> bool {
        let mut later = self.index.into_iter().flat_map(|site| self.assessment.of_site(site));
        later.any(|(_, measurement)| {
            measurement.at() > since
                && matches!(measurement.paired, Paired::With(index, AgeClass::Simultaneous)
                    if self.assessment.diastolics[index].is_from(diastolic))
        })
    }

    fn told_ground(&self, open: &ConcernNow<'_>) -> Option<ToldGround> {
        let rules = open.rules.indexes().filter_map(|index| self.sheet.rules.get(index));
        let rules = rules.map(|rule| rule.id.clone()).collect();
        let source_of = |diastolic: usize| self.assessment.diastolics[diastolic].current.slot.source.clone();
        let (source, diastolic, carried) = match open.headline {
            Headline::Measurement(index) => {
                let measurement = &self.assessment.measurements[index];
                let diastolic = match measurement.paired {
                    Paired::With(diastolic, _) => Some(source_of(diastolic)),
                    _ => None,
                };
                (measurement.gathered.current.slot.source.clone(), diastolic, false)
            }
            Headline::Carried(index, position) => {
                let measurement = &self.assessment.measurements[index];
                let diastolic = measurement.carried.get(position)?.diastolic;
                (
                    measurement.gathered.current.slot.source.clone(),
                    Some(source_of(diastolic)),
                    true,
                )
            }
            Headline::Implausible(member) | Headline::Diastolic(member) => (member.slot.source.clone(), None, false),
            Headline::Unusable(source, _) => (source.to_owned(), None, false),
        };
        Some(ToldGround {
            source,
            diastolic,
            carried,
            tier: open.tier,
            rules,
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
        let family = match self.key.family {
            Family::Pressure => "pressure",
            Family::Measurement => "measurement",
        };
        concern.messages += 1;
        let identity = identity::message(&self.state.patient.0, &self.key.site, family, concern.messages);
        let evidence = self.evidence(occasion);
        let grounds = match self.open {
            Some(open) if tier.is_some() => words::grounds(self.assessment, open, self.sheet),
            _ => Vec::new(),
        };
        let text = match occasion {
            Occasion::Raised => self.line(),
            Occasion::Withdrawn => lost.iter().map(lost_line).collect::<Vec<_>>().join("; "),
            // A check that is answered says nothing of the limb.
            Occasion::Resolved if self.key.family == Family::Measurement => String::from("this check no longer holds"),
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
            compartment: evidence.compartment,
            delta_identity: evidence.delta.as_ref().and(evidence.identity),
            delta: evidence.delta,
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
                evidence.delta = words::facts(self.assessment, measurement, None);
                evidence.identity = self.delta_identity(index, None);
                evidence.reading_count = self.count_to(index);
            }
            Some(Headline::Carried(index, position)) => {
                let measurement = &self.assessment.measurements[index];
                let carried = &measurement.carried[position];
                evidence.compartment = Some(words::measured(&measurement.gathered));
                evidence.delta = words::facts(self.assessment, measurement, Some(carried));
                evidence.identity = carried
                    .raises
                    .then(|| self.delta_identity(index, Some(carried.diastolic)))
                    .flatten();
                evidence.reading_count = self.count_to(index);
            }
            Some(Headline::Implausible(member)) => {
                evidence.compartment = Some(words::measured_alone(member));
            }
            Some(Headline::Diastolic(_) | Headline::Unusable(..)) | None => {}
        }
        if occasion == Occasion::Withdrawn && self.open.is_none() {
            // Nothing remains to be spoken of but what was lost.
            evidence.identity = None;
        }
        evidence
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
    compartment: Option<Measured>,
    delta: Option<DeltaFacts>,
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

fn lost_line(lost: &GroundLost) -> String {
    match lost {
        GroundLost::SourceWithdrawn { source, how } => {
            let how = match how {
                crate::recognise::Withdrawal::EnteredInError => "entered in error",
                crate::recognise::Withdrawal::Cancelled => "cancelled",
                crate::recognise::Withdrawal::Deleted => "deleted",
                crate::recognise::Withdrawal::MovedToAnotherPatient => "moved to another patient",
            };
            format!("{source} was {how}")
        }
        GroundLost::Recomputed {
            source,
            delta_now_whole_mmhg: Some(delta),
        } => {
            format!("{source} was recomputed: delta pressure now {delta} mmHg")
        }
        GroundLost::Recomputed {
            source,
            delta_now_whole_mmhg: None,
        } => {
            format!("{source} was recomputed: no delta pressure now")
        }
        GroundLost::NoLongerUsable { source } => format!("{source} can no longer be used"),
    }
}
