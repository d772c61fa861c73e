//! Ids of events that were answered, so that one delivered again changes nothing: of each input the newest, and each
//! for a day.
//!
//! One form for engine, journal and broker. They share the text of an id, so that remembering it once more costs
//! little.

use std::collections::{BTreeMap, HashSet, VecDeque};
use std::sync::Arc;

use crate::event::Name;
use idlegate_guard::time::{Span, WallTime};

/// Then an id is forgotten. Whoever sends a request again does so within seconds, and a button that counts anew after
/// its battery was changed must be heard again.
pub const AGE_MAX: Span = Span::secs(24 * 3600);
/// Then the id is forgotten of a sender whose ids are a counter.
pub const COUNTER_AGE_MAX: Span = Span::secs(120);
/// Of each input, so that a flood of one pushes out no other's. An id pushed out by this many newer ones could be
/// answered twice; the repeat guard and the age limit of requests stand behind it.
pub const OF_EACH_INPUT_MAX: usize = 4_096;

/// An id as it survives a restart or a change-over.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AnsweredId {
    pub input: Name,
    /// The sender's own, cut to [`crate::event::EVENT_ID_BYTES_MAX`].
    pub id: Arc<str>,
    pub at: WallTime,
}

/// The newest ids of each input, each with what is known about it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NewestIds<T> {
    inputs: BTreeMap<Name, OfInput<T>>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
struct OfInput<T> {
    known: HashSet<Arc<str>>,
    /// The oldest first.
    order: VecDeque<(Arc<str>, T)>,
}

impl<T> Default for NewestIds<T> {
    fn default() -> NewestIds<T> {
        NewestIds { inputs: BTreeMap::new() }
    }
}

impl<T> Default for OfInput<T> {
    fn default() -> OfInput<T> {
        OfInput { known: HashSet::new(), order: VecDeque::new() }
    }
}

impl<T> NewestIds<T> {
    pub(crate) fn knows(&self, input: &Name, id: &str) -> bool {
        self.inputs.get(input).is_some_and(|ids| ids.known.contains(id))
    }

    pub fn about(&self, input: &Name, id: &str) -> Option<&T> {
        let ids = self.inputs.get(input).filter(|ids| ids.known.contains(id))?;
        ids.order.iter().rev().find(|(known, _)| **known == *id).map(|(_, about)| about)
    }

    /// As the newest of its input, also if it was known already.
    pub fn put(&mut self, input: &Name, id: &Arc<str>, about: T) {
        if !self.inputs.contains_key(input) {
            self.inputs.insert(input.clone(), OfInput::default());
        }
        let ids = self.inputs.get_mut(input).expect("it is there or was just made");
        ids.put(id, about);
    }

    /// Those of another memory in which everything is newer.
    pub fn append(&mut self, newer: NewestIds<T>) {
        for (input, ids) in newer.inputs {
            let own = self.inputs.entry(input).or_default();
            ids.order.into_iter().for_each(|(id, about)| own.put(&id, about));
        }
    }

    /// Those of another memory in which everything is older; what is known here already stays as it is.
    pub fn prepend(&mut self, older: impl IntoIterator<Item = (Name, Arc<str>, T)>) {
        let mut all = NewestIds::default();
        for (input, id, about) in older {
            // Left out here, so that none of them has to be looked for in the middle below.
            if !self.knows(&input, &id) {
                all.put(&input, &id, about);
            }
        }
        all.append(std::mem::take(self));
        *self = all;
    }

    /// Forgets the oldest of an input as long as they are `over`.
    pub fn forget(&mut self, input: &Name, over: impl Fn(&T) -> bool) {
        if let Some(ids) = self.inputs.get_mut(input) {
            ids.forget(over);
        }
    }

    /// The same for every input. One of which nothing is left costs nothing afterwards.
    pub fn forget_everywhere(&mut self, over: impl Fn(&T) -> bool) {
        self.inputs.retain(|_, ids| {
            ids.forget(&over);
            !ids.order.is_empty()
        });
    }

    /// Of each input the oldest first.
    pub fn iter(&self) -> impl Iterator<Item = (&Name, &Arc<str>, &T)> {
        let of_input = |(input, ids)| OfInput::iter(ids).map(move |(id, about)| (input, id, about));
        self.inputs.iter().flat_map(of_input)
    }

    pub fn is_empty(&self) -> bool {
        self.inputs.values().all(|ids| ids.order.is_empty())
    }
}

impl<T> OfInput<T> {
    fn put(&mut self, id: &Arc<str>, about: T) {
        if !self.known.insert(id.clone()) {
            // Nearly always one of the last: a request to several machines is answered several times.
            let place = self.order.iter().rposition(|(known, _)| known == id);
            self.order.remove(place.expect("what is known has its place"));
        }
        // First, so that the queue never grows beyond the bound.
        if self.order.len() == OF_EACH_INPUT_MAX {
            self.forget_oldest();
        }
        self.order.push_back((id.clone(), about));
    }

    fn forget(&mut self, over: impl Fn(&T) -> bool) {
        while self.order.front().is_some_and(|(_, about)| over(about)) {
            self.forget_oldest();
        }
    }

    fn forget_oldest(&mut self) {
        if let Some((oldest, _)) = self.order.pop_front() {
            self.known.remove(&oldest);
        }
    }

    fn iter(&self) -> impl Iterator<Item = (&Arc<str>, &T)> {
        self.order.iter().map(|(id, about)| (id, about))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn name(text: &str) -> Name {
        Name::new(text).unwrap()
    }

    fn id(number: usize) -> Arc<str> {
        number.to_string().into()
    }

    fn of(ids: &NewestIds<usize>, input: &str) -> Vec<usize> {
        let input = name(input);
        ids.iter().filter(|(of, _, _)| **of == input).map(|(_, _, about)| *about).collect()
    }

    #[test]
    fn a_flood_of_one_input_pushes_out_its_own_oldest_and_no_other_input_s() {
        let mut ids = NewestIds::default();
        (0..3).for_each(|number| ids.put(&name("panel"), &id(number), number));
        (0..OF_EACH_INPUT_MAX + 10).for_each(|number| ids.put(&name("button"), &id(number), number));
        assert_eq!(of(&ids, "panel"), [0, 1, 2]);
        assert_eq!(of(&ids, "button"), (10..OF_EACH_INPUT_MAX + 10).collect::<Vec<_>>());
        assert!(!ids.knows(&name("button"), "9") && ids.knows(&name("button"), "10"));
    }

    #[test]
    fn an_id_that_is_put_again_is_the_newest_and_takes_one_place() {
        let mut ids = NewestIds::default();
        [1, 2, 3, 2].into_iter().for_each(|number| ids.put(&name("panel"), &id(number), number));
        assert_eq!(of(&ids, "panel"), [1, 3, 2]);
        ids.forget(&name("panel"), |about| *about != 2);
        assert_eq!(of(&ids, "panel"), [2]);
        assert!(!ids.knows(&name("panel"), "3"));
    }

    #[test]
    fn older_ones_come_before_and_push_out_nothing() {
        let mut ids = NewestIds::default();
        (0..OF_EACH_INPUT_MAX - 1).for_each(|number| ids.put(&name("panel"), &id(number), number));
        let older = [7, 90_001, 90_002].map(|number| (name("panel"), id(number), number));
        ids.prepend(older);
        let expected: Vec<_> = std::iter::once(90_002).chain(0..OF_EACH_INPUT_MAX - 1).collect();
        assert_eq!(of(&ids, "panel"), expected);
    }

    #[test]
    fn an_input_of_which_nothing_is_left_costs_nothing() {
        let mut ids = NewestIds::default();
        ids.put(&name("panel"), &id(1), 1);
        ids.put(&name("button"), &id(5), 5);
        ids.forget_everywhere(|about| *about < 5);
        assert_eq!(ids.inputs.len(), 1);
        assert!(!ids.is_empty());
    }
}
