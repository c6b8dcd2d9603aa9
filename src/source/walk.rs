//! Page after page of one search, with every bound that keeps a server's mistake from becoming an
//! endless loop.

use super::page::{self, Page, PageError};
use crate::delivery::{ClientError, FhirClient};
use crate::fhir::Instant;
use crate::source::intake::IntakeError;
use crate::store::StoreError;
use std::collections::HashSet;
use std::time::Duration;
use url::Url;

/// How often one chain waits because the server says `Retry-After`.
const MAX_WAITS: u32 = 5;
/// Longest such wait inside a chain; a longer one ends the poll, and the next comes after it.
const MAX_WAIT_MILLIS: i64 = 120_000;

/// Why polling (or asking) failed.
#[derive(Debug, thiserror::Error)]
pub enum PollError {
    /// The server or the way to it.
    #[error("{0}")]
    Client(#[from] ClientError),
    /// A page cannot be used.
    #[error("{0}; check that `fhir` is the base address of a FHIR R4 server")]
    Page(#[from] PageError),
    /// A `next` link leads back to a page of the same chain.
    #[error("a next link leads back to a page already read; the chain was left and the cursor stays before it")]
    LinkLoop,
    /// Two pages in a row hold the same versions of the same resources.
    #[error("the server sent the same page twice in a row; the chain was left and the cursor stays before it")]
    RepeatedPage,
    /// The chain was longer than allowed and its order is not certain.
    #[error(
        "the chain has more than `max_pages` = {0} pages in no certain order, so the cursor cannot move; raise `max_pages` or `page_count`"
    )]
    PageLimit(usize),
    /// The server dropped the search while it was being read (410 on a next link).
    #[error("the server dropped the search {0} times while it was being read; lower `max_pages` or raise `page_count`")]
    Expired(u32),
    /// The store could not be asked for the cursor.
    #[error("{0}")]
    Store(#[from] StoreError),
    /// The engine did not take the batch.
    #[error("{0}")]
    Intake(#[from] IntakeError),
    /// The Group or List is none.
    #[error("`members_of` does not name a Group or a List of this server")]
    Members,
    /// The patient is known by another server's address or by an identifier only.
    #[error("the patient is not a resource of this server, so it cannot be asked about them")]
    PatientElsewhere,
    /// Nothing to search for.
    #[error("the mapping names no code, so there is nothing to search for")]
    NoCodes,
}

impl PollError {
    /// The server's `Retry-After`, milliseconds from `now`.
    pub fn retry_after_millis(&self, now: Instant) -> Option<i64> {
        match self {
            Self::Client(error) => error.retry_after().map(|wish| wish.millis_from(now)),
            _ => None,
        }
    }
}

/// A search being read.
pub struct Walk<'a> {
    client: &'a FhirClient,
    resource_type: &'a str,
    /// The link to read next; a link elsewhere is an error in its turn, after its page was used.
    next: Option<Result<Url, ClientError>>,
    seen: HashSet<String>,
    last_page: Vec<(String, Option<String>)>,
    pages: usize,
    waits: u32,
    began: (Instant, tokio::time::Instant),
}

impl<'a> Walk<'a> {
    /// Begin at `first`; `now` is only used to read `Retry-After` dates.
    pub fn new(client: &'a FhirClient, resource_type: &'a str, first: Url, now: Instant) -> Self {
        Self {
            client,
            resource_type,
            next: Some(Ok(first)),
            seen: HashSet::new(),
            last_page: Vec::new(),
            pages: 0,
            waits: 0,
            began: (now, tokio::time::Instant::now()),
        }
    }

    /// Pages read so far.
    pub const fn pages(&self) -> usize {
        self.pages
    }

    /// True when the next link is the search `asked` with a place in its result added (`_skip=200`,
    /// `page=3`): then the server may work the result out anew for each page, and what is changed
    /// meanwhile moves to its end and pushes others over the edge of a page, unseen.
    pub fn counts_places(&self, asked: &Url) -> bool {
        let Some(Ok(next)) = &self.next else { return false };
        let parts: Vec<_> = next.query_pairs().collect();
        next.path() == asked.path() && asked.query_pairs().all(|part| parts.contains(&part))
    }

    /// Go on with `url` in place of the next link.
    pub fn go_on_with(&mut self, url: Url) {
        self.next = Some(Ok(url));
        // It may begin with all of the page before, when many were updated at one time.
        self.last_page.clear();
    }

    /// The next page; None at the end of the chain.
    ///
    /// # Errors
    /// Any [`PollError`]; `Expired` when a next link is no longer known to the server.
    pub async fn next_page(&mut self) -> Result<Option<Page>, PollError> {
        let Some(url) = self.next.take().transpose()? else {
            return Ok(None);
        };
        if !self.seen.insert(url.to_string()) {
            return Err(PollError::LinkLoop);
        }
        let body = self.fetch(&url).await?;
        let page = page::read(&body, self.resource_type)?;
        let keys: Vec<_> = page
            .entries
            .iter()
            .map(|entry| (entry.id.clone(), entry.version.clone()))
            .collect();
        if !keys.is_empty() && keys == self.last_page {
            return Err(PollError::RepeatedPage);
        }
        self.last_page = keys;
        self.pages += 1;
        self.next = page.next.as_deref().map(|link| self.client.link(&url, link));
        if mutated!(FirstPageOnly) {
            self.next = None;
            return Ok(Some(Page { next: None, ..page }));
        }
        Ok(Some(page))
    }

    /// GET, waiting in place while the server says how long to (a chain in no certain order would
    /// otherwise begin anew each time).
    async fn fetch(&mut self, url: &Url) -> Result<String, PollError> {
        loop {
            let error = match self.client.get(url.clone()).await {
                Ok(reply) => return Ok(reply.body),
                Err(error) => error,
            };
            match error.status() {
                // 410 where the server remembers that it dropped the search, 404 where it does not.
                Some(410 | 404) if self.pages > 0 => return Err(PollError::Expired(1)),
                Some(429 | 503) => {}
                _ => return Err(error.into()),
            }
            let (began, clock) = self.began;
            let passed = i64::try_from(clock.elapsed().as_millis()).unwrap_or(i64::MAX);
            let now = Instant::from_millis(began.millis().saturating_add(passed));
            let wait = error.retry_after().map(|wish| wish.millis_from(now));
            match wait.filter(|wait| *wait <= MAX_WAIT_MILLIS) {
                Some(wait) if self.waits < MAX_WAITS => {
                    self.waits += 1;
                    tokio::time::sleep(Duration::from_millis(u64::try_from(wait).unwrap_or(0))).await;
                }
                _ => return Err(error.into()),
            }
        }
    }
}
