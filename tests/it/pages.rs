//! The pages, in process, over an in-memory store. All patients are invented.

mod beside;
mod look;
pub mod resend;
pub mod ward;

use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use deltaward::fhir::Instant;
use deltaward::outbox::wording;
use deltaward::recognise::PatientKey;
use deltaward::rules::Sheets;
use deltaward::server::LiveEvent;
use deltaward::server::pages::{PageMode, PageState, router};
use deltaward::store::sqlite::SqliteStore;
use deltaward::store::{Commit, OutboxEntry, OutboxState, Settlement, Store};
use futures_util::StreamExt;
use std::sync::Arc;
use tokio::sync::broadcast;
use tower::ServiceExt;
use ward::{Bed, HOSTILE, NOBODY_TO_ASK, at};

fn state(beds: Vec<Bed>, mode: PageMode, now: Instant) -> PageState {
    let store = SqliteStore::in_memory().unwrap();
    for bed in beds {
        store.commit(&bed.commit()).unwrap();
    }
    PageState {
        store: Arc::new(store),
        sheets: Arc::new(Sheets::builtin().unwrap()),
        policy: NOBODY_TO_ASK,
        clock: Arc::new(move || now),
        events: broadcast::channel(16).0,
        mode,
        ward_title: Some("Night ward (invented)".into()),
    }
}

async fn get(page: &PageState, path: &str) -> (StatusCode, String) {
    let request = Request::get(path).body(Body::empty()).unwrap();
    let answer = router(page.clone()).oneshot(request).await.unwrap();
    let status = answer.status();
    let body = axum::body::to_bytes(answer.into_body(), 16 << 20).await.unwrap();
    (status, String::from_utf8(body.to_vec()).unwrap())
}

async fn ok(page: &PageState, path: &str) -> String {
    let (status, body) = get(page, path).await;
    assert_eq!(status, StatusCode::OK, "{body}");
    body
}

/// What a person reads: the text between tags.
pub fn text_of(html: &str) -> String {
    let mut text = String::new();
    let mut in_tag = false;
    for character in html.chars() {
        match character {
            '<' => in_tag = true,
            '>' => {
                in_tag = false;
                text.push(' ');
            }
            _ if !in_tag => text.push(character),
            _ => {}
        }
    }
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn position(text: &str, part: &str) -> usize {
    text.find(part).unwrap_or_else(|| panic!("{part:?} is not in {text}"))
}

#[tokio::test]
async fn the_front_page_lists_the_worst_first_with_every_number_and_its_age() {
    let page = state(ward::all(), PageMode::Live, at(0));
    let html = ok(&page, "/").await;
    let text = text_of(&html);
    // Critical before check; both before those without a concern.
    let order = [
        "Bed 1 (invented)",
        "Bed 6 (invented)",
        "No rule is met by the readings received",
        "Bed 5 (invented)",
    ];
    let places: Vec<usize> = order.iter().map(|part| position(&text, part)).collect();
    assert!(places.is_sorted(), "{places:?}");
    // 70 − 58 = 12, at or below 20 (JAAOS 1996): critical. Measured 4 and 8 minutes ago.
    let bed = &text[places[0]..places[1]];
    for part in [
        "critical",
        "left leg, anterior compartment",
        "delta 12 mmHg",
        "Compartment pressure 58 mmHg 4 min ago (needle)",
        "Diastolic 70 mmHg 8 min ago (cuff)",
        "Open since 19:09 UTC , 3 h 01 min ago",
        "which told this tier, written 22:07 UTC .",
        "Next: Examine the limb and call the surgeon responsible now",
    ] {
        position(bed, part);
    }
    assert!(html.contains("class=\"delta-number\">12<"));
}

#[tokio::test]
async fn a_tier_that_stands_on_an_older_number_says_so_and_shows_the_newest() {
    let page = state(vec![ward::corrected()], PageMode::Live, at(0));
    let text = text_of(&ok(&page, "/").await);
    position(&text, "delta 29 mmHg");
    position(
        &text,
        "The tier stands on the numbers above. Newest: delta 52 mmHg; compartment pressure 22, 10 min ago",
    );
}

#[tokio::test]
async fn a_carried_delta_is_named_and_asks_to_measure_again() {
    let page = state(vec![ward::falling()], PageMode::Live, at(0));
    let text = text_of(&ok(&page, "/").await);
    // 46 − 28 = 18 against the last compartment reading, 118 minutes old.
    position(&text, "delta, carried 18 mmHg");
    position(&text, "Compartment pressure 28 mmHg 118 min ago");
    position(&text, wording::CARRIED);
}

/// 88 − 43 = 45 meets no rule of the delta; 43 alone is not below 30 (Mubarak 1978).
#[tokio::test]
async fn a_pressure_that_speaks_alone_is_the_large_number() {
    let bed = Bed::new("Patient/high", Some("Bed 8 (invented)"), Some("1970"))
        .readings(&[ward::diastolic("d", -9, 88), ward::pressure("c", -8, 43)]);
    let page = state(vec![bed], PageMode::Live, at(0));
    for path in ["/", "/patient?id=Patient/high"] {
        let html = ok(&page, path).await;
        assert!(html.contains("class=\"delta-number\">43<"), "{path}");
        position(&text_of(&html), "compartment pressure 43 mmHg delta 45 mmHg");
    }
}

#[tokio::test]
async fn a_patient_named_by_identifier_is_read_by_its_value() {
    let key = "identifier:urn:oid:1.2|A-7";
    let bed = Bed::new(key, None, Some("1970")).readings(&[ward::diastolic("d", -9, 70), ward::pressure("c", -8, 45)]);
    let page = state(vec![bed], PageMode::Live, at(0));
    let text = text_of(&ok(&page, "/").await);
    position(&text, "identifier A-7");
    let text = text_of(&ok(&page, "/patient?id=identifier%3Aurn%3Aoid%3A1.2%7CA-7").await);
    position(&text, "identifier A-7 (of urn:oid:1.2)");
}

/// What is not used could have met a rule.
#[tokio::test]
async fn no_rule_is_met_never_stands_without_what_was_set_aside() {
    let bed = Bed::new("Patient/aside", Some("Bed 9 (invented)"), Some("1970"))
        .readings(&[ward::diastolic("d", -9, 90), ward::pressure("c", -8, 20)])
        .refused(
            "c2",
            -5,
            deltaward::recognise::Reason::UnitMissing,
            "value 31 without a unit",
        );
    let page = state(vec![bed], PageMode::Live, at(0));
    let html = ok(&page, "/patient?id=Patient/aside").await;
    let text = text_of(&html);
    position(&text, "No rule is met by the readings received");
    position(
        &text,
        "1 entry of this patient's record is set aside and not used: see why",
    );
    assert!(html.contains("href=\"#set-aside\""));
}

#[tokio::test]
async fn watched_patients_are_listed_with_the_age_of_the_last_reading_and_no_comfort() {
    let page = state(vec![ward::units()], PageMode::Live, at(0));
    let html = ok(&page, "/").await;
    let text = text_of(&html);
    position(&text, "Bed 5 (invented)");
    position(&text, "31 min ago");
    position(&text, wording::RULE_OUT);
    // 20.4 cm[H2O] × 0.7355612727081802 (UCUM) = 15.005 mm[Hg]; 77 − 15.005 = 61.995, half down: 62.
    position(&text, "delta 62 mmHg");
    assert!(html.contains("id=\"watched\""));
    // Three days after the reading the list has ended, and says what it lists.
    let later = state(vec![ward::units()], PageMode::Live, at(60 * 73));
    let text = text_of(&ok(&later, "/").await);
    assert!(!text.contains("Bed 5"));
    position(&text, "in the last 72 hours");
}

/// Green is the colour of "all is well" on every ward: no colour of the style sheet leans to it.
#[test]
fn no_colour_is_green() {
    let style = include_str!("../../src/server/pages/page.css");
    let colours: Vec<&str> = style.split('#').skip(1).filter_map(|rest| rest.get(..6)).collect();
    let channel = |colour: &str, from: usize| u8::from_str_radix(&colour[from..from + 2], 16).map(i32::from);
    let mut seen = 0;
    for colour in colours {
        if let (Ok(red), Ok(green), Ok(blue)) = (channel(colour, 0), channel(colour, 2), channel(colour, 4)) {
            assert!(green < red + 24 || green < blue + 24, "#{colour}");
            seen += 1;
        }
    }
    assert!(seen > 30, "the colours of both schemes were read");
    assert!(!style.contains("green"));
}

#[tokio::test]
async fn no_page_gives_an_all_clear() {
    let page = state(ward::all(), PageMode::Demo, at(0));
    let mut paths = vec![String::from("/"), "/set-aside".into(), "/stopped".into()];
    for bed in ward::all() {
        paths.push(format!("/patient?id={}", bed.state.patient.0.replace('/', "%2F")));
    }
    let empty = state(Vec::new(), PageMode::Demo, at(0));
    let mut pages = vec![
        ok(&empty, "/").await,
        ok(&empty, "/set-aside").await,
        ok(&empty, "/stopped").await,
    ];
    for path in &paths {
        pages.push(ok(&page, path).await);
    }
    for html in pages {
        assert_eq!(wording::forbidden_in(&text_of(&html)), None, "{}", text_of(&html));
    }
}

#[tokio::test]
async fn the_patient_page_shows_the_evidence_of_each_point_newest_first() {
    let page = state(vec![ward::climbing()], PageMode::Live, at(0));
    let html = ok(&page, "/patient?id=Patient%2Fclimbing").await;
    let text = text_of(&html);
    let table = &text[position(&text, "Evidence, left leg, anterior compartment")..];
    let rows: Vec<usize> = ["22:06 UTC", "21:08 UTC", "20:08 UTC"]
        .map(|time| position(table, time))
        .to_vec();
    assert!(rows.is_sorted());
    for part in [
        "sent as 58 mm[Hg]",
        "70 (cuff, 4 min earlier) − 58 (needle) = 12 mmHg",
        "delta-20",
        "low in 3 readings over",
        "pressure: Observation/cp-5 , version 1",
        "diastolic: Observation/bp-5 , version 1",
        "4 min before, simultaneous",
    ] {
        position(table, part);
    }
    for part in [
        "<caption>Evidence",
        "scope=\"col\">Delta pressure</th>",
        "<th role=\"rowheader\" scope=\"row\">",
        "role=\"img\"",
        "<desc",
        "lang=\"en\"",
        "<main id=\"main\"",
        "class=\"skip\" href=\"#main\"",
    ] {
        assert!(html.contains(part), "{part}");
    }
    position(&text, "Rule delta-20 (critical): Delta pressure 12 mmHg");
    position(&text, "5 compartment readings, newest 4 min ago");
}

#[tokio::test]
async fn single_reading_child_and_unknown_age_are_told() {
    let page = state(vec![ward::child(), ward::without_diastolic()], PageMode::Live, at(0));
    let child = text_of(&ok(&page, "/patient?id=Patient/child").await);
    for part in [
        wording::CHILD,
        "1 compartment reading,",
        "One reading only.",
        "unit-missing",
        "(side not stated)",
    ] {
        position(&child, part);
    }
    let alone = text_of(&ok(&page, "/patient?id=Patient/alone").await);
    position(&alone, "no usable diastolic");
    let unborn = state(
        vec![Bed::new("Patient/x", None, None).readings(&[ward::diastolic("d", -3, 70), ward::pressure("c", -2, 45)])],
        PageMode::Live,
        at(0),
    );
    let text = text_of(&ok(&unborn, "/patient?id=Patient/x").await);
    position(&text, wording::AGE_UNKNOWN);
    position(&text, wording::SINGLE_READING);
}

#[tokio::test]
async fn withdrawals_stand_in_the_history() {
    let page = state(vec![ward::corrected()], PageMode::Live, at(0));
    let text = text_of(&ok(&page, "/patient?id=Patient/corrected").await);
    position(&text, "a ground was withdrawn, before: critical");
    position(&text, "WITHDRAWN");
}

#[tokio::test]
async fn a_patient_of_whom_nothing_is_known_is_not_found_and_that_tells_nothing() {
    let page = state(Vec::new(), PageMode::Live, at(0));
    for (path, said) in [
        (
            "/patient?id=Patient%2Fnobody",
            "for the patient Patient/nobody . That tells nothing about the patient",
        ),
        ("/patient", "The address names no patient"),
    ] {
        let (status, body) = get(&page, path).await;
        assert_eq!(status, StatusCode::NOT_FOUND);
        position(&text_of(&body), said);
    }
}

#[tokio::test]
async fn what_the_record_names_never_becomes_markup() {
    let page = state(vec![ward::hostile()], PageMode::Live, at(0));
    let id: String = url::form_urlencoded::byte_serialize(format!("Patient/{HOSTILE}").as_bytes()).collect();
    for path in ["/", "/set-aside", &format!("/patient?id={id}")] {
        let html = ok(&page, path).await;
        assert!(html.contains("&lt;script&gt;alert(1)"), "{path}: it is shown, as text");
        for raw in ["<script>alert", "<img", "\"'&<"] {
            assert!(!html.contains(raw), "{path} holds {raw}");
        }
        // The only script is ours, by its path; nothing inline.
        assert_eq!(html.matches("<script").count(), 1);
        assert!(html.contains("<script src=\"/assets/page-") && !html.contains(" style=\""));
    }
}

#[tokio::test]
async fn banners_are_one_line_and_only_when_due() {
    for (mode, banner) in [
        (PageMode::Live, None),
        (PageMode::Shadow, Some("Shadow: nothing leaves this service")),
        (PageMode::Demo, Some("Invented patients")),
    ] {
        let html = ok(&state(Vec::new(), mode, at(0)), "/").await;
        assert_eq!(html.matches("class=\"banner\"").count(), usize::from(banner.is_some()));
        if let Some(banner) = banner {
            position(&html, banner);
        }
    }
}

#[tokio::test]
async fn every_page_carries_the_cautions_the_sheet_and_the_policy() {
    let page = state(ward::all(), PageMode::Live, at(0));
    for path in ["/", "/rules", "/set-aside", "/stopped", "/patient?id=Patient/child"] {
        let request = Request::get(path).body(Body::empty()).unwrap();
        let answer = router(page.clone()).oneshot(request).await.unwrap();
        let policy = answer.headers()[header::CONTENT_SECURITY_POLICY]
            .to_str()
            .unwrap()
            .to_owned();
        assert!(policy.contains("default-src 'none'") && policy.contains("script-src 'self'"));
        assert!(!policy.contains("unsafe"));
        assert_eq!(answer.headers()[header::CACHE_CONTROL], "no-store");
        let body = axum::body::to_bytes(answer.into_body(), 16 << 20).await.unwrap();
        let text = text_of(std::str::from_utf8(&body).unwrap());
        for caution in wording::CAUTIONS {
            position(&text, caution.text);
        }
        position(&text, "adult-limb 1.1.0");
        position(&text, "child-limb 1.1.0");
        position(&text, "As of 2026-03-05 22:10 UTC");
    }
}

#[tokio::test]
async fn the_rules_page_shows_every_rule_with_threshold_source_and_mark() {
    let page = state(Vec::new(), PageMode::Live, at(0));
    let text = text_of(&ok(&page, "/rules").await);
    for rule in page.sheets.both().into_iter().flat_map(|sheet| &sheet.rules) {
        position(&text, &rule.id);
        position(&text, &format!("mark {}", rule.mark));
    }
    for part in [
        "McQueen &amp; Court-Brown 1996",
        "delta pressure of a compartment reading is above 20 and at or below 30 mmHg",
        &page.sheets.adult().hash,
        &page.sheets.child().hash,
    ] {
        position(&text, part);
    }
}

#[tokio::test]
async fn stopped_entries_show_what_the_server_said() {
    let page = state(vec![ward::climbing()], PageMode::Live, at(0));
    let entry = OutboxEntry {
        seq: 0,
        group: 0,
        identity: uuid::Uuid::from_u128(7),
        resource_type: "Communication".into(),
        patient: PatientKey("Patient/climbing".into()),
        body: serde_json::json!({}),
        state: OutboxState::Waiting,
        attempts: 0,
        next_attempt: at(-3),
        last_answer: String::new(),
    };
    let commit = Commit {
        outbox: vec![vec![entry]],
        ..Commit::default()
    };
    page.store.commit(&commit).unwrap();
    let seq = page.store.outbox_due(at(0), 10).unwrap()[0].seq;
    let refused = Settlement {
        seq,
        state: OutboxState::Stopped,
        next_attempt: at(0),
        answer: "422: processing: <b>no such subject</b>".into(),
        own_failure: false,
        remote_reference: None,
    };
    page.store.outbox_settle(&[refused], at(0)).unwrap();
    let html = ok(&page, "/stopped").await;
    position(&html, "422: processing: &lt;b&gt;no such subject&lt;/b&gt;");
    position(
        &html,
        &format!("<form method=\"post\" action=\"/stopped/{seq}/resend\">"),
    );
    position(
        &text_of(&ok(&page, "/").await),
        "1 resource was refused by the record and is stopped",
    );
}

#[tokio::test]
async fn assets_are_named_by_their_content_and_kept() {
    let page = state(Vec::new(), PageMode::Live, at(0));
    let html = ok(&page, "/").await;
    for (kind, ending) in [("text/css", ".css\""), ("text/javascript", ".js\"")] {
        let end = position(&html, ending) + ending.len() - 1;
        let start = html[..end].rfind('"').unwrap() + 1;
        let request = Request::get(&html[start..end]).body(Body::empty()).unwrap();
        let answer = router(page.clone()).oneshot(request).await.unwrap();
        assert_eq!(answer.status(), StatusCode::OK);
        assert!(
            answer.headers()[header::CONTENT_TYPE]
                .to_str()
                .unwrap()
                .starts_with(kind)
        );
        assert!(
            answer.headers()[header::CACHE_CONTROL]
                .to_str()
                .unwrap()
                .contains("immutable")
        );
    }
    assert_eq!(get(&page, "/assets/page-0.css").await.0, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn a_change_reaches_an_open_page() {
    let page = state(Vec::new(), PageMode::Live, at(0));
    let request = Request::get("/events").body(Body::empty()).unwrap();
    let answer = router(page.clone()).oneshot(request).await.unwrap();
    assert!(
        answer.headers()[header::CONTENT_TYPE]
            .to_str()
            .unwrap()
            .starts_with("text/event-stream")
    );
    let mut body = answer.into_body().into_data_stream();
    let mut next = async || String::from_utf8(body.next().await.unwrap().unwrap().to_vec()).unwrap();
    assert!(next().await.contains("event: hello"));
    let change = LiveEvent {
        patient: PatientKey("Patient/1\n\ndata: x".into()),
        at: at(0),
        text: "critical: delta 12 mmHg".into(),
    };
    page.events.send(change).unwrap();
    let event = next().await;
    assert!(event.contains("event: change"));
    let data = event.lines().find_map(|line| line.strip_prefix("data: ")).unwrap();
    let data: serde_json::Value = serde_json::from_str(data).unwrap();
    assert_eq!(data["patient"], "Patient/1\n\ndata: x");
    // More changes than the channel holds: one `lagged`, never a silent loss.
    for _ in 0..40 {
        let change = LiveEvent {
            patient: PatientKey("Patient/2".into()),
            at: at(0),
            text: String::new(),
        };
        page.events.send(change).unwrap();
    }
    assert!(next().await.contains("event: lagged"));
}

#[tokio::test]
async fn listeners_are_bounded() {
    let app = router(state(Vec::new(), PageMode::Live, at(0)));
    let listen = || {
        let request = Request::get("/events").body(Body::empty()).unwrap();
        app.clone().oneshot(request)
    };
    let mut held = Vec::new();
    for _ in 0..256 {
        held.push(listen().await.unwrap());
    }
    assert!(held.iter().all(|answer| answer.status() == StatusCode::OK));
    let refused = listen().await.unwrap();
    assert_eq!(refused.status(), StatusCode::SERVICE_UNAVAILABLE);
    assert!(refused.headers().contains_key(header::RETRY_AFTER));
    // A listener that goes makes room.
    held.pop();
    assert_eq!(listen().await.unwrap().status(), StatusCode::OK);
}

/// Values of an attribute.
fn attributes<'h>(html: &'h str, name: &str) -> Vec<&'h str> {
    let start = format!(" {name}=\"");
    html.split(&start)
        .skip(1)
        .filter_map(|rest| rest.split('"').next())
        .collect()
}

#[tokio::test]
async fn what_a_screen_reader_needs_is_there() {
    let two_sites = Bed::new("Patient/two", Some("Bed 7 (invented)"), None).readings(&[
        ward::diastolic("d", -9, 70),
        ward::pressure("c1", -8, 45),
        ward::pressure("c2", -7, 20).on(ward::leg(deltaward::recognise::Side::Right)),
    ]);
    let mut beds = ward::all();
    beds.push(two_sites);
    let page = state(beds, PageMode::Live, at(0));
    for path in [
        "/",
        "/rules",
        "/set-aside",
        "/stopped",
        "/patient?id=Patient/two",
        "/patient?id=Patient/child",
    ] {
        let html = ok(&page, path).await;
        let mut ids = attributes(&html, "id");
        for named in attributes(&html, "aria-labelledby") {
            for id in named.split(' ') {
                assert!(ids.contains(&id), "{path}: aria-labelledby {id} names nothing");
            }
        }
        ids.sort_unstable();
        let all = ids.len();
        ids.dedup();
        assert_eq!(ids.len(), all, "{path}: an id stands twice");
        assert_eq!(html.matches("<h1").count(), 1, "{path}");
        assert_eq!(
            html.matches("<table").count(),
            html.matches("<caption").count(),
            "{path}"
        );
        assert_eq!(
            html.matches("<svg").count(),
            html.matches("aria-hidden=\"true\" focusable").count() + html.matches("role=\"img\"").count(),
            "{path}: every picture is named or hidden"
        );
        for part in [
            "<html lang=\"en\"",
            "<header",
            "<nav aria-label",
            "<main id=\"main\"",
            "<footer",
            "aria-live=\"assertive\"",
            "<noscript><meta http-equiv=\"refresh\"",
        ] {
            assert!(html.contains(part), "{path}: {part}");
        }
    }
}
