//! Counters and gauges, and `GET /metrics` in the OpenMetrics text form.
//!
//! One [`Metrics`] is made at the start and passed to whoever counts. Labels hold closed lists of
//! words only: never a patient, an id, a path or a server's text.

use super::Shared;
use crate::delivery::status::DeliverySnapshot;
use crate::outbox::draft::Occasion;
use crate::recognise::reason::Reason;
use crate::rules::Tier;
use crate::source::Answer;
use crate::source::status::SourceSnapshot;
use crate::store::Counts;
use axum::extract::State;
use axum::http::{Method, StatusCode, header};
use axum::response::{IntoResponse, Response};
use prometheus_client::encoding::{EncodeLabelSet, text::encode};
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::metrics::histogram::{Histogram, exponential_buckets};
use prometheus_client::registry::{Registry, Unit};
use std::time::Duration;

#[derive(Clone, Debug, Hash, PartialEq, Eq, EncodeLabelSet)]
struct OutcomeLabel {
    outcome: &'static str,
}

#[derive(Clone, Debug, Hash, PartialEq, Eq, EncodeLabelSet)]
struct ReasonLabel {
    reason: String,
}

#[derive(Clone, Debug, Hash, PartialEq, Eq, EncodeLabelSet)]
struct TierLabel {
    tier: String,
}

#[derive(Clone, Debug, Hash, PartialEq, Eq, EncodeLabelSet)]
struct MessageLabel {
    occasion: &'static str,
    tier: &'static str,
}

#[derive(Clone, Debug, Hash, PartialEq, Eq, EncodeLabelSet)]
struct StateLabel {
    state: &'static str,
}

#[derive(Clone, Debug, Hash, PartialEq, Eq, EncodeLabelSet)]
struct RequestLabel {
    method: &'static str,
    route: String,
    status: u16,
}

#[derive(Clone, Debug, Hash, PartialEq, Eq, EncodeLabelSet)]
struct FigureLabel {
    figure: &'static str,
}

/// Every figure that the service publishes about itself.
#[derive(Debug)]
pub struct Metrics {
    registry: Registry,
    inputs: Family<OutcomeLabel, Counter>,
    set_aside: Family<ReasonLabel, Counter>,
    set_aside_now: Family<ReasonLabel, Gauge>,
    concerns: Family<TierLabel, Gauge>,
    messages: Family<MessageLabel, Counter>,
    outbox: Family<StateLabel, Gauge>,
    requests: Family<RequestLabel, Counter>,
    commit: Histogram,
    failed_commits: Counter,
    invalid_resources: Counter,
    source: Family<FigureLabel, Gauge>,
    delivery: Family<FigureLabel, Gauge>,
    store_readable: Gauge,
}

impl Default for Metrics {
    fn default() -> Self {
        Self::new()
    }
}

impl Metrics {
    /// All figures at zero, in a registry of their own.
    pub fn new() -> Self {
        let mut metrics = Self {
            registry: Registry::with_prefix("deltaward"),
            inputs: Family::default(),
            set_aside: Family::default(),
            set_aside_now: Family::default(),
            concerns: Family::default(),
            messages: Family::default(),
            outbox: Family::default(),
            requests: Family::default(),
            // 0.25 ms to 4 s, each twice the one before.
            commit: Histogram::new(exponential_buckets(0.000_25, 2.0, 15)),
            failed_commits: Counter::default(),
            invalid_resources: Counter::default(),
            source: Family::default(),
            delivery: Family::default(),
            store_readable: Gauge::default(),
        };
        metrics.register();
        // Series that an alert rule watches are there from the start, at zero.
        for tier in [Tier::Check, Tier::Watch, Tier::Act, Tier::Critical] {
            metrics.set_concerns(tier.word(), 0);
        }
        metrics.set_outbox(0, 0);
        metrics
    }

    fn register(&mut self) {
        let r = &mut self.registry;
        r.register(
            "inputs",
            "Resources received, by what became of them",
            self.inputs.clone(),
        );
        r.register(
            "set_aside_inputs",
            "Inputs or parts of them that were set aside, by reason",
            self.set_aside.clone(),
        );
        r.register(
            "set_aside_standing",
            "Inputs or parts of them that are set aside now, by reason",
            self.set_aside_now.clone(),
        );
        r.register("concerns_open", "Open concerns now, by tier", self.concerns.clone());
        r.register(
            "messages",
            "Communications written, by occasion and tier",
            self.messages.clone(),
        );
        r.register("outbox_entries", "Outbox entries now, by state", self.outbox.clone());
        r.register(
            "http_requests",
            "HTTP requests answered, by route template and status",
            self.requests.clone(),
        );
        r.register_with_unit(
            "commit_duration",
            "Duration of one store commit",
            Unit::Seconds,
            self.commit.clone(),
        );
        r.register(
            "failed_commits",
            "Commits that failed; nothing of them was acknowledged",
            self.failed_commits.clone(),
        );
        r.register(
            "invalid_resources",
            "Derived resources that failed their own check (a defect of this service)",
            self.invalid_resources.clone(),
        );
        r.register("source", "How polling fares since the start", self.source.clone());
        r.register("delivery", "How delivery fares since the start", self.delivery.clone());
        r.register(
            "store_readable",
            "1 when the store answered the last scrape, else 0",
            self.store_readable.clone(),
        );
    }

    /// One resource received.
    pub fn input(&self, answer: &Answer) {
        let outcome = match answer {
            Answer::Created(_) => "created",
            Answer::Updated(_) => "updated",
            Answer::Unchanged(_) => "unchanged",
            Answer::Deleted => "deleted",
            Answer::NotFound => "not-found",
            Answer::VersionConflict(_) => "version-conflict",
            Answer::Refused(_) => "refused",
            Answer::NotApplied => "not-applied",
        };
        self.inputs.get_or_create(&OutcomeLabel { outcome }).inc();
    }

    /// One input, or part of one, newly set aside.
    pub fn set_aside(&self, reason: Reason) {
        let reason = reason.code().to_owned();
        self.set_aside.get_or_create(&ReasonLabel { reason }).inc();
    }

    /// Open concerns of a tier now (`Tier::word`).
    pub fn set_concerns(&self, tier: &str, open: u64) {
        let label = TierLabel { tier: tier.to_owned() };
        self.concerns.get_or_create(&label).set(signed(open));
    }

    /// One Communication written; `tier` is the tier that it speaks of, None when none holds.
    pub fn message(&self, occasion: Occasion, tier: Option<Tier>) {
        let occasion = match occasion {
            Occasion::Raised => "raised",
            Occasion::Withdrawn => "withdrawn",
            Occasion::Resolved => "resolved",
        };
        let tier = tier.map_or("none", Tier::word);
        self.messages.get_or_create(&MessageLabel { occasion, tier }).inc();
    }

    /// Outbox entries now.
    pub fn set_outbox(&self, waiting: u64, stopped: u64) {
        for (state, entries) in [("waiting", waiting), ("stopped", stopped)] {
            self.outbox.get_or_create(&StateLabel { state }).set(signed(entries));
        }
    }

    /// One HTTP request answered; `route` is a template (`/fhir/{type}/{id}`), never a path.
    pub fn request(&self, method: &Method, route: &str, status: StatusCode) {
        // A method is any token that a client likes: only known ones become a label.
        let method = match *method {
            Method::GET => "GET",
            Method::HEAD => "HEAD",
            Method::POST => "POST",
            Method::PUT => "PUT",
            Method::DELETE => "DELETE",
            _ => "other",
        };
        let label = RequestLabel {
            method,
            route: route.to_owned(),
            status: status.as_u16(),
        };
        self.requests.get_or_create(&label).inc();
    }

    /// How long one store commit took.
    pub fn commit(&self, took: Duration) {
        self.commit.observe(took.as_secs_f64());
    }

    /// One commit failed.
    pub fn failed_commit(&self) {
        self.failed_commits.inc();
    }

    /// One derived resource failed its own check.
    pub fn invalid_resource(&self) {
        self.invalid_resources.inc();
    }

    /// Take the figures of polling.
    pub fn observe_source(&self, seen: &SourceSnapshot) {
        let figures = [
            ("pages", seen.pages),
            ("entries", seen.entries),
            ("duplicates", seen.duplicates),
            ("questions_answered", seen.asks_answered),
            ("questions_failed", seen.asks_failed),
            ("patients_read", seen.patients_read),
            ("patients_failed", seen.patients_failed),
            ("failures_in_a_row", seen.consecutive_failures),
        ];
        for (figure, value) in figures {
            self.source.get_or_create(&FigureLabel { figure }).set(signed(value));
        }
    }

    /// Take the figures of the polling of Procedures.
    pub fn observe_procedures(&self, seen: &SourceSnapshot) {
        let figures = [
            ("procedure_pages", seen.pages),
            ("procedure_entries", seen.entries),
            ("procedure_failures_in_a_row", seen.consecutive_failures),
        ];
        for (figure, value) in figures {
            self.source.get_or_create(&FigureLabel { figure }).set(signed(value));
        }
    }

    /// Take the figures of delivery.
    pub fn observe_delivery(&self, seen: &DeliverySnapshot) {
        let figures = [
            ("delivered", seen.delivered),
            ("tried_again", seen.retried),
            ("stopped", seen.stopped),
            ("failures_in_a_row", seen.consecutive_failures),
            ("needs_mending", u64::from(seen.needs_mending)),
        ];
        for (figure, value) in figures {
            self.delivery.get_or_create(&FigureLabel { figure }).set(signed(value));
        }
    }

    /// Take the gauges from the store's figures; None when it did not answer.
    pub fn observe_store(&self, counts: Option<&Counts>) {
        self.store_readable.set(i64::from(counts.is_some()));
        let Some(counts) = counts else { return };
        self.set_outbox(counts.outbox_waiting, counts.outbox_stopped);
        for tier in [Tier::Check, Tier::Watch, Tier::Act, Tier::Critical] {
            let open = counts.open_concerns.iter().find(|(word, _)| word == tier.word());
            self.set_concerns(tier.word(), open.map_or(0, |(_, open)| *open));
        }
        for reason in Reason::ALL {
            let standing = counts.set_aside.iter().find(|(code, _)| code == reason.code());
            let reason = reason.code().to_owned();
            self.set_aside_now
                .get_or_create(&ReasonLabel { reason })
                .set(signed(standing.map_or(0, |(_, standing)| *standing)));
        }
    }

    /// The OpenMetrics text; None when it cannot be written.
    pub fn render(&self) -> Option<String> {
        let mut text = String::new();
        encode(&mut text, &self.registry).ok().map(|()| text)
    }
}

fn signed(count: u64) -> i64 {
    i64::try_from(count).unwrap_or(i64::MAX)
}

/// `GET /metrics`.
pub async fn serve(State(app): State<Shared>) -> Response {
    let counts = app.with_store(|store| store.counts()).await;
    if let Err(error) = &counts {
        tracing::warn!(%error, "the store gave no figures for /metrics");
    }
    app.metrics.observe_store(counts.as_ref().ok());
    app.health.observe(&app.metrics);
    match app.metrics.render() {
        Some(text) => (
            [(
                header::CONTENT_TYPE,
                "application/openmetrics-text; version=1.0.0; charset=utf-8",
            )],
            text,
        )
            .into_response(),
        None => (StatusCode::INTERNAL_SERVER_ERROR, "The figures cannot be written.\n").into_response(),
    }
}
