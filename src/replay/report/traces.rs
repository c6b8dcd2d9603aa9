//! Small multiples: one site of each of the patients with the most messages.

use super::draw::{place, real};
use super::words::{duration, moment};
use crate::fhir::Instant;
use crate::outbox::draft::Occasion;
use crate::replay::findings::Trace;
use crate::replay::study::Study;
use crate::rules::Tier;
use maud::{Markup, html};

const WIDTH: f64 = 420.0;
const HEIGHT: f64 = 190.0;
const LEFT: f64 = 30.0;
const TOP: f64 = 26.0;
const FOOT: f64 = 166.0;

/// All traces, with their legend.
pub fn traces(study: &Study) -> Markup {
    let traces = &study.findings.traces;
    html! {
        @if traces.is_empty() { p { "No message would have been sent, so there is no trace to show." } } @else {
            p class="legend" {
                "Of each patient the site with the most messages. "
                (key(|| html! { line x1="1" x2="21" y1="7" y2="7" class="delta" {} circle cx="11" cy="7" r="2.6" class="dot" {} })) " delta, "
                (key(|| html! { circle cx="11" cy="7" r="2.6" class="carried" {} })) " carried delta (a newer diastolic), "
                (key(|| html! { path d="M7,11 L11,3 L15,11 Z" class="pressure" {} })) " compartment pressure, "
                (key(|| html! { line x1="7" x2="15" y1="7" y2="7" class="diastolic" {} })) " diastolic, "
                (key(|| html! { line x1="1" x2="21" y1="7" y2="7" class="threshold" {} })) " alert threshold. "
                "Above: messages, C critical, A act, W watch, K check, x withdrawn, – resolved. Times in UTC, pressures in mmHg; numbers beyond 0 to 120 lie on the edge."
            }
            div class="multiples" { @for trace in traces { (one(trace)) } }
        }
    }
}

fn key(mark: impl Fn() -> Markup) -> Markup {
    html! { svg class="key" viewBox="0 0 22 14" width="22" height="14" aria-hidden="true" { (mark()) } }
}

fn one(trace: &Trace) -> Markup {
    let times = trace.pressures.iter().map(|(at, _)| *at);
    let times = times
        .chain(trace.deltas.iter().map(|(at, _, _)| *at))
        .chain(trace.messages_at.iter().map(|(at, _, _)| *at));
    let (from, to) = (times.clone().min(), times.max());
    let (Some(from), Some(to)) = (from, to) else {
        return html! {};
    };
    let span = to.millis_since(from).max(1);
    let x = |at: Instant| LEFT + (WIDTH - LEFT - 8.0) * real(at.millis_since(from)) / real(span);
    let y = |mmhg: i64| FOOT - (FOOT - TOP) * real(mmhg.clamp(0, 120)) / 120.0;
    let line: Vec<String> = trace
        .deltas
        .iter()
        .map(|(at, delta, _)| format!("{},{}", place(x(*at)), place(y(*delta))))
        .collect();
    let shown = |at: &Instant| *at >= from && *at <= to;
    html! {
        figure class="trace" {
            figcaption { code { (trace.patient) } " · " (trace.site) }
            svg class="chart" viewBox={ "0 0 " (WIDTH) " " (HEIGHT) } role="img" aria-label={ "Trace of " (trace.patient) ", " (trace.site) } {
                @for mmhg in [0, 30, 60, 90, 120] {
                    line x1=(place(LEFT)) x2=(place(WIDTH - 8.0)) y1=(place(y(mmhg))) y2=(place(y(mmhg))) class="grid" {}
                    text x=(place(LEFT - 4.0)) y=(place(y(mmhg) + 3.5)) class="tiny end" { (mmhg) }
                }
                @if let Some(threshold) = trace.threshold {
                    line x1=(place(LEFT)) x2=(place(WIDTH - 8.0)) y1=(place(y(threshold))) y2=(place(y(threshold))) class="threshold" {}
                }
                @for (at, mmhg) in trace.diastolics.iter().filter(|(at, _)| shown(at)) {
                    line x1=(place(x(*at) - 2.5)) x2=(place(x(*at) + 2.5)) y1=(place(y(*mmhg))) y2=(place(y(*mmhg))) class="diastolic" {}
                }
                @for (at, mmhg) in &trace.pressures {
                    @let (across, up) = (x(*at), y(*mmhg));
                    path d={ "M" (place(across - 2.8)) "," (place(up + 2.6)) " L" (place(across)) "," (place(up - 3.0)) " L" (place(across + 2.8)) "," (place(up + 2.6)) " Z" } class="pressure" {}
                }
                polyline points=(line.join(" ")) class="delta" {}
                @for (at, delta, carried) in &trace.deltas {
                    circle cx=(place(x(*at))) cy=(place(y(*delta))) r="1.9" class=(if *carried { "carried" } else { "dot" }) {}
                }
                @for (at, letter) in letters(trace, &x) {
                    line x1=(place(at)) x2=(place(at)) y1="13" y2="18" class="axis" {}
                    text x=(place(at)) y="11" class="tiny mid" { (letter) }
                }
                text x=(place(LEFT)) y=(place(HEIGHT - 8.0)) class="tiny" { (moment(from)) }
                text x=(place(WIDTH - 8.0)) y=(place(HEIGHT - 8.0)) class="tiny end" { "+ " (duration(to.minutes_since(from))) }
            }
        }
    }
}

/// Where a letter stands, and which; of those that would overlap the most urgent is kept.
fn letters(trace: &Trace, x: &impl Fn(Instant) -> f64) -> Vec<(f64, &'static str)> {
    let mut kept: Vec<(f64, u8, &'static str)> = Vec::new();
    for (at, occasion, tier) in &trace.messages_at {
        let (rank, letter) = match (occasion, tier) {
            (Occasion::Withdrawn, _) => (2, "x"),
            (Occasion::Resolved, _) | (_, None) => (0, "–"),
            (_, Some(Tier::Critical)) => (4, "C"),
            (_, Some(Tier::Act)) => (3, "A"),
            (_, Some(Tier::Watch)) => (2, "W"),
            (_, Some(Tier::Check)) => (1, "K"),
        };
        let at = x(*at);
        match kept.last_mut() {
            Some(last) if at - last.0 < 8.0 => {
                if rank > last.1 {
                    (last.1, last.2) = (rank, letter);
                }
            }
            _ => kept.push((at, rank, letter)),
        }
    }
    kept.into_iter().map(|(at, _, letter)| (at, letter)).collect()
}
