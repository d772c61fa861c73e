//! What the broker is asked for, what it granted, and which copy of a message counts. Pure.
//!
//! A message on a topic that two of our filters share may come once for each of them. Every filter is asked for
//! with a number of its own, which the broker puts on each copy; the copy of the first filter that matches
//! counts, filters of states before those of inputs, and the others are dropped.

use std::collections::{BTreeMap, VecDeque};

use super::Purpose;
use super::barrier::Markers;
use idlegate_plan::topic::{Filter, matches};

/// So many requests may be without an answer; few, since the client library gives out packet ids in turn.
const ASKED_MAX: usize = 4;

#[derive(Debug)]
pub(super) struct Subscriptions {
    /// Our own markers: always wanted, and asked for first.
    marker: Filter,
    wanted: BTreeMap<Filter, Purpose>,
    to_ask: VecDeque<Step>,
    asked: VecDeque<Asked>,
    granted: BTreeMap<Filter, Granted>,
    /// Those of them with wildcards, which are few: only these can share topics with others.
    wild: BTreeMap<Filter, Granted>,
    /// Refused by the broker: not asked for again on this connection.
    refused: BTreeMap<Filter, Purpose>,
    next_number: usize,
}

/// What is to be asked of the broker next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Step {
    Subscribe { filter: Filter, kind: Purpose, number: usize },
    Unsubscribe { filter: Filter },
}

impl Step {
    fn is_for(&self, wanted: &Filter, wanted_kind: Purpose) -> bool {
        match self {
            Step::Subscribe { filter, kind, .. } => filter == wanted && *kind == wanted_kind,
            Step::Unsubscribe { .. } => false,
        }
    }
}

#[derive(Debug)]
struct Asked {
    step: Step,
    /// Known once the client library has sent it.
    packet: Option<u16>,
}

#[derive(Clone, Copy, Debug)]
struct Granted {
    kind: Purpose,
    number: usize,
    /// Whatever the broker had in store for it was on its way before any later marker.
    after: Markers,
}

/// The broker's answer belongs to nothing that was asked.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Unasked;

impl Subscriptions {
    pub(super) fn new(marker: Filter) -> Subscriptions {
        Subscriptions {
            marker,
            wanted: BTreeMap::new(),
            to_ask: VecDeque::new(),
            asked: VecDeque::new(),
            granted: BTreeMap::new(),
            wild: BTreeMap::new(),
            refused: BTreeMap::new(),
            next_number: 0,
        }
    }

    /// From now on these are wanted; they must be normalised.
    pub(super) fn want(&mut self, wanted: &[(Filter, Purpose)]) {
        self.wanted = wanted.iter().cloned().collect();
        self.wanted.insert(self.marker.clone(), Purpose::Input);
        self.refused.clear();
        self.plan();
    }

    /// New filters first, so that no topic both sets share is missed in between.
    fn plan(&mut self) {
        self.to_ask.clear();
        let mut new: Vec<(Filter, Purpose)> = self
            .wanted
            .iter()
            .filter(|(filter, kind)| {
                // What reads the store as well brings the live ones all the same, and asking again might open it again.
                let granted = self.granted.get(filter).is_some_and(|granted| granted.kind >= **kind);
                let asked = self.asked.iter().any(|asked| asked.step.is_for(filter, **kind));
                !granted && !asked && self.refused.get(filter) != Some(kind)
            })
            .map(|(filter, kind)| (filter.clone(), *kind))
            .collect();
        new.sort_by_key(|(filter, kind)| (*filter != self.marker, std::cmp::Reverse(*kind)));
        for (filter, kind) in new {
            self.next_number += 1;
            self.to_ask.push_back(Step::Subscribe { filter, kind, number: self.next_number });
        }
        let gone = self.granted.keys().filter(|filter| !self.wanted.contains_key(*filter));
        self.to_ask.extend(gone.map(|filter| Step::Unsubscribe { filter: filter.clone() }));
    }

    /// The next thing to ask, as long as not too much is unanswered.
    pub(super) fn next(&mut self, window: usize) -> Option<Step> {
        if self.asked.len() >= window.min(ASKED_MAX) {
            return None;
        }
        let step = self.to_ask.pop_front()?;
        self.asked.push_back(Asked { step: step.clone(), packet: None });
        Some(step)
    }

    /// The client library has sent the oldest request it had, under this packet id.
    pub(super) fn sent(&mut self, packet: u16) {
        if let Some(asked) = self.asked.iter_mut().find(|asked| asked.packet.is_none()) {
            asked.packet = Some(packet);
        }
    }

    /// The broker has answered. The filter, when it was refused.
    pub(super) fn answered(
        &mut self,
        packet: u16,
        granted: bool,
        after: Markers,
    ) -> Result<Option<Filter>, Unasked> {
        let at = self.asked.iter().position(|asked| asked.packet == Some(packet)).ok_or(Unasked)?;
        let asked = self.asked.remove(at).ok_or(Unasked)?;
        let refused = match asked.step {
            Step::Subscribe { filter, kind, number } if granted => {
                let granted = Granted { kind, number, after };
                if filter.as_str().contains(['+', '#']) {
                    self.wild.insert(filter.clone(), granted);
                }
                self.granted.insert(filter, granted);
                None
            }
            Step::Subscribe { filter, kind, .. } => {
                self.refused.insert(filter.clone(), kind);
                Some(filter)
            }
            Step::Unsubscribe { filter } => {
                self.granted.remove(&filter);
                self.wild.remove(&filter);
                None
            }
        };
        // The wishes may have changed while this was on its way.
        if self.to_ask.is_empty() && self.asked.is_empty() {
            self.plan();
        }
        Ok(refused)
    }

    /// Whether a message on this topic, which came by the subscriptions of these numbers and entered the broker's
    /// stream behind so many of our markers, cannot come from the store that a subscription opens: all that was stored
    /// for one of them had come.
    ///
    /// Nothing here trusts the broker to leave its store closed to those who ask it to: some open it to every
    /// subscription. What is stored comes by the subscription that has opened the store, and by no other. A broker
    /// without numbers leaves nothing to tell that by; there a new filter makes the whole topic wait.
    pub(super) fn proved(&self, topic: &str, numbers: &[usize], behind: Markers) -> bool {
        let mut matching = self.matching(topic).peekable();
        if numbers.is_empty() {
            return matching.peek().is_some() && matching.all(|granted| granted.after < behind);
        }
        matching.any(|granted| numbers.contains(&granted.number) && granted.after < behind)
    }

    /// Whether the broker has promised to let us hear this topic.
    pub(super) fn is_granted(&self, topic: &str) -> bool {
        self.matching(topic).next().is_some()
    }

    fn matching(&self, topic: &str) -> impl Iterator<Item = Granted> {
        let exact = Filter::new(topic).ok().and_then(|filter| self.granted.get(&filter)).copied();
        let wild = self.wild.iter().filter(move |(filter, _)| matches(filter.as_str(), topic));
        wild.map(|(_, granted)| *granted).chain(exact)
    }

    /// Everything wanted has been answered, one way or the other.
    pub(super) fn settled(&self) -> bool {
        self.to_ask.is_empty() && self.asked.is_empty()
    }

    /// Whether this copy of a message, which came by the subscriptions of these numbers, is the one that counts.
    pub(super) fn counts(&self, topic: &str, numbers: &[usize]) -> bool {
        // A broker that puts no numbers on messages leaves us nothing to tell copies by.
        if numbers.is_empty() {
            return true;
        }
        let first =
            self.matching(topic).map(|granted| (std::cmp::Reverse(granted.kind), granted.number)).min();
        first.is_none_or(|(_, number)| numbers.contains(&number))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn set(wanted: &[(&str, Purpose)]) -> Vec<(Filter, Purpose)> {
        wanted.iter().map(|(filter, kind)| (Filter::new(filter).unwrap(), *kind)).collect()
    }

    fn new() -> Subscriptions {
        Subscriptions::new(Filter::new("m").unwrap())
    }

    /// Plays a broker that grants everything; what it was asked, in order.
    fn grant_all(subscriptions: &mut Subscriptions) -> Vec<String> {
        let mut asked = Vec::new();
        let mut packet = 0;
        while let Some(step) = subscriptions.next(4) {
            packet += 1;
            asked.push(match step {
                Step::Subscribe { filter, number, .. } => format!("+{filter} {number}"),
                Step::Unsubscribe { filter } => format!("-{filter}"),
            });
            subscriptions.sent(packet);
            assert_eq!(subscriptions.answered(packet, true, Markers(0)), Ok(None));
        }
        assert!(subscriptions.settled());
        asked
    }

    #[test]
    fn new_filters_are_asked_for_before_old_ones_are_given_up() {
        let mut subscriptions = new();
        subscriptions.want(&set(&[("a", Purpose::Input), ("b", Purpose::State)]));
        assert_eq!(grant_all(&mut subscriptions), ["+m 1", "+b 2", "+a 3"]);
        subscriptions.want(&set(&[("b", Purpose::State), ("c", Purpose::Input)]));
        assert_eq!(grant_all(&mut subscriptions), ["+c 4", "-a"]);
        subscriptions.want(&set(&[("b", Purpose::Input), ("c", Purpose::Input)]));
        assert_eq!(
            grant_all(&mut subscriptions),
            [] as [&str; 0],
            "the store need not be read again for requests"
        );
        subscriptions.want(&set(&[("b", Purpose::Input), ("c", Purpose::State)]));
        assert_eq!(grant_all(&mut subscriptions), ["+c 5"], "but for states it must be");
    }

    #[test]
    fn wishes_that_change_while_a_request_is_on_its_way_win() {
        let mut subscriptions = new();
        subscriptions.want(&set(&[("a", Purpose::Input)]));
        assert!(subscriptions.next(4).is_some() && subscriptions.next(4).is_some());
        subscriptions.want(&set(&[]));
        subscriptions.sent(8);
        subscriptions.sent(9);
        assert_eq!(subscriptions.answered(8, true, Markers(0)), Ok(None));
        assert!(!subscriptions.settled());
        assert_eq!(subscriptions.answered(9, true, Markers(0)), Ok(None));
        assert_eq!(grant_all(&mut subscriptions), ["-a"]);
    }

    #[test]
    fn a_refused_filter_is_named_and_not_asked_for_again() {
        let mut subscriptions = new();
        subscriptions.want(&set(&[]));
        grant_all(&mut subscriptions);
        subscriptions.want(&set(&[("a", Purpose::Input)]));
        subscriptions.next(4);
        subscriptions.sent(1);
        assert_eq!(subscriptions.answered(1, false, Markers(0)), Ok(Some(Filter::new("a").unwrap())));
        assert!(subscriptions.settled());
        assert_eq!(subscriptions.answered(1, true, Markers(0)), Err(Unasked));
    }

    #[test]
    fn of_several_copies_the_one_of_the_first_filter_counts_and_states_come_first() {
        let mut subscriptions = new();
        subscriptions.want(&set(&[("a/+/c", Purpose::Input)]));
        grant_all(&mut subscriptions);
        subscriptions.want(&set(&[("a/+/c", Purpose::Input), ("a/b/+", Purpose::State)]));
        grant_all(&mut subscriptions);
        for (topic, numbers, expected) in [
            ("a/b/c", [2].as_slice(), false),
            ("a/b/c", &[3], true),
            ("a/b/c", &[2, 3], true),
            ("a/x/c", &[2], true),
            ("a/b/x", &[3], true),
            ("a/b/c", &[], true),
            // Granted by the broker, but its answer has not been read yet.
            ("new", &[4], true),
        ] {
            assert_eq!(subscriptions.counts(topic, numbers), expected, "{topic} {numbers:?}");
        }
    }

    #[test]
    fn only_a_few_requests_are_without_an_answer() {
        let mut subscriptions = new();
        subscriptions.want(&set(&[("a", Purpose::Input), ("b", Purpose::Input), ("c", Purpose::Input)]));
        assert!(subscriptions.next(2).is_some() && subscriptions.next(2).is_some());
        assert_eq!(subscriptions.next(2), None);
    }

    /// Plays a broker that grants everything after so many markers.
    fn grant_at(subscriptions: &mut Subscriptions, after: u64) {
        let mut packet = 0;
        while subscriptions.next(4).is_some() {
            packet += 1;
            subscriptions.sent(packet);
            assert_eq!(subscriptions.answered(packet, true, Markers(after)), Ok(None));
        }
    }

    #[test]
    fn what_comes_after_the_store_was_read_is_not_from_the_store() {
        let mut subscriptions = new();
        subscriptions.want(&set(&[("buttons/+", Purpose::Input)]));
        assert!(!subscriptions.proved("buttons/a", &[2], Markers(9)), "nothing has been granted");
        grant_at(&mut subscriptions, 10);
        assert!(
            !subscriptions.proved("buttons/a", &[2], Markers(10)),
            "a marker sent earlier proves nothing"
        );
        assert!(subscriptions.proved("buttons/a", &[2], Markers(11)));
        assert!(!subscriptions.proved("buttons/a", &[7], Markers(11)), "the answer to that has not come");
        // The same filter for a state opens the store once more; back for requests it does not.
        subscriptions.want(&set(&[("buttons/+", Purpose::State)]));
        grant_at(&mut subscriptions, 90);
        assert!(!subscriptions.proved("buttons/c", &[3], Markers(90)));
        subscriptions.want(&set(&[("buttons/+", Purpose::Input)]));
        grant_at(&mut subscriptions, 120);
        assert!(subscriptions.proved("buttons/c", &[3], Markers(91)));
    }

    #[test]
    fn a_new_filter_swallows_no_press_and_what_it_brings_from_the_store_is_none() {
        let mut subscriptions = new();
        subscriptions.want(&set(&[("contacts/red", Purpose::Input)]));
        grant_at(&mut subscriptions, 10);
        for kind in [Purpose::Input, Purpose::State] {
            subscriptions.want(&set(&[("contacts/red", Purpose::Input), ("contacts/+", kind)]));
        }
        grant_at(&mut subscriptions, 50);
        for (numbers, expected) in [
            ([2].as_slice(), true),
            // From the store, which this filter has opened, or perhaps live.
            (&[4], false),
            // What is stored never comes by both.
            (&[2, 4], true),
            // Nothing to tell them by.
            (&[], false),
        ] {
            assert_eq!(subscriptions.proved("contacts/red", numbers, Markers(50)), expected, "{numbers:?}");
        }
        assert!(subscriptions.proved("contacts/red", &[], Markers(51)));
    }
}
