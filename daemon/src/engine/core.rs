//! The engine: everything between a message and what is to be done about it, without any input or output.
//!
//! It is told of events together with the time and answers with effects; it reads no clock, no socket and no
//! file. The service, the replay, the demo and the simulator all drive this one engine, so what is proved of it in
//! one of them holds in all.

use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;

use super::answered::Answered;
use super::circuits::Load;
use super::effect::{Effect, KeptMachine};
use super::machine::MachineState;
use super::names::Names;
use super::outage::Outage;
use super::router::{Router, Target};
use super::schedule::Scheduled;
use crate::answered::AnsweredId;
use crate::event::{Assessed, Event, LinkState, Message, Name};
use crate::guard::{self, Input};
use crate::plan::SharedPlan;
use crate::time::{Moment, Now, Span};

#[derive(Debug)]
pub struct Engine {
    pub(super) plan: SharedPlan,
    pub(super) rules_digest: Arc<str>,
    pub(super) names: Names,
    pub(super) machines: Vec<MachineState>,
    pub(super) answered: Answered,
    pub(super) requests_made: u64,
    /// When somebody last said something that was not understood.
    pub(super) told_not_understood: Option<Moment>,
    pub(super) outage: Outage,
    pub(super) router: Router,
    pub(super) by_name: HashMap<Name, usize>,
    /// Machines by their next deadline, so that an event costs the same however many machines there are.
    pub(super) queue: BTreeSet<(Moment, usize)>,
    pub(super) generations: u64,
    pub(super) link_up: bool,
    /// Lockouts of machines that left the rules: should they come back, they are still locked.
    pub(super) departed: HashMap<Name, guard::Lockout>,
    pub(super) schedules: Vec<Scheduled>,
    /// When the wall clock is to be looked at for the schedules.
    pub(super) schedules_look: Option<Moment>,
    // Reused, so that an event allocates nothing for them.
    targets: Vec<Target>,
    acts: Vec<guard::Effect>,
}

/// What a former run left behind.
#[derive(Clone, Debug, Default)]
pub struct Former {
    pub machines: Vec<KeptMachine>,
    /// Ids of events that were answered, of each input the oldest first.
    pub answered: Vec<AnsweredId>,
}

impl Engine {
    /// An engine at rest. Starting it switches nothing.
    pub fn new(plan: SharedPlan, former: &Former, now: Now) -> Engine {
        let mut names = Names::new();
        let machines = plan.machines.iter().enumerate().map(|(index, machine)| {
            let kept = former.machines.iter().find(|kept| kept.machine == machine.name);
            let kept = kept
                .map(|kept| super::kept::recall(&kept.state, &mut names, machine.policy.deferral_max, now));
            MachineState::new(&plan, index, kept.unwrap_or_default(), now)
        });
        let machines: Vec<_> = machines.collect();
        let gone = former.machines.iter().filter(|kept| plan.machine(kept.machine.as_str()).is_none());
        let departed = gone.filter_map(|kept| Some((kept.machine.clone(), kept.state.lockout.as_ref()?)));
        let departed = departed.map(|(machine, lockout)| {
            (machine, guard::Lockout { by: names.input(&lockout.by), emergency: lockout.emergency })
        });
        let departed = departed.collect();
        let schedules = super::schedule::watches(&plan, former);
        Engine {
            schedules_look: (!schedules.is_empty()).then_some(now.moment),
            schedules,
            rules_digest: plan.digest.as_str().into(),
            router: Router::new(&plan),
            by_name: plan
                .machines
                .iter()
                .enumerate()
                .map(|(at, machine)| (machine.name.clone(), at))
                .collect(),
            names,
            machines,
            plan,
            answered: Answered::new(&former.answered, now),
            requests_made: 0,
            told_not_understood: None,
            outage: Outage::default(),
            queue: BTreeSet::new(),
            generations: 0,
            link_up: false,
            departed,
            targets: Vec::new(),
            acts: Vec::new(),
        }
    }

    /// Asks for the detectors; to be called once, before the first event.
    pub fn start(&mut self, now: Now, out: &mut Vec<Effect>) {
        for index in 0..self.machines.len() {
            self.machines[index].install(now.moment, &mut self.generations, out);
            self.settle(now, index, out);
        }
    }

    /// Takes one event and appends what is to be done about it.
    pub fn handle(&mut self, now: Now, event: Event, out: &mut Vec<Effect>) {
        match event {
            Event::Message(message) => self.message(now, &message, out),
            Event::Link(state) => self.link(now, &state, out),
            Event::Assessed(assessed) => self.assessed(now, assessed, out),
            Event::Tick => {}
        }
        self.look_at_schedules(now, out);
        self.run_due(now, out);
        self.look_at_outage(now, out);
    }

    /// What a former run left behind, when it could be read only after the start. Lockouts in it are in force from
    /// now on, and stored again; whatever has been decided since stands.
    pub fn recall(&mut self, former: &Former, now: Now, out: &mut Vec<Effect>) {
        self.answered.recall(&former.answered, now);
        self.recall_schedules(former);
        for kept in &former.machines {
            let Some(index) = self.by_name.get(&kept.machine).copied() else { continue };
            let deferral_max = self.plan.machines[index].policy.deferral_max;
            let kept = super::kept::recall(&kept.state, &mut self.names, deferral_max, now);
            self.with_machine(now, index, out, |machine, acts, _| machine.guard.recall(kept, acts));
        }
    }

    /// The end of the program: what waits is answered, windows close and are said to. Nothing is switched.
    pub fn stop(&mut self, now: Now, out: &mut Vec<Effect>) {
        for index in 0..self.machines.len() {
            self.with_machine(now, index, out, |machine, acts, out| {
                machine.guard.retire(acts);
                machine.finish(now, out);
            });
        }
    }

    /// When to call [`Engine::handle`] with a tick, if nothing else happens before.
    pub fn deadline(&self) -> Option<Moment> {
        let machines = self.queue.first().map(|(at, _)| *at);
        machines.into_iter().chain(self.schedules_look).chain(self.outage.deadline()).min()
    }

    pub fn plan(&self) -> &SharedPlan {
        &self.plan
    }

    /// What a plain off would meet now: it acts only while this is clear.
    pub fn permissive(&self, now: Moment, machine: usize) -> guard::PermissiveState {
        self.machines[machine].permissive().at(now)
    }

    /// What the detectors say of this machine, most telling first.
    pub fn reasons(&self, now: Moment, machine: usize) -> Vec<Arc<str>> {
        self.machines[machine].reasons(now)
    }

    pub fn link_is_up(&self) -> bool {
        self.link_up
    }

    fn message(&mut self, now: Now, message: &Message, out: &mut Vec<Effect>) {
        let mut targets = std::mem::take(&mut self.targets);
        self.router.targets(&message.topic, &mut targets);
        for target in &targets {
            match *target {
                Target::Signal { machine, signal } => self.signal_message(now, machine, signal, message, out),
                Target::OutletState { machine } => self.outlet_message(now, machine, message, out),
                Target::Reach { machine } => self.reach_message(now, machine, message, out),
                Target::Input { input } => self.input_message(now, input, message, out),
                Target::RequestTopic { input } => self.request_message(now, input, message, out),
            }
        }
        self.targets = targets;
    }

    fn link(&mut self, now: Now, state: &LinkState, out: &mut Vec<Effect>) {
        let lost = self.link_up || *state != LinkState::Up;
        self.link_up = *state == LinkState::Up;
        // What comes right behind the proof of a connection may be of the same moment, and counts. What was measured
        // before does not, whether it came over a connection that was not proved yet or is sent late by the meter:
        // nobody knows what else it said in between.
        let until = if self.link_up { now.moment - Span(1) } else { now.moment };
        for index in 0..self.machines.len() {
            self.with_machine(now, index, out, |machine, acts, _| machine.cut_off(now, until, lost, acts));
            self.tell_guard(now, index, Input::Link(self.link_up), out);
        }
    }

    fn assessed(&mut self, now: Now, assessed: Assessed, out: &mut Vec<Effect>) {
        let Some(index) = self.by_name.get(&assessed.machine).copied() else { return };
        let mut acts = std::mem::take(&mut self.acts);
        if self.machines[index].take_assessed(now, assessed, &mut acts) {
            self.carry_out(now, index, &mut acts, out);
        }
        self.acts = acts;
    }

    fn run_due(&mut self, now: Now, out: &mut Vec<Effect>) {
        // Each machine once: whatever becomes due through this pass is due at the next call.
        for _ in 0..self.machines.len() {
            let Some((at, index)) = self.queue.first().copied() else { return };
            if at > now.moment {
                return;
            }
            self.with_machine(now, index, out, |machine, acts, out| machine.tick(now, acts, out));
        }
    }

    /// What the circuit of this machine would bear with it on.
    pub(super) fn load(&self, now: Moment, index: usize) -> Option<Load> {
        let places = self.plan.machines.iter().map(|machine| machine.circuit);
        Load::with(&self.plan.shop.circuits, places, index, |other| self.machines[other].guard.may_draw(now))
    }

    pub(super) fn tell_guard(&mut self, now: Now, index: usize, input: Input, out: &mut Vec<Effect>) {
        self.with_machine(now, index, out, |machine, acts, _| machine.guard.handle(now.moment, input, acts));
    }

    /// Lets something happen to a machine, then does what its guard wants done.
    pub(super) fn with_machine(
        &mut self,
        now: Now,
        index: usize,
        out: &mut Vec<Effect>,
        happen: impl FnOnce(&mut MachineState, &mut Vec<guard::Effect>, &mut Vec<Effect>),
    ) {
        let mut acts = std::mem::take(&mut self.acts);
        happen(&mut self.machines[index], &mut acts, out);
        self.machines[index].replace_outdated(now, &mut self.generations, out);
        self.carry_out(now, index, &mut acts, out);
        self.acts = acts;
    }

    fn carry_out(&mut self, now: Now, index: usize, acts: &mut Vec<guard::Effect>, out: &mut Vec<Effect>) {
        self.translate(now, index, acts, out);
        acts.clear();
        self.settle(now, index, out);
    }

    /// Puts the machine back into the queue, and tells if it looks different now.
    fn settle(&mut self, now: Now, index: usize, out: &mut Vec<Effect>) {
        let machine = &mut self.machines[index];
        let due = machine.deadline(now.moment);
        if due != machine.queued {
            if let Some(old) = machine.queued {
                self.queue.remove(&(old, index));
            }
            if let Some(new) = due {
                self.queue.insert((new, index));
            }
            machine.queued = due;
        }
        if machine.status_changed(now, out) {
            out.push(Effect::Status { machine: index });
        }
    }
}
