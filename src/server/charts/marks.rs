//! The shapes. Each kind of number has one of its own, so that colour is never the only sign.

use super::model::DeltaKind;
use crate::outbox::draft::BesideKind;
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

/// A second difference, smaller than a delta: a hollow square from before anaesthesia, a plus of the mean
/// arterial pressure, a hollow triangle on its base of the other method.
pub(super) fn beside(x: f64, y: f64, kind: BesideKind) -> Markup {
    match kind {
        BesideKind::BeforeAnaesthesia => polygon(
            "mark-beside",
            x,
            y,
            &[(-5.0, -5.0), (5.0, -5.0), (5.0, 5.0), (-5.0, 5.0)],
        ),
        BesideKind::Mean => {
            let path = format!("M{} {}h13m-6.5 -6.5v13", coordinate(x - 6.5), coordinate(y));
            html! { path class="mark-beside" d=(path) {} }
        }
        BesideKind::OtherMethod => polygon("mark-beside", x, y, &[(-6.0, 5.0), (6.0, 5.0), (0.0, -6.0)]),
    }
}

/// What the band around the delta line looks like.
pub(super) fn spread_sample(x: f64, y: f64) -> Markup {
    html! {
        rect class="spread" x=(coordinate(x - 12.0)) y=(coordinate(y - 8.0)) width="24.0" height="16.0" {}
        line class="spread-middle" x1=(coordinate(x - 12.0)) y1=(coordinate(y)) x2=(coordinate(x + 12.0)) y2=(coordinate(y)) {}
    }
}

/// What the shade of an anaesthesia looks like.
pub(super) fn shade_sample(x: f64, y: f64) -> Markup {
    shade((x - 12.0, x + 12.0), (y - 8.0, y + 8.0))
}

/// A shade: slanted lines over a faint ground, so that it is seen without colour.
pub(super) fn shade((left, right): (f64, f64), (top, bottom): (f64, f64)) -> Markup {
    const STEP: f64 = 12.0;
    let height = bottom - top;
    let mut path = String::new();
    // Each line leans to the right by the height of the shade; what lies outside is not drawn.
    let mut foot = left - height;
    while foot < right {
        let start = foot.max(left);
        let end = (foot + height).min(right);
        if start < end {
            path.push_str(&format!(
                "M{} {}L{} {}",
                coordinate(start),
                coordinate(bottom - (start - foot)),
                coordinate(end),
                coordinate(bottom - (end - foot))
            ));
        }
        foot += STEP;
    }
    html! {
        rect class="shade" x=(coordinate(left)) y=(coordinate(top)) width=(coordinate(right - left)) height=(coordinate(height)) {}
        path class="shade-lines" d=(path) {}
    }
}
