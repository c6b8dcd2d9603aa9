//! The SVG: two panels over one time axis. Shapes take their colours from the style sheet, so
//! that dark and printed pages need no second picture.

use super::GAP_MINUTES;
use super::marks::{self, coordinate};
use super::model::{DeltaKind, DeltaPoint, SiteChart};
use super::scale::{Scale, pressure_range, pressure_ticks, time_ticks};
use crate::fhir::Instant;
use crate::outbox::wording;
use crate::outbox::wording::signed;
use crate::recognise::reading::Comparator;
use maud::{Markup, html};

const WIDTH: f64 = 720.0;
const HEIGHT: f64 = 560.0;
/// Left edge of the plots: room for three digits and the axis title.
const LEFT: f64 = 74.0;
/// Right edge of the plots: room for half a time label.
const RIGHT: f64 = 696.0;
/// Upper panel (pressures), top and bottom.
const UPPER: (f64, f64) = (84.0, 290.0);
/// Lower panel (delta pressure), top and bottom.
const LOWER: (f64, f64) = (336.0, 496.0);
/// Least room between two numbers written beside their points.
const LABEL_ROOM: f64 = 40.0;
/// Numbers told one by one in the description; the rest is in the table.
const TOLD_ONE_BY_ONE: usize = 12;

struct Frame<'c> {
    chart: &'c SiteChart,
    time: Scale,
    upper: Scale,
    lower: Scale,
    upper_range: (i64, i64),
    lower_range: (i64, i64),
}

/// Draw. `id` makes the ids of title and description one of a kind on the page; it must be a plain
/// token.
pub fn draw(chart: &SiteChart, id: &str) -> Markup {
    let frame = Frame::new(chart);
    let (title_id, desc_id) = (format!("{id}-title"), format!("{id}-desc"));
    let view = format!("0 0 {} {}", WIDTH, HEIGHT);
    html! {
        svg class="chart" viewBox=(view) role="img" aria-labelledby={ (title_id) " " (desc_id) } xmlns="http://www.w3.org/2000/svg" {
            title id=(title_id) { "Pressures and delta pressure, " (chart.site) }
            desc id=(desc_id) { (describe(chart)) }
            (legend())
            (frame.grid())
            (frame.threshold())
            (frame.lines())
            (frame.points())
            (frame.labels())
        }
    }
}

impl<'c> Frame<'c> {
    fn new(chart: &'c SiteChart) -> Self {
        let pressures = chart.pressures.iter().map(|point| point.mmhg);
        let all = pressures.chain(chart.diastolics.iter().map(|point| point.mmhg));
        let (low, high) = extent(all);
        let upper_range = pressure_range(low, high, 4);
        let threshold = chart.threshold.iter().map(|threshold| threshold.mmhg);
        let (_, high) = extent(chart.deltas.iter().map(|point| point.mmhg).chain(threshold));
        // Room below the lowest mark for its number; it also shows that zero is not the floor.
        let lowest = chart.deltas.iter().map(|point| point.mmhg - 14).min().unwrap_or(0);
        let lower_range = pressure_range(lowest, high, 14);
        Self {
            chart,
            time: Scale::new((chart.from.millis(), chart.to.millis()), (LEFT, RIGHT)),
            upper: Scale::new(upper_range, (UPPER.1, UPPER.0)),
            lower: Scale::new(lower_range, (LOWER.1, LOWER.0)),
            upper_range,
            lower_range,
        }
    }

    fn x(&self, at: Instant) -> f64 {
        self.time.at(at.millis())
    }

    fn grid(&self) -> Markup {
        let day = |at: Instant| at.to_string().get(..10).unwrap_or_default().to_owned();
        let clock = |at: Instant| at.to_string().get(11..16).unwrap_or_default().to_owned();
        let (first, last) = (day(self.chart.from), day(self.chart.to));
        let days = if first == last {
            first
        } else {
            format!("{first} to {last}")
        };
        html! {
            (panel(UPPER, &self.upper, self.upper_range))
            (panel(LOWER, &self.lower, self.lower_range))
            @for (number, tick) in time_ticks(self.chart.from, self.chart.to).into_iter().enumerate() {
                @let x = coordinate(self.x(tick));
                line class="grid" x1=(x) y1=(coordinate(UPPER.0)) x2=(x) y2=(coordinate(UPPER.1)) {}
                line class="grid" x1=(x) y1=(coordinate(LOWER.0)) x2=(x) y2=(coordinate(LOWER.1)) {}
                @let class = if number % 2 == 0 { "tick" } else { "tick if-wide" };
                // The last one may stand at the edge: its words stay within.
                text class=(class) x=(coordinate(self.x(tick).min(RIGHT - 8.0))) y=(coordinate(LOWER.1 + 22.0)) text-anchor="middle" { (clock(tick)) }
            }
            text class="axis" x=(coordinate(LEFT)) y=(coordinate(UPPER.0 - 12.0)) { "Pressure, mmHg" }
            text class="axis" x=(coordinate(LEFT)) y=(coordinate(LOWER.0 - 12.0)) { "Delta pressure, mmHg" tspan class="if-wide" { " (diastolic − compartment)" } }
            text class="axis" x=(coordinate(LEFT)) y=(coordinate(HEIGHT - 14.0)) { tspan class="if-wide" { "Time, " } "UTC, " (days) }
            (self.right_edge())
        }
    }

    /// "now" at the right edge, when the chart reaches it.
    fn right_edge(&self) -> Markup {
        let x = coordinate(RIGHT);
        html! {
            @if self.chart.to >= self.chart.now {
                line class="now" x1=(x) y1=(coordinate(UPPER.0)) x2=(x) y2=(coordinate(LOWER.1)) {}
                text class="axis" x=(x) y=(coordinate(HEIGHT - 14.0)) text-anchor="end" { "right edge: now" }
            } @else {
                text class="axis" x=(x) y=(coordinate(HEIGHT - 14.0)) text-anchor="end" { "ends before now" }
            }
        }
    }

    /// The band in which the sheet alerts, its line and its words.
    fn threshold(&self) -> Markup {
        let Some(threshold) = &self.chart.threshold else {
            return html! {};
        };
        let y = self.lower.at(threshold.mmhg);
        html! {
            rect class="band" x=(coordinate(LEFT)) y=(coordinate(y)) width=(coordinate(RIGHT - LEFT)) height=(coordinate(LOWER.1 - y)) {}
            line class="threshold" x1=(coordinate(LEFT)) y1=(coordinate(y)) x2=(coordinate(RIGHT)) y2=(coordinate(y)) {}
            text class="threshold-words" x=(coordinate(RIGHT - 8.0)) y=(coordinate(LOWER.0 - 12.0)) text-anchor="end" {
                "alerts " (threshold.words) " " (threshold.mmhg)
            }
        }
    }

    fn lines(&self) -> Markup {
        let pressures = self.chart.pressures.iter();
        let pressures: Vec<_> = pressures.map(|point| (point.at, self.upper.at(point.mmhg))).collect();
        let diastolics = self.chart.diastolics.iter();
        let diastolics: Vec<_> = diastolics.map(|point| (point.at, self.upper.at(point.mmhg))).collect();
        let deltas = self
            .chart
            .deltas
            .iter()
            .filter(|point| point.kind != DeltaKind::Carried);
        let deltas: Vec<_> = deltas.map(|point| (point.at, self.lower.at(point.mmhg))).collect();
        html! {
            path class="line-diastolic" d=(self.path(&diastolics)) {}
            path class="line-pressure" d=(self.path(&pressures)) {}
            path class="line-delta" d=(self.path(&deltas)) {}
        }
    }

    /// One path; a gap longer than [`GAP_MINUTES`] starts anew.
    fn path(&self, points: &[(Instant, f64)]) -> String {
        let mut path = String::new();
        let mut before: Option<Instant> = None;
        for (at, y) in points {
            let joined = before.is_some_and(|before| at.minutes_since(before) <= GAP_MINUTES);
            path.push(if joined { 'L' } else { 'M' });
            path.push_str(&format!("{} {}", coordinate(self.x(*at)), coordinate(*y)));
            before = Some(*at);
        }
        path
    }

    fn points(&self) -> Markup {
        html! {
            @for point in &self.chart.diastolics {
                (marks::diastolic(self.x(point.at), self.upper.at(point.mmhg), point.used))
            }
            @for point in &self.chart.pressures {
                (marks::pressure(self.x(point.at), self.upper.at(point.mmhg)))
                @if point.without_delta {
                    (marks::missing(self.x(point.at), LOWER.1 - 12.0))
                }
            }
            @for point in &self.chart.deltas {
                (marks::delta(self.x(point.at), self.lower.at(point.mmhg), point.kind))
            }
        }
    }

    /// Numbers beside the deltas, newest first, as many as there is room for; then beside the
    /// compartment pressures.
    fn labels(&self) -> Markup {
        let deltas = self.chart.deltas.iter().map(|point| {
            let bound = if point.bounded_above { "≤" } else { "" };
            (
                point.at,
                self.lower.at(point.mmhg),
                format!("{bound}{}", signed(point.mmhg)),
            )
        });
        let pressures = self.chart.pressures.iter().map(|point| {
            let bound = point.comparator.map_or("", Comparator::sign);
            (
                point.at,
                self.upper.at(point.mmhg),
                format!("{bound}{}", signed(point.mmhg)),
            )
        });
        let x = |at: Instant| self.x(at);
        let below: Vec<(f64, f64)> = deltas.clone().map(|(at, y, _)| (x(at), y)).collect();
        let diastolics = self.chart.diastolics.iter();
        let mut above: Vec<(f64, f64)> = diastolics
            .map(|point| (x(point.at), self.upper.at(point.mmhg)))
            .collect();
        above.extend(pressures.clone().map(|(at, y, _)| (x(at), y)));
        html! {
            (self.label_all("value", deltas.collect(), &below, LOWER))
            (self.label_all("value value-pressure", pressures.collect(), &above, UPPER))
        }
    }

    fn label_all(
        &self,
        class: &str,
        points: Vec<(Instant, f64, String)>,
        marks: &[(f64, f64)],
        panel: (f64, f64),
    ) -> Markup {
        let mut last = f64::INFINITY;
        let mut placed: Vec<(f64, f64, String)> = Vec::new();
        for (at, y, text) in points.into_iter().rev() {
            let x = self.x(at);
            if last - x < LABEL_ROOM {
                continue;
            }
            last = x;
            placed.push((x.min(RIGHT - 12.0), label_height(x, y, marks, panel), text));
        }
        html! {
            @for (x, y, text) in placed.iter().rev() {
                text class=(class) x=(coordinate(*x)) y=(coordinate(*y)) text-anchor="middle" { (text) }
            }
        }
    }
}

/// Baseline of a number: above its point, or below it where another mark or the panel's edge is in
/// the way and below is free.
fn label_height(x: f64, y: f64, marks: &[(f64, f64)], (top, bottom): (f64, f64)) -> f64 {
    let (above, below) = (y - 13.0, y + 27.0);
    // A number reaches 14 up from its baseline, a mark 9 around its centre.
    let free = |baseline: f64| {
        baseline - 16.0 >= top
            && baseline + 2.0 <= bottom
            && !marks.iter().any(|(mark_x, mark_y)| {
                (mark_x - x).abs() < 22.0 && baseline - 23.0 < *mark_y && *mark_y < baseline + 9.0
            })
    };
    if free(above) || !free(below) { above } else { below }
}

fn extent(values: impl Iterator<Item = i64>) -> (i64, i64) {
    values.fold((0, 0), |(low, high), value| (low.min(value), high.max(value)))
}

fn panel((top, bottom): (f64, f64), scale: &Scale, range: (i64, i64)) -> Markup {
    let (left, right) = (coordinate(LEFT), coordinate(RIGHT));
    html! {
        rect class="panel" x=(left) y=(coordinate(top)) width=(coordinate(RIGHT - LEFT)) height=(coordinate(bottom - top)) {}
        @for tick in pressure_ticks(range) {
            @let y = scale.at(tick);
            line class="grid" x1=(left) y1=(coordinate(y)) x2=(right) y2=(coordinate(y)) {}
            text class="tick" x=(coordinate(LEFT - 10.0)) y=(coordinate(y + 5.5)) text-anchor="end" { (signed(tick)) }
        }
    }
}

/// What a shape stands for, where it stands in the picture's legend, and the words.
type Entry = ((f64, f64), fn(f64, f64) -> Markup, &'static str);

/// The legend, in two rows.
const LEGEND: [Entry; 7] = [
    ((22.0, 16.0), marks::pressure, "compartment pressure"),
    ((256.0, 16.0), |x, y| marks::diastolic(x, y, true), "diastolic used"),
    ((420.0, 16.0), |x, y| marks::diastolic(x, y, false), "other diastolic"),
    ((590.0, 16.0), marks::missing, "no delta"),
    ((22.0, 44.0), |x, y| marks::delta(x, y, DeltaKind::Paired), "delta"),
    (
        (128.0, 44.0),
        |x, y| marks::delta(x, y, DeltaKind::Stale),
        "delta, stale diastolic",
    ),
    (
        (346.0, 44.0),
        |x, y| marks::delta(x, y, DeltaKind::Carried),
        "delta, carried (newer diastolic)",
    ),
];

/// The shapes and what they stand for.
fn legend() -> Markup {
    html! {
        g class="legend-within" aria-hidden="true" {
            @for ((x, y), mark, words) in LEGEND {
                (mark(x, y))
                text class="legend" x=(coordinate(x + 18.0)) y=(coordinate(y + 5.5)) { (words) }
            }
        }
    }
}

/// The same below the picture, for screens so narrow that the words within would be too small; the
/// style sheet shows one of the two.
pub fn legend_below() -> Markup {
    html! {
        ul class="legend-below" aria-hidden="true" {
            @for (_, mark, words) in LEGEND {
                li { svg viewBox="0 0 28 20" aria-hidden="true" focusable="false" { (mark(14.0, 10.0)) } (words) }
            }
        }
    }
}

/// The picture in words: range, counts, then the newest numbers one by one.
fn describe(chart: &SiteChart) -> String {
    let mut text = format!(
        "From {} to {}: {}, {}, {}.",
        wording::when(chart.from),
        wording::when(chart.to),
        count(chart.pressures.len(), "compartment pressure"),
        count(chart.diastolics.len(), "diastolic"),
        count(chart.deltas.len(), "delta pressure")
    );
    if let Some(threshold) = &chart.threshold {
        let low = chart.deltas.iter().filter(|point| point.low).count();
        text.push_str(&format!(
            " {} {} {} mmHg.",
            are(low, "delta pressure"),
            threshold.words,
            threshold.mmhg
        ));
    }
    let without = chart.pressures.iter().filter(|point| point.without_delta).count();
    if without > 0 {
        text.push_str(&format!(
            " Without a delta pressure: {}.",
            count(without, "compartment pressure")
        ));
    }
    if chart.earlier > 0 {
        text.push_str(&format!(
            " {} not drawn; see the table.",
            are(chart.earlier, "earlier compartment pressure")
        ));
    }
    let skipped = chart.deltas.len().saturating_sub(TOLD_ONE_BY_ONE);
    for point in chart.deltas.iter().skip(skipped) {
        text.push(' ');
        text.push_str(&tell(point));
    }
    text
}

/// "1 diastolic", "2 diastolics".
fn count(number: usize, one: &str) -> String {
    let many = if number == 1 { "" } else { "s" };
    format!("{number} {one}{many}")
}

/// "1 diastolic is", "2 diastolics are".
fn are(number: usize, one: &str) -> String {
    let verb = if number == 1 { "is" } else { "are" };
    format!("{} {verb}", count(number, one))
}

fn tell(point: &DeltaPoint) -> String {
    let kind = match point.kind {
        DeltaKind::Paired => "",
        DeltaKind::Stale => " (stale diastolic)",
        DeltaKind::Carried => " (carried)",
    };
    let bound = if point.bounded_above { "at most " } else { "" };
    let (diastolic, pressure) = point.terms;
    format!(
        "{}: diastolic {diastolic}, compartment pressure {pressure}, delta pressure {bound}{}{kind}.",
        wording::when(point.at),
        signed(point.mmhg)
    )
}
