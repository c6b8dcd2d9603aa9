//! Pictures of the report: SVG without script, every number also as text.

use crate::replay::statistics::float;
use maud::{Markup, html};
use std::collections::BTreeMap;

/// Width of a bar of the histogram, mmHg.
const STEP: i64 = 5;

const WIDTH: f64 = 860.0;

/// Deltas in steps of 5 mmHg, each step above its lower end and up to its upper: a threshold is the end
/// of a bar.
pub fn histogram(deltas: &BTreeMap<i64, u64>, threshold: i64, low: impl Fn(i64) -> bool) -> Markup {
    const HEIGHT: f64 = 250.0;
    let (top, foot, left) = (26.0, 210.0, 8.0);
    let bin = |delta: i64| (delta - 1).div_euclid(STEP);
    let mut bars: BTreeMap<i64, u64> = BTreeMap::new();
    for (delta, count) in deltas {
        *bars.entry(bin(*delta)).or_default() += count;
    }
    let (Some(first), Some(last)) = (bars.keys().next().copied(), bars.keys().last().copied()) else {
        return html! { p { "There is no delta to draw." } };
    };
    let columns = last - first + 1;
    let most = bars.values().copied().max().unwrap_or(1);
    let column = (WIDTH - 2.0 * left) / real(columns);
    let x = |bin: i64| left + real(bin - first) * column;
    let height = |count: u64| (foot - top) * float(count) / float(most.max(1));
    // Where bars are narrow not every one has its number.
    let numbered = column >= 26.0;
    let every = if column >= 22.0 { 1 } else { 2 };
    html! {
        svg class="chart" viewBox={ "0 0 " (WIDTH) " " (HEIGHT) } role="img" aria-label="Distribution of deltas" {
            defs {
                pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
                    rect width="6" height="6" fill="#fff" {}
                    rect width="3" height="6" class="hatch" {}
                }
            }
            @for bin in first..=last {
                @let count = bars.get(&bin).copied().unwrap_or(0);
                @let end = (bin + 1) * STEP;
                @let bar = height(count);
                rect x=(place(x(bin) + 1.0)) y=(place(foot - bar)) width=(place(column - 2.0)) height=(place(bar))
                    class=(if low(end) { "bar low" } else { "bar" }) {
                    title { "above " (end - STEP) " to " (end) " mmHg: " (count) }
                }
                @if count > 0 && numbered { text x=(place(x(bin) + column / 2.0)) y=(place(foot - bar - 4.0)) class="small mid" { (short(count)) } }
                @if (bin + 1).rem_euclid(every) == 0 { text x=(place(x(bin + 1))) y=(place(foot + 15.0)) class="small mid" { (end) } }
            }
            line x1=(place(left)) x2=(place(WIDTH - left)) y1=(place(foot)) y2=(place(foot)) class="axis" {}
            @if threshold > i64::MIN && threshold >= first * STEP && threshold <= (last + 1) * STEP {
                @let at = left + (real(threshold) / real(STEP) - real(first)) * column;
                line x1=(place(at)) x2=(place(at)) y1="6" y2=(place(foot)) class="threshold" {}
                text x=(place(at + 5.0)) y="14" class="small" { "alert threshold " (threshold) }
            }
            text x=(place(WIDTH - left)) y=(place(HEIGHT - 6.0)) class="small end" { "delta, mmHg" }
        }
    }
}

/// Messages by weekday and hour: a table whose cells are shaded and hold their number.
pub fn heat(heat: &[[u64; 24]; 7]) -> Markup {
    const DAYS: [&str; 7] = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];
    let most = heat.iter().flatten().copied().max().unwrap_or(0).max(1);
    let shade = |count: u64| {
        format!(
            "background: rgba(29, 74, 120, {:.2})",
            0.55 * float(count) / float(most)
        )
    };
    html! {
        div class="scroll" {
            table class="heat" {
                caption { "Messages by weekday and hour of UTC; the darker a cell, the more. Empty: none." }
                thead { tr { th scope="col" {} @for hour in 0..24 { th scope="col" { (format!("{hour:02}")) } } th scope="col" { "Sum" } } }
                tbody {
                    @for (day, hours) in DAYS.iter().zip(heat) {
                        tr {
                            th scope="row" { (day) }
                            @for count in hours { td style=(shade(*count)) { @if *count > 0 { (short(*count)) } } }
                            td class="sum" { (hours.iter().sum::<u64>()) }
                        }
                    }
                }
            }
        }
    }
}

/// One point of a curve.
pub struct Point {
    pub x: f64,
    pub y: f64,
    pub label: String,
    /// Drawn as a filled square.
    pub marked: bool,
}

/// A curve through labelled points.
pub fn curve(points: &[Point], x_name: &str, y_name: &str) -> Markup {
    const HEIGHT: f64 = 330.0;
    let (left, right, top, foot) = (56.0, WIDTH - 40.0, 24.0, 280.0);
    let most = |of: fn(&Point) -> f64| points.iter().map(of).fold(0.0, f64::max).max(f64::MIN_POSITIVE);
    let (x_most, y_most) = (nice(most(|point| point.x)), nice(most(|point| point.y)));
    let x = |value: f64| left + (right - left) * value / x_most;
    let y = |value: f64| foot - (foot - top) * value / y_most;
    let path: Vec<String> = points
        .iter()
        .map(|point| format!("{},{}", place(x(point.x)), place(y(point.y))))
        .collect();
    html! {
        svg class="chart" viewBox={ "0 0 " (WIDTH) " " (HEIGHT) } role="img" aria-label={ (y_name) " against " (x_name) } {
            @for quarter in 0..=4 {
                @let part = f64::from(quarter) / 4.0;
                line x1=(place(left)) x2=(place(right)) y1=(place(y(y_most * part))) y2=(place(y(y_most * part))) class="grid" {}
                text x=(place(left - 6.0)) y=(place(y(y_most * part) + 4.0)) class="small end" { (tick(y_most * part)) }
                text x=(place(x(x_most * part))) y=(place(foot + 16.0)) class="small mid" { (tick(x_most * part)) }
            }
            line x1=(place(left)) x2=(place(right)) y1=(place(foot)) y2=(place(foot)) class="axis" {}
            polyline points=(path.join(" ")) class="curve" {}
            @for point in points {
                @let (at, up) = (x(point.x), y(point.y));
                @if point.marked {
                    rect x=(place(at - 5.0)) y=(place(up - 5.0)) width="10" height="10" class="mark" {}
                } @else {
                    circle cx=(place(at)) cy=(place(up)) r="4" class="ring" {}
                }
                text x=(place(at + 8.0)) y=(place(up + 14.0)) class="small" { (point.label) }
            }
            text x=(place(right)) y=(place(HEIGHT - 8.0)) class="small end" { (x_name) }
            text x="4" y="13" class="small" { (y_name) }
        }
    }
}

/// The next number above that is 1, 2, 2.5 or 5 times a power of ten.
fn nice(most: f64) -> f64 {
    let power = 10_f64.powf(most.log10().floor());
    let steps = [1.0, 2.0, 2.5, 5.0, 10.0];
    steps
        .into_iter()
        .map(|step| step * power)
        .find(|end| *end >= most)
        .unwrap_or(most)
}

fn tick(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A count in a small place: 12 345 → "12k".
pub fn short(count: u64) -> String {
    match count {
        0..=9_999 => count.to_string(),
        10_000..=9_999_999 => format!("{}k", count / 1_000),
        _ => format!("{}M", count / 1_000_000),
    }
}

/// To a tenth of a unit of the picture.
pub fn place(value: f64) -> String {
    format!("{value:.1}")
}

#[expect(clippy::cast_precision_loss, reason = "a picture coordinate, shown to a tenth")]
pub fn real(number: i64) -> f64 {
    number as f64
}
