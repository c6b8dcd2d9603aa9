//! Every text that the service produces over the whole fixture set, against what no text may say;
//! and what each message of an open concern must say.
//!
//! The texts come from the real service: fixtures go in on `/fhir`, messages, derived resources,
//! pages and refusals come out. A hit names the text and its place.

mod house;
mod must_say;

use deltaward::outbox::wording::{ALLOWED, CAUTIONS, FORBIDDEN, RULE_OUT, forbidden_in};
use deltaward::pipeline::demo::ward::Ward;
use deltaward::rules::Sheet;
use house::{House, fixtures, folder, read};
use regex::Regex;
use serde_json::Value;

/// A text and where it stands.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Said {
    pub place: String,
    pub text: String,
}

/// A line for each text that says what no text may say.
fn hits<'s>(texts: impl IntoIterator<Item = &'s Said>) -> Vec<String> {
    let hit = |said: &Said| {
        let flat = said.text.split_whitespace().collect::<Vec<_>>().join(" ");
        forbidden_in(&flat).map(|phrase| format!("{}: {phrase:?} in: {}", said.place, around(&said.text, phrase)))
    };
    texts.into_iter().filter_map(hit).collect()
}

/// What stands around a phrase, so that it can be found.
fn around(text: &str, phrase: &str) -> String {
    let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let at = flat.to_lowercase().find(phrase).unwrap_or(0);
    let before = flat.get(..at).unwrap_or_default().chars().count();
    flat.chars().skip(before.saturating_sub(60)).take(160).collect()
}

#[track_caller]
fn nothing_forbidden(texts: &[Said], at_least: usize) {
    assert!(texts.len() >= at_least, "only {} texts were looked at", texts.len());
    let hits = hits(texts);
    assert!(hits.is_empty(), "{} texts:\n{}", hits.len(), hits.join("\n"));
}

/// The demo's night, looked at after every reading.
#[tokio::test(flavor = "multi_thread")]
async fn the_demo_says_nothing_forbidden_and_all_that_it_must() {
    let ward = Ward::read().unwrap();
    let mut house = House::start(ward.start().unwrap(), None);
    for sending in ward.sendings().unwrap() {
        house.now(sending.at);
        let status = house
            .send("PUT", &format!("/fhir/{}", sending.address), &sending.body.to_string())
            .await;
        assert!(status < 300, "{}", sending.address);
        if let Some(patient) = sending.body["subject"]["reference"].as_str() {
            house.look_at(patient).await;
        }
        house.page("/").await;
    }
    house.everything().await;
    // Each rule of both sheets speaks at least once in the night.
    for sheet in [Sheet::adult().unwrap(), Sheet::child().unwrap()] {
        let silent: Vec<&str> = sheet
            .rules
            .iter()
            .map(|rule| rule.id.as_str())
            .filter(|id| !house.rules.contains(*id))
            .collect();
        assert!(silent.is_empty(), "the demo never shows {silent:?} of {}", sheet.id);
    }
    house.judge(200, 15).await;
}

/// Each fixture in a bed of its own: alone, beside a low delta pressure, and taken back.
#[tokio::test(flavor = "multi_thread")]
async fn the_fixtures_say_nothing_forbidden_and_all_that_they_must() {
    for local in [false, true] {
        let mapping = local.then(|| folder("fixtures/observations/local-mapping"));
        let mut house = House::start(house::at("2026-03-05T21:30:00Z"), mapping);
        for (name, body) in house::fixtures() {
            house.bed(&name, &body, local).await;
        }
        house.now(house::at("2026-03-05T23:30:00Z"));
        house.everything().await;
        house.stopped().await;
        house.judge(500, 75).await;
    }
}

/// The examples that each rule carries: every rule that can speak from them speaks.
#[tokio::test(flavor = "multi_thread")]
async fn the_rules_examples_say_nothing_forbidden_and_all_that_they_must() {
    let mut start = house::at("2026-01-01T00:00:00Z");
    let mut house = House::start(start, None);
    let sheet = Sheet::adult().unwrap();
    for rule in &sheet.rules {
        for (number, example) in rule.examples.iter().enumerate() {
            // A later day for each, so that the clock never runs back.
            start = start.plus_minutes(2 * 24 * 60);
            let name = format!("{}-{number}", rule.id);
            for reading in &example.readings {
                house.example(&name, start, reading).await;
            }
            if let Some(minute) = example.at_minute {
                house.later(&name, start, minute).await;
            }
        }
    }
    assert!(house.rules.len() >= 13, "only {:?} spoke", house.rules);
    house.judge(500, 40).await;
}

/// What a caller has done wrong is said in the same voice.
#[tokio::test(flavor = "multi_thread")]
async fn refusals_say_nothing_forbidden() {
    let mut house = House::start(house::at("2026-03-05T21:30:00Z"), None);
    let good = fixtures()
        .remove("fixtures/observations/compartment-body-site.json")
        .unwrap();
    let queries = [
        "_lastUpdated=yesterday",
        "_lastUpdated=ne2026",
        "_lastUpdated=2026-13",
        "_lastUpdated=ge2026,lt2027",
        "_count=-1",
        "_sort=date",
        "_page=1",
        "code=",
        "code=a,,b",
        "code=a|b|c",
        "code=a&code=b",
        "code:text=a",
        "patient=1,2",
        "_id=a_b",
        "_total=many",
        "date=2026-03-05T23:10:02+01:00",
        "colour=red",
    ];
    for query in queries {
        house.send("GET", &format!("/fhir/Observation?{query}"), "").await;
    }
    for (method, path, kind, body) in [
        ("PUT", "/fhir/Observation/a_b", "application/fhir+json", good.as_str()),
        ("PUT", "/fhir/Observation/other", "application/fhir+json", &good),
        (
            "PUT",
            "/fhir/Observation?identifier=a,b",
            "application/fhir+json",
            &good,
        ),
        ("POST", "/fhir/Observation", "text/plain", &good),
        ("POST", "/fhir/Observation", "application/fhir+xml", "<Observation/>"),
        ("POST", "/fhir/Patient", "application/fhir+json", &good),
        (
            "POST",
            "/fhir/Communication",
            "application/fhir+json",
            "{\"resourceType\": \"Communication\"}",
        ),
        ("POST", "/fhir/Nothing", "application/fhir+json", "{}"),
        ("PATCH", "/fhir/Observation/a", "application/fhir+json", "{}"),
        ("DELETE", "/fhir/Observation/none", "application/fhir+json", ""),
        ("DELETE", "/fhir/Observation?patient=1", "application/fhir+json", ""),
        ("GET", "/fhir/Observation/none", "application/fhir+json", ""),
        ("GET", "/fhir/Device/none", "application/fhir+json", ""),
        ("GET", "/fhir/Observation/a/_history", "application/fhir+json", ""),
        ("POST", "/stopped/1/resend", "application/x-www-form-urlencoded", ""),
        ("POST", "/stopped/x/resend", "application/x-www-form-urlencoded", ""),
    ] {
        house.send_as(method, path, kind, body).await;
    }
    house.send("POST", "/fhir/Observation", &" ".repeat(2 << 20)).await;
    house.judge(25, 0).await;
}

/// Texts that no running service is needed for.
#[test]
fn documents_say_nothing_forbidden() {
    let said = |place: &str, text: &str| Said {
        place: place.into(),
        text: text.into(),
    };
    let mut texts = vec![
        said("rules show", &deltaward::rules::show::text(&Sheet::adult().unwrap())),
        said(
            "rules show --child",
            &deltaward::rules::show::text(&Sheet::child().unwrap()),
        ),
        said(
            "a footer's caution",
            &CAUTIONS
                .iter()
                .map(|one| format!("{} {}\n", one.text, one.source))
                .collect::<String>(),
        ),
    ];
    for path in [
        "README.md",
        "fixtures/demo/ward.toml",
        "profiles/mapping/text-patterns.toml",
    ] {
        texts.push(said(path, &read(path)));
    }
    let script = read("src/server/pages/page.js");
    let literal = Regex::new("\"[^\"\\n]*\"|`[^`]*`").unwrap();
    texts.extend(literal.find_iter(&script).map(|found| said("page.js", found.as_str())));
    for entry in std::fs::read_dir(folder("profiles")).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|ending| ending == "json") {
            let profile: Value = serde_json::from_str(&std::fs::read_to_string(&path).unwrap()).unwrap();
            displayed(&path.display().to_string(), &profile, &mut texts);
        }
    }
    nothing_forbidden(&texts, 150);
}

/// The members of a profile that a person reads.
fn displayed(place: &str, value: &Value, texts: &mut Vec<Said>) {
    const READ: [&str; 8] = [
        "title",
        "description",
        "definition",
        "display",
        "comment",
        "short",
        "text",
        "purpose",
    ];
    match value {
        Value::Array(items) => items.iter().for_each(|item| displayed(place, item, texts)),
        Value::Object(members) => {
            for (name, member) in members {
                match member {
                    Value::String(text) if READ.contains(&name.as_str()) => {
                        texts.push(Said {
                            place: format!("{place}.{name}"),
                            text: text.clone(),
                        });
                    }
                    _ => displayed(&format!("{place}.{name}"), member, texts),
                }
            }
        }
        _ => {}
    }
}

/// The review can fail, and says which text and where.
#[test]
fn a_hit_names_its_text_and_place() {
    let place = "page /patient?id=Patient%2Fa";
    let text = house::text_of("<p title=\"all is\nwell\">Delta 45 mmHg.</p><p>The limb can\n  wait until noon.</p>");
    let found = hits(&[Said {
        place: place.into(),
        text,
    }]);
    assert_eq!(found.len(), 1);
    assert!(
        found[0].starts_with(&format!("{place}: \"all is well\" in: ")),
        "{found:?}"
    );
    assert!(found[0].contains("The limb can wait until noon."), "{found:?}");
}

/// Wordings that must never pass, each as somebody might write it.
#[test]
fn comforts_diagnoses_and_delays_are_seen() {
    for text in [
        "The limb is safe.",
        "Compartment syndrome is ruled out.",
        "This excludes compartment syndrome.",
        "Normal perfusion.",
        "No compartment syndrome.",
        "All clear.",
        "No need to measure again.",
        "Surgery can wait.",
        "A reassuring delta.",
        "The delta is stable.",
        "Diagnosed with compartment syndrome.",
        "Consistent with compartment syndrome.",
        "The delta is within range.",
        "Compartment syndrome is unlikely.",
        "No further action.",
        "Re-examine in the morning.",
        "Await the next reading.",
        "Fasciotomy may be delayed.",
        "Perfusion is adequate.",
        "Not indicated.",
        "Hold off.",
        "The pressure is OK.",
        "Looks well-perfused.",
        "No signs of ischaemia.",
        "This is not an emergency.",
        "It is fine.",
    ] {
        assert!(forbidden_in(text).is_some(), "{text}");
        assert!(
            forbidden_in(&format!("{RULE_OUT} {}", text.to_uppercase())).is_some(),
            "{text}"
        );
    }
    for text in [
        "An unsafe limb.",
        "A safety case.",
        "Confined.",
        "Abnormal.",
        "Refined.",
        "Unstable.",
        "Never delay fasciotomy.",
    ] {
        assert_eq!(forbidden_in(text), None, "{text}");
    }
}

/// A caution is spared only as the whole sentence that it is.
#[test]
fn only_whole_cautions_are_spared() {
    assert!(ALLOWED.len() <= 10, "a short list");
    for sentence in ALLOWED {
        assert_eq!(forbidden_in(&format!("Before. {sentence} After.")), None, "{sentence}");
        assert!(
            sentence.ends_with('.') && sentence.starts_with(char::is_uppercase),
            "{sentence}"
        );
        let broken = sentence.replacen(' ', " xyz ", 1);
        assert!(forbidden_in(&broken).is_some(), "{sentence} needs no sparing");
    }
    let joined = format!("no {} danger", ALLOWED[0]);
    assert_eq!(
        forbidden_in(&joined),
        None,
        "what stands on either side does not grow together"
    );
    for phrase in FORBIDDEN {
        assert_eq!(*phrase, phrase.to_lowercase());
        assert!(
            forbidden_in(&format!("x {} x", phrase.trim_end_matches('*'))).is_some(),
            "{phrase}"
        );
    }
}
