//! The engine: everything between a message and what is to be done about it, without any input or output.
//!
//! It is told of events together with the time and answers with effects; it reads no clock, no socket and no
//! file. The service, the replay, the demo and the simulator all drive this one engine, so what is proved of it in
//! one of them holds in all.

use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;

use super::answered::Answered;
use super::answers::InUse;
use super::blind::{InputsHeard, Watch};
use super::circuits::Load;
use super::contacts::ContactSight;
use super::departed::Departed;
use super::effect::{Effect, KeptMachine};
use super::emergencies::Emergencies;
use super::emergency_link::EmergencyLink;
use super::groups::Groups;
use super::interlocks::Followers;
use super::machine::MachineState;
use super::mains::Mains;
use super::misfits::Misfits;
use super::names::Names;
use super::outage::Outage;
use super::quotas::Quotas;
use super::router::{Router, Target};
use super::schedule::Scheduled;
use super::together::fold_unconfirmed;
use super::tokens::Tokens;
use crate::silences::counted::Counted;
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_guard::{self as guard, Input};
use idlegate_plan::answered::AnsweredId;
use idlegate_plan::event::{Assessed, Event, Line, LinkState, Message, Name, ServiceSight};
use idlegate_plan::kept::KeptLockout;
use idlegate_plan::{MachineIx, SharedPlan, Table, indexed};

#[derive(Debug)]
pub struct Engine {
    pub(super) plan: SharedPlan,
    pub(super) rules_digest: Arc<str>,
    pub(super) names: Names,
    pub(super) machines: Table<MachineIx, MachineState>,
    pub(super) answered: Answered,
    pub(super) requests_made: u64,
    /// For those who ask from afar; without them nothing can be forced from there.
    pub(super) tokens: Option<Tokens>,
    /// When somebody last said something that was not understood.
    pub(super) told_not_understood: Option<Moment>,
    pub(super) misfits: Misfits,
    pub(super) outage: Outage,
    pub(super) mains: Mains,
    pub(super) quotas: Quotas,
    pub(super) groups: Groups,
    pub(super) emergencies: Emergencies,
    pub(super) emergency_link: EmergencyLink,
    /// How the emergency contacts stand.
    pub(super) contacts: HashMap<Name, ContactSight>,
    pub(super) blind: Watch,
    pub(super) inputs_heard: InputsHeard,
    /// Nothing if nobody has said.
    pub(super) service_sight: Option<ServiceSight>,
    pub(super) router: Router,
    pub(super) in_use: InUse,
    pub(super) followers: Followers,
    /// Machines by their next deadline, so that an event costs the same however many machines there are.
    pub(super) queue: BTreeSet<(Moment, MachineIx)>,
    pub(super) generations: u64,
    pub(super) link_up: bool,
    /// Lockouts of machines that left the rules: should they come back, they are still locked.
    pub(super) departed: Departed,
    /// Machines whose lockout is to be stored anew at the start: under another name, or with its outlet for the first
    /// time.
    to_store: Vec<MachineIx>,
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
        assert!(plan.is_in_order(), "machines and inputs are looked up by name");
        let mut names = Names::new();
        let kept = former.machines.iter().map(|kept| (&kept.machine, &kept.state));
        let mut departed = Departed::of(kept, &plan);
        let mut to_store = Vec::new();
        let machines = indexed(&plan.machines).map(|(index, machine)| {
            let found = former.machines.iter().find(|kept| kept.machine == machine.name);
            let mut former = found.map(|kept| kept.state.clone()).unwrap_or_default();
            former.add_locks(departed.known_of(machine).locks);
            let stored = |lock: &KeptLockout| {
                let is_its = lock.outlet.as_ref().is_some_and(|held| held.is_of(&machine.outlet));
                is_its && found.is_some_and(|kept| kept.state.has_lock(lock))
            };
            if !former.locks.iter().all(stored) {
                to_store.push(index);
            }
            let kept = super::kept::recall(&former, &mut names, machine.policy.deferral_max, now);
            let mut state = MachineState::new(&plan, index, kept, now);
            let by = former.kept_on.as_ref().map(|kept| kept.by.as_str());
            state.kept_on_by = by.map(|by| super::translate::title_of(&plan, by));
            state.recall(&former, &mut names);
            state.jobs.recall(former.job.as_ref(), now);
            state
        });
        let machines = machines.collect();
        let schedules = super::schedule::watches(&plan, former);
        Engine {
            schedules_look: (!schedules.is_empty()).then_some(now.moment),
            schedules,
            rules_digest: plan.digest.as_str().into(),
            router: Router::new(&plan),
            in_use: InUse::new(&plan),
            followers: Followers::new(&plan),
            names,
            machines,
            plan,
            answered: Answered::new(&former.answered, now),
            requests_made: 0,
            tokens: None,
            told_not_understood: None,
            misfits: Misfits::default(),
            outage: Outage::default(),
            mains: Mains::default(),
            quotas: Quotas::default(),
            groups: Groups::default(),
            emergencies: Emergencies::default(),
            emergency_link: EmergencyLink::default(),
            contacts: HashMap::new(),
            blind: Watch::default(),
            inputs_heard: InputsHeard::default(),
            service_sight: None,
            queue: BTreeSet::new(),
            generations: 0,
            link_up: false,
            departed,
            to_store,
            targets: Vec::new(),
            acts: Vec::new(),
        }
    }

    /// Lets it give tokens to those who ask from afar, drawn from a secret that nobody can guess. Without it, nothing
    /// can be forced from there.
    pub fn draw_tokens_from(&mut self, secret: [u8; 32]) {
        self.tokens = Some(Tokens::new(secret));
    }

    /// Asks for the detectors; to be called once, before the first event.
    pub fn start(&mut self, now: Now, out: &mut Vec<Effect>) {
        let to_store = std::mem::take(&mut self.to_store);
        self.settle_departed(now, to_store.into_iter(), out);
        for index in self.machines.indices() {
            self.machines[index].install(now.moment, &mut self.generations, out);
            self.settle(now, index, out);
        }
        self.tell_all_followers(now, out);
    }

    /// Takes one event and appends what is to be done about it.
    pub fn handle(&mut self, now: Now, event: Event, out: &mut Vec<Effect>) {
        match event {
            Event::Message(message) => self.message(now, &message, false, out),
            Event::MissedPress(message) => self.message(now, &message, true, out),
            Event::Link(state) => self.link(now, &state, out),
            Event::EmergencyMessage(message) => self.emergency_message(now, &message, out),
            Event::EmergencyLink(state) => self.emergency_link(now, state, out),
            Event::Unheard { input, count } => self.quotas.unheard(now.moment, &input, count),
            Event::Assessed(assessed) => self.assessed(now, assessed, out),
            Event::Service(sight) => self.service_is(now.moment, sight),
            Event::Tick => {}
        }
        self.look_at_schedules(now, out);
        self.run_due(now, out);
        self.look_at_groups(now, out);
        self.look_at_outage(now, out);
        self.look_at_mains(now, out);
        self.look_at_emergency_link(now, out);
        self.look_at_quotas(now, out);
        self.tell_repeats(now, out);
        self.look_for_blind_spots(now, out);
    }

    /// What a former run left behind, when it could be read only after the start. Lockouts in it are in force from
    /// now on, and stored again; whatever has been decided since stands.
    pub fn recall(&mut self, former: &Former, now: Now, out: &mut Vec<Effect>) {
        self.answered.recall(&former.answered, now);
        self.recall_schedules(former);
        for kept in &former.machines {
            let plan = self.plan.clone();
            let Some((index, rules)) = plan.machine(kept.machine.as_str()) else {
                self.recall_departed(&kept.machine, &kept.state, now, out);
                continue;
            };
            self.machines[index].recall(&kept.state, &mut self.names);
            self.machines[index].jobs.recall(kept.state.job.as_ref(), now);
            let deferral_max = rules.policy.deferral_max;
            let kept = super::kept::recall(&kept.state, &mut self.names, deferral_max, now);
            self.with_machine(now, index, out, |machine, acts, _| machine.guard.recall(kept, acts));
        }
    }

    /// How a machine's silences went on before this run, as the journal has it.
    pub fn recall_counted(&mut self, machine: &Name, counted: &Counted) {
        if let Some((index, rules)) = self.plan.machine(machine.as_str()) {
            self.machines[index].silences.recall_counted(counted, rules);
        }
    }

    /// The end of the program: what waits is answered, windows close and are said to. Nothing is switched.
    pub fn stop(&mut self, now: Now, out: &mut Vec<Effect>) {
        for index in self.machines.indices() {
            // Before its guard lets go of what survives the program.
            if self.machines[index].jobs.begun().is_some() {
                self.keep_job(now, index, out);
            }
            self.with_machine(now, index, out, |machine, acts, out| {
                machine.guard.retire(acts);
                machine.finish(now, out);
            });
        }
        self.answer_groups(now, out);
    }

    /// When to call [`Engine::handle`] with a tick, if nothing else happens before.
    pub fn deadline(&self) -> Option<Moment> {
        let machines = self.queue.first().map(|(at, _)| *at);
        machines
            .into_iter()
            .chain(self.schedules_look)
            .chain(self.outage.deadline())
            .chain(self.mains.deadline())
            .chain(self.emergency_link_deadline())
            .chain(self.quotas.deadline())
            .chain(self.groups.deadline())
            .chain(self.emergencies.deadline())
            .chain(self.blind.deadline())
            .min()
    }

    pub fn plan(&self) -> &SharedPlan {
        &self.plan
    }

    /// What a plain off would meet now: it acts only while this is clear.
    pub fn permissive(&self, now: Moment, machine: MachineIx) -> guard::PermissiveState {
        self.machines[machine].guard.state(now)
    }

    /// What the detectors say of this machine, most telling first.
    pub fn reasons(&self, now: Moment, machine: MachineIx) -> Vec<Arc<str>> {
        self.machines[machine].reasons(now)
    }

    pub fn link_is_up(&self) -> bool {
        self.link_up
    }

    fn message(&mut self, now: Now, message: &Message, missed: bool, out: &mut Vec<Effect>) {
        let mut targets = std::mem::take(&mut self.targets);
        self.router.targets(&message.topic, &mut targets);
        for target in &targets {
            if let Target::Input { input } = *target
                && !missed
            {
                self.input_heard(now.moment, input, message);
            }
            match *target {
                Target::Signal { machine, signal } => self.signal_message(now, machine, signal, message, out),
                Target::Sign { machine, signal } => self.sign_message(now, machine, signal, message, out),
                Target::OutletState { machine } => self.outlet_message(now, machine, message, out),
                Target::Reach { machine } => self.reach_message(now, machine, message, out),
                Target::Input { input } if self.is_contact(input) => {
                    self.contact_message(now, input, message, missed, out);
                }
                Target::Input { input } => self.input_message(now, input, message, Line::Main, out),
                Target::RequestTopic { input } => self.request_message(now, input, message, Line::Main, out),
                Target::Order { machine } => self.order_message(now, machine, message, out),
                Target::Battery { input } => self.battery_message(now, input, message, out),
            }
        }
        self.targets = targets;
    }

    /// Only emergencies count; what else an emergency input says comes over the main connection, in its turn.
    fn emergency_message(&mut self, now: Now, message: &Message, out: &mut Vec<Effect>) {
        let mut targets = std::mem::take(&mut self.targets);
        self.router.targets(&message.topic, &mut targets);
        for target in &targets {
            match *target {
                Target::Signal { .. }
                | Target::Sign { .. }
                | Target::OutletState { .. }
                | Target::Reach { .. }
                | Target::Battery { .. }
                | Target::Order { .. } => {}
                Target::Input { input } | Target::RequestTopic { input }
                    if !self.plan.inputs[input].rights.emergency => {}
                Target::Input { input } if self.is_contact(input) => {
                    self.contact_emergency(now, input, message, out);
                }
                Target::Input { input } => self.input_message(now, input, message, Line::Emergency, out),
                Target::RequestTopic { input } => {
                    self.request_message(now, input, message, Line::Emergency, out);
                }
            }
        }
        self.targets = targets;
    }

    fn link(&mut self, now: Now, state: &LinkState, out: &mut Vec<Effect>) {
        let lost = self.link_up || *state != LinkState::Up;
        self.link_up = *state == LinkState::Up;
        if self.link_up {
            self.main_link_is_up(now.moment);
            self.blind.link_up(now.moment);
        } else {
            self.blind.link_down();
            self.contacts.values_mut().for_each(|contact| contact.out_of_sight(now.moment));
        }
        // What comes right behind the proof of a connection may be of the same moment, and counts. What was measured
        // before does not, whether it came over a connection that was not proved yet or is sent late by the meter:
        // nobody knows what else it said in between.
        let until = if self.link_up { now.moment - Span(1) } else { now.moment };
        for index in self.machines.indices() {
            let up = self.link_up;
            self.with_machine(now, index, out, |machine, acts, _| {
                machine.cut_off(now, until, lost, acts);
                machine.poll(now.moment, up, true);
            });
            self.tell_guard(now, index, Input::Link(self.link_up), out);
            self.order_store_opened(now, index, out);
        }
        if self.link_up {
            self.release_held(now, out);
            self.tell_found(now, out);
        }
    }

    fn assessed(&mut self, now: Now, assessed: Assessed, out: &mut Vec<Effect>) {
        let Some((index, _)) = self.plan.machine(assessed.machine.as_str()) else { return };
        let mut acts = std::mem::take(&mut self.acts);
        if self.machines[index].take_assessed(now, assessed, &mut acts, out) {
            self.do_what_the_guard_wants(now, index, &mut acts, out);
        }
        self.acts = acts;
    }

    fn run_due(&mut self, now: Now, out: &mut Vec<Effect>) {
        let begin = out.len();
        // Each machine once: whatever becomes due through this pass is due at the next call.
        for _ in 0..self.machines.len() {
            let Some((at, index)) = self.queue.first().copied() else { break };
            if at > now.moment {
                break;
            }
            self.with_machine(now, index, out, |machine, acts, out| machine.tick(now, acts, out));
        }
        fold_unconfirmed(out, begin);
    }

    /// What the circuit of this machine would bear with it on.
    pub(super) fn load(&self, now: Moment, index: MachineIx) -> Option<Load> {
        let places = self.plan.machines.iter().map(|machine| machine.circuit);
        Load::with(&self.plan.shop.circuits, places, index, |other| self.machines[other].guard.may_draw(now))
    }

    pub(super) fn tell_guard(&mut self, now: Now, index: MachineIx, input: Input, out: &mut Vec<Effect>) {
        self.with_machine(now, index, out, |machine, acts, _| machine.guard.handle(now.moment, input, acts));
    }

    /// Lets something happen to a machine, then does what its guard wants done.
    pub(super) fn with_machine(
        &mut self,
        now: Now,
        index: MachineIx,
        out: &mut Vec<Effect>,
        happen: impl FnOnce(&mut MachineState, &mut Vec<guard::Effect>, &mut Vec<Effect>),
    ) {
        let mut acts = std::mem::take(&mut self.acts);
        happen(&mut self.machines[index], &mut acts, out);
        self.machines[index].replace_outdated(now, &mut self.generations, out);
        self.do_what_the_guard_wants(now, index, &mut acts, out);
        self.acts = acts;
    }

    /// From here all of it goes forward: what need not be said is left out, the rest is put into words, and nothing
    /// asks the guard again.
    fn do_what_the_guard_wants(
        &mut self,
        now: Now,
        index: MachineIx,
        acts: &mut Vec<guard::Effect>,
        out: &mut Vec<Effect>,
    ) {
        self.machines[index].count_services(now, acts, out);
        self.leave_unsaid(now, index, acts);
        self.translate(now, index, acts, out);
        acts.clear();
        self.look_at_pairing(now, index, out);
        self.machines[index].look_at_warnings(now, out);
        self.look_at_job(now, index, out);
        self.look_at_mains_of(now, index);
        self.settle(now, index, out);
        self.tell_followers(now, index, out);
    }

    /// Puts the machine back into the queue, and tells if it looks different now.
    pub(super) fn settle(&mut self, now: Now, index: MachineIx, out: &mut Vec<Effect>) {
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
            let machine = machine.rules().name.clone();
            out.push(Effect::Status { machine });
        }
    }
}
