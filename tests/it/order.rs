//! Order does not matter: whatever the permutation, duplication and batching of the same inputs,
//! what stands in the end is equal; and pairing against a quadratic oracle.
//!
//! `DELTAWARD_ORDER_CASES=20000 cargo test --release --test it order` is the long run.

use crate::patient_support::{ADULT, Obs, Told, Ward, at, compartment, diastolic, reading, site, version};
use deltaward::outbox::draft::{AgeClass, DeltaFacts, Family, MessageDraft, Occasion};
use deltaward::pair::{Candidate, choose};
use deltaward::patient::assess::{Measurement, Paired};
use deltaward::patient::state::{Concern, ConcernKey, Slot, Standing, State};
use deltaward::patient::{AskPolicy, Assessment, Input, assess};
use deltaward::recognise::reading::Comparator;
use deltaward::recognise::{
    Context, ContextKind, Kind, Meant, Method, Reading, Reason, Refusal, Side, Site, Version, Withdrawal,
};
use deltaward::rules::{Sheet, Tier};
use proptest::prelude::*;
use proptest::sample::select;
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// When the last timer has fallen: every reading is of the past, every question timed out.
const END: i64 = 10_000;

/// The last timer has passed: measuring again after an alert that was told at [`END`] is overdue.
const SETTLED: i64 = END + 120;

fn cases() -> ProptestConfig {
    let cases = std::env::var("DELTAWARD_ORDER_CASES");
    ProptestConfig::with_cases(cases.ok().and_then(|text| text.parse().ok()).unwrap_or(256))
}

fn a_side() -> impl Strategy<Value = Side> {
    select(vec![Side::Left, Side::Left, Side::Right, Side::Unstated])
}

fn a_comparator() -> impl Strategy<Value = Option<Comparator>> {
    use Comparator::{Greater, GreaterOrEqual, Less, LessOrEqual};
    prop_oneof![
        8 => Just(None),
        1 => select(vec![Some(Less), Some(LessOrEqual), Some(GreaterOrEqual), Some(Greater)]),
    ]
}

/// Few moments and values, so that they often meet; some of the future, some not plausible.
fn a_reading(kind: Kind) -> impl Strategy<Value = Reading> {
    let minute = prop_oneof![6 => (0_i64..24).prop_map(|tens| tens * 10), 2 => 0_i64..240, 1 => 240_i64..900];
    let values = match kind {
        Kind::Compartment => vec!["12", "30", "35", "41", "45", "45.5", "60", "101", "151", "-3", "-6"],
        _ => vec!["52", "65", "70", "70", "75.5", "85", "110", "19", "161"],
    };
    let method = select(vec![Method::Cuff, Method::ArterialLine, Method::Needle]);
    let identifiers = prop_oneof![5 => Just(Vec::new()), 2 => prop::collection::vec(select(vec!["s|1", "s|2"]), 1..3)];
    let place = (a_side(), select(vec!["leg-anterior", "leg-lateral"]));
    (minute, select(values), place, method, a_comparator(), identifiers).prop_map(
        move |(minute, value, (side, code), method, comparator, identifiers)| {
            let site = (kind == Kind::Compartment).then(|| site(side, code));
            let mut reading = reading(kind, minute, value, site);
            reading.method = method;
            reading.pressure.comparator = comparator;
            reading.identifiers = identifiers.into_iter().map(str::to_owned).collect();
            reading
        },
    )
}

/// One version's content: mostly one reading, sometimes two parts, a refusal, or taken back.
fn a_content(kind: Kind) -> impl Strategy<Value = Obs> {
    let base = move || match kind {
        Kind::Compartment => compartment("x", 0, "10"),
        _ => diastolic("x", 0, "70"),
    };
    let refusal = Refusal {
        part: "".into(),
        reason: Reason::UnitMissing,
        detail: String::new(),
        meant: (kind == Kind::Compartment).then(|| {
            Box::new(Meant {
                site: Site::unstated(),
                at: None,
                sent: None,
            })
        }),
    };
    let how = select(vec![
        Withdrawal::EnteredInError,
        Withdrawal::Cancelled,
        Withdrawal::Deleted,
    ]);
    prop_oneof![
        12 => a_reading(kind).prop_map(move |one| base().edit(|recognised| recognised.readings = vec![one])),
        2 => (a_reading(kind), a_reading(kind)).prop_map(move |(mut one, mut two)| {
            one.part = "component[0]".into();
            two.part = "component[1]".into();
            base().edit(|recognised| recognised.readings = vec![one, two])
        }),
        1 => Just(base().refused(refusal)),
        2 => how.prop_map(move |how| base().withdrawn(how)),
    ]
}

/// Up to three versions of one source.
fn a_source(kind: Kind, name: String) -> impl Strategy<Value = Vec<Input>> {
    let updated = prop::collection::vec((a_content(kind), 0_i64..300), 1..4);
    (updated, prop::bool::weighted(0.1)).prop_map(move |(versions, moved)| {
        let mut minute = 0;
        let last = versions.len() as u64 + 1;
        let mut inputs: Vec<Input> = (1..)
            .zip(versions)
            .map(|(number, (content, more))| {
                minute += more;
                let named = content.edit(|recognised| recognised.source = format!("Observation/{name}"));
                named.version(number, minute).input()
            })
            .collect();
        if moved {
            inputs.push(Input::Moved {
                source: format!("Observation/{name}"),
                version: version(last, minute + 1),
            });
        }
        inputs
    })
}

/// Versions of one resource that says that the patient is under anaesthesia, or was without blood in
/// the limb.
fn a_context(name: String) -> impl Strategy<Value = Vec<Input>> {
    let kind = select(vec![
        ContextKind::Anaesthesia,
        ContextKind::Anaesthesia,
        ContextKind::AfterIschaemia,
    ]);
    let period = (0_i64..240, prop::option::of(0_i64..300));
    prop::collection::vec((kind, period, prop::bool::weighted(0.15)), 1..3).prop_map(move |versions| {
        (1..)
            .zip(versions)
            .map(|(number, (kind, (start, lasts), gone))| {
                let start = at(start);
                let end = lasts.map(|minutes| start.plus_minutes(minutes));
                let context = diastolic(&name, 0, "70").version(number, number.cast_signed());
                let context = context.edit(|recognised| {
                    recognised.readings.clear();
                    recognised.contexts = vec![Context { kind, start, end }];
                });
                let context = match gone {
                    true => context.edit(|recognised| {
                        recognised.contexts.clear();
                        recognised.withdrawn = Some(Withdrawal::EnteredInError);
                    }),
                    false => context,
                };
                context.input()
            })
            .collect()
    })
}

fn a_panel(name: String) -> impl Strategy<Value = Vec<Input>> {
    let members = prop::collection::vec(select(vec!["c0", "c1", "c2"]), 1..3);
    prop::collection::vec((members, a_side(), prop::bool::weighted(0.15)), 1..3).prop_map(move |versions| {
        (1..)
            .zip(versions)
            .map(|(number, (members, side, gone))| {
                let panel = compartment(&name, 0, "10").version(number, number.cast_signed());
                let panel = panel.edit(|recognised| {
                    recognised.readings.clear();
                    recognised.members = members.iter().map(|member| format!("Observation/{member}")).collect();
                    recognised.members_side = side;
                });
                let panel = if gone {
                    panel.withdrawn(Withdrawal::Deleted)
                } else {
                    panel
                };
                panel.input()
            })
            .collect()
    })
}

/// The same content under another id.
fn renamed(input: &Input, name: &str) -> Input {
    match input {
        Input::Recognised(recognised) => Obs(recognised.clone())
            .edit(|recognised| recognised.source = name.to_owned())
            .input(),
        other => other.clone(),
    }
}

/// Everything that ever happens to one patient.
fn a_history() -> impl Strategy<Value = Vec<Input>> {
    let mut sources = Vec::new();
    for index in 0..6 {
        sources.push(a_source(Kind::Compartment, format!("c{index}")).boxed());
        sources.push(a_source(Kind::Diastolic, format!("d{index}")).boxed());
    }
    for index in 0..2 {
        sources.push(a_source(Kind::Mean, format!("m{index}")).boxed());
        sources.push(a_context(format!("x{index}")).boxed());
    }
    sources.push(a_panel(String::from("p0")).boxed());
    sources.push(a_panel(String::from("p1")).boxed());
    let person = select(vec![None, Some("1980-02-03"), Some("2014"), Some("2010-01-10")]);
    let chosen = prop::sample::subsequence((0..sources.len()).collect::<Vec<_>>(), 2..=sources.len());
    (sources, chosen, person, any::<bool>()).prop_map(|(sources, chosen, birth_date, asked)| {
        let mut inputs: Vec<Input> = chosen.iter().flat_map(|index| sources[*index].clone()).collect();
        // The first two sources stand under other ids, too.
        for (index, name) in chosen.into_iter().zip(["Observation/a", "Observation/z"]) {
            inputs.extend(sources[index].iter().map(|input| renamed(input, name)));
        }
        if asked {
            let source = String::from("Observation/c0");
            inputs.push(Input::DiastolicsAsked { source });
        }
        inputs.push(Input::Person {
            birth_date: birth_date.map(str::to_owned),
            label: None,
        });
        inputs
    })
}

/// The same inputs in another order, some more than once, and where batches end.
#[derive(Clone, Debug)]
struct Arrival {
    inputs: Vec<Input>,
    /// (inputs in the batch, minutes that pass before it).
    batches: Vec<(usize, i64)>,
    policy: AskPolicy,
}

fn an_arrival() -> impl Strategy<Value = (Vec<Input>, Arrival)> {
    a_history().prop_flat_map(|history| {
        let mut twice: Vec<Input> = history.clone();
        twice.extend(history.iter().cloned());
        let inputs = prop::sample::subsequence((0..history.len()).collect::<Vec<_>>(), 0..=history.len() / 2)
            .prop_map(move |again| {
                let again: Vec<Input> = again.into_iter().map(|index| twice[index].clone()).collect();
                again
            })
            .prop_flat_map({
                let history = history.clone();
                move |again| Just(history.iter().cloned().chain(again).collect::<Vec<Input>>()).prop_shuffle()
            });
        let batches = prop::collection::vec((1_usize..6, 0_i64..90), 60);
        let policy = any::<bool>().prop_map(|ask| AskPolicy {
            ask,
            timeout_seconds: 30 * 60,
        });
        (inputs, batches, policy).prop_map(move |(inputs, batches, policy)| {
            let arrival = Arrival {
                inputs,
                batches,
                policy,
            };
            (history.clone(), arrival)
        })
    })
}

/// Step a ward through an arrival; the last two steps are empty, at [`END`] and at [`SETTLED`].
fn walk(arrival: &Arrival, mut each: impl FnMut(&mut Ward, Told)) -> Ward {
    let mut ward = Ward::adult();
    ward.policy = arrival.policy;
    let mut rest = arrival.inputs.as_slice();
    let mut minute = 0;
    for (count, later) in arrival.batches.iter().cycle() {
        if rest.is_empty() {
            break;
        }
        minute = (minute + later).min(END);
        let (batch, after) = rest.split_at((*count).min(rest.len()));
        rest = after;
        let told = ward.step(minute, batch.to_vec());
        each(&mut ward, told);
    }
    for minute in [END, SETTLED] {
        let told = ward.step(minute, Vec::new());
        each(&mut ward, told);
    }
    ward
}

type Stands = (
    BTreeMap<Uuid, DeltaFacts>,
    BTreeMap<ConcernKey, Tier>,
    BTreeMap<String, Vec<Refusal>>,
);

/// What stands: derived Observations by identity, open concerns, what is set aside.
fn stands(ward: &Ward) -> Stands {
    let standing = ward.standing().into_iter();
    let facts = standing.map(|standing| (standing.draft.identity, standing.draft.facts.clone()));
    let judged = ward
        .state
        .slots
        .values()
        .map(|slot| (slot.source.clone(), slot.judged.clone()));
    (facts.collect(), ward.open(), judged.collect())
}

/// No effect list says anything twice.
fn each_once(told: &Told) -> bool {
    let published = told.published.iter().map(|draft| draft.identity);
    let retracted = told.retracted.iter().map(|draft| draft.last.identity);
    let messages = told.messages.iter().map(|message| message.identity);
    let all: Vec<Uuid> = published.chain(retracted).chain(messages).collect();
    all.iter().collect::<BTreeSet<_>>().len() == all.len()
}

/// Does a reading that a message of the limb spoke of still hold its tier or more?
fn ground_stands(ward: &Ward, message: &MessageDraft) -> bool {
    let assessment = assess(&ward.state, &ward.sheet, ward.policy, at(SETTLED));
    let Some(measured) = &message.compartment else {
        return false;
    };
    assessment.measurements.iter().any(|measurement| {
        let here =
            Some(assessment.sites[measurement.gathered.site].key()) == message.site.as_ref().map(|site| site.key());
        let of = measured
            .sources
            .iter()
            .any(|source| measurement.is_from(&source.reference));
        let stands = of && measurement.peak() >= message.tier;
        here && (stands || answers(&assessment, measurement, message))
    })
}

/// A carried delta asks for a new measurement: a later one taken beside that very diastolic answers it.
fn answers(assessment: &Assessment<'_>, measurement: &Measurement<'_>, message: &MessageDraft) -> bool {
    let Some(delta) = message.delta.as_ref().filter(|delta| delta.carried) else {
        return false;
    };
    let Paired::With(diastolic, AgeClass::Simultaneous) = measurement.paired else {
        return false;
    };
    let of = |reference: &str| assessment.diastolics[diastolic].is_from(reference);
    measurement.at() > delta.compartment.at && delta.diastolic.sources.iter().any(|source| of(&source.reference))
}

/// A state as the store keeps it: every slot, standing Observation and concern a JSON text.
fn reloaded(state: &State) -> State {
    let mut loaded = State::new(state.patient.clone());
    loaded.birth_date.clone_from(&state.birth_date);
    loaded.label.clone_from(&state.label);
    loaded.next_due = state.next_due;
    for (source, slot) in &state.slots {
        let text = serde_json::to_string(slot).unwrap();
        loaded
            .slots
            .insert(source.clone(), Box::new(serde_json::from_str::<Slot>(&text).unwrap()));
    }
    for (identity, standing) in &state.standing {
        let text = serde_json::to_string(standing).unwrap();
        loaded
            .standing
            .insert(*identity, Box::new(serde_json::from_str::<Standing>(&text).unwrap()));
    }
    for (key, concern) in &state.concerns {
        let (key, concern) = (
            serde_json::to_string(key).unwrap(),
            serde_json::to_string(concern).unwrap(),
        );
        loaded.concerns.insert(
            serde_json::from_str::<ConcernKey>(&key).unwrap(),
            Box::new(serde_json::from_str::<Concern>(&concern).unwrap()),
        );
    }
    loaded
}

proptest! {
    #![proptest_config(cases())]

    /// Any arrival leaves what one batch at the end leaves; no list of effects names anything twice;
    /// and the same again, at once or as a whole, does nothing.
    #[test]
    fn what_stands_does_not_depend_on_the_order((history, arrival) in an_arrival()) {
        let mut at_once = Ward::adult();
        at_once.policy = arrival.policy;
        let told = at_once.step(1_000, history);
        prop_assert!(each_once(&told));
        for minute in [END, SETTLED] {
            let told = at_once.step(minute, Vec::new());
            prop_assert!(each_once(&told));
        }

        let mut twice = false;
        let mut ward = walk(&arrival, |_, told| twice |= !each_once(&told));
        prop_assert!(!twice, "an identity was written twice in one step");
        prop_assert_eq!(stands(&ward), stands(&at_once));

        let before = stands(&ward);
        let told = ward.step(SETTLED, arrival.inputs.clone());
        prop_assert!(told.is_nothing(), "repeated inputs did something: {:?}", told);
        prop_assert_eq!(stands(&ward), before);
    }

    /// Within an arrival, an empty step after any batch at the same moment writes and tells nothing.
    #[test]
    fn a_step_settles_everything((_, arrival) in an_arrival()) {
        let mut minute = 0;
        let mut ward = Ward::adult();
        for (input, (_, later)) in arrival.inputs.into_iter().zip(&arrival.batches) {
            minute += later;
            ward.step(minute, vec![input]);
            let told = ward.step(minute, Vec::new());
            prop_assert!(told.is_nothing(), "an empty step did something: {:?}", told);
        }
    }

    /// A message of the limb whose ground no longer stands is followed by a withdrawal or a resolution.
    #[test]
    fn a_lost_ground_is_told((_, arrival) in an_arrival()) {
        let mut messages: Vec<MessageDraft> = Vec::new();
        let ward = walk(&arrival, |_, told| messages.extend(told.messages));
        for (index, message) in messages.iter().enumerate() {
            let raised = message.occasion == Occasion::Raised;
            if !raised || message.family != Family::Pressure || ground_stands(&ward, message) {
                continue;
            }
            let followed = messages[index + 1..].iter().any(|later| {
                later.family == message.family && later.site == message.site && later.occasion != Occasion::Raised
            });
            prop_assert!(followed, "nothing followed {:?}", message);
        }
        // Each message answers the one before it in its concern.
        let mut last: BTreeMap<_, Uuid> = BTreeMap::new();
        for message in &messages {
            let key = (message.site.as_ref().map(|site| site.key()), message.family);
            prop_assert_eq!(message.predecessor, last.insert(key, message.identity));
        }
    }

    /// A state that was written out and read back answers as the one that was not.
    #[test]
    fn a_reloaded_state_behaves_the_same((_, arrival) in an_arrival()) {
        let mut ward = Ward::adult();
        ward.policy = arrival.policy;
        let mut minute = 0;
        for (input, (_, later)) in arrival.inputs.into_iter().zip(&arrival.batches) {
            minute += later;
            let mut again = ward.clone();
            again.state = reloaded(&ward.state);
            prop_assert_eq!(&again.state, &ward.state);
            let one = ward.step(minute, vec![input.clone()]);
            let other = again.step(minute, vec![input]);
            prop_assert_eq!(format!("{one:?}"), format!("{other:?}"));
            prop_assert_eq!(&again.state, &ward.state);
        }
    }
}

/// A diastolic of the oracle: seconds from the compartment reading, method, version.
type Diastolic = (i64, Method, u64);

/// `left` is to be preferred over `right`, word for word as pairing is defined.
fn preferred(order: &[Method], left: &Candidate<'_>, right: &Candidate<'_>, zero: i64) -> bool {
    let rank = |candidate: &Candidate<'_>| {
        let position = order.iter().position(|method| *method == candidate.method);
        position.unwrap_or(usize::MAX)
    };
    if rank(left) != rank(right) {
        return rank(left) < rank(right);
    }
    let distance = |candidate: &Candidate<'_>| (candidate.at.millis() - zero).abs();
    if distance(left) != distance(right) {
        return distance(left) < distance(right);
    }
    if left.at != right.at {
        return left.at > right.at;
    }
    if left.version != right.version {
        return left.version > right.version;
    }
    left.source > right.source
}

/// The candidate that no other one beats, looked for among all pairs.
fn oracle(candidates: &[Candidate<'_>], zero: i64, sheet: &Sheet) -> Option<usize> {
    let minute = 60_000;
    let pairing = &sheet.pairing;
    let usable = |candidate: &Candidate<'_>| {
        let offset = candidate.at.millis() - zero;
        -pairing.before_minutes * minute <= offset && offset <= pairing.after_minutes * minute
    };
    let distance = |candidate: &Candidate<'_>| (candidate.at.millis() - zero).abs();
    let best = candidates.iter().filter(|one| usable(one)).map(distance).min()?;
    let near = |candidate: &Candidate<'_>| {
        usable(candidate) && distance(candidate) <= best + pairing.simultaneous_minutes * minute
    };
    (0..candidates.len()).find(|index| {
        let one = &candidates[*index];
        near(one)
            && candidates
                .iter()
                .enumerate()
                .all(|(other, two)| other == *index || !near(two) || preferred(&pairing.method_order, one, two, zero))
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(cases().cases * 8))]

    #[test]
    fn pairing_agrees_with_a_quadratic_oracle(
        mut list in prop::collection::vec(
            (
                prop_oneof![
                    (-80_i64..20).prop_map(|minute| minute * 60),
                    -4000_i64..500,
                    select(vec![-3601, -3600, -3599, 299, 300, 301, 0]),
                ],
                select(vec![Method::Cuff, Method::ArterialLine, Method::Unstated]),
                1_u64..3,
            ),
            0..12,
        ),
        order in select(vec![vec![], vec![Method::ArterialLine], vec![Method::Cuff, Method::ArterialLine]]),
    ) {
        list.sort_by_key(|(second, _, _): &Diastolic| *second);
        let mut sheet = ADULT.clone();
        sheet.pairing.method_order = order;
        let zero = at(0);
        let versions: Vec<Version> = list.iter().map(|(_, _, number)| version(*number, 0)).collect();
        let sources: Vec<String> = (0..list.len()).map(|index| format!("Observation/{}", (index * 7) % 12)).collect();
        let candidates: Vec<Candidate<'_>> = list
            .iter()
            .zip(versions.iter().zip(&sources))
            .map(|((second, method, _), (version, source))| Candidate {
                at: zero.plus_seconds(*second),
                method: *method,
                version,
                source,
            })
            .collect();
        prop_assert_eq!(
            choose(&candidates.iter().copied().collect(), zero, &sheet.pairing),
            oracle(&candidates, zero.millis(), &sheet)
        );
    }
}

/// The generator is worth something only if it makes what the properties are about.
#[test]
fn the_generator_makes_what_matters() {
    use proptest::strategy::ValueTree;
    use proptest::test_runner::TestRunner;
    let mut runner = TestRunner::deterministic();
    let (mut deltas, mut carried, mut duplicates, mut future, mut withdrawn, mut critical) = (0, 0, 0, 0, 0, 0);
    for _ in 0..200 {
        let (_, arrival) = an_arrival().new_tree(&mut runner).unwrap().current();
        let ward = walk(&arrival, |ward, told| {
            let refusals = ward.state.slots.values().flat_map(|slot| &slot.judged);
            future += refusals.filter(|refusal| refusal.reason == Reason::InTheFuture).count();
            let lost = told
                .messages
                .iter()
                .filter(|message| message.occasion == Occasion::Withdrawn);
            withdrawn += lost.count();
        });
        let standing = ward.standing();
        deltas += standing.len();
        carried += standing.iter().filter(|standing| standing.draft.facts.carried).count();
        let several = |standing: &&&Standing| standing.draft.facts.compartment.sources.len() > 1;
        duplicates += standing.iter().filter(several).count();
        critical += ward.open().values().filter(|tier| **tier == Tier::Critical).count();
    }
    for (what, count) in [
        ("deltas", deltas),
        ("carried deltas", carried),
        ("duplicates", duplicates),
        ("future readings", future),
        ("withdrawals", withdrawn),
        ("critical concerns", critical),
    ] {
        assert!(count >= 20, "only {count} {what} in 200 cases");
    }
}
