//! The SVG: two panels over one time axis. Shapes take their colours from the style sheet, so
//! that dark and printed pages need no second picture.

use super::beside::{BesidePoint, Shade};
use super::describe::describe;
use super::marks::{self, coordinate};
use super::model::{DeltaKind, DeltaPoint, SiteChart};
use super::scale::{Scale, pressure_range, pressure_ticks, time_ticks};
use super::{GAP_MINUTES, SPREAD_MMHG, legend};
use crate::fhir::Instant;
use crate::outbox::draft::BesideKind;
use crate::outbox::wording::signed;
use crate::recognise::reading::Comparator;
use maud::{Markup, html};

const WIDTH: f64 = 720.0;
/// Left edge of the plots: room for three digits and the axis title.
const LEFT: f64 = 74.0;
/// Right edge of the plots: room for half a time label.
const RIGHT: f64 = 696.0;
/// Heights, from the foot of the legend down: upper panel (pressures), top and bottom.
const UPPER: (f64, f64) = (28.0, 234.0);
/// Lower panel (delta pressure), top and bottom.
const LOWER: (f64, f64) = (280.0, 440.0);
/// All but the legend.
const HEIGHT: f64 = 504.0;
/// Least room between two numbers written beside their points.
const LABEL_ROOM: f64 = 40.0;
/// Least room between two words "anaesthesia".
const SHADE_ROOM: f64 = 120.0;
/// How far to the left of its delta a second difference stands.
const BESIDE_LEFT: f64 = 22.0;
/// Width of a column of second differences.
const BESIDE_COLUMN: f64 = 14.0;
/// Half the width of the band around a delta that no line joins to another.
const LONE_SPREAD: f64 = 8.0;

struct Frame<'c> {
    chart: &'c SiteChart,
    shades: &'c [Shade],
    beside: Vec<&'c BesidePoint>,
    upper_panel: (f64, f64),
    lower_panel: (f64, f64),
    height: f64,
    time: Scale,
    upper: Scale,
    lower: Scale,
    upper_range: (i64, i64),
    lower_range: (i64, i64),
}

/// Draw. `shades` are the times of recorded anaesthesia, `beside` the second differences; either may be
/// empty. `id` makes the ids of title and description one of a kind on the page; it must be a plain token.
pub fn draw(chart: &SiteChart, shades: &[Shade], beside: &[BesidePoint], id: &str) -> Markup {
    let frame = Frame::new(chart, shades, beside);
    let (title_id, desc_id) = (format!("{id}-title"), format!("{id}-desc"));
    let view = format!("0 0 {} {}", WIDTH, frame.height);
    html! {
        // Where the style sheet shows the legend below, it cuts this one off from the top: the foot stays.
        svg class="chart" viewBox=(view) preserveAspectRatio="xMidYMax slice" role="img" aria-labelledby={ (title_id) " " (desc_id) } xmlns="http://www.w3.org/2000/svg" {
            title id=(title_id) { "Pressures and delta pressure, " (chart.site) }
            desc id=(desc_id) { (describe(chart, shades, beside)) }
            (legend::within(shades, beside))
            (frame.shade())
            (frame.grid())
            (frame.threshold())
            (frame.spread())
            (frame.lines())
            (frame.points())
            (frame.labels())
        }
    }
}

impl<'c> Frame<'c> {
    fn new(chart: &'c SiteChart, shades: &'c [Shade], beside: &'c [BesidePoint]) -> Self {
        let shown = |point: &&BesidePoint| chart.from <= point.at && point.at <= chart.to;
        let shown: Vec<&BesidePoint> = beside.iter().filter(shown).collect();
        let pressures = chart.pressures.iter().map(|point| point.mmhg);
        let all = pressures.chain(chart.diastolics.iter().map(|point| point.mmhg));
        let (low, high) = extent(all);
        let upper_range = pressure_range(low, high, 4);
        let threshold = chart.threshold.iter().map(|threshold| threshold.mmhg);
        let deltas = chart.deltas.iter().map(|point| point.mmhg);
        let deltas = deltas.chain(shown.iter().map(|point| point.mmhg));
        let (_, high) = extent(deltas.clone().chain(threshold));
        // Room below the lowest mark for its number; it also shows that zero is not the floor.
        let lowest = deltas.map(|mmhg| mmhg - 14).min().unwrap_or(0);
        let lower_range = pressure_range(lowest, high, 14);
        let top: f64 = std::iter::repeat_n(legend::ROW, legend::rows(shades, beside)).sum();
        let (upper_panel, lower_panel) = (moved(UPPER, top), moved(LOWER, top));
        Self {
            chart,
            shades,
            beside: shown,
            upper_panel,
            lower_panel,
            height: top + HEIGHT,
            time: Scale::new((chart.from.millis(), chart.to.millis()), (LEFT, RIGHT)),
            upper: Scale::new(upper_range, (upper_panel.1, upper_panel.0)),
            lower: Scale::new(lower_range, (lower_panel.1, lower_panel.0)),
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
            (panel(self.upper_panel, &self.upper, self.upper_range))
            (panel(self.lower_panel, &self.lower, self.lower_range))
            @for (number, tick) in time_ticks(self.chart.from, self.chart.to).into_iter().enumerate() {
                @let x = coordinate(self.x(tick));
                line class="grid" x1=(x) y1=(coordinate(self.upper_panel.0)) x2=(x) y2=(coordinate(self.upper_panel.1)) {}
                line class="grid" x1=(x) y1=(coordinate(self.lower_panel.0)) x2=(x) y2=(coordinate(self.lower_panel.1)) {}
                @let class = if number % 2 == 0 { "tick" } else { "tick if-wide" };
                // The last one may stand at the edge: its words stay within.
                text class=(class) x=(coordinate(self.x(tick).min(RIGHT - 8.0))) y=(coordinate(self.lower_panel.1 + 22.0)) text-anchor="middle" { (clock(tick)) }
            }
            text class="axis" x=(coordinate(LEFT)) y=(coordinate(self.upper_panel.0 - 12.0)) { "Pressure, mmHg" }
            text class="axis" x=(coordinate(LEFT)) y=(coordinate(self.lower_panel.0 - 12.0)) { "Delta pressure, mmHg" tspan class="if-wide" { " (diastolic − compartment)" } }
            text class="axis" x=(coordinate(LEFT)) y=(coordinate(self.height - 14.0)) { tspan class="if-wide" { "Time, " } "UTC, " (days) }
            (self.right_edge())
        }
    }

    /// "now" at the right edge, when the chart reaches it.
    fn right_edge(&self) -> Markup {
        let x = coordinate(RIGHT);
        html! {
            @if self.chart.to >= self.chart.now {
                line class="now" x1=(x) y1=(coordinate(self.upper_panel.0)) x2=(x) y2=(coordinate(self.lower_panel.1)) {}
                text class="axis" x=(x) y=(coordinate(self.height - 14.0)) text-anchor="end" { "right edge: now" }
            } @else {
                text class="axis" x=(x) y=(coordinate(self.height - 14.0)) text-anchor="end" { "ends before now" }
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
            rect class="band" x=(coordinate(LEFT)) y=(coordinate(y)) width=(coordinate(RIGHT - LEFT)) height=(coordinate(self.lower_panel.1 - y)) {}
            line class="threshold" x1=(coordinate(LEFT)) y1=(coordinate(y)) x2=(coordinate(RIGHT)) y2=(coordinate(y)) {}
            text class="threshold-words" x=(coordinate(RIGHT - 8.0)) y=(coordinate(self.lower_panel.0 - 12.0)) text-anchor="end" {
                "alerts " (threshold.words) " " (threshold.mmhg)
            }
        }
    }

    /// While anaesthesia is recorded: over both panels, with the word at the foot of the upper one.
    fn shade(&self) -> Markup {
        let within = |shade: &Shade| shade.within(self.chart.from, self.chart.to);
        let spans = self.shades.iter().filter_map(within);
        let spans: Vec<(f64, f64)> = spans.map(|(from, to)| (self.x(from), self.x(to))).collect();
        let mut words: Vec<f64> = Vec::new();
        for (from, to) in &spans {
            let middle = f64::midpoint(*from, *to).clamp(LEFT + SHADE_ROOM / 2.0, RIGHT - SHADE_ROOM / 2.0);
            if words.last().is_none_or(|last| middle - last >= SHADE_ROOM) {
                words.push(middle);
            }
        }
        html! {
            @for span in &spans {
                (marks::shade(*span, self.upper_panel))
                (marks::shade(*span, self.lower_panel))
            }
            @for x in &words {
                text class="shade-words" x=(coordinate(*x)) y=(coordinate(self.upper_panel.1 - 6.0)) text-anchor="middle" { "anaesthesia" }
            }
        }
    }

    /// How far a correctly made reading may be off: along the line, and around each delta that stands
    /// alone or is carried.
    fn spread(&self) -> Markup {
        let mut runs: Vec<Vec<&DeltaPoint>> = Vec::new();
        for point in &self.chart.deltas {
            let joins = |last: &&DeltaPoint| point.at.minutes_since(last.at) <= GAP_MINUTES;
            let last = runs.last_mut().filter(|run| run.last().is_some_and(joins));
            match (point.kind, last) {
                (DeltaKind::Carried, _) => {}
                (_, Some(run)) => run.push(point),
                (_, None) => runs.push(vec![point]),
            }
        }
        let carried = self
            .chart
            .deltas
            .iter()
            .filter(|point| point.kind == DeltaKind::Carried);
        html! {
            @for run in runs {
                @match run.as_slice() {
                    [alone] => (self.lone_spread(alone)),
                    run => {
                        @let above = run.iter().map(|point| (point.at, point.mmhg + SPREAD_MMHG));
                        @let below = run.iter().rev().map(|point| (point.at, point.mmhg - SPREAD_MMHG));
                        @let corner = |(at, mmhg)| format!("{},{}", coordinate(self.x(at)), coordinate(self.lower.at(mmhg)));
                        polygon class="spread" points=(above.chain(below).map(corner).collect::<Vec<_>>().join(" ")) {}
                    },
                }
            }
            @for point in carried { (self.lone_spread(point)) }
        }
    }

    fn lone_spread(&self, point: &DeltaPoint) -> Markup {
        let left = (self.x(point.at) - LONE_SPREAD).max(LEFT);
        let right = (self.x(point.at) + LONE_SPREAD).min(RIGHT);
        let (top, foot) = (
            self.lower.at(point.mmhg + SPREAD_MMHG),
            self.lower.at(point.mmhg - SPREAD_MMHG),
        );
        html! {
            rect class="spread" x=(coordinate(left)) y=(coordinate(top)) width=(coordinate(right - left)) height=(coordinate(foot - top)) {}
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

    /// A little before its delta, whose number stands above or below it, each kind in a column of its own;
    /// the stem ties the two.
    fn beside_x(&self, point: &BesidePoint) -> f64 {
        let column = match point.kind {
            BesideKind::BeforeAnaesthesia => 0.0,
            BesideKind::Mean => 1.0,
            BesideKind::OtherMethod => 2.0,
        };
        (self.x(point.at) - BESIDE_LEFT - column * BESIDE_COLUMN).max(LEFT + 7.0)
    }

    fn points(&self) -> Markup {
        html! {
            @for point in &self.chart.diastolics {
                (marks::diastolic(self.x(point.at), self.upper.at(point.mmhg), point.used))
            }
            @for point in &self.chart.pressures {
                (marks::pressure(self.x(point.at), self.upper.at(point.mmhg)))
                @if point.without_delta {
                    (marks::missing(self.x(point.at), self.lower_panel.1 - 12.0))
                }
            }
            @for point in &self.beside {
                @let (x, y) = (self.beside_x(point), self.lower.at(point.mmhg));
                @if let Some(delta) = point.delta {
                    line class="stem" x1=(coordinate(self.x(point.at))) y1=(coordinate(self.lower.at(delta))) x2=(coordinate(x)) y2=(coordinate(y)) {}
                }
                (marks::beside(x, y, point.kind))
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
        let mut below: Vec<(f64, f64)> = deltas.clone().map(|(at, y, _)| (x(at), y)).collect();
        let beside = self.beside.iter();
        below.extend(beside.map(|point| (self.beside_x(point), self.lower.at(point.mmhg))));
        let diastolics = self.chart.diastolics.iter();
        let mut above: Vec<(f64, f64)> = diastolics
            .map(|point| (x(point.at), self.upper.at(point.mmhg)))
            .collect();
        above.extend(pressures.clone().map(|(at, y, _)| (x(at), y)));
        html! {
            (self.label_all("value", deltas.collect(), &below, self.lower_panel))
            (self.label_all("value value-pressure", pressures.collect(), &above, self.upper_panel))
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

fn moved((top, bottom): (f64, f64), by: f64) -> (f64, f64) {
    (top + by, bottom + by)
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
