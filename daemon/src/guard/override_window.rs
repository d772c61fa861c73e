//! The override window: the short time after a held request in which force-off is accepted.

use super::canonical::Move;
use super::input::InputId;
use crate::time::{Moment, Span};

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct OverrideWindow {
    opened_by: InputId,
    opened_at: Moment,
    deadline: Moment,
}

impl OverrideWindow {
    /// A renewal is a new window: its deadline is counted from now, and never adds up.
    pub(super) fn open(by: InputId, now: Moment, length: Span) -> OverrideWindow {
        OverrideWindow { opened_by: by, opened_at: now, deadline: now + length }
    }

    /// Half-open: at the deadline itself it is too late.
    pub(super) fn is_open(&self, now: Moment) -> bool {
        now < self.deadline
    }

    /// Some buttons report one long press as a press and then a long press. A force by the input that opened the
    /// window, sooner than a person could have heard the warning, belongs to the gesture that opened it.
    pub(super) fn same_gesture(&self, by: InputId, now: Moment, force_not_before: Span) -> bool {
        by == self.opened_by && now.since(self.opened_at) < force_not_before
    }

    pub(super) fn moved(self, to: Move, force_not_before: Span) -> OverrideWindow {
        let opened_at = to.past(self.opened_at, force_not_before);
        OverrideWindow { opened_at, deadline: to.ahead(self.deadline), ..self }
    }

    pub fn deadline(&self) -> Moment {
        self.deadline
    }

    pub fn opened_by(&self) -> InputId {
        self.opened_by
    }
}
