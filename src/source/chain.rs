//! One search read to its end and handed to the engine page by page; the cursor moves only in a
//! batch that is committed, and only as far as is certain.

use super::page::{Page, PageEntry};
use super::poll::PollReport;
use super::walk::{PollError, Walk};
use crate::delivery::{ClientError, FhirClient};
use crate::fhir::Instant;
use crate::source::intake::{Answer, Batch, CursorUpdate, Incoming, Intake, Operation, UnreadableEntry, Versioning};
use futures_util::StreamExt;
use std::collections::{HashSet, VecDeque};
use std::sync::{Mutex, PoisonError};

/// Most items of one batch; a larger page goes in parts, of which one is prepared while another is committed.
const MAX_BATCH_ITEMS: usize = 250;
/// Parts of a page that wait for their commit together.
const PARTS_AT_ONCE: usize = 2;
/// How often a chain is begun anew in one poll because the server dropped it.
const MAX_RESTARTS: u32 = 3;
/// `_count` is divided by this when a page is larger than allowed, down to 1.
const SMALLER_PAGE: usize = 4;
/// A lastUpdated further ahead of our clock than this never moves the cursor, hours: one wrong
/// stamp would otherwise hide everything that comes after it.
const MAX_AHEAD_HOURS: i64 = 24;
/// Steps upward without one downward after which a chain counts as sorted though the server does
/// not say so.
const STEPS_OF_PROOF: usize = 10;
/// In a chain of several pages, a page of which everything was last updated so long before the poll
/// is handed over as history.
const HISTORY_MINUTES: i64 = 10;
/// Versions remembered so that the overlap does not resend them.
const RECENT_VERSIONS: usize = 50_000;

/// Versions that the engine has committed, newest last; bounded.
#[derive(Debug, Default)]
pub struct Recent {
    inner: Mutex<Known>,
}

/// Id of a resource, and its version with its lastUpdated: a server may move one without the other.
type VersionKey = (String, String);

#[derive(Debug, Default)]
struct Known {
    keys: HashSet<VersionKey>,
    oldest_first: VecDeque<VersionKey>,
}

impl Recent {
    /// True when this version was handed over and committed before. A resource without any version
    /// is never taken as known: the engine compares its content.
    pub fn knows(&self, entry: &PageEntry) -> bool {
        let Some(version) = &entry.version else { return false };
        self.holds(&(entry.id.clone(), version.clone()))
    }

    fn holds(&self, key: &VersionKey) -> bool {
        let inner = self.inner.lock().unwrap_or_else(PoisonError::into_inner);
        inner.keys.contains(key)
    }

    fn remember(&self, keys: Vec<VersionKey>) {
        let mut inner = self.inner.lock().unwrap_or_else(PoisonError::into_inner);
        for key in keys {
            if inner.keys.insert(key.clone()) {
                inner.oldest_first.push_back(key);
            }
            if inner.oldest_first.len() > RECENT_VERSIONS
                && let Some(oldest) = inner.oldest_first.pop_front()
            {
                inner.keys.remove(&oldest);
            }
        }
    }
}

/// What a chain needs beside the query.
pub struct Reader<'a> {
    /// The server.
    pub client: &'a FhirClient,
    /// The engine's queue.
    pub intake: &'a Intake,
    /// Versions known already.
    pub recent: &'a Recent,
    /// `_count`.
    pub page_count: usize,
    /// Pages of one chain.
    pub max_pages: usize,
    /// How far behind the cursor to look again, seconds.
    pub overlap_seconds: i64,
    /// The moment of the poll.
    pub now: Instant,
}

/// One search and its cursor.
pub struct Search<'a> {
    /// What is searched for: `Observation`, `Procedure`.
    pub resource_type: &'a str,
    /// What is found stands beside the readings ([`Batch::aside`]).
    pub aside: bool,
    /// Name of the cursor.
    pub cursor: &'a str,
    /// Where the cursor stands; None before the first success.
    pub position: Option<Instant>,
    /// Where to begin without a cursor.
    pub first_from: Instant,
    /// Encoded parameters for a start and a page size.
    pub query: &'a (dyn Fn(Instant, usize) -> String + Sync),
}

/// What is certain about the order of a chain.
#[derive(Debug)]
struct Order {
    /// Newest lastUpdated so far.
    newest: Option<Instant>,
    /// Newest of the pages before the current one.
    newest_before: Option<Instant>,
    /// No entry was older than one before it.
    ascending: bool,
    /// The server says that it sorts.
    stated: bool,
    /// Steps from one lastUpdated to a newer one.
    steps: usize,
}

impl Reader<'_> {
    /// Read the search to its end. Counts go to `report`, also when it fails.
    ///
    /// # Errors
    /// Any [`PollError`]; what was committed before stays, the cursor is never ahead of it.
    pub async fn read(&self, search: &Search<'_>, report: &mut PollReport) -> Result<(), PollError> {
        let mut untold = false;
        let result = self.chains(search, &mut untold, report).await;
        if untold {
            // However the reading ended: what was read of the history may be told now.
            let told = self.intake.submit_when_room(Batch::default()).await;
            result?;
            told?;
            return Ok(());
        }
        result
    }

    async fn chains(&self, search: &Search<'_>, untold: &mut bool, report: &mut PollReport) -> Result<(), PollError> {
        let mut position = search.position;
        let mut count = self.page_count.max(1);
        let mut restarts = 0;
        loop {
            match self.chain(search, &mut position, count, untold, report).await {
                Err(PollError::Client(ClientError::TooLarge { .. })) if count > 1 => {
                    count = (count / SMALLER_PAGE).max(1);
                    report.smaller_pages += 1;
                }
                Err(PollError::Expired(_)) => {
                    restarts += 1;
                    report.restarts += 1;
                    if restarts > MAX_RESTARTS {
                        return Err(PollError::Expired(restarts));
                    }
                }
                result => return result,
            }
        }
    }

    async fn chain(
        &self,
        search: &Search<'_>,
        position: &mut Option<Instant>,
        count: usize,
        untold: &mut bool,
        report: &mut PollReport,
    ) -> Result<(), PollError> {
        let overlap = match mutated!(NoOverlap) {
            true => 0,
            false => self.overlap_seconds.max(0),
        };
        let from = position.map_or(search.first_from, |at| at.plus_seconds(-overlap));
        let mut asked = self.client.url(search.resource_type, &(search.query)(from, count))?;
        let mut asked_from = from;
        let began_at = *position;
        let mut order = Order {
            newest: None,
            newest_before: None,
            ascending: true,
            stated: false,
            steps: 0,
        };
        let mut walk = Walk::new(self.client, search.resource_type, asked.clone(), self.now);
        let mut next = walk.next_page().await;
        while let Some(page) = next? {
            let last = page.next.is_none();
            let cut = !last && walk.pages() >= self.max_pages;
            self.observe(&page, &mut order, walk.pages() == 1, report);
            let target = order.certain(last, cut, began_at.unwrap_or(from), *position != began_at);
            // Forward, except to take back a move that an unsorted page has shown to be too far.
            let target = target.filter(|target| !order.ascending && !last || position.is_none_or(|at| *target > at));
            let moved = target.map(|target| CursorUpdate {
                name: search.cursor.to_owned(),
                position: target,
            });
            let history = !search.aside && (!last || walk.pages() > 1) && self.is_history(&page);
            let before = report.entries;
            let kind = Batch {
                history,
                aside: search.aside,
                ..Batch::default()
            };
            // By time, not by place: what is updated meanwhile only moves to the end.
            if let Some(newest) = order.newest.filter(|newest| order.ascending && *newest > asked_from)
                && walk.counts_places(&asked)
            {
                asked_from = newest;
                asked = self.client.url(search.resource_type, &(search.query)(newest, count))?;
                walk.go_on_with(asked.clone());
            }
            // The next page is fetched while this one is committed. What is wrong with it is looked at after
            // the commit, and a commit that fails does not wait for it.
            let ahead = async {
                Ok(match cut {
                    true => Ok(None),
                    false => walk.next_page().await,
                })
            };
            ((), next) = tokio::try_join!(self.hand_over(page, moved, &kind, report), ahead)?;
            *untold |= history && report.entries > before;
            *position = target.or(*position);
            if cut {
                report.hit_page_limit = true;
                report.advanced |= *position != began_at;
                return if order.is_credible() {
                    Ok(())
                } else {
                    Err(PollError::PageLimit(self.max_pages))
                };
            }
        }
        Ok(())
    }

    /// True when everything on the page is older than [`HISTORY_MINUTES`]: not what a ward waits for.
    fn is_history(&self, page: &Page) -> bool {
        let before = self.now.plus_minutes(-HISTORY_MINUTES);
        page.entries
            .iter()
            .all(|entry| entry.last_updated.is_some_and(|updated| updated < before))
    }

    fn observe(&self, page: &Page, order: &mut Order, first: bool, report: &mut PollReport) {
        report.pages += 1;
        report.skipped += page.skipped;
        report.unusable += page.unreadable.len();
        if first {
            order.stated = page.says_sorted;
        }
        order.newest_before = order.newest;
        let horizon = self.now.plus_minutes(MAX_AHEAD_HOURS * 60);
        for entry in &page.entries {
            let Some(updated) = entry.last_updated else {
                report.without_last_updated += 1;
                continue;
            };
            if updated > horizon {
                report.ahead += 1;
                continue;
            }
            if order.newest.is_some_and(|newest| updated < newest) {
                order.ascending = false;
                report.order_ignored = true;
            }
            order.steps += usize::from(order.newest.is_some_and(|newest| updated > newest));
            order.newest = order.newest.max(Some(updated));
        }
        report.newest = report.newest.max(order.newest);
    }

    async fn submit(&self, batch: Batch) -> Result<Handed, PollError> {
        let entries = batch.items.len();
        let answers = self.intake.submit_when_room(batch).await?;
        let refused = answers.iter().filter(|answer| matches!(answer, Answer::Refused(_)));
        Ok(Handed {
            entries,
            refused: refused.count(),
        })
    }

    /// Commit a page in batches like `kind`; its cursor move goes with the last part of it.
    async fn hand_over(
        &self,
        page: Page,
        moved: Option<CursorUpdate>,
        kind: &Batch,
        report: &mut PollReport,
    ) -> Result<(), PollError> {
        let mut fresh: Vec<PageEntry> = Vec::new();
        let mut here = HashSet::new();
        for entry in page.entries {
            let again = entry
                .version
                .as_ref()
                .is_some_and(|version| !here.insert((entry.id.clone(), version.clone())));
            if again || self.recent.knows(&entry) {
                report.duplicates += 1;
            } else {
                fresh.push(entry);
            }
        }
        let mut unreadable = page.unreadable;
        unreadable.retain(|entry| here.insert(unreadable_key(entry)) && !self.recent.holds(&unreadable_key(entry)));
        let mut keys: Vec<VersionKey> = fresh
            .iter()
            .filter_map(|entry| Some((entry.id.clone(), entry.version.clone()?)))
            .collect();
        keys.extend(unreadable.iter().map(unreadable_key));
        let mut parts = Vec::new();
        let mut items = fresh.into_iter().map(incoming).peekable();
        while items.peek().is_some() || !unreadable.is_empty() {
            parts.push(Batch {
                items: items.by_ref().take(MAX_BATCH_ITEMS).collect(),
                unreadable: std::mem::take(&mut unreadable),
                ..kind.clone()
            });
        }
        if let Some(moved) = moved {
            match parts.last_mut() {
                Some(last) => last.cursors.push(moved),
                None => parts.push(Batch {
                    cursors: vec![moved],
                    ..kind.clone()
                }),
            }
        }
        let last = parts.pop();
        // One is prepared while the one before is committed, and no more, so that others are not held up; the
        // last one, which moves the cursor, goes only when all others stand.
        let mut submitted = futures_util::stream::iter(parts)
            .map(|part| self.submit(part))
            .buffered(PARTS_AT_ONCE);
        while let Some(handed) = submitted.next().await {
            report.count(handed?);
        }
        if let Some(last) = last {
            report.count(self.submit(last).await?);
        }
        self.recent.remember(keys);
        Ok(())
    }
}

/// What became of one batch of a page.
struct Handed {
    entries: usize,
    refused: usize,
}

impl PollReport {
    fn count(&mut self, handed: Handed) {
        self.entries += handed.entries;
        self.refused += handed.refused;
    }
}

/// The name holds a digest of the text, so the same text again is known.
fn unreadable_key(entry: &UnreadableEntry) -> VersionKey {
    (entry.source.clone(), String::new())
}

impl Order {
    /// Sorted, by the server's word or by more steps upward than chance gives (1 in 10! orders).
    const fn is_credible(&self) -> bool {
        self.ascending && (self.stated || self.steps >= STEPS_OF_PROOF)
    }

    /// Where the cursor may stand once this page is committed; None: leave it.
    ///
    /// At the end of the chain everything was read. Before it, only the pages before this one are
    /// certain, and only when the server says that it sorts and has kept to it so far.
    fn certain(&self, last: bool, cut: bool, began_at: Instant, has_moved: bool) -> Option<Instant> {
        if last {
            return self.newest;
        }
        if !self.ascending {
            return has_moved.then_some(began_at);
        }
        if cut {
            return self.newest.filter(|_| self.is_credible());
        }
        if self.stated { self.newest_before } else { None }
    }
}

/// A resource of a search for the engine, under the server's own version.
pub(super) fn incoming(entry: PageEntry) -> Incoming {
    Incoming {
        resource_type: entry.resource_type,
        id: entry.id,
        operation: Operation::Put(entry.body),
        versioning: Versioning::Theirs,
        if_match: None,
    }
}
