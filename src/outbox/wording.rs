//! Every sentence that a person reads in what is derived, in one place: Observation notes,
//! Communication payloads and the page speak with one voice.
//!
//! The voice: says what was measured, with the age of each number, and what to do next. It never
//! gives an all-clear, never names a diagnosis, never asks anyone to hold back, and defers to
//! local protocol and licensed practice. [`FORBIDDEN`] lists what no text may contain, [`ALLOWED`] the
//! few sentences that are spared.

mod beside;
mod cautions;
mod forbidden;
mod note;

pub use beside::{
    ANAESTHESIA_ALONE, CHILD_NO_MEAN, CHILD_PRESSURE_ALONE, OVERDUE, UNDER_ANAESTHESIA, anaesthesia_alone,
    beside_bound, beside_code_text, beside_line, beside_lines, beside_meaning, beside_name, beside_pressure,
    beside_result, beside_sum, beside_term, beside_word, bound_words, child_cautions, quality_line, quality_words,
    session_line,
};
pub use cautions::{CAUTIONS, Caution};
pub use forbidden::{ALLOWED, FORBIDDEN, forbidden_in};
pub use note::{delta_note, retracted_note};

use crate::fhir::quantity::{round_delta, round_pressure};
use crate::fhir::{Decimal, Instant};
use crate::outbox::draft::{
    AgeClass, AgeNote, DeltaFacts, Family, GroundBy, GroundLost, Measured, Recomputation, Unusable,
};
use crate::recognise::reading::{Comparator, Method, ReadingStatus, Side, Site, Withdrawal};
use crate::rules::Tier;

/// Observation.code.text of a delta.
pub const DELTA_CODE_TEXT: &str = "Delta pressure (diastolic − compartment pressure)";
/// Observation.referenceRange.type.text.
pub const RANGE_TYPE: &str = "alert threshold";

/// Observation.referenceRange.text.
pub fn range_text(threshold_mmhg: i64, inclusive: bool) -> String {
    let compared = if inclusive { "at or below" } else { "below" };
    format!(
        "Alerts {compared} {threshold_mmhg} mmHg. Above it this rule is not met; that is no finding about the limb."
    )
}

// ---- atoms -------------------------------------------------------------------------------------

/// `2026-03-05 22:10 UTC`.
pub fn when(at: Instant) -> String {
    let text = at.to_string();
    match (text.get(..10), text.get(11..16)) {
        (Some(day), Some(time)) if text.ends_with('Z') => format!("{day} {time} UTC"),
        _ => text,
    }
}

/// How long: "under 1 min", "7 min", "2 h 05 min" (from two hours on), "265 days" (whole days
/// gone, from two days on).
pub fn duration(minutes: i64) -> String {
    match minutes.unsigned_abs() {
        0 => String::from("under 1 min"),
        m @ 1..120 => format!("{m} min"),
        m @ 120..2880 => format!("{} h {:02} min", m / 60, m % 60),
        m => format!("{} days", m / 1440),
    }
}

/// "4 min before this message", against the moment at which the message was decided.
pub fn age(at: Instant, now: Instant) -> String {
    let minutes = now.minutes_since(at);
    let side = if now < at { "after" } else { "before" };
    format!("{} {side} this message", duration(minutes))
}

/// "6 min old"; a moment ahead of the message says so.
pub fn old(at: Instant, now: Instant) -> String {
    let minutes = now.minutes_since(at);
    let side = if at > now && minutes != 0 {
        "ahead of the clock"
    } else {
        "old"
    };
    format!("{} {side}", duration(minutes))
}

/// "2 min earlier", "3 min later", "at the same minute", against another reading.
fn offset(at: Instant, against: Instant) -> String {
    match at.minutes_since(against) {
        0 => String::from("at the same minute"),
        m if m < 0 => format!("{} earlier", duration(m)),
        m => format!("{} later", duration(m)),
    }
}

/// The method in words.
pub fn method(method: Method) -> &'static str {
    match method {
        Method::Cuff => "cuff",
        Method::ArterialLine => "arterial line",
        Method::Needle => "needle",
        Method::Catheter => "catheter",
        Method::Unstated => "method not stated",
    }
}

/// Code of the age class in the pairing extension.
pub fn age_class_code(age: AgeClass) -> &'static str {
    match age {
        AgeClass::Simultaneous => "simultaneous",
        AgeClass::Paired => "paired",
        AgeClass::Stale => "stale",
    }
}

/// "sent as 5.33 kPa", or nothing when what is shown (whole mmHg) is what was sent.
pub fn as_sent(measured: &Measured, shown: i64) -> Option<String> {
    let pressure = &measured.pressure;
    let unit_shown = matches!(pressure.sent_unit.as_str(), "mm[Hg]" | "mmHg" | "mm Hg");
    let same = unit_shown && pressure.sent_value.parse() == Ok(Decimal::from(shown));
    (!same).then(|| format!("sent as {} {}", pressure.sent_value, pressure.sent_unit))
}

/// The whole number `shown` of a pressure, under its comparator: "at least 40".
pub fn whole_bounded(measured: &Measured, shown: i64) -> String {
    bounded(shown, measured.pressure.comparator)
}

/// A number under its comparator: "at least 40".
fn bounded(number: i64, comparator: Option<Comparator>) -> String {
    let number = signed(number);
    match comparator {
        None => number,
        Some(Comparator::Less) => format!("below {number}"),
        Some(Comparator::LessOrEqual) => format!("at most {number}"),
        Some(Comparator::GreaterOrEqual) => format!("at least {number}"),
        Some(Comparator::Greater) => format!("above {number}"),
    }
}

/// "70 (cuff, 2 min earlier)"; empty parts leave no brackets.
fn term(shown: i64, measured: &Measured, parts: impl IntoIterator<Item = Option<String>>) -> String {
    let number = bounded(shown, measured.pressure.comparator);
    let inside: Vec<String> = parts.into_iter().flatten().collect();
    if inside.is_empty() {
        number
    } else {
        format!("{number} ({})", inside.join(", "))
    }
}

// ---- the arithmetic ----------------------------------------------------------------------------

/// A whole number with a true minus sign: a hyphen is easily missed.
pub fn signed(whole: i64) -> String {
    let sign = if whole < 0 { "−" } else { "" };
    format!("{sign}{}", whole.unsigned_abs())
}

/// "70 (cuff, 2 min earlier) − 40 (sent as 5.33 kPa) = 30 mmHg". Whole mmHg as compared; when
/// rounding each number hides the sum, the exact difference is given too.
pub fn arithmetic(facts: &DeltaFacts) -> String {
    let (compartment, diastolic) = (&facts.compartment, &facts.diastolic);
    // A half of the diastolic goes down like a half of the delta: toward the alert.
    let shown_d = round_delta(diastolic.pressure.mmhg);
    let shown_c = round_pressure(compartment.pressure.mmhg);
    // The age is told on the number whose time is not the delta's own.
    let (age_d, age_c) = if facts.carried {
        (None, Some(offset(compartment.at, diastolic.at)))
    } else {
        (Some(offset(diastolic.at, compartment.at)), None)
    };
    let method_c = (compartment.method != Method::Unstated).then(|| method(compartment.method).to_string());
    let method_d = Some(method(diastolic.method).to_string());
    let under = facts.under_anaesthesia.then(|| UNDER_ANAESTHESIA.to_string());
    let left = term(
        shown_d,
        diastolic,
        [method_d, as_sent(diastolic, shown_d), under, age_d],
    );
    let right = term(shown_c, compartment, [method_c, as_sent(compartment, shown_c), age_c]);
    let bound = if facts.bounded_above { "at most " } else { "" };
    let whole = signed(facts.delta_whole_mmhg);
    let apart = shown_d.saturating_sub(shown_c);
    let exact = before_rounding(apart, facts.delta_whole_mmhg, facts.delta_mmhg);
    format!("{left} − {right} = {bound}{whole} mmHg{exact}")
}

/// The exact difference, where the two rounded numbers are `apart` and so do not give `whole`.
fn before_rounding(apart: i64, whole: i64, exact: Decimal) -> String {
    if apart == whole {
        return String::new();
    }
    let tenth = crate::outbox::parts::tenth_mmhg(exact);
    format!(" (computed before rounding: {tenth} mmHg, a half goes toward the alert)")
}

/// "Compartment pressure 40 mmHg (needle, sent as 5.33 kPa), left anterior …, 2026-03-05 22:10
/// UTC, 4 min before this message." `now` is the moment at which the message was decided.
pub fn compartment_sentence(measured: &Measured, site: Option<&Site>, now: Instant) -> String {
    let shown = round_pressure(measured.pressure.mmhg);
    let place = site.map(|site| format!(", {site}")).unwrap_or_default();
    format!(
        "Compartment pressure {}{place}, {}.",
        reading(measured, shown),
        moment(measured, now)
    )
}

/// The same for the diastolic of a delta.
pub fn diastolic_sentence(facts: &DeltaFacts, now: Instant) -> String {
    diastolic_alone(&facts.diastolic, facts.under_anaesthesia, now)
}

/// The same of a diastolic that no delta was taken from.
pub fn diastolic_alone(measured: &Measured, under_anaesthesia: bool, now: Instant) -> String {
    let shown = round_delta(measured.pressure.mmhg);
    let under = if under_anaesthesia {
        format!(", {UNDER_ANAESTHESIA}")
    } else {
        String::new()
    };
    format!(
        "Diastolic pressure {}{under}, {}.",
        reading(measured, shown),
        moment(measured, now)
    )
}

/// "compartment pressure 33 mmHg", with its bound.
pub fn compartment_in_short(measured: &Measured) -> String {
    let shown = round_pressure(measured.pressure.mmhg);
    format!(
        "compartment pressure {} mmHg",
        bounded(shown, measured.pressure.comparator)
    )
}

/// Which reading cannot be used: what was sent, where and when; and its Observation.
pub fn unusable_sentences(unusable: &Unusable, site: Option<&Site>, now: Instant) -> Vec<String> {
    let sent = match &unusable.sent {
        Some(sent) => format!("sent as {sent}"),
        None => String::from("what was sent cannot be read as a number with a unit"),
    };
    let place = site.map(|site| format!(", {site}")).unwrap_or_default();
    let moment = match unusable.at {
        Some(at) => format!("{}, {}", when(at), age(at, now)),
        None => String::from("its time cannot be read"),
    };
    let version = match unusable.source.version_id.as_str() {
        "" => String::from("no version stated"),
        version => format!("version {version}"),
    };
    vec![
        format!("Reading that cannot be used: {sent}{place}, {moment}."),
        format!("Its Observation: {}, {version}.", unusable.source.reference),
    ]
}

fn reading(measured: &Measured, shown: i64) -> String {
    let number = bounded(shown, measured.pressure.comparator);
    let mut inside = vec![method(measured.method).to_string()];
    inside.extend(as_sent(measured, shown));
    format!("{number} mmHg ({})", inside.join(", "))
}

fn moment(measured: &Measured, now: Instant) -> String {
    format!("{}, {}", when(measured.at), age(measured.at, now))
}

// ---- what each circumstance adds ---------------------------------------------------------------

/// Whitney 2014 J Trauma Acute Care Surg 76:479-83: 48 tibial shaft fractures, 35 % (95 % CI
/// 21.5–48.5) of unsuspected limbs met delta 30 on one reading.
pub const SINGLE_READING: &str = "One reading only: of 48 limbs nobody suspected, measured once, 35 % were this low in a compartment (Whitney 2014). Treat it as unconfirmed: examine and measure again now.";
/// The same for one reading far below the threshold: Whitney's share is of 30 mmHg and less, and is not quoted here.
pub const SINGLE_CRITICAL: &str = "One reading only: check zero and site, and measure again while help is coming.";
/// A stale diastolic alerts all the same (invariant 4).
pub const STALE: &str = "The diastolic is old against this compartment pressure; its age never silences an alert. Measure the blood pressure again now.";
/// A newer diastolic against the last compartment reading.
pub const CARRIED: &str = "Carried: the diastolic is newer than the compartment pressure, which is the last one received. Measure again: compartment pressure and blood pressure together.";
/// Sustained time is a label, never a delay.
pub const SUSTAINED: &str = "Sustained means as low as the threshold asks on each reading over that time that counts; between readings nothing is known. It is a label, not a reason for delay.";
/// A comparator makes the delta an upper bound.
pub const BOUNDED: &str =
    "A source gives only a bound, so the delta pressure is at most the number shown; it may be lower.";
/// A source is preliminary.
pub const PRELIMINARY: &str = "A source is preliminary (not yet verified at its origin); it is used as it stands.";
/// Side missing (invariant 7).
pub const SIDE_UNSTATED: &str = "The record does not state the side: find out which limb was measured.";
/// Children: Staudt 2008, and Eur J Trauma Emerg Surg 2019;45:493-7 (13 of 20 children with a broken leg and no
/// compartment syndrome had a delta below 30 in a compartment).
pub const CHILD: &str = "The delta pressure is judged by the adult rule, not validated in children: their resting compartment pressures are higher, and a low delta pressure is common in them (Staudt 2008). Examine, and ask senior help early.";
/// Birth date not known.
pub const AGE_UNKNOWN: &str = "Age not known: adult rule, not validated in children.";
/// No diastolic at all.
pub const NO_DIASTOLIC: &str = "No usable diastolic stands near this compartment pressure, so no delta pressure can be computed. Measure the blood pressure now, not on the injured limb.";
/// Outside the plausible range.
pub const IMPLAUSIBLE: &str = "A value is unusual or outside the plausible range. It may be an error of zero, height or device, or it may be true: examine the limb and measure again now.";

/// A line through few readings.
pub const TREND: &str = "A line through few readings: the range of its slope says how little is known, and the limb may do otherwise. It is a reason to measure early, never to delay.";
/// Collinge & Kuper 2010, J Orthop Trauma 24:364-8: 27 % of 97 compartments differed by more than 10.
pub const DISAGREE: &str = "Readings of one compartment by different people or methods often differ (27 % by more than 10 mmHg, Collinge & Kuper 2010): neither is proved wrong, and the lower delta pressure counts.";
/// The sign of the difference changes from study to study (J Crit Care 2020; Sci World J 2014).
pub const METHODS_DISAGREE: &str = "Cuff and arterial line often differ, and either may be the wrong one; the lower diastolic counts until somebody has looked.";

/// What a pager line says of a check, worst first.
const MATTERS: [(GroundBy, &str); 8] = [
    (GroundBy::Overdue, "measuring again is overdue"),
    (GroundBy::Implausible, "reading outside the plausible range"),
    (GroundBy::Unusable, "a reading cannot be used"),
    (GroundBy::DiastolicMissing, "no usable diastolic"),
    (GroundBy::ReadingsDisagree, "two readings disagree"),
    (GroundBy::MethodsDisagree, "arterial line and cuff disagree"),
    (GroundBy::Verify, "unusual compartment pressure"),
    (GroundBy::SideMissing, "side not stated"),
];

/// What a check of the measurement is about, in a few words for a pager.
pub fn measurement_matter(grounds: &[GroundBy]) -> &'static str {
    let named = MATTERS.iter().find(|(by, _)| grounds.contains(by));
    named.map_or("the measurement needs attention", |(_, matter)| matter)
}

/// The cautions that the rules which hold call for, each once.
pub fn rule_cautions(grounds: &[GroundBy]) -> Vec<&'static str> {
    let mut cautions: Vec<&'static str> = Vec::new();
    for by in grounds {
        let caution = match by {
            GroundBy::Sustained => SUSTAINED,
            GroundBy::Implausible | GroundBy::Verify => IMPLAUSIBLE,
            GroundBy::DiastolicMissing => NO_DIASTOLIC,
            GroundBy::Trend => TREND,
            GroundBy::ReadingsDisagree => DISAGREE,
            GroundBy::MethodsDisagree => METHODS_DISAGREE,
            GroundBy::Overdue => OVERDUE,
            GroundBy::Delta
            | GroundBy::Carried
            | GroundBy::MeanDelta
            | GroundBy::Pressure
            | GroundBy::Unusable
            | GroundBy::SideMissing => continue,
        };
        if !cautions.contains(&caution) {
            cautions.push(caution);
        }
    }
    cautions
}

/// The age note, when one is due.
pub fn age_note(note: AgeNote) -> Option<&'static str> {
    match note {
        AgeNote::InBand => None,
        AgeNote::Child => Some(CHILD),
        AgeNote::Unknown => Some(AGE_UNKNOWN),
    }
}

/// What the facts of a delta call for saying, in order of weight.
pub fn delta_cautions(facts: &DeltaFacts) -> Vec<&'static str> {
    let beside = facts.beside.iter().map(|beside| &beside.pressure);
    let preliminary = [&facts.compartment, &facts.diastolic]
        .into_iter()
        .chain(beside)
        .any(|m| m.status == ReadingStatus::Preliminary);
    [
        (facts.carried, CARRIED),
        (!facts.carried && facts.age == AgeClass::Stale, STALE),
        (anaesthesia_alone(facts), ANAESTHESIA_ALONE),
        (facts.bounded_above, BOUNDED),
        (preliminary, PRELIMINARY),
        (facts.site.side == Side::Unstated, SIDE_UNSTATED),
    ]
    .into_iter()
    .filter_map(|(holds, sentence)| holds.then_some(sentence))
    .collect()
}

/// What to do next when the rule sheet gives no sentence of its own.
pub fn next_step(tier: Option<Tier>) -> &'static str {
    match tier {
        Some(Tier::Critical) => {
            "Call senior help now, examine the limb, release dressings and splints, follow local protocol for urgent decompression."
        }
        Some(Tier::Act) => {
            "Examine the limb now and measure compartment pressure and blood pressure again now; call senior help as local protocol says."
        }
        Some(Tier::Watch) => {
            "Examine the limb and repeat compartment pressure and blood pressure at the interval of local protocol."
        }
        Some(Tier::Check) => {
            "Correct the measurement now: examine the limb, measure compartment pressure and blood pressure."
        }
        None => {
            "Keep examining the limb and repeat or continue compartment pressure and blood pressure as local protocol says."
        }
    }
}

/// Why an earlier message has lost a ground.
pub fn lost(ground: &GroundLost) -> String {
    match ground {
        GroundLost::SourceWithdrawn { source, how } => match how {
            Withdrawal::EnteredInError => format!("{source} was marked as entered in error."),
            Withdrawal::Cancelled => format!("{source} was cancelled."),
            Withdrawal::Deleted => format!("{source} was deleted at its origin."),
            Withdrawal::MovedToAnotherPatient => format!("{source} now names another patient."),
        },
        GroundLost::Recomputed {
            source,
            cause,
            delta_now_whole_mmhg,
        } => {
            let what = match cause {
                Recomputation::Compartment => format!("{source} was corrected"),
                Recomputation::Diastolic { source: diastolic } => {
                    format!("The diastolic {diastolic} used with {source} was corrected")
                }
                Recomputation::OtherDiastolic => format!("Another diastolic now stands nearest to {source}"),
                Recomputation::OtherReading => format!(
                    "What was counted with {source} has changed (another reading, a mean arterial pressure, the patient's age, or a recorded circumstance)"
                ),
            };
            match delta_now_whole_mmhg {
                Some(now) => format!("{what}: delta pressure is now {} mmHg.", signed(*now)),
                None => format!("{what}: no delta pressure can be computed now."),
            }
        }
        GroundLost::NowElsewhere { source, site } => format!("{source} now names another site: {site}."),
        GroundLost::NoLongerUsable { source } => format!("{source} can no longer be used and was set aside."),
    }
}

/// What a withdrawal means for the reader.
pub const WITHDRAWAL: &str = "A number told earlier no longer stands. This tells nothing about the limb itself, and decisions may rest on that number: examine, and measure compartment pressure and blood pressure again now.";

/// What a resolution says: of its own family of rules only, for the other family may still hold.
/// The strongest statement there is (invariant 5).
pub fn resolution(family: Family) -> &'static str {
    match family {
        Family::Pressure => {
            "No pressure rule is met by the readings received. This is a statement about readings, not about the limb."
        }
        Family::FollowUp => {
            "A newer reading has arrived, or no alert stands any more. This says nothing about the limb: messages on pressure are separate, and what they ask for stands."
        }
        Family::Measurement => {
            "The check of the measurement no longer applies to the readings received. This says nothing about the limb or about any other rule: messages on pressure are separate, and what they ask for stands."
        }
    }
}

/// A check that is answered, for a pager line; that it no longer applies follows.
pub fn answered(family: Family) -> &'static str {
    match family {
        Family::FollowUp => "the request to measure again",
        Family::Pressure | Family::Measurement => "the check of the measurement",
    }
}

/// No pressure rule holds any more, for a pager line; how old the readings are follows.
pub const NO_PRESSURE_RULE: &str = "no pressure rule is met by readings";

/// How old the readings of a resolution are (`age` as [`old`] gives it).
pub fn resolution_age(age: &str) -> String {
    format!("The readings of this message are up to {age}.")
}

/// AAOS/METRC guideline 7 Dec 2018 (Osborn & Schmidt, JAAOS 2020;28:e108).
pub const RULE_OUT: &str =
    "Repeated or continuous delta pressure above 30 mmHg is what helps to rule out (AAOS 2018); one reading does not.";

// ---- cautions ----------------------------------------------------------------------------------

/// The caution that ends every text.
pub const SHORT_CAUTION: &str = "An aid to judgement, not a diagnosis. Pain out of proportion and pain on passive stretch come first; never delay treatment for a measurement or for this message. Local protocol and licensed practice decide.";
