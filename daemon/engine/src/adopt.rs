//! New rules for an engine at work: what did not change is not disturbed, and nothing is switched.
//!
//! A machine that is gone closes cleanly: its window is closed and said to be, what waits is answered. One whose outlet
//! is another now begins anew, since what was known of the old one says nothing about it; only a lockout stays. Every
//! other machine's guard lives on under the new policy, and each detector whose file, settings and signals are the same
//! goes on with what it knows. One with another file or other settings is shown anew what the one before had seen,
//! unless one of its signals is read differently now: then that was perhaps another meter, or another unit.

use std::collections::{BTreeSet, HashMap};

use super::answers::InUse;
use super::core::Engine;
use super::detector::DetectorState;
use super::effect::Effect;
use super::interlocks::Followers;
use super::machine::MachineState;
use super::router::Router;
use super::schedule;
use crate::signals::SignalState;
use idlegate_guard::time::Now;
use idlegate_guard::{Input, Kept};
use idlegate_plan::event::{DetectorId, Install, Name};
use idlegate_plan::{
    Alive, DetectorIx, DetectorUse, Machine, MachineIx, ModuleSource, OnChange, Plan, Reports, SharedPlan,
    Signal, SignalIx, indexed, indices,
};

impl Engine {
    /// Takes new rules. `replaced` are the detectors whose file has another content than before.
    ///
    /// Effects of earlier events must have been carried out: they are about the machines of the old rules.
    pub fn adopt(
        &mut self,
        plan: SharedPlan,
        replaced: &BTreeSet<ModuleSource>,
        now: Now,
        out: &mut Vec<Effect>,
    ) {
        let before = self.plan.clone();
        self.answered.forget_old(now.moment);
        self.retire_machines(&plan, now, out);
        let mut states: HashMap<Name, MachineState> = HashMap::new();
        for state in std::mem::take(&mut self.machines) {
            states.insert(state.rules().name.clone(), state);
        }
        let mut fresh = BTreeSet::new();
        for (index, rules) in indexed(&plan.machines) {
            let state = match states.remove(&rules.name) {
                Some(mut state) => {
                    let renewal = Renewal { before: &before, plan: &plan, index, replaced };
                    state.renew(&renewal, &mut self.generations, now, out);
                    state
                }
                None => {
                    let known = self.departed.known_of(rules);
                    let deferral_max = rules.policy.deferral_max;
                    let kept = super::kept::recall(&known, &mut self.names, deferral_max, now);
                    fresh.insert(index);
                    let mut state = MachineState::new(&plan, index, kept, now);
                    state.recall(&known, &mut self.names);
                    state
                }
            };
            self.machines.push(state);
        }
        self.schedules = schedule::carried_over(std::mem::take(&mut self.schedules), &before, &plan);
        self.schedules_look = (!self.schedules.is_empty()).then_some(now.moment);
        self.router = Router::new(&plan);
        self.in_use = InUse::new(&plan);
        self.followers = Followers::new(&plan);
        self.rules_digest = plan.digest.as_str().into();
        self.quotas.retain(|input| plan.input(input.as_str()).is_some());
        let (inputs, machines) =
            (|name: &Name| plan.input(name.as_str()), |name: &Name| plan.machine(name.as_str()));
        self.emergencies.retain(|input| inputs(input).is_some(), |machine| machines(machine).is_some());
        self.misfits.adopt(&self.plan, &plan);
        self.inputs_heard.retain(|input| plan.input(input.as_str()).is_some());
        if self.link_up {
            self.blind.begin_anew(now.moment);
        }
        self.plan = plan;
        self.queue.clear();
        for index in &fresh {
            self.machines[*index].install(now.moment, &mut self.generations, out);
        }
        self.settle_followers(now.moment);
        self.adopt_contacts(now, out);
        self.settle_departed(now, fresh.iter().copied(), out);
        for index in self.machines.indices() {
            if fresh.contains(&index) {
                self.tell_guard(now, index, Input::Link(self.link_up), out);
            }
            self.machines[index].poll(now.moment, self.link_up, false);
            // Something may be due earlier under the new policy.
            self.with_machine(now, index, out, |machine, acts, out| machine.tick(now, acts, out));
            out.push(Effect::Status { machine: self.machine_name(index) });
        }
        self.tell_all_followers(now, out);
        self.look_for_blind_spots(now, out);
    }

    /// Those that are gone, or whose outlet is another: the latter begin anew under the new rules.
    fn retire_machines(&mut self, plan: &Plan, now: Now, out: &mut Vec<Effect>) {
        let first = out.len();
        for index in self.machines.indices() {
            let rules = self.machines[index].rules().clone();
            if plan.machine(rules.name.as_str()).is_some_and(|(_, new)| same_outlet(new, &rules)) {
                continue;
            }
            self.leave_job(now, index, out);
            self.with_machine(now, index, out, |machine, acts, out| {
                machine.guard.retire(acts);
                machine.finish(now, out);
            });
            let machine = &self.machines[index];
            let kept = Kept { deferral: None, kept_on: None, ..machine.guard.kept() };
            let mut written = machine.written_down(&kept, &self.names, now);
            (written.state.longer, written.state.job) = (None, None);
            self.departed.put(rules.name.clone(), written.state.locks.clone());
            self.departed.put_services(rules.name.clone(), written.state.services.clone());
            // A deferral ends with it, after a restart too.
            out.push(Effect::Keep(written));
            for detector in indices(&rules.detectors) {
                out.push(Effect::Remove(detector_at(&rules, detector)));
            }
        }
        // They are gone, and everything else is shown anew in a moment.
        let told: Vec<Effect> =
            out.drain(first..).filter(|effect| !matches!(effect, Effect::Status { .. })).collect();
        out.extend(told);
        let departed: Vec<bool> = self
            .machines
            .iter()
            .map(|state| {
                let rules = state.rules();
                !plan.machine(rules.name.as_str()).is_some_and(|(_, new)| same_outlet(new, rules))
            })
            .collect();
        let mut departed = departed.into_iter();
        self.machines.retain(|_| !departed.next().unwrap_or(false));
    }
}

/// What is needed to bring a machine under new rules.
pub(super) struct Renewal<'a> {
    pub(super) before: &'a Plan,
    pub(super) plan: &'a SharedPlan,
    pub(super) index: MachineIx,
    pub(super) replaced: &'a BTreeSet<ModuleSource>,
}

impl MachineState {
    fn renew(&mut self, renewal: &Renewal<'_>, generations: &mut u64, now: Now, out: &mut Vec<Effect>) {
        let old = renewal.before.machines[self.index].clone();
        let new = &renewal.plan.machines[renewal.index];
        (self.plan, self.index, self.queued) = (renewal.plan.clone(), renewal.index, None);
        self.title = new.title.as_str().into();
        self.guard.adopt(new.policy);
        self.others = self.others.renewed(&self.plan, new);
        self.lets_go = self.silences.follow(new);
        let kept = self.renew_signals(&old, new);
        let mut states: Vec<Option<DetectorState>> =
            std::mem::take(&mut self.detectors).into_iter().map(Some).collect();
        for (place, uses) in indexed(&new.detectors) {
            let before = old.detectors.get(place.0);
            let future = future(before, &old, uses, new, &kept, renewal.replaced.contains(&uses.module));
            let state = states.get_mut(place.0).and_then(Option::take);
            let outdated = state.as_ref().is_some_and(DetectorState::is_outdated);
            self.detectors.push(match state.filter(|_| future == Future::GoesOn) {
                Some(state) => state,
                None => {
                    *generations += 1;
                    self.stopped_detectors.begins_anew(place);
                    let with_history = future == Future::WithHistory && !outdated;
                    if before.is_some() && !with_history {
                        // Its history goes with it.
                        out.push(Effect::Remove(detector_at(new, place)));
                    }
                    out.push(Effect::Install(installation(new, place, *generations)));
                    let begins = if with_history { DetectorState::with_history } else { DetectorState::new };
                    begins(*generations, now.moment)
                }
            });
        }
        self.forget_stopped_detectors(now, DetectorIx(new.detectors.len()), out);
        for detector in indices(&old.detectors).skip(new.detectors.len()) {
            out.push(Effect::Remove(detector_at(new, detector)));
        }
    }

    /// Keeps what is known of signals that are read as before; says which these are.
    fn renew_signals(&mut self, old: &Machine, new: &Machine) -> BTreeSet<Name> {
        let kept = signals_as_before(old, new);
        self.eyes.retain_signals(|name| kept.contains(name));
        let mut states: Vec<Option<SignalState>> =
            std::mem::take(&mut self.signals).into_iter().map(Some).collect();
        for rules in &new.signals {
            let before = old.signals.iter().position(|before| before.name == rules.name);
            let state = before.filter(|_| kept.contains(&rules.name)).and_then(|place| states[place].take());
            self.signals.push(state.unwrap_or_else(|| SignalState::new(rules)));
        }
        kept
    }
}

/// Signals that come from the same place in the same messages and are turned into readings in the same way. How long a
/// reading counts may differ: that changes no reading.
pub(super) fn signals_as_before(old: &Machine, new: &Machine) -> BTreeSet<Name> {
    let as_before = |rules: &&Signal| {
        let Signal { name, source, kind, sender_stores, reports, stale_after: _, stuck_after: _ } = rules;
        let same = |before: &Signal| {
            let taken = before.kind == *kind
                && before.sender_stores == *sender_stores
                && same_life(&before.reports, reports);
            before.name == *name && before.source == *source && taken
        };
        old.signals.iter().any(same)
    };
    new.signals.iter().filter(as_before).map(|signal| signal.name.clone()).collect()
}

/// The same shows that the meter is there, however often.
fn same_life(one: &Reports, other: &Reports) -> bool {
    match (one, other) {
        (Reports::Steadily, Reports::Steadily) => true,
        (Reports::OnChange(one), Reports::OnChange(other)) => {
            let sign = |alive: &Alive| (alive.sign.clone(), alive.sender_stores);
            let asked = |on_change: &OnChange| on_change.refresh.as_ref().map(|polling| polling.ask.clone());
            one.alive.as_ref().map(sign) == other.alive.as_ref().map(sign) && asked(one) == asked(other)
        }
        (Reports::Steadily, Reports::OnChange(_)) | (Reports::OnChange(_), Reports::Steadily) => false,
    }
}

/// The same relay behind the same topics.
pub(super) fn same_outlet(new: &Machine, old: &Machine) -> bool {
    let (new, old) = (&new.outlet, &old.outlet);
    new.state == old.state && new.order == old.order && new.reach == old.reach
}

/// What new rules mean for the detector at one place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Future {
    GoesOn,
    /// Begins anew, and is shown what the one before it had seen.
    WithHistory,
    FromNothing,
}

/// What becomes of a detector; `as_before` are the signals that are read as before.
pub(super) fn future(
    before: Option<&DetectorUse>,
    old: &Machine,
    after: &DetectorUse,
    new: &Machine,
    as_before: &BTreeSet<Name>,
    replaced: bool,
) -> Future {
    let fed = |uses: &DetectorUse, machine: &Machine| -> Vec<Option<Name>> {
        uses.signals.iter().map(|signal| signal.map(|at| machine.signals[at].name.clone())).collect()
    };
    let Some(before) = before else { return Future::FromNothing };
    let wired = fed(after, new);
    if fed(before, old) != wired || !wired.iter().flatten().all(|name| as_before.contains(name)) {
        return Future::FromNothing;
    }
    let same_work =
        before.module == after.module && before.settings == after.settings && before.name == after.name;
    if same_work && !replaced { Future::GoesOn } else { Future::WithHistory }
}

pub(super) fn detector_at(machine: &Machine, detector: DetectorIx) -> DetectorId {
    DetectorId { machine: machine.name.clone(), detector }
}

pub(super) fn installation(machine: &Machine, detector: DetectorIx, generation: u64) -> Install {
    let uses = &machine.detectors[detector];
    let name_of = |signal: &Option<SignalIx>| signal.map(|signal| machine.signals[signal].name.clone());
    Install {
        id: detector_at(machine, detector),
        generation,
        module: uses.module.clone(),
        settings: uses.settings.clone(),
        signals: uses.signals.iter().map(name_of).collect(),
    }
}
