//! Lockouts that nobody is sure of: the journal or its second copy was damaged, or a machine came from another guard
//! that left no word of it. In doubt a machine is locked, and people are told until each has been unlocked by hand.

use std::collections::BTreeSet;

use idlegate_engine::KeptMachine;
use idlegate_messages::effects::handover::Handover;
use idlegate_plan::Plan;
use idlegate_plan::event::Name;
use idlegate_plan::kept::{KeptLockout, KeptState};

#[derive(Debug, Default)]
pub(super) struct Doubt {
    /// Locked for safety, and not unlocked by anybody yet.
    machines: BTreeSet<Name>,
    /// What was stored was damaged, but nothing is in doubt.
    saved: bool,
    told: bool,
    /// Those of this doubt, unlocked or not.
    all: Vec<Name>,
}

/// What is to be told.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum News {
    Saved,
    InDoubt(Vec<Name>),
    Over(Vec<Name>),
}

impl Doubt {
    /// Something was damaged, and these are locked for it.
    pub(super) fn add(&mut self, locked: Vec<Name>) {
        self.told = false;
        self.saved = locked.is_empty() && self.machines.is_empty();
        self.all.extend(locked.iter().cloned());
        self.machines.extend(locked);
    }

    pub(super) fn is_open(&self) -> bool {
        !self.machines.is_empty()
    }

    /// What is to be said once somebody can hear it.
    pub(super) fn take_untold(&mut self) -> Option<News> {
        if std::mem::replace(&mut self.told, true) {
            return None;
        }
        if std::mem::take(&mut self.saved) {
            return Some(News::Saved);
        }
        (!self.machines.is_empty()).then(|| News::InDoubt(self.all.clone()))
    }

    /// What is kept of a machine has changed.
    pub(super) fn note(&mut self, kept: &KeptMachine) -> Option<News> {
        let is_over = !kept.state.locks.iter().any(KeptLockout::is_in_doubt);
        let gone = is_over && self.machines.remove(&kept.machine);
        (gone && self.machines.is_empty()).then(|| News::Over(std::mem::take(&mut self.all)))
    }
}

/// Locks every machine that is not known to be locked anyway, and tells which. With `handover` each has the revision
/// that it gets by that.
pub(super) fn lock_all(plan: &Plan, handover: &mut Handover, kept: &mut Vec<KeptMachine>) -> Vec<Name> {
    let mut locked = Vec::new();
    for machine in &plan.machines {
        let known = kept.iter().position(|kept| kept.machine == machine.name);
        let state = known.map(|at| kept[at].state.clone()).unwrap_or_default();
        if state.is_locked() {
            continue;
        }
        let state = KeptState { locks: vec![KeptLockout::in_doubt()], ..state };
        let now = handover.keep(KeptMachine { machine: machine.name.clone(), state });
        match known {
            Some(at) => kept[at] = now,
            None => kept.push(now),
        }
        locked.push(machine.name.clone());
    }
    locked
}
