//! What every text must and may never say.

use super::*;

#[test]
fn the_arithmetic_says_what_was_sent() {
    assert_eq!(
        wording::arithmetic(&facts()),
        "70 (cuff, 2 min earlier) − 40 (sent as 5.33 kPa) = 30 mmHg"
    );
    // Heckman 1994 (JBJS Am 76:1285) prints 20 mmHg as 2.67 kPa: 2.67 × 7.500637554192107 = 20.0267…
    let mut other = facts();
    other.compartment.pressure = kpa("2.67");
    subtract(&mut other);
    assert_eq!(
        wording::arithmetic(&other),
        "70 (cuff, 2 min earlier) − 20 (sent as 2.67 kPa) = 50 mmHg"
    );
    // Rounding each number would hide the sum: then the exact difference is told.
    other.compartment.pressure = pressure("39.6", "39.6", "mm[Hg]");
    other.diastolic.pressure = pressure("70.4", "70.4", "mm[Hg]");
    subtract(&mut other);
    assert_eq!(
        wording::arithmetic(&other),
        "70 (cuff, sent as 70.4 mm[Hg], 2 min earlier) − 40 (sent as 39.6 mm[Hg]) = 31 mmHg \
         (computed before rounding: 30.8 mmHg, a half goes toward the alert)"
    );
}

/// Every combination that the draft's types allow of what changes a text.
fn many_messages() -> Vec<MessageDraft> {
    let tiers = [
        None,
        Some(Tier::Check),
        Some(Tier::Watch),
        Some(Tier::Act),
        Some(Tier::Critical),
    ];
    let mut all = Vec::new();
    for occasion in [Occasion::Raised, Occasion::Withdrawn, Occasion::Resolved] {
        for tier in tiers {
            for family in Family::ALL {
                for shape in 0..64 {
                    all.push(shaped(occasion, tier, family, shape));
                }
            }
        }
    }
    all
}

fn shaped(occasion: Occasion, tier: Option<Tier>, family: Family, shape: usize) -> MessageDraft {
    let bit = |n: usize| shape >> n & 1 == 1;
    let mut draft = message(occasion, tier);
    draft.family = family;
    draft.tier_before = if bit(0) { Some(Tier::Critical) } else { None };
    draft.age_note = [AgeNote::InBand, AgeNote::Child, AgeNote::Unknown][shape % 3];
    let facts = draft.delta.as_mut().unwrap();
    facts.carried = bit(1);
    facts.age = [AgeClass::Simultaneous, AgeClass::Paired, AgeClass::Stale][shape % 3];
    facts.bounded_above = bit(2);
    facts.compartment.status = if bit(3) {
        ReadingStatus::Preliminary
    } else {
        ReadingStatus::Final
    };
    facts.compartment.method = [
        Method::Cuff,
        Method::ArterialLine,
        Method::Needle,
        Method::Catheter,
        Method::Unstated,
    ][shape % 5];
    if bit(2) {
        facts.compartment.pressure.comparator = Some(Comparator::GreaterOrEqual);
    }
    if bit(4) {
        facts.site.side = Side::Unstated;
        draft.site = Some(facts.site.clone());
    }
    draft.compartment = Some(facts.compartment.clone());
    if bit(5) {
        (draft.delta, draft.delta_identity) = (None, None);
        if bit(0) && bit(1) {
            (draft.compartment, draft.site) = (None, None);
        }
    }
    draft.reading_count = shape % 4;
    let by = [
        GroundBy::Delta,
        GroundBy::Sustained,
        GroundBy::Implausible,
        GroundBy::DiastolicMissing,
        GroundBy::SideMissing,
        GroundBy::Pressure,
        GroundBy::Unusable,
        GroundBy::MeanDelta,
        GroundBy::Trend,
        GroundBy::Overdue,
        GroundBy::ReadingsDisagree,
        GroundBy::MethodsDisagree,
    ][shape % 12];
    beside::stand_beside(&mut draft, shape);
    draft.grounds.iter_mut().for_each(|ground| ground.by = by);
    if by == GroundBy::Unusable && family == Family::Measurement && occasion == Occasion::Raised {
        draft = about_unusable(draft, bit(0));
    }
    if occasion == Occasion::Withdrawn {
        draft.lost = all_lost();
    }
    draft
}

/// The same message about a reading that cannot be used, as `patient::tell` makes it.
fn about_unusable(mut draft: MessageDraft, readable: bool) -> MessageDraft {
    (draft.delta, draft.delta_identity, draft.compartment) = (None, None, None);
    draft.unusable = Some(Unusable {
        source: SourceRef {
            reference: "Observation/cp-9".into(),
            version_id: if readable { "2".into() } else { String::new() },
        },
        sent: readable.then(|| "60 no unit".into()),
        at: readable.then_some(AT),
        reason: Reason::UnitMissing,
    });
    draft
}

fn all_lost() -> Vec<GroundLost> {
    use Withdrawal::{Cancelled, Deleted, EnteredInError, MovedToAnotherPatient};
    let source = || String::from("Observation/cp");
    let mut lost: Vec<GroundLost> = [EnteredInError, Cancelled, Deleted, MovedToAnotherPatient]
        .map(|how| GroundLost::SourceWithdrawn { source: source(), how })
        .into();
    let causes = [
        Recomputation::Compartment,
        Recomputation::Diastolic { source: source() },
        Recomputation::OtherDiastolic,
        Recomputation::OtherReading,
    ];
    for cause in causes {
        for now in [None, Some(36)] {
            lost.push(GroundLost::Recomputed {
                source: source(),
                cause: cause.clone(),
                delta_now_whole_mmhg: now,
            });
        }
    }
    lost.push(GroundLost::NowElsewhere {
        source: source(),
        site: site(),
    });
    lost.push(GroundLost::NoLongerUsable { source: source() });
    lost
}

/// Invariant 5, over every text that the drafts can give.
#[test]
fn no_text_gives_an_all_clear() {
    for draft in many_messages() {
        let text = text(&draft);
        assert_eq!(forbidden_in(&text), None, "{text}");
        let answered = draft.occasion == Occasion::Resolved && draft.family != Family::Pressure;
        assert_eq!(text.contains("Next: "), !answered, "{text}");
        assert!(text.ends_with(wording::SHORT_CAUTION), "{text}");
        if draft.occasion == Occasion::Resolved && draft.family == Family::Pressure {
            assert!(
                text.contains("Repeated or continuous delta pressure above 30 mmHg"),
                "{text}"
            );
        }
    }
    for draft in many_messages().iter().filter_map(|m| m.delta.clone()).map(draft) {
        assert_eq!(forbidden_in(&observation(&draft).to_string()), None);
        let retract = RetractDraft {
            issued: draft.issued,
            last: draft,
        };
        assert_eq!(
            forbidden_in(&retracted(&retract, Mode::Live, &ctx().sheet).to_string()),
            None
        );
    }
}

/// clinical.md §6 row 9 (open case bank, unrefereed): 75 / 35 gives 40 while the pressure alone is
/// ≥ 30: no all-clear may be printed, at any tier or none.
#[test]
fn delta_forty_with_a_high_pressure_is_never_an_all_clear() {
    for (occasion, tier) in [(Occasion::Raised, Some(Tier::Watch)), (Occasion::Resolved, None)] {
        let mut draft = message(occasion, tier);
        let facts = draft.delta.as_mut().unwrap();
        facts.compartment.pressure = pressure("35", "35", "mm[Hg]");
        facts.diastolic.pressure = pressure("75", "75", "mm[Hg]");
        subtract(facts);
        draft.compartment = Some(facts.compartment.clone());
        let text = text(&draft);
        assert!(text.contains("75 (cuff, 2 min earlier) − 35 = 40 mmHg"), "{text}");
        assert_eq!(forbidden_in(&text), None, "{text}");
    }
}

#[test]
fn each_number_of_a_message_has_its_age() {
    for draft in many_messages() {
        let text = text(&draft);
        for line in text
            .lines()
            .filter(|line| line.starts_with("Compartment pressure ") || line.starts_with("Diastolic pressure "))
        {
            assert!(line.ends_with("before this message."), "{line}");
        }
        if draft.occasion == Occasion::Resolved && draft.family != Family::Pressure {
            assert!(!text.contains("mmHg ("), "{text}");
            continue;
        }
        if draft.compartment.is_some() {
            assert!(text.contains("Compartment pressure "), "{text}");
        }
        if draft.delta.is_some() {
            assert!(text.contains("Diastolic pressure "), "{text}");
        }
    }
}

#[test]
fn the_first_line_fits_a_pager() {
    for mut draft in many_messages() {
        for display in [
            "anterior compartment of the leg",
            "gluteal, gluteus medius and minimus compartment",
            &"very long site as free text ".repeat(9),
            &"site.".repeat(40),
        ] {
            if let Some(site) = &mut draft.site {
                site.display = display.to_string();
            }
            let line = headline(&draft);
            let length = line.chars().count();
            assert!(length <= HEADLINE_CHARS, "{length} {line}");
            assert!(
                line.matches('…').count() <= 1 && !line.contains("….") && !line.contains(".…"),
                "{line}"
            );
            assert!(line.ends_with('.') || line.ends_with('…'), "{line}");
            let (_, matter) = line.split_once(": ").expect(&line);
            assert!(!matter.starts_with('…'), "what it is about stays: {line}");
            if let (Some(site), true) = (&draft.site, display.len() < 50) {
                let tier = line.split(' ').next().unwrap();
                assert!(line.starts_with(&format!("{tier} {site}: ")), "{line}");
            }
        }
    }
}

/// Two compartments of one limb differ at the end of their names.
#[test]
fn the_site_follows_the_tier_and_is_not_cut() {
    let mut draft = message(Occasion::Raised, Some(Tier::Critical));
    let facts = draft.delta.as_mut().unwrap();
    facts.diastolic.pressure = pressure("52", "52", "mm[Hg]");
    subtract(facts);
    for display in ["leg, anterior compartment", "leg, superficial posterior compartment"] {
        draft.site.as_mut().unwrap().display = display.into();
        assert_eq!(
            headline(&draft),
            format!("CRITICAL left {display}: delta 12 mmHg (6 min old). Examine now.")
        );
    }
    draft.tier = Some(Tier::Act);
    draft.site.as_mut().unwrap().display = "gluteal, gluteus medius and minimus compartment".into();
    draft.delta.as_mut().unwrap().carried = true;
    assert_eq!(
        headline(&draft),
        "ACT left gluteal, gluteus medius and minimus compartment: carried delta 12 mmHg, unconfirmed (6 min old)…"
    );
    draft.site.as_mut().unwrap().display = "a site that somebody described at length, ".repeat(4);
    assert_eq!(
        headline(&draft),
        "ACT left a site that somebody described at length, a site that somebody described at length, a…: carried delta 12 mmHg."
    );
}

/// A watch that stands on the pressure alone leads with the pressure, with its bound.
#[test]
fn a_pressure_that_speaks_alone_leads() {
    let mut draft = message(Occasion::Raised, Some(Tier::Watch));
    let facts = draft.delta.as_mut().unwrap();
    facts.compartment.pressure = pressure("33", "33", "mm[Hg]");
    facts.diastolic.pressure = pressure("76", "76", "mm[Hg]");
    subtract(facts);
    draft.compartment = Some(facts.compartment.clone());
    draft.site.as_mut().unwrap().display = "leg, anterior compartment".into();
    draft.grounds[0].by = GroundBy::Pressure;
    assert_eq!(
        headline(&draft),
        "WATCH left leg, anterior compartment: compartment pressure 33 mmHg, delta 43 mmHg (6 min old). Examine, remeasure."
    );
    draft.compartment.as_mut().unwrap().pressure.comparator = Some(Comparator::GreaterOrEqual);
    assert!(headline(&draft).contains("compartment pressure at least 33 mmHg"));
    let mut both = ground("delta-near", Tier::Watch, "delta pressure 43 mmHg");
    both.by = GroundBy::Delta;
    draft.grounds.push(both);
    assert!(headline(&draft).contains(": delta 43 mmHg"));
}

/// Which reading it is: what was sent, where, when, why, and its Observation.
#[test]
fn an_unusable_reading_is_named() {
    let mut draft = message(Occasion::Raised, Some(Tier::Check));
    draft.family = Family::Measurement;
    draft.grounds[0].by = GroundBy::Unusable;
    let draft = about_unusable(draft, true);
    assert_eq!(
        headline(&draft),
        "CHECK left anterior compartment of the leg: a reading cannot be used (4 min old). Examine, measure now."
    );
    let told = text(&draft);
    for part in [
        "Reading that cannot be used: sent as 60 no unit, left anterior compartment of the leg, 2026-03-05 22:10 UTC, 4 min before this message.",
        "Its Observation: Observation/cp-9, version 2.",
        Reason::UnitMissing.sentence(),
    ] {
        assert!(told.contains(part), "{part}: {told}");
    }
    let written = written(&draft);
    assert_eq!(written["about"][0]["reference"], "Observation/cp-9");
    assert_eq!(written["reasonReference"], written["about"]);
    let mut ahead = draft.clone();
    ahead.at = AT.plus_minutes(-18);
    assert!(
        headline(&ahead).contains("(18 min ahead of the clock)"),
        "{}",
        headline(&ahead)
    );
    let mut told_once = draft.clone();
    told_once.grounds[0].sentence = format!("A reading cannot be used. {}", Reason::UnitMissing.sentence());
    assert_eq!(text(&told_once).matches(Reason::UnitMissing.sentence()).count(), 1);
    let unread = text(&about_unusable(draft, false));
    assert!(
        unread.contains("cannot be read as a number") && unread.contains("its time cannot be read"),
        "{unread}"
    );
}

/// A preliminary compartment reading is told where no delta tells it.
#[test]
fn a_preliminary_reading_is_told_without_a_delta() {
    for tier in [Tier::Watch, Tier::Check] {
        let mut draft = message(Occasion::Raised, Some(tier));
        draft.compartment.as_mut().unwrap().status = ReadingStatus::Preliminary;
        (draft.delta, draft.delta_identity) = (None, None);
        assert_eq!(text(&draft).matches(wording::PRELIMINARY).count(), 1);
    }
}

#[test]
fn what_a_text_must_say() {
    let mut single = message(Occasion::Raised, Some(Tier::Act));
    assert!(text(&single).contains("35 %"), "Whitney 2014 on a single reading");
    single.reading_count = 2;
    assert!(!text(&single).contains("35 %"));
    single.delta.as_mut().unwrap().age = AgeClass::Stale;
    assert!(text(&single).contains(wording::STALE));
    single.delta.as_mut().unwrap().carried = true;
    assert!(text(&single).contains("Measure again"));
    assert!(headline(&single).contains("carried"));
    single.age_note = AgeNote::Child;
    assert!(text(&single).contains("adult rule, not validated in children"));
    for lost in all_lost() {
        let mut draft = message(Occasion::Withdrawn, None);
        draft.lost = vec![lost.clone()];
        assert!(text(&draft).contains(&wording::lost(&lost)));
        assert!(text(&draft).contains(wording::WITHDRAWAL));
    }
}

#[test]
fn forbidden_sees_word_starts_and_spares_the_one_quotation() {
    assert_eq!(forbidden_in("The limb is SAFE now"), Some("safe"));
    assert_eq!(forbidden_in("this rules out everything"), Some("rules out"));
    assert_eq!(forbidden_in("you can rule out it"), Some("rule out"));
    assert_eq!(forbidden_in("perfusion is (normal)"), Some("normal"));
    assert_eq!(forbidden_in("an unsafe limb, confined, abnormal"), None);
    assert_eq!(forbidden_in(wording::RULE_OUT), None);
    for comfort in [
        "You may wait an hour.",
        "No fasciotomy is called for.",
        "The patient can be sent home.",
        "This is not urgent.",
        "Recheck in 4 h.",
        "The limb is well perfused.",
    ] {
        assert!(forbidden_in(comfort).is_some(), "{comfort}");
    }
}

/// What was not used is told with what to do; the four that ask for nothing are no measurement lost.
#[test]
fn each_reason_says_what_to_do_and_no_all_clear() {
    const ASKS: [&str; 9] = [
        "send it again",
        "measure again",
        "measure the",
        "enter",
        "correct it",
        "mend it",
        "check the",
        "remove the",
        "add it",
    ];
    for reason in Reason::ALL {
        let sentence = reason.sentence();
        assert_eq!(forbidden_in(sentence), None, "{sentence}");
        let nothing_to_do = [
            Reason::PanelOnly,
            Reason::OwnOutput,
            Reason::BeyondHistory,
            Reason::Duplicate,
        ]
        .contains(reason);
        let asks = ASKS.iter().any(|word| sentence.to_lowercase().contains(word));
        assert!(nothing_to_do || asks, "{sentence}");
    }
}

/// The page's footer shows these, with their sources.
#[test]
fn each_long_caution_has_a_source_and_no_all_clear() {
    assert!(wording::CAUTIONS.len() >= 13, "the evidence report names thirteen");
    for caution in wording::CAUTIONS {
        assert_eq!(forbidden_in(caution.text), None, "{}", caution.text);
        assert!(!caution.source.is_empty());
    }
}

#[test]
fn durations_and_moments() {
    assert_eq!(wording::duration(0), "under 1 min");
    assert_eq!(wording::duration(-7), "7 min");
    for (minutes, words) in [
        (119, "119 min"),
        (125, "2 h 05 min"),
        (185, "3 h 05 min"),
        (48 * 60 - 1, "47 h 59 min"),
        (48 * 60, "2 days"),
        (-265 * 24 * 60 - 70, "265 days"),
    ] {
        assert_eq!(wording::duration(minutes), words);
    }
    assert_eq!(wording::when(AT), "2026-03-05 22:10 UTC");
    assert_eq!(wording::age(AT, AT.plus_minutes(4)), "4 min before this message");
    assert_eq!(wording::age(AT.plus_minutes(2), AT), "2 min after this message");
}

#[test]
fn a_rule_adds_its_caution_once() {
    use GroundBy::*;
    assert_eq!(wording::rule_cautions(&[Implausible, Verify]), [wording::IMPLAUSIBLE]);
    assert_eq!(wording::rule_cautions(&[Sustained]), [wording::SUSTAINED]);
    assert!(wording::rule_cautions(&[Delta, Carried, Pressure]).is_empty());
    assert_eq!(
        wording::measurement_matter(&[SideMissing, DiastolicMissing]),
        "no usable diastolic"
    );
    assert_eq!(wording::measurement_matter(&[]), "the measurement needs attention");
}

/// One family's resolution must not speak for the other, which may be critical.
#[test]
fn a_resolved_check_says_nothing_of_the_pressures() {
    let mut draft = message(Occasion::Resolved, None);
    draft.family = Family::Measurement;
    let told = text(&draft);
    assert!(!told.to_lowercase().contains("no rule is met"), "{told}");
    assert!(!told.contains("No pressure rule"), "{told}");
    assert!(
        told.contains("nothing about the limb or about any other rule: messages on pressure are separate"),
        "{told}"
    );
    assert!(
        told.starts_with(
            "ANSWERED left anterior compartment of the leg: the check of the measurement no longer applies.\n"
        ),
        "{told}"
    );
    for part in ["Next:", "Keep", "min old", " − ", "Delta pressure"] {
        assert!(!told.contains(part), "{part}: {told}");
    }
    let value = written(&draft);
    assert_eq!(value["priority"], "routine");
    assert_eq!(value["payload"].as_array().unwrap().len(), 1, "no delta is pointed at");
    assert_eq!(value["about"][0]["reference"], "Observation/cp");
    draft.family = Family::Pressure;
    let told = text(&draft);
    assert!(
        told.contains("No pressure rule is met by the readings received"),
        "{told}"
    );
    assert!(told.contains("up to 6 min old"), "{told}");
}
