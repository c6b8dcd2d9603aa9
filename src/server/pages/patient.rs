//! `/patient`: a chart for each site, the concern's history beside it, the evidence below it.

use super::concern_card::Card;
use super::layout::Body;
use super::{PageState, ROWS, beside, evidence, lists, messages, text};
use crate::fhir::Instant;
use crate::outbox::wording;
use crate::patient::assess::{Assessment, assess};
use crate::patient::session::session;
use crate::patient::state::State;
use crate::patient::words;
use crate::recognise::reading::PatientKey;
use crate::rules::{Sheet, Tier};
use crate::server::charts::{self, BesidePoint, Shade, SiteChart};
use crate::store::{EventRow, StoreError};
use axum::http::StatusCode;
use maud::{Markup, html};

/// The page.
pub(super) fn build(page: &PageState, patient: &PatientKey, now: Instant) -> Result<Body, StoreError> {
    if patient.0.is_empty() {
        return Ok(not_named());
    }
    let state = page.store.load_patient(patient)?;
    let set_aside = page.store.set_aside(Some(patient), ROWS)?;
    if state.slots.is_empty() && set_aside.is_empty() {
        return Ok(unknown(patient));
    }
    let events = page.store.events(patient, ROWS)?;
    let derived = page.store.derived(patient, ROWS)?;
    let sheet = page.sheets.for_patient(state.birth_date.as_deref(), now);
    let assessment = assess(&state, sheet, page.policy, now);
    let name = text::name(state.label.as_deref(), patient);
    let main = html! {
        p { a href="/" { "All patients" } }
        h1 { (name) }
        (person(&state, &assessment, sheet))
        (concerns(sheet, &state, &assessment, &events, &name, now))
        (set_aside_line(set_aside.len()))
        @for site in 0..assessment.sites.len() {
            (site_section(sheet, &assessment, site, &events, now))
        }
        (other_history(&assessment, &events, now))
        section aria-labelledby="messages" {
            h2 id="messages" { "Messages" }
            (messages::messages(&derived, now))
        }
        section aria-labelledby="set-aside" {
            h2 id="set-aside" { "Set aside" }
            @if set_aside.is_empty() { p { "No entry of this patient is set aside." } } @else { (lists::entries(&set_aside, now, false)) }
        }
    };
    let mut body = Body::new(name, "", main);
    body.patient = Some(patient.0.clone());
    Ok(body)
}

fn not_named() -> Body {
    let main = html! {
        p { a href="/" { "All patients" } }
        h1 { "No patient named" }
        p { "The address names no patient, so nothing is shown. That tells nothing about any patient: open one from the list." }
    };
    let mut body = Body::new("No patient named", "", main);
    body.status = StatusCode::NOT_FOUND;
    body
}

/// What was received and not used belongs beside what the readings say.
fn set_aside_line(number: usize) -> Markup {
    html! {
        @if number > 0 {
            p class="notice" {
                @if number >= ROWS { "At least " }
                (text::count(number as u64, "entry of this patient's record is", "entries of this patient's record are"))
                " set aside and not used: " a href="#set-aside" { "see why" } "."
            }
        }
    }
}

fn unknown(patient: &PatientKey) -> Body {
    let main = html! {
        p { a href="/" { "All patients" } }
        h1 { "Nothing received" }
        p { "Nothing has been received for the patient " code { (patient) } ". That tells nothing about the patient: check the reference and the source." }
    };
    let mut body = Body::new("Nothing received", "", main);
    body.status = StatusCode::NOT_FOUND;
    body.patient = Some(patient.0.clone());
    body
}

fn person(state: &State, assessment: &Assessment<'_>, sheet: &Sheet) -> Markup {
    html! {
        p class="key" {
            (text::key(&state.patient)) ". "
            @match &state.birth_date {
                Some(date) => { "Born " (date) "." },
                None => "Birth date not known.",
            }
            " Judged by rule sheet " (text::sheet(sheet)) "."
        }
        @let notes = beside::age_notes(assessment.age_note, sheet);
        @if !notes.is_empty() { p class="notice" { (notes.join(" ")) } }
    }
}

/// Open concerns of this patient, worst first.
fn concerns(
    sheet: &Sheet,
    state: &State,
    assessment: &Assessment<'_>,
    events: &[EventRow],
    name: &str,
    now: Instant,
) -> Markup {
    let mut open: Vec<_> = state
        .concerns
        .values()
        .filter(|concern| concern.tier.is_some())
        .collect();
    open.sort_by_key(|concern| (std::cmp::Reverse(concern.tier), concern.since));
    html! {
        section aria-labelledby="open" {
            h2 id="open" { "Open concerns" span class="tally" { (open.len()) } }
            @if open.is_empty() {
                p { (text::NO_RULE) " " (wording::RULE_OUT) }
            }
            @for concern in &open {
                (Card {
                    patient: &state.patient,
                    person: name,
                    concern,
                    found: Some(assessment),
                    events,
                    sheet,
                    now,
                    in_full: true,
                    with_next: true,
                }.markup())
            }
        }
    }
}

fn site_section(sheet: &Sheet, assessment: &Assessment<'_>, site: usize, events: &[EventRow], now: Instant) -> Markup {
    let Some(place) = assessment.sites.get(site) else {
        return html! {};
    };
    let key = place.key();
    let count = assessment.of_site(site).count();
    let events: Vec<&EventRow> = events.iter().filter(|event| event.site_key == key).collect();
    let heading = format!("site-{site}");
    let shades = Shade::of(&assessment.contexts, sheet);
    let beside = second_differences(assessment, site, sheet);
    html! {
        section class="site" aria-labelledby=(heading) {
            h2 id=(heading) { (place) }
            (readings(assessment, site, count, sheet, now))
            div class="beside" {
                @if count > 0 {
                    figure class="scroll" id={ "chart-" (site) } tabindex="0" aria-labelledby=(heading) {
                        (charts::draw(&SiteChart::of(assessment, site, sheet, now), &shades, &beside, &format!("chart-{site}")))
                        (charts::legend_below(&shades, &beside))
                    }
                }
                div class="aside" {
                    h3 { "History of this site's concerns" }
                    (messages::history(&events, now, false))
                }
            }
            @if count > 0 { (evidence::table(assessment, site, sheet, now, &heading)) }
        }
    }
}

/// Every second difference of a site, for its chart.
fn second_differences(assessment: &Assessment<'_>, site: usize, sheet: &Sheet) -> Vec<BesidePoint> {
    let mut points = Vec::new();
    for (_, measurement) in assessment.of_site(site) {
        if measurement.delta.is_none() {
            let compartment = words::measured(&measurement.gathered);
            let beside = words::besides(assessment, &measurement.beside, &measurement.gathered);
            points.extend(beside.iter().map(|one| BesidePoint::without_delta(one, &compartment)));
        }
        for carried in [None].into_iter().chain(measurement.carried.iter().map(Some)) {
            // Most have none, and there may be a carried delta for every minute.
            if words::besides_of(assessment, measurement, carried, sheet).is_empty() {
                continue;
            }
            let facts = words::facts(assessment, measurement, carried, sheet);
            points.extend(facts.iter().flat_map(BesidePoint::of));
        }
    }
    points
}

/// How many readings, how old the newest is, and what so few of them can mean.
fn readings(assessment: &Assessment<'_>, site: usize, count: usize, sheet: &Sheet, now: Instant) -> Markup {
    let newest = assessment.of_site(site).next_back();
    let round = newest.and_then(|(index, _)| session(assessment, index, sheet));
    let newest = newest.map(|(_, measurement)| measurement);
    let tier = newest.and_then(|measurement| measurement.tier);
    let implausible = assessment.implausible.iter().filter(|(of, _)| *of == site).count();
    html! {
        p {
            (text::count(count as u64, "compartment reading", "compartment readings"))
            @if let Some(measurement) = newest { ", newest " (text::age(measurement.at(), now)) }
            "."
            @if implausible > 0 {
                " " (text::count(implausible as u64, "reading is", "readings are")) " outside the plausible range and set aside."
            }
        }
        (beside::session(round.as_ref()))
        @if count == 1 {
            p class="mind" { (single(tier)) }
        }
    }
}

/// What one reading alone can mean. The published share of low single readings is of those at the
/// alert threshold (Whitney 2014), so it stands with `act` only, never beside a lower delta.
fn single(tier: Option<Tier>) -> Markup {
    html! {
        @match tier {
            Some(Tier::Critical) => "One reading only: examine and measure again now, while help is coming.",
            Some(Tier::Act) => (wording::SINGLE_READING),
            _ => { "One reading only. " (wording::RULE_OUT) },
        }
    }
}

/// History that belongs to no chart: blood pressure, and sites whose readings are gone.
fn other_history(assessment: &Assessment<'_>, events: &[EventRow], now: Instant) -> Markup {
    let charted: Vec<String> = assessment.sites.iter().map(|site| site.key()).collect();
    let other: Vec<&EventRow> = events
        .iter()
        .filter(|event| !charted.contains(&event.site_key))
        .collect();
    html! {
        @if !other.is_empty() {
            section aria-labelledby="other" {
                h2 id="other" { "Other history" }
                (messages::history(&other, now, true))
            }
        }
        @if events.len() >= ROWS { p class="notice" { "Only the newest " (ROWS) " entries of the history are shown." } }
    }
}
