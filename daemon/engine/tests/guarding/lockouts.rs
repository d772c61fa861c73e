//! What could go wrong: somebody renames a locked machine's file, or two machines change places, and the relay behind
//! the lockout can be switched on again.

use std::sync::Arc;

use super::world::{World, name, plan};
use idlegate_engine::{Effect, Engine, Former, KeptMachine};
use idlegate_guard::Decision;
use idlegate_guard::time::Now;
use idlegate_plan::kept::{HeldOutlet, KeptLockout, KeptState};
use idlegate_plan::{MachineIx, Plan};

fn named(machine: &str) -> Plan {
    let mut plan = plan();
    plan.digest = machine.into();
    plan.machines[0].name = name(machine);
    plan
}

fn pressed() -> World {
    let mut world = World::new();
    world.says("outlets/mill/says", "off");
    world.says("contacts/red", "open");
    world
}

fn asks_on(world: &mut World, machine: &str) -> (Decision, &'static str) {
    world.says("idlegate/request/console", &format!(r#"{{"machine":"{machine}","request":"on"}}"#));
    world.decision()
}

const LOCKED: (Decision, &str) = (Decision::Refused, "lockout");

fn kept(effects: &[Effect]) -> Vec<KeptMachine> {
    let kept = effects.iter().filter_map(|effect| match effect {
        Effect::Keep(kept) => Some(kept.clone()),
        _ => None,
    });
    kept.collect()
}

/// By the last word on each of them.
fn locked(kept: &[KeptMachine]) -> Vec<(String, bool)> {
    let mut last = std::collections::BTreeMap::new();
    for KeptMachine { machine, state } in kept {
        last.insert(machine.to_string(), state.is_locked());
    }
    last.into_iter().collect()
}

#[test]
fn a_locked_machine_stays_locked_whatever_its_file_is_called() {
    let mut world = pressed();
    for renamed in ["big-mill", "mill", "other-mill"] {
        world.adopt(named(renamed));
        let now = kept(&world.effects);
        assert_eq!(locked(&now).iter().filter(|(_, locked)| *locked).count(), 1, "{renamed}: {now:?}");
        assert!(locked(&now).contains(&(renamed.to_owned(), true)), "{renamed}");
        assert_eq!(asks_on(&mut world, renamed), LOCKED);
    }
    // Once it is released, no former name brings it back.
    world.adopt(Plan { inputs: unlocking(), ..named("other-mill") });
    world.says("idlegate/request/console", r#"{"machine":"other-mill","request":"unlock"}"#);
    assert_eq!(world.decision(), (Decision::Acted, "unlocked"));
    world.adopt(Plan { inputs: unlocking(), ..named("mill") });
    assert_ne!(asks_on(&mut world, "mill"), LOCKED);
}

fn unlocking() -> Vec<idlegate_plan::Input> {
    let mut inputs = plan().inputs;
    inputs.iter_mut().for_each(|input| input.rights.may_unlock = true);
    inputs
}

#[test]
fn a_locked_machine_that_was_renamed_while_nobody_guarded_stays_locked() {
    let world = &mut pressed();
    let former = Former { machines: stored(&kept(&world.effects)), answered: Vec::new() };
    let mut after = World::under(named("big-mill"), &former);
    assert_eq!(asks_on(&mut after, "big-mill"), LOCKED);
    // What is stored at that start is found at the next.
    let mut engine = Engine::new(Arc::new(named("big-mill")), &former, Now::default());
    let mut effects = Vec::new();
    engine.start(Now::default(), &mut effects);
    let now = kept(&effects);
    assert_eq!(locked(&now), [("big-mill".to_owned(), true), ("mill".to_owned(), false)]);
    let mut next = World::under(named("mill"), &Former { machines: stored(&now), answered: Vec::new() });
    assert_eq!(asks_on(&mut next, "mill"), LOCKED, "and back again");
}

/// As the journal has it in the end.
fn stored(kept: &[KeptMachine]) -> Vec<KeptMachine> {
    let mut last = std::collections::BTreeMap::new();
    for each in kept {
        last.insert(each.machine.clone(), each.clone());
    }
    last.into_values().collect()
}

#[test]
fn of_two_machines_that_change_places_both_stay_locked() {
    let two = |swapped: bool| {
        let mut plan = named("mill");
        let mut kiln = plan.machines[0].clone();
        kiln.name = name("kiln");
        kiln.outlet.reach = None;
        kiln.outlet.state.as_mut().unwrap().source.filter = "outlets/kiln/says".into();
        kiln.outlet.order.as_mut().unwrap().topic = "outlets/kiln/order".into();
        kiln.signals[0].source.filter = "meters/kiln".into();
        if swapped {
            std::mem::swap(&mut plan.machines[0].outlet, &mut kiln.outlet);
            plan.digest = "swapped".into();
        }
        plan.machines.push(kiln);
        plan.inputs[1].machines = vec![MachineIx(0), MachineIx(1)];
        plan
    };
    let mut world = World::of(two(false));
    world.says("contacts/red", "open");
    assert_ne!(asks_on(&mut world, "kiln"), LOCKED, "the red button is not for the kiln");
    world.adopt(two(true));
    assert_eq!(asks_on(&mut world, "mill"), LOCKED, "by its name");
    assert_eq!(asks_on(&mut world, "kiln"), LOCKED, "by its outlet");
}

#[test]
fn the_other_sockets_of_a_strip_are_not_locked_with_one_that_left() {
    let strip = |sockets: &[usize]| {
        let mut plan = named("mill");
        let one = plan.machines[0].clone();
        plan.machines = sockets
            .iter()
            .map(|socket| {
                let mut machine = one.clone();
                machine.name = name(&format!("socket-{socket}"));
                machine.outlet.order.as_mut().unwrap().topic = "strip/order".into();
                machine.outlet.order.as_mut().unwrap().on = format!("{socket} on");
                machine.outlet.order.as_mut().unwrap().off = format!("{socket} off");
                machine
            })
            .collect();
        plan.digest = format!("{sockets:?}");
        plan
    };
    let mut world = World::of(strip(&[1]));
    world.says("contacts/red", "open");
    world.adopt(strip(&[2]));
    assert_ne!(asks_on(&mut world, "socket-2"), LOCKED);
    world.adopt(strip(&[1]));
    assert_eq!(asks_on(&mut world, "socket-1"), LOCKED);
}

#[test]
fn a_lockout_that_comes_to_light_late_holds_the_outlet_too() {
    let order = plan().machines[0].outlet.order.clone().unwrap();
    let lockout =
        KeptLockout { outlet: Some(HeldOutlet::of(&order)), ..KeptLockout::new(name("red-button"), true) };
    let old = KeptMachine { machine: name("old-mill"), state: KeptState::locked(lockout) };
    let mut world = World::new();
    world.says("outlets/mill/says", "off");
    let (now, mut effects) = (world.now, Vec::new());
    world.engine.recall(&Former { machines: vec![old], answered: Vec::new() }, now, &mut effects);
    assert_eq!(locked(&kept(&effects)), [("mill".to_owned(), true), ("old-mill".to_owned(), false)]);
    assert_eq!(asks_on(&mut world, "mill"), LOCKED);
}

#[test]
fn a_lockout_of_an_earlier_version_is_stored_anew_with_its_outlet() {
    let old = KeptMachine {
        machine: name("mill"),
        state: KeptState::locked(KeptLockout::new(name("red-button"), true)),
    };
    let former = Former { machines: vec![old], answered: Vec::new() };
    let mut engine = Engine::new(Arc::new(plan()), &former, Now::default());
    let mut effects = Vec::new();
    engine.start(Now::default(), &mut effects);
    let now = kept(&effects);
    let outlet = now[0].state.lockout().unwrap().outlet.as_ref().unwrap();
    assert!(outlet.is_of(&plan().machines[0].outlet));
}

#[test]
fn whoever_guarded_a_machine_before_has_the_last_word_on_its_lockout() {
    let lockout = KeptLockout::new(name("red-button"), true);
    for expected in [vec![lockout], Vec::new()] {
        let mut world = pressed();
        world.adopt(named("kiln-that-is-elsewhere"));
        world.engine.expect(&name("mill"), &expected);
        let mut back = named("mill");
        back.machines[0].outlet.order.as_mut().unwrap().topic = "outlets/another/order".into();
        world.adopt(back);
        assert_eq!(asks_on(&mut world, "mill") == LOCKED, !expected.is_empty(), "{expected:?}");
    }
}
