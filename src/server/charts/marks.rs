//! The shapes. Each kind of number has one of its own, so that colour is never the only sign.

use super::model::DeltaKind;
use maud::{Markup, html};

/// A coordinate as written: a tenth of a unit is finer than any screen shows.
pub(super) fn coordinate(value: f64) -> String {
    format!("{value:.1}")
}

fn polygon(class: &str, x: f64, y: f64, corners: &[(f64, f64)]) -> Markup {
    let points: Vec<String> = corners
        .iter()
        .map(|(dx, dy)| format!("{},{}", coordinate(x + dx), coordinate(y + dy)))
        .collect();
    html! { polygon class=(class) points=(points.join(" ")) {} }
}

/// A compartment pressure: a filled disc.
pub(super) fn pressure(x: f64, y: f64) -> Markup {
    html! { circle class="mark-pressure" cx=(coordinate(x)) cy=(coordinate(y)) r="6.5" {} }
}

/// A diastolic: a triangle on its point; faint and small when no pairing of this site uses it.
pub(super) fn diastolic(x: f64, y: f64, used: bool) -> Markup {
    if used {
        polygon("mark-diastolic", x, y, &[(-7.5, -6.5), (7.5, -6.5), (0.0, 7.0)])
    } else {
        polygon("mark-diastolic-other", x, y, &[(-5.0, -4.5), (5.0, -4.5), (0.0, 5.0)])
    }
}

/// A delta: a filled diamond; hollow when carried; with a bar through it when its diastolic is stale.
pub(super) fn delta(x: f64, y: f64, kind: DeltaKind) -> Markup {
    const CORNERS: &[(f64, f64)] = &[(0.0, -8.5), (8.0, 0.0), (0.0, 8.5), (-8.0, 0.0)];
    html! {
        @match kind {
            DeltaKind::Paired => (polygon("mark-delta", x, y, CORNERS)),
            DeltaKind::Carried => (polygon("mark-delta-carried", x, y, CORNERS)),
            DeltaKind::Stale => {
                (polygon("mark-delta", x, y, CORNERS))
                line class="mark-stale" x1=(coordinate(x - 13.0)) y1=(coordinate(y)) x2=(coordinate(x + 13.0)) y2=(coordinate(y)) {}
            }
        }
    }
}

/// A compartment reading without a delta: a cross at the foot of the delta panel.
pub(super) fn missing(x: f64, y: f64) -> Markup {
    let path = format!("M{} {}l10 10m0 -10l-10 10", coordinate(x - 5.0), coordinate(y - 5.0));
    html! { path class="mark-missing" d=(path) {} }
}
