//! What new rules would change, in words, before they are taken: the same comparison that [`Engine::adopt`] acts on.
//!
//! [`Engine::adopt`]: super::Engine::adopt

use super::adopt::{Future, future, same_outlet, signals_as_before};
use crate::event::Name;
use crate::plan::{Input, Machine, ModuleSource, Plan};

/// One thing that changes, as a sentence of its own.
pub fn foreseen(before: &Plan, after: &Plan, replaced: impl Fn(&ModuleSource) -> bool) -> Vec<String> {
    let mut told = Vec::new();
    for old in before.machines.iter().filter(|old| after.machine(old.name.as_str()).is_none()) {
        told.push(format!(
            "machine {}: no longer guarded; an open window closes, nothing is switched",
            old.name
        ));
    }
    for new in &after.machines {
        match before.machine(new.name.as_str()) {
            None => told.push(format!(
                "machine {}: guarded from now on; it counts as busy until its detectors have seen enough",
                new.name
            )),
            Some((_, old)) => machine(old, new, &replaced, &mut told),
        }
    }
    for old in before.inputs.iter().filter(|old| after.input(old.name.as_str()).is_none()) {
        told.push(format!("input {}: removed", old.name));
    }
    for new in &after.inputs {
        match before.input(new.name.as_str()) {
            None => told.push(format!("input {}: added", new.name)),
            Some((_, old)) if !same_input(before, old, after, new) => {
                told.push(format!("input {}: its topics, gestures or rights change", new.name));
            }
            Some(_) => {}
        }
    }
    let restart = [
        ("[broker]", before.shop.broker != after.shop.broker),
        ("prefix", before.shop.prefix != after.shop.prefix),
        ("state_dir", before.shop.state_dir != after.shop.state_dir),
    ];
    for (key, _) in restart.iter().filter(|(_, changed)| *changed) {
        told.push(format!(
            "shop: {key} can only change with a restart; until then none of these changes takes effect"
        ));
    }
    if before.shop.sentences != after.shop.sentences {
        told.push("shop: its sentences change".to_owned());
    }
    if before.shop.circuits != after.shop.circuits {
        told.push("shop: its circuits change".to_owned());
    }
    told
}

fn machine(old: &Machine, new: &Machine, replaced: &impl Fn(&ModuleSource) -> bool, told: &mut Vec<String>) {
    if !same_outlet(new, old) {
        told.push(format!(
            "machine {}: another outlet; it starts over, counts as busy at first, and keeps only a lockout",
            new.name
        ));
        return;
    }
    if old.policy != new.policy {
        let shadow = match (old.policy.shadow, new.policy.shadow) {
            (true, false) => "; from now on it is really switched",
            (false, true) => "; from now on nothing is switched",
            (true, true) | (false, false) => "",
        };
        told.push(format!("machine {}: its guard settings change{shadow}", new.name));
    }
    let as_before = signals_as_before(old, new);
    for (place, uses) in new.detectors.iter().enumerate() {
        let before = old.detectors.get(place);
        let begins = match future(before, old, uses, new, &as_before, replaced(&uses.module)) {
            Future::GoesOn => continue,
            Future::FromNothing if before.is_none() => "is added; until it has seen enough",
            Future::WithHistory => "starts over with the latest readings; until it has looked at them",
            Future::FromNothing => "starts over with nothing; until it has seen enough",
        };
        told.push(format!(
            "machine {}: detector {} {begins}, the machine counts as busy",
            new.name, uses.name
        ));
    }
    for gone in old.detectors.iter().skip(new.detectors.len()) {
        told.push(format!("machine {}: detector {} is removed", new.name, gone.name));
    }
    if old.circuit != new.circuit || old.title != new.title {
        told.push(format!("machine {}: its title or circuit changes", new.name));
    }
}

/// Machines by name, since their places may have moved.
fn same_input(before: &Plan, old: &Input, after: &Plan, new: &Input) -> bool {
    let machines = |plan: &Plan, input: &Input| -> Vec<Name> {
        input.machines.iter().map(|at| plan.machines[*at].name.clone()).collect()
    };
    let moved = Input { machines: old.machines.clone(), ..new.clone() };
    machines(before, old) == machines(after, new) && moved == *old
}
