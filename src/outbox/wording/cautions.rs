//! The cautions of a page's footer, each with its source.

/// One caution of the page's footer with its source.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Caution {
    /// What to bear in mind.
    pub text: &'static str,
    /// Where it is said.
    pub source: &'static str,
}

const fn caution(text: &'static str, source: &'static str) -> Caution {
    Caution { text, source }
}

/// The long list, for a page's footer.
pub const CAUTIONS: &[Caution] = &[
    caution(
        "Acute compartment syndrome is a clinical diagnosis; pain out of proportion and pain on passive stretch come first.",
        "BOAST 10 (2014); AAOS Now 2019",
    ),
    caution(
        "Pressure is an adjunct: never delay fasciotomy for a measurement or for this service.",
        "AAOS Now 2019; BOAST 10 (2014)",
    ),
    caution(
        "Palpable pulses and absent signs do not exclude it: signs have a sensitivity of 13 to 19 %.",
        "BOAST 10 (2014); Ulmer 2002",
    ),
    caution(
        "One reading over-calls (35 % of limbs nobody suspected, measured once), and one higher reading does not exclude it.",
        "Whitney 2014; Heckman 1994",
    ),
    caution(
        "Only repeated or continuous delta pressure above 30 mmHg is what helps to rule out.",
        "AAOS 2018",
    ),
    caution(
        "Shock and anaesthesia lower the diastolic and so the delta: treat hypotension, consider the diastolic before induction. A high diastolic can hide a high compartment pressure.",
        "Kakar 2007; the second sentence from memory",
    ),
    caution(
        "In patients who are sedated, obtunded, blocked, on patient-controlled analgesia, or children, signs are unreliable: measure repeatedly.",
        "AAOS 2018; BOAST 10 (2014)",
    ),
    caution(
        "Children: resting compartment pressures are higher and a low delta is common; the adult rule is not validated in them.",
        "Staudt 2008; Eur J Trauma Emerg Surg 2019;45:493-7",
    ),
    caution(
        "After ischaemia muscle tolerates less pressure than these thresholds assume.",
        "canine spectroscopy study",
    ),
    caution(
        "A reading is off by more than 5 mmHg in 40 % even when done correctly; method, level and distance from the fracture matter.",
        "Large 2015; Heckman 1994; JBJS Am 1993;75:231-5",
    ),
    caution(
        "In late or missed compartment syndrome with irreversible damage pressure does not guide.",
        "AAOS 2018",
    ),
    caution(
        "The evidence is mostly of adult tibial shaft fractures, anterior compartment, few centres; other regions are extrapolated.",
        "read across the sources above",
    ),
    caution(
        "There is no published time for which a diastolic remains valid: the ages used here are settings.",
        "no source found",
    ),
    caution(
        "Local protocol and licensed practice decide. This is software for research and integration, not a certified medical device, and silence from it is no finding.",
        "this project",
    ),
];
