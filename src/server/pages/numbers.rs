//! The numbers of one measurement as a page shows them: large delta, then each number with its age.

use super::{beside, text};
use crate::fhir::Instant;
use crate::fhir::quantity::{round_delta, round_pressure};
use crate::outbox::draft::{
    AgeClass, Beside, BesideKind, DeltaFacts, Family, Ground, Measured, SessionNote, mean_leads, pressure_leads,
};
use crate::outbox::wording;
use crate::outbox::wording::signed;
use crate::patient::assess::{Assessment, Carried, Delta, Measurement, Paired};
use crate::patient::concern::{ConcernNow, Headline};
use crate::patient::gather::Member;
use crate::patient::session::session;
use crate::patient::words;
use crate::recognise::reading::Comparator;
use crate::rules::Sheet;
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
    under_anaesthesia: bool,
    /// Anaesthesia, and nothing known from before it.
    anaesthesia_alone: bool,
    /// Second differences.
    beside: Vec<Beside>,
    /// What the round of measurements around it lacks.
    session: Option<SessionNote>,
}

impl Numbers {
    /// Of a measurement, or of a newer diastolic carried against it.
    pub(super) fn of(
        assessment: &Assessment<'_>,
        measurement: &Measurement<'_>,
        carried: Option<&Carried>,
        sheet: &Sheet,
    ) -> Self {
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
        let facts = words::facts(assessment, measurement, carried, sheet);
        let under_anaesthesia = facts.as_ref().is_some_and(|facts| facts.under_anaesthesia);
        let anaesthesia_alone = facts.as_ref().is_some_and(wording::anaesthesia_alone);
        let beside = match facts {
            Some(DeltaFacts { beside, .. }) => beside,
            None => words::besides(assessment, &measurement.beside, &measurement.gathered),
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
            under_anaesthesia,
            anaesthesia_alone,
            beside,
            session: None,
        }
    }

    /// The same with what its round of measurements lacks; `index` into `Assessment::measurements`.
    fn at_index(assessment: &Assessment<'_>, index: usize, carried: Option<usize>, sheet: &Sheet) -> Option<Self> {
        let found = assessment.measurements.get(index)?;
        let carried = carried.and_then(|position| found.carried.get(position));
        Some(Self {
            session: session(assessment, index, sheet),
            ..Self::of(assessment, found, carried, sheet)
        })
    }

    /// Of what an open concern speaks of.
    pub(super) fn of_headline(assessment: &Assessment<'_>, concern: &ConcernNow<'_>, sheet: &Sheet) -> Self {
        let measurement = |index, carried| Self::at_index(assessment, index, carried, sheet).unwrap_or_default();
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
            Headline::Measurement(index) => measurement(index, None),
            Headline::Carried(index, position) => measurement(index, Some(position)),
            Headline::Implausible(member) => alone(member, true),
            Headline::Diastolic(member) => alone(member, false),
            Headline::Unusable(..) => Self::default(),
        }
    }

    /// The newest that is known of a site: its last carried delta, else its last measurement.
    pub(super) fn newest(assessment: &Assessment<'_>, site: usize, sheet: &Sheet) -> Option<Self> {
        let (index, measurement) = assessment.of_site(site).next_back()?;
        Self::at_index(assessment, index, measurement.carried.len().checked_sub(1), sheet)
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
    /// Where the tier stands on the pressure alone, or on the mean arterial pressure alone, that is
    /// the large number and the delta stands below it.
    pub(super) fn big(&self, grounds: &[Ground]) -> Markup {
        let pressure_leads = pressure_leads(grounds);
        let mean = self.beside.iter().find(|one| one.kind == BesideKind::Mean);
        let mean = mean.filter(|_| mean_leads(grounds));
        html! {
            div class="delta" {
                @match (self.delta, &self.pressure) {
                    (delta, _) if let Some(mean) = mean => {
                        span class="delta-word" { "mean delta" }
                        span class="delta-number" { (signed(mean.delta_whole_mmhg)) }
                        span class="delta-unit" { "mmHg" }
                        @if let Some(delta) = delta { span class="delta-beside" { (self.delta_words(delta)) } }
                    },
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

    /// What the round of measurements around it lacks.
    pub(super) fn session(&self) -> Option<&SessionNote> {
        self.session.as_ref()
    }

    /// True when a mean arterial pressure stands beside it.
    pub(super) fn has_mean(&self) -> bool {
        self.beside.iter().any(|one| one.kind == BesideKind::Mean)
    }

    /// Each number with its method and its age now. With a delta what stands beside it; where the
    /// measurement is in question, how it was taken.
    pub(super) fn lines(&self, family: Family, now: Instant) -> Markup {
        html! {
            dl class="numbers" {
                @if let Some(measured) = &self.pressure {
                    (line("Compartment pressure", measured, (round_pressure(measured.pressure.mmhg), false), now))
                    (beside::quality(measured))
                }
                @if let Some(measured) = &self.diastolic {
                    (line("Diastolic", measured, (round_delta(measured.pressure.mmhg), self.under_anaesthesia), now))
                }
                @if let Some(measured) = self.pressure.as_ref().filter(|_| family == Family::Pressure) {
                    @for one in &self.beside { (beside::line(one, measured, now)) }
                }
            }
            @if self.anaesthesia_alone {
                p class="mind" { (wording::ANAESTHESIA_ALONE) }
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
            let shown = round_pressure(measured.pressure.mmhg);
            parts.push(format!(
                "compartment pressure {}{}, {}",
                wording::whole_bounded(measured, shown),
                in_brackets(wording::as_sent(measured, shown)),
                text::age(measured.at, now)
            ));
        }
        if let Some(measured) = &self.diastolic {
            let stale = if self.stale { ", stale against it" } else { "" };
            let under = self.under_anaesthesia.then(|| wording::UNDER_ANAESTHESIA.to_owned());
            let shown = round_delta(measured.pressure.mmhg);
            parts.push(format!(
                "diastolic {}{}, {}{stale}",
                wording::whole_bounded(measured, shown),
                in_brackets(wording::as_sent(measured, shown).into_iter().chain(under)),
                text::age(measured.at, now)
            ));
        }
        if let Some(measured) = &self.pressure {
            parts.extend(self.beside.iter().map(|one| {
                let result = wording::beside_result(one, measured);
                format!("{} {result}", wording::beside_name(one.kind))
            }));
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

/// "Diastolic 56 mmHg 6 min ago (cuff, under anaesthesia, sent as 7.47 kPa)".
fn line(what: &str, measured: &Measured, (shown, under_anaesthesia): (i64, bool), now: Instant) -> Markup {
    html! {
        div {
            dt { (what) }
            dd {
                strong { (wording::whole_bounded(measured, shown)) " mmHg" }
                " " span class="age" { (text::age(measured.at, now)) }
                " " span class="how" {
                    "(" (wording::method(measured.method))
                    @if under_anaesthesia { ", " strong { (wording::UNDER_ANAESTHESIA) } }
                    @if let Some(sent) = wording::as_sent(measured, shown) { ", " (sent) }
                    ")"
                }
            }
        }
    }
}

/// " (sent as 5.33 kPa)", or nothing.
fn in_brackets(parts: impl IntoIterator<Item = String>) -> String {
    let inside: Vec<String> = parts.into_iter().collect();
    if inside.is_empty() {
        String::new()
    } else {
        format!(" ({})", inside.join(", "))
    }
}
