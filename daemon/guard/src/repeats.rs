//! The repeat guard: the same gesture from the same input, again within two seconds, is one gesture.
//!
//! The time slides: each appearance counts from the one before, so a button that is leaned on and repeats its
//! long-press message is one long press for as long as it lasts, and can never force a machine off.

use arrayvec::ArrayVec;

use super::canonical::Move;
use super::input::{GestureId, InputId, Request};
use super::locks::Person;
use crate::time::{Moment, Span};

/// More different gestures of one input than this within the time of one repeat guard are no hands at work.
const OF_ONE_INPUT_MAX: usize = 24;
/// And of all inputs together. When they are as many, it is one of the input with the most that gives way.
const GESTURES_MAX: usize = 48;

#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub(super) struct Repeats {
    seen: ArrayVec<Seen, GESTURES_MAX>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
struct Seen {
    input: InputId,
    person: Person,
    gesture: GestureId,
    first: Moment,
    last: Moment,
    told_stuck: bool,
    told_let_go: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Appearance {
    New,
    Repeat,
    /// It has come again and again for longer than one gesture lasts; said once.
    Restless,
    /// A repeat that has gone on for so long that people should be told; said once.
    Stuck,
    TooMany,
}

impl Repeats {
    pub(super) fn note(
        &mut self,
        now: Moment,
        request: &Request,
        guard: Span,
        stuck_after: Span,
    ) -> Appearance {
        self.forget_old(now, guard);
        let Request { input, person, gesture, .. } = *request;
        let same = |seen: &&mut Seen| (seen.input, seen.person, seen.gesture) == (input, person, gesture);
        if let Some(seen) = self.seen.iter_mut().find(same) {
            seen.last = now;
            if !seen.told_stuck && now.since(seen.first) >= stuck_after {
                seen.told_stuck = true;
                return Appearance::Stuck;
            }
            // Once more may be a bounce or a doubled message; for that long it is somebody who tries, or something that
            // leans.
            if !seen.told_let_go && now.since(seen.first) >= guard {
                seen.told_let_go = true;
                return Appearance::Restless;
            }
            return Appearance::Repeat;
        }
        let of_input = self.of(input);
        if of_input >= OF_ONE_INPUT_MAX || self.seen.is_full() && !self.make_room(of_input) {
            return Appearance::TooMany;
        }
        let new =
            Seen { input, person, gesture, first: now, last: now, told_stuck: false, told_let_go: false };
        self.seen.push(new);
        Appearance::New
    }

    fn of(&self, input: InputId) -> usize {
        self.seen.iter().filter(|seen| seen.input == input).count()
    }

    /// For an input that has so many places: an input with more of them gives one up, its oldest. So no flood of one
    /// takes a place from another.
    fn make_room(&mut self, of_newcomer: usize) -> bool {
        let fullest = self.seen.iter().map(|seen| (self.of(seen.input), seen.input)).max();
        let Some((_, input)) = fullest.filter(|(places, _)| *places > of_newcomer + 1) else { return false };
        let of_input = self.seen.iter().enumerate().filter(|(_, seen)| seen.input == input);
        let oldest = of_input.min_by_key(|(_, seen)| seen.last).map(|(at, _)| at);
        oldest.map(|at| self.seen.remove(at)).is_some()
    }

    pub(super) fn shift(&mut self, to: Move, guard: Span, stuck_after: Span) {
        for seen in &mut self.seen {
            seen.first = to.past(seen.first, stuck_after.max(guard));
            seen.last = to.past(seen.last, guard);
        }
    }

    /// Drops what can no longer matter, so that equal guards compare equal.
    pub(super) fn forget_old(&mut self, now: Moment, guard: Span) {
        self.seen.retain(|seen| now.since(seen.last) < guard);
    }
}
