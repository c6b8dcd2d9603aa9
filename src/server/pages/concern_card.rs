//! One open concern: its tier, what the tier stands on, what is newest, since when, what was told.

use super::numbers::Numbers;
use super::{beside, text};
use crate::fhir::Instant;
use crate::outbox::draft::{AgeNote, Family, Ground, GroundBy, Occasion};
use crate::outbox::wording;
use crate::patient::assess::Assessment;
use crate::patient::concern::Headline;
use crate::patient::state::Concern;
use crate::patient::words;
use crate::recognise::reading::PatientKey;
use crate::rules::Sheet;
use crate::store::EventRow;
use maud::{Markup, html};

/// What a card is made from.
pub(super) struct Card<'c> {
    /// Whose.
    pub(super) patient: &'c PatientKey,
    /// What is announced of them: the label, else the key.
    pub(super) person: &'c str,
    /// The concern as stored; open.
    pub(super) concern: &'c Concern,
    /// What was found now; None when the front page did not work it out.
    pub(super) found: Option<&'c Assessment<'c>>,
    /// History of the patient.
    pub(super) events: &'c [EventRow],
    /// The sheet in force.
    pub(super) sheet: &'c Sheet,
    /// Now.
    pub(super) now: Instant,
    /// With the rules' ids and everything that is to be done next.
    pub(super) in_full: bool,
    /// With what the worst rule says to do next, when not in full.
    pub(super) with_next: bool,
}

impl Card<'_> {
    /// Left out when the concern is closed.
    pub(super) fn markup(&self) -> Markup {
        let Some(tier) = self.concern.tier else {
            return html! {};
        };
        let site = self.site();
        let key = format!("{}|{}|{}|{}", self.patient, self.site_key(), self.family(), tier);
        let announce = format!("{tier}: {}, {site}", self.person);
        html! {
            section class={ "concern concern-" (tier.word()) } data-concern=(key) data-announce=(announce) {
                div class="concern-head" {
                    (text::tier(tier))
                    h3 { (site) @if self.concern.family != Family::Pressure { span class="family" { (self.family_words()) } } }
                }
                (self.evidence())
                p class="since" {
                    "Open since " (text::short_time(self.concern.since, self.now)) ", " (text::age(self.concern.since, self.now)) ". "
                    (self.told())
                }
            }
        }
    }

    fn site(&self) -> String {
        self.concern
            .site
            .as_ref()
            .map_or_else(|| String::from("blood pressure and record"), ToString::to_string)
    }

    fn site_key(&self) -> String {
        self.concern
            .site
            .as_ref()
            .map(crate::recognise::Site::key)
            .unwrap_or_default()
    }

    fn family(&self) -> &'static str {
        self.concern.family.word()
    }

    fn family_words(&self) -> &'static str {
        match self.concern.family {
            Family::FollowUp => "measure again",
            Family::Pressure | Family::Measurement => self.family(),
        }
    }

    /// The numbers on which the tier stands; the newest ones too when they are others.
    fn evidence(&self) -> Markup {
        let Some(assessment) = self.found else {
            return html! { p { "Open the patient's page for the numbers." } };
        };
        let key = self.site_key();
        let found = assessment
            .concerns
            .iter()
            .find(|found| found.key.site == key && found.key.family == self.concern.family);
        let site = assessment.sites.iter().position(|site| site.key() == key);
        let newest = site.and_then(|site| Numbers::newest(assessment, site, self.sheet));
        let numbers = found.map(|found| Numbers::of_headline(assessment, found, self.sheet));
        let newer = match (&numbers, &newest) {
            _ if self.concern.family != Family::Pressure => None,
            (Some(numbers), Some(newest)) if numbers.same_as(newest) => None,
            (_, newest) => newest.as_ref(),
        };
        let grounds = found
            .map(|found| words::grounds(assessment, found, self.sheet))
            .unwrap_or_default();
        html! {
            @if let Some(numbers) = &numbers {
                div class={ "evidence evidence-" (self.family()) } {
                    @if self.concern.family == Family::Pressure { (numbers.big(&grounds)) }
                    div class="evidence-words" {
                        @for ground in &grounds {
                            p class="says" { (ground.sentence) @if self.in_full { " " code { (ground.rule) } } }
                        }
                        @if let Some(why) = numbers.why_none().filter(|_| self.concern.family == Family::Pressure) {
                            p class="why" { "No delta pressure: " (why) "." }
                        }
                        (self.last_measured(numbers))
                        // Measuring again asks for new numbers; the old ones stand with their own concern.
                        @if self.concern.family != Family::FollowUp { (numbers.lines(self.concern.family, self.now)) }
                        @if self.lacks_mean(assessment, numbers, &grounds) { p class="mind" { (wording::CHILD_NO_MEAN) } }
                        // In full the site's own section says it.
                        @if !self.in_full && self.concern.family == Family::Pressure { (beside::session(numbers.session())) }
                        @if let Some(Headline::Unusable(index)) = found.map(|found| found.headline) {
                            (self.unusable(assessment, index))
                        }
                    }
                }
            }
            @if let Some(newer) = newer {
                p class="newer" {
                    @if numbers.is_some() { "The tier stands on the numbers above. Newest: " } @else { "Newest: " }
                    (newer.short(self.now)) "."
                }
            }
            @for next in self.next(&grounds) {
                p class="next" { strong { "Next: " } (next) }
            }
        }
    }

    /// How long ago somebody measured, where measuring again is asked for.
    fn last_measured(&self, numbers: &Numbers) -> Markup {
        let at = numbers
            .pressure_at()
            .filter(|_| self.concern.family == Family::FollowUp);
        html! {
            @if let Some(at) = at {
                p class="last" { "Last compartment reading " strong { (text::age(at, self.now)) } ", at " (text::short_time(at, self.now)) "." }
            }
        }
    }

    /// True when the children's rule on the mean arterial pressure lacks its number.
    fn lacks_mean(&self, assessment: &Assessment<'_>, numbers: &Numbers, grounds: &[Ground]) -> bool {
        assessment.age_note == AgeNote::Child
            && self.concern.family == Family::Pressure
            && numbers.pressure_at().is_some()
            && !numbers.has_mean()
            && !grounds.iter().any(|ground| ground.by == GroundBy::MeanDelta)
    }

    /// Which reading cannot be used: what was sent, when, and its Observation.
    fn unusable(&self, assessment: &Assessment<'_>, index: usize) -> Markup {
        html! {
            @if let Some(lost) = assessment.lost.get(index) {
                p class="why" {
                    @match &lost.sent {
                        Some(sent) => { "Sent as " strong { (sent) } },
                        None => "What was sent cannot be read as a number with a unit",
                    }
                    @match lost.at {
                        Some(at) => { ", measured " (text::short_time(at, self.now)) ", " (text::age(at, self.now)) },
                        None => ", at a time that cannot be read",
                    }
                    ". Its Observation: " code class="long" { (lost.slot.source) } "."
                }
            }
        }
    }

    /// What to do next: of every rule that holds in full, else of the worst one only.
    fn next<'g>(&self, grounds: &'g [Ground]) -> Vec<&'g str> {
        if self.in_full {
            return unique(grounds.iter().map(|ground| ground.next.as_str()));
        }
        // Of equals the first: the sheet's own order.
        let worst = grounds.iter().rev().max_by_key(|ground| ground.tier);
        unique(
            worst
                .filter(|_| self.with_next)
                .map(|ground| ground.next.as_str())
                .into_iter(),
        )
    }

    /// When this tier was last told, and the last message of this concern.
    fn told(&self) -> Markup {
        let key = self.site_key();
        let of_concern =
            |event: &&EventRow| event.message.is_some() && event.site_key == key && event.family == self.concern.family;
        let last = self.events.iter().rev().find(of_concern);
        let told = |event: &&EventRow| event.occasion == Some(Occasion::Raised) && event.tier == self.concern.tier;
        let tier_told = self.events.iter().rev().filter(of_concern).find(told);
        html! {
            @match (last, self.concern.messages) {
                (Some(last), number) => {
                    @if told(&last) {
                        "Last message (number " (number) "), which told this tier, written "
                    } @else {
                        @if let Some(event) = tier_told { "This tier was told " (text::short_time(event.at, self.now)) ". " }
                        "Last message (number " (number) ") written "
                    }
                    (text::short_time(last.at, self.now)) "."
                },
                (None, 0) => "No message was written.",
                (None, number) => { (text::count(number.into(), "message was", "messages were")) " written." },
            }
        }
    }
}

fn unique<'t>(texts: impl Iterator<Item = &'t str>) -> Vec<&'t str> {
    let mut once: Vec<&str> = Vec::new();
    for text in texts {
        if !text.is_empty() && !once.contains(&text) {
            once.push(text);
        }
    }
    once
}
