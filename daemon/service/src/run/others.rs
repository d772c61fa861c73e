//! What a guard has to do with those that guarded before it, guard beside it, or will guard after it.

use super::Service;
use crate::doubt::{self, Doubt};
use crate::handover_writer::{self, HandoverWriter, Leaves};
use crate::journalling::{self, Journalling};
use crate::stand_by::OneOfSeveral;
use idlegate_engine::{Former, KeptMachine};
use idlegate_guard::time::Now;
use idlegate_journal::Restored;
use idlegate_messages::Health;
use idlegate_messages::effects::handover::Handover;
use idlegate_messages::effects::seal::Seal;
use idlegate_os::Clock;
use idlegate_plan::Plan;
use idlegate_plan::event::Message;
use idlegate_plan::kept::KeptState;

/// Somebody else may guard the same machines later, or guards others of this shop.
pub(super) fn is_one_of_several(plan: &Plan, stand_by: Option<&OneOfSeveral>) -> bool {
    stand_by.is_some() || plan.shop.site.is_some()
}

/// What was left behind, by a former run of ours and by others.
pub(super) struct Left {
    pub(super) former: Former,
    pub(super) handover_writer: HandoverWriter,
    pub(super) doubt: Doubt,
}

impl Left {
    pub(super) fn behind(
        plan: &Plan,
        restored: &Restored,
        stand_by: Option<&OneOfSeveral>,
        journalling: &mut Journalling,
    ) -> Left {
        let own = journalling::former(restored);
        let new = || Handover::new(Seal::new(plan.shop.hand_over.as_ref()));
        let mut handover = stand_by.map_or_else(new, |stand_by| stand_by.handover.clone());
        let mut machines = handover.take_over(&own.machines, &plan.shop.machines_elsewhere);
        // Whoever guarded before has told of its jobs last; our own journal may be of an earlier time.
        for (machine, job) in stand_by.iter().flat_map(|stand_by| &stand_by.jobs) {
            match machines.iter_mut().find(|kept| kept.machine == *machine) {
                Some(kept) => kept.state.job.clone_from(job),
                None if job.is_some() => {
                    let state = KeptState { job: job.clone(), ..KeptState::default() };
                    machines.push(KeptMachine { machine: machine.clone(), state });
                }
                None => {}
            }
        }
        let mut doubt = Doubt::default();
        if restored.in_doubt {
            doubt.add(doubt::lock_all(plan, &mut handover, &mut machines));
        } else if restored.saved_by_copy {
            doubt.add(Vec::new());
        }
        for kept in machines.iter().filter(|kept| restored.kept.get(&kept.machine) != Some(&kept.state)) {
            journalling.keep(kept.clone());
        }
        let (answered, leaves) = match stand_by {
            Some(_) => (handover.take_over_ids(&own.answered, Clock.now().wall), Leaves::Everything),
            None if plan.shop.site.is_some() => (own.answered, Leaves::Lockouts),
            None => (own.answered, Leaves::Nothing),
        };
        let former = Former { machines, answered };
        Left { former, handover_writer: HandoverWriter::new(plan, handover, leaves), doubt }
    }
}

impl Service {
    /// A note of some machine: a lockout in it that we have not heard of is in force from now on.
    pub(super) async fn hear_note(&mut self, now: Now, message: &Message) {
        self.broker_store.heard();
        let Some(machine) = self.topics.kept_machine(&message.topic) else { return };
        match self.dispatch.handover_writer.hear(machine, message) {
            Ok(None) => {}
            Ok(Some(kept)) => {
                tracing::warn!(machine = %kept.machine, "another guard has left a lockout; it is in force here");
                self.engine.recall(
                    &Former { machines: vec![kept], answered: Vec::new() },
                    now,
                    &mut self.effects,
                );
                self.carry_out(now).await;
            }
            Err(why) => {
                if self.bad_notes.allows(now.moment) {
                    let topic = message.topic.escape_debug();
                    tracing::error!(%topic, %why, "a note about a lockout is not believed; see who published it");
                }
            }
        }
    }

    /// Another guard, or the echo of ourselves.
    pub(super) fn hear_guard(&mut self, now: Now, message: &Message) {
        // What the broker has in store may be from a guard that is long gone.
        if message.stored(true) {
            return;
        }
        let health = Health::read(&message.payload);
        if health.guarding().is_some_and(|health| health.instance.as_deref() == Some(&*self.instance)) {
            return;
        }
        // Whoever stands by with us has our name for itself only after us.
        let own_will = *message.topic == *self.topics.health() && !health.is_guarding();
        if !own_will && self.rivals.hear(now.moment, &message.topic, &health, self.engine.plan()) {
            self.publish_health(now);
        }
    }

    /// What an earlier run had stored could be read only now.
    pub(super) async fn recall(&mut self, now: Now, restored: &Restored) {
        let mut former = journalling::former(restored);
        former.machines.iter().for_each(|kept| self.dispatch.handover_writer.remember(kept));
        if restored.in_doubt {
            let plan = self.engine.plan().clone();
            self.dispatch.doubt.add(doubt::lock_all(&plan, &mut Handover::default(), &mut former.machines));
        }
        self.engine.recall(&former, now, &mut self.effects);
        self.carry_out(now).await;
    }

    /// Machines that the new rules bring: whoever had one before may have locked it.
    pub(super) fn expect_arrivals(&mut self, plan: &Plan) {
        let before = self.engine.plan().clone();
        let mut in_doubt = Vec::new();
        for machine in &plan.machines {
            if before.machine(machine.name.as_str()).is_some() {
                continue;
            }
            match self.dispatch.handover_writer.arrival(&before, machine) {
                handover_writer::Arrival::New => {}
                handover_writer::Arrival::Known(locks) => self.engine.expect(&machine.name, &locks),
                handover_writer::Arrival::InDoubt => {
                    let mut kept: Vec<KeptMachine> = Vec::new();
                    let one = Plan { machines: vec![machine.clone()], groups: Vec::new(), ..plan.clone() };
                    in_doubt.extend(doubt::lock_all(&one, &mut Handover::default(), &mut kept));
                    let locks = kept.first().map(|kept| kept.state.locks.clone()).unwrap_or_default();
                    self.engine.expect(&machine.name, &locks);
                }
            }
        }
        if !in_doubt.is_empty() {
            self.dispatch.doubt.add(in_doubt);
        }
    }
}
