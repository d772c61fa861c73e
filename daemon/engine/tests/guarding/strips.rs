//! A strip of sockets: one topic tells the state of all of them, one takes the orders for all of them.

use super::world::{World, name, plan};
use idlegate_engine::Effect;
use idlegate_guard::Switch;
use idlegate_plan::event::Verdict;
use idlegate_plan::{Plan, ValuePath};

pub(super) fn strip() -> Plan {
    let mut plan = plan();
    let mut kiln = plan.machines[0].clone();
    kiln.name = name("kiln");
    kiln.signals[0].source.filter = "meters/kiln".into();
    plan.machines.push(kiln);
    for (socket, machine) in plan.machines.iter_mut().enumerate() {
        machine.outlet.reach = None;
        machine.outlet.state.as_mut().unwrap().source.filter = "outlets/strip/says".into();
        machine.outlet.state.as_mut().unwrap().source.path =
            ValuePath::JsonPointer(format!("/sockets/{socket}"));
        machine.outlet.order.as_mut().unwrap().topic = "outlets/strip/order".into();
        machine.outlet.order.as_mut().unwrap().on = format!("{socket} on");
        machine.outlet.order.as_mut().unwrap().off = format!("{socket} off");
    }
    plan
}

fn states(world: &World) -> [Option<Switch>; 2] {
    ["mill", "kiln"].map(|machine| {
        let (machine, _) = world.engine.plan().machine(machine).unwrap();
        world.engine.status(world.now.moment, machine).outlet
    })
}

#[test]
fn one_message_tells_the_state_of_every_socket() {
    let mut world = World::of(strip());
    world.says("outlets/strip/says", r#"{"sockets":["on","off"]}"#);
    assert_eq!(states(&world), [Some(Switch::On), Some(Switch::Off)]);
    world.says("outlets/strip/says", r#"{"sockets":["off","on"]}"#);
    assert_eq!(states(&world), [Some(Switch::Off), Some(Switch::On)]);
}

#[test]
fn a_message_about_one_socket_leaves_the_other_as_it_was() {
    let mut world = World::of(strip());
    world.says("outlets/strip/says", r#"{"sockets":["on"]}"#);
    assert_eq!(states(&world), [Some(Switch::On), None]);
    let told = |world: &World| world.effects.iter().any(|effect| matches!(effect, Effect::Rejected(_)));
    assert!(told(&world), "as long as nothing is known, the rules may look in the wrong place");
    world.says("outlets/strip/says", r#"{"sockets":["on","off"]}"#);
    world.says("outlets/strip/says", r#"{"sockets":["off"]}"#);
    assert_eq!(states(&world), [Some(Switch::Off), Some(Switch::Off)]);
    assert!(!told(&world));
    // A word that is neither is a message about the socket.
    world.says("outlets/strip/says", r#"{"sockets":["off","jammed"]}"#);
    assert_eq!(states(&world), [Some(Switch::Off), None]);
}

#[test]
fn an_order_goes_to_the_socket_that_was_asked_about() {
    let mut world = World::of(strip());
    world.says("outlets/strip/says", r#"{"sockets":["on","on"]}"#);
    world.reads(Verdict::Idle);
    world.says("buttons/mill", "press");
    let ordered: Vec<_> = world
        .effects
        .iter()
        .filter_map(|effect| match effect {
            Effect::Order(order) => Some((order.machine.clone(), order.switch)),
            _ => None,
        })
        .collect();
    assert_eq!(ordered, [(name("mill"), Switch::Off)]);
}
