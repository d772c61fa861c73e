//! What an earlier run left behind: lockouts, deferrals and the ids of answered events.

use std::collections::BTreeMap;

use crate::event::{EVENT_ID_BYTES_MAX, Name};
use crate::kept::{KeptLockout, KeptState};
use crate::time::{Span, WallTime};

/// An answered id is forgotten after this time: whoever sends a request again does so within seconds.
pub const ANSWERED_AGE_MAX: Span = Span::secs(24 * 3600);
/// And earlier, when there are more than this.
pub const ANSWERED_MAX: usize = 4096;

/// An event of a sender that numbers its events, and what was answered. The same one is never acted on twice.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answered {
    pub input: Name,
    /// The sender's own id of the event.
    pub event: String,
    /// The word of the decision.
    pub decision: String,
    pub at: WallTime,
}

impl Answered {
    pub fn new(input: Name, event: &str, decision: &str, at: WallTime) -> Answered {
        Answered { input, event: Answered::event_key(event).to_owned(), decision: decision.to_owned(), at }
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

/// What an earlier run left behind.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Restored {
    pub kept: BTreeMap<Name, KeptState>,
    /// Oldest first.
    pub answered: Vec<Answered>,
    /// Why something may be missing or stricter than it was: people should look at their lockouts.
    pub doubt: Option<String>,
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
    let by = Name::new("unknown").expect("a plain word is a name");
    KeptState { lockout: Some(KeptLockout { by, emergency: false }), deferral: None }
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
