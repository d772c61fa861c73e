//! The repeat guard: the same gesture from the same input, again within two seconds, is one gesture.
//!
//! The time slides: each appearance counts from the one before, so a button that is leaned on and repeats its
//! long-press message is one long press for as long as it lasts, and can never force a machine off.

use arrayvec::ArrayVec;

use super::canonical::Move;
use super::input::{GestureId, InputId};
use crate::time::{Moment, Span};

/// More different gestures than this within the time of one repeat guard are no hands at work.
const GESTURES_MAX: usize = 24;

#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub(super) struct Repeats {
    seen: ArrayVec<Seen, GESTURES_MAX>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
struct Seen {
    input: InputId,
    gesture: GestureId,
    first: Moment,
    last: Moment,
    told_stuck: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Appearance {
    New,
    Repeat,
    /// A repeat that has gone on for so long that people should be told; said once.
    Stuck,
    TooMany,
}

impl Repeats {
    pub(super) fn note(
        &mut self,
        now: Moment,
        input: InputId,
        gesture: GestureId,
        guard: Span,
        stuck_after: Span,
    ) -> Appearance {
        self.forget_old(now, guard);
        if let Some(seen) = self.seen.iter_mut().find(|seen| seen.input == input && seen.gesture == gesture) {
            seen.last = now;
            if !seen.told_stuck && now.since(seen.first) >= stuck_after {
                seen.told_stuck = true;
                return Appearance::Stuck;
            }
            return Appearance::Repeat;
        }
        let new = Seen { input, gesture, first: now, last: now, told_stuck: false };
        match self.seen.try_push(new) {
            Ok(()) => Appearance::New,
            Err(_) => Appearance::TooMany,
        }
    }

    pub(super) fn shift(&mut self, to: Move, guard: Span, stuck_after: Span) {
        for seen in &mut self.seen {
            seen.first = to.past(seen.first, stuck_after);
            seen.last = to.past(seen.last, guard);
        }
    }

    /// Drops what can no longer matter, so that equal guards compare equal.
    pub(super) fn forget_old(&mut self, now: Moment, guard: Span) {
        self.seen.retain(|seen| now.since(seen.last) < guard);
    }
}
