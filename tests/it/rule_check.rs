//! `rules check`: what a sheet is refused for, and where it is said to be.

use crate::process::BINARY;
use deltaward::rules::Sheet;
use deltaward::rules::sheet::{ADULT, CHILD, Fault};
use std::process::Command;

/// The adult sheet with one text in another's place.
fn adult(from: &str, to: &str) -> String {
    assert!(ADULT.contains(from), "the adult sheet no longer says {from:?}");
    ADULT.replacen(from, to, 1)
}

fn faults(text: &str) -> Vec<Fault> {
    Sheet::checked("s.toml", text)
        .err()
        .map(|error| error.faults)
        .unwrap_or_default()
}

/// Line and column of the first `part` after `after`.
fn place(text: &str, after: &str, part: &str) -> (usize, usize) {
    let from = text.find(after).unwrap();
    let at = from + text[from..].find(part).unwrap();
    let line_start = text[..at].rfind('\n').map_or(0, |end| end + 1);
    (
        text[..at].matches('\n').count() + 1,
        text[line_start..at].chars().count() + 1,
    )
}

/// The header of a rule.
fn rule(text: &str, id: &str) -> (usize, usize) {
    let at = text.find(&format!("[[rule]]\nid = \"{id}\"\n")).unwrap();
    (text[..at].matches('\n').count() + 1, 1)
}

/// Exactly one fault, there, that says this.
fn one(text: &str, at: (usize, usize), says: &str) {
    let found = faults(text);
    assert_eq!(found.len(), 1, "{found:#?}");
    assert_eq!(found[0].place, Some(at), "{}", found[0]);
    assert!(found[0].message.contains(says), "{says:?} is not in: {}", found[0]);
}

/// The text of a rule, from its header to the next line of hyphens.
fn text_of<'t>(text: &'t str, id: &str) -> &'t str {
    let start = text.find(&format!("[[rule]]\nid = \"{id}\"\n")).unwrap();
    &text[start..start + text[start..].find("# ---").unwrap_or(text.len() - start)]
}

#[test]
fn the_built_in_sheets_have_no_fault() {
    assert_eq!(faults(ADULT), []);
    assert_eq!(faults(CHILD), []);
    let strict = adult("comparator = \"at-or-below\"", "comparator = \"below\"");
    assert_eq!(faults(&strict), []);
}

#[test]
fn an_unknown_key_is_named_at_its_own_place() {
    let text = adult("tier = \"act\"", "teir = \"act\"\ntier = \"act\"");
    one(&text, place(&text, "id = \"delta-30\"", "teir"), "unknown field `teir`");
    let text = adult("[pairing]", "[pairing]\nbefore = 3");
    one(&text, place(&text, "[pairing]", "before"), "unknown field `before`");
    // In a reading of an example, far into its line.
    let text = adult("{ minute = 2, pressure = 60 }", "{ minute = 2, presure = 60 }");
    one(
        &text,
        place(&text, "[[rule.example]]", "presure"),
        "unknown field `presure`",
    );
}

#[test]
fn a_parameter_of_another_kind_is_named_at_its_value() {
    let text = adult("minutes = 120\n", "minutes = 120\nhorizon_minutes = 60\n");
    let at = place(&text, "horizon_minutes = 60", "60");
    one(
        &text,
        at,
        "rule \"delta-sustained\" of this kind has no parameter horizon_minutes; it has upper_mmhg",
    );
    let text = adult("kind = \"side-missing\"", "kind = \"side-missing\"\nminutes = 5");
    one(
        &text,
        place(&text, "kind = \"side-missing\"\nminutes = ", "5"),
        "it has none",
    );
}

#[test]
fn every_rule_says_where_it_comes_from_in_whom_and_how_it_fails() {
    for key in [
        "citation",
        "population",
        "known_failure",
        "version",
        "mark",
        "says",
        "next",
    ] {
        let of_rule = text_of(ADULT, "delta-20");
        let line = of_rule
            .lines()
            .find(|line| line.starts_with(&format!("{key} = ")))
            .unwrap();
        let without = ADULT.replacen(of_rule, &of_rule.replacen(&format!("{line}\n"), "", 1), 1);
        let says = format!("missing field `{key}` of rule \"delta-20\"");
        one(&without, rule(&without, "delta-20"), &says);
        let empty = ADULT.replacen(of_rule, &of_rule.replacen(line, &format!("{key} = \" \""), 1), 1);
        let at = place(&empty, "id = \"delta-20\"", &format!("{key} = \" \""));
        let found = faults(&empty);
        // A version or mark of a space is wrong twice.
        assert!(
            found
                .iter()
                .all(|fault| fault.place == Some((at.0, at.1 + key.len() + 3))),
            "{found:#?}"
        );
        assert!(found[0].message.contains(&format!("{key} is empty")), "{found:#?}");
    }
}

#[test]
fn several_faults_are_told_at_once_in_the_order_of_the_file() {
    let text = adult("mark = \"C\"", "mark = \"B\"");
    let text = text.replacen("close_after_readings = 2", "close_after_readings = 0", 1);
    let text = text.replacen(
        "population = \"tibial fractures; clinical review\"",
        "population = \"\"",
        1,
    );
    let found = faults(&text);
    let places: Vec<_> = found.iter().filter_map(|fault| fault.place).collect();
    let expected = [
        place(&text, "[concern]", "[concern]"),
        place(&text, "mark = \"B\"", "\"B\""),
        place(&text, "population = \"\"", "\"\""),
    ];
    assert_eq!(places, expected, "{found:#?}");
    let shown = Sheet::checked("s.toml", &text).unwrap_err().to_string();
    assert_eq!(shown.lines().count(), 3, "{shown}");
    assert!(shown.lines().all(|line| line.starts_with("s.toml: line ")), "{shown}");
}

#[test]
fn two_rules_on_one_number_overlap() {
    // 20 to 30 and 25 to 40 share 26 to 30.
    let text = adult("lower_mmhg = 30\nupper_mmhg = 40", "lower_mmhg = 25\nupper_mmhg = 40");
    one(&text, rule(&text, "delta-near"), "\"delta-near\" and \"delta-30\"");
    let message = &faults(&text)[0].message;
    assert!(
        message.contains("both hold on a delta above 25 and at or below 30 mmHg"),
        "{message}"
    );
    assert!(
        message.contains(&format!("(line {})", rule(&text, "delta-30").0)),
        "{message}"
    );
    // With the strict comparator the ends go the other way.
    let strict = text.replacen("comparator = \"at-or-below\"", "comparator = \"below\"", 1);
    let message = &faults(&strict)[0].message;
    assert!(message.contains("at or above 25 and below 30 mmHg"), "{message}");
    // The same for carried and mean deltas.
    let carried = text_of(ADULT, "delta-carried-30").replace("lower_mmhg = 20", "lower_mmhg = 19");
    let text = ADULT.replacen(text_of(ADULT, "delta-carried-30"), &carried, 1);
    one(
        &text,
        rule(&text, "delta-carried-30"),
        "both hold on a carried delta above 19 and at or below 20 mmHg",
    );
    let twice = text_of(ADULT, "mean-delta-40").replace("\"mean-delta-40\"", "\"mean-delta-35\"");
    let text = format!("{ADULT}\n\n{}", twice.replace("upper_mmhg = 40", "upper_mmhg = 35"));
    one(
        &text,
        rule(&text, "mean-delta-35"),
        "both hold on a mean delta at or below 35 mmHg",
    );
}

#[test]
fn a_rule_twice_is_an_overlap() {
    let twice = text_of(ADULT, "side-missing").replace("id = \"side-missing\"", "id = \"no-side\"");
    let text = format!("{ADULT}\n\n{twice}");
    one(&text, rule(&text, "no-side"), "rules \"no-side\" and \"side-missing\"");
    assert!(faults(&text)[0].message.contains("have the same condition"));
}

#[test]
fn who_is_never_one_patient_does_not_overlap() {
    let any = ADULT.replacen("ages = \"adults\"\n# Below", "ages = \"any\"\n# Below", 1);
    assert_eq!(faults(&any), [], "pressure-30 alone is for adults");
    // One rule for adults, one of the same band for children: nobody gets both …
    let of = |id: &str, ages: &str| {
        text_of(ADULT, "delta-near")
            .replace("id = \"delta-near\"", &format!("id = \"{id}\""))
            .replace("tier = \"watch\"", &format!("tier = \"watch\"\nages = \"{ages}\""))
    };
    let split = any.replacen(
        text_of(&any, "delta-near"),
        &(of("near-a", "adults") + &of("near-c", "children")),
        1,
    );
    assert_eq!(faults(&split), []);
    // … with the children's a little wider, a gap for them alone.
    let wider = split.replacen(
        &of("near-c", "children"),
        &of("near-c", "children").replace("lower_mmhg = 30", "lower_mmhg = 32"),
        1,
    );
    one(
        &wider,
        rule(&wider, "near-c"),
        "gap: no rule holds on a delta above 30 and at or below 32 mmHg (children)",
    );
    // In a sheet for adults the children's rule never runs.
    let never = format!("{ADULT}\n\n{}", of("near-c", "children"));
    one(&never, rule(&never, "near-c"), "it never runs");
    // Regions likewise: leg and forearm are never one site, leg-anterior is part of leg.
    let region = |id: &str, region: &str| {
        text_of(ADULT, "delta-near")
            .replace("id = \"delta-near\"", &format!("id = \"{id}\""))
            .replace(
                "lower_mmhg = 30\nupper_mmhg = 40",
                &format!("lower_mmhg = 40\nupper_mmhg = 45\nregions = [\"{region}\"]"),
            )
    };
    let apart = format!(
        "{ADULT}\n\n{}\n\n{}",
        region("near-leg", "leg"),
        region("near-arm", "forearm")
    );
    assert_eq!(faults(&apart), []);
    let within = format!(
        "{ADULT}\n\n{}\n\n{}",
        region("near-leg", "leg"),
        region("near-front", "leg-anterior")
    );
    one(&within, rule(&within, "near-front"), "above 40 and at or below 45 mmHg");
}

#[test]
fn a_number_without_a_rule_is_a_gap() {
    // 0 to 20 and 21 to 30 leave one number.
    let text = adult("lower_mmhg = 20\nupper_mmhg = 30", "lower_mmhg = 21\nupper_mmhg = 30");
    one(
        &text,
        rule(&text, "delta-30"),
        "gap: no rule holds on a delta above 20 and at or below 21 mmHg",
    );
    // Nothing at or below the lowest threshold.
    let text = ADULT.replacen(text_of(ADULT, "delta-none-left"), "", 1);
    one(
        &text,
        rule(&text, "delta-20"),
        "gap: no rule holds on a delta at or below 0 mmHg",
    );
    // Of the carried deltas.
    let text = ADULT.replacen(text_of(ADULT, "delta-carried-20"), "", 1);
    one(
        &text,
        rule(&text, "delta-carried-30"),
        "gap: no rule holds on a carried delta at or below 20 mmHg",
    );
}

#[test]
fn a_threshold_without_its_delta_rule_and_a_tier_that_nobody_raises_are_gaps() {
    let sustained = text_of(ADULT, "delta-sustained").replace("upper_mmhg = 30", "upper_mmhg = 28");
    let text = ADULT.replacen(text_of(ADULT, "delta-sustained"), &sustained, 1);
    one(
        &text,
        rule(&text, "delta-sustained"),
        "no delta rule has upper_mmhg = 28",
    );
    let carried = text_of(ADULT, "delta-carried-30").replace("upper_mmhg = 30", "upper_mmhg = 29");
    let text = ADULT.replacen(text_of(ADULT, "delta-carried-30"), &carried, 1);
    one(
        &text,
        rule(&text, "delta-carried-30"),
        "no delta rule has upper_mmhg = 29",
    );
    let text = ADULT.replace("tier = \"act\"", "tier = \"critical\"");
    one(
        &text,
        rule(&text, "measure-again-60"),
        "follows the tier act, and no rule of the limb raises it",
    );
}

#[test]
fn an_example_measures_something_and_a_mean_delta_has_a_mean() {
    let text = adult(
        "readings = [{ minute = 0, diastolic = 61 }, { minute = 2, pressure = 60 }]",
        "readings = [{ minute = 0 }]",
    );
    let why = text.find("1 mmHg is left").unwrap();
    let header = text[..why].rfind("[[rule.example]]").unwrap();
    one(
        &text,
        (text[..header].matches('\n').count() + 1, 1),
        "an example of rule \"delta-none-left\" has no reading",
    );
    let without = text_of(ADULT, "mean-delta-40")
        .replace(", mean = 80", "")
        .replace(", mean = 81", "");
    let text = ADULT.replacen(text_of(ADULT, "mean-delta-40"), &without, 1);
    one(
        &text,
        rule(&text, "mean-delta-40"),
        "no example of rule \"mean-delta-40\" has a mean",
    );
}

#[test]
fn the_command_tells_the_faults_and_fails() {
    let folder = tempfile::tempdir().unwrap();
    let check = |name: &str, text: &str| {
        let file = folder.path().join(name);
        std::fs::write(&file, text).unwrap();
        let output = Command::new(BINARY)
            .args(["rules", "check"])
            .arg(&file)
            .output()
            .unwrap();
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        (output.status.code(), told)
    };
    let gap = adult("lower_mmhg = 20\nupper_mmhg = 30", "lower_mmhg = 21\nupper_mmhg = 30");
    let (code, told) = check("gap.toml", &gap);
    let (line, _) = rule(&gap, "delta-30");
    assert_eq!(code, Some(1), "{told}");
    assert!(
        told.contains(&format!("gap.toml: line {line}, column 1: gap")),
        "{told}"
    );
    let (code, told) = check("key.toml", &adult("[concern]", "[concern]\npatience = 3"));
    assert_eq!(code, Some(1), "{told}");
    assert!(told.contains("unknown field `patience`"), "{told}");
}

/// A sheet with a gap, or one that does not do what it says, judges nobody.
#[test]
fn the_service_refuses_a_sheet_with_a_gap_or_an_example_that_fails() {
    let folder = tempfile::tempdir().unwrap();
    let gap = adult("lower_mmhg = 20\nupper_mmhg = 30", "lower_mmhg = 21\nupper_mmhg = 30");
    let example = adult(
        "{ minute = 0, diastolic = 60 }, { minute = 2, pressure = 60 }",
        "{ minute = 0, diastolic = 61 }, { minute = 2, pressure = 60 }",
    );
    std::fs::write(folder.path().join("gap.toml"), gap).unwrap();
    std::fs::write(folder.path().join("example.toml"), example).unwrap();
    for (name, says) in [("gap", "gap: "), ("example", "rule delta-none-left, example 1")] {
        let file = crate::process::config(folder.path(), &format!("[rules]\nsheet = \"{name}.toml\"\n"));
        for command in [&["config", "check", "--config"][..], &["run", "--config"]] {
            let output = Command::new(BINARY)
                .args(command)
                .arg(&file)
                .current_dir(folder.path())
                .output()
                .unwrap();
            let told = String::from_utf8_lossy(&output.stderr);
            assert_eq!(output.status.code(), Some(64), "{told}");
            assert!(
                told.contains(&format!("[rules] sheet: {name}.toml: ")) && told.contains(says),
                "{told}"
            );
        }
    }
}

#[test]
fn a_region_that_no_compartment_begins_with_is_refused() {
    let text = adult(
        "kind = \"absolute\"\ntier",
        "kind = \"absolute\"\nregions = [\"leg\", \"legg\"]\ntier",
    );
    let found = faults(&text);
    assert_eq!(found.len(), 1, "{found:#?}");
    assert_eq!(found[0].place, Some(rule(&text, "pressure-30")), "{}", found[0]);
    assert!(
        found[0]
            .message
            .contains("unknown region \"legg\"; known are arm, foot, forearm"),
        "{}",
        found[0]
    );
}

#[test]
fn texts_that_deceive_the_eye_are_refused_wherever_they_stand() {
    let next = "next = \"Measure the compartment again now";
    for (from, to, says) in [
        (next, "next = \"Me\u{ad}asure the compartment again now", "U+00AD"),
        (
            next,
            "next = \"The limb is s\u{430}fe now. Measure the compartment again",
            "mixes alphabets",
        ),
        (next, "next = \"Measure.\\nUPDATE: no rule", "divides lines"),
        (
            next,
            "next = \"Observe overnight. Measure the compartment again now",
            "overnight",
        ),
        ("name = \"lateral\"", "name = \"lateral: it is safe to leave\"", "safe"),
        ("title = \"Delta", "title = \"A safe limb: delta", "safe"),
        (
            "code = \"leg-lateral\"",
            "code = \"leg-latral\"",
            "no compartment has the code",
        ),
        ("name = \"lateral\"", "name = \"anterior\"", "of its own"),
        ("id = \"delta-near\"", "id = \"delta\\nnear\"", "an id has 1 to 64"),
        ("{delta} mmHg is within", "{delta}} mmHg is within", "a brace too many"),
    ] {
        let found = faults(&adult(from, to));
        assert!(
            found.iter().any(|fault| fault.message.contains(says)),
            "{to}: {found:#?}"
        );
        assert!(found.iter().all(|fault| fault.place.is_some()), "{found:#?}");
    }
}

#[test]
fn a_sentence_that_asks_for_a_number_that_its_rule_has_not_fails_its_example() {
    let text = adult(
        "mmHg is within 10 mmHg of the threshold.",
        "mmHg is within 10 mmHg; mean {mean_delta}.",
    );
    let sheet = Sheet::parse("s.toml", &text).unwrap();
    let failures = deltaward::patient::examples::failures(&sheet);
    assert!(!failures.is_empty());
    let words = failures[0].to_string();
    assert!(
        words.starts_with("rule delta-near, example 1") && words.contains("mean ?"),
        "{words}"
    );
}

#[test]
fn what_is_gone_or_changed_against_the_built_in_sheet_is_told() {
    use deltaward::rules::notes::notes;
    for text in [ADULT, CHILD] {
        assert_eq!(notes(&Sheet::parse("s.toml", text).unwrap()), Vec::<String>::new());
    }
    let without = ADULT.replacen(text_of(ADULT, "side-missing"), "", 1);
    let found = notes(&Sheet::parse("s.toml", &without).unwrap());
    assert!(
        found
            .iter()
            .any(|note| note.starts_with("rule side-missing of the built-in sheet is not in it")),
        "{found:?}"
    );
    assert!(
        found.iter().any(|note| note.contains("still calls itself adult-limb")),
        "{found:?}"
    );
    let sooner = adult("close_after_readings = 2", "close_after_readings = 1");
    let found = notes(&Sheet::parse("s.toml", &sooner).unwrap());
    assert!(
        found.contains(&String::from("close_after_readings is 1; in the built-in sheet 2")),
        "{found:?}"
    );
    let higher = adult("at_or_above_mmhg = 30", "at_or_above_mmhg = 35");
    let found = notes(&Sheet::parse("s.toml", &higher).unwrap());
    assert!(
        found[0].contains("at or above 35 mmHg") && found[0].contains("the built-in one raises"),
        "{found:?}"
    );
}
