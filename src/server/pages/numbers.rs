//! The numbers of one measurement as a page shows them: large delta, then each number with its age.

use super::text;
use crate::fhir::Instant;
use crate::fhir::quantity::{round_delta, round_pressure};
use crate::outbox::draft::{AgeClass, Measured};
use crate::outbox::wording;
use crate::outbox::wording::signed;
use crate::patient::assess::{Assessment, Carried, Delta, Measurement, Paired};
use crate::patient::concern::{ConcernNow, Headline};
use crate::patient::gather::Member;
use crate::patient::words;
use crate::recognise::reading::Comparator;
use maud::{Markup, html};

/// What is shown of one measurement, or of the one thing that a concern speaks of.
#[derive(Clone, Debug, Default)]
pub(super) struct Numbers {
    /// Bounded above or exact, and whole mmHg; None when there is no delta.
    delta: Option<(bool, i64)>,
    /// Why there is no delta, when there is none.
    why_none: Option<&'static str>,
    pressure: Option<Measured>,
    diastolic: Option<Measured>,
    carried: bool,
    stale: bool,
}

impl Numbers {
    /// Of a measurement, or of a newer diastolic carried against it.
    pub(super) fn of(assessment: &Assessment<'_>, measurement: &Measurement<'_>, carried: Option<&Carried>) -> Self {
        let (diastolic, delta, stale) = match (carried, measurement.paired) {
            (Some(carried), _) => (Some(carried.diastolic), Some(carried.delta), false),
            (None, Paired::With(index, age)) => (Some(index), measurement.delta, age == AgeClass::Stale),
            (None, Paired::Asking | Paired::Nothing) => (None, None, false),
        };
        let why_none = match (delta, measurement.paired) {
            (Some(_), _) => None,
            (None, Paired::Asking) => Some("its diastolic is being asked for"),
            (None, Paired::Nothing) => Some("no usable diastolic"),
            (None, Paired::With(..)) => Some("the pressure is only an upper bound"),
        };
        Self {
            delta: delta.map(
                |Delta {
                     whole, bounded_above, ..
                 }| (bounded_above, whole),
            ),
            why_none,
            pressure: Some(words::measured(&measurement.gathered)),
            diastolic: diastolic
                .and_then(|index| assessment.diastolics.get(index))
                .map(words::measured),
            carried: carried.is_some(),
            stale,
        }
    }

    /// Of what an open concern speaks of.
    pub(super) fn of_headline(assessment: &Assessment<'_>, concern: &ConcernNow<'_>) -> Self {
        let measurement = |index: usize| assessment.measurements.get(index);
        let alone = |member: Member<'_>, compartment: bool| {
            let measured = Some(words::measured_alone(member));
            let (pressure, diastolic) = if compartment {
                (measured, None)
            } else {
                (None, measured)
            };
            Self {
                why_none: Some("the value is outside the plausible range"),
                pressure,
                diastolic,
                ..Self::default()
            }
        };
        match concern.headline {
            Headline::Measurement(index) => measurement(index)
                .map(|found| Self::of(assessment, found, None))
                .unwrap_or_default(),
            Headline::Carried(index, position) => measurement(index)
                .map(|found| Self::of(assessment, found, found.carried.get(position)))
                .unwrap_or_default(),
            Headline::Implausible(member) => alone(member, true),
            Headline::Diastolic(member) => alone(member, false),
            Headline::Unusable(..) => Self::default(),
        }
    }

    /// The newest that is known of a site: its last carried delta, else its last measurement.
    pub(super) fn newest(assessment: &Assessment<'_>, site: usize) -> Option<Self> {
        let (_, measurement) = assessment.of_site(site).next_back()?;
        Some(Self::of(assessment, measurement, measurement.carried.last()))
    }

    /// True when both speak of the same two readings.
    pub(super) fn same_as(&self, other: &Self) -> bool {
        let moment = |measured: &Option<Measured>| measured.as_ref().map(|measured| measured.at);
        self.delta == other.delta
            && moment(&self.pressure) == moment(&other.pressure)
            && moment(&self.diastolic) == moment(&other.diastolic)
    }

    /// When its newest number was measured.
    pub(super) fn at(&self) -> Option<Instant> {
        let pressure = self.pressure.as_ref().map(|measured| measured.at);
        pressure.max(self.diastolic.as_ref().map(|measured| measured.at))
    }

    /// When the compartment pressure was measured.
    pub(super) fn pressure_at(&self) -> Option<Instant> {
        self.pressure.as_ref().map(|measured| measured.at)
    }

    /// The delta, large enough for arm's length; without one the compartment pressure, named as such.
    /// Where the tier stands on the pressure alone (`pressure_leads`), that is the large number and
    /// the delta stands below it.
    pub(super) fn big(&self, pressure_leads: bool) -> Markup {
        html! {
            div class="delta" {
                @match (self.delta, &self.pressure) {
                    (Some(delta), Some(measured)) if pressure_leads => {
                        (big_pressure(measured, "compartment pressure"))
                        span class="delta-beside" { (self.delta_words(delta)) }
                    },
                    (Some((bounded, whole)), _) => {
                        span class="delta-word" { "delta" @if self.carried { ", carried" } }
                        span class="delta-number" { @if bounded { "≤" } (signed(whole)) }
                        span class="delta-unit" { "mmHg" }
                    },
                    (None, Some(measured)) => (big_pressure(measured, "compartment pressure, no delta")),
                    (None, None) => span class="delta-word" { "no delta" },
                }
            }
        }
    }

    /// "delta at most 12 mmHg (carried)".
    fn delta_words(&self, (bounded, whole): (bool, i64)) -> String {
        let bound = if bounded { "at most " } else { "" };
        let carried = if self.carried { " (carried)" } else { "" };
        format!("delta {bound}{} mmHg{carried}", signed(whole))
    }

    /// Why there is no delta.
    pub(super) fn why_none(&self) -> Option<&'static str> {
        self.why_none
    }

    /// Each number with its method and its age now.
    pub(super) fn lines(&self, now: Instant) -> Markup {
        html! {
            dl class="numbers" {
                @if let Some(measured) = &self.pressure {
                    (line("Compartment pressure", &pressure_words(measured), measured, now))
                }
                @if let Some(measured) = &self.diastolic {
                    (line("Diastolic", &diastolic_words(measured), measured, now))
                }
            }
            @if self.carried {
                p class="mind" { (wording::CARRIED) }
            }
            @if self.stale {
                p class="mind" { (wording::STALE) }
            }
        }
    }

    /// All in one line: "delta 44 mmHg (71 − 27); pressure 3 min ago, diastolic 4 min ago".
    pub(super) fn short(&self, now: Instant) -> String {
        let mut parts = Vec::new();
        match self.delta {
            Some(delta) => parts.push(self.delta_words(delta)),
            None => parts.push(format!("no delta: {}", self.why_none.unwrap_or("no reading"))),
        }
        if let Some(measured) = &self.pressure {
            parts.push(format!(
                "compartment pressure {}, {}",
                pressure_words(measured),
                text::age(measured.at, now)
            ));
        }
        if let Some(measured) = &self.diastolic {
            let stale = if self.stale { ", stale against it" } else { "" };
            parts.push(format!(
                "diastolic {}, {}{stale}",
                diastolic_words(measured),
                text::age(measured.at, now)
            ));
        }
        parts.join("; ")
    }
}

fn big_pressure(measured: &Measured, words: &str) -> Markup {
    html! {
        span class="delta-word" { (words) }
        span class="delta-number" {
            (measured.pressure.comparator.map_or("", Comparator::sign))
            (signed(round_pressure(measured.pressure.mmhg)))
        }
        span class="delta-unit" { "mmHg" }
    }
}

fn line(what: &str, value: &str, measured: &Measured, now: Instant) -> Markup {
    html! {
        div {
            dt { (what) }
            dd {
                strong { (value) " mmHg" }
                " " span class="age" { (text::age(measured.at, now)) }
                " " span class="how" {
                    "(" (wording::method(measured.method))
                    @if let Some(sent) = as_sent(measured) { ", sent as " (sent) }
                    ")"
                }
            }
        }
    }
}

/// Whole mmHg as compared, with its comparator.
pub(super) fn pressure_words(measured: &Measured) -> String {
    bounded(signed(round_pressure(measured.pressure.mmhg)), measured)
}

/// Whole mmHg as compared, with its comparator.
pub(super) fn diastolic_words(measured: &Measured) -> String {
    bounded(signed(round_delta(measured.pressure.mmhg)), measured)
}

fn bounded(number: String, measured: &Measured) -> String {
    match measured.pressure.comparator {
        None => number,
        Some(Comparator::Less) => format!("below {number}"),
        Some(Comparator::LessOrEqual) => format!("at most {number}"),
        Some(Comparator::GreaterOrEqual) => format!("at least {number}"),
        Some(Comparator::Greater) => format!("above {number}"),
    }
}

/// "5.33 kPa" when it was not sent in mmHg.
fn as_sent(measured: &Measured) -> Option<String> {
    let pressure = &measured.pressure;
    let same = matches!(pressure.sent_unit.as_str(), "mm[Hg]" | "mmHg" | "mm Hg");
    (!same).then(|| format!("{} {}", pressure.sent_value, pressure.sent_unit))
}
