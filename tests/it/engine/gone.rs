//! The thread that commits has panicked: a fault of this program, and no end of alerts.

use super::failing::batch;
use super::*;
use deltaward::fhir::Instant;
use deltaward::patient::State;
use deltaward::patient::state::StateRow;
use deltaward::source::IntakeError;
use deltaward::store::records::*;
use deltaward::store::{Commit, InputRow, OutboxEntry, OutboxState, SetAsideRow, Settlement, StoreError};
use std::sync::atomic::AtomicBool;
use std::time::Duration;

/// A store that panics once, in the middle of a commit.
struct Panicking {
    inner: SqliteStore,
    now: AtomicBool,
}

macro_rules! forward {
    ($($name:ident($($argument:ident: $of:ty),*) -> $gives:ty;)*) => {
        $(fn $name(&self, $($argument: $of),*) -> Result<$gives, StoreError> {
            self.inner.$name($($argument),*)
        })*
    };
}

impl Store for Panicking {
    fn commit(&self, commit: &Commit) -> Result<(), StoreError> {
        assert!(!self.now.swap(false, Ordering::SeqCst), "a fault of this test");
        self.inner.commit(commit)
    }

    forward! {
        load_patient(patient: &PatientKey) -> State;
        input(resource_type: &str, id: &str) -> Option<InputRow>;
        inputs(addresses: &[(&str, &str)]) -> Vec<Option<InputRow>>;
        patients_due(now: Instant, limit: usize) -> Vec<PatientKey>;
        patients_to_forget(now: Instant, limit: usize) -> Vec<PatientKey>;
        next_due() -> Option<Instant>;
        inputs_after(after: Option<(&str, &str)>, limit: usize) -> Vec<InputRow>;
        patients_after(after: Option<&PatientKey>, limit: usize) -> Vec<PatientKey>;
        meta(key: &str) -> Option<String>;
        cursor(name: &str) -> Option<Instant>;
        outbox_due(now: Instant, limit: usize) -> Vec<OutboxEntry>;
        outbox_settle(settlements: &[Settlement], now: Instant) -> ();
        remote_reference(identity: &uuid::Uuid) -> Option<String>;
        outbox_resend(seq: i64, now: Instant) -> bool;
        outbox_list(state: OutboxState, limit: usize) -> Vec<OutboxEntry>;
        search(query: &SearchQuery) -> SearchPage;
        read(resource_type: &str, id: &str) -> Option<InputRow>;
        open_concerns() -> Vec<StateRow>;
        watched(since: Instant, limit: usize) -> Vec<PatientKey>;
        events(patient: &PatientKey, limit: usize) -> Vec<EventRow>;
        derived(patient: &PatientKey, limit: usize) -> Vec<DerivedRow>;
        set_aside(patient: Option<&PatientKey>, limit: usize) -> Vec<SetAsideRow>;
        counts() -> Counts;
        probe_writable() -> ();
        tidy(idle: bool) -> ();
        fold() -> ();
    }
}

#[tokio::test]
async fn the_engine_goes_on_when_the_thread_that_commits_has_panicked() {
    let store = Arc::new(Panicking {
        inner: SqliteStore::in_memory().unwrap(),
        now: AtomicBool::new(false),
    });
    let running = Running::start(Arc::clone(&store) as Arc<dyn Store>, Mapping::builtin());
    running.poll(&[diastolic("d", 70, "10:00")]).await;
    store.now.store(true, Ordering::SeqCst);
    let lost = running.intake.submit(batch(&[pressure("c", 50, "10:02")])).await;
    assert!(
        matches!(lost, Err(IntakeError::Stopped | IntakeError::Store(_))),
        "{lost:?}"
    );
    assert_eq!(running.store.input("Observation", "c").unwrap(), None);
    // It is sent again, as any 503 is: at the latest then the engine knows.
    let again = async {
        while running
            .intake
            .submit(batch(&[pressure("c", 50, "10:02")]))
            .await
            .is_err()
        {
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    };
    tokio::time::timeout(Duration::from_secs(20), again).await.unwrap();
    assert_eq!((running.deltas().len(), running.messages().len()), (1, 1));
    // Timers run on though nothing comes: nobody measured again within the hour.
    running.clock.fetch_add(2 * 60 * 60 * 1000, Ordering::SeqCst);
    for _ in 0..200 {
        if running.messages().len() > 1 {
            break;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    assert!(running.messages().len() > 1, "the timer never fell due");
    running.end();
}
