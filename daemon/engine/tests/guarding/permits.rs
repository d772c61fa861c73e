//! Switching on is guarded too, and shadow mode sends nothing.

use super::world::{World, name, plan};
use idlegate_engine::Effect;
use idlegate_guard::time::Span;
use idlegate_guard::{Cause, Decision, Switch};
use idlegate_plan::event::{Assessed, Assessment, Event, Verdict};
use idlegate_plan::{DetectorIx, DetectorUse, MachineIx, Plan, Role};

/// The mill with a lid that must be closed before it may be switched on.
fn with_lid() -> Plan {
    let mut plan = plan();
    let mill = &mut plan.machines[0];
    let lid = DetectorUse { name: name("lid"), role: Role::PermitOn, ..mill.detectors[0].clone() };
    mill.detectors.push(lid);
    mill.policy.on_needs_permit = true;
    plan
}

fn lid_says(world: &mut World, verdict: Verdict, reason: &str) {
    let assessment = Assessment { verdict, reason: reason.into(), evidence: vec![], clears_in: None };
    let generation = world.generation_of(1);
    world.event(Event::Assessed(Assessed {
        machine: name("mill"),
        detector: DetectorIx(1),
        generation,
        feed: u64::MAX,
        at: world.now.moment,
        outcome: Ok(assessment),
    }));
}

#[test]
fn an_on_without_its_permit_is_refused_with_the_reason() {
    let mut world = World::of(with_lid());
    world.says("outlets/mill/says", "off");
    world.says("meters/mill", "0");
    world.says("buttons/mill", "press");
    assert_eq!(world.decision(), (Decision::Refused, "on-permit-missing"), "nobody has seen the lid yet");
    world.wait(Span::secs(3));
    lid_says(&mut world, Verdict::Busy, "the lid is open");
    world.says("buttons/mill", "press");
    assert_eq!(world.decision(), (Decision::Refused, "on-permit-missing"));
    let sentence = idlegate_messages::effects::sentences::decision(world.decisions()[0]);
    assert_eq!(sentence, "Mill was not switched on: the lid is open.");
    assert_eq!(world.orders(), []);
}

#[test]
fn an_on_with_its_permit_switches_on() {
    let mut world = World::of(with_lid());
    world.says("outlets/mill/says", "off");
    world.says("meters/mill", "0");
    lid_says(&mut world, Verdict::Idle, "the lid is closed");
    world.says("buttons/mill", "press");
    assert_eq!(world.orders(), [(Switch::On, Cause::Plain)]);
}

#[test]
fn a_permit_for_on_has_no_say_in_switching_off() {
    let mut world = World::of(with_lid());
    world.says("outlets/mill/says", "on");
    for _ in 0..2 {
        world.reads(Verdict::Idle);
        world.wait(Span::secs(5));
    }
    lid_says(&mut world, Verdict::Busy, "the lid is open");
    world.reads(Verdict::Idle);
    world.says("buttons/mill", "press");
    assert_eq!(world.orders(), [(Switch::Off, Cause::Plain)]);
}

#[test]
fn shadow_mode_decides_and_tells_but_sends_only_emergencies() {
    let mut plan = plan();
    plan.machines[0].policy.shadow = true;
    let mut world = World::of(plan);
    world.says("outlets/mill/says", "on");
    world.reads(Verdict::Idle);
    world.wait(Span::secs(5));
    world.reads(Verdict::Idle);
    world.says("buttons/mill", "press");
    assert_eq!(world.decision(), (Decision::Acted, "machine-idle"));
    let sent = |world: &World| -> Vec<bool> {
        let orders = world.effects.iter().filter_map(|effect| match effect {
            Effect::Order(order) => Some(!order.shadow),
            _ => None,
        });
        orders.collect()
    };
    assert_eq!(sent(&world), [false]);
    assert!(
        world.engine.status(world.now.moment, MachineIx(0)).shadow,
        "people see that it is only a shadow"
    );
    world.says("contacts/red", "open");
    assert_eq!(sent(&world), [true]);
}
