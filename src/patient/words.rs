//! From an open concern to the rules' own sentences and the evidence beside them.

use crate::fhir::Instant;
use crate::fhir::quantity::{round_delta, round_pressure};
use crate::outbox::draft::{AgeClass, Beside, BesideKind, DeltaFacts, Ground, Measured, SourceRef};
use crate::outbox::wording::signed;
use crate::patient::assess::{Assessment, Carried, Delta, Measurement, Paired, difference, exact_difference};
use crate::patient::beside::{self, BesideNow, minutes_apart};
use crate::patient::concern::{ConcernNow, Headline};
use crate::patient::gather::{Gathered, Member};
use crate::patient::trend::{self, Trend};
use crate::rules::sheet::Rule;
use crate::rules::{RuleKind, Sheet, phrase};

/// The rules of a concern as grounds, in the order of the sheet.
pub fn grounds(assessment: &Assessment<'_>, concern: &ConcernNow<'_>, sheet: &Sheet) -> Vec<Ground> {
    concern
        .rules
        .indexes()
        .filter_map(|index| sheet.rules.get(index))
        .map(|rule| Ground {
            rule: rule.id.clone(),
            by: rule.kind.into(),
            tier: rule.tier,
            sentence: phrase::fill(&rule.says, |name| value(assessment, concern, sheet, rule, name)),
            next: rule.next.clone(),
        })
        .collect()
}

/// One number of a line that falls; rates as mmHg lost in an hour.
fn trend_number(line: &Trend, name: &str) -> Option<String> {
    Some(match name {
        "slope" => rate(-line.per_hour),
        "slope_low" => rate(-line.per_hour_high),
        "slope_high" => rate(-line.per_hour_low),
        "trend_count" => line.count.to_string(),
        "trend_minutes" => line.minutes.to_string(),
        "reach" => line.reach_minutes.to_string(),
        _ => return None,
    })
}

/// The value of one placeholder.
fn value(
    assessment: &Assessment<'_>,
    concern: &ConcernNow<'_>,
    sheet: &Sheet,
    rule: &Rule,
    name: &str,
) -> Option<String> {
    let measurement = match concern.headline {
        Headline::Measurement(index) | Headline::Carried(index, _) => assessment.measurements.get(index),
        _ => None,
    };
    let delta = match concern.headline {
        Headline::Carried(_, position) => measurement?.carried.get(position).map(|carried| carried.delta),
        _ => measurement.and_then(|measurement| measurement.delta),
    };
    match name {
        "delta" => delta.map(number_of),
        "comparator" => Some(sheet.comparator.words().to_owned()),
        "upper" => match rule.kind {
            RuleKind::Delta { upper, .. }
            | RuleKind::Carried { upper, .. }
            | RuleKind::Sustained { upper, .. }
            | RuleKind::MeanDelta { upper, .. }
            | RuleKind::Trend { upper, .. } => Some(upper.to_string()),
            _ => None,
        },
        "minutes" => measurement?.run.map(|run| run.minutes.to_string()),
        "gap" => measurement?.run.map(|run| run.widest_gap_minutes.to_string()),
        "slope" | "slope_low" | "slope_high" | "trend_count" | "trend_minutes" | "reach" => match concern.headline {
            Headline::Measurement(index) | Headline::Carried(index, _) => {
                trend::line(assessment, index, rule.kind, sheet).and_then(|line| trend_number(&line, name))
            }
            _ => None,
        },
        "mean_delta" => second(measurement?, BesideKind::Mean).map(|mean| number_of(mean.delta)),
        "other_delta" => other_delta(assessment, measurement?),
        "apart" | "other" => disagreeing(assessment, measurement?, name),
        "difference" => match rule.kind {
            RuleKind::MethodsDisagree { .. } => methods_apart(assessment, measurement?),
            _ => disagreeing(assessment, measurement?, name),
        },
        "overdue" => concern.overdue_minutes.map(|minutes| minutes.to_string()),
        "minutes_allowed" => match rule.kind {
            RuleKind::Overdue { minutes, .. } => Some(minutes.to_string()),
            _ => None,
        },
        "count" => measurement?.run.map(|run| run.count.to_string()),
        "pressure" => match concern.headline {
            Headline::Implausible(member) => Some(signed(round_pressure(member.reading.pressure.mmhg))),
            _ => measurement.map(|measurement| signed(measurement.whole_pressure())),
        },
        "diastolic" => match concern.headline {
            Headline::Diastolic(member) => Some(round_delta(member.reading.pressure.mmhg).to_string()),
            _ => match measurement?.paired {
                Paired::With(index, _) => Some(assessment.diastolics[index].whole_diastolic().to_string()),
                _ => None,
            },
        },
        "at_or_above" => match rule.kind {
            RuleKind::Absolute { at_or_above } => Some(at_or_above.to_string()),
            _ => None,
        },
        "delta_or_none" => Some(match (delta, measurement.map(|measurement| measurement.paired)) {
            (Some(delta), _) => format!("; delta pressure {} mmHg", number_of(delta)),
            (None, Some(Paired::Asking)) => String::from("; its diastolic is being asked for"),
            (None, _) => String::from("; there is no usable diastolic"),
        }),
        "before" => Some(sheet.pairing.before_minutes.to_string()),
        "after" => Some(sheet.pairing.after_minutes.to_string()),
        "last_diastolic" => measurement.map(|measurement| last_diastolic(assessment, measurement.at())),
        "low" => limits(rule, sheet).map(|(low, _)| signed(low)),
        "high" => limits(rule, sheet).map(|(_, high)| high.to_string()),
        "reason" => match concern.headline {
            Headline::Unusable(index) => assessment.lost.get(index).map(|lost| lost.reason.sentence().to_owned()),
            _ => None,
        },
        _ => None,
    }
}

/// mmHg an hour with one decimal: the line is no more certain than that.
fn rate(per_hour: f64) -> String {
    let text = format!("{per_hour:.1}");
    match text.strip_prefix('-') {
        Some("0.0") => String::from("0.0"),
        Some(fall) => format!("−{fall}"),
        None => text,
    }
}

fn second<'m>(measurement: &'m Measurement<'_>, kind: BesideKind) -> Option<&'m BesideNow> {
    measurement.beside.iter().find(|beside| beside.kind == kind)
}

/// Of the reading that contradicts this one: minutes apart, its number, or the difference.
fn disagreeing(assessment: &Assessment<'_>, measurement: &Measurement<'_>, name: &str) -> Option<String> {
    let other = &assessment.measurements[measurement.disagrees_with?];
    let number = match name {
        "apart" => minutes_apart(measurement.at(), other.at()),
        "other" => other.whole_pressure(),
        _ => measurement
            .whole_pressure()
            .saturating_sub(other.whole_pressure())
            .saturating_abs(),
    };
    Some(number.to_string())
}

fn methods_apart(assessment: &Assessment<'_>, measurement: &Measurement<'_>) -> Option<String> {
    let Paired::With(index, _) = measurement.paired else {
        return None;
    };
    let apart = assessment.diastolics[measurement.other_method?]
        .whole_diastolic()
        .abs_diff(assessment.diastolics[index].whole_diastolic());
    Some(apart.to_string())
}

/// The delta against the diastolic of the other method. Against "less than" it is a lower bound, or
/// anything at all when that diastolic is an upper one.
fn other_delta(assessment: &Assessment<'_>, measurement: &Measurement<'_>) -> Option<String> {
    let other = &assessment.diastolics[measurement.other_method?];
    let compartment = &measurement.gathered;
    Some(match difference(other, compartment) {
        Some(delta) => number_of(delta),
        None if other.comparator.is_some() => String::from("an unknown number of"),
        None => format!("at least {}", signed(round_delta(exact_difference(other, compartment)))),
    })
}

/// "30", or "at most 30".
fn number_of(delta: Delta) -> String {
    if delta.bounded_above {
        format!("at most {}", signed(delta.whole))
    } else {
        signed(delta.whole)
    }
}

fn limits(rule: &Rule, sheet: &Sheet) -> Option<(i64, i64)> {
    match rule.kind {
        RuleKind::CompartmentImplausible => Some((sheet.plausible.compartment_low, sheet.plausible.compartment_high)),
        RuleKind::DiastolicImplausible => Some((sheet.plausible.diastolic_low, sheet.plausible.diastolic_high)),
        _ => None,
    }
}

fn last_diastolic(assessment: &Assessment<'_>, at: Instant) -> String {
    let before = assessment
        .diastolics
        .iter()
        .rev()
        .find(|diastolic| diastolic.current.reading.at <= at);
    match before {
        Some(diastolic) => {
            let minutes = at.minutes_since(diastolic.current.reading.at);
            format!("; the last one before it is {minutes} minutes older")
        }
        None => String::from("; none before it is known"),
    }
}

/// A gathered measurement as evidence: every source, in a stable order.
pub fn measured(gathered: &Gathered<'_>) -> Measured {
    let mut members: Vec<Member<'_>> = Vec::with_capacity(gathered.others.len() + 1);
    members.push(gathered.current);
    members.extend(gathered.others.iter().copied());
    members.sort_by_key(Member::identity);
    let mut sources: Vec<SourceRef> = Vec::with_capacity(members.len());
    for member in members {
        if sources.last().is_none_or(|last| last.reference != member.slot.source) {
            sources.push(SourceRef {
                reference: member.slot.source.clone(),
                version_id: member.slot.version.id.to_string(),
            });
        }
    }
    one(gathered.current, sources)
}

/// A single reading as evidence.
pub fn measured_alone(member: Member<'_>) -> Measured {
    let reference = member.slot.source.clone();
    one(
        member,
        vec![SourceRef {
            reference,
            version_id: member.slot.version.id.to_string(),
        }],
    )
}

fn one(member: Member<'_>, sources: Vec<SourceRef>) -> Measured {
    Measured {
        sources,
        pressure: member.reading.pressure.clone(),
        at: member.reading.at,
        method: member.reading.method,
        status: member.reading.status,
        quality: member.reading.quality.clone(),
    }
}

/// The evidence of a pairing, or of a carried delta.
pub fn facts(
    assessment: &Assessment<'_>,
    measurement: &Measurement<'_>,
    carried: Option<&Carried>,
    sheet: &Sheet,
) -> Option<DeltaFacts> {
    let (diastolic, delta, age, tier) = match (carried, measurement.paired) {
        (Some(carried), paired) => {
            let age = if let Paired::With(_, age) = paired {
                age
            } else {
                AgeClass::Stale
            };
            (carried.diastolic, carried.delta, age, carried.tier)
        }
        (None, Paired::With(index, age)) => (index, measurement.delta?, age, measurement.delta_tier),
        (None, _) => return None,
    };
    let at = beside::moment(assessment, measurement, carried);
    Some(DeltaFacts {
        site: assessment.sites[measurement.gathered.site].clone().into_owned(),
        body_site_json: measurement.gathered.current.reading.body_site_json.clone(),
        compartment: measured(&measurement.gathered),
        diastolic: measured(&assessment.diastolics[diastolic]),
        delta_mmhg: exact_difference(&assessment.diastolics[diastolic], &measurement.gathered),
        delta_whole_mmhg: delta.whole,
        bounded_above: delta.bounded_above,
        age,
        carried: carried.is_some(),
        tier,
        under_anaesthesia: beside::anaesthesia_since(&assessment.contexts, at, sheet).is_some(),
        beside: besides(
            assessment,
            &besides_of(assessment, measurement, carried, sheet),
            &measurement.gathered,
        ),
    })
}

/// The second differences of a pairing, or of a carried delta.
pub fn besides_of(
    assessment: &Assessment<'_>,
    measurement: &Measurement<'_>,
    carried: Option<&Carried>,
    sheet: &Sheet,
) -> Vec<BesideNow> {
    match carried {
        Some(carried) => beside::of_carried(assessment, measurement, carried, sheet)
            .into_iter()
            .collect(),
        None => measurement.beside.clone(),
    }
}

/// Second differences as evidence.
pub fn besides(assessment: &Assessment<'_>, of: &[BesideNow], compartment: &Gathered<'_>) -> Vec<Beside> {
    let evidence = |second: &BesideNow| {
        let pressure = beside::pressure(assessment, second);
        Beside {
            kind: second.kind,
            pressure: measured(pressure),
            delta_mmhg: exact_difference(pressure, compartment),
            delta_whole_mmhg: second.delta.whole,
        }
    };
    of.iter().map(evidence).collect()
}
