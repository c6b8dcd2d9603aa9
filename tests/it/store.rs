//! The store's contract as a suite over `&dyn Store`, run against every backend, and what only
//! the SQLite file can show: migrations, locks, reopening.

mod build;
mod check;
mod copies;
mod disk;
mod faults;
mod index;
mod served;
mod sqlite;
mod unsent;

use build::{at, change, concern, derived, entry, event, input, patient, set_aside, state, version};
use deltaward::patient::state::State;
use deltaward::recognise::reason::Reason;
use deltaward::rules::Tier;
use deltaward::source::CursorUpdate;
use deltaward::store::{Commit, Counts, SqliteStore, Store};
use serde_json::json;

/// Each case once against each backend; another backend adds a module here.
macro_rules! conformance {
    ($($path:ident::$case:ident;)*) => {
        mod sqlite_in_memory {
            $(#[test] fn $case() { super::$path::$case(&super::SqliteStore::in_memory().unwrap()); })*
        }
        mod sqlite_on_disk {
            $(#[test] fn $case() {
                let folder = tempfile::tempdir().unwrap();
                super::$path::$case(&super::SqliteStore::open(folder.path().join("store.db")).unwrap());
            })*
        }
    };
}

conformance! {
    core::a_whole_state_comes_back;
    core::an_unknown_patient_is_empty;
    core::a_commit_that_fails_leaves_nothing;
    core::the_last_version_of_an_input_is_current;
    core::current_inputs_come_in_key_order;
    core::cursors_and_meta_keep_the_last_value;
    core::timers_come_earliest_first;
    core::open_concerns_come_worst_first;
    core::events_keep_the_newest_oldest_first;
    core::set_aside_rows_are_replaced_by_source;
    core::counts_follow_every_change;
    core::many_threads_lose_nothing;
    core::a_write_can_be_proved;
    core::what_is_unneeded_is_gone_with_what_is_served_of_it;
    core::what_may_be_forgotten_comes_earliest_first;
    served::derived_resources_are_numbered_and_stamped;
    served::derived_keeps_its_address;
    served::decimals_stay_as_sent;
    served::deleted_is_read_and_not_found;
    served::search_by_every_parameter;
    served::search_by_effective_time;
    served::pages_cover_every_match_once_in_order;
    unsent::groups_are_numbered_in_order;
    unsent::only_the_head_group_of_each_patient_is_due;
    unsent::a_head_that_waits_holds_back_its_patient_only;
    unsent::a_stopped_entry_does_not_block_later_alerts;
    unsent::a_group_is_never_cut;
    unsent::settlements_are_kept;
    unsent::a_stopped_entry_can_be_sent_again;
    unsent::an_old_form_is_not_sent_over_a_newer_one;
    unsent::an_observation_never_holds_back_a_message;
    unsent::a_message_that_fails_by_itself_is_passed_in_the_end;
    unsent::order_holds_across_an_outage;
    unsent::a_newer_form_settles_the_older_ones;
    unsent::an_older_form_goes_when_the_newer_one_was_refused;
    unsent::observations_that_failed_do_not_crowd_out_messages;
}

mod core {
    use super::*;

    pub fn a_whole_state_comes_back(store: &dyn Store) {
        let whole = state(1);
        let commit = Commit {
            patients: vec![change(&whole), change(&state(2))],
            ..Commit::default()
        };
        store.commit(&commit).unwrap();
        assert_eq!(store.load_patient(&patient(1)).unwrap(), whole);
        // A step writes only what it changed; the rest stays.
        let mut next = State::new(patient(1));
        next.label = Some("Bed 5 (invented)".into());
        let mut moved = whole.slots["Observation/c"].clone();
        moved.readings.clear();
        next.slots.insert(moved.source.clone(), moved.clone());
        store
            .commit(&Commit {
                patients: vec![change(&next)],
                ..Commit::default()
            })
            .unwrap();
        let mut expected = whole;
        expected.slots.insert(moved.source.clone(), moved);
        (expected.birth_date, expected.label, expected.next_due) = (None, next.label, None);
        assert_eq!(store.load_patient(&patient(1)).unwrap(), expected);
        assert_eq!(store.load_patient(&patient(2)).unwrap(), state(2));
    }

    pub fn an_unknown_patient_is_empty(store: &dyn Store) {
        assert_eq!(store.load_patient(&patient(3)).unwrap(), State::new(patient(3)));
        assert_eq!(store.counts().unwrap(), Counts::default());
    }

    pub fn a_commit_that_fails_leaves_nothing(store: &dyn Store) {
        let commit = Commit {
            inputs: vec![input("a", 1, 0, "{}")],
            refiled: Vec::new(),
            patients: vec![change(&state(1))],
            set_aside: vec![(
                "Observation/b".into(),
                vec![set_aside("Observation/b", "", 1, Reason::NoValue, 0)],
            )],
            derived: vec![derived(7, 0, json!({}))],
            // A group that names two patients contradicts itself.
            outbox: vec![vec![entry(1, 1, 0)], vec![entry(1, 2, 0), entry(2, 3, 0)]],
            cursors: vec![CursorUpdate {
                name: "poll".into(),
                position: at(0),
            }],
            meta: vec![("mapping".into(), "1".into())],
            ..Commit::default()
        };
        let error = store.commit(&commit).unwrap_err().to_string();
        assert_eq!(error, "the store could not commit: an outbox group names two patients");
        assert_eq!(store.load_patient(&patient(1)).unwrap(), State::new(patient(1)));
        assert_eq!(store.counts().unwrap(), Counts::default());
        assert_eq!(store.input("Observation", "a").unwrap(), None);
        assert_eq!(store.derived(&patient(1), 10).unwrap(), []);
        assert_eq!(store.outbox_due(at(9), 10).unwrap(), []);
        assert_eq!(store.cursor("poll").unwrap(), None);
        assert_eq!(store.meta("mapping").unwrap(), None);
        // The same commit, mended, goes through and numbers from the start.
        let mended = Commit {
            outbox: vec![vec![entry(1, 1, 0)]],
            ..commit
        };
        store.commit(&mended).unwrap();
        assert_eq!(store.outbox_due(at(9), 10).unwrap()[0].seq, 1);
        assert_eq!(store.derived(&patient(1), 10).unwrap()[0].version, 1);
    }

    pub fn the_last_version_of_an_input_is_current(store: &dyn Store) {
        let mut second = input("a", u64::MAX, 1, r#"{"value": 5.30}"#);
        second.patient = None;
        store
            .commit(&Commit {
                inputs: vec![input("a", 1, 0, "{}"), second.clone()],
                ..Commit::default()
            })
            .unwrap();
        assert_eq!(store.input("Observation", "a").unwrap(), Some(second.clone()));
        assert_eq!(store.input("Patient", "a").unwrap(), None);
        let mut gone = second;
        gone.deleted = true;
        gone.version = deltaward::recognise::Version {
            last_updated: None,
            number: None,
            id: "x".into(),
            ..version(2, 2)
        };
        store
            .commit(&Commit {
                inputs: vec![gone.clone()],
                ..Commit::default()
            })
            .unwrap();
        assert_eq!(store.input("Observation", "a").unwrap(), Some(gone));
    }

    pub fn current_inputs_come_in_key_order(store: &dyn Store) {
        let mut of_patient = input("z", 1, 0, "{}");
        of_patient.resource_type = "Patient".into();
        let mut gone = input("c", 1, 0, "{}");
        gone.deleted = true;
        let inputs = vec![
            of_patient,
            input("d", 1, 0, "{}"),
            gone,
            input("a", 1, 0, "{}"),
            input("a", 2, 1, "{}"),
        ];
        store
            .commit(&Commit {
                inputs,
                ..Commit::default()
            })
            .unwrap();
        let keys = |after, limit| -> Vec<_> {
            let rows = store.inputs_after(after, limit).unwrap();
            rows.into_iter()
                .map(|row| (row.resource_type, row.id, row.version.id.to_string()))
                .collect()
        };
        let key = |kind: &str, id: &str, version: &str| (kind.to_owned(), id.to_owned(), version.to_owned());
        assert_eq!(
            keys(None, 2),
            [key("Observation", "a", "2"), key("Observation", "d", "1")]
        );
        assert_eq!(keys(Some(("Observation", "d")), 2), [key("Patient", "z", "1")]);
        assert_eq!(keys(Some(("Patient", "z")), 2), []);
    }

    pub fn cursors_and_meta_keep_the_last_value(store: &dyn Store) {
        for minutes in [5, 3] {
            let commit = Commit {
                cursors: vec![CursorUpdate {
                    name: "poll".into(),
                    position: at(minutes),
                }],
                meta: vec![("mapping".into(), minutes.to_string())],
                ..Commit::default()
            };
            store.commit(&commit).unwrap();
            assert_eq!(store.cursor("poll").unwrap(), Some(at(minutes)));
            assert_eq!(store.meta("mapping").unwrap(), Some(minutes.to_string()));
        }
        assert_eq!(store.cursor("other").unwrap(), None);
        assert_eq!(store.meta("other").unwrap(), None);
    }

    pub fn timers_come_earliest_first(store: &dyn Store) {
        assert_eq!(store.next_due().unwrap(), None);
        let due = [(1, Some(30)), (2, Some(10)), (3, None), (4, Some(20))];
        let patients = due.map(|(number, minutes)| {
            let mut state = State::new(patient(number));
            state.next_due = minutes.map(at);
            change(&state)
        });
        store
            .commit(&Commit {
                patients: patients.into(),
                ..Commit::default()
            })
            .unwrap();
        assert_eq!(store.next_due().unwrap(), Some(at(10)));
        assert_eq!(store.patients_due(at(9), 10).unwrap(), []);
        assert_eq!(store.patients_due(at(20), 10).unwrap(), [patient(2), patient(4)]);
        assert_eq!(store.patients_due(at(99), 1).unwrap(), [patient(2)]);
        store
            .commit(&Commit {
                patients: vec![change(&State::new(patient(2)))],
                ..Commit::default()
            })
            .unwrap();
        assert_eq!(store.patients_due(at(20), 10).unwrap(), [patient(4)]);
    }

    pub fn open_concerns_come_worst_first(store: &dyn Store) {
        let tiers = [
            (1, Some(Tier::Watch), 0),
            (2, Some(Tier::Critical), 9),
            (3, Some(Tier::Critical), 2),
            (4, None, 0),
            (5, Some(Tier::Check), 0),
            (6, Some(Tier::Act), 0),
        ];
        let patients = tiers.map(|(number, tier, since)| {
            let mut state = State::new(patient(number));
            state.label = Some(format!("Bed {number}"));
            let (key, concern) = concern(tier, since);
            state.concerns.insert(key, Box::new(concern));
            change(&state)
        });
        store
            .commit(&Commit {
                patients: patients.into(),
                ..Commit::default()
            })
            .unwrap();
        let open = store.open_concerns().unwrap();
        let order: Vec<_> = open.iter().map(|row| row.patient.0.as_str()).collect();
        assert_eq!(order, ["Patient/3", "Patient/2", "Patient/6", "Patient/1", "Patient/5"]);
        assert_eq!(open[0].label.as_deref(), Some("Bed 3"));
        assert_eq!(open[0].concern, concern(Some(Tier::Critical), 2).1);
    }

    pub fn events_keep_the_newest_oldest_first(store: &dyn Store) {
        let mut change = change(&State::new(patient(1)));
        change.events = vec![event(1, 1, "a"), event(1, 2, "b"), event(1, 2, "c")];
        store
            .commit(&Commit {
                patients: vec![change],
                ..Commit::default()
            })
            .unwrap();
        assert_eq!(
            store.events(&patient(1), 2).unwrap(),
            [event(1, 2, "b"), event(1, 2, "c")]
        );
        assert_eq!(store.events(&patient(1), 9).unwrap().len(), 3);
        assert_eq!(store.events(&patient(2), 9).unwrap(), []);
    }

    pub fn what_is_unneeded_is_gone_with_what_is_served_of_it(store: &dyn Store) {
        let mut elsewhere = input("b", 1, 0, "{}");
        elsewhere.patient = Some(patient(2));
        let commit = Commit {
            inputs: vec![
                input("a", 1, 0, "{}"),
                input("a", 2, 1, "{}"),
                elsewhere,
                input("c", 1, 0, "{}"),
            ],
            patients: vec![change(&State::new(patient(1))), change(&State::new(patient(2)))],
            ..Commit::default()
        };
        store.commit(&commit).unwrap();
        let source = |id: &str| (patient(1), format!("Observation/{id}"));
        let forgetting = Commit {
            unneeded: vec![source("a"), source("b"), source("absent")],
            ..Commit::default()
        };
        store.commit(&forgetting).unwrap();
        let left: Vec<String> = store
            .inputs_after(None, 9)
            .unwrap()
            .into_iter()
            .map(|row| row.id)
            .collect();
        assert_eq!(left, ["b", "c"]);
        assert_eq!(store.counts().unwrap().inputs, 2);
        assert_eq!(store.read("Observation", "a").unwrap(), None);
        assert!(store.read("Observation", "b").unwrap().is_some());
        // The same resource again is new.
        store
            .commit(&Commit {
                inputs: vec![input("a", 1, 5, "{}")],
                ..Commit::default()
            })
            .unwrap();
        assert_eq!(store.counts().unwrap().inputs, 3);
        assert_eq!(store.read("Observation", "a").unwrap().unwrap().received, at(5));
    }

    pub fn what_may_be_forgotten_comes_earliest_first(store: &dyn Store) {
        let times = [(1, Some(30)), (2, Some(10)), (3, None), (4, Some(20))];
        let commit = Commit {
            patients: times
                .iter()
                .map(|(number, _)| change(&State::new(patient(*number))))
                .collect(),
            forget_at: times
                .iter()
                .map(|(number, minutes)| (patient(*number), minutes.map(at)))
                .collect(),
            ..Commit::default()
        };
        store.commit(&commit).unwrap();
        assert_eq!(store.patients_to_forget(at(9), 10).unwrap(), []);
        assert_eq!(store.patients_to_forget(at(20), 10).unwrap(), [patient(2), patient(4)]);
        assert_eq!(store.patients_to_forget(at(99), 1).unwrap(), [patient(2)]);
        let never = Commit {
            forget_at: vec![(patient(2), None)],
            ..Commit::default()
        };
        store.commit(&never).unwrap();
        assert_eq!(store.patients_to_forget(at(20), 10).unwrap(), [patient(4)]);
    }

    pub fn set_aside_rows_are_replaced_by_source(store: &dyn Store) {
        let keep = set_aside("Observation/keep", "", 2, Reason::NoValue, 1);
        let first = vec![
            set_aside("Observation/a", "component[0]", 1, Reason::UnitUnknown, 2),
            set_aside("Observation/a", "component[1]", 1, Reason::UnitMissing, 3),
        ];
        let commit = |rows: Vec<(String, Vec<_>)>| {
            store.commit(&Commit {
                set_aside: rows,
                ..Commit::default()
            })
        };
        commit(vec![
            ("Observation/a".into(), first.clone()),
            ("Observation/keep".into(), vec![keep.clone()]),
        ])
        .unwrap();
        let listed = store.set_aside(None, 10).unwrap();
        assert_eq!(listed, [first[1].clone(), first[0].clone(), keep.clone()]);
        assert_eq!(store.set_aside(None, 1).unwrap(), [first[1].clone()]);
        assert_eq!(
            store.set_aside(Some(&patient(2)), 10).unwrap(),
            std::slice::from_ref(&keep)
        );
        let now = set_aside("Observation/a", "", 1, Reason::NoValue, 4);
        commit(vec![("Observation/a".into(), vec![now.clone()])]).unwrap();
        assert_eq!(store.set_aside(None, 10).unwrap(), [now, keep.clone()]);
        assert_eq!(store.counts().unwrap().set_aside, [("no-value".to_owned(), 2)]);
        commit(vec![("Observation/a".into(), vec![])]).unwrap();
        assert_eq!(store.set_aside(None, 10).unwrap(), std::slice::from_ref(&keep));
        let strayed = commit(vec![("Observation/b".into(), vec![keep])]).unwrap_err();
        assert!(strayed.to_string().contains("another source"), "{strayed}");
    }

    pub fn counts_follow_every_change(store: &dyn Store) {
        let mut gone = input("c", 1, 0, "{}");
        gone.deleted = true;
        let commit = Commit {
            inputs: vec![
                input("a", 1, 0, "{}"),
                input("a", 2, 0, "{}"),
                input("b", 1, 0, "{}"),
                gone,
            ],
            patients: vec![change(&state(1)), change(&state(1)), change(&state(2))],
            outbox: vec![vec![entry(1, 1, 3)], vec![entry(2, 2, 4)]],
            ..Commit::default()
        };
        store.commit(&commit).unwrap();
        let counts = store.counts().unwrap();
        assert_eq!((counts.inputs, counts.patients), (2, 2));
        assert_eq!(counts.open_concerns, [("critical".to_owned(), 2)]);
        assert_eq!((counts.outbox_waiting, counts.outbox_stopped), (2, 0));
        assert_eq!(counts.outbox_oldest, Some(at(3)));
        let mut gone = input("a", 3, 1, "{}");
        gone.deleted = true;
        store
            .commit(&Commit {
                inputs: vec![gone],
                ..Commit::default()
            })
            .unwrap();
        assert_eq!(store.counts().unwrap().inputs, 1);
        store
            .commit(&Commit {
                inputs: vec![input("a", 4, 2, "{}")],
                ..Commit::default()
            })
            .unwrap();
        assert_eq!(store.counts().unwrap().inputs, 2);
    }

    pub fn many_threads_lose_nothing(store: &dyn Store) {
        std::thread::scope(|scope| {
            for thread in 0..4_u32 {
                scope.spawn(move || {
                    for number in 0..10_u32 {
                        let mut one = input(&format!("{thread}-{number}"), 1, 0, "{}");
                        one.patient = Some(patient(thread));
                        let commit = Commit {
                            inputs: vec![one],
                            patients: vec![change(&state(thread))],
                            outbox: vec![vec![entry(thread, u128::from(number), 0)]],
                            ..Commit::default()
                        };
                        store.commit(&commit).unwrap();
                        // A read after the commit sees it, whichever connection reads.
                        assert!(
                            store
                                .input("Observation", &format!("{thread}-{number}"))
                                .unwrap()
                                .is_some()
                        );
                        assert_eq!(store.load_patient(&patient(thread)).unwrap(), state(thread));
                    }
                });
            }
        });
        let counts = store.counts().unwrap();
        assert_eq!((counts.inputs, counts.patients, counts.outbox_waiting), (40, 4, 40));
    }

    pub fn a_write_can_be_proved(store: &dyn Store) {
        store.probe_writable().unwrap();
        store.probe_writable().unwrap();
        assert_eq!(store.counts().unwrap(), Counts::default());
    }
}
