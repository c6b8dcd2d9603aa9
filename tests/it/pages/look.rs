//! Serves the invented ward to a browser, for whoever changes the pages.

use super::{state, ward};
use deltaward::server::LiveEvent;
use deltaward::server::pages::{PageMode, router};
use ward::{Bed, at};

/// To look at the pages: `cargo test --test it -- --ignored look_at_the_pages`, then a browser at
/// the address printed. Runs for LOOK_SECONDS (600); a new reading arrives after 20 s.
#[tokio::test]
#[ignore = "serves the pages until somebody has looked at them"]
async fn look_at_the_pages() {
    let mut beds = ward::all();
    beds.push(ward::hostile());
    let page = state(beds, PageMode::Demo, at(0));
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    println!("http://{}/", listener.local_addr().unwrap());
    let seconds = std::env::var("LOOK_SECONDS")
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or(600);
    let later = page.clone();
    tokio::spawn(async move {
        tokio::time::sleep(std::time::Duration::from_secs(20)).await;
        let bed = Bed::new("Patient/new", Some("Bed 9 (invented)"), Some("1980"))
            .readings(&[ward::diastolic("bp", -3, 66), ward::pressure("cp", -2, 52)]);
        let patient = bed.state.patient.clone();
        later.store.commit(&bed.commit()).unwrap();
        let _ = later.events.send(LiveEvent {
            patient,
            at: at(0),
            text: "critical".into(),
        });
    });
    let serve = axum::serve(listener, router(page));
    let looked = tokio::time::timeout(std::time::Duration::from_secs(seconds), async move { serve.await }).await;
    assert!(looked.is_err(), "the server ended by itself");
}
