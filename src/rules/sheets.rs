//! The two sheets in force, and whose is whose.

use super::age::age_note;
use super::sheet::SheetError;
use super::{Ages, Sheet};
use crate::fhir::Instant;
use crate::outbox::draft::AgeNote;

/// The sheets in force: one for adults and whoever's age is not known, one for children.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sheets {
    adult: Sheet,
    child: Sheet,
}

impl Sheets {
    /// The two sheets, each in its place.
    ///
    /// # Errors
    /// When a sheet is for other ages than its place, or the two draw the line at different ages:
    /// then a patient would be judged by a sheet whose rules take them for somebody else.
    pub fn new(adult: Sheet, child: Sheet) -> Result<Self, SheetError> {
        if adult.ages == Ages::Children {
            return Err(misplaced(&adult, "adults", "\"adults\" or \"any\"", "child_sheet"));
        }
        if child.ages == Ages::Adults {
            return Err(misplaced(&child, "children", "\"children\" or \"any\"", "sheet"));
        }
        if adult.adult_from_years != child.adult_from_years {
            return Err(SheetError::of_whole(
                &child.file,
                format!(
                    "adult_from_years is {} here and {} in {}; give both sheets the same age",
                    child.adult_from_years, adult.adult_from_years, adult.file
                ),
            ));
        }
        Ok(Self { adult, child })
    }

    /// The two sheets that the program carries.
    ///
    /// # Errors
    /// Never in a tested build; the error is passed on all the same.
    pub fn builtin() -> Result<Self, SheetError> {
        Self::new(Sheet::adult()?, Sheet::child()?)
    }

    /// The sheet that judges a patient at `now`: below the adult sheet's `adult_from_years` the
    /// children's, else (and when the birth date is not known or cannot be read) the adults'. A
    /// partial birth date (`2012`, `2012-03`) counts as the latest day that it allows.
    pub fn for_patient(&self, birth_date: Option<&str>, now: Instant) -> &Sheet {
        match age_note(birth_date, &self.adult, now) {
            AgeNote::Child => &self.child,
            AgeNote::InBand | AgeNote::Unknown => &self.adult,
        }
    }

    /// For adults and whoever's age is not known.
    pub fn adult(&self) -> &Sheet {
        &self.adult
    }

    /// For children.
    pub fn child(&self) -> &Sheet {
        &self.child
    }

    /// Both, the adults' first.
    pub fn both(&self) -> [&Sheet; 2] {
        [&self.adult, &self.child]
    }
}

fn misplaced(sheet: &Sheet, place: &str, fitting: &str, other_key: &str) -> SheetError {
    SheetError::of_whole(
        &sheet.file,
        format!(
            "this sheet is for {} and stands in the place of the sheet for {place}: name a sheet with ages = {fitting}, \
             or name this one in [rules] {other_key}",
            sheet.ages.words()
        ),
    )
}
