//! One patient on the clock of the replay: the same `step` as in the live service, at the moments at
//! which it would have run there. Pure.

use super::bounds::Bounds;
use super::calm::Calm;
use super::cohort::{Event, PatientInputs, What};
use crate::fhir::Instant;
use crate::outbox::draft::{Family, MessageDraft, Occasion};
use crate::patient::state::State;
use crate::patient::{AskPolicy, Effect, Input, step};
use crate::recognise::reading::PatientKey;
use crate::recognise::{Person, Site};
use crate::rules::{RuleKind, Sheet, Sheets, Tier};

/// Nobody can be asked: what is in the files decides.
pub const NO_ASK: AskPolicy = AskPolicy {
    ask: false,
    timeout_seconds: 0,
};

/// Timers of one patient that run without anything arriving; far more than any sheet asks for.
const TIMERS_IN_A_ROW: usize = 10_000;

/// Which steps are run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pace {
    /// Every one, as the live service does.
    Each,
    /// Those by which something may be told; the messages are the same.
    WhenItMatters,
}

/// One message as it would have been sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Told {
    /// When.
    pub at: Instant,
    /// Where; None for the patient's blood pressure as a whole.
    pub site: Option<Site>,
    /// Family of rules.
    pub family: Family,
    /// Why.
    pub occasion: Occasion,
    /// Tier now; None when nothing holds any more.
    pub tier: Option<Tier>,
    /// Tier told before.
    pub tier_before: Option<Tier>,
    /// Ids of the rules that hold.
    pub rules: Vec<String>,
    /// Their sentences, filled in; for a withdrawal what fell away is counted in `lost`.
    pub sentence: String,
    /// Grounds that fell away.
    pub lost: usize,
    /// Delta spoken of, whole mmHg.
    pub delta_whole_mmhg: Option<i64>,
    /// True when that delta is of a newer diastolic against an earlier compartment reading.
    pub carried: bool,
    /// When the compartment reading spoken of was measured.
    pub measured_at: Option<Instant>,
}

impl Told {
    fn of(draft: MessageDraft) -> Self {
        let sentences: Vec<&str> = draft.grounds.iter().map(|ground| ground.sentence.as_str()).collect();
        Self {
            at: draft.at,
            family: draft.family,
            occasion: draft.occasion,
            tier: draft.tier,
            tier_before: draft.tier_before,
            sentence: sentences.join(" "),
            rules: draft.grounds.iter().map(|ground| ground.rule.clone()).collect(),
            lost: draft.lost.len(),
            delta_whole_mmhg: draft.delta.as_ref().map(|delta| delta.delta_whole_mmhg),
            carried: draft.delta.as_ref().is_some_and(|delta| delta.carried),
            measured_at: draft.compartment.map(|measured| measured.at),
            site: draft.site,
        }
    }

    /// True for a message that a tier of the limb rose to `act` or `critical`: what this report calls
    /// an alert.
    pub fn is_alert(&self) -> bool {
        self.family == Family::Pressure && self.occasion == Occasion::Raised && self.tier >= Some(Tier::Act)
    }
}

/// What became of one patient.
#[derive(Debug)]
pub struct Replayed {
    /// As the replay left it: every version, every concern.
    pub state: State,
    /// Messages, in order.
    pub told: Vec<Told>,
    /// The moment of the last step or reading.
    pub end: Instant,
    /// Steps that were run.
    pub steps: usize,
}

/// The two sheets with what their rules cannot reach.
pub struct Judges {
    sheets: Sheets,
    adult: Option<Bounds>,
    child: Option<Bounds>,
    /// How long after the last reading a timer can fall due, minutes.
    horizon_minutes: i64,
    /// The moment of a view of the past: no timer of later is known then.
    until: Option<Instant>,
}

impl Judges {
    /// Of the sheets in force.
    pub fn new(sheets: Sheets) -> Self {
        let overdue = |sheet: &Sheet| {
            let minutes = sheet.rules.iter().filter_map(|rule| match rule.kind {
                RuleKind::Overdue { minutes, .. } => Some(minutes),
                _ => None,
            });
            minutes.max().unwrap_or(0) + sheet.pairing.clock_skew_minutes
        };
        let horizon_minutes = sheets.both().map(overdue).into_iter().max().unwrap_or(0);
        Self {
            adult: Bounds::of(sheets.adult()),
            child: Bounds::of(sheets.child()),
            horizon_minutes,
            until: None,
            sheets,
        }
    }

    /// The same, in a view of the past.
    #[must_use]
    pub fn until(self, until: Option<Instant>) -> Self {
        Self { until, ..self }
    }

    /// The moment of the view of the past, if it is one.
    pub fn view(&self) -> Option<Instant> {
        self.until
    }

    /// The sheets.
    pub fn sheets(&self) -> &Sheets {
        &self.sheets
    }

    /// The sheet of a patient from `from` to `to`, with its bounds; None when it is not the same all the time.
    fn one_sheet(&self, person: &Person, from: Instant, to: Instant) -> Option<(&Sheet, Option<&Bounds>)> {
        let at = |now: Instant| self.sheets.for_patient(person.birth_date.as_deref(), now);
        let (first, last) = (at(from), at(to));
        std::ptr::eq(first, last).then(|| match std::ptr::eq(first, self.sheets.adult()) {
            true => (first, self.adult.as_ref()),
            false => (first, self.child.as_ref()),
        })
    }
}

/// Step one patient through all inputs and timers.
///
/// A timer that falls due at the very moment of a reading is answered by that reading. After the last
/// reading timers run until none is due within the longest wait of the sheet.
pub fn replay_patient(inputs: PatientInputs, judges: &Judges, pace: Pace) -> Replayed {
    let start = inputs.events.first().map_or(Instant::from_millis(0), |event| event.at);
    let last = inputs.events.last().map_or(start, |event| event.at);
    let horizon = last.plus_minutes(judges.horizon_minutes);
    let one_sheet = judges.one_sheet(&inputs.person, start, horizon);
    let calm = match (pace, one_sheet) {
        (Pace::WhenItMatters, Some((_, bounds))) => Calm::of(&inputs, bounds),
        _ => None,
    };
    let PatientInputs {
        patient,
        person,
        events,
    } = inputs;
    let mut run = Run {
        state: new_state(patient, person),
        judges,
        sheet: one_sheet.map(|(sheet, _)| sheet),
        calm,
        pending: Vec::new(),
        told: Vec::new(),
        end: start,
        steps: 0,
    };
    let mut events = events.into_iter().peekable();
    let mut group = Vec::new();
    while let Some(first) = events.next() {
        let now = first.at;
        group.push(first);
        while let Some(next) = events.next_if(|next| next.at == now) {
            group.push(next);
        }
        run.timers(|due| due < now);
        run.arrive(now, &mut group);
    }
    run.flush(last);
    run.timers(|due| due <= horizon && judges.until.is_none_or(|until| due <= until));
    Replayed {
        state: run.state,
        told: run.told,
        end: run.end,
        steps: run.steps,
    }
}

fn new_state(patient: PatientKey, person: Person) -> State {
    State {
        birth_date: person.birth_date,
        label: person.label,
        ..State::new(patient)
    }
}

struct Run<'j> {
    state: State,
    judges: &'j Judges,
    /// The sheet, when it is the same all the time.
    sheet: Option<&'j Sheet>,
    calm: Option<Calm<'j>>,
    /// Taken in by the next step.
    pending: Vec<Input>,
    told: Vec<Told>,
    end: Instant,
    steps: usize,
}

impl Run<'_> {
    fn arrive(&mut self, now: Instant, group: &mut Vec<Event>) {
        let quiet = self
            .calm
            .as_mut()
            .is_some_and(|calm| calm.is_quiet(now, group, &self.state));
        self.pending.extend(group.drain(..).map(|event| match event.what {
            What::Version(recognised) => Input::Recognised(*recognised),
            What::Moved { source, version } => Input::Moved { source, version },
        }));
        self.end = now;
        if !quiet {
            self.step(now);
        }
    }

    /// Timers that fall due, each at its own moment.
    fn timers(&mut self, counts: impl Fn(Instant) -> bool) {
        for _ in 0..TIMERS_IN_A_ROW {
            let Some(due) = self.state.next_due.filter(|due| counts(*due)) else {
                return;
            };
            self.step(due);
            self.end = self.end.max(due);
            if self.state.next_due == Some(due) {
                return;
            }
        }
    }

    fn step(&mut self, now: Instant) {
        let birth_date = self.state.birth_date.as_deref();
        let sheet = self
            .sheet
            .unwrap_or_else(|| self.judges.sheets.for_patient(birth_date, now));
        let inputs = std::mem::take(&mut self.pending);
        let step = step::step_unpublished(&mut self.state, inputs, sheet, NO_ASK, now);
        self.steps += 1;
        if let Some(calm) = &mut self.calm
            && !step.concerns.is_empty()
        {
            calm.changed(&self.state);
        }
        let told = step.effects.into_iter().filter_map(|effect| match effect {
            Effect::Notify(draft) => Some(Told::of(draft)),
            Effect::Publish(_) | Effect::Retract(_) | Effect::Ask(_) => None,
        });
        self.told.extend(told);
    }

    /// What was left out is taken in, for what is found at the end.
    fn flush(&mut self, now: Instant) {
        let inputs = std::mem::take(&mut self.pending);
        if !inputs.is_empty() {
            step::take_in(&mut self.state, inputs, now);
        }
    }
}
