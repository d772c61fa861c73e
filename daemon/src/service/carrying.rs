//! One of several leaves to the next what may not be lost, as messages that the broker keeps.
//!
//! They go out ahead of the answer, on the same connection: whoever has heard "locked" can rely on the next guard's having heard
//! it, too.

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
}

impl Carrying {
    pub(super) fn new(plan: &Plan, former: &Former, now: Now) -> Carrying {
        let mut carried = Carried::default();
        let nothing = |name: &Name| KeptMachine { machine: name.clone(), state: KeptState::default() };
        plan.machines.iter().for_each(|machine| carried.keep(now, nothing(&machine.name)));
        former.machines.iter().for_each(|kept| carried.keep(now, kept.clone()));
        former.answered.iter().for_each(|(input, id)| carried.answered(input, id));
        Carrying { carried }
    }

    pub(super) fn keep(&mut self, topics: &Topics, now: Now, kept: &KeptMachine) -> Outgoing {
        self.carried.keep(now, kept.clone());
        self.kept(topics, now, &kept.machine)
    }

    pub(super) fn answered(&mut self, topics: &Topics, now: Now, input: &Name, id: &Arc<str>) -> Outgoing {
        self.carried.answered(input, id);
        self.ids(topics, now, input)
    }

    pub(super) fn everything(&self, topics: &Topics, now: Now) -> Vec<Outgoing> {
        let machines = self.carried.machines().map(|machine| self.kept(topics, now, machine));
        let inputs = self.carried.inputs().map(|input| self.ids(topics, now, input));
        machines.chain(inputs).collect()
    }

    fn kept(&self, topics: &Topics, now: Now, machine: &Name) -> Outgoing {
        let message = self.carried.kept_message(now, machine).to_string();
        Outgoing::state(&topics.kept(machine.as_str()), Bytes::from(message), now.moment)
    }

    fn ids(&self, topics: &Topics, now: Now, input: &Name) -> Outgoing {
        let message = self.carried.answered_message(now, input).to_string();
        Outgoing::state(&topics.answered(input.as_str()), Bytes::from(message), now.moment)
    }
}
