//! `/`: patients with open concerns, worst first; below them the other watched patients.

use super::concern_card::Card;
use super::layout::Body;
use super::numbers::Numbers;
use super::{FRONT_PATIENTS, PageMode, PageState, ROWS, WATCHED_HOURS, beside, text};
use crate::fhir::Instant;
use crate::outbox::wording;
use crate::patient::assess::{Assessment, assess};
use crate::patient::concern::Headline;
use crate::patient::state::StateRow;
use crate::recognise::reading::PatientKey;
use crate::rules::Tier;
use crate::store::{Counts, StoreError};
use maud::{Markup, html};
use std::collections::BTreeSet;

/// From here on (minutes) the front page says that messages have not reached the record.
const LATE_MINUTES: i64 = 2;

/// The page.
pub(super) fn build(page: &PageState, now: Instant) -> Result<Body, StoreError> {
    let open = page.store.open_concerns()?;
    let counts = page.store.counts()?;
    let people = by_person(&open);
    let with_concern: BTreeSet<&PatientKey> = open.iter().map(|row| &row.patient).collect();
    let mut cards = Vec::with_capacity(people.len());
    for (number, concerns) in people.iter().enumerate() {
        cards.push(person(page, concerns, number < FRONT_PATIENTS, now)?);
    }
    // Within a tier the lowest delta first; those without one after them, the longest open first.
    cards.sort_by_key(|card| (std::cmp::Reverse(card.tier), card.delta.unwrap_or(i64::MAX)));
    let watched = watched(page, &with_concern, now)?;
    let main = html! {
        h1 { "Open concerns" span class="tally" { (text::count(people.len() as u64, "patient", "patients")) } }
        (unsent(page, &counts, now))
        @if cards.is_empty() {
            p { (text::NO_RULE) " " (wording::RULE_OUT) }
        }
        ol class="people" { @for card in &cards { li { (card.markup) } } }
        (watched)
        (set_aside_line(&counts))
    };
    let title = match people.len() {
        0 => String::from("Patients"),
        number => format!("({number}) Open concerns"),
    };
    Ok(Body::new(title, "/", main))
}

/// Rows of one patient together, in the order of each patient's worst concern.
fn by_person(open: &[StateRow]) -> Vec<Vec<&StateRow>> {
    let mut people: Vec<Vec<&StateRow>> = Vec::new();
    let mut place = std::collections::HashMap::new();
    for row in open {
        let index = *place.entry(&row.patient).or_insert(people.len());
        match people.get_mut(index) {
            Some(rows) => rows.push(row),
            None => people.push(vec![row]),
        }
    }
    people
}

/// One patient of the list, with what their place in it follows from.
#[derive(Default)]
struct Person {
    tier: Option<Tier>,
    /// The lowest delta of that tier, whole mmHg.
    delta: Option<i64>,
    markup: Markup,
}

/// The lowest delta among the open concerns of the limb at `tier`.
fn lowest(found: &Assessment<'_>, tier: Option<Tier>) -> Option<i64> {
    let of_tier = found.concerns.iter().filter(|concern| Some(concern.tier) == tier);
    let delta = of_tier.filter_map(|concern| match concern.headline {
        Headline::Measurement(index) => found.measurements.get(index)?.delta,
        Headline::Carried(index, position) => Some(found.measurements.get(index)?.carried.get(position)?.delta),
        _ => None,
    });
    delta.map(|delta| delta.whole).min()
}

fn person(page: &PageState, rows: &[&StateRow], in_detail: bool, now: Instant) -> Result<Person, StoreError> {
    let Some(first) = rows.first() else {
        return Ok(Person::default());
    };
    let name = text::name(first.label.as_deref(), &first.patient);
    let state = in_detail.then(|| page.store.load_patient(&first.patient)).transpose()?;
    let events = if in_detail {
        page.store.events(&first.patient, ROWS)?
    } else {
        Vec::new()
    };
    let birth_date = state.as_ref().and_then(|state| state.birth_date.as_deref());
    let sheet = page.sheets.for_patient(birth_date, now);
    let found = state.as_ref().map(|state| assess(state, sheet, page.policy, now));
    let notes = found.as_ref().map(|found| beside::age_notes(found.age_note, sheet));
    let notes = notes.unwrap_or_default();
    let tier = first.concern.tier;
    let delta = found.as_ref().and_then(|found| lowest(found, tier));
    let markup = html! {
        article class="person" {
            header {
                h2 { a id={ "to-" (first.patient) } href=(text::patient_href(&first.patient)) { (name) } }
                @if first.label.is_some() { span class="key" { (text::key(&first.patient)) } }
            }
            @for (place, row) in rows.iter().enumerate() {
                (Card {
                    patient: &row.patient,
                    person: &name,
                    concern: &row.concern,
                    found: found.as_ref(),
                    events: &events,
                    sheet,
                    now,
                    in_full: false,
                    // The rows come worst first.
                    with_next: place == 0,
                }.markup())
            }
            @if !notes.is_empty() { p class="mind" { (notes.join(" ")) } }
            @if found.is_some() { p class="key" { "Judged by rule sheet " (text::sheet(sheet)) "." } }
        }
    };
    Ok(Person { tier, delta, markup })
}

/// Patients without an open concern: never green, never a comfort; the oldest reading first,
/// for there the next measurement is most overdue.
fn watched(page: &PageState, with_concern: &BTreeSet<&PatientKey>, now: Instant) -> Result<Markup, StoreError> {
    let since = now.plus_minutes(-WATCHED_HOURS * 60);
    let known = page.store.watched(since, FRONT_PATIENTS + with_concern.len() + 1)?;
    let mut rows: Vec<(Instant, Markup)> = Vec::new();
    let mut others = known.iter().filter(|patient| !with_concern.contains(patient));
    for patient in others.by_ref().take(FRONT_PATIENTS) {
        let state = page.store.load_patient(patient)?;
        let sheet = page.sheets.for_patient(state.birth_date.as_deref(), now);
        let found = assess(&state, sheet, page.policy, now);
        let sites = (0..found.sites.len())
            .filter_map(|site| Some((found.sites.get(site)?, Numbers::newest(&found, site, sheet)?)));
        for (site, numbers) in sites {
            let at = numbers.pressure_at().or(numbers.at()).unwrap_or(now);
            let row = html! {
                tr {
                    th scope="row" {
                        a id={ "to-" (patient) "-" (site.key()) } href=(text::patient_href(patient)) {
                            (text::name(state.label.as_deref(), patient))
                        }
                    }
                    td { (site) }
                    td class="wide" { (text::age(at, now)) }
                    td { (numbers.short(now)) }
                }
            };
            rows.push((at, row));
        }
    }
    let more = others.next().is_some();
    rows.sort_by_key(|(at, _)| *at);
    Ok(html! {
        section class="watched" aria-labelledby="watched" {
            h2 id="watched" { "No rule is met by the readings received" }
            p { "A statement about readings, not about the limb. " (wording::RULE_OUT) }
            @if rows.is_empty() {
                p { "No other patient had a compartment reading in the last " (WATCHED_HOURS) " hours." }
            } @else {
                div class="scroll" id="scroll-watched" tabindex="0" role="region" aria-labelledby="watched" {
                    table {
                        caption { "Patients with a compartment reading in the last " (WATCHED_HOURS) " hours and no open concern, oldest reading first" }
                        thead { tr { th scope="col" { "Patient" } th scope="col" { "Site" } th scope="col" { "Last compartment reading" } th scope="col" { "Newest numbers" } } }
                        tbody { @for (_, row) in &rows { (row) } }
                    }
                }
            }
            @if more { p class="notice" { "More patients are watched than this page lists (" (FRONT_PATIENTS) ")." } }
        }
    })
}

/// Messages that nobody can have seen in the record.
fn unsent(page: &PageState, counts: &Counts, now: Instant) -> Markup {
    let late = |oldest: &Instant| page.mode != PageMode::Shadow && now.minutes_since(*oldest) >= LATE_MINUTES;
    html! {
        @if counts.outbox_stopped > 0 {
            p class="notice" {
                (text::count(counts.outbox_stopped, "resource was refused by the record and is stopped", "resources were refused by the record and are stopped"))
                ". " a href="/stopped" { "See what the server said" } "."
            }
        }
        @if let Some(oldest) = counts.outbox_oldest.filter(late) {
            p class="notice" {
                (text::count(counts.outbox_waiting, "resource has", "resources have"))
                " not reached the record yet, the oldest written " (text::age(oldest, now)) ". "
                a href="/stopped" { "See what the server said" } "."
            }
        }
    }
}

fn set_aside_line(counts: &Counts) -> Markup {
    let all: u64 = counts.set_aside.iter().map(|(_, number)| number).sum();
    html! {
        @if all > 0 {
            p { (text::count(all, "entry of the record is", "entries of the record are")) " set aside and not used. " a href="/set-aside" { "See why" } "." }
        }
    }
}
