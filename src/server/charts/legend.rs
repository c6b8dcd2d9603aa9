//! The legend: each shape with the words for it, within the picture or below it.

use super::beside::{BesidePoint, Shade};
use super::marks::{self, coordinate};
use super::model::DeltaKind;
use crate::outbox::draft::BesideKind;
use maud::{Markup, html};

/// Height of one row.
pub(super) const ROW: f64 = 28.0;

/// What a shape stands for.
struct Entry {
    mark: fn(f64, f64) -> Markup,
    words: &'static str,
    /// Its place in a row of the picture; None: after the one before it.
    x: Option<f64>,
}

const fn at(x: f64, mark: fn(f64, f64) -> Markup, words: &'static str) -> Entry {
    Entry {
        mark,
        words,
        x: Some(x),
    }
}

const fn after(mark: fn(f64, f64) -> Markup, words: &'static str) -> Entry {
    Entry { mark, words, x: None }
}

/// The rows that every picture has. Large 2015 (J Orthop Trauma 29:316-21: of readings made correctly
/// 60 % were within 5 mmHg, C; the author's name M).
const ALWAYS: [&[Entry]; 3] = [
    &[
        at(22.0, marks::pressure, "compartment pressure"),
        at(256.0, |x, y| marks::diastolic(x, y, true), "diastolic used"),
        at(420.0, |x, y| marks::diastolic(x, y, false), "other diastolic"),
        at(590.0, marks::missing, "no delta"),
    ],
    &[
        at(22.0, |x, y| marks::delta(x, y, DeltaKind::Paired), "delta"),
        at(
            128.0,
            |x, y| marks::delta(x, y, DeltaKind::Stale),
            "delta, stale diastolic",
        ),
        at(
            346.0,
            |x, y| marks::delta(x, y, DeltaKind::Carried),
            "delta, carried (newer diastolic)",
        ),
    ],
    &[at(
        22.0,
        marks::spread_sample,
        "± 5 mmHg: of correctly made readings 40 % are further off (Large 2015)",
    )],
];

const SHADE: Entry = after(marks::shade_sample, "anaesthesia");
const BEFORE: Entry = after(
    |x, y| marks::beside(x, y, BesideKind::BeforeAnaesthesia),
    "before anaesthesia",
);
const MEAN: Entry = after(|x, y| marks::beside(x, y, BesideKind::Mean), "mean delta");
const OTHER: Entry = after(|x, y| marks::beside(x, y, BesideKind::OtherMethod), "other method");

/// What a picture has beyond that, as far as it is drawn.
fn drawn(shades: &[Shade], beside: &[BesidePoint]) -> Vec<&'static Entry> {
    let has = |kind: BesideKind| beside.iter().any(|point| point.kind == kind);
    [
        (!shades.is_empty(), &SHADE),
        (has(BesideKind::BeforeAnaesthesia), &BEFORE),
        (has(BesideKind::Mean), &MEAN),
        (has(BesideKind::OtherMethod), &OTHER),
    ]
    .into_iter()
    .filter_map(|(drawn, entry)| drawn.then_some(entry))
    .collect()
}

/// How many rows the legend within takes.
pub(super) fn rows(shades: &[Shade], beside: &[BesidePoint]) -> usize {
    ALWAYS.len() + usize::from(!drawn(shades, beside).is_empty())
}

/// The shapes and what they stand for, at the top of the picture.
pub(super) fn within(shades: &[Shade], beside: &[BesidePoint]) -> Markup {
    let always = ALWAYS.iter().map(|row| row.iter().collect());
    let mut placed: Vec<(f64, f64, &Entry)> = Vec::new();
    let mut y = 16.0;
    for row in always.chain([drawn(shades, beside)]) {
        placed.extend(places(row).into_iter().map(|(x, entry)| (x, y, entry)));
        y += ROW;
    }
    html! {
        g class="legend-within" aria-hidden="true" {
            @for (x, y, entry) in placed {
                ((entry.mark)(x, y))
                text class="legend" x=(coordinate(x + 18.0)) y=(coordinate(y + 5.5)) { (entry.words) }
            }
        }
    }
}

/// Where the entries of a row stand. The widest of the usual fonts takes 9.5 units a character.
fn places(row: Vec<&'static Entry>) -> Vec<(f64, &'static Entry)> {
    let mut next = 22.0;
    let place = |entry: &'static Entry| {
        let x = entry.x.unwrap_or(next);
        next = f64::from(u16::try_from(entry.words.chars().count()).unwrap_or(u16::MAX)).mul_add(9.5, x + 40.0);
        (x, entry)
    };
    row.into_iter().map(place).collect()
}

/// The same below the picture, for screens so narrow that the words within would be too small; the
/// style sheet shows one of the two.
pub fn legend_below(shades: &[Shade], beside: &[BesidePoint]) -> Markup {
    let always = ALWAYS.iter().flat_map(|row| row.iter());
    html! {
        ul class="legend-below" aria-hidden="true" {
            @for entry in always.chain(drawn(shades, beside)) {
                li { svg viewBox="0 0 28 20" aria-hidden="true" focusable="false" { ((entry.mark)(14.0, 10.0)) } (entry.words) }
            }
        }
    }
}
