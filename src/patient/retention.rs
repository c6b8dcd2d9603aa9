//! How long the readings of a patient without a compartment pressure are kept: as long as pairing
//! can still need them. Most blood pressures of a hospital are of such patients.
//!
//! What a compartment pressure of the moment `t` needs lies at most `before_minutes` before it, and
//! under anaesthesia as far back as the last diastolic before that. It may also come late. So a
//! reading is kept for a stated time after it was taken and after it was received, whichever is
//! later, and longer while a recorded anaesthesia can reach back to it. A compartment pressure that
//! comes later than that finds no diastolic here: the source is asked for it, and where nobody can be
//! asked, "no usable diastolic" is raised. It never goes unheard.

use crate::fhir::Instant;
use crate::patient::history::moment;
use crate::patient::state::{Slot, State};
use crate::recognise::{Context, ContextKind, Kind, Reason};
use crate::rules::Sheet;

/// How long such readings are kept unless the site says otherwise, hours: a day in which the last
/// diastolic before an anaesthesia is looked for, and a day for what comes late (ours).
pub const UNWATCHED_HOURS: i64 = 48;

/// A patient is looked at for this at most so often, minutes.
const LOOK_MINUTES: i64 = 60;

/// Forget what nothing can need any more of a patient in whom no compartment pressure was measured
/// or meant, of whom nothing stands and no concern was ever raised. Answers the forgotten sources.
pub fn forget_unneeded(state: &mut State, sheet: &Sheet, unwatched_hours: i64, now: Instant) -> Vec<String> {
    if is_watched(state) {
        return Vec::new();
    }
    let limits = Limits::new(state, sheet, unwatched_hours, now);
    let unneeded: Vec<String> = state
        .slots
        .values()
        .filter(|slot| is_blood_pressure(slot) && limits.is_past(slot, sheet))
        .map(|slot| slot.source.clone())
        .collect();
    for source in &unneeded {
        state.slots.remove(source);
    }
    unneeded
}

/// When something of this patient may next be forgotten; None when nothing is to be forgotten.
pub fn forget_at(state: &State, sheet: &Sheet, unwatched_hours: i64, now: Instant) -> Option<Instant> {
    if is_watched(state) {
        return None;
    }
    let kept = kept_minutes(sheet, unwatched_hours);
    let slots = state.slots.values().map(AsRef::as_ref);
    let pressures = slots.filter(|slot| is_blood_pressure(slot));
    let first = pressures.map(age_from).min()?;
    Some(first.plus_minutes(kept).max(now.plus_minutes(LOOK_MINUTES)))
}

/// True when a compartment pressure was measured or meant, or anything followed from one.
fn is_watched(state: &State) -> bool {
    let compartment = |slot: &Slot| {
        slot.readings.iter().any(|reading| reading.kind == Kind::Compartment)
            || slot.refusals.iter().any(|refusal| refusal.meant.is_some())
            || !slot.published.is_empty()
    };
    !state.concerns.is_empty() || !state.standing.is_empty() || state.slots.values().map(AsRef::as_ref).any(compartment)
}

/// Nothing but blood pressures, contexts or what was taken back: whatever else was refused might be
/// a compartment pressure under another mapping, and is kept.
fn is_blood_pressure(slot: &Slot) -> bool {
    let read = !slot.readings.is_empty() || !slot.contexts.is_empty();
    let known = |reason: Reason| reason == Reason::PanelOnly || (read && reason == Reason::CodeNotMapped);
    let something = read || slot.withdrawn.is_some() || !slot.members.is_empty();
    something && slot.refusals.iter().all(|refusal| known(refusal.reason))
}

/// From when a slot's age counts: what was sent long after it was measured is kept as long again.
fn age_from(slot: &Slot) -> Instant {
    moment(slot).max(slot.received)
}

/// Never shorter than the sheet pairs.
fn kept_minutes(sheet: &Sheet, unwatched_hours: i64) -> i64 {
    let pairing = &sheet.pairing;
    let pairs = pairing
        .before_minutes
        .max(pairing.carry_minutes)
        .saturating_add(pairing.after_minutes);
    unwatched_hours.saturating_mul(60).max(pairs)
}

/// Before which moments nothing is needed.
struct Limits {
    /// By age alone.
    age: Instant,
    /// Where the earliest anaesthesia begins that still counts; `age` without one.
    since: Instant,
    /// From where the last diastolic before it is looked for.
    diastolics: Instant,
}

impl Limits {
    fn new(state: &State, sheet: &Sheet, unwatched_hours: i64, now: Instant) -> Self {
        let age = now.plus_minutes(-kept_minutes(sheet, unwatched_hours));
        let mut since = age;
        // Several that overlap are one: each may reach back to an earlier one.
        loop {
            let contexts = state.slots.values().flat_map(|slot| &slot.contexts);
            let anaesthesias = contexts.filter(|context| context.kind == ContextKind::Anaesthesia);
            let reached = anaesthesias.filter(|context| end(context, sheet).is_none_or(|end| end >= since));
            match reached.map(|context| context.start).min() {
                Some(earlier) if earlier < since => since = earlier,
                _ => break,
            }
        }
        let diastolics = match since < age {
            true => since.plus_minutes(-sheet.anaesthesia.before_minutes),
            false => age,
        };
        Self { age, since, diastolics }
    }

    fn is_past(&self, slot: &Slot, sheet: &Sheet) -> bool {
        let counts = |context: &Context| end(context, sheet).is_none_or(|end| end >= self.since);
        age_from(slot) < self.age && moment(slot) < self.diastolics && !slot.contexts.iter().any(counts)
    }
}

/// Until when a context counts; None: for good.
fn end(context: &Context, sheet: &Sheet) -> Option<Instant> {
    match (context.end, context.kind) {
        (Some(end), _) => Some(end),
        (None, ContextKind::Anaesthesia) => Some(context.start.plus_minutes(sheet.anaesthesia.open_end_minutes)),
        (None, ContextKind::AfterIschaemia) => None,
    }
}
