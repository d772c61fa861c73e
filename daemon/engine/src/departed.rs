//! Lockouts of machines that left the rules, or whose outlet is another now. A lockout holds the machine's name and its
//! outlet: whoever renames a locked machine's file has the same relay behind another name, and it stays locked. Once
//! the machine is found again the old name is free.

use std::collections::HashMap;

use super::core::Engine;
use super::effect::{Effect, KeptMachine};
use idlegate_guard::time::Now;
use idlegate_plan::event::Name;
use idlegate_plan::kept::{HeldOutlet, KeptLockout, KeptService, KeptState};
use idlegate_plan::{Machine, MachineIx, Plan};

#[derive(Debug, Default)]
pub(super) struct Departed {
    locks: HashMap<Name, Vec<KeptLockout>>,
    /// What was counted of them.
    services: HashMap<Name, Vec<KeptService>>,
    /// Names whose lockout has passed on to another one, and the machines that have it now.
    moved: Vec<(Name, Name)>,
}

impl Departed {
    /// Of a former run, under these rules: whatever holds a machine that is not there, or an outlet that is another
    /// machine's now.
    pub(super) fn of<'a>(former: impl Iterator<Item = (&'a Name, &'a KeptState)>, plan: &Plan) -> Departed {
        let mut departed = Departed::default();
        for (machine, state) in former {
            let here = plan.machine(machine.as_str()).map(|(_, machine)| machine);
            let same = |lockout: &&KeptLockout| {
                let holds =
                    |here: &Machine| lockout.outlet.as_ref().is_none_or(|held| held.is_of(&here.outlet));
                here.is_some_and(holds)
            };
            let elsewhere: Vec<KeptLockout> =
                state.locks.iter().filter(|lock| !same(lock)).cloned().collect();
            departed.put(machine.clone(), elsewhere);
            if here.is_none() && !state.services.is_empty() {
                departed.services.insert(machine.clone(), state.services.clone());
            }
        }
        departed
    }

    pub(super) fn put(&mut self, machine: Name, locks: Vec<KeptLockout>) {
        if !locks.is_empty() {
            self.locks.insert(machine, locks);
        }
    }

    pub(super) fn put_services(&mut self, machine: Name, services: Vec<KeptService>) {
        self.services.insert(machine, services);
    }

    /// What is known of a machine that is new under this name or with this outlet: all that holds it, and what was
    /// counted.
    pub(super) fn known_of(&mut self, machine: &Machine) -> KeptState {
        let holds =
            |held: &KeptLockout| held.outlet.as_ref().is_some_and(|outlet| outlet.is_of(&machine.outlet));
        let mut found: Vec<(&Name, &Vec<KeptLockout>)> = self
            .locks
            .iter()
            .filter(|(name, locks)| **name == machine.name || locks.iter().any(holds))
            .collect();
        // The name decides, not the order in a table.
        found.sort_by_key(|(name, _)| (*name).clone());
        let mut known = KeptState::default();
        for (name, locks) in found {
            known.add_locks(locks.iter().cloned());
            if *name != machine.name {
                self.moved.push((name.clone(), machine.name.clone()));
            }
        }
        known.services = self.services.remove(&machine.name).unwrap_or_default();
        known
    }

    /// After all machines have been asked for: those that were found again are no longer gone. Tells the names that are
    /// free now.
    fn settle(&mut self, plan: &Plan) -> Vec<Name> {
        let mut free: Vec<Name> = self.moved.drain(..).map(|(old, _)| old).collect();
        free.sort();
        free.dedup();
        for name in &free {
            self.locks.remove(name);
        }
        self.locks.retain(|name, _| plan.machine(name.as_str()).is_none());
        // One that is still a machine's keeps what it has under that name.
        free.retain(|name| plan.machine(name.as_str()).is_none());
        free
    }

    fn forget(&mut self, machine: &Name) {
        self.locks.remove(machine);
    }
}

impl Engine {
    /// What is known of a machine that the rules to come may name: whoever guarded it before may have locked or
    /// unlocked it.
    pub fn expect(&mut self, machine: &Name, locks: &[KeptLockout]) {
        self.departed.forget(machine);
        self.departed.put(machine.clone(), locks.to_vec());
    }

    /// What is to be stored once it is settled which lockout holds which machine.
    pub(super) fn settle_departed(
        &mut self,
        now: Now,
        fresh: impl Iterator<Item = MachineIx>,
        out: &mut Vec<Effect>,
    ) {
        for name in self.departed.settle(&self.plan) {
            out.push(Effect::Keep(KeptMachine { machine: name, state: KeptState::default() }));
        }
        for index in fresh {
            let machine = &self.machines[index];
            if !machine.guard.locks().is_empty() {
                out.push(Effect::Keep(machine.written_down(&machine.guard.kept(), &self.names, now)));
            }
        }
    }

    /// Lockouts that come to light late may hold an outlet that has another name by now.
    pub(super) fn recall_departed(
        &mut self,
        machine: &Name,
        state: &KeptState,
        now: Now,
        out: &mut Vec<Effect>,
    ) {
        if !state.is_locked() {
            return;
        }
        self.departed.put(machine.clone(), state.locks.clone());
        for index in self.machines.indices() {
            let rules = self.machines[index].rules().clone();
            let holds = |held: &HeldOutlet| held.is_of(&rules.outlet);
            if !state.locks.iter().any(|lock| lock.outlet.as_ref().is_some_and(holds)) {
                continue;
            }
            let known = self.departed.known_of(&rules);
            self.machines[index].locks.recall(&known.locks, &mut self.names);
            let kept = super::kept::recall(&known, &mut self.names, rules.policy.deferral_max, now);
            self.with_machine(now, index, out, |machine, acts, _| machine.guard.recall(kept, acts));
        }
        self.settle_departed(now, std::iter::empty(), out);
    }
}
