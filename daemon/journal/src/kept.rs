//! What an earlier run left behind: lockouts, deferrals and the ids of answered events.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::Arc;

use idlegate_guard::time::WallTime;
use idlegate_plan::answered::NewestIds;
use idlegate_plan::event::{EVENT_ID_BYTES_MAX, Name};
use idlegate_plan::kept::{KeptLockout, KeptState};

/// An event of a sender that numbers its events, and what was answered. The same one is never acted on twice.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answered {
    pub input: Name,
    /// The sender's own id of the event.
    pub event: Arc<str>,
    /// The word of the decision.
    pub decision: Cow<'static, str>,
    pub at: WallTime,
}

impl Answered {
    pub fn new(input: Name, event: &Arc<str>, decision: &'static str, at: WallTime) -> Answered {
        let key = Answered::event_key(event);
        let event = if key.len() == event.len() { event.clone() } else { key.into() };
        Answered { input, event, decision: decision.into(), at }
    }

    /// The id as it is stored and must be compared: bounded.
    pub fn event_key(event: &str) -> &str {
        let mut end = event.len().min(EVENT_ID_BYTES_MAX);
        while !event.is_char_boundary(end) {
            end -= 1;
        }
        &event[..end]
    }
}

/// Of each input the newest, with the word of the decision.
pub(super) type AnsweredIds = NewestIds<(Cow<'static, str>, WallTime)>;

pub(super) fn put_answered(ids: &mut AnsweredIds, answered: &Answered) {
    ids.put(&answered.input, &answered.event, (answered.decision.clone(), answered.at));
}

pub(super) fn list_answered(ids: &AnsweredIds) -> Vec<Answered> {
    let each = ids.iter().map(|(input, event, (decision, at))| Answered {
        input: input.clone(),
        event: event.clone(),
        decision: decision.clone(),
        at: *at,
    });
    each.collect()
}

/// What an earlier run left behind.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Restored {
    pub kept: BTreeMap<Name, KeptState>,
    /// Of each input the oldest first.
    pub answered: Vec<Answered>,
    /// Why something may be missing or stricter than it was: people should look at their lockouts.
    pub doubt: Option<String>,
    /// Nobody knows any more which machines were locked: neither the journal nor its second copy can be relied on.
    pub in_doubt: bool,
    /// The journal was damaged, and its second copy is sound.
    pub saved_by_copy: bool,
}

impl Restored {
    pub fn is_empty(&self) -> bool {
        self.kept.is_empty() && self.answered.is_empty() && self.doubt.is_none()
    }

    pub(super) fn add_doubt(&mut self, why: impl Into<String>) {
        self.doubt.get_or_insert_with(|| why.into());
    }
}

/// A damaged row of the kept state: locked, since an open lockout would be the worse mistake.
pub(super) fn locked_for_safety() -> KeptState {
    KeptState::locked(KeptLockout::in_doubt())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_event_ids_are_cut_between_characters() {
        let long = "é".repeat(100);
        assert_eq!(Answered::event_key(&long).len(), 128);
        assert_eq!(Answered::event_key(&format!("a{long}")).len(), 127);
        assert_eq!(Answered::event_key("7"), "7");
    }
}
