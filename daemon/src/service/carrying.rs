//! One of several leaves to the next what may not be lost, as messages that the broker keeps.
//!
//! They go out ahead of the answer, on the same connection: whoever has heard "locked" can rely on the next guard's having heard
//! it, too.

use std::collections::VecDeque;
use std::sync::Arc;

use bytes::Bytes;

use crate::effects::carried::Carried;
use crate::effects::messages::Topics;
use crate::engine::{Former, KeptMachine};
use crate::event::Name;
use crate::kept::KeptState;
use crate::link::Outgoing;
use crate::plan::Plan;
use crate::time::Now;

#[derive(Debug)]
pub(super) struct Carrying {
    carried: Carried,
    /// Pages of ids that have not been sent since we took over. The broker has most of them, unless it lost its store.
    owed: VecDeque<(Name, usize)>,
}

/// So many of them at a time: more would push out of the link's queue what people wait for.
const PAGES_A_TURN: usize = 32;

impl Carrying {
    /// What was left, after [`Carried::take_over`] and as it is then.
    pub(super) fn new(plan: &Plan, mut carried: Carried, former: &Former, now: Now) -> Carrying {
        let nothing = |name: &Name| KeptMachine { machine: name.clone(), state: KeptState::default() };
        plan.machines.iter().for_each(|machine| carried.keep(now, nothing(&machine.name)));
        former.machines.iter().for_each(|kept| carried.keep(now, kept.clone()));
        Carrying { carried, owed: VecDeque::new() }
    }

    pub(super) fn keep(&mut self, topics: &Topics, now: Now, kept: &KeptMachine) -> Outgoing {
        self.carried.keep(now, kept.clone());
        self.kept(topics, now, &kept.machine)
    }

    pub(super) fn answered(
        &mut self,
        topics: &Topics,
        now: Now,
        input: &Name,
        id: &Arc<str>,
    ) -> impl Iterator<Item = Outgoing> {
        let page = self.carried.answered(input, id, now.wall);
        let page = page.and_then(|page| self.page(topics, now, input, page));
        page.into_iter().chain(self.ids(topics, now, input))
    }

    /// Everything, of ids the newest; the others follow by [`Carrying::more`].
    pub(super) fn everything(&mut self, topics: &Topics, now: Now) -> Vec<Outgoing> {
        self.owed = self.carried.pages().map(|(input, page)| (input.clone(), page)).collect();
        let machines = self.carried.machines().map(|machine| self.kept(topics, now, machine));
        let inputs = self.carried.inputs().filter_map(|input| self.ids(topics, now, input));
        machines.chain(inputs).collect()
    }

    /// To be sent once a second.
    pub(super) fn more(&mut self, topics: &Topics, now: Now) -> Vec<Outgoing> {
        let pages = self.owed.drain(..self.owed.len().min(PAGES_A_TURN)).collect::<Vec<_>>();
        pages.iter().filter_map(|(input, page)| self.page(topics, now, input, *page)).collect()
    }

    fn kept(&self, topics: &Topics, now: Now, machine: &Name) -> Outgoing {
        let message = self.carried.kept_message(now, machine).to_string();
        Outgoing::state(&topics.kept(machine.as_str()), Bytes::from(message), now.moment)
    }

    fn ids(&self, topics: &Topics, now: Now, input: &Name) -> Option<Outgoing> {
        let message = self.carried.answered_message(now, input)?.to_string();
        Some(Outgoing::state(&topics.answered(input.as_str()), Bytes::from(message), now.moment))
    }

    fn page(&self, topics: &Topics, now: Now, input: &Name, page: usize) -> Option<Outgoing> {
        let message = self.carried.page_message(input, page)?.to_string();
        let topic = topics.answered_page(input.as_str(), page);
        Some(Outgoing::state(&topic, Bytes::from(message), now.moment))
    }
}
