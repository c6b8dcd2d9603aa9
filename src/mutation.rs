//! Deliberate mistakes, to prove that the simulation finds them (`tests/simulation`). A mistake is
//! switched on for one thread and only with the feature `mutations`; without it `mutated!` is the
//! constant `false` and leaves nothing behind.

/// True when the named mistake is switched on.
#[cfg(feature = "mutations")]
macro_rules! mutated {
    ($name:ident) => {
        $crate::mutation::is_on($crate::mutation::Mutation::$name)
    };
}

/// True when the named mistake is switched on: never, without the feature `mutations`.
#[cfg(not(feature = "mutations"))]
macro_rules! mutated {
    ($name:ident) => {
        false
    };
}

#[cfg(feature = "mutations")]
pub use switched::{Mutation, is_on, switch};

#[cfg(feature = "mutations")]
mod switched {
    use std::cell::Cell;

    /// The mistakes.
    macro_rules! mutations {
        ($($(#[$doc:meta])* $name:ident,)*) => {
            /// A mistake that can be switched on.
            #[derive(Clone, Copy, Debug, PartialEq, Eq)]
            pub enum Mutation {
                $($(#[$doc])* $name,)*
            }

            impl Mutation {
                /// Every mistake.
                pub const ALL: &[Self] = &[$(Self::$name,)*];
            }
        };
    }

    mutations! {
        /// A delta of exactly the threshold is not low.
        ThresholdExclusive,
        /// Of two diastolics as near, the earlier counts.
        TieEarlier,
        /// The window for a diastolic is a minute longer.
        WindowLonger,
        /// The preferred method of the sheet is not looked at.
        MethodIgnored,
        /// A delta of half a mmHg is rounded away from the alert.
        RoundedAway,
        /// A compartment reading is carried for ever.
        CarriedForEver,
        /// One measurement under two ids counts twice.
        DuplicatesKept,
        /// A left leg is a right one.
        LeftIsRight,
        /// That the ground of a message fell away is not told.
        WithdrawalForgotten,
        /// entered-in-error changes nothing.
        ErrorIgnored,
        /// What was derived from a reading that is gone goes on standing.
        RetractionForgotten,
        /// Exactly two hours are not sustained.
        SustainedExclusive,
        /// A stale diastolic helps to close a concern.
        StaleCloses,
        /// One good reading closes a concern.
        OneReadingCloses,
        /// "At most" and "at least" are read as exact.
        BoundIgnored,
        /// The cursor moves in a commit of its own, before the readings.
        CursorBeforeCommit,
        /// The outbox is written in a commit of its own, after the readings.
        OutboxAfterCommit,
        /// A batch is acknowledged though the commit failed.
        AcknowledgedUncommitted,
        /// A poll begins at the cursor, without looking behind it.
        NoOverlap,
        /// Only the first page of a search is read.
        FirstPageOnly,
        /// The identifier of a message does not count which one it is.
        MessageUncounted,
        /// A repeated attempt is made under another identifier.
        RetryRenamed,
        /// A message is created without its condition.
        CreatedUnconditionally,
        /// No answer is taken for a good answer.
        TimeoutIsDelivered,
    }

    thread_local! {
        static ON: Cell<Option<Mutation>> = const { Cell::new(None) };
    }

    /// Switch a mistake on for this thread, in the place of any other; None: none.
    pub fn switch(mutation: Option<Mutation>) {
        ON.set(mutation);
    }

    /// Is it switched on?
    pub fn is_on(mutation: Mutation) -> bool {
        ON.get() == Some(mutation)
    }
}
