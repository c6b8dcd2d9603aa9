//! The CSV files: one row a pairing, one row a message.

use super::findings::{Findings, PairRow};
use crate::recognise::Site;
use serde::Serialize;
use std::borrow::Cow;
use std::io::Write;

/// A row of `--events`: one message.
#[derive(Serialize)]
struct EventRow<'a> {
    patient: Cow<'a, str>,
    at: String,
    site: String,
    site_text: String,
    family: &'static str,
    occasion: &'static str,
    tier: &'static str,
    tier_before: &'static str,
    rules: String,
    delta_whole_mmhg: String,
    carried: bool,
    measured_at: String,
    sentence: Cow<'a, str>,
}

/// A text of the record as a cell: a spreadsheet runs one that begins like a formula, so it gets an
/// apostrophe in front (OWASP, "CSV Injection").
fn cell(text: &str) -> Cow<'_, str> {
    match text.starts_with(['=', '+', '-', '@', '\t', '\r']) {
        true => Cow::Owned(["'", text].concat()),
        false => Cow::Borrowed(text),
    }
}

/// Write the pairings; the head line is there even when there is none.
///
/// # Errors
/// When it cannot be written.
pub fn pairs(rows: &[PairRow], to: impl Write) -> Result<(), csv::Error> {
    let mut writer = csv::WriterBuilder::new().has_headers(false).from_writer(to);
    writer.write_record([
        "patient",
        "site",
        "site_text",
        "source",
        "measured_at",
        "pressure_mmhg",
        "comparator",
        "diastolic_source",
        "diastolic_at",
        "diastolic_mmhg",
        "diastolic_method",
        "age_class",
        "age_minutes",
        "delta_mmhg",
        "delta_whole_mmhg",
        "bounded_above",
        "low",
        "tier",
    ])?;
    for row in rows {
        writer.serialize(PairRow {
            patient: cell(&row.patient).into_owned(),
            site: cell(&row.site).into_owned(),
            site_text: cell(&row.site_text).into_owned(),
            ..row.clone()
        })?;
    }
    writer.flush()?;
    Ok(())
}

/// Write the messages.
///
/// # Errors
/// When it cannot be written.
pub fn events(findings: &Findings, to: impl Write) -> Result<(), csv::Error> {
    let mut writer = csv::WriterBuilder::new().has_headers(false).from_writer(to);
    writer.write_record([
        "patient",
        "at",
        "site",
        "site_text",
        "family",
        "occasion",
        "tier",
        "tier_before",
        "rules",
        "delta_whole_mmhg",
        "carried",
        "measured_at",
        "sentence",
    ])?;
    for patient in &findings.patients {
        for told in &patient.told {
            writer.serialize(EventRow {
                patient: cell(&patient.patient.0),
                at: told.at.to_string(),
                site: told.site.as_ref().map(Site::key).unwrap_or_default(),
                site_text: cell(&told.site.as_ref().map(ToString::to_string).unwrap_or_default()).into_owned(),
                family: told.family.word(),
                occasion: occasion_word(told.occasion),
                tier: told.tier.map_or("", crate::rules::Tier::word),
                tier_before: told.tier_before.map_or("", crate::rules::Tier::word),
                rules: told.rules.join(" "),
                delta_whole_mmhg: told.delta_whole_mmhg.map(|delta| delta.to_string()).unwrap_or_default(),
                carried: told.carried,
                measured_at: told.measured_at.map(|at| at.to_string()).unwrap_or_default(),
                sentence: cell(&told.sentence),
            })?;
        }
    }
    writer.flush()?;
    Ok(())
}

/// "raised", "withdrawn", "resolved".
pub fn occasion_word(occasion: crate::outbox::draft::Occasion) -> &'static str {
    use crate::outbox::draft::Occasion;
    match occasion {
        Occasion::Raised => "raised",
        Occasion::Withdrawn => "withdrawn",
        Occasion::Resolved => "resolved",
    }
}

#[cfg(test)]
mod tests {
    use super::cell;

    #[test]
    fn no_cell_begins_like_a_formula() {
        for text in ["=1+1", "+1", "-1", "@a", "\tx", "\rx"] {
            assert_eq!(cell(text), format!("'{text}"));
        }
        for text in ["", "Patient/1", "a=b", "left leg"] {
            assert_eq!(cell(text), text);
        }
    }
}
