//! How a sheet differs from the built-in one for the same ages, so that nobody approves a rule that
//! is gone without having read it.

use super::{Ages, Rule, Sheet, show};

/// A line for each difference in what the sheet decides; empty for the built-in sheets themselves.
pub fn notes(sheet: &Sheet) -> Vec<String> {
    let builtin = match sheet.ages {
        Ages::Children => Sheet::child(),
        Ages::Adults | Ages::Any => Sheet::adult(),
    };
    // It is read and tested with the program; without it there is nothing to compare with.
    let Ok(builtin) = builtin else { return Vec::new() };
    let mut notes = Vec::new();
    for rule in &builtin.rules {
        match sheet.rules.iter().find(|own| own.id == rule.id) {
            None => notes.push(format!(
                "rule {} of the built-in sheet is not in it: {}",
                rule.id,
                show::condition(rule.kind, &builtin)
            )),
            Some(own) => notes.extend(changed(own, rule, sheet, &builtin)),
        }
    }
    let is_new = |rule: &&Rule| !builtin.rules.iter().any(|other| other.id == rule.id);
    notes.extend(
        sheet
            .rules
            .iter()
            .filter(is_new)
            .map(|rule| format!("rule {} is its own: {}", rule.id, show::condition(rule.kind, sheet))),
    );
    notes.extend(tables(sheet, &builtin));
    if sheet.id == builtin.id && sheet.version == builtin.version && sheet.hash != builtin.hash {
        notes.push(format!(
            "it still calls itself {} {}, as the built-in sheet does, and is another text: give it an id or a version of its own",
            sheet.id, sheet.version
        ));
    }
    notes
}

/// What one rule decides otherwise than the built-in one of the same id.
fn changed(own: &Rule, rule: &Rule, sheet: &Sheet, builtin: &Sheet) -> Option<String> {
    let words = |rule: &Rule, sheet: &Sheet| {
        format!(
            "raises \"{}\" when {} ({})",
            rule.tier,
            show::condition(rule.kind, sheet),
            show::applies_to(rule, sheet)
        )
    };
    let (now, before) = (words(own, sheet), words(rule, builtin));
    if now != before {
        return Some(format!("rule {} {now}; the built-in one {before}", own.id));
    }
    (own.mark != rule.mark).then(|| {
        format!(
            "rule {} has the mark {}; the built-in one {}",
            own.id, own.mark, rule.mark
        )
    })
}

/// Numbers outside the rules.
fn tables(sheet: &Sheet, builtin: &Sheet) -> Vec<String> {
    let pairs = [
        ("adult_from_years", sheet.adult_from_years, builtin.adult_from_years),
        (
            "close_after_minutes",
            sheet.close_after_minutes,
            builtin.close_after_minutes,
        ),
    ];
    let mut notes: Vec<String> = pairs
        .into_iter()
        .filter(|(_, own, other)| own != other)
        .map(|(name, own, other)| format!("{name} is {own}; in the built-in sheet {other}"))
        .collect();
    if sheet.close_after_readings != builtin.close_after_readings {
        notes.push(format!(
            "close_after_readings is {}; in the built-in sheet {}",
            sheet.close_after_readings, builtin.close_after_readings
        ));
    }
    for (table, same) in [
        ("[pairing]", sheet.pairing == builtin.pairing),
        ("[plausible]", sheet.plausible == builtin.plausible),
        ("[session]", sheet.session == builtin.session),
        ("[anaesthesia]", sheet.anaesthesia == builtin.anaesthesia),
    ] {
        if !same {
            notes.push(format!("{table} has other numbers than in the built-in sheet"));
        }
    }
    notes
}
