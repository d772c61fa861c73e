//! What new rules would change, in words, before they are taken: the same comparison that [`Engine::adopt`] acts on.
//!
//! [`Engine::adopt`]: super::Engine::adopt

use super::adopt::{Future, future, same_outlet, signals_as_before};
use idlegate_plan::event::Name;
use idlegate_plan::{Group, Input, Machine, ModuleSource, Plan, Role};

/// One thing that changes, as a sentence of its own.
pub fn preview(before: &Plan, after: &Plan, replaced: impl Fn(&ModuleSource) -> bool) -> Vec<String> {
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
    groups(before, after, &mut told);
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
        ("[stand_by]", before.shop.hand_over != after.shop.hand_over),
        ("prefix", before.shop.prefix != after.shop.prefix),
        ("state_dir", before.shop.state_dir != after.shop.state_dir),
    ];
    for (key, _) in restart.iter().filter(|(_, changed)| *changed) {
        told.push(format!(
            "shop: {key} can only change with a restart; until then none of these changes takes effect"
        ));
    }
    if before.shop.keep_names != after.shop.keep_names {
        told.push("shop: keep_names changes at the next start".to_owned());
    }
    match (before.shop.keep_readings, after.shop.keep_readings) {
        (before, after) if before == after => {}
        (_, Some(age)) => told.push(format!("shop: readings are kept for {age}")),
        (_, None) => told.push("shop: readings are no longer kept; those on the disk stay there".to_owned()),
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
    if old.learning != new.learning {
        told.push(format!("machine {}: how it is held after it went back to work changes", new.name));
    }
    if old.interlocks != new.interlocks {
        told.push(format!("machine {}: which machines it needs, or which need it, changes", new.name));
    }
    let as_before = signals_as_before(old, new);
    if old.jobs != new.jobs {
        told.push(format!("machine {}: what counts as a job, or what is told of it, changes", new.name));
    }
    for (place, uses) in new.detectors.iter().enumerate() {
        let before = old.detectors.get(place);
        if before.is_some_and(|before| before.name == uses.name && before.role != uses.role) {
            let role = uses.role.word();
            told.push(format!("machine {}: detector {} now has the role {role}", new.name, uses.name));
        }
        let begins = match future(before, old, uses, new, &as_before, replaced(&uses.module)) {
            Future::GoesOn => continue,
            Future::FromNothing if before.is_none() => "is added; until it has seen enough",
            Future::WithHistory => "starts over with the latest readings; until it has looked at them",
            Future::FromNothing => "starts over with nothing; until it has seen enough",
        };
        let until_then = match uses.role {
            Role::Hold => "the machine counts as busy",
            Role::PermitOn => "the machine cannot be switched on from afar",
            Role::Advise | Role::Warn(_) => "it says nothing",
        };
        told.push(format!("machine {}: detector {} {begins}, {until_then}", new.name, uses.name));
    }
    for gone in old.detectors.iter().skip(new.detectors.len()) {
        told.push(format!("machine {}: detector {} is removed", new.name, gone.name));
    }
    if old.circuit != new.circuit || old.title != new.title {
        told.push(format!("machine {}: its title or circuit changes", new.name));
    }
}

fn groups(before: &Plan, after: &Plan, told: &mut Vec<String>) {
    let of = |plan: &Plan, group: &Group| -> (String, Vec<Name>) {
        let machines = group.machines.iter().map(|at| plan.machines[*at].name.clone());
        (group.title.clone(), machines.collect())
    };
    for old in before.groups.iter().filter(|old| after.group(old.name.as_str()).is_none()) {
        told.push(format!("group {}: removed", old.name));
    }
    for new in &after.groups {
        match before.group(new.name.as_str()) {
            None => told.push(format!("group {}: added", new.name)),
            Some((_, old)) if of(before, old) != of(after, new) => {
                told.push(format!("group {}: its title or machines change", new.name));
            }
            Some(_) => {}
        }
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
