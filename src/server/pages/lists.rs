//! `/set-aside` and `/stopped`: what was not used, and what the record would not take (with the
//! button that sends it again).

use super::layout::Body;
use super::{PageState, ROWS, text};
use crate::fhir::Instant;
use crate::recognise::reason::Reason;
use crate::store::{OutboxEntry, OutboxState, SetAsideRow, StoreError};
use maud::{Markup, html};

/// `/set-aside`.
pub(super) fn set_aside(page: &PageState, now: Instant) -> Result<Body, StoreError> {
    let counts = page.store.counts()?.set_aside;
    let rows = page.store.set_aside(None, ROWS)?;
    let all: u64 = counts.iter().map(|(_, number)| number).sum();
    let sentence = |code: &str| {
        Reason::ALL
            .iter()
            .find(|reason| reason.code() == code)
            .map(|reason| reason.sentence())
    };
    let main = html! {
        h1 { "Set aside" span class="tally" { (all) } }
        p { "Entries that are kept but not used, each with its reason. They are tried again when the mapping changes. Procedures whose code no mapping knows are counted, not listed." }
        @if counts.is_empty() {
            p { "Nothing is set aside." }
        } @else {
            div class="scroll" id="scroll-reasons" tabindex="0" role="region" aria-label="Reasons" {
                table {
                    caption { "By reason" }
                    thead { tr { th scope="col" { "Reason" } th scope="col" class="number" { "Entries" } th scope="col" { "What it means" } } }
                    tbody {
                        @for (code, number) in &counts {
                            tr { th scope="row" { code { (code) } } td class="number" { (number) } td { (sentence(code).unwrap_or_default()) } }
                        }
                    }
                }
            }
            (entries(&rows, now, true))
        }
    };
    Ok(Body::new("Set aside", "/set-aside", main))
}

/// The entries themselves, newest first.
pub(super) fn entries(rows: &[SetAsideRow], now: Instant, with_patient: bool) -> Markup {
    html! {
        div class="scroll" id="scroll-set-aside" tabindex="0" role="region" aria-label="Set-aside entries" {
            table class="cards" role="table" {
                caption { "Newest entries first" }
                thead role="rowgroup" {
                    tr role="row" {
                        th role="columnheader" scope="col" { "Source" }
                        th role="columnheader" scope="col" { "Reason" }
                        th role="columnheader" scope="col" { "What was found" }
                        @if with_patient { th role="columnheader" scope="col" { "Patient" } }
                        th role="columnheader" scope="col" { "Since" }
                    }
                }
                tbody role="rowgroup" {
                    @for row in rows {
                        tr role="row" {
                            th role="rowheader" scope="row" class="source" { code class="long" { (row.source) } @if !row.part.is_empty() { " " code { (row.part) } } }
                            td role="cell" data-label="Reason" { code { (row.reason.code()) } br; (row.reason.sentence()) }
                            td role="cell" data-label="What was found" { (row.detail) }
                            @if with_patient {
                                td role="cell" data-label="Patient" { @if let Some(patient) = &row.patient { a href=(text::patient_href(patient)) { (text::key(patient)) } } @else { "not named" } }
                            }
                            td role="cell" data-label="Since" { (text::time(row.since)) br; (text::age(row.since, now)) }
                        }
                    }
                }
            }
        }
        @if rows.len() >= ROWS { p class="notice" { "Only the newest " (ROWS) " are listed." } }
    }
}

/// `/stopped`.
pub(super) fn stopped(page: &PageState, now: Instant) -> Result<Body, StoreError> {
    let stopped = page.store.outbox_list(OutboxState::Stopped, ROWS)?;
    let unsent = page.store.outbox_list(OutboxState::Waiting, ROWS)?;
    let counts = page.store.counts()?;
    let main = html! {
        h1 { "Stopped messages" span class="tally" { (counts.outbox_stopped) } }
        p {
            "Resources that the record refused in a way that trying again does not mend. "
            "Later messages of the same patient are sent all the same. Mend the cause, then send them again."
        }
        @if stopped.len() > 1 {
            form method="post" action="/stopped/resend" { button type="submit" { "Send all again" } }
        }
        (outbox("Stopped", "stopped", &stopped, counts.outbox_stopped, now))
        (outbox("In line", "in-line", &unsent, counts.outbox_waiting, now))
    };
    Ok(Body::new("Stopped messages", "/stopped", main))
}

fn outbox(heading: &str, id: &str, rows: &[OutboxEntry], all: u64, now: Instant) -> Markup {
    html! {
        section aria-labelledby=(id) {
            h2 id=(id) { (heading) span class="tally" { (all) } }
            @if rows.is_empty() {
                p { "None." }
            } @else {
                div class="scroll" id={ "scroll-" (id) } tabindex="0" role="region" aria-labelledby=(id) {
                    table {
                        caption { (heading) ", newest first" }
                        thead {
                            tr {
                                th scope="col" { "Entry" }
                                th scope="col" { "Resource" }
                                th scope="col" { "Patient" }
                                th scope="col" class="number" { "Attempts" }
                                th scope="col" { "Next attempt" }
                                th scope="col" { "What the server said" }
                                @if id == "stopped" { th scope="col" { "Send again" } }
                            }
                        }
                        tbody {
                            @for row in rows {
                                tr {
                                    th scope="row" { (row.seq) }
                                    td { (row.resource_type) br; code class="long" { (row.identity) } }
                                    td { a href=(text::patient_href(&row.patient)) { (text::key(&row.patient)) } }
                                    td class="number" { (row.attempts) }
                                    td {
                                        @if row.state == OutboxState::Waiting {
                                            @if row.next_attempt <= now { "now" } @else { (text::short_time(row.next_attempt, now)) }
                                        } @else { "none" }
                                    }
                                    td class="answer" { @if row.last_answer.is_empty() { "not tried yet" } @else { (row.last_answer) } }
                                    @if row.state == OutboxState::Stopped {
                                        td {
                                            form method="post" action={ "/stopped/" (row.seq) "/resend" } {
                                                button type="submit" aria-label={ "Send entry " (row.seq) " again" } { "Send again" }
                                            }
                                        }
                                    }
                                }
                            }
                        }
                    }
                }
                @if rows.len() >= ROWS { p class="notice" { "Only the newest " (ROWS) " are listed." } }
            }
        }
    }
}
