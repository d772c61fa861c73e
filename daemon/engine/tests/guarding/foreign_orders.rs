//! Orders that reach a guarded outlet past the guard.

use std::collections::BTreeMap;

use super::strips::strip;
use super::world::{World, plan};
use idlegate_engine::{Effect, ForeignOrder, ForeignOrderStage};
use idlegate_guard::time::Span;
use idlegate_guard::{Cause, Switch};
use idlegate_messages::effects::{messages, sentences};
use idlegate_plan::event::{Event, LinkState, Message, Verdict};
use idlegate_plan::{MachineIx, Plan, RefreshTopic};

const TOPIC: &str = "outlets/mill/order";

fn told(world: &World) -> Vec<&ForeignOrder> {
    let told = world.effects.iter().filter_map(|effect| match effect {
        Effect::ForeignOrder(told) => Some(told),
        _ => None,
    });
    told.collect()
}

/// Of the last event: machine, order, stored, and whether it begins, goes on or is over.
fn last(world: &World) -> Option<(&str, &str, bool, ForeignOrderStage)> {
    let told = told(world);
    assert!(told.len() < 2, "{told:?}");
    told.first().map(|told| (told.machine.as_str(), &*told.order, told.stored, told.stage))
}

fn stored(world: &mut World, payload: &str) {
    world.event(Event::Message(Message { retained: true, ..World::message(TOPIC, payload) }));
}

fn ours(world: &mut World, topic: &str, payload: &str) {
    world.event(Event::Message(Message { ours: true, ..World::message(topic, payload) }));
}

fn open(world: &World) -> bool {
    world.engine.status(world.now.moment, MachineIx(0)).incidents.contains(&"order-by-another-route")
}

#[test]
fn an_order_of_somebody_else_is_told_once_until_it_stops() {
    let mut world = World::on_and(Verdict::Busy);
    world.says(TOPIC, "off");
    assert_eq!(last(&world), Some(("mill", "off", false, ForeignOrderStage::Begun)));
    assert!(open(&world));
    for _ in 0..20 {
        world.wait(Span::secs(300));
        assert_eq!(last(&world), None, "a hub that repeats it has not stopped");
        world.says(TOPIC, "off");
        assert_eq!(last(&world), Some(("mill", "off", false, ForeignOrderStage::GoesOn)));
    }
    world.wait(Span::secs(600));
    assert_eq!(last(&world), Some(("mill", "", false, ForeignOrderStage::Over)));
    assert!(!open(&world));
    world.says(TOPIC, "on");
    assert_eq!(last(&world), Some(("mill", "on", false, ForeignOrderStage::Begun)));
}

#[test]
fn our_own_order_is_nobodys_fault_and_says_nothing_about_the_outlet() {
    let mut world = World::on_and(Verdict::Idle);
    for order in ["off", "on"] {
        ours(&mut world, TOPIC, order);
        assert_eq!(last(&world), None, "whichever of our daemons sent it");
        assert_eq!(world.engine.status(world.now.moment, MachineIx(0)).outlet, Some(Switch::On));
    }
}

#[test]
fn an_order_of_ours_that_lost_its_mark_on_the_way_accuses_nobody() {
    let mut world = World::on_and(Verdict::Idle);
    world.says("buttons/mill", "press");
    assert_eq!(world.orders(), [(Switch::Off, Cause::Plain)]);
    world.says(TOPIC, "off");
    assert_eq!(last(&world), None);
    world.says(TOPIC, "on");
    assert_eq!(last(&world), Some(("mill", "on", false, ForeignOrderStage::Begun)), "that was not our order");
}

#[test]
fn a_stored_order_is_urgent_until_it_is_deleted_and_who_sent_it_makes_no_difference() {
    let mut world = World::on_and(Verdict::Busy);
    world.says(TOPIC, "off");
    let message = Message { retained: true, ours: true, ..World::message(TOPIC, "off") };
    world.event(Event::Message(message));
    assert_eq!(last(&world), Some(("mill", "off", true, ForeignOrderStage::Begun)), "worse than before");
    let own = BTreeMap::new();
    let sentence = sentences::foreign_order(told(&world)[0], &own);
    assert!(sentence.contains("every time it reconnects") && sentence.contains(TOPIC), "{sentence}");
    let body = messages::foreign_order(told(&world)[0], &sentence);
    assert!(body.urgent);
    super::published::assert_described("incident", &body);
    world.wait(Span::secs(7_200));
    assert_eq!(last(&world), None, "it lies there however long nobody says anything");
    stored(&mut world, "");
    assert_eq!(last(&world), Some(("mill", "", false, ForeignOrderStage::Over)));
    let over = told(&world)[0];
    assert_eq!(sentences::foreign_order(over, &own), "Mill's outlet is now sent orders by Idlegate alone.");
    assert!(!messages::foreign_order(over, "").urgent);
}

#[test]
fn a_stored_order_found_at_every_reconnect_is_told_once_and_is_over_when_it_is_not_found() {
    let mut world = World::new();
    let down = || Event::Link(LinkState::Down { why: "test".into() });
    world.event(down());
    stored(&mut world, "off");
    assert_eq!(last(&world), Some(("mill", "off", true, ForeignOrderStage::GoesOn)), "nobody could be told");
    world.event(Event::Link(LinkState::Up));
    assert_eq!(last(&world), Some(("mill", "off", true, ForeignOrderStage::Begun)));
    world.event(down());
    stored(&mut world, "off");
    assert_eq!(last(&world), Some(("mill", "off", true, ForeignOrderStage::GoesOn)));
    world.event(Event::Link(LinkState::Up));
    assert_eq!(last(&world), None);
    world.event(down());
    world.event(Event::Link(LinkState::Up));
    assert_eq!(last(&world), Some(("mill", "", false, ForeignOrderStage::Over)));
}

#[test]
fn on_a_strip_each_socket_has_its_own_orders_and_those_of_unguarded_sockets_are_nobodys_business() {
    let mut world = World::of(strip());
    let topic = "outlets/strip/order";
    world.says(topic, "0 off");
    assert_eq!(last(&world), Some(("mill", "off", false, ForeignOrderStage::Begun)), "in the guard's words");
    world.says(topic, "1 off");
    assert_eq!(last(&world), Some(("kiln", "off", false, ForeignOrderStage::Begun)));
    world.says(topic, "2 off");
    assert_eq!(last(&world), None);
    ours(&mut world, topic, "1 off");
    assert_eq!(last(&world), None);
}

fn changed(change: impl FnOnce(&mut Plan)) -> World {
    let mut plan = plan();
    change(&mut plan);
    World::of(plan)
}

#[test]
fn what_is_not_one_of_our_words_counts_unless_it_may_be_meant_for_another() {
    let mut world = World::new();
    world.says(TOPIC, "tog\u{1b}gle");
    assert_eq!(last(&world), Some(("mill", "tog\u{fffd}gle", false, ForeignOrderStage::Begun)));

    let mut json = changed(|plan| {
        plan.machines[0].outlet.order.as_mut().unwrap().off = r#"{"socket":1,"to":"off"}"#.into()
    });
    json.says(TOPIC, r#"{ "to": "off", "socket": 1 }"#);
    assert_eq!(last(&json), Some(("mill", "off", false, ForeignOrderStage::Begun)));

    let mut json = changed(|plan| {
        plan.machines[0].outlet.order.as_mut().unwrap().on = r#"{"socket":1,"to":"on"}"#.into()
    });
    json.says(TOPIC, r#"{"socket":2,"to":"on"}"#);
    assert_eq!(last(&json), None, "a socket that nobody guards");

    let mut asked = changed(|plan| {
        let refresh = RefreshTopic { topic: TOPIC.into(), payload: "say".into() };
        plan.machines[0].outlet.refresh = Some(refresh);
    });
    asked.says(TOPIC, "say");
    assert_eq!(last(&asked), None, "a question is no order");
}

#[test]
fn in_shadow_mode_others_still_switch_the_machine_and_only_a_stored_order_is_told() {
    let mut world = changed(|plan| plan.machines[0].policy.shadow = true);
    world.says(TOPIC, "off");
    assert_eq!(last(&world), Some(("mill", "off", false, ForeignOrderStage::GoesOn)), "counted, not told");
    assert!(!open(&world));
    stored(&mut world, "off");
    assert_eq!(last(&world), Some(("mill", "off", true, ForeignOrderStage::Begun)));
}
