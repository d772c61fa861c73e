//! What of a machine survives a restart or a change-over. In names and wall time, since the guard's numbers and moments mean
//! something else afterwards.

use crate::event::Name;
use crate::time::{Moment, Now, Span, WallTime};

/// All that is kept of one machine. Keeping it replaces what was kept before; the empty one forgets.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct KeptState {
    pub lockout: Option<KeptLockout>,
    pub deferral: Option<KeptDeferral>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptLockout {
    /// The input it came from; `unknown` when its record was damaged and the machine stays locked for safety.
    pub by: Name,
    pub emergency: bool,
}

/// A deferral with its end told twice: by the wall clock, and as the time that was left when it was kept.
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
    /// Of a deferral that the guard gives up at `expires_at`.
    pub fn until(by: Name, expires_at: Moment, now: Now) -> KeptDeferral {
        let remaining = expires_at.since(now.moment);
        KeptDeferral { by, expires: WallTime(now.wall.0.saturating_add_unsigned(remaining.0)), remaining }
    }

    /// The wall clock may have been wrong at either end, so it can shorten what was left, never prolong it.
    pub fn remaining_at(&self, wall: WallTime) -> Span {
        let by_wall = u64::try_from(self.expires.0.saturating_sub(wall.0)).unwrap_or(0);
        Span(by_wall).min(self.remaining)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_deferral_is_never_prolonged_by_a_clock_that_was_set_back_or_not_set_yet() {
        let before = Now { moment: Moment(10_000), wall: WallTime(1_000_000) };
        let kept = KeptDeferral::until(Name::new("schedule").unwrap(), Moment(70_000), before);
        for (wall, remaining, what) in [
            (1_020_000, 40_000, "twenty seconds of downtime count"),
            (1_060_000, 0, "over at exactly its end"),
            (9_000_000, 0, "over long ago"),
            (0, 60_000, "a clock without a battery starts at 1970"),
        ] {
            assert_eq!(kept.remaining_at(WallTime(wall)), Span(remaining), "{what}");
        }
    }
}
