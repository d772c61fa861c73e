//! One of several leaves to the next what may not be lost, as messages that the broker keeps.
//!
//! They go out ahead of the answer, on the same connection: whoever has heard "locked" can rely on the next guard's
//! having heard it, too.

use std::collections::{BTreeSet, VecDeque};
use std::sync::Arc;

use bytes::Bytes;

use idlegate_engine::KeptMachine;
use idlegate_guard::time::Now;
use idlegate_link::Outgoing;
use idlegate_messages::effects::handover::{BadHandover, Handover};
use idlegate_messages::effects::messages::Topics;
use idlegate_plan::event::{Message, Name};
use idlegate_plan::kept::{KeptLockout, KeptState};
use idlegate_plan::{Machine, Plan};

/// What is published of what we know, and for whom.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Leaves {
    /// Nobody else guards here.
    Nothing,
    /// Lockouts, to another site to which a machine is moved.
    Lockouts,
    /// All of it, to whoever stands by.
    Everything,
}

/// What is known of every machine, with its revisions, and what of that others are told.
#[derive(Debug)]
pub(super) struct HandoverWriter {
    handover: Handover,
    leaves: Leaves,
    ours: Vec<Name>,
    elsewhere: BTreeSet<Name>,
    /// Pages of ids that have not been sent since we took over. The broker has most of them, unless it lost its store.
    owed: VecDeque<(Name, usize)>,
}

/// So many of them at a time: more would push out of the link's queue what people wait for.
const PAGES_A_TURN: usize = 32;

/// What is known of a machine that new rules bring.
pub(super) enum Arrival {
    /// Never heard of before.
    New,
    /// It may be held by its name or by its outlet.
    Known(Vec<KeptLockout>),
    /// Somebody else guarded it, and did not say whether it was locked.
    InDoubt,
}

impl HandoverWriter {
    /// What was left, after [`Carried::take_over`] and as it is then.
    pub(super) fn new(plan: &Plan, handover: Handover, leaves: Leaves) -> HandoverWriter {
        let (ours, elsewhere) = (Vec::new(), BTreeSet::new());
        let mut handover_writer = HandoverWriter { handover, leaves, ours, elsewhere, owed: VecDeque::new() };
        handover_writer.follow(plan);
        handover_writer
    }

    pub(super) fn follow(&mut self, plan: &Plan) {
        self.ours = plan.machines.iter().map(|machine| machine.name.clone()).collect();
        self.elsewhere.clone_from(&plan.shop.machines_elsewhere);
    }

    /// What is to be kept, with its revision, and the message that tells others, if any: each site writes of its own
    /// machines only.
    pub(super) fn keep(
        &mut self,
        topics: &Topics,
        now: Now,
        kept: KeptMachine,
    ) -> (KeptMachine, Option<Outgoing>) {
        let kept = self.handover.keep(kept);
        let told = self.leaves != Leaves::Nothing && !self.elsewhere.contains(&kept.machine);
        let message = told.then(|| self.kept(topics, now, &kept.machine));
        (kept, message)
    }

    /// What a former run of ours had stored, when it could be read only now.
    pub(super) fn remember(&mut self, kept: &KeptMachine) {
        self.handover.remember(&kept.machine, kept.state.clone());
    }

    /// A note that somebody wrote, we ourselves most often. Gives what is to come into force here.
    pub(super) fn hear(
        &mut self,
        machine: &str,
        message: &Message,
    ) -> Result<Option<KeptMachine>, BadHandover> {
        let ours = self.ours.iter().find(|ours| ours.as_str() == machine).cloned();
        let Some(machine) = ours else {
            self.handover.take_kept(&message.topic, machine, &message.payload)?;
            return Ok(None);
        };
        let news = self.handover.take_kept_of_ours(&message.topic, machine.as_str(), &message.payload)?;
        let state = self.handover.state(&machine).filter(|_| news).cloned();
        Ok(state.map(|state| KeptMachine { machine, state: KeptState { deferral: None, ..state } }))
    }

    /// A machine that is not under the rules in force, `before`.
    pub(super) fn arrival(&self, before: &Plan, machine: &Machine) -> Arrival {
        let order = machine.outlet.order.as_ref();
        let held = order.map(|order| self.handover.held(order)).unwrap_or_default();
        match self.handover.state(&machine.name) {
            Some(state) => {
                let mut state = state.clone();
                state.add_locks(held);
                Arrival::Known(state.locks)
            }
            None if before.shop.machines_elsewhere.contains(&machine.name) => Arrival::InDoubt,
            None if held.is_empty() => Arrival::New,
            None => Arrival::Known(held),
        }
    }

    pub(super) fn answered(
        &mut self,
        topics: &Topics,
        now: Now,
        input: &Name,
        id: &Arc<str>,
    ) -> impl Iterator<Item = Outgoing> {
        let told = self.leaves == Leaves::Everything;
        let page = told.then(|| self.handover.answered(input, id, now.wall)).flatten();
        let page = page.and_then(|page| self.page(topics, now, input, page));
        page.into_iter().chain(self.ids(topics, now, input).filter(|_| told))
    }

    /// Everything, of ids the newest; the others follow by [`Carrying::more`].
    pub(super) fn everything(&mut self, topics: &Topics, now: Now) -> Vec<Outgoing> {
        if self.leaves == Leaves::Nothing {
            return Vec::new();
        }
        let known = self.handover.states().keys().filter(|machine| !self.elsewhere.contains(*machine));
        let machines: BTreeSet<&Name> = known.chain(&self.ours).collect();
        let machines = machines.into_iter().map(|machine| self.kept(topics, now, machine));
        let inputs = self.handover.inputs().filter_map(|input| self.ids(topics, now, input));
        let everything = machines.chain(inputs).collect();
        self.owed = self.handover.pages().map(|(input, page)| (input.clone(), page)).collect();
        everything
    }

    /// To be sent once a second.
    pub(super) fn more(&mut self, topics: &Topics, now: Now) -> Vec<Outgoing> {
        let pages = self.owed.drain(..self.owed.len().min(PAGES_A_TURN)).collect::<Vec<_>>();
        pages.iter().filter_map(|(input, page)| self.page(topics, now, input, *page)).collect()
    }

    fn kept(&self, topics: &Topics, now: Now, machine: &Name) -> Outgoing {
        let topic = topics.kept(machine.as_str());
        let message = self.handover.kept_message(now, &topic, machine);
        Outgoing::state(&topic, Bytes::from(message), now.moment)
    }

    fn ids(&self, topics: &Topics, now: Now, input: &Name) -> Option<Outgoing> {
        let topic = topics.answered(input.as_str());
        let message = self.handover.answered_message(now, &topic, input)?.to_string();
        Some(Outgoing::state(&topic, Bytes::from(message), now.moment))
    }

    fn page(&self, topics: &Topics, now: Now, input: &Name, page: usize) -> Option<Outgoing> {
        let topic = topics.answered_page(input.as_str(), page);
        let message = self.handover.page_message(&topic, input, page)?.to_string();
        Some(Outgoing::state(&topic, Bytes::from(message), now.moment))
    }
}
