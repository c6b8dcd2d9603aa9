//! effective\[x\] → the interval in which the pressure was measured.

use super::fault::Fault;
use super::reason::Reason;
use crate::fhir::Instant;
use crate::fhir::datetime::{self, Precision, Span};
use crate::fhir::observation::{Observation, Period};

/// Earliest and latest moment.
pub(super) type Interval = (Instant, Instant);

/// True when the resource says anything about its time.
pub(super) fn is_stated(observation: &Observation<'_>) -> bool {
    observation.effective_date_time.is_some()
        || observation.effective_date_time_extra.is_some()
        || observation.effective_instant.is_some()
        || observation.effective_period.is_some()
        || observation.effective_timing.is_some()
}

/// The effective interval. A dateTime or instant must be a moment; a Period counts with its end;
/// a Timing, or a Period without an end, is open.
pub(super) fn interval(observation: &Observation<'_>) -> Result<Interval, Fault> {
    let given = [
        observation.effective_date_time.is_some(),
        observation.effective_instant.is_some(),
        observation.effective_period.is_some(),
        observation.effective_timing.is_some(),
    ];
    if given.iter().filter(|given| **given).count() > 1 {
        return Err(Fault::new(Reason::EffectiveTimeInvalid, "more than one effective[x]"));
    }
    if let Some(text) = &observation.effective_date_time {
        return moment("effectiveDateTime", text).map(|span| (span.earliest, span.latest));
    }
    if let Some(text) = &observation.effective_instant {
        return moment("effectiveInstant", text).map(|span| (span.earliest, span.latest));
    }
    if let Some(period) = &observation.effective_period {
        return period_interval(period);
    }
    if observation.effective_timing.is_some() {
        return Err(Fault::new(Reason::TimeOpen, "effectiveTiming"));
    }
    let detail = if observation.effective_date_time_extra.is_some() {
        "effectiveDateTime has an extension and no value"
    } else {
        ""
    };
    Err(Fault::new(Reason::NoEffectiveTime, detail))
}

pub(super) fn moment(element: &str, text: &str) -> Result<Span, Fault> {
    let span = parse(element, text)?;
    if span.precision == Precision::Moment {
        return Ok(span);
    }
    Err(Fault::new(Reason::TimeTooCoarse, format!("{element} {text:?}")))
}

pub(super) fn parse(element: &str, text: &str) -> Result<Span, Fault> {
    datetime::parse(text).map_err(|error| Fault::new(Reason::EffectiveTimeInvalid, format!("{element}: {error}")))
}

fn period_interval(period: &Period<'_>) -> Result<Interval, Fault> {
    // A start may be coarse or absent: only the end is used for pairing.
    let start = period
        .start
        .as_deref()
        .map(|text| parse("effectivePeriod.start", text))
        .transpose()?;
    let Some(end) = &period.end else {
        return Err(Fault::new(Reason::TimeOpen, "effectivePeriod has no end"));
    };
    let end = moment("effectivePeriod.end", end)?;
    let start = start.map_or(end.earliest, |span| span.earliest);
    if start > end.latest {
        return Err(Fault::new(
            Reason::EffectiveTimeInvalid,
            "effectivePeriod ends before it starts",
        ));
    }
    Ok((start, end.latest))
}
