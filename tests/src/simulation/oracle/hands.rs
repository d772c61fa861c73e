//! What hands can do. Of what an input sends beyond that, a program may leave any part unanswered: so much at once
//! comes from an input gone mad, or has waited while the program stood still.

use std::collections::VecDeque;

use idlegate_guard::RequestKind;
use idlegate_guard::time::{Moment, Span};

/// So many gestures of one kind at one input within this time are still a person's.
const HANDS_MAX: usize = 40;
const WITHIN: Span = Span::secs(2);

#[derive(Debug, Default)]
pub(super) struct Hands(Vec<(&'static str, RequestKind, VecDeque<Moment>)>);

impl Hands {
    /// Whether this one, added to those just before it, is more than hands can do.
    pub(super) fn exceeded(&mut self, now: Moment, input: &'static str, kind: RequestKind) -> bool {
        let at = self.0.iter().position(|(by, what, _)| *by == input && *what == kind);
        let at = at.unwrap_or_else(|| {
            self.0.push((input, kind, VecDeque::new()));
            self.0.len() - 1
        });
        let recent = &mut self.0[at].2;
        recent.push_back(now);
        while recent.front().is_some_and(|first| now.since(*first) > WITHIN) {
            recent.pop_front();
        }
        recent.len() > HANDS_MAX
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_input_has_hands_of_its_own_and_they_rest() {
        let mut hands = Hands::default();
        let mut press = |millis, input| hands.exceeded(Moment(millis), input, RequestKind::ForceOff);
        assert!((0..40).all(|_| !press(1_000, "bench-button")));
        assert!(press(1_000, "bench-button"));
        assert!(!press(1_000, "mill-button"));
        assert!(!press(9_000, "bench-button"));
    }
}
