//! What survives a restart: lockouts, deferrals and the ids of answered events. In names, since the guard's
//! numbers mean something else after every change of the rules.

use std::collections::BTreeMap;

use crate::event::{EVENT_ID_BYTES_MAX, Name};
use crate::time::{Moment, Now, Span, WallTime};

/// An answered id is forgotten after this time: whoever sends a request again does so within seconds.
pub const ANSWERED_AGE_MAX: Span = Span::secs(24 * 3600);
/// And earlier, when there are more than this.
pub const ANSWERED_MAX: usize = 4096;

/// All that is kept of one machine. Storing it replaces what was kept before; the empty one forgets.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct KeptState {
    pub lockout: Option<KeptLockout>,
    pub deferral: Option<KeptDeferral>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptLockout {
    /// The input it came from; `unknown` when the row was damaged and the machine stays locked for safety.
    pub by: Name,
    pub emergency: bool,
}

/// A deferral with its end told twice: by the wall clock, and as the time that was left when it was stored.
/// After a restart the smaller of both holds, so a stepped clock can only shorten it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptDeferral {
    pub by: Name,
    pub expires: WallTime,
    pub remaining: Span,
}

impl KeptState {
    pub fn is_empty(&self) -> bool {
        self.lockout.is_none() && self.deferral.is_none()
    }
}

impl KeptDeferral {
    /// A deferral of the guard that expires at `expires_at`.
    pub fn until(by: Name, expires_at: Moment, now: Now) -> KeptDeferral {
        let millis = i64::try_from(expires_at.since(now.moment).millis()).unwrap_or(i64::MAX);
        let remaining = Span(millis.unsigned_abs());
        KeptDeferral { by, expires: WallTime(now.wall.0.saturating_add(millis)), remaining }
    }

    /// When the guard that takes it over now shall give it up.
    pub fn expires_at(&self, now: Now) -> Moment {
        now.moment + self.remaining_at(now.wall)
    }

    pub(super) fn remaining_at(&self, wall: WallTime) -> Span {
        let by_wall = u64::try_from(self.expires.0.saturating_sub(wall.0)).unwrap_or(0);
        Span(by_wall.min(self.remaining.millis()))
    }
}

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

    fn now(moment: u64, wall: i64) -> Now {
        Now { moment: Moment(moment), wall: WallTime(wall) }
    }

    #[test]
    fn a_deferral_is_never_prolonged_by_a_clock_that_was_set_back_or_not_set_yet() {
        let by = Name::new("schedule").unwrap();
        let kept = KeptDeferral::until(by, Moment(70_000), now(10_000, 1_000_000));
        for (wall, remaining, what) in [
            (1_020_000, 40_000, "twenty seconds of downtime count"),
            (1_060_000, 0, "over at exactly its end"),
            (9_000_000, 0, "over long ago"),
            (0, 60_000, "a clock without a battery starts at 1970"),
        ] {
            assert_eq!(kept.expires_at(now(500, wall)), Moment(500 + remaining), "{what}");
        }
    }

    #[test]
    fn long_event_ids_are_cut_between_characters() {
        let long = "é".repeat(100);
        assert_eq!(Answered::event_key(&long).len(), 128);
        assert_eq!(Answered::event_key(&format!("a{long}")).len(), 127);
        assert_eq!(Answered::event_key("7"), "7");
    }
}
