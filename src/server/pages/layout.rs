//! What stands around every page: title, banner, navigation, notes, cautions.

use super::{HEADERS, PageMode, PageState, assets, text};
use crate::fhir::Instant;
use crate::outbox::wording;
use crate::store::StoreError;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use maud::{DOCTYPE, Markup, html};

/// The part of a page that is its own.
pub(super) struct Body {
    /// Of the answer.
    pub(super) status: StatusCode,
    /// Browser title, without the service's name.
    pub(super) title: String,
    /// Which entry of the navigation is this page ("/"), or empty.
    pub(super) place: &'static str,
    /// The patient whose changes alone redraw this page.
    pub(super) patient: Option<String>,
    /// Content of `<main>`.
    pub(super) main: Markup,
}

impl Body {
    /// An ordinary page.
    pub(super) fn new(title: impl Into<String>, place: &'static str, main: Markup) -> Self {
        Self {
            status: StatusCode::OK,
            title: title.into(),
            place,
            patient: None,
            main,
        }
    }
}

/// The store failed: the page must not look as if there were nothing to show.
pub(super) fn store_failed(error: &StoreError) -> Body {
    let main = html! {
        h1 { "The store cannot be read" }
        p class="notice" role="alert" {
            "Nothing on this page is known to be current. Look at the patients and at the record itself. "
            "What was reported: " (error) "."
        }
    };
    Body {
        status: StatusCode::INTERNAL_SERVER_ERROR,
        ..Body::new("The store cannot be read", "", main)
    }
}

const PLACES: &[(&str, &str)] = &[
    ("/", "Patients"),
    ("/set-aside", "Set aside"),
    ("/stopped", "Stopped messages"),
    ("/rules", "Rules"),
];

/// The whole page.
pub(super) fn page(state: &PageState, body: Body, now: Instant) -> Response {
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (body.title) " · Deltaward" }
                link rel="stylesheet" href=(assets::style());
                link rel="icon" href="data:,";
                script src=(assets::script()) defer {}
                noscript { meta http-equiv="refresh" content="30"; }
            }
            body {
                a class="skip" href="#main" { "Skip to the content" }
                (header(state, body.place))
                div id="stale" class="notice stale" role="alert" hidden {}
                div id="announce" class="unseen" role="status" aria-live="assertive" aria-atomic="true" {}
                main id="main" tabindex="-1" data-patient=[body.patient.as_deref()] {
                    p class="as-of" { "As of " (text::time(now)) }
                    (body.main)
                }
                (footer(state))
            }
        }
    };
    (body.status, HEADERS, markup.into_string()).into_response()
}

fn header(state: &PageState, place: &str) -> Markup {
    let banner = match state.mode {
        PageMode::Live => None,
        PageMode::Shadow => Some("Shadow: nothing leaves this service"),
        PageMode::Demo => Some("Invented patients"),
    };
    html! {
        header class="top" {
            @if let Some(banner) = banner {
                p class="banner" { (banner) }
            }
            div class="bar" {
                p class="name" {
                    "Deltaward"
                    @if let Some(ward) = &state.ward_title { span class="ward" { (ward) } }
                }
                nav aria-label="Pages" {
                    ul {
                        @for (href, words) in PLACES {
                            li { a href=(href) aria-current=[(*href == place).then_some("page")] { (words) } }
                        }
                    }
                }
            }
        }
    }
}

fn footer(state: &PageState) -> Markup {
    html! {
        footer {
            h2 { "Cautions" }
            p { (wording::SHORT_CAUTION) }
            ul class="cautions" {
                @for caution in wording::CAUTIONS {
                    li { (caution.text) " " cite { (caution.source) } }
                }
            }
            p {
                "Rule sheets in force: "
                @for (place, sheet) in state.sheets.both().into_iter().enumerate() {
                    @if place > 0 { "; " }
                    (sheet.ages.words()) ", " (text::sheet(sheet))
                }
                ". Times are UTC."
            }
        }
    }
}
