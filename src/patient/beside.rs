//! Second differences beside a delta: against the last diastolic before anaesthesia, against the
//! mean arterial pressure, and against the diastolic of the other method. They raise nothing by
//! themselves; a rule may look at them.

use crate::fhir::Instant;
use crate::fhir::instant::MINUTE_MILLIS;
use crate::outbox::draft::BesideKind;
use crate::pair::{self, Candidates};
use crate::patient::assess::{Assessment, Carried, Delta, Measurement, Paired, difference};
use crate::patient::gather::Gathered;
use crate::recognise::{Context, ContextKind, Method};
use crate::rules::{RuleKind, Sheet};

/// One second difference of a measurement.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BesideNow {
    /// Which.
    pub kind: BesideKind,
    /// Index into `Assessment::diastolics`; for a mean into `Assessment::means`.
    pub index: usize,
    /// The difference.
    pub delta: Delta,
}

/// The other pressure that a second difference is taken from.
pub fn pressure<'a, 's>(assessment: &'a Assessment<'s>, beside: &BesideNow) -> &'a Gathered<'s> {
    match beside.kind {
        BesideKind::Mean => &assessment.means[beside.index],
        BesideKind::BeforeAnaesthesia | BesideKind::OtherMethod => &assessment.diastolics[beside.index],
    }
}

/// What is the same for every measurement of one assessment.
pub(super) struct Besides<'r> {
    sheet: &'r Sheet,
    /// minutes, more than (mmHg): of the sheet's rule on methods, when both methods are used.
    methods: Option<(i64, i64)>,
}

impl<'r> Besides<'r> {
    pub(super) fn new(diastolics: &[Gathered<'_>], sheet: &'r Sheet) -> Self {
        let used = |method: Method| diastolics.iter().any(|one| one.current.reading.method == method);
        let rule = || {
            sheet.rules.iter().find_map(|rule| match rule.kind {
                RuleKind::MethodsDisagree { minutes, more_than } => Some((minutes, more_than)),
                _ => None,
            })
        };
        let methods = match used(Method::ArterialLine) && used(Method::Cuff) {
            true => rule(),
            false => None,
        };
        Self { sheet, methods }
    }

    /// The diastolic that counts and the one that does not, when arterial line and cuff differ
    /// beside `chosen`: the lower counts, for it is nearer to the alert.
    pub(super) fn disagreeing(
        &self,
        chosen: usize,
        compartment: Instant,
        diastolics: &[Gathered<'_>],
    ) -> Option<(usize, usize)> {
        let (minutes, more_than) = self.methods?;
        let one = &diastolics[chosen];
        let pairing = &self.sheet.pairing;
        let from = one
            .at
            .plus_minutes(-minutes)
            .max(compartment.plus_minutes(-pairing.before_minutes));
        let to = one
            .at
            .plus_minutes(minutes)
            .min(compartment.plus_minutes(pairing.after_minutes));
        let first = diastolics.partition_point(|other| other.at < from);
        let near = || {
            let later = diastolics.iter().enumerate().skip(first);
            later
                .take_while(|(_, other)| other.at <= to)
                .filter(|(_, other)| other_method(other).is_some())
        };
        // Whichever of them is nearest in time, the lowest counts: of several cuffs one low one is enough.
        let identity = |gathered: &Gathered<'_>| gathered.owner.identity().0.to_owned();
        let (lowest_index, lowest) = near().min_by(|(_, left), (_, right)| {
            value(left)
                .cmp(&value(right))
                .then_with(|| identity(left).cmp(&identity(right)))
        })?;
        let against = near().filter(|(_, other)| Some(other.current.reading.method) == other_method(lowest));
        let (highest_index, highest) = against.max_by(|(_, left), (_, right)| {
            value(left)
                .cmp(&value(right))
                .then_with(|| identity(left).cmp(&identity(right)))
        })?;
        let apart = highest.whole_diastolic().saturating_sub(lowest.whole_diastolic());
        (apart > more_than).then_some((lowest_index, highest_index))
    }
}

/// Cuff against arterial line; None for any other method.
fn other_method(gathered: &Gathered<'_>) -> Option<Method> {
    match gathered.current.reading.method {
        Method::Cuff => Some(Method::ArterialLine),
        Method::ArterialLine => Some(Method::Cuff),
        _ => None,
    }
}

fn value(gathered: &Gathered<'_>) -> crate::fhir::Decimal {
    gathered.current.reading.pressure.mmhg
}

/// The moment at which anaesthesia may have lowered the diastolic of a delta: when that diastolic was
/// measured; without one, when the compartment was.
pub fn moment(assessment: &Assessment<'_>, measurement: &Measurement<'_>, carried: Option<&Carried>) -> Instant {
    match (carried, measurement.paired) {
        (Some(carried), _) => assessment.diastolics[carried.diastolic].at,
        (None, Paired::With(index, _)) => assessment.diastolics[index].at,
        (None, _) => measurement.at(),
    }
}

/// The difference against the last diastolic before anaesthesia, on every delta under it.
pub(super) fn add_before_anaesthesia(assessment: &mut Assessment<'_>, sheet: &Sheet) {
    if assessment.contexts.is_empty() {
        return;
    }
    for position in 0..assessment.measurements.len() {
        let at = moment(assessment, &assessment.measurements[position], None);
        let added = before_anaesthesia(assessment, at, sheet)
            .and_then(|index| against(assessment, index, &assessment.measurements[position].gathered));
        assessment.measurements[position].beside.extend(added);
    }
}

/// The second differences of a carried delta: its diastolic may be one under anaesthesia.
pub fn of_carried(
    assessment: &Assessment<'_>,
    measurement: &Measurement<'_>,
    carried: &Carried,
    sheet: &Sheet,
) -> Option<BesideNow> {
    let at = moment(assessment, measurement, Some(carried));
    let index = before_anaesthesia(assessment, at, sheet)?;
    against(assessment, index, &measurement.gathered)
}

fn against(assessment: &Assessment<'_>, index: usize, compartment: &Gathered<'_>) -> Option<BesideNow> {
    difference(&assessment.diastolics[index], compartment).map(|delta| BesideNow {
        kind: BesideKind::BeforeAnaesthesia,
        index,
        delta,
    })
}

/// The last diastolic before the anaesthesia under which `at` lies.
pub fn before_anaesthesia(assessment: &Assessment<'_>, at: Instant, sheet: &Sheet) -> Option<usize> {
    let start = anaesthesia_since(&assessment.contexts, at, sheet)?;
    let end = assessment.diastolics.partition_point(|diastolic| diastolic.at < start);
    let index = end.checked_sub(1)?;
    let earliest = start.plus_minutes(-sheet.anaesthesia.before_minutes);
    (assessment.diastolics[index].at >= earliest).then_some(index)
}

/// When the anaesthesia began that is recorded at `at`. Several that overlap are one: a change
/// from sedation to general anaesthesia has no awake diastolic between.
pub fn anaesthesia_since(contexts: &[Context], at: Instant, sheet: &Sheet) -> Option<Instant> {
    let anaesthesias = contexts
        .iter()
        .filter(|context| context.kind == ContextKind::Anaesthesia);
    let end = |context: &Context| {
        let open = context.start.plus_minutes(sheet.anaesthesia.open_end_minutes);
        context.end.unwrap_or(open)
    };
    let mut since: Option<(Instant, Instant)> = None;
    for context in anaesthesias.filter(|context| context.start <= at) {
        since = Some(match since {
            Some((start, until)) if context.start <= until => (start, until.max(end(context))),
            _ => (context.start, end(context)),
        });
    }
    since.filter(|(_, until)| at <= *until).map(|(start, _)| start)
}

/// True when `kind` is recorded at `at`.
pub fn is_recorded(contexts: &[Context], kind: ContextKind, at: Instant, sheet: &Sheet) -> bool {
    if kind == ContextKind::Anaesthesia {
        return anaesthesia_since(contexts, at, sheet).is_some();
    }
    let recorded = |context: &Context| context.start <= at && context.end.is_none_or(|end| at <= end);
    contexts.iter().any(|context| context.kind == kind && recorded(context))
}

/// The mean arterial pressure beside a compartment reading, chosen as a diastolic is.
pub(super) fn mean(
    means: &[Gathered<'_>],
    candidates: &Candidates<'_>,
    compartment: &Gathered<'_>,
    sheet: &Sheet,
) -> Option<BesideNow> {
    let index = pair::choose(candidates, compartment.at, &sheet.pairing)?;
    difference(&means[index], compartment).map(|delta| BesideNow {
        kind: BesideKind::Mean,
        index,
        delta,
    })
}

/// Minutes between two moments, whatever their order.
pub fn minutes_apart(one: Instant, other: Instant) -> i64 {
    one.millis_since(other).saturating_abs() / MINUTE_MILLIS
}
