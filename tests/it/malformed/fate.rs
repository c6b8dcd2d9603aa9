//! What becomes of one input, as it is written in the fixtures and as it is found.

use deltaward::fhir::Decimal;
use deltaward::recognise::Reason;
use serde::Deserialize;

#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub enum Fate {
    /// With an OperationOutcome; nothing is kept.
    Refused { status: u16, code: String },
    /// Kept as a withdrawal.
    TakenBack,
    /// Kept: what is used of it (mmHg), and what is shown as not used; never neither.
    Kept {
        used: Vec<Decimal>,
        /// Of whom; empty: of the patient named as the resource.
        patient: String,
        set_aside: Vec<String>,
    },
    /// It does not stand, or no more.
    Absent,
}

impl Fate {
    /// True when `found` is this fate of the resource `id`.
    pub fn is_met_by(&self, found: &Self, id: &str) -> bool {
        match (self, found) {
            (
                Self::Kept {
                    used,
                    patient,
                    set_aside,
                },
                Self::Kept {
                    used: found_used,
                    patient: found_patient,
                    set_aside: found_set_aside,
                },
            ) => {
                let own = format!("Patient/{id}");
                let wanted = if patient.is_empty() { &own } else { patient };
                used == found_used && set_aside == found_set_aside && (used.is_empty() || wanted == found_patient)
            }
            _ => self == found,
        }
    }
}

impl TryFrom<String> for Fate {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        let words: Vec<&str> = text.split(' ').collect();
        let fate = match words.as_slice() {
            ["taken-back"] => Self::TakenBack,
            ["absent"] => Self::Absent,
            ["refused", status, code] => Self::Refused {
                status: status.parse().map_err(|_| format!("{text}: no status"))?,
                code: (*code).to_owned(),
            },
            ["used" | "set-aside", ..] => kept(&words)?,
            _ => return Err(format!("{text:?} is no fate")),
        };
        Ok(fate)
    }
}

/// `used 120 70 of Patient/x set-aside unreadable`, each part optional, one of the first and last there.
fn kept(words: &[&str]) -> Result<Fate, String> {
    let (mut used, mut patient, mut set_aside) = (Vec::new(), String::new(), Vec::new());
    let mut part = "";
    for word in words {
        match (*word, part) {
            ("used" | "of" | "set-aside", _) => part = word,
            (number, "used") => used.push(number.parse().map_err(|_| format!("{number} is no number"))?),
            (key, "of") => patient = key.to_owned(),
            (reason, _) => {
                if !Reason::ALL.iter().any(|known| known.code() == reason) {
                    return Err(format!("{reason} is no reason"));
                }
                set_aside.push(reason.to_owned());
            }
        }
    }
    if used.is_empty() && set_aside.is_empty() {
        return Err(String::from("neither used nor set aside"));
    }
    used.sort();
    set_aside.sort();
    Ok(Fate::Kept {
        used,
        patient,
        set_aside,
    })
}
