//! The side that a panel states for its members.

use crate::patient::state::State;
use crate::recognise::Side;
use std::cell::OnceCell;
use std::collections::HashMap;

/// Sides that panels state for their members; looked for only when a reading states none itself.
pub(super) struct Sides<'s> {
    state: &'s State,
    by_member: OnceCell<HashMap<&'s str, Side>>,
}

impl<'s> Sides<'s> {
    /// Of all slots of one patient.
    pub(super) fn of(state: &'s State) -> Self {
        Self {
            state,
            by_member: OnceCell::new(),
        }
    }

    /// The side of a source; a member that two panels put on different sides gets none.
    pub(super) fn stated_for(&self, source: &str) -> Option<Side> {
        let by_member = self.by_member.get_or_init(|| sides_of_members(self.state));
        by_member.get(source).copied()
    }
}

fn sides_of_members(state: &State) -> HashMap<&str, Side> {
    let mut sides: HashMap<&str, Side> = HashMap::new();
    for slot in state.slots.values().map(AsRef::as_ref) {
        if slot.members_side == Side::Unstated || slot.withdrawn.is_some() {
            continue;
        }
        for member in &slot.members {
            sides
                .entry(member)
                .and_modify(|side| {
                    if *side != slot.members_side {
                        *side = Side::Unstated;
                    }
                })
                .or_insert(slot.members_side);
        }
    }
    sides
}
