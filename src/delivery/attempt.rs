//! What came of trying one entry.

use super::bundle::EntryAnswer;
use super::error::ClientError;
use crate::fhir::Instant;
use crate::outbox::answer::{self, Meaning};

/// What came of trying one entry.
#[derive(Clone, Debug)]
pub(super) enum Attempt {
    Done {
        status: u16,
        remote: Option<String>,
    },
    Failed {
        meaning: Meaning,
        told: String,
        /// As `told`, without patient data: for logs and status.
        neutral: String,
        retry_after_millis: Option<i64>,
        /// The entry's own failure: the server as a whole was well.
        own: bool,
    },
    /// The server was found unwell before this entry's turn.
    NotTried,
}

impl Attempt {
    pub(super) fn failed(error: &ClientError, now: Instant) -> Self {
        if mutated!(TimeoutIsDelivered) && matches!(error, ClientError::Timeout { .. }) {
            return Self::Done {
                status: 200,
                remote: None,
            };
        }
        let meaning = match error {
            ClientError::Timeout { .. } | ClientError::Unreachable(_) => Meaning::Retry,
            ClientError::Refused { status, outcome, .. } => answer::meaning(*status, *outcome),
            // A page instead of FHIR, another origin: the way to the server must be mended.
            ClientError::NotFhir { .. } | ClientError::Origin { .. } | ClientError::Setup(_) => Meaning::Mend,
            // The write may have been done; repeating a conditional write is harmless.
            ClientError::TooLarge { .. } | ClientError::Malformed(_) | ClientError::Address => Meaning::Retry,
        };
        Self::Failed {
            meaning,
            told: error.told(),
            neutral: error.to_string(),
            retry_after_millis: error.retry_after().map(|wish| wish.millis_from(now)),
            own: match error {
                // A gateway's words, or a sign-in page: the way to the server, for every entry alike.
                ClientError::Refused {
                    status, outcome: false, ..
                } => *status == 403 || meaning == Meaning::Retry && !answer::is_outage(*status),
                error => !is_outage(error),
            },
        }
    }

    pub(super) fn of_entry(answer: EntryAnswer) -> Self {
        let EntryAnswer {
            status,
            outcome,
            told,
            remote,
            resource: _,
        } = answer;
        match answer::meaning(status, outcome) {
            Meaning::Delivered => Self::Done { status, remote },
            meaning => Self::Failed {
                meaning,
                told: answer::shorten(&format!("{status}: {told}")),
                neutral: format!("the server answered {status} for an entry of a transaction"),
                retry_after_millis: None,
                own: !answer::is_outage(status),
            },
        }
    }
}

/// True when nothing more should be tried on this server now.
pub(super) fn is_outage(error: &ClientError) -> bool {
    match error {
        ClientError::Timeout { .. } | ClientError::Unreachable(_) | ClientError::NotFhir { .. } => true,
        ClientError::Refused { status, .. } => answer::is_outage(*status),
        _ => false,
    }
}
