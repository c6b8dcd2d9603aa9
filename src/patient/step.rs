//! The one function that live, replay and simulation share: inputs in, effects out.

use crate::fhir::Instant;
use crate::patient::assess::{AskPolicy, Assessment, assess_to_act};
use crate::patient::effect::{Effect, Input, Question, Step};
use crate::patient::history;
use crate::patient::publish::{self, Publishing, publish};
use crate::patient::state::{Concern, ConcernKey, Receipt, Slot, Standing, State};
use crate::patient::tell::{Telling, tell};
use crate::recognise::{Reason, Recognised, Refusal, Side, Version, Withdrawal};
use crate::rules::Sheet;
use std::collections::BTreeMap;

/// Apply `inputs`, then bring what stands into line with what ought to stand at `now`.
pub fn step(state: &mut State, inputs: Vec<Input>, sheet: &Sheet, policy: AskPolicy, now: Instant) -> Step {
    let mut step = taken_in(state, inputs, now, Listed::Changes);
    let plan = plan(state, sheet, policy, now, Asked::ALL);
    carry_out(state, plan, &mut step);
    step
}

/// As [`step`], and no derived Observation is drafted, and the changed slots are not listed: a replay asks
/// what would have been told. The messages are the same, for what is told does not depend on what is
/// published.
pub fn step_unpublished(state: &mut State, inputs: Vec<Input>, sheet: &Sheet, policy: AskPolicy, now: Instant) -> Step {
    let mut step = taken_in(state, inputs, now, Listed::Nothing);
    let asked = Asked {
        publishing: false,
        telling: true,
    };
    let plan = plan(state, sheet, policy, now, asked);
    carry_out(state, plan, &mut step);
    step
}

/// Only take `inputs` in, to be judged by a later step.
pub fn take_in(state: &mut State, inputs: Vec<Input>, now: Instant) {
    taken_in(state, inputs, now, Listed::Nothing);
}

/// As [`step`], while more of a patient's past is on its way: everything is computed and written,
/// but nothing is told until the next `step`, at the latest `UNTOLD_SECONDS` from now. Otherwise
/// the days before a first poll would alarm one after the other as if they were now.
pub fn step_untold(state: &mut State, inputs: Vec<Input>, sheet: &Sheet, policy: AskPolicy, now: Instant) -> Step {
    step_held(state, inputs, sheet, policy, now, now.plus_seconds(UNTOLD_SECONDS))
}

/// As [`step_untold`], and nothing is told until the next `step`, at the latest at `latest`.
pub fn step_held(
    state: &mut State,
    inputs: Vec<Input>,
    sheet: &Sheet,
    policy: AskPolicy,
    now: Instant,
    latest: Instant,
) -> Step {
    let mut step = taken_in(state, inputs, now, Listed::Changes);
    let asked = Asked {
        publishing: true,
        telling: false,
    };
    let mut plan = plan(state, sheet, policy, now, asked);
    plan.next_due = Some(plan.next_due.map_or(latest, |due| due.min(latest)));
    carry_out(state, plan, &mut step);
    step
}

/// How long telling may be put off while a patient's past is read.
pub const UNTOLD_SECONDS: i64 = 60;

/// Whether a step lists which slots and refusals changed.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Listed {
    /// To be stored and shown.
    Changes,
    /// Nobody asks.
    Nothing,
}

fn taken_in(state: &mut State, inputs: Vec<Input>, now: Instant, listed: Listed) -> Step {
    let mut step = Step::default();
    for input in inputs {
        apply(state, input, now, listed, &mut step);
    }
    history::forget_oldest(state, &mut step);
    step
}

/// Everything that assessment and reconciliation decided, freed from the borrow of the state.
struct Plan {
    publishing: Publishing,
    telling: Telling,
    judged: Vec<(String, Vec<Refusal>)>,
    questions: Vec<Question>,
    next_due: Option<Instant>,
}

/// What a step is to find out.
#[derive(Clone, Copy)]
struct Asked {
    publishing: bool,
    telling: bool,
}

impl Asked {
    const ALL: Self = Self {
        publishing: true,
        telling: true,
    };
}

fn plan(state: &State, sheet: &Sheet, policy: AskPolicy, now: Instant, asked: Asked) -> Plan {
    let assessment = assess_to_act(state, sheet, policy, now);
    let publishing = match asked.publishing {
        true => publish(state, &assessment, sheet, now),
        false => Publishing::default(),
    };
    let telling = match asked.telling {
        true => tell(state, &assessment, sheet, now),
        false => Telling::default(),
    };
    let questions = questions(state, &assessment, sheet);
    let next_due = assessment.next_due;
    let judged = newly_judged(state, &assessment);
    Plan {
        publishing,
        telling,
        judged,
        questions,
        next_due,
    }
}

/// Slots whose refusals by judgement of the whole set have changed, with the new ones.
fn newly_judged(state: &State, assessment: &Assessment<'_>) -> Vec<(String, Vec<Refusal>)> {
    if assessment.judged.is_empty() && !assessment.judged_before {
        return Vec::new();
    }
    let now = |slot: &Slot| {
        assessment
            .judged
            .get(slot.source.as_str())
            .map_or(&[][..], Vec::as_slice)
    };
    let changed = state.slots.values().filter(|slot| now(slot) != slot.judged);
    changed.map(|slot| (slot.source.clone(), now(slot).to_vec())).collect()
}

/// One question for each source: its answer is one, too.
fn questions(state: &State, assessment: &Assessment<'_>, sheet: &Sheet) -> Vec<Question> {
    let mut by_source: BTreeMap<&str, Question> = BTreeMap::new();
    for index in &assessment.asks {
        let member = assessment.measurements[*index].gathered.current;
        let from = member.reading.at.plus_minutes(-sheet.pairing.before_minutes);
        let to = member.reading.at.plus_minutes(sheet.pairing.after_minutes);
        by_source
            .entry(&member.slot.source)
            .and_modify(|question| {
                question.from = question.from.min(from);
                question.to = question.to.max(to);
            })
            .or_insert_with(|| Question {
                patient: state.patient.clone(),
                source: member.slot.source.clone(),
                from,
                to,
            });
    }
    by_source.into_values().collect()
}

fn carry_out(state: &mut State, plan: Plan, step: &mut Step) {
    let Plan {
        publishing,
        telling,
        judged,
        questions,
        next_due,
    } = plan;
    step.effects.extend(publishing.effects.iter().cloned());
    step.effects.extend(telling.effects);
    step.effects.extend(questions.into_iter().map(Effect::Ask));
    step.history.extend(telling.history);
    for (source, receipts) in publishing.receipts {
        if let Some(slot) = state.slots.get_mut(&source) {
            for receipt in receipts {
                put_receipt(slot, receipt);
            }
            step.slots.insert(source);
        }
    }
    for effect in publishing.effects {
        record(state, effect, step);
    }
    for (key, concern) in telling.concerns {
        put_concern(&mut state.concerns, key, concern, step);
    }
    for (source, refusals) in judged {
        if let Some(slot) = state.slots.get_mut(&source) {
            slot.judged = refusals;
            step.slots.insert(source.clone());
            step.refusals.push((source, all_refusals(slot)));
        }
    }
    if state.next_due != next_due {
        state.next_due = next_due;
        step.person = true;
    }
}

fn put_receipt(slot: &mut Slot, receipt: Receipt) {
    let same = |held: &Receipt| held.part == receipt.part && held.carried == receipt.carried;
    match slot.published.iter_mut().find(|held| same(held)) {
        Some(held) => *held = receipt,
        None => slot.published.push(receipt),
    }
}

/// Remember what was published or retracted.
fn record(state: &mut State, effect: Effect, step: &mut Step) {
    match effect {
        Effect::Publish(draft) => {
            step.standing.insert(draft.identity);
            state.standing.insert(
                draft.identity,
                Box::new(Standing {
                    draft,
                    retracted: false,
                }),
            );
        }
        Effect::Retract(draft) => {
            let identity = draft.last.identity;
            step.standing.insert(identity);
            if let Some(standing) = state.standing.get_mut(&identity) {
                standing.retracted = true;
            }
            for slot in state.slots.values_mut() {
                let before = slot.published.len();
                slot.published.retain(|receipt| receipt.identity != identity);
                if slot.published.len() != before {
                    step.slots.insert(slot.source.clone());
                }
            }
        }
        Effect::Notify(_) | Effect::Ask(_) => {}
    }
}

fn put_concern(concerns: &mut BTreeMap<ConcernKey, Box<Concern>>, key: ConcernKey, concern: Concern, step: &mut Step) {
    step.concerns.insert(key.clone());
    concerns.insert(key, Box::new(concern));
}

/// Every refusal of a slot: what recognition refused and what judgement put aside.
fn all_refusals(slot: &Slot) -> Vec<Refusal> {
    let taken_back = slot.withdrawn.map(|how| Refusal {
        part: String::new(),
        reason: Reason::TakenBack,
        detail: format!("{how:?}"),
        meant: None,
    });
    let others = slot.refusals.iter().chain(&slot.judged).cloned();
    others.chain(taken_back).collect()
}

/// One input into the state.
fn apply(state: &mut State, input: Input, now: Instant, listed: Listed, step: &mut Step) {
    match input {
        Input::Recognised(recognised) => replace(state, recognised, now, listed, step),
        // Kept even when nothing was held yet: an older version may still arrive late.
        Input::Moved { source, version } => {
            let gone = withdrawn(source, version, Withdrawal::MovedToAnotherPatient);
            replace(state, gone, now, listed, step);
        }
        Input::Person { birth_date, label } => {
            if state.birth_date != birth_date || state.label != label {
                state.birth_date = birth_date;
                state.label = label;
                step.person = true;
            }
        }
        Input::DiastolicsAsked { source } => {
            if let Some(slot) = state.slots.get_mut(&source)
                && !slot.diastolics_asked
            {
                slot.diastolics_asked = true;
                step.slots.insert(source);
            }
        }
    }
}

/// A recognised version that takes everything back.
pub fn withdrawn(source: String, version: Version, how: Withdrawal) -> Recognised {
    Recognised {
        source,
        version,
        patient: None,
        withdrawn: Some(how),
        readings: Vec::new(),
        refusals: Vec::new(),
        members: Vec::new(),
        members_side: Side::Unstated,
        contexts: Vec::new(),
    }
}

/// A newer version takes the slot; an older one, or the same again, changes nothing, so that the
/// order of arrival does not matter. The same version recognised anew (a changed mapping) counts.
fn replace(state: &mut State, recognised: Recognised, now: Instant, listed: Listed, step: &mut Step) {
    let Recognised {
        source,
        version,
        withdrawn,
        readings,
        refusals,
        members,
        members_side,
        contexts,
        ..
    } = recognised;
    let before = state.slots.get(&source);
    if mutated!(ErrorIgnored) && withdrawn == Some(Withdrawal::EnteredInError) {
        return;
    }
    if let Some(before) = before {
        let unchanged = before.version == version
            && before.withdrawn == withdrawn
            && before.readings == readings
            && before.refusals == refusals
            && before.members == members
            && before.members_side == members_side
            && before.contexts == contexts;
        if before.version > version || unchanged {
            return;
        }
    }
    let slot = Slot {
        seal: publish::seal(&source, &version, &readings),
        source: source.clone(),
        version,
        received: before.map_or(now, |before| before.received),
        withdrawn,
        readings,
        refusals,
        members,
        members_side,
        contexts,
        diastolics_asked: before.is_some_and(|before| before.diastolics_asked),
        published: before.map(|before| before.published.clone()).unwrap_or_default(),
        judged: before.map(|before| before.judged.clone()).unwrap_or_default(),
    };
    if listed == Listed::Changes {
        step.refusals.push((source.clone(), all_refusals(&slot)));
        step.slots.insert(source.clone());
    }
    state.slots.insert(source, Box::new(slot));
}
