//! Whether the connection for emergencies is sent what the main one is. Pure.
//!
//! Some brokers grant every subscription, and then keep back what the access list does not allow: a login that may not
//! read a red button looks like one that may. So what is said on these topics is expected over both connections, and
//! the one for emergencies may not be relied upon once it has missed something.

use std::collections::BTreeMap;
use std::sync::Arc;

use idlegate_guard::time::{Moment, Span};
use idlegate_plan::event::Message;
use idlegate_plan::topic::matches;

/// One connection may be behind the other by as much.
const WAIT: Span = Span::secs(5);
/// Topics beyond these are not compared; a shop has a few.
const TOPICS_MAX: usize = 256;

#[derive(Debug, Default)]
pub(super) struct Hearing {
    /// Where emergencies are declared.
    filters: Vec<String>,
    topics: BTreeMap<Arc<str>, Heard>,
    /// Since when it should be sent everything. Nothing while it is not connected.
    steady_since: Option<Moment>,
}

/// Of one topic.
#[derive(Debug, Default)]
struct Heard {
    /// Over the connection for emergencies.
    last: Option<Moment>,
    /// Something came over the main connection alone.
    owed: Option<Owed>,
    missed: bool,
}

#[derive(Clone, Copy, Debug)]
struct Owed {
    /// It entered the broker's stream then or later.
    entered: Moment,
    heard: Moment,
}

impl Hearing {
    pub(super) fn follow(&mut self, now: Moment, filters: Vec<String>) {
        self.topics.retain(|topic, _| filters.iter().any(|filter| matches(filter, topic)));
        self.filters = filters;
        // New subscriptions take their time.
        self.steady_since = self.steady_since.map(|_| now + WAIT);
    }

    pub(super) fn connected(&mut self, now: Moment, up: bool) {
        self.steady_since = up.then_some(now);
    }

    pub(super) fn on_main(&mut self, now: Moment, message: &Message) {
        // The store is read over the main connection alone.
        if message.retained && !message.proved {
            return;
        }
        let Some(heard) = self.of(&message.topic) else { return };
        let entered = now - message.age;
        if heard.last.is_none_or(|last| last + WAIT < entered) {
            heard.owed.get_or_insert(Owed { entered, heard: now });
        }
    }

    pub(super) fn on_emergency(&mut self, now: Moment, topic: &Arc<str>) {
        if let Some(heard) = self.of(topic) {
            *heard = Heard { last: Some(now), ..Heard::default() };
        }
    }

    fn of(&mut self, topic: &Arc<str>) -> Option<&mut Heard> {
        if !self.filters.iter().any(|filter| matches(filter, topic)) {
            return None;
        }
        let room = self.topics.len() < TOPICS_MAX || self.topics.contains_key(topic);
        room.then(|| self.topics.entry(topic.clone()).or_default())
    }

    /// A topic of which it has missed something, and has been sent nothing since.
    pub(super) fn missed(&mut self, now: Moment) -> Option<&str> {
        let steady_since = self.steady_since;
        for heard in self.topics.values_mut() {
            if let Some(owed) = heard.owed.filter(|owed| now.since(owed.heard) >= WAIT) {
                heard.owed = None;
                // What was said before it had come up nobody has kept from it.
                heard.missed |= steady_since.is_some_and(|since| since <= owed.entered);
            }
        }
        self.topics.iter().find(|(_, heard)| heard.missed).map(|(topic, _)| &**topic)
    }
}

#[cfg(test)]
mod tests {
    use bytes::Bytes;

    use super::*;

    fn message(topic: &str, age_ms: u64) -> Message {
        Message {
            topic: topic.into(),
            payload: Bytes::new(),
            retained: false,
            proved: true,
            ours: false,
            age: Span(age_ms),
            response_topic: None,
            correlation: None,
        }
    }

    fn connected() -> Hearing {
        let mut hearing = Hearing::default();
        hearing.follow(Moment(0), vec!["contacts/+".to_owned()]);
        hearing.connected(Moment(0), true);
        hearing
    }

    #[test]
    fn what_comes_over_the_main_connection_alone_was_missed_until_something_comes() {
        let mut hearing = connected();
        hearing.on_main(Moment(10_000), &message("contacts/red", 20));
        assert_eq!(hearing.missed(Moment(14_999)), None);
        assert_eq!(hearing.missed(Moment(15_000)), Some("contacts/red"));
        hearing.connected(Moment(16_000), false);
        hearing.connected(Moment(17_000), true);
        assert_eq!(hearing.missed(Moment(18_000)), Some("contacts/red"), "a new connection proves nothing");
        hearing.on_emergency(Moment(30_000), &"contacts/red".into());
        assert_eq!(hearing.missed(Moment(40_000)), None);
    }

    #[test]
    fn either_may_be_first_and_the_main_one_may_be_far_behind() {
        let mut hearing = connected();
        hearing.on_main(Moment(10_000), &message("contacts/red", 20));
        hearing.on_emergency(Moment(14_000), &"contacts/red".into());
        hearing.on_emergency(Moment(20_000), &"contacts/door".into());
        hearing.on_main(Moment(60_000), &message("contacts/door", 40_100));
        assert_eq!(hearing.missed(Moment(90_000)), None);
    }

    #[test]
    fn nobody_has_missed_what_was_stored_or_said_elsewhere_or_while_it_was_not_there() {
        let mut hearing = connected();
        let stored = Message { retained: true, proved: false, ..message("contacts/red", 20) };
        hearing.on_main(Moment(10_000), &stored);
        hearing.on_main(Moment(10_000), &message("meters/mill", 20));
        assert_eq!(hearing.missed(Moment(20_000)), None);
        hearing.connected(Moment(21_000), false);
        hearing.on_main(Moment(22_000), &message("contacts/red", 20));
        assert_eq!(hearing.missed(Moment(30_000)), None);
        hearing.connected(Moment(31_000), true);
        hearing.on_main(Moment(32_000), &message("contacts/red", 1_100));
        assert_eq!(hearing.missed(Moment(40_000)), None, "it may have been said before");
    }

    #[test]
    fn other_rules_forget_topics_that_are_no_longer_theirs() {
        let mut hearing = connected();
        hearing.on_main(Moment(10_000), &message("contacts/red", 20));
        assert!(hearing.missed(Moment(15_000)).is_some());
        hearing.follow(Moment(16_000), vec!["buttons/red".to_owned()]);
        assert_eq!(hearing.missed(Moment(17_000)), None);
    }
}
