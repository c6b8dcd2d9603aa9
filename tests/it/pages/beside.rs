//! What the pages show beside a delta: second differences, anaesthesia, quality, the round of
//! measurements, being asked to measure again, and the numbers as they were sent.

use super::*;

fn section<'t>(text: &'t str, from: &str, to: &str) -> &'t str {
    let start = position(text, from);
    let end = start + position(&text[start..], to);
    &text[start..end]
}

/// Clinical check row 11: 74 before and 56 during anaesthesia with 40 leave 34 and 16; the tier
/// stands on the 16.
#[tokio::test]
async fn second_differences_stand_beside_the_delta_with_source_age_and_method() {
    let page = state(vec![ward::theatre()], PageMode::Live, at(0));
    for path in ["/", "/patient?id=Patient/theatre"] {
        let html = ok(&page, path).await;
        assert!(html.contains("class=\"delta-number\">16<"), "{path}");
        let text = text_of(&html);
        let card = section(&text, "delta 16 mmHg", "Next:");
        for part in [
            "Compartment pressure 40 mmHg 60 min ago (needle, sent as 5.33 kPa)",
            "How it was taken zeroed, flushed, settled, needle, 5 cm from the fracture, limb level, as sent: &quot;heart&quot;",
            "Diastolic 56 mmHg 63 min ago (cuff, under anaesthesia )",
            "Before anaesthesia delta 34 mmHg from diastolic 74 mmHg, 3 h 20 min ago (cuff), Observation/bp-1 . Alerts stand on \
             the current diastolic; under anaesthesia it was 18 ± 13 mmHg lower on average (Kakar 2007).",
            // 9.07 kPa × 7.500615758 = 68.03 mmHg; 5.33 kPa = 39.98 mmHg (clinical.md §5).
            "Mean arterial mean delta 28 mmHg from mean 68 mmHg, 63 min ago (cuff, sent as 9.07 kPa), \
             Observation/map-2",
            "Other method delta 38 mmHg from diastolic 78 mmHg, 62 min ago (arterial line), Observation/bp-3 . The lower \
             diastolic counts.",
        ] {
            position(card, part);
        }
        let round = "For information: measured in this round (30 min): anterior; not measured: lateral, superficial \
                     posterior, deep posterior.";
        let own_words = text.split(" Messages ").next().unwrap();
        assert_eq!(own_words.matches(round).count(), 1, "{path}: {text}");
    }
}

#[tokio::test]
async fn the_evidence_and_the_chart_show_the_same() {
    let page = state(vec![ward::theatre()], PageMode::Live, at(0));
    let html = ok(&page, "/patient?id=Patient/theatre").await;
    let text = text_of(&html);
    let table = &text[position(&text, "Evidence, left leg")..position(&text, " Messages ")];
    for part in [
        "56 (cuff, under anaesthesia, 3 min earlier) − 40 (needle, sent as 5.33 kPa) = 16 mmHg",
        "Before anaesthesia: diastolic 74 mmHg (cuff, 2026-03-05 18:50 UTC, 2 h 20 min before the compartment reading) − \
         compartment pressure 40 mmHg (sent as 5.33 kPa) = delta pressure 34 mmHg.",
        "Taken: zeroed, flushed",
        "before anaesthesia: Observation/bp-1 , version 1",
        "from the mean arterial pressure: Observation/map-2 , version 1",
        "by the other method: Observation/bp-3 , version 1",
    ] {
        position(table, part);
    }
    position(
        &text,
        "Beside it: by the other method, diastolic 78: 38; from the mean arterial pressure, mean 68: 28; before \
         anaesthesia, diastolic 74: 34.",
    );
    position(
        &text,
        "Anaesthesia is recorded from 2026-03-05 20:20 UTC, no end recorded.",
    );
    // The newer diastolic is carried against the reading before it, too.
    assert_eq!(
        html.matches("class=\"mark-beside\"").count(),
        4 + 3 + 3,
        "points and both legends"
    );
}

#[tokio::test]
async fn measuring_again_is_asked_for_with_the_age_of_the_last_reading() {
    let page = state(vec![ward::theatre()], PageMode::Live, at(0));
    for path in ["/", "/patient?id=Patient/theatre"] {
        let text = text_of(&ok(&page, path).await);
        let card = &text[position(&text, "measure again")..];
        position(
            card,
            "Measuring again is overdue: 59 minutes since the alert or the newest usable reading of this site",
        );
        position(card, "Last compartment reading 60 min ago , at 21:10 UTC .");
    }
}

#[tokio::test]
async fn anaesthesia_without_an_earlier_diastolic_says_so() {
    let bed = Bed::new("Patient/late", Some("Bed 10 (invented)"), Some("1970"))
        .anaesthesia("an", -60, Some(-5))
        .readings(&[ward::diastolic("d", -30, 56), ward::pressure("c", -28, 40)]);
    let page = state(vec![bed], PageMode::Live, at(0));
    position(&text_of(&ok(&page, "/").await), wording::ANAESTHESIA_ALONE);
}

/// Wherever a whole number stands, what was sent stands with it when it is another.
#[tokio::test]
async fn each_whole_number_stands_beside_what_was_sent() {
    let page = state(vec![ward::units()], PageMode::Live, at(0));
    let front = text_of(&ok(&page, "/").await);
    // 20.4 cmH2O × 0.7355591353 = 15.005 mmHg (clinical.md §5).
    position(
        &front,
        "compartment pressure 15 (sent as 20.4 cm[H2O]), 31 min ago; diastolic 77, 34 min ago",
    );
    let bed = Bed::new("Patient/tenth", Some("Bed 11 (invented)"), Some("1970")).readings(&[
        ward::diastolic("d", -30, 0).sent_as("70.4", "mm[Hg]"),
        ward::pressure("c", -28, 0).sent_as("45.6", "mm[Hg]"),
    ]);
    let page = state(vec![bed], PageMode::Live, at(0));
    let text = text_of(&ok(&page, "/").await);
    position(
        &text,
        "Compartment pressure 46 mmHg 28 min ago (needle, sent as 45.6 mm[Hg])",
    );
    position(&text, "Diastolic 70 mmHg 30 min ago (cuff, sent as 70.4 mm[Hg])");
}

/// Staudt 2008 and Eur J Trauma Emerg Surg 2019;45:493-7 on children.
#[tokio::test]
async fn a_child_is_told_why_the_pressure_alone_is_not_judged() {
    let page = state(vec![ward::child()], PageMode::Live, at(0));
    for path in ["/", "/patient?id=Patient/child"] {
        let text = text_of(&ok(&page, path).await);
        position(&text, &format!("{} {}", wording::CHILD, wording::CHILD_PRESSURE_ALONE));
    }
    let bed = |mean: bool| {
        let mut sent = vec![ward::diastolic("d", -30, 58), ward::pressure("c", -28, 35)];
        if mean {
            sent.insert(1, ward::mean("m", -30, 75));
        }
        Bed::new("Patient/low", Some("Bed 12 (invented)"), Some("2018-05-01")).readings(&sent)
    };
    let text = text_of(&ok(&state(vec![bed(false)], PageMode::Live, at(0)), "/").await);
    let no_mean = wording::CHILD_NO_MEAN.replace('&', "&amp;");
    position(&text, &no_mean);
    let text = text_of(&ok(&state(vec![bed(true)], PageMode::Live, at(0)), "/").await);
    assert!(!text.contains(&no_mean), "{text}");
}
