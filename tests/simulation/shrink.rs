//! A failing history made as short as it still fails: calmer first, then fewer events.

use crate::history::{Event, History, Says, Troubles, What};
use crate::run::run;

/// Runs that shrinking may take.
const RUNS: usize = 600;

pub fn shrink(history: &History) -> History {
    let mut shrinking = Shrinking {
        best: history.clone(),
        left: RUNS,
    };
    shrinking.calm();
    shrinking.drop_events();
    shrinking.calm();
    shrinking.best
}

struct Shrinking {
    best: History,
    left: usize,
}

impl Shrinking {
    /// Keep `candidate` when it fails, too.
    fn try_out(&mut self, candidate: History) -> bool {
        if self.left == 0 {
            return false;
        }
        self.left -= 1;
        let fails = !run(&candidate).wrong.is_empty();
        if fails {
            self.best = candidate;
        }
        fails
    }

    fn change(&mut self, change: impl FnOnce(&mut History)) {
        let mut candidate = self.best.clone();
        change(&mut candidate);
        self.try_out(candidate);
    }

    fn calm(&mut self) {
        self.change(|history| history.troubles = Troubles::default());
        self.change(|history| history.troubles.network = 0);
        self.change(|history| history.troubles.disk = 0);
        self.change(|history| history.troubles.crash = 0);
        self.change(|history| history.troubles.lost_reply = 0);
        self.change(|history| history.asks = false);
        self.change(|history| history.people = false);
        self.change(|history| history.method_order.clear());
        self.change(|history| history.page_count = 200);
        self.change(|history| history.stamp_millis = 1);
        self.change(|history| history.abilities.transaction = true);
        self.change(|history| history.abilities.conditions = true);
    }

    /// Half of the events, a quarter, … down to one.
    fn drop_events(&mut self) {
        let mut size = self.best.events.len().div_ceil(2);
        while size > 0 {
            let mut from = 0;
            while from < self.best.events.len() {
                let mut candidate = self.best.clone();
                let to = (from + size).min(candidate.events.len());
                candidate.events.drain(from..to);
                if !self.try_out(candidate) {
                    from += size;
                }
            }
            size = if size == 1 { 0 } else { size.div_ceil(2) };
        }
    }
}

/// A history as a person reads it.
pub fn told(history: &History) -> String {
    let History {
        seed,
        method_order,
        asks,
        people,
        page_count,
        stamp_millis,
        abilities,
        troubles,
        events,
    } = history;
    let mut text = format!(
        "seed {seed}, method order {method_order:?}, asks {asks}, people {people}, pages of {page_count}, stamps of {stamp_millis} ms, {abilities:?}, {troubles:?}"
    );
    for event in events {
        text.push_str("\n  ");
        text.push_str(&line(event));
    }
    text
}

fn line(event: &Event) -> String {
    let Event {
        minute,
        wait_millis,
        what,
    } = event;
    let what = match what {
        What::ClockWrong(minutes) => format!("the service's clock is wrong by {minutes} minutes"),
        What::Again { source, way } => format!("{source} again ({way:?})"),
        What::Write {
            source,
            way,
            says,
            late,
        } => {
            let late = if *late { ", late" } else { "" };
            let says = match says {
                Says::Error(_) => String::from("entered-in-error"),
                Says::Deleted => String::from("deleted"),
                Says::Fact(fact) => format!(
                    "{:?} {}{} {} at second {} by {:?} of {}{}{}",
                    fact.measures,
                    fact.comparator,
                    fact.value,
                    fact.unit,
                    fact.second,
                    fact.how,
                    fact.patient,
                    fact.identifier
                        .map(|number| format!(", identifier {number}"))
                        .unwrap_or_default(),
                    if fact.corrected { ", corrected" } else { "" },
                ),
            };
            format!("{source} ({way:?}{late}): {says}")
        }
    };
    format!("minute {minute}, after {wait_millis} ms: {what}")
}
