//! The outbox: order per patient, and that nothing that waits is forgotten.

use super::build::{at, entry, identity, patient};
use deltaward::store::{Commit, OutboxEntry, OutboxState, Settlement, Store};

fn append(store: &dyn Store, groups: Vec<Vec<OutboxEntry>>) {
    store
        .commit(&Commit {
            outbox: groups,
            ..Commit::default()
        })
        .unwrap();
}

fn due(store: &dyn Store, minutes: i64) -> Vec<i64> {
    store
        .outbox_due(at(minutes), 100)
        .unwrap()
        .iter()
        .map(|entry| entry.seq)
        .collect()
}

fn settle(store: &dyn Store, seq: i64, state: OutboxState, next_minutes: i64) {
    let settlement = Settlement {
        seq,
        state,
        next_attempt: at(next_minutes),
        answer: "as said".into(),
        own_failure: false,
        remote_reference: None,
    };
    store.outbox_settle(&[settlement], at(0)).unwrap();
}

pub fn groups_are_numbered_in_order(store: &dyn Store) {
    append(
        store,
        vec![vec![entry(1, 11, 0), entry(1, 12, 0)], vec![], vec![entry(2, 13, 0)]],
    );
    append(store, vec![vec![entry(3, 14, 0)]]);
    let numbered: Vec<_> = store.outbox_due(at(0), 100).unwrap();
    let expected =
        [(1, 1, 1, 11), (2, 1, 1, 12), (3, 3, 2, 13), (4, 4, 3, 14)].map(|(seq, group, of, number)| OutboxEntry {
            seq,
            group,
            ..entry(of, number, 0)
        });
    assert_eq!(numbered, expected);
}

pub fn only_the_head_group_of_each_patient_is_due(store: &dyn Store) {
    append(
        store,
        vec![
            vec![entry(1, 1, 0), entry(1, 2, 0)],
            vec![entry(1, 3, 0)],
            vec![entry(2, 4, 0)],
            vec![entry(1, 5, 0)],
        ],
    );
    assert_eq!(due(store, 0), [1, 2, 4]);
    settle(store, 1, OutboxState::Delivered, 0);
    assert_eq!(due(store, 0), [2, 4], "half a group: the other half is still the head");
    settle(store, 2, OutboxState::Delivered, 0);
    assert_eq!(due(store, 0), [3, 4]);
    settle(store, 3, OutboxState::Delivered, 0);
    settle(store, 4, OutboxState::Delivered, 0);
    assert_eq!(due(store, 0), [5]);
    settle(store, 5, OutboxState::Delivered, 0);
    assert_eq!(due(store, 99), [0_i64; 0]);
}

pub fn a_head_that_waits_holds_back_its_patient_only(store: &dyn Store) {
    append(
        store,
        vec![vec![entry(1, 1, 0)], vec![entry(1, 2, 0)], vec![entry(2, 3, 0)]],
    );
    settle(store, 1, OutboxState::Waiting, 5);
    assert_eq!(due(store, 4), [3]);
    assert_eq!(due(store, 5), [1, 3]);
}

pub fn a_stopped_entry_does_not_block_later_alerts(store: &dyn Store) {
    append(store, vec![vec![entry(1, 1, 0), entry(1, 2, 0)], vec![entry(1, 3, 0)]]);
    settle(store, 1, OutboxState::Stopped, 0);
    assert_eq!(due(store, 0), [2]);
    settle(store, 2, OutboxState::Stopped, 0);
    assert_eq!(due(store, 0), [3]);
    let stopped = store.outbox_list(OutboxState::Stopped, 10).unwrap();
    assert_eq!(stopped.iter().map(|entry| entry.seq).collect::<Vec<_>>(), [2, 1]);
    assert_eq!(store.counts().unwrap().outbox_stopped, 2);
}

pub fn a_group_is_never_cut(store: &dyn Store) {
    append(
        store,
        vec![
            vec![entry(1, 1, 0), entry(1, 2, 9)],
            vec![entry(2, 3, 0), entry(2, 4, 0)],
        ],
    );
    let at_most = |limit| -> Vec<i64> {
        store
            .outbox_due(at(0), limit)
            .unwrap()
            .iter()
            .map(|entry| entry.seq)
            .collect()
    };
    // Entry 2 comes with entry 1, before its own time: they are one Bundle.
    assert_eq!(at_most(1), [1, 2]);
    assert_eq!(at_most(3), [1, 2]);
    assert_eq!(at_most(4), [1, 2, 3, 4]);
    assert_eq!(at_most(0), [0_i64; 0]);
}

pub fn settlements_are_kept(store: &dyn Store) {
    append(store, vec![vec![entry(1, 11, 0)]]);
    settle(store, 1, OutboxState::Waiting, 5);
    assert_eq!(store.remote_reference(&identity(11)).unwrap(), None);
    let delivered = Settlement {
        seq: 1,
        state: OutboxState::Delivered,
        next_attempt: at(5),
        answer: "201".into(),
        own_failure: false,
        remote_reference: Some("Communication/17".into()),
    };
    let unknown = Settlement {
        seq: 99,
        ..delivered.clone()
    };
    // All or nothing, as every write.
    assert!(store.outbox_settle(&[delivered.clone(), unknown], at(5)).is_err());
    assert_eq!(store.remote_reference(&identity(11)).unwrap(), None);
    store.outbox_settle(&[delivered], at(5)).unwrap();
    assert_eq!(
        store.remote_reference(&identity(11)).unwrap().as_deref(),
        Some("Communication/17")
    );
    // A late answer to an earlier attempt does not take it back.
    settle(store, 1, OutboxState::Waiting, 0);
    let kept = store.outbox_list(OutboxState::Delivered, 10).unwrap();
    assert_eq!(
        (kept.len(), kept[0].attempts, kept[0].last_answer.as_str()),
        (1, 3, "as said")
    );
    assert_eq!(due(store, 99), [0_i64; 0]);
    let counts = store.counts().unwrap();
    assert_eq!((counts.outbox_waiting, counts.outbox_oldest), (0, None));
}

pub fn a_stopped_entry_can_be_sent_again(store: &dyn Store) {
    append(store, vec![vec![entry(1, 1, 0)], vec![entry(1, 2, 0)]]);
    settle(store, 1, OutboxState::Stopped, 0);
    assert!(!store.outbox_resend(2, at(7)).unwrap(), "it is not stopped");
    assert!(!store.outbox_resend(99, at(7)).unwrap(), "there is none");
    assert!(store.outbox_resend(1, at(7)).unwrap());
    assert!(!store.outbox_resend(1, at(8)).unwrap(), "it waits already");
    assert_eq!(due(store, 6), [0_i64; 0], "what waits behind it waits again");
    assert_eq!(due(store, 7), [1]);
    let head = &store.outbox_due(at(7), 1).unwrap()[0];
    assert_eq!(
        (head.attempts, head.next_attempt, head.patient.clone()),
        (1, at(7), patient(1))
    );
}

pub fn an_old_form_is_not_sent_over_a_newer_one(store: &dyn Store) {
    append(store, vec![vec![entry(1, 1, 0)], vec![entry(1, 1, 0)]]);
    settle(store, 1, OutboxState::Stopped, 0);
    settle(store, 2, OutboxState::Delivered, 0);
    assert!(!store.outbox_resend(1, at(7)).unwrap());
}

fn observation(of: u32, number: u128, minutes: i64) -> OutboxEntry {
    OutboxEntry {
        resource_type: "Observation".into(),
        ..entry(of, number, minutes)
    }
}

fn fail(store: &dyn Store, seq: i64, own: bool, times: usize) {
    let settlement = Settlement {
        seq,
        state: OutboxState::Waiting,
        next_attempt: at(0),
        answer: "500".into(),
        own_failure: own,
        remote_reference: None,
    };
    for _ in 0..times {
        store.outbox_settle(std::slice::from_ref(&settlement), at(0)).unwrap();
    }
}

pub fn an_observation_never_holds_back_a_message(store: &dyn Store) {
    append(
        store,
        vec![
            vec![observation(1, 1, 0), entry(1, 2, 0)],
            vec![observation(1, 3, 0), entry(1, 4, 0)],
            vec![entry(1, 5, 0)],
        ],
    );
    settle(store, 2, OutboxState::Delivered, 0);
    settle(store, 1, OutboxState::Waiting, 5);
    // The message of group 1 is out: group 3 does not wait for its Observation, group 5 for group 3's message.
    assert_eq!(due(store, 0), [3, 4]);
    assert_eq!(due(store, 5), [1, 3, 4]);
}

pub fn a_message_that_fails_by_itself_is_passed_in_the_end(store: &dyn Store) {
    append(store, vec![vec![entry(1, 1, 0)], vec![entry(1, 2, 0)]]);
    fail(store, 1, true, 4);
    assert_eq!(due(store, 0), [1]);
    fail(store, 1, true, 1);
    assert_eq!(due(store, 0), [1, 2]);
}

pub fn order_holds_across_an_outage(store: &dyn Store) {
    append(store, vec![vec![entry(1, 1, 0)], vec![entry(1, 2, 0)]]);
    fail(store, 1, false, 19);
    assert_eq!(due(store, 0), [1], "the server was away: no failure of the entry's own");
    fail(store, 1, false, 1);
    assert_eq!(
        due(store, 0),
        [1, 2],
        "but not without end: it may hang on this one entry"
    );
}

pub fn a_newer_form_settles_the_older_ones(store: &dyn Store) {
    append(
        store,
        vec![
            vec![observation(1, 1, 0)],
            vec![observation(1, 1, 0)],
            vec![observation(1, 1, 0)],
            vec![observation(1, 2, 0)],
        ],
    );
    settle(store, 1, OutboxState::Stopped, 0);
    settle(store, 2, OutboxState::Waiting, 0);
    settle(store, 3, OutboxState::Waiting, 9);
    assert_eq!(due(store, 5), [4], "3 may be on the server already: 2 would undo it");
    settle(store, 3, OutboxState::Delivered, 9);
    assert_eq!(due(store, 99), [4], "of another resource");
    let done = store.outbox_list(OutboxState::Delivered, 10).unwrap();
    let answers: Vec<(i64, &str)> = done
        .iter()
        .map(|entry| (entry.seq, entry.last_answer.as_str()))
        .collect();
    let superseded = "superseded: entry 3, a later form, was delivered";
    assert_eq!(answers, [(3, "as said"), (2, superseded), (1, superseded)]);
    assert_eq!(
        store.counts().unwrap().outbox_stopped,
        0,
        "nothing is left for a person to do"
    );
}

pub fn an_older_form_goes_when_the_newer_one_was_refused(store: &dyn Store) {
    append(store, vec![vec![observation(1, 1, 0)], vec![observation(1, 1, 0)]]);
    settle(store, 1, OutboxState::Waiting, 0);
    settle(store, 2, OutboxState::Waiting, 0);
    assert_eq!(due(store, 0), [2]);
    settle(store, 2, OutboxState::Stopped, 0);
    assert_eq!(due(store, 0), [1]);
}

pub fn observations_that_failed_do_not_crowd_out_messages(store: &dyn Store) {
    let mut groups: Vec<_> = (1..=20).map(|n| vec![observation(n, u128::from(n), 0)]).collect();
    groups.push(vec![entry(21, 21, 0)]);
    append(store, groups);
    for seq in 1..=20 {
        settle(store, seq, OutboxState::Waiting, 0);
    }
    let due: Vec<i64> = store
        .outbox_due(at(0), 3)
        .unwrap()
        .iter()
        .map(|entry| entry.seq)
        .collect();
    assert_eq!(due, [1, 2, 21]);
}
