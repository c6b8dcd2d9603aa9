//! What is raised, withdrawn and resolved, scene by scene, with the built-in adult sheet.

use crate::patient_support::{Told, Ward, at, compartment, diastolic, reading, site, version};
use deltaward::fhir::Decimal;
use deltaward::outbox::draft::{AgeClass, AgeNote, Family, GroundLost, Occasion, Recomputation};
use deltaward::patient::{AskPolicy, Input};
use deltaward::recognise::reading::Comparator;
use deltaward::recognise::{Kind, Meant, Method, Reason, Refusal, Side, Site, Withdrawal};
use deltaward::rules::Tier;

use Occasion::{Raised, Resolved, Withdrawn};
use Tier::{Act, Check, Critical, Watch};

const PRESSURE: Family = Family::Pressure;
const MEASUREMENT: Family = Family::Measurement;

/// A diastolic of 70 and a pressure two minutes later, both in one step.
fn low(ward: &mut Ward, name: &str, minute: i64, mmhg: &str) -> Told {
    pair(ward, name, minute, "70", mmhg)
}

fn pair(ward: &mut Ward, name: &str, minute: i64, diastolic_mmhg: &str, mmhg: &str) -> Told {
    let diastolic = diastolic(&format!("d-{name}"), minute - 2, diastolic_mmhg);
    ward.take(minute, &[diastolic, compartment(&format!("c-{name}"), minute, mmhg)])
}

fn whole_deltas(told: &Told) -> Vec<i64> {
    told.published
        .iter()
        .map(|draft| draft.facts.delta_whole_mmhg)
        .collect()
}

#[test]
fn one_low_reading_raises_act_once() {
    let mut ward = Ward::adult();
    let told = low(&mut ward, "1", 2, "45");
    assert_eq!(told.said(), [(Raised, PRESSURE, Some(Act))]);
    assert_eq!(told.rules(), ["delta-30"]);
    assert_eq!(whole_deltas(&told), [25]);
    let message = &told.messages[0];
    assert_eq!(message.reading_count, 1);
    assert_eq!(message.predecessor, None);
    assert_eq!(message.delta_identity, Some(told.published[0].identity));
    assert_eq!(
        message.grounds[0].sentence,
        "Delta pressure 25 mmHg is at or below 30 mmHg."
    );
    assert_eq!(message.delta.as_ref().unwrap().age, AgeClass::Simultaneous);
    // A second low reading soon after adds a derived Observation and no message.
    let told = low(&mut ward, "2", 60, "44");
    assert_eq!(whole_deltas(&told), [26]);
    assert!(told.messages.is_empty());
}

#[test]
fn low_for_two_hours_becomes_critical() {
    let mut ward = Ward::adult();
    low(&mut ward, "1", 2, "45");
    let told = low(&mut ward, "2", 121, "44");
    assert!(told.messages.is_empty(), "119 minutes are not two hours");
    let told = low(&mut ward, "3", 122, "44");
    assert_eq!(told.pressure(), [(Raised, Some(Critical))]);
    assert_eq!(told.messages[0].tier_before, Some(Act));
    let sentences: Vec<&str> = told.messages[0]
        .grounds
        .iter()
        .map(|ground| ground.sentence.as_str())
        .collect();
    assert!(
        sentences
            .contains(&"Delta pressure has been at or below 30 mmHg in 3 readings over 120 minutes (longest gap between two of them 119 minutes); no fresh reading above that counts lies between."),
        "{sentences:?}"
    );
}

#[test]
fn a_late_reading_above_between_takes_the_two_hours_back() {
    let mut ward = Ward::adult();
    low(&mut ward, "1", 2, "45");
    low(&mut ward, "3", 122, "44");
    assert_eq!(ward.left(PRESSURE), Some(Critical));
    let told = pair(&mut ward, "2", 60, "70", "10");
    assert_eq!(told.pressure(), [(Withdrawn, Some(Act))]);
    assert_eq!(ward.left(PRESSURE), Some(Act));
}

#[test]
fn a_corrected_value_withdraws_and_names_the_new_delta() {
    let mut ward = Ward::adult();
    let raised = low(&mut ward, "1", 2, "45");
    let told = ward.take(5, &[compartment("c-1", 2, "15").version(2, 5)]);
    assert_eq!(told.pressure(), [(Withdrawn, None)]);
    let lost = GroundLost::Recomputed {
        source: String::from("Observation/c-1"),
        cause: Recomputation::Compartment,
        delta_now_whole_mmhg: Some(55),
    };
    assert_eq!(told.messages[0].lost, [lost]);
    assert_eq!(told.messages[0].predecessor, Some(raised.messages[0].identity));
    assert_eq!(whole_deltas(&told), [55]);
    assert!(told.published[0].amends);
    assert_eq!(told.published[0].identity, raised.published[0].identity);
    assert!(told.retracted.is_empty());
    // The version before it comes late: nothing.
    assert!(ward.take(6, &[compartment("c-1", 2, "45")]).is_nothing());
}

#[test]
fn entered_in_error_retracts_and_withdraws() {
    let mut ward = Ward::adult();
    let raised = low(&mut ward, "1", 2, "45");
    let gone = compartment("c-1", 2, "45")
        .version(2, 9)
        .withdrawn(Withdrawal::EnteredInError);
    let told = ward.take(9, std::slice::from_ref(&gone));
    assert_eq!(told.retracted.len(), 1);
    assert_eq!(told.retracted[0].last.identity, raised.published[0].identity);
    assert!(told.published.is_empty());
    assert_eq!(told.said(), [(Withdrawn, PRESSURE, None)]);
    let lost = GroundLost::SourceWithdrawn {
        source: String::from("Observation/c-1"),
        how: Withdrawal::EnteredInError,
    };
    assert_eq!(told.messages[0].lost, [lost]);
    assert!(ward.open().is_empty() && ward.standing().is_empty());
    assert!(ward.take(10, &[gone]).is_nothing());
    // Put right again: the same identity stands again, and a new message answers the withdrawal.
    let again = ward.take(11, &[compartment("c-1", 2, "45").version(3, 11)]);
    assert_eq!(again.published[0].identity, raised.published[0].identity);
    assert_eq!(again.pressure(), [(Raised, Some(Act))]);
    assert_eq!(again.messages[0].predecessor, Some(told.messages[0].identity));
}

#[test]
fn a_withdrawn_diastolic_is_named_and_its_check_raised() {
    let mut ward = Ward::adult();
    low(&mut ward, "1", 2, "45");
    let told = ward.take(
        9,
        &[diastolic("d-1", 0, "70").version(2, 9).withdrawn(Withdrawal::Deleted)],
    );
    let lost = GroundLost::SourceWithdrawn {
        source: String::from("Observation/d-1"),
        how: Withdrawal::Deleted,
    };
    // 45 mmHg alone still speaks, and the missing diastolic raises its own.
    assert_eq!(
        told.said(),
        [(Withdrawn, PRESSURE, Some(Watch)), (Raised, MEASUREMENT, Some(Check))]
    );
    assert_eq!(told.messages[0].lost, [lost]);
    assert_eq!(told.messages[0].grounds[0].rule, "pressure-30");
    assert_eq!(told.retracted.len(), 1);
}

#[test]
fn two_readings_above_resolve_and_one_does_not() {
    let mut ward = Ward::adult();
    low(&mut ward, "1", 2, "45");
    let told = pair(&mut ward, "2", 32, "80", "15");
    assert!(told.messages.is_empty());
    assert_eq!(ward.left(PRESSURE), Some(Act));
    let told = pair(&mut ward, "3", 62, "80", "15");
    assert_eq!(told.said(), [(Resolved, PRESSURE, None)]);
    assert!(told.messages[0].grounds.is_empty());
    assert_eq!(ward.left(PRESSURE), None);
}

#[test]
fn what_cannot_be_judged_closes_nothing() {
    let mut ward = Ward::adult();
    low(&mut ward, "1", 2, "45");
    // A stale diastolic, none at all, and two bounds.
    ward.take(50, &[compartment("c-2", 50, "5")]);
    ward.take(200, &[compartment("c-3", 200, "5"), compartment("c-4", 210, "5")]);
    let below = compartment("c-5", 302, "20").comparator(Comparator::Less);
    let above = compartment("c-6", 303, "20").comparator(Comparator::GreaterOrEqual);
    let told = ward.take(303, &[diastolic("d-5", 300, "80"), below, above]);
    assert!(told.pressure().is_empty());
    assert_eq!(ward.left(PRESSURE), Some(Act));
}

#[test]
fn the_same_record_read_twice_cannot_close_a_concern() {
    let mut ward = Ward::adult();
    low(&mut ward, "1", 2, "45");
    let second = compartment("c-2", 30, "15");
    let copy = compartment("copy", 30, "15").method(Method::Catheter);
    let told = ward.take(30, &[diastolic("d-2", 29, "80"), second, copy]);
    assert!(told.messages.is_empty(), "{:?}", told.said());
    assert_eq!(ward.left(PRESSURE), Some(Act));
    assert_eq!(told.published[0].facts.compartment.sources.len(), 2);
}

#[test]
fn a_falling_diastolic_alone_raises_critical_and_writes_one_observation() {
    let mut ward = Ward::adult();
    let told = pair(&mut ward, "1", 2, "80", "29");
    assert!(told.messages.is_empty());
    let told = ward.take(60, &[diastolic("fall", 60, "46")]);
    assert_eq!(told.pressure(), [(Raised, Some(Critical))]);
    assert_eq!(told.rules(), ["delta-carried-20"]);
    assert_eq!(whole_deltas(&told), [17]);
    assert!(told.published[0].facts.carried);
    assert_eq!(told.messages[0].delta_identity, Some(told.published[0].identity));
    // Further low diastolics fill no record.
    let told = ward.take(75, &[diastolic("fall-2", 70, "45"), diastolic("fall-3", 75, "44")]);
    assert!(told.is_nothing());

    let mut ward = Ward::adult();
    pair(&mut ward, "1", 2, "80", "35");
    let told = ward.take(60, &[diastolic("fall", 60, "52")]);
    assert_eq!(told.pressure(), [(Raised, Some(Critical))]);
    assert_eq!(told.published.len(), 1);
    assert_eq!(
        ward.standing()
            .iter()
            .filter(|standing| standing.draft.facts.carried)
            .count(),
        1
    );
    // The diastolic is taken back: so is what stood on it.
    let told = ward.take(
        61,
        &[diastolic("fall", 60, "52")
            .version(2, 61)
            .withdrawn(Withdrawal::EnteredInError)],
    );
    assert_eq!(told.retracted.len(), 1);
    assert_eq!(told.pressure(), [(Withdrawn, Some(Watch))]);
}

#[test]
fn a_carried_concern_closes_after_two_diastolics_and_never_by_a_bound() {
    let mut ward = Ward::adult();
    pair(&mut ward, "1", 2, "80", "25");
    ward.take(60, &[diastolic("fall", 60, "45")]);
    assert_eq!(ward.left(PRESSURE), Some(Critical));
    let bound = |name: &str, minute| diastolic(name, minute, "90").comparator(Comparator::Less);
    let told = ward.take(80, &[bound("b1", 70), bound("b2", 75), bound("b3", 80)]);
    assert!(
        told.pressure().is_empty(),
        "at most 65 closes nothing: {:?}",
        told.said()
    );
    let told = ward.take(90, &[diastolic("rise", 90, "80")]);
    assert!(told.pressure().is_empty());
    // Two good numbers within minutes are not enough: they must span close_after_minutes (30).
    let told = ward.take(95, &[diastolic("rise-2", 95, "80")]);
    assert!(told.pressure().is_empty());
    let told = ward.take(120, &[diastolic("rise-3", 120, "80")]);
    assert_eq!(told.pressure(), [(Resolved, None)]);
}

#[test]
fn a_late_nearer_diastolic_recomputes() {
    let mut ward = Ward::adult();
    let first = ward.take(40, &[diastolic("old", 0, "70"), compartment("c", 40, "41")]);
    assert_eq!(whole_deltas(&first), [29]);
    assert_eq!(first.published[0].facts.age, AgeClass::Stale);
    assert_eq!(first.pressure(), [(Raised, Some(Act))]);
    let told = ward.take(45, &[diastolic("near", 39, "60")]);
    assert_eq!(whole_deltas(&told), [19]);
    assert!(told.published[0].amends);
    assert_eq!(told.published[0].facts.age, AgeClass::Simultaneous);
    assert_eq!(told.pressure(), [(Raised, Some(Critical))]);
    // A still nearer one gives 39: the alert's ground is gone.
    let told = ward.take(50, &[diastolic("nearest", 40, "80")]);
    assert_eq!(whole_deltas(&told), [39]);
    assert_eq!(told.pressure(), [(Withdrawn, Some(Watch))]);
    assert!(told.messages[0].lost.contains(&GroundLost::Recomputed {
        source: String::from("Observation/c"),
        cause: Recomputation::OtherDiastolic,
        delta_now_whole_mmhg: Some(39),
    }));
}

#[test]
fn a_carried_delta_shows_the_age_of_its_pairing_whatever_came_first() {
    let readings = || {
        [
            compartment("c", 50, "35"),
            diastolic("old", 0, "80"),
            diastolic("fall", 90, "50"),
        ]
    };
    let near = || diastolic("near", 49, "80");
    let mut late = Ward::adult();
    late.take(90, &readings());
    late.take(95, &[near()]);
    let mut early = Ward::adult();
    early.take(50, &[near()]);
    early.take(90, &readings());
    let age = |ward: &Ward| {
        let carried = ward
            .standing()
            .into_iter()
            .find(|standing| standing.draft.facts.carried);
        carried.unwrap().draft.facts.age
    };
    assert_eq!(
        (age(&late), age(&early)),
        (AgeClass::Simultaneous, AgeClass::Simultaneous)
    );
}

#[test]
fn a_missing_diastolic_is_checked_and_its_arrival_resolves() {
    let mut ward = Ward::adult();
    let told = ward.take(2, &[compartment("c", 2, "20")]);
    assert_eq!(told.said(), [(Raised, MEASUREMENT, Some(Check))]);
    assert_eq!(told.rules(), ["diastolic-missing"]);
    assert!(told.published.is_empty());
    let told = ward.take(5, &[diastolic("d", 1, "80")]);
    assert_eq!(told.said(), [(Resolved, MEASUREMENT, None)]);
    assert_eq!(whole_deltas(&told), [60]);
}

#[test]
fn stale_or_missing_never_silences() {
    // Stale: the alert is raised and says how old the diastolic is.
    let mut ward = Ward::adult();
    let told = ward.take(60, &[diastolic("d", 0, "70"), compartment("c", 60, "45")]);
    assert_eq!(told.said(), [(Raised, PRESSURE, Some(Act))]);
    assert_eq!(told.published[0].facts.age, AgeClass::Stale);
    // Too old, none, implausible: the pressure alone speaks and the check speaks, too.
    for diastolics in [
        vec![diastolic("d", 0, "70")],
        vec![],
        vec![diastolic("d", 60, "19")],
        vec![diastolic("d", 60, "70").comparator(Comparator::Greater)],
    ] {
        let mut ward = Ward::adult();
        let mut all = diastolics;
        all.push(compartment("c", 61, "45"));
        let told = ward.take(61, &all);
        assert_eq!(told.pressure(), [(Raised, Some(Watch))]);
        assert!(told.rules().contains(&"pressure-30") && told.rules().contains(&"diastolic-missing"));
    }
}

#[test]
fn at_most_on_a_compartment_neither_raises_nor_closes() {
    let mut ward = Ward::adult();
    let upper = compartment("c", 2, "60").comparator(Comparator::Less);
    let told = ward.take(2, &[diastolic("d", 0, "70"), upper]);
    assert!(told.is_nothing(), "{told:?}");
    low(&mut ward, "1", 30, "45");
    let upper = |name: &str, minute| compartment(name, minute, "10").comparator(Comparator::LessOrEqual);
    let told = ward.take(34, &[upper("u1", 32), upper("u2", 33), upper("u3", 34)]);
    assert!(told.messages.is_empty());
    assert_eq!(ward.left(PRESSURE), Some(Act));
}

#[test]
fn at_least_on_a_compartment_raises_and_is_labelled() {
    let mut ward = Ward::adult();
    let bound = compartment("c", 2, "45").comparator(Comparator::Greater);
    let told = ward.take(2, &[diastolic("d", 0, "70"), bound]);
    assert_eq!(told.pressure(), [(Raised, Some(Act))]);
    assert!(told.published[0].facts.bounded_above);
    assert_eq!(
        told.messages[0].grounds[0].sentence,
        "Delta pressure at most 25 mmHg is at or below 30 mmHg."
    );
    let mut ward = Ward::adult();
    let bound = diastolic("d", 0, "70").comparator(Comparator::LessOrEqual);
    let told = ward.take(2, &[bound, compartment("c", 2, "45")]);
    assert_eq!(told.pressure(), [(Raised, Some(Act))]);
    assert!(told.published[0].facts.bounded_above);
}

#[test]
fn a_child_is_marked_and_the_pressure_alone_does_not_run() {
    let mut ward = Ward::adult();
    ward.state.birth_date = Some(String::from("2012-03-14"));
    let told = ward.take(2, &[diastolic("d", 0, "75"), compartment("c", 2, "34")]);
    assert!(
        told.messages.is_empty(),
        "34 with a delta of 41 in a child: {:?}",
        told.said()
    );
    let told = ward.take(40, &[diastolic("d2", 39, "60"), compartment("c2", 40, "34")]);
    assert_eq!(told.pressure(), [(Raised, Some(Act))]);
    assert_eq!(told.messages[0].age_note, AgeNote::Child);
    // The same in an adult speaks at once.
    let mut ward = Ward::adult();
    let told = ward.take(2, &[diastolic("d", 0, "75"), compartment("c", 2, "34")]);
    assert_eq!(told.rules(), ["pressure-30"]);
    assert_eq!(told.messages[0].age_note, AgeNote::InBand);
}

#[test]
fn an_unknown_age_is_said_and_silences_nothing() {
    let mut ward = Ward::adult();
    ward.state.birth_date = None;
    let told = ward.take(2, &[diastolic("d", 0, "75"), compartment("c", 2, "34")]);
    assert_eq!(told.rules(), ["pressure-30"]);
    assert_eq!(told.messages[0].age_note, AgeNote::Unknown);
}

#[test]
fn the_age_counts_from_the_birthday() {
    // The night is 2026-01-10 UTC; a partial date counts as the latest day it allows.
    for (birth_date, note) in [
        ("2010-01-10", AgeNote::InBand),
        ("2010-01-11", AgeNote::Child),
        ("2010", AgeNote::Child),
        ("2009", AgeNote::InBand),
        ("2010-01", AgeNote::Child),
        ("not a date", AgeNote::Unknown),
    ] {
        let mut ward = Ward::adult();
        ward.step(
            0,
            vec![Input::Person {
                birth_date: Some(birth_date.to_owned()),
                label: None,
            }],
        );
        let told = low(&mut ward, "1", 2, "45");
        assert_eq!(told.messages[0].age_note, note, "{birth_date}");
    }
}

#[test]
fn left_right_and_no_side_never_merge() {
    let mut ward = Ward::adult();
    let of = |side, name: &str| compartment(name, 2, "45").at_site(side, "leg-anterior");
    let told = ward.take(
        2,
        &[
            diastolic("d", 0, "70"),
            of(Side::Left, "l"),
            of(Side::Right, "r"),
            of(Side::Unstated, "u"),
        ],
    );
    assert_eq!(told.published.len(), 3, "equal values at one time on three sites");
    assert_eq!(told.pressure(), [(Raised, Some(Act)); 3]);
    assert!(
        told.published
            .iter()
            .all(|draft| draft.facts.compartment.sources.len() == 1)
    );
    assert!(told.rules().contains(&"side-missing"));
    // Two readings above on the right close the right alone.
    for (name, minute) in [("r2", 20), ("r3", 50)] {
        let above = compartment(name, minute, "10").at_site(Side::Right, "leg-anterior");
        ward.take(minute, &[diastolic(&format!("d-{name}"), minute, "70"), above]);
    }
    assert_eq!(ward.tier(&site(Side::Right, "leg-anterior"), PRESSURE), None);
    assert_eq!(ward.tier(&site(Side::Left, "leg-anterior"), PRESSURE), Some(Act));
    assert_eq!(ward.tier(&site(Side::Unstated, "leg-anterior"), PRESSURE), Some(Act));
    assert_eq!(
        ward.tier(&site(Side::Unstated, "leg-anterior"), MEASUREMENT),
        Some(Check)
    );
}

#[test]
fn a_corrected_side_moves_the_concern() {
    let mut ward = Ward::adult();
    let first = low(&mut ward, "1", 2, "45");
    let right = compartment("c-1", 2, "45")
        .at_site(Side::Right, "leg-anterior")
        .version(2, 9);
    let told = ward.take(9, &[right]);
    assert_eq!(told.retracted[0].last.identity, first.published[0].identity);
    assert_eq!(whole_deltas(&told), [25]);
    assert_ne!(told.published[0].identity, first.published[0].identity);
    let said: Vec<_> = told
        .messages
        .iter()
        .map(|message| (message.occasion, message.site.as_ref().unwrap().side, message.tier))
        .collect();
    assert!(said.contains(&(Withdrawn, Side::Left, None)) && said.contains(&(Raised, Side::Right, Some(Act))));
    assert_eq!(said.len(), 2);
}

#[test]
fn a_panel_gives_its_member_a_side() {
    let mut ward = Ward::adult();
    let member = compartment("m", 2, "45").at_site(Side::Unstated, "leg-anterior");
    ward.take(2, &[diastolic("d", 0, "70"), member]);
    assert_eq!(
        ward.tier(&site(Side::Unstated, "leg-anterior"), MEASUREMENT),
        Some(Check)
    );
    let panel = |name: &str, side| {
        compartment(name, 2, "1").edit(|panel| {
            panel.readings.clear();
            panel.members = vec![String::from("Observation/m")];
            panel.members_side = side;
        })
    };
    ward.take(3, &[panel("p", Side::Right)]);
    assert_eq!(ward.tier(&site(Side::Right, "leg-anterior"), PRESSURE), Some(Act));
    assert_eq!(ward.tier(&site(Side::Unstated, "leg-anterior"), PRESSURE), None);
    // Another panel says left: then nobody knows.
    ward.take(4, &[panel("q", Side::Left)]);
    assert_eq!(ward.tier(&site(Side::Right, "leg-anterior"), PRESSURE), None);
    assert_eq!(ward.tier(&site(Side::Left, "leg-anterior"), PRESSURE), None);
    assert_eq!(ward.tier(&site(Side::Unstated, "leg-anterior"), PRESSURE), Some(Act));
}

#[test]
fn a_duplicate_counts_once_and_both_sources_are_named() {
    let mut ward = Ward::adult();
    let told = ward.take(2, &[diastolic("d", 0, "70"), compartment("b", 2, "45")]);
    let (before, raised) = (told.published[0].identity, told.messages.len());
    assert_eq!(raised, 1);
    let told = ward.take(3, &[compartment("a", 2, "45")]);
    let sources = &told.published[0].facts.compartment.sources;
    let names: Vec<&str> = sources.iter().map(|source| source.reference.as_str()).collect();
    assert_eq!(names, ["Observation/a", "Observation/b"]);
    assert_eq!(
        told.retracted[0].last.identity, before,
        "what is derived is named after the smallest source"
    );
    assert!(told.messages.is_empty(), "the ground stands: {:?}", told.said());
    assert_eq!(ward.standing().len(), 1);
    let duplicate = |ward: &Ward| {
        let judged = ward.state.slots.values().flat_map(|slot| &slot.judged);
        judged.filter(|refusal| refusal.reason == Reason::Duplicate).count()
    };
    assert_eq!(duplicate(&ward), 1);

    // An equal identifier at one time joins though the values differ: the one nearer the alert counts,
    // in whatever order they arrive.
    for names in [["one", "two"], ["two", "one"]] {
        let mut ward = Ward::adult();
        let low = compartment(names[0], 2, "45").identifier("urn:x|7");
        let high = compartment(names[1], 2, "15").identifier("urn:x|7").version(1, 9);
        let told = ward.take(9, &[diastolic("d", 0, "70"), low, high]);
        assert_eq!(whole_deltas(&told), [25]);
        assert_eq!(told.published[0].facts.compartment.sources.len(), 2);
        assert_eq!(duplicate(&ward), 1);
    }
    // A line that puts its own number there measures more than once.
    let mut ward = Ward::adult();
    let first = compartment("first", 2, "45").identifier("urn:ward|line-a");
    let second = compartment("second", 22, "15").identifier("urn:ward|line-a");
    let told = ward.take(22, &[diastolic("d", 2, "70"), diastolic("e", 22, "70"), first, second]);
    assert_eq!(whole_deltas(&told), [25, 55]);
}

#[test]
fn two_readings_of_one_record_each_find_their_partner() {
    let panel = |name: &str, minute| {
        compartment(name, 2, "20").version(1, minute).edit(|recognised| {
            let place = site(Side::Left, "leg-anterior");
            let mut second = reading(Kind::Compartment, 3, "45", Some(place));
            recognised.readings[0].part = "component[0]".into();
            second.part = "component[1]".into();
            recognised.readings.push(second);
            for reading in &mut recognised.readings {
                reading.identifiers = vec![String::from("urn:x|1")];
            }
        })
    };
    let mut ward = Ward::adult();
    let told = ward.take(9, &[diastolic("d", 0, "70"), panel("one", 5), panel("two", 6)]);
    let mut deltas = whole_deltas(&told);
    deltas.sort_unstable();
    assert_eq!(deltas, [25, 50]);
    assert!(
        told.published
            .iter()
            .all(|draft| draft.facts.compartment.sources.len() == 2)
    );
}

/// Two readings of one site in one record: what was told of the first is not judged by the second.
#[test]
fn a_ground_in_a_record_of_two_readings_is_not_lost() {
    let mut ward = Ward::adult();
    let both = compartment("c", 2, "45").edit(|recognised| {
        let mut second = reading(Kind::Compartment, 4, "10", Some(site(Side::Left, "leg-anterior")));
        recognised.readings[0].part = "component[0]".into();
        second.part = "component[1]".into();
        recognised.readings.push(second);
    });
    let told = ward.take(4, &[diastolic("d", 2, "70"), both]);
    assert_eq!(told.pressure(), [(Raised, Some(Act))]);
    for minute in 5..8 {
        let told = ward.step(minute, Vec::new());
        assert!(told.is_nothing(), "{:?}", told.said());
    }
}

#[test]
fn a_diastolic_is_asked_for_before_it_is_called_missing() {
    let ask = AskPolicy {
        ask: true,
        timeout_seconds: 60,
    };
    let mut ward = Ward::adult();
    ward.policy = ask;
    let told = ward.take(2, &[compartment("c", 2, "45")]);
    assert_eq!(
        told.said(),
        [(Raised, PRESSURE, Some(Watch))],
        "the pressure alone speaks meanwhile"
    );
    assert_eq!(told.asked.len(), 1);
    assert_eq!((told.asked[0].from, told.asked[0].to), (at(-58), at(7)));
    assert_eq!(ward.state.next_due, Some(at(3)));
    // Answered without a diastolic: missing.
    let answered = Input::DiastolicsAsked {
        source: String::from("Observation/c"),
    };
    let told = ward.step(2, vec![answered]);
    assert_eq!(told.said(), [(Raised, MEASUREMENT, Some(Check))]);
    assert!(told.asked.is_empty());
    assert_eq!(ward.state.next_due, None);

    // Never answered: missing when the time is out, with nothing arriving.
    let mut ward = Ward::adult();
    ward.policy = ask;
    ward.take(2, &[compartment("c", 2, "20")]);
    assert!(ward.open().is_empty());
    let told = ward.step(3, Vec::new());
    assert_eq!(told.said(), [(Raised, MEASUREMENT, Some(Check))]);

    // Answered with one.
    let mut ward = Ward::adult();
    ward.policy = ask;
    ward.take(2, &[compartment("c", 2, "20")]);
    let told = ward.take(2, &[diastolic("d", 0, "70")]);
    assert!(told.messages.is_empty());
    assert_eq!(whole_deltas(&told), [50]);
}

#[test]
fn one_record_is_asked_for_once_per_step() {
    let mut ward = Ward::adult();
    ward.policy = AskPolicy {
        ask: true,
        timeout_seconds: 60,
    };
    let both = compartment("c", 2, "20").edit(|recognised| {
        let mut second = reading(Kind::Compartment, 2, "22", Some(site(Side::Left, "leg-lateral")));
        recognised.readings[0].part = "component[0]".into();
        second.part = "component[1]".into();
        recognised.readings.push(second);
    });
    assert_eq!(ward.take(2, &[both]).asked.len(), 1);
}

#[test]
fn moved_to_another_patient_takes_everything_back() {
    let moved = || Input::Moved {
        source: String::from("Observation/c-1"),
        version: version(2, 9),
    };
    let mut ward = Ward::adult();
    low(&mut ward, "1", 2, "45");
    let told = ward.step(9, vec![moved()]);
    assert_eq!(told.retracted.len(), 1);
    assert_eq!(told.pressure(), [(Withdrawn, None)]);
    let lost = GroundLost::SourceWithdrawn {
        source: String::from("Observation/c-1"),
        how: Withdrawal::MovedToAnotherPatient,
    };
    assert_eq!(told.messages[0].lost, [lost]);
    // The move may be known before the version that it moved.
    let mut ward = Ward::adult();
    ward.step(1, vec![moved()]);
    let told = low(&mut ward, "1", 2, "45");
    assert!(told.is_nothing(), "{:?}", told.said());
}

#[test]
fn a_reading_of_the_future_speaks_when_its_time_comes() {
    let mut ward = Ward::adult();
    let told = ward.take(0, &[diastolic("d", 30, "70"), compartment("c", 30, "45")]);
    // A clock that runs ahead must not silence it: the measurement is checked at once.
    assert_eq!(told.said(), [(Raised, MEASUREMENT, Some(Check))]);
    assert_eq!(ward.state.next_due, Some(at(25)));
    let reasons: Vec<Reason> = ward
        .state
        .slots
        .values()
        .flat_map(|slot| &slot.judged)
        .map(|refusal| refusal.reason)
        .collect();
    assert_eq!(reasons, [Reason::InTheFuture, Reason::InTheFuture]);
    let told = ward.step(25, Vec::new());
    assert_eq!(told.pressure(), [(Raised, Some(Act))]);
    // What is due next is measuring again: 60 minutes after the reading, which is later than the alert.
    assert_eq!(ward.state.next_due, Some(at(90)));
    assert!(ward.state.slots.values().all(|slot| slot.judged.is_empty()));
}

/// A refused reading of a site: nothing of it is usable but where and when.
fn refused(site: Site, minute: i64) -> Refusal {
    let meant = Meant {
        site,
        at: Some(at(minute)),
        sent: Some(String::from("45 no unit")),
    };
    Refusal {
        part: "".into(),
        reason: Reason::UnitMissing,
        detail: String::new(),
        meant: Some(Box::new(meant)),
    }
}

/// Left is never right: a good reading of the other leg answers nothing.
#[test]
fn a_reading_that_cannot_be_used_is_checked_until_its_own_site_is_measured_again() {
    let mut ward = Ward::adult();
    let left = || refused(site(Side::Left, "leg-anterior"), 2);
    let told = ward.take(2, &[compartment("c", 2, "45").refused(left())]);
    assert_eq!(told.said(), [(Raised, MEASUREMENT, Some(Check))]);
    assert_eq!(told.rules(), ["reading-unusable"]);
    let message = &told.messages[0];
    assert_eq!(message.site, Some(site(Side::Left, "leg-anterior")));
    let unusable = message.unusable.as_ref().unwrap();
    assert_eq!(unusable.source.reference, "Observation/c");
    assert_eq!(
        (unusable.at, unusable.sent.as_deref()),
        (Some(at(2)), Some("45 no unit"))
    );
    let right = compartment("r", 10, "15").at_site(Side::Right, "leg-anterior");
    let told = ward.take(10, &[diastolic("d", 10, "80"), right]);
    assert_eq!(told.said(), []);
    let told = pair(&mut ward, "1", 20, "80", "15");
    assert_eq!(told.said(), [(Resolved, MEASUREMENT, None)]);
}

/// A clock that runs ahead must not silence a reading.
#[test]
fn a_compartment_reading_of_the_future_is_checked_until_its_time_comes() {
    let mut ward = Ward::adult();
    let told = ward.take(0, &[diastolic("d", 30, "75"), compartment("c", 30, "70")]);
    assert_eq!(told.said(), [(Raised, MEASUREMENT, Some(Check))]);
    assert_eq!(told.messages[0].unusable.as_ref().unwrap().reason, Reason::InTheFuture);
    let told = ward.take(31, &[]);
    assert!(
        told.said().contains(&(Raised, PRESSURE, Some(Critical))),
        "{:?}",
        told.said()
    );
}

#[test]
fn a_corrected_side_is_told_as_such() {
    let mut ward = Ward::adult();
    low(&mut ward, "1", 2, "45");
    let told = ward.take(
        5,
        &[compartment("c-1", 2, "45")
            .version(2, 5)
            .at_site(Side::Right, "leg-anterior")],
    );
    let elsewhere = told
        .messages
        .iter()
        .flat_map(|message| &message.lost)
        .any(|lost| matches!(lost, GroundLost::NowElsewhere { site, .. } if site.side == Side::Right));
    assert!(elsewhere, "{:?}", told.messages);
}

#[test]
fn a_corrected_diastolic_is_named_as_the_cause() {
    let mut ward = Ward::adult();
    let told = ward.take(2, &[diastolic("d", 0, "48"), compartment("c", 2, "40")]);
    assert_eq!(told.pressure(), [(Raised, Some(Critical))]);
    let told = ward.take(5, &[diastolic("d", 0, "84").version(2, 5)]);
    let cause = Recomputation::Diastolic {
        source: String::from("Observation/d"),
    };
    let named = |lost: &GroundLost| matches!(lost, GroundLost::Recomputed { cause: of, .. } if *of == cause);
    assert!(told.messages[0].lost.iter().any(named), "{:?}", told.messages[0].lost);
}

/// The line of history under a resolved check must not sound as if it spoke of the limb.
#[test]
fn a_resolved_check_says_nothing_of_the_limb() {
    let mut ward = Ward::adult();
    ward.take(2, &[compartment("c", 2, "45")]);
    assert_eq!(ward.left(PRESSURE), Some(Watch));
    let step = deltaward::patient::step(
        &mut ward.state,
        vec![diastolic("d", 2, "70").input()],
        &ward.sheet,
        ward.policy,
        at(3),
    );
    let line = step
        .history
        .iter()
        .find(|line| line.occasion == Some(Resolved))
        .unwrap();
    assert_eq!(line.family, MEASUREMENT);
    assert!(!line.text.contains("no rule"), "{}", line.text);
    assert_eq!(ward.left(PRESSURE), Some(Act), "it is worse than before");
}

/// Delta alternates about the threshold: it is told once and stays open.
#[test]
fn alternating_29_and_31_is_told_once() {
    let mut ward = Ward::adult();
    let mut messages = Vec::new();
    for turn in 0..40 {
        let mmhg = if turn % 2 == 0 { "41" } else { "39" };
        let told = low(&mut ward, &turn.to_string(), 2 + turn * 30, mmhg);
        messages.extend(told.pressure());
    }
    assert_eq!(messages, [(Raised, Some(Act))]);
    assert_eq!(ward.left(PRESSURE), Some(Act));
}

/// The same of diastolics against one reading: 64 and 66 against 35, every five minutes.
#[test]
fn alternating_diastolics_are_told_once() {
    let mut ward = Ward::adult();
    let mut messages = pair(&mut ward, "1", 2, "80", "35").pressure();
    let mut carried = 0;
    for turn in 0..40 {
        let mmhg = if turn % 2 == 0 { "64" } else { "66" };
        let minute = 10 + turn * 5;
        let told = ward.take(minute, &[diastolic(&format!("t{turn}"), minute, mmhg)]);
        messages.extend(told.pressure());
        carried += told.published.len();
    }
    assert_eq!(messages, [(Raised, Some(Watch)), (Raised, Some(Act))]);
    assert_eq!(carried, 1, "a record must not fill up with carried deltas");
}

#[test]
fn what_is_compared_is_what_is_shown() {
    // 70 − 39.5 = 30.5: shown and compared as 30, exact in the derived value.
    let mut ward = Ward::adult();
    let told = low(&mut ward, "1", 2, "39.5");
    assert_eq!(told.pressure(), [(Raised, Some(Act))]);
    assert_eq!(told.published[0].facts.delta_mmhg, Decimal::new(305, 1));
    assert_eq!(whole_deltas(&told), [30]);
    // 29.5 alone counts as 30.
    let mut ward = Ward::adult();
    assert_eq!(
        ward.take(2, &[compartment("c", 2, "29.5")]).pressure(),
        [(Raised, Some(Watch))]
    );
    let mut ward = Ward::adult();
    assert!(ward.take(2, &[compartment("c", 2, "29.4")]).pressure().is_empty());
}
