//! From a patient's slots to the readings that count: usable now, each measurement once.

use crate::fhir::quantity::{round_delta, round_pressure};
use crate::fhir::{Decimal, Instant};
use crate::patient::sides::Sides;
use crate::patient::state::{Slot, State};
use crate::recognise::reading::{Comparator, ReadingStatus};
use crate::recognise::{Context, Kind, Method, Reading, Reason, Refusal, Side, Site};
use crate::rules::{RuleKind, Sheet};
use rustc_hash::FxHasher;
use std::borrow::Cow;
use std::collections::{BTreeMap, HashMap};
use std::hash::{Hash, Hasher};

/// One reading with the slot that holds it.
#[derive(Clone, Copy, Debug)]
pub struct Member<'s> {
    /// The source.
    pub slot: &'s Slot,
    /// The reading.
    pub reading: &'s Reading,
}

impl<'s> Member<'s> {
    /// Identity in a stable order: source, then part.
    pub fn identity(&self) -> (&'s str, &'s str) {
        (&self.slot.source, &self.reading.part)
    }
}

/// One measurement: usually one reading, several when the same measurement stands under several
/// ids.
#[derive(Clone, Debug)]
pub struct Gathered<'s> {
    /// The member with the smallest identity: what is derived is named after it.
    pub owner: Member<'s>,
    /// The member whose value counts.
    pub current: Member<'s>,
    /// The members other than `current`.
    pub others: Vec<Member<'s>>,
    /// Index into `Gathering::sites`; 0 and meaningless for a diastolic.
    pub site: usize,
    /// When `current` was measured.
    pub at: Instant,
    /// The pressure of `current` in thousandths of mmHg, when that is exact: most are whole
    /// numbers, and whole numbers subtract faster.
    pub thousandths: Option<i64>,
    /// The comparator of `current`.
    pub comparator: Option<Comparator>,
}

impl<'s> Gathered<'s> {
    /// One reading by itself.
    pub fn alone(member: Member<'s>, site: usize) -> Self {
        Self {
            owner: member,
            current: member,
            others: Vec::new(),
            site,
            at: member.reading.at,
            thousandths: thousandths(member.reading.pressure.mmhg),
            comparator: member.reading.pressure.comparator,
        }
    }

    /// A compartment pressure in whole mmHg, a half toward the alert (up).
    pub fn whole_pressure(&self) -> i64 {
        match self.thousandths {
            Some(exact) => exact.saturating_add(500).div_euclid(1000),
            None => round_pressure(self.current.reading.pressure.mmhg),
        }
    }

    /// A diastolic in whole mmHg, a half toward the alert (down).
    pub fn whole_diastolic(&self) -> i64 {
        match self.thousandths {
            Some(exact) => exact.saturating_add(499).div_euclid(1000),
            None => round_delta(self.current.reading.pressure.mmhg),
        }
    }

    fn set_current(&mut self, member: Member<'s>) {
        self.current = member;
        self.at = member.reading.at;
        self.thousandths = thousandths(member.reading.pressure.mmhg);
        self.comparator = member.reading.pressure.comparator;
    }

    /// True when one of its readings is held in `slot`, which is of the same state.
    pub fn is_in(&self, slot: &Slot) -> bool {
        std::ptr::eq(self.current.slot, slot) || self.others.iter().any(|member| std::ptr::eq(member.slot, slot))
    }

    /// True when one of its readings comes from `source`.
    pub fn is_from(&self, source: &str) -> bool {
        self.current.slot.source == source || self.others.iter().any(|member| member.slot.source == source)
    }
}

/// Thousandths of mmHg, when the number has no finer part and fits.
pub(crate) fn thousandths(mmhg: Decimal) -> Option<i64> {
    /// Thousandths in one unit of the last digit, by the number of digits after the point.
    const OF_A_DIGIT: [i64; 4] = [1000, 100, 10, 1];
    let of_a_digit = OF_A_DIGIT.get(usize::try_from(mmhg.scale()).ok()?)?;
    i64::try_from(mmhg.mantissa()).ok()?.checked_mul(*of_a_digit)
}

/// A compartment reading that was taken and cannot be used (yet).
#[derive(Clone, Debug)]
pub struct Lost<'s> {
    /// Its source.
    pub slot: &'s Slot,
    /// Index into `Gathering::sites`.
    pub site: usize,
    /// When it was taken, if that can be read.
    pub at: Option<Instant>,
    /// Why it cannot be used.
    pub reason: Reason,
    /// What was sent.
    pub sent: Option<String>,
}

/// What counts, and what does not and why.
#[derive(Debug, Default)]
pub struct Gathering<'s> {
    /// Sites of compartment readings, in order.
    pub sites: Vec<Cow<'s, Site>>,
    /// Compartment measurements of each site, by time; sites at the end may be left out.
    pub compartments: Vec<Vec<Gathered<'s>>>,
    /// Diastolics by time.
    pub diastolics: Vec<Gathered<'s>>,
    /// Mean arterial pressures by time, where a rule of the sheet asks for them.
    pub means: Vec<Gathered<'s>>,
    /// What is recorded of the patient over a time, in order of start.
    pub contexts: Vec<Context>,
    /// Compartment readings outside the plausible range (site index, reading).
    pub implausible: Vec<(usize, Member<'s>)>,
    /// The newest diastolic outside the plausible range.
    pub implausible_diastolic: Option<Member<'s>>,
    /// Compartment readings that cannot be used.
    pub lost: Vec<Lost<'s>>,
    /// Refusals by source.
    pub judged: BTreeMap<&'s str, Vec<Refusal>>,
    /// Derived Observations that stand on readings of all slots.
    pub published: usize,
    /// True when judgement put something aside before.
    pub judged_before: bool,
    /// When the first reading of the future becomes usable.
    pub next_due: Option<Instant>,
}

/// Gather what counts at `now`.
pub fn gather<'s>(state: &'s State, sheet: &Sheet, now: Instant) -> Gathering<'s> {
    let mut gathering = Gathering::default();
    let sides = Sides::of(state);
    let mut by_site: Vec<Vec<Gathered<'s>>> = Vec::new();
    let mut diastolics = Vec::with_capacity(state.slots.len());
    let mut means = Vec::new();
    let wants_means = sheet
        .rules
        .iter()
        .any(|rule| matches!(rule.kind, RuleKind::MeanDelta { .. }));
    let latest = now.plus_minutes(sheet.pairing.clock_skew_minutes);
    for slot in state.slots.values().map(AsRef::as_ref) {
        gathering.published += slot.published.len();
        gathering.judged_before |= !slot.judged.is_empty();
        gathering.lose(slot, &sides);
        gathering.contexts.extend(slot.contexts.iter().cloned());
        for reading in &slot.readings {
            let member = Member { slot, reading };
            if reading.at > latest {
                let due = reading.at.plus_minutes(-sheet.pairing.clock_skew_minutes);
                gathering.next_due = Some(gathering.next_due.map_or(due, |other| other.min(due)));
                gathering.refuse(member, Reason::InTheFuture, String::new());
                if reading.kind == Kind::Compartment {
                    let site = gathering.site_of(member, &sides);
                    let pressure = &reading.pressure;
                    gathering.lost.push(Lost {
                        slot,
                        site,
                        at: Some(reading.at),
                        reason: Reason::InTheFuture,
                        sent: Some(format!("{} {}", pressure.sent_value, pressure.sent_unit)),
                    });
                }
                continue;
            }
            match reading.kind {
                Kind::Compartment => {
                    let site = gathering.site_of(member, &sides);
                    let alone = Gathered::alone(member, site);
                    if gathering.plausible_compartment(&alone, sheet) {
                        by_site.resize_with(gathering.sites.len(), Vec::new);
                        by_site[site].push(alone);
                    }
                }
                Kind::Diastolic => {
                    let alone = Gathered::alone(member, 0);
                    if gathering.plausible_diastolic(&alone, sheet) {
                        diastolics.push(alone);
                    }
                }
                Kind::Mean if wants_means => {
                    let alone = Gathered::alone(member, 0);
                    if gathering.plausible_mean(&alone, sheet) {
                        means.push(alone);
                    }
                }
                Kind::Systolic | Kind::Mean => {}
            }
        }
    }
    gathering.compartments = by_site
        .into_iter()
        .map(|of_site| gathering.each_once(of_site))
        .collect();
    gathering.diastolics = gathering.each_once(diastolics);
    gathering.means = gathering.each_once(means);
    gathering.contexts.sort_by_key(|context| (context.start, context.kind));
    gathering
}

impl<'s> Gathering<'s> {
    fn refuse(&mut self, member: Member<'s>, reason: Reason, detail: String) {
        let refusal = Refusal {
            part: member.reading.part.to_string(),
            reason,
            detail,
            meant: None,
        };
        self.judged.entry(&member.slot.source).or_default().push(refusal);
    }

    /// Index of the site of a compartment reading.
    fn site_of(&mut self, member: Member<'s>, sides: &Sides<'_>) -> usize {
        self.index_of(member.reading.site.as_ref(), &member.slot.source, sides)
    }

    /// Index of a site; the side of its source's panel fills in for a missing one.
    fn index_of(&mut self, site: Option<&'s Site>, source: &str, sides: &Sides<'_>) -> usize {
        let site = site.map_or_else(|| Cow::Owned(Site::unstated()), Cow::Borrowed);
        let stated = || sides.stated_for(source);
        let site = match (site.side == Side::Unstated).then(stated).flatten() {
            Some(side) => Cow::Owned(Site {
                side,
                ..site.into_owned()
            }),
            None => site,
        };
        if let Some(index) = self.sites.iter().position(|known| same_site(known, &site)) {
            return index;
        }
        self.sites.push(site);
        self.sites.len() - 1
    }

    /// Compartment readings of a slot that recognition refused.
    fn lose(&mut self, slot: &'s Slot, sides: &Sides<'_>) {
        for refusal in slot.refusals.iter().filter(|_| slot.withdrawn.is_none()) {
            let Some(meant) = refusal.meant.as_deref() else {
                continue;
            };
            let site = self.index_of(Some(&meant.site), &slot.source, sides);
            self.lost.push(Lost {
                slot,
                site,
                at: meant.at,
                reason: refusal.reason,
                sent: meant.sent.clone(),
            });
        }
    }

    fn plausible_compartment(&mut self, gathered: &Gathered<'s>, sheet: &Sheet) -> bool {
        let (member, site, whole) = (gathered.current, gathered.site, gathered.whole_pressure());
        let range = sheet.plausible.compartment_low..=sheet.plausible.compartment_high;
        if range.contains(&whole) {
            return true;
        }
        self.implausible.push((site, member));
        self.refuse(
            member,
            Reason::Implausible,
            format!("compartment pressure {whole} mmHg"),
        );
        false
    }

    fn plausible_diastolic(&mut self, gathered: &Gathered<'s>, sheet: &Sheet) -> bool {
        let (member, whole) = (gathered.current, gathered.whole_diastolic());
        let range = sheet.plausible.diastolic_low..=sheet.plausible.diastolic_high;
        if !range.contains(&whole) {
            if self
                .implausible_diastolic
                .is_none_or(|other| other.reading.at <= member.reading.at)
            {
                self.implausible_diastolic = Some(member);
            }
            self.refuse(member, Reason::Implausible, format!("diastolic {whole} mmHg"));
            return false;
        }
        self.bounds_nothing(member, "the diastolic is only a lower bound")
    }

    /// A mean lies between the diastolic and the systolic: no lower than a diastolic can be, and
    /// below twice the highest diastolic.
    fn plausible_mean(&mut self, gathered: &Gathered<'s>, sheet: &Sheet) -> bool {
        let (member, whole) = (gathered.current, gathered.whole_diastolic());
        let range = sheet.plausible.diastolic_low..=sheet.plausible.diastolic_high.saturating_mul(2);
        if !range.contains(&whole) {
            self.refuse(
                member,
                Reason::Implausible,
                format!("mean arterial pressure {whole} mmHg"),
            );
            return false;
        }
        self.bounds_nothing(member, "the mean arterial pressure is only a lower bound")
    }

    /// False for "at least 70": it can neither raise nor close a concern, so nothing is paired with it.
    fn bounds_nothing(&mut self, member: Member<'s>, why: &str) -> bool {
        let lower = [Some(Comparator::Greater), Some(Comparator::GreaterOrEqual)];
        let bound = lower.contains(&member.reading.pressure.comparator);
        if bound {
            self.refuse(member, Reason::NumberNotUsable, why.to_owned());
        }
        !bound
    }

    /// Join readings of one measurement: equal time and value, or equal identifier. `list` is of one
    /// site and comes in order of identity; it goes out by time.
    fn each_once(&mut self, mut list: Vec<Gathered<'s>>) -> Vec<Gathered<'s>> {
        join_by_identifier(&mut list);
        let order = |left: &Gathered<'_>, right: &Gathered<'_>| {
            let (one, other) = (left.current.reading, right.current.reading);
            (left.at.cmp(&right.at))
                .then_with(|| one.pressure.mmhg.cmp(&other.pressure.mmhg))
                .then_with(|| left.comparator.cmp(&right.comparator))
                .then_with(|| blood_method(one).cmp(&blood_method(other)))
        };
        // Records mostly come in order of time already.
        if !list.is_sorted_by(|one, other| order(one, other).is_le()) {
            list.sort_by(order);
        }
        // Most measurements stand once: then nothing is moved.
        if !list.windows(2).any(|pair| same_measurement(&pair[0], &pair[1])) {
            return self.with_duplicates_refused(list);
        }
        let mut once: Vec<Gathered<'s>> = Vec::with_capacity(list.len());
        for next in list {
            match once.last_mut() {
                Some(last) if same_measurement(last, &next) && !mutated!(DuplicatesKept) => join(last, next),
                _ => once.push(next),
            }
        }
        self.with_duplicates_refused(once)
    }

    fn with_duplicates_refused(&mut self, once: Vec<Gathered<'s>>) -> Vec<Gathered<'s>> {
        for measurement in &once {
            for other in &measurement.others {
                self.refuse(
                    *other,
                    Reason::Duplicate,
                    format!("also {}", measurement.current.slot.source),
                );
            }
        }
        once
    }
}

fn agrees(one: &Gathered<'_>, other: &Gathered<'_>) -> bool {
    one.at == other.at || one.current.reading.pressure.mmhg == other.current.reading.pressure.mmhg
}

/// One site: side, code and system are equal, whatever it is called.
pub(super) fn same_site(one: &Site, other: &Site) -> bool {
    (one.side == other.side || mutated!(LeftIsRight)) && one.code == other.code && one.system == other.system
}

fn same_measurement(one: &Gathered<'_>, other: &Gathered<'_>) -> bool {
    if one.at != other.at {
        return false;
    }
    let (left, right) = (one.current.reading, other.current.reading);
    left.pressure.mmhg == right.pressure.mmhg
        && left.pressure.comparator == right.pressure.comparator
        && blood_method(left) == blood_method(right)
        && one.current.slot.source != other.current.slot.source
}

/// A cuff and an arterial line that agree are two measurements. Of one compartment at one moment
/// there is one, however its method is recorded.
fn blood_method(reading: &Reading) -> Option<Method> {
    (reading.kind != Kind::Compartment).then_some(reading.method)
}

/// Add `next` to `into`; the smallest identity gives the name. Where the values differ, one that was
/// corrected counts before one that was not, then the one nearer to the alert: never the order of
/// arrival.
fn join<'s>(into: &mut Gathered<'s>, next: Gathered<'s>) {
    let mut members: Vec<Member<'s>> = Vec::with_capacity(into.others.len() + next.others.len() + 2);
    members.push(into.current);
    members.append(&mut into.others);
    members.push(next.current);
    members.extend(next.others);
    members.sort_by_key(Member::identity);
    into.owner = members[0];
    let corrected =
        |member: &Member<'_>| matches!(member.reading.status, ReadingStatus::Amended | ReadingStatus::Corrected);
    let toward_alert = |member: &Member<'_>| match member.reading.kind {
        Kind::Compartment => member.reading.pressure.mmhg,
        _ => -member.reading.pressure.mmhg,
    };
    let counts = (0..members.len())
        .max_by(|left, right| {
            let (one, other) = (&members[*left], &members[*right]);
            (corrected(one).cmp(&corrected(other)))
                .then_with(|| toward_alert(one).cmp(&toward_alert(other)))
                .then_with(|| other.identity().cmp(&one.identity()))
        })
        .unwrap_or(0);
    into.set_current(members.remove(counts));
    into.others = members;
}

/// False when surely no two of the list carry an equal identifier, which is the usual case: by their
/// hashes in order.
fn may_share_identifiers(list: &[Gathered<'_>]) -> bool {
    let identifiers = |item: &Gathered<'_>| item.owner.reading.identifiers.len();
    let count: usize = list.iter().map(identifiers).sum();
    if count == 0 {
        return false;
    }
    let mut hashes: Vec<u64> = Vec::with_capacity(count);
    for identifier in list.iter().flat_map(|item| &item.owner.reading.identifiers) {
        let mut hasher = FxHasher::default();
        identifier.hash(&mut hasher);
        hashes.push(hasher.finish());
    }
    hashes.sort_unstable();
    hashes.windows(2).any(|pair| pair[0] == pair[1])
}

/// Join readings of one site that carry an equal Observation.identifier and agree in time or in
/// value: a line or a device that puts its own number there measures more than once. The parts of
/// one resource share its identifier and are never joined.
fn join_by_identifier(list: &mut Vec<Gathered<'_>>) {
    if !may_share_identifiers(list) {
        return;
    }
    let mut by_identifier: HashMap<&str, Vec<usize>> = HashMap::new();
    let mut kept: Vec<Gathered<'_>> = Vec::with_capacity(list.len());
    for item in list.drain(..) {
        let identifiers = &item.owner.reading.identifiers;
        let same = identifiers.iter().find_map(|identifier| {
            let known = by_identifier.get(identifier.as_str())?;
            let fits = |index: &&usize| {
                let other = &kept[**index];
                !other.is_from(&item.owner.slot.source) && agrees(other, &item)
            };
            known.iter().find(fits).copied()
        });
        let index = same.unwrap_or(kept.len());
        for identifier in identifiers {
            let known = by_identifier.entry(identifier.as_str()).or_default();
            if !known.contains(&index) {
                known.push(index);
            }
        }
        match same {
            Some(index) => join(&mut kept[index], item),
            None => kept.push(item),
        }
    }
    *list = kept;
}
