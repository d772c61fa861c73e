//! Emergencies that whoever guards has not answered yet.
//!
//! A press is kept until its answer is heard, or for a minute: by then somebody has pulled the plug, or pressed again.

use std::collections::VecDeque;

use crate::engine::emergency_topics;
use crate::event::{Message, Name};
use crate::plan::Plan;
use crate::time::{Moment, Now, Span};
use crate::topic;

const KEPT_FOR: Span = Span::secs(60);
/// A flood drops the newest: the first press is the one that counts.
const KEPT_MAX: usize = 64;

#[derive(Debug, Default)]
pub(super) struct Presses {
    /// Filter and input.
    inputs: Vec<(String, Name)>,
    kept: VecDeque<Press>,
}

#[derive(Debug)]
struct Press {
    input: Name,
    /// It was made then or later.
    since: Moment,
    message: Message,
}

impl Presses {
    pub(super) fn follow(&mut self, plan: &Plan) {
        self.inputs = emergency_topics(plan);
    }

    pub(super) fn filters(&self) -> impl Iterator<Item = &str> {
        self.inputs.iter().map(|(filter, _)| filter.as_str())
    }

    /// Whether it is one of an emergency input's.
    pub(super) fn hear(&mut self, now: Moment, message: &Message) -> bool {
        self.forget_old(now);
        let mut heard = false;
        for (filter, input) in &self.inputs {
            if !topic::matches(filter, &message.topic) {
                continue;
            }
            heard = true;
            if self.kept.len() < KEPT_MAX {
                let since = now - message.age;
                self.kept.push_back(Press { input: input.clone(), since, message: message.clone() });
            }
        }
        heard
    }

    /// Whoever guards has decided on something that this input asked.
    pub(super) fn answered(&mut self, input: &str) {
        self.kept.retain(|press| press.input.as_str() != input);
    }

    /// Those that nobody answered, each once, as old as they are now.
    pub(super) fn take(&mut self, now: Now) -> Vec<Message> {
        self.forget_old(now.moment);
        let mut taken: Vec<Message> = Vec::new();
        for Press { since, message, .. } in self.kept.drain(..) {
            let message = Message { age: now.moment.since(since), ..message };
            // One message may belong to several inputs; the engine finds them all by itself.
            if taken.last() != Some(&message) {
                taken.push(message);
            }
        }
        taken
    }

    fn forget_old(&mut self, now: Moment) {
        self.kept.retain(|press| now.since(press.since) < KEPT_FOR);
    }
}

#[cfg(test)]
mod tests {
    use bytes::Bytes;

    use super::*;

    fn presses() -> Presses {
        let input = |name: &str| Name::new(name).unwrap();
        let inputs =
            vec![("contacts/red".to_owned(), input("red")), ("contacts/door".to_owned(), input("door"))];
        Presses { inputs, kept: VecDeque::new() }
    }

    fn press(topic: &str) -> Message {
        Message {
            topic: topic.into(),
            payload: Bytes::from_static(b"open"),
            retained: false,
            proved: true,
            age: Span(20),
            response_topic: None,
            correlation: None,
        }
    }

    fn now(moment: u64) -> Now {
        Now { moment: Moment(moment), ..Now::default() }
    }

    #[test]
    fn a_press_that_nobody_answered_is_taken_as_old_as_it_is() {
        let mut presses = presses();
        assert!(presses.hear(Moment(1_000), &press("contacts/red")));
        assert!(!presses.hear(Moment(1_000), &press("meters/mill")));
        let taken = presses.take(now(1_500));
        assert_eq!(taken, [Message { age: Span(520), ..press("contacts/red") }]);
        assert_eq!(presses.take(now(1_500)), [], "and only once");
    }

    #[test]
    fn an_answer_is_for_its_own_input() {
        let mut presses = presses();
        presses.hear(Moment(1_000), &press("contacts/red"));
        presses.hear(Moment(1_000), &press("contacts/door"));
        presses.answered("red");
        assert_eq!(presses.take(now(1_000)).len(), 1);
    }

    #[test]
    fn an_old_press_is_forgotten() {
        let mut presses = presses();
        presses.hear(Moment(1_000), &press("contacts/red"));
        assert_eq!(presses.take(now(61_000)), []);
    }
}
