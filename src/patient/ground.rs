//! What a message stood on, and what became of it.

use crate::fhir::Instant;
use crate::outbox::draft::{AgeClass, Family, GroundLost, Recomputation};
use crate::patient::assess::{Measurement, Paired, difference};
use crate::patient::concern::{ConcernNow, Headline};
use crate::patient::gather::Gathered;
use crate::patient::state::{Concern, Slot, ToldGround};
use crate::patient::tell::Teller;
use crate::recognise::Site;

impl Teller<'_, '_> {
    /// Which told grounds no longer stand, with their position in `told`.
    pub(super) fn lost(&self, before: &Concern) -> Vec<(usize, GroundLost)> {
        let mut standing = self.standing(before.family);
        let told = before.told.iter().enumerate().filter(|(_, told)| !standing(told));
        told.filter_map(|(position, told)| self.ground_lost(told, before.family).map(|lost| (position, lost)))
            .collect()
    }

    /// True for a ground that plainly stands as it was told: the usual case, seen without a search,
    /// for grounds mostly come in the order of their measurements.
    fn standing(&self, family: Family) -> impl FnMut(&ToldGround) -> bool {
        let mut rest = match (family, self.index) {
            (Family::Pressure, Some(site)) => self.assessment.all_of_site(site),
            _ => &[],
        };
        move |told| {
            let found = rest
                .iter()
                .position(|found| found.gathered.current.slot.source == told.source);
            let Some((measurement, after)) = found.and_then(|found| rest.get(found..)?.split_first()) else {
                return false;
            };
            rest = after;
            !told.carried && measurement.tier >= Some(told.tier)
        }
    }

    fn ground_lost(&self, told: &ToldGround, family: Family) -> Option<GroundLost> {
        if family == Family::FollowUp {
            // It stands on what is missing; what fell away is told by the concern of the limb.
            return None;
        }
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
        if family != Family::Pressure {
            // A diastolic that arrives, or a newer reading, answers a check: that is a resolution.
            return None;
        }
        // One source may carry several readings of one site.
        let found = || {
            let all = self.index.into_iter().flat_map(|site| self.assessment.of_site(site));
            all.map(|(_, found)| found).filter(|found| found.gathered.is_in(slot))
        };
        // The usual case first: it stands as it was told, where its reading was taken.
        let there = || slot.readings.first().and_then(|reading| self.at(reading.at));
        let stands = |found: &Measurement<'_>| found.gathered.is_in(slot) && found.tier >= Some(told.tier);
        if !told.carried && (there().is_some_and(stands) || found().any(stands)) {
            return None;
        }
        let Some(newest) = found().next_back() else {
            return Some(match self.elsewhere(slot) {
                Some(site) => GroundLost::NowElsewhere { source: source(), site },
                None => GroundLost::NoLongerUsable { source: source() },
            });
        };
        let against = told.diastolic.as_deref().unwrap_or_default();
        let carried = || {
            let all = found().flat_map(|found| &found.carried);
            all.filter(|carried| self.assessment.diastolics[carried.diastolic].is_from(against))
        };
        let stands = told.carried && carried().any(|carried| carried.tier >= Some(told.tier));
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
        let delta_now_whole_mmhg = match told.carried {
            true => self.against(against, &newest.gathered),
            false => newest.delta.map(|delta| delta.whole),
        };
        Some(GroundLost::Recomputed {
            source: source(),
            cause: self.cause(told, slot, newest),
            delta_now_whole_mmhg,
        })
    }

    /// The first measurement of the site that was not taken before `moment`.
    fn at(&self, moment: Instant) -> Option<&Measurement<'_>> {
        let of_site = self.assessment.all_of_site(self.index?);
        of_site.get(of_site.partition_point(|found| found.at() < moment))
    }

    /// Why a delta that was told is another one now: what was corrected is told by its seal.
    fn cause(&self, told: &ToldGround, slot: &Slot, newest: &Measurement<'_>) -> Recomputation {
        if slot.seal != told.seals.0 {
            return Recomputation::Compartment;
        }
        let Some(source) = told.diastolic.clone() else {
            return Recomputation::OtherDiastolic;
        };
        if self
            .state
            .slots
            .get(&source)
            .is_some_and(|slot| slot.seal != told.seals.1)
        {
            return Recomputation::Diastolic { source };
        }
        let same =
            matches!(newest.paired, Paired::With(index, _) if self.assessment.diastolics[index].is_from(&source));
        match same && !told.carried {
            true => Recomputation::OtherReading,
            false => Recomputation::OtherDiastolic,
        }
    }

    /// The site that a slot's reading is counted at now.
    fn elsewhere(&self, slot: &Slot) -> Option<Site> {
        let found = self
            .assessment
            .measurements
            .iter()
            .find(|found| found.gathered.is_in(slot))?;
        Some(self.assessment.sites[found.gathered.site].clone().into_owned())
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

    pub(super) fn told_ground(&self, open: &ConcernNow<'_>) -> Option<ToldGround> {
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
            Headline::Unusable(index) => (self.assessment.lost.get(index)?.slot.source.clone(), None, false),
        };
        let seal = |source: &String| self.state.slots.get(source).map_or(0, |slot| slot.seal);
        Some(ToldGround {
            seals: (seal(&source), diastolic.as_ref().map_or(0, seal)),
            source,
            diastolic,
            carried,
            tier: open.tier,
            rules,
        })
    }
}
