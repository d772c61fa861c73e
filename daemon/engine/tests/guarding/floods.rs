//! Could go wrong in the workshop: a panel gone mad, a red button that repeats itself or a message that comes over two
//! connections keeps somebody else's request waiting, or one that matters is taken for one of many.

use super::world::{World, name, plan};
use idlegate_engine::{Decided, Effect, ShopIncident, Trouble};
use idlegate_guard::time::Span;
use idlegate_guard::{Announcement, Cause, Switch};
use idlegate_plan::event::{Event, LinkState, Message, Verdict};
use idlegate_plan::{EventId, InputSource, MachineIx, Plan};

const EMERGENCY: (Switch, Cause) = (Switch::Off, Cause::Emergency);

/// Three machines, the second and third without a button.
fn hall() -> Plan {
    let mut plan = plan();
    for title in ["Kiln", "Saw"] {
        let mut machine = plan.machines[0].clone();
        let word = title.to_lowercase();
        (machine.name, machine.title) = (name(&word), title.into());
        machine.outlet.state.as_mut().unwrap().source.filter = format!("outlets/{word}/says");
        machine.outlet.reach = None;
        machine.outlet.order.as_mut().unwrap().topic = format!("outlets/{word}/order");
        machine.signals[0].source.filter = format!("meters/{word}");
        plan.machines.push(machine);
    }
    let red = plan.inputs.iter_mut().find(|input| input.name.as_str() == "red-button").unwrap();
    red.machines = vec![MachineIx(0), MachineIx(1), MachineIx(2)];
    plan
}

fn press(age: u64) -> Message {
    Message { age: Span(age), ..World::message("contacts/red", "open") }
}

fn over_both(world: &mut World, age: u64) -> usize {
    world.event(Event::EmergencyMessage(press(age)));
    let first = world.orders().len();
    world.event(Event::Message(press(age)));
    first + world.orders().len()
}

fn incidents(world: &World) -> Vec<ShopIncident> {
    let told = world.effects.iter().filter_map(|effect| match effect {
        Effect::ShopIncident(told) => Some(told.clone()),
        _ => None,
    });
    told.collect()
}

#[test]
fn one_press_over_two_connections_is_one_decision_whichever_comes_first() {
    for main_first in [false, true] {
        let mut world = World::on_and(Verdict::Busy);
        let events = [Event::EmergencyMessage(press(20)), Event::Message(press(20))];
        let [first, second] = if main_first { [&events[1], &events[0]] } else { [&events[0], &events[1]] };
        world.event(first.clone());
        assert_eq!(world.orders(), [EMERGENCY]);
        assert_eq!(world.decision().1, "emergency");
        // The other stream has other things to deliver first.
        world.wait(Span(1_900));
        let late = match second.clone() {
            Event::Message(message) => Event::Message(Message { age: Span(1_950), ..message }),
            Event::EmergencyMessage(message) => {
                Event::EmergencyMessage(Message { age: Span(1_950), ..message })
            }
            other => other,
        };
        world.event(late);
        assert_eq!((world.orders(), world.decisions().len()), (vec![], 0), "main first: {main_first}");
    }
}

#[test]
fn another_press_over_the_other_connection_is_obeyed() {
    let mut world = World::on_and(Verdict::Busy);
    world.event(Event::EmergencyMessage(press(20)));
    world.wait(Span(600));
    // Its copy over the connection for emergencies is lost: it cannot have been sent before the first one was here.
    world.event(Event::Message(press(500)));
    assert_eq!(world.orders(), [EMERGENCY]);
}

#[test]
fn every_press_counts_where_each_comes_twice() {
    let mut world = World::on_and(Verdict::Busy);
    for _ in 0..5 {
        assert_eq!(over_both(&mut world, 20), 1);
        world.wait(Span(300));
    }
}

#[test]
fn over_the_connection_for_emergencies_nothing_counts_but_an_emergency() {
    let mut rules = plan();
    let console = rules.inputs.iter_mut().find(|input| input.name.as_str() == "console").unwrap();
    console.rights.emergency = true;
    let mut world = World::of(rules);
    world.says("outlets/mill/says", "on");
    let ask = |request: &str| {
        let body = format!(r#"{{"machine":"mill","request":"{request}"}}"#);
        World::message("idlegate/request/console", &body)
    };
    for request in ["off", "force-off", "on", "lock", "nonsense"] {
        world.event(Event::EmergencyMessage(ask(request)));
        assert_eq!((world.effects.len(), world.orders().len()), (0, 0), "{request}");
    }
    world.event(Event::EmergencyMessage(World::message("meters/mill", "12")));
    assert_eq!(world.effects.len(), 0);
    world.event(Event::EmergencyMessage(ask("emergency-off")));
    assert_eq!(world.orders(), [EMERGENCY]);
}

#[test]
fn a_red_button_that_repeats_itself_costs_no_orders_and_one_decision_with_their_number() {
    let mut world = World::of(hall());
    world.says("contacts/red", "open");
    assert_eq!((world.orders().len(), world.decisions().len()), (3, 3));
    for _ in 0..500 {
        world.says("contacts/red", "open");
        assert_eq!((world.orders().len(), world.decisions().len()), (0, 0));
    }
    world.wait(Span::secs(1));
    let repeats: Vec<Decided> = world.decisions().into_iter().cloned().collect();
    assert_eq!(repeats.len(), 1, "{repeats:?}");
    assert_eq!((repeats[0].count, repeats[0].why.word(), &repeats[0].machine), (500, "repeated", &None));
    world.says("contacts/red", "open");
    assert_eq!(world.orders().len(), 3, "after that it is sent again");
}

#[test]
fn a_repeat_after_somebody_has_unlocked_is_meant_anew() {
    let mut rules = plan();
    let console = rules.inputs.iter_mut().find(|input| input.name.as_str() == "console").unwrap();
    console.rights.may_unlock = true;
    let mut world = World::of(rules);
    world.says("contacts/red", "open");
    world.says("idlegate/request/console", r#"{"machine":"mill","request":"unlock"}"#);
    world.says("contacts/red", "open");
    assert_eq!(world.orders(), [EMERGENCY]);
}

#[test]
fn a_flood_of_one_red_button_leaves_another_s_alone() {
    let mut rules = plan();
    let mut other = rules.inputs.iter().find(|input| input.name.as_str() == "red-button").unwrap().clone();
    other.name = name("other-red");
    let InputSource::Topic { source, .. } = &mut other.source else { panic!("it has a topic") };
    source.filter = "contacts/other".into();
    rules.inputs.push(other);
    let mut world = World::of(rules);
    for _ in 0..100 {
        world.says("contacts/red", "open");
    }
    world.says("contacts/other", "open");
    assert_eq!(world.orders(), [EMERGENCY]);
}

#[test]
fn one_red_button_for_several_machines_is_one_announcement_with_all_of_them() {
    let mut world = World::of(hall());
    world.says("outlets/mill/says", "on");
    world.says("outlets/kiln/says", "on");
    world.says("contacts/red", "open");
    let told: Vec<_> = world
        .effects
        .iter()
        .filter_map(|effect| match effect {
            Effect::Announce(told) => Some(told),
            _ => None,
        })
        .collect();
    let [told] = told[..] else { panic!("{told:?}") };
    assert!(matches!(told.what, Announcement::EmergencyOff { .. }));
    assert_eq!((told.machine.as_str(), told.others.len(), told.all), ("kiln", 2, true));
    assert_eq!(told.out_of_sight, ["Saw".into()]);
    assert_eq!(world.decisions().len(), 3, "decisions stay one for each");
}

#[test]
fn outlets_that_have_not_confirmed_an_emergency_are_told_together() {
    let mut world = World::of(hall());
    world.says("contacts/red", "open");
    world.wait(Span::secs(5));
    world.says("outlets/kiln/says", "off");
    world.wait(Span::secs(60));
    let told: Vec<_> = world
        .effects
        .iter()
        .filter_map(|effect| match effect {
            Effect::Incident(told) => Some((told.machine.as_str(), told.others.len())),
            _ => None,
        })
        .collect();
    assert_eq!(told, [("mill", 1)]);
}

#[test]
fn a_flood_is_an_incident_of_its_input_with_a_beginning_and_an_end() {
    let mut world = World::on_and(Verdict::Busy);
    let mut decisions = 0;
    for _ in 0..1_500 {
        for _ in 0..20 {
            world.says("buttons/mill", "press");
            decisions += world.decisions().len();
        }
        world.wait(Span(1));
        for told in incidents(&world) {
            let Trouble::Flood { input, sent, heard, .. } = &told.what else { panic!("{told:?}") };
            assert_eq!((input.as_str(), told.over, *sent > 19_000, *heard), ("button", false, true, 20));
        }
    }
    assert!((60..=80).contains(&decisions), "{decisions} decisions");
    world.wait(Span::secs(9));
    assert_eq!(incidents(&world).len(), 0);
    world.wait(Span::secs(2));
    let told = incidents(&world);
    assert!(told.len() == 1 && told[0].over, "{told:?}");
}

#[test]
fn in_a_flood_another_input_and_another_request_of_the_same_input_are_heard() {
    let mut world = World::on_and(Verdict::Busy);
    for _ in 0..500 {
        world.says("buttons/mill", "press");
    }
    world.wait(Span(1_100));
    world.says("idlegate/request/console", r#"{"machine":"mill","request":"off"}"#);
    assert_eq!(world.decision().0.word(), "held", "another input");
    world.says("buttons/mill", "long-press");
    assert_eq!(world.orders(), [(Switch::Off, Cause::Forced)], "another request of the same");
    world.says("contacts/red", "open");
    assert_eq!(world.orders(), [EMERGENCY]);
}

#[test]
fn no_hands_are_fast_enough_to_reach_a_quota() {
    let mut world = World::on_and(Verdict::Busy);
    for _ in 0..600 {
        world.says("buttons/mill", "press");
        assert_eq!(world.decisions().len(), 1);
        world.wait(Span(100));
        assert_eq!(incidents(&world).len(), 0);
    }
}

#[test]
fn whoever_may_not_is_told_once_and_takes_no_place_from_those_who_may() {
    let mut rules = plan();
    for number in 0..3 {
        let mut panel = rules.inputs.iter().find(|input| input.name.as_str() == "console").unwrap().clone();
        panel.name = name(&format!("panel-{number}"));
        panel.rights.may_force = false;
        rules.inputs.push(panel);
    }
    let mut world = World::of(rules);
    world.says("outlets/mill/says", "on");
    let mut told = 0;
    for kind in ["force-off", "lock", "unlock", "emergency-off"].repeat(6) {
        for number in 0..3 {
            let ask = format!(r#"{{"machine":"mill","request":"{kind}","id":"{number}"}}"#);
            world.says(&format!("idlegate/request/panel-{number}"), &ask);
            let decided = world.decisions();
            assert_eq!(decided[0].decision.word(), "refused", "{kind}");
            assert_eq!(decided[0].answered_id(), None, "and its id is not remembered");
            told += world.announcements().len();
        }
        world.wait(Span(40));
    }
    assert!(told >= 12, "{told} announcements");
    world.says("buttons/mill", "long-press");
    assert_eq!(world.decision().0.word(), "held");
    world.wait(Span(1_500));
    world.says("idlegate/request/console", r#"{"machine":"mill","request":"force-off"}"#);
    assert_eq!(world.orders(), [(Switch::Off, Cause::Forced)]);
}

#[test]
fn a_button_that_counts_from_1_again_after_a_battery_change_is_heard_after_two_minutes() {
    for (counter, again) in [(true, "held"), (false, "ignored")] {
        let mut rules = plan();
        let button = rules.inputs.iter_mut().find(|input| input.name.as_str() == "counting-button").unwrap();
        let InputSource::Topic { event_id: Some(EventId { counter: counts, .. }), .. } = &mut button.source
        else {
            panic!("it counts");
        };
        *counts = counter;
        let mut world = World::of(rules);
        world.says("outlets/mill/says", "on");
        world.says("buttons/counting", r#"{"button":"press","nr":1}"#);
        world.wait(Span::secs(60));
        world.says("buttons/counting", r#"{"button":"press","nr":1}"#);
        assert_eq!(world.decision().1, "duplicate", "delivered twice");
        assert_eq!(world.decisions()[0].against, None);
        world.wait(Span::secs(61));
        world.says("buttons/counting", r#"{"button":"press","nr":1}"#);
        assert_eq!(world.decision().0.word(), again);
        if !counter {
            let hint = world.decisions()[0].against.clone().unwrap();
            assert!(hint.contains("set counter = true"), "{hint}");
        }
    }
}

#[test]
fn a_lost_connection_for_emergencies_is_told_after_a_while_and_what_it_may_have_lost_is_sent_again() {
    let mut world = World::on_and(Verdict::Busy);
    let down = || Event::EmergencyLink(LinkState::Down { why: "cable".into() });
    world.event(down());
    world.wait(Span::secs(9));
    world.event(Event::EmergencyLink(LinkState::Up));
    world.wait(Span::secs(60));
    assert_eq!(incidents(&world).len(), 0, "a moment is none");

    world.event(Event::EmergencyMessage(press(20)));
    world.event(down());
    assert_eq!(world.orders(), [EMERGENCY], "over the main connection, at once");
    world.wait(Span::secs(10));
    let told = incidents(&world);
    assert!(told.len() == 1 && told[0].urgent && !told[0].over, "{told:?}");
    world.event(Event::EmergencyLink(LinkState::Up));
    assert!(incidents(&world)[0].over);
}

#[test]
fn while_the_broker_is_gone_the_connection_for_emergencies_is_no_trouble_of_its_own() {
    let mut world = World::on_and(Verdict::Busy);
    world.event(Event::EmergencyLink(LinkState::Down { why: "gone".into() }));
    world.event(Event::Link(LinkState::Down { why: "gone".into() }));
    world.wait(Span::secs(60));
    assert_eq!(incidents(&world).len(), 0);
    world.event(Event::Link(LinkState::Up));
    world.wait(Span::secs(9));
    assert_eq!(incidents(&world).len(), 0);
    world.wait(Span::secs(1));
    assert_eq!(incidents(&world).len(), 1);
}
