//! The figures as JSON, for other programs. Names end in their unit.

use crate::replay::against::OnlyBy;
use crate::replay::burden::{Burden, heaviest};
use crate::replay::cohort::Order;
use crate::replay::findings::method_word;
use crate::replay::labels::Judged;
use crate::replay::statistics::{Share, Spread};
use crate::replay::study::Study;
use crate::replay::tables::occasion_word;
use crate::rules::{Sheets, Tier};
use serde_json::{Value, json};

/// All figures of the report.
pub fn json(study: &Study) -> Value {
    let (inputs, totals) = (&study.findings.inputs, &study.findings.totals);
    let against = study.against.as_ref().map(|against| {
        json!({
            "sheets": sheets(&against.sheets), "burden": burden(&against.burden),
            "labels": against.judged.as_ref().map(judged),
            "alertedByBoth": against.compared.both, "alertedByNeither": against.compared.neither,
            "only": against.compared.only.iter().map(only).collect::<Vec<_>>(),
        })
    });
    let sweep = study.sweep.as_ref().map(|(parameter, points)| {
        let points = points.iter().map(|point| {
            json!({ "value": point.value, "inForce": point.in_force, "burden": burden(&point.burden), "labels": point.judged.as_ref().map(judged) })
        });
        json!({ "parameter": parameter, "points": points.collect::<Vec<_>>() })
    });
    let pairings = totals.pairings.iter().map(|((class, method), count)| {
        json!({ "ageClass": class.word(), "diastolicMethod": method.map(method_word), "readings": count })
    });
    json!({
        "title": study.title,
        "made": study.made_at.to_string(),
        "files": study.sources,
        "clock": match study.order { Order::Taken => "clinical", Order::Arrived => "arrival" },
        "asOf": study.as_of.map(|at| at.to_string()),
        "sheets": sheets(&study.sheets),
        "inputs": {
            "lines": inputs.lines, "badLines": inputs.bad.count, "byType": inputs.by_type,
            "superseded": inputs.superseded, "withdrawn": inputs.withdrawn, "laterThanView": inputs.later_than_view,
            "undated": inputs.undated, "idsOfSeveralPatients": inputs.shared_ids,
            "setAside": inputs.set_aside.iter().chain(&study.findings.judged).fold(serde_json::Map::new(), |mut all, (reason, count)| {
                let before = all.get(reason.code()).and_then(Value::as_u64).unwrap_or(0);
                all.insert(reason.code().to_owned(), json!(before + count));
                all
            }),
        },
        "pairings": pairings.collect::<Vec<_>>(),
        "deltas": totals.deltas.iter().map(|(delta, count)| json!({ "wholeMmhg": delta, "readings": count })).collect::<Vec<_>>(),
        "lowDeltas": totals.low,
        "boundedDeltas": totals.bounded,
        "burden": burden(&study.burden),
        "labels": study.judged.as_ref().map(judged),
        "against": against,
        "sweep": sweep,
        "heaviest": heaviest(&study.findings).into_iter().map(|patient| json!({
            "patient": patient.patient.0, "messages": patient.told.len(), "compartmentReadings": patient.readings,
            "lowMinutes": patient.low_minutes, "lowestDeltaWholeMmhg": patient.lowest.map(|(delta, _)| delta),
        })).collect::<Vec<_>>(),
    })
}

fn sheets(sheets: &Sheets) -> Value {
    let one = |sheet: &crate::rules::Sheet| json!({ "id": sheet.id, "version": sheet.version, "sha256": sheet.hash, "approved": sheet.approved() });
    json!({ "adult": one(sheets.adult()), "child": one(sheets.child()) })
}

fn burden(burden: &Burden) -> Value {
    let tiers = Tier::ALL.into_iter().map(|tier| {
        let of = burden.tiers.get(&tier).copied().unwrap_or_default();
        (
            tier.word().to_owned(),
            json!({ "concerns": of.concerns, "patients": of.patients }),
        )
    });
    let kinds = burden.by_kind.iter().map(|((occasion, tier), count)| {
        json!({ "occasion": occasion_word(*occasion), "tier": tier.map(Tier::word), "messages": count })
    });
    json!({
        "watchedPatients": burden.watched, "patientDays": burden.patient_days(), "messages": burden.messages,
        "messagesPerPatientDay": burden.per_patient_day(burden.messages), "messagesPer100Patients": burden.per_100_patients(),
        "messagesByKind": kinds.collect::<Vec<_>>(),
        "alertedPatients": share(burden.alerted_share()), "concerns": tiers.collect::<serde_json::Map<_, _>>(),
        "alerts": burden.alerts.all, "alertsFromOneReading": share(burden.from_one_reading()),
        "alertsResolvedAtNextReading": share(burden.resolved_at_next()),
        "longestBurstMessages": burden.burst.as_ref().map_or(0, |burst| burst.messages),
        "lowMinutes": burden.low_minutes, "firstLowToFirstAlertMinutes": burden.onset.map(spread),
        "lowSitesWithoutAlert": burden.onset_without_alert, "messagesByWeekdayAndHourUtc": burden.heat,
    })
}

fn judged(judged: &Judged) -> Value {
    let cells = judged.cells;
    json!({
        "truePositive": cells.true_positive, "falsePositive": cells.false_positive,
        "falseNegative": cells.false_negative, "trueNegative": cells.true_negative,
        "sensitivity": share(cells.sensitivity()), "specificity": share(cells.specificity()),
        "positivePredictiveValue": share(cells.positive_predictive()), "negativePredictiveValue": share(cells.negative_predictive()),
        "leadMinutes": judged.lead.map(spread), "alertedOnlyAfterOutcome": judged.too_late,
        "watchedWithoutLabel": judged.without_label, "labelledNotWatched": judged.not_watched,
    })
}

fn share(share: Share) -> Value {
    let (low, high) = share.wilson().unzip();
    json!({ "part": share.part, "whole": share.whole, "value": share.value(), "wilson95Low": low, "wilson95High": high })
}

fn spread(spread: Spread) -> Value {
    json!({ "count": spread.count, "median": spread.median, "ninetieth": spread.ninetieth, "greatest": spread.greatest })
}

fn only(only: &OnlyBy) -> Value {
    json!({
        "patient": only.patient, "by": if only.first { "first" } else { "second" }, "at": only.alert.at.to_string(),
        "tier": only.alert.tier.map(Tier::word), "rules": only.alert.rules, "reason": only.reason,
    })
}
