//! A contact that is pushed says so over both connections to the broker; it is one push.
//!
//! The main connection brings every position of a contact, in order, and the other one only brings pushes forward. Each
//! push is paired with its copy by number: one that comes over a connection that is behind is the copy, if it can have
//! entered that stream before the first was here. So a slow copy behind a release is no second push.

use idlegate_guard::time::{Moment, Span};
use idlegate_plan::event::Line;

/// Which connection has brought more pushes, how many more, and when it brought the last.
#[derive(Clone, Debug, Default)]
pub(super) struct Pushes {
    line: Line,
    more: u32,
    last: Option<Moment>,
}

impl Pushes {
    pub(super) fn is_copy(&mut self, now: Moment, line: Line, age: Span) -> bool {
        if self.is_owed(now, line, age) {
            self.more -= 1;
            return true;
        }
        if self.line != line {
            (self.line, self.more) = (line, 0);
        }
        self.more = self.more.saturating_add(1);
        self.last = Some(now);
        false
    }

    /// Whether what comes over this connection may be older than a push that came over the other.
    pub(super) fn is_owed(&self, now: Moment, line: Line, age: Span) -> bool {
        self.line != line && self.more > 0 && self.last.is_some_and(|last| now - age <= last)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use Line::{Emergency, Main};

    #[test]
    fn every_push_has_one_copy() {
        for [first, second] in [[Main, Emergency], [Emergency, Main]] {
            let mut pushes = Pushes::default();
            assert!(!pushes.is_copy(Moment(1_000), first, Span(20)));
            assert!(!pushes.is_copy(Moment(1_500), first, Span(20)));
            assert!(pushes.is_copy(Moment(2_000), second, Span(1_100)));
            assert!(pushes.is_copy(Moment(2_000), second, Span(600)));
            assert!(!pushes.is_copy(Moment(2_000), second, Span(600)), "{first:?}");
        }
    }

    #[test]
    fn what_entered_after_the_push_was_here_is_no_copy_of_it() {
        let mut pushes = Pushes::default();
        assert!(!pushes.is_copy(Moment(1_000), Main, Span(20)));
        assert!(!pushes.is_copy(Moment(1_600), Emergency, Span(500)));
        assert!(pushes.is_copy(Moment(1_650), Main, Span(500)));
    }
}
