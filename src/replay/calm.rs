//! Which steps of a patient can be left out because nothing could be told by them. Pure.
//!
//! Most readings raise nothing, change no ground of what was told, and close nothing. Stepping all of a
//! patient's readings one by one costs the square of their number; here each arriving reading is held
//! against bounds that are wider than every rule. What lies beyond all of them, at a site without an open
//! concern, is not stepped at once: it is taken in together with the next reading that may matter.
//! `tests/study/calm.rs` proves that the messages are the same as without this.

use super::bounds::{Bounds, Fall, Range};
use super::cohort::{Event, PatientInputs, What};
use crate::fhir::Instant;
use crate::patient::State;
use crate::recognise::reading::{Kind, Method, Reading, Side, Site};
use rustc_hash::{FxHashSet, FxHasher};
use std::hash::{Hash, Hasher};

/// One compartment reading with the diastolic that pairing would choose.
struct Point {
    at: i64,
    pressure: Range,
    chosen: Option<Chosen>,
}

#[derive(Clone, Copy)]
struct Chosen {
    at: i64,
    delta: Range,
}

/// The readings of one site.
struct Place {
    site: Site,
    /// `Site::key()`.
    key: String,
    points: Vec<Point>,
    /// When something was last near a rule here.
    loud_at: Option<i64>,
    /// When two readings were last taken in one moment: one measurement that stands twice, or two of them.
    /// The order of the series is not ours to tell while they are in it.
    twins_at: Option<i64>,
    /// A concern of this site is open.
    open: bool,
}

impl Place {
    /// The highest of the pressures against which a diastolic of `now` can be carried: the newest one, and
    /// those just before it, which count on where the newest one contradicts them.
    fn carried_at(&self, now: i64, bounds: &Bounds) -> Option<Range> {
        let newest = self.points.last()?;
        let near = bounds.close_together.map_or(0, |(minutes, _)| minutes);
        let counts = |point: &&Point| newest.at - point.at <= near && now - point.at <= bounds.carry;
        let counting = self.points.iter().rev().take_while(counts);
        counting
            .map(|point| point.pressure)
            .max_by_key(|pressure| pressure.high)
    }

    /// Something was near a rule at `from` or later.
    fn is_loud_since(&self, from: i64) -> bool {
        self.loud_at.is_some_and(|at| at >= from)
    }

    /// False when no rule of kind `trend` surely holds on the reading of this index.
    fn may_fall(&self, index: usize, bounds: &Bounds) -> bool {
        bounds.trends.iter().any(|fall| match self.points.get(index) {
            Some(newest) if self.is_twin_since(newest.at - fall.window) => fall.may_hold_anyhow(newest, &self.points),
            _ => fall.may_hold(self.points.get(..=index).unwrap_or_default()),
        })
    }

    fn is_twin_since(&self, from: i64) -> bool {
        self.twins_at.is_some_and(|at| at >= from)
    }
}

/// Follows one patient.
pub(super) struct Calm<'b> {
    bounds: &'b Bounds,
    places: Vec<Place>,
    /// By time.
    diastolics: Vec<(i64, Range)>,
    means: Vec<(i64, Range)>,
    /// A compartment pressure was measured, usable or not.
    watched: bool,
    /// A diastolic that may be implausible came: it matters once a compartment pressure was measured.
    odd_diastolic: bool,
    /// Something came that the bounds do not describe: from then on everything is stepped.
    given_up: bool,
}

impl<'b> Calm<'b> {
    /// None when the patient has something that the bounds do not describe.
    pub(super) fn of(inputs: &PatientInputs, bounds: Option<&'b Bounds>) -> Option<Self> {
        let bounds = bounds?;
        is_plain(inputs).then_some(Self {
            bounds,
            places: Vec::new(),
            diastolics: Vec::new(),
            means: Vec::new(),
            watched: false,
            odd_diastolic: false,
            given_up: false,
        })
    }

    /// A step changed concerns.
    pub(super) fn changed(&mut self, state: &State) {
        for place in &mut self.places {
            place.open = is_open(state, &place.key);
        }
    }

    /// Take note of what happens at `now`; true when it need not be stepped at once.
    pub(super) fn is_quiet(&mut self, now: Instant, events: &[Event], state: &State) -> bool {
        let quiet = self.note(now.millis(), events, state);
        self.given_up |= self.watched && self.odd_diastolic;
        quiet && !self.given_up
    }

    /// Diastolics first: a compartment reading of the same moment may be paired with them.
    fn note(&mut self, now: i64, events: &[Event], state: &State) -> bool {
        let versions = || {
            events.iter().filter_map(|event| match &event.what {
                What::Version(recognised) => Some(recognised),
                What::Moved { .. } => None,
            })
        };
        let mut quiet = true;
        for recognised in versions() {
            if recognised.refusals.iter().any(|refusal| refusal.meant.is_some()) {
                self.watched = true;
                quiet = false;
            }
            for reading in &recognised.readings {
                match reading.kind {
                    Kind::Diastolic => quiet &= self.diastolic(now, reading),
                    Kind::Mean => quiet &= self.mean(now, reading),
                    Kind::Compartment | Kind::Systolic => {}
                }
            }
        }
        for recognised in versions() {
            for reading in &recognised.readings {
                if reading.kind == Kind::Compartment {
                    quiet &= self.compartment(now, reading, state);
                    self.watched = true;
                }
            }
        }
        quiet
    }

    fn diastolic(&mut self, now: i64, reading: &Reading) -> bool {
        let usable = Range::of(reading.pressure.mmhg)
            .filter(|range| range.low >= self.bounds.diastolic.0 && range.high <= self.bounds.diastolic.1);
        let Some(pressure) = usable else {
            // At the very edge of what is plausible the bounds do not say which side it is on.
            self.odd_diastolic = true;
            return !self.watched;
        };
        self.diastolics.push((now, pressure));
        let mut quiet = true;
        for place in &mut self.places {
            let carried = place.carried_at(now, self.bounds);
            let mut loud = carried.is_some_and(|carried| pressure.minus(carried).low <= self.bounds.delta);
            // Among the diastolics since the newest reading this one may be what closes a concern. What only
            // has to be stepped is not loud itself: else one loud reading would make all after it so.
            let mut matters = place.open && place.points.last().is_some_and(|newest| place.is_loud_since(newest.at));
            let first = place.points.partition_point(|point| now - point.at > self.bounds.after);
            let mut paired_anew = None;
            for (index, point) in place.points.iter_mut().enumerate().skip(first) {
                let delta = pressure.minus(point.pressure);
                loud |= delta.low <= self.bounds.delta;
                match &mut point.chosen {
                    Some(chosen) if chosen.at == now => chosen.delta = chosen.delta.and(delta),
                    // As near: the later one is chosen.
                    Some(chosen) if (chosen.at - point.at).abs() < now - point.at => continue,
                    chosen => *chosen = Some(Chosen { at: now, delta }),
                }
                paired_anew = paired_anew.or(Some(index));
            }
            if let Some(first) = paired_anew {
                // What was told may have stood on the diastolic before, or been answered by it.
                let first_at = place.points.get(first).map(|point| point.at - self.bounds.simultaneous);
                matters |= first_at.is_some_and(|at| place.is_loud_since(at));
                // Paired closely enough, it may close a concern.
                matters |= place.open;
                loud |= (first..place.points.len()).any(|index| place.may_fall(index, self.bounds));
            }
            if loud {
                place.loud_at = Some(now);
            }
            quiet &= !loud && !matters;
        }
        quiet
    }

    fn mean(&mut self, now: i64, reading: &Reading) -> bool {
        let Some(pressure) = Range::of(reading.pressure.mmhg) else {
            self.given_up = true;
            return false;
        };
        self.means.push((now, pressure));
        let mut quiet = true;
        for place in &mut self.places {
            let near = place.points.iter().rev();
            let near = near.take_while(|point| now - point.at <= self.bounds.after);
            let (mut loud, mut matters) = (false, false);
            for point in near {
                loud |= pressure.minus(point.pressure).low <= self.bounds.mean_delta;
                // What was told may have stood on the mean before.
                matters |= place.is_loud_since(point.at);
            }
            if loud {
                place.loud_at = Some(now);
            }
            quiet &= !loud && !matters;
        }
        quiet
    }

    fn compartment(&mut self, now: i64, reading: &Reading, state: &State) -> bool {
        let bounds = self.bounds;
        let site = reading.site.clone().unwrap_or_else(Site::unstated);
        let Some(pressure) = Range::of(reading.pressure.mmhg) else {
            self.given_up = true;
            return false;
        };
        if pressure.low < bounds.lowest_pressure || pressure.high > bounds.highest_pressure {
            self.given_up = true;
            return false;
        }
        let same = |place: &Place| {
            place.site.side == site.side && place.site.code == site.code && place.site.system == site.system
        };
        let index = self.places.iter().position(same).unwrap_or_else(|| {
            let key = site.key();
            self.places.push(Place {
                open: is_open(state, &key),
                site,
                key,
                points: Vec::new(),
                loud_at: None,
                twins_at: None,
            });
            self.places.len() - 1
        });
        let chosen = nearest(&self.diastolics, now, bounds.before).map(|(at, diastolic)| Chosen {
            at,
            delta: diastolic.minus(pressure),
        });
        let means = self.means.iter().rev().take_while(|(at, _)| now - at <= bounds.before);
        let mut mean_lows = means.map(|(_, mean)| mean.minus(pressure).low);
        let mut loud = mean_lows.any(|low| low <= bounds.mean_delta);
        let place = &mut self.places[index];
        let before = place.points.last().map(|point| point.at);
        if place.points.last().is_some_and(|before| before.at == now) {
            place.twins_at = Some(now);
            loud = true;
        }
        if let Some((minutes, more_than)) = bounds.close_together {
            let mut near = place.points.iter().rev().take_while(|point| now - point.at <= minutes);
            let apart = |one: Range, other: Range| (one.high - other.low).max(other.high - one.low);
            loud |= near.any(|point| apart(point.pressure, pressure) > more_than);
        }
        loud |= chosen.is_none_or(|chosen| chosen.delta.low <= bounds.delta);
        loud |= pressure.high >= bounds.pressure || place.site.side == Side::Unstated;
        place.points.push(Point {
            at: now,
            pressure,
            chosen,
        });
        loud |= place.may_fall(place.points.len() - 1, bounds);
        // A diastolic that was carried and told is this reading's when it was taken beside it. And all that was
        // carried against the reading before counts again, of which only the last few did until now.
        let since = [Some(now - bounds.simultaneous), before].into_iter().flatten().min();
        let changes = since.is_some_and(|since| place.is_loud_since(since));
        if loud {
            place.loud_at = Some(now);
        }
        // It may close what is open.
        !loud && !changes && !place.open
    }
}

/// True when a concern of the site with this key is open.
fn is_open(state: &State, key: &str) -> bool {
    let mut concerns = state.concerns.iter();
    concerns.any(|(of, concern)| of.site == key && concern.tier.is_some())
}

/// The newest diastolic not older than `before`; several of one moment as one range.
fn nearest(diastolics: &[(i64, Range)], now: i64, before: i64) -> Option<(i64, Range)> {
    let (at, newest) = *diastolics.last()?;
    if now - at > before {
        return None;
    }
    let same = diastolics.iter().rev().skip(1).take_while(|(other, _)| *other == at);
    Some((at, same.fold(newest, |range, (_, other)| range.and(*other))))
}

impl Fall {
    /// False when the rule surely does not hold on the last of `points`.
    fn may_hold(&self, points: &[Point]) -> bool {
        let Some((newest_at, newest)) = points.last().and_then(|point| Some((point.at, point.chosen?.delta))) else {
            return false;
        };
        let (left, left_high) = (newest.low - self.upper, newest.high - self.upper);
        if left_high <= 0 {
            return false;
        }
        if left <= 0 {
            return true;
        }
        let paired = points
            .iter()
            .rev()
            .filter_map(|point| Some((point.at, point.chosen?.delta)));
        let last = || {
            paired
                .clone()
                .take(self.last_readings)
                .take_while(|(at, _)| newest_at - at <= self.window)
        };
        let count = last().count();
        let span = last().last().map_or(0, |(at, _)| newest_at - at);
        if count < self.readings || span < self.minutes {
            return false;
        }
        let (mut steep, mut slopes) = (0, 0);
        for (position, (newer_at, newer)) in last().enumerate() {
            for (older_at, older) in last().skip(position + 1) {
                let apart = newer_at - older_at;
                if apart <= 0 {
                    continue;
                }
                let fall = older.high.saturating_sub(newer.low);
                slopes += 1;
                steep += u32::from(fall.saturating_mul(self.horizon) >= left.saturating_mul(apart));
            }
        }
        steep > 0 && 2 * steep >= slopes
    }
}

impl Fall {
    /// As [`Self::may_hold`] on `newest`, whichever of the readings of its window count, in whatever order.
    fn may_hold_anyhow(&self, newest: &Point, points: &[Point]) -> bool {
        let Some(chosen) = newest.chosen else { return false };
        let (left, left_high) = (chosen.delta.low - self.upper, chosen.delta.high - self.upper);
        if left_high <= 0 {
            return false;
        }
        let in_window = |point: &Point| (newest.at - self.window..=newest.at).contains(&point.at);
        let paired = points.iter().filter(|point| in_window(point));
        let paired = || paired.clone().filter_map(|point| Some((point.at, point.chosen?.delta)));
        let is_steep = |(older_at, older): (i64, Range)| {
            paired().any(|(newer_at, newer)| {
                let (apart, fall) = (newer_at - older_at, older.high.saturating_sub(newer.low));
                apart > 0 && fall.saturating_mul(self.horizon) >= left.saturating_mul(apart)
            })
        };
        left <= 0 || paired().any(is_steep)
    }
}

/// True when every input is one that the bounds describe: readings without a bound on their value,
/// each at its resource's moment, no two of one identifier, of one method, and nothing else recorded.
fn is_plain(inputs: &PatientInputs) -> bool {
    let mut identifiers: FxHashSet<u64> = FxHashSet::default();
    let (mut cuff, mut line) = (false, false);
    for Event { at, what } in &inputs.events {
        let What::Version(one) = what else { return false };
        let timeless =
            |refusal: &crate::recognise::Refusal| refusal.meant.as_deref().is_some_and(|meant| meant.at.is_none());
        if one.withdrawn.is_some()
            || !one.contexts.is_empty()
            || !one.members.is_empty()
            || one.refusals.iter().any(timeless)
        {
            return false;
        }
        let mut own: Option<&[String]> = None;
        for reading in &one.readings {
            if reading.at != *at || reading.pressure.comparator.is_some() {
                return false;
            }
            if reading.kind == Kind::Diastolic {
                cuff |= reading.method == Method::Cuff;
                line |= reading.method == Method::ArterialLine;
            }
            // The parts of one resource share its identifiers and are never joined.
            if own.is_some_and(|own| own == reading.identifiers) {
                continue;
            }
            own = Some(&reading.identifiers);
            for identifier in &reading.identifiers {
                let mut hasher = FxHasher::default();
                identifier.hash(&mut hasher);
                if !identifiers.insert(hasher.finish()) {
                    return false;
                }
            }
        }
    }
    !(cuff && line)
}
