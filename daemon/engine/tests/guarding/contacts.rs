//! What could go wrong with a red button that latches: it is pushed while the guard restarts or the line is down, it
//! dies, it says something that nobody expected, or a machine is switched on while it is still pushed in.

use std::collections::BTreeMap;

use super::world::{World, plan};
use idlegate_engine::Effect;
use idlegate_guard::time::Span;
use idlegate_guard::{Cause, Decision, Switch};
use idlegate_messages::effects::sentences;
use idlegate_plan::event::{Event, Line, LinkState, Message, Verdict};
use idlegate_plan::{Contact, InputSource, Plan, Source, ValuePath};

const TOPIC: &str = "contacts/red";

/// The red button has a position, and the console may release it should it die.
fn latching() -> Plan {
    let mut plan = plan();
    let (at, _) = plan.input("red-button").unwrap();
    let (console, _) = plan.input("console").unwrap();
    plan.inputs[console].rights.may_unlock = true;
    plan.inputs[at].gestures.clear();
    plan.inputs[at].source = InputSource::Contact(Contact {
        source: Source { filter: TOPIC.into(), path: ValuePath::Whole },
        pushed: "open".into(),
        released: "closed".into(),
        release_by: Vec::new(),
    });
    plan
}

fn stored(payload: &str) -> Event {
    Event::Message(Message { retained: true, proved: false, ..World::message(TOPIC, payload) })
}

fn busy(plan: Plan) -> World {
    let mut world = World::of(plan);
    world.says("outlets/mill/says", "on");
    world.reads(Verdict::Busy);
    world
}

fn cut(world: &World) -> bool {
    world.effects.iter().any(|effect| {
        matches!(effect, Effect::Order(order) if (order.switch, order.cause) == (Switch::Off, Cause::Emergency))
    })
}

fn said(world: &World) -> Vec<String> {
    let own = BTreeMap::new();
    let told = world.effects.iter().filter_map(|effect| match effect {
        Effect::Announce(told) => Some(sentences::announcement(told, &own)),
        Effect::ContactUnclear(told) => Some(sentences::contact_unclear(told, &own)),
        _ => None,
    });
    told.collect()
}

fn asks(world: &mut World, request: &str) {
    world.wait(Span::secs(3));
    world.says("idlegate/request/console", &format!(r#"{{"machine":"mill","request":"{request}"}}"#));
}

fn line_down_for(world: &mut World, span: Span) {
    world.event(Event::Link(LinkState::Down { why: "cut".into() }));
    world.wait(span);
    world.event(Event::Link(LinkState::Up));
}

/// What was pushed while nobody guarded is heard of in no other way.
#[test]
fn how_it_stands_is_asked_of_the_broker_whoever_else_listens_there() {
    let mut plan = latching();
    let (other, _) = plan.input("night").unwrap();
    let InputSource::Topic { source, .. } = &mut plan.inputs[other].source else { unreachable!() };
    source.filter = TOPIC.into();
    plan.inputs[other].rights.emergency = true;
    let wanted = idlegate_engine::subscriptions(&plan);
    assert!(wanted.contains(&(TOPIC.into(), idlegate_engine::TopicClass::Contact)), "{wanted:?}");
}

/// The broker says how it stands before the connection is proved, and until then nothing is delivered to anybody.
#[test]
fn what_is_found_before_people_can_hear_of_it_is_told_once_they_can() {
    let mut world = busy(latching());
    world.event(Event::Link(LinkState::Down { why: "cut".into() }));
    world.event(stored("open"));
    assert!(said(&world).is_empty());
    world.event(Event::Link(LinkState::Up));
    let told = said(&world);
    assert!(told.len() == 1 && told[0].contains("pushed"), "{told:?}");
    assert!(!cut(&world));
    asks(&mut world, "on");
    assert_eq!(world.decision().0, Decision::Refused);
    line_down_for(&mut world, Span::secs(3));
    assert!(said(&world).is_empty(), "told once");
}

#[test]
fn pushing_it_is_an_emergency_once_and_while_it_is_in_nothing_is_switched_on() {
    let mut world = busy(latching());
    world.event(stored("closed"));
    world.says(TOPIC, "open");
    assert!(cut(&world));
    assert_eq!(world.decision(), (Decision::Acted, "emergency"));
    world.says("outlets/mill/says", "off");
    world.says(TOPIC, "open");
    assert!(!cut(&world), "it only says again how it stands");
    for request in ["on", "unlock"] {
        asks(&mut world, request);
        assert_eq!(world.decision(), (Decision::Refused, "contact-pushed"), "{request}");
        assert!(said(&world)[0].contains("red-button is still pushed in"), "{:?}", said(&world));
    }
    world.says(TOPIC, "closed");
    assert!(!cut(&world));
    asks(&mut world, "unlock");
    assert_eq!(world.decision(), (Decision::Acted, "unlocked"));
    asks(&mut world, "on");
    assert_eq!(world.decision(), (Decision::Acted, "switching-on"));
}

#[test]
fn found_pushed_in_at_a_start_it_switches_nothing_locks_and_is_told_urgently() {
    let mut world = busy(latching());
    world.event(stored("open"));
    assert!(!cut(&world));
    assert!(said(&world)[0].starts_with("red-button is pushed in, and nobody saw it happen. Mill is locked"));
    let urgent = |effect: &Effect| matches!(effect, Effect::Announce(told) if told.is_urgent());
    assert!(world.effects.iter().any(urgent), "the machine is on");
    assert!(
        world.effects.iter().any(|effect| matches!(effect, Effect::Keep(_))),
        "the lockout survives a restart"
    );
}

#[test]
fn pushed_while_the_line_was_down_it_is_obeyed_if_that_was_not_long() {
    for (down, before, obeyed) in [
        (Span::secs(60), Some(true), true),
        (Span::secs(3_600), Some(true), false),
        // Nobody knows whether what is stored there is newer than what was heard.
        (Span::secs(60), Some(false), false),
        (Span::secs(60), None, false),
    ] {
        let mut world = busy(latching());
        match before {
            Some(true) => world.event(stored("closed")),
            Some(false) => world.says(TOPIC, "closed"),
            None => {}
        }
        line_down_for(&mut world, down);
        world.event(stored("open"));
        assert_eq!(cut(&world), obeyed, "after {down}, {before:?}");
        asks(&mut world, "on");
        assert_eq!(world.decision(), (Decision::Refused, "contact-pushed"));
    }
}

#[test]
fn a_press_that_was_heard_while_nobody_guarded_is_obeyed_though_it_is_found_in() {
    let mut world = busy(latching());
    world.event(stored("open"));
    let press = Message { age: Span::secs(20), ..World::message(TOPIC, "open") };
    world.event(Event::MissedPress(press));
    assert!(cut(&world));
}

#[test]
fn one_that_has_died_is_released_by_whom_the_rules_name_and_by_nobody_else() {
    let mut world = busy(latching());
    world.says(TOPIC, "open");
    asks(&mut world, "unlock");
    assert_eq!(world.decision(), (Decision::Refused, "contact-pushed"));

    let mut plan = latching();
    let (at, _) = plan.input("red-button").unwrap();
    if let InputSource::Contact(contact) = &mut plan.inputs[at].source {
        contact.release_by = vec![super::world::name("console")];
    }
    let mut world = busy(plan);
    world.says(TOPIC, "open");
    asks(&mut world, "unlock");
    assert_eq!(world.decision(), (Decision::Acted, "unlocked"));
    world.says(TOPIC, "open");
    assert!(!cut(&world), "it has not moved");
    world.says(TOPIC, "closed");
    world.says(TOPIC, "open");
    assert!(cut(&world), "it works again");
}

#[test]
fn a_word_it_should_not_say_is_an_urgent_incident_until_it_says_one_it_should() {
    let mut world = busy(latching());
    world.says(TOPIC, "closed");
    world.says(TOPIC, "perhaps");
    assert_eq!(
        said(&world),
        [
            "red-button says \"perhaps\", so nobody knows whether it is pushed in. Go and look at it, and at Mill."
        ]
    );
    assert!(!cut(&world));
    world.says(TOPIC, "nonsense");
    assert!(said(&world).is_empty(), "told once");
    world.says(TOPIC, "closed");
    assert_eq!(said(&world), ["red-button says again whether it is pushed in."]);
    world.says(TOPIC, "open");
    assert!(cut(&world));
}

fn over(line: Line, payload: &str, age: Span) -> Event {
    let message = Message { age, ..World::message(TOPIC, payload) };
    match line {
        Line::Main => Event::Message(message),
        Line::Emergency => Event::EmergencyMessage(message),
    }
}

/// Whether each of these cuts the machine off, by the line it comes over.
fn cuts(world: &mut World, said: &[(Line, &str, Span)]) -> Vec<bool> {
    let all = said.iter().map(|(line, payload, age)| {
        world.wait(Span(100));
        world.event(over(*line, payload, *age));
        cut(world)
    });
    all.collect()
}

const NOW: Span = Span(50);
const LATE: Span = Span(1_950);

#[test]
fn the_slower_copy_of_a_push_is_no_second_emergency_whichever_line_is_slower() {
    use Line::{Emergency, Main};
    let mut world = busy(latching());
    assert_eq!(cuts(&mut world, &[(Main, "closed", NOW), (Emergency, "closed", NOW)]), [false, false]);
    // It is pushed and released before the connection for emergencies has anything to say.
    let main_first =
        [(Main, "open", NOW), (Main, "closed", NOW), (Emergency, "open", LATE), (Emergency, "closed", LATE)];
    assert_eq!(cuts(&mut world, &main_first), [true, false, false, false]);
    asks(&mut world, "unlock");
    assert_eq!(world.decision().1, "unlocked", "it has been released");
    world.wait(Span::secs(3));

    let emergency_first =
        [(Emergency, "open", NOW), (Emergency, "closed", NOW), (Main, "open", LATE), (Main, "closed", LATE)];
    assert_eq!(cuts(&mut world, &emergency_first), [true, false, false, false]);
    asks(&mut world, "unlock");
    assert_eq!(world.decision().1, "unlocked", "it has been released");
}

#[test]
fn a_release_that_comes_late_does_not_undo_a_newer_push() {
    use Line::{Emergency, Main};
    let mut world = busy(latching());
    world.event(over(Main, "closed", NOW));
    world.wait(Span::secs(3));
    // It says once more that it is released, and is pushed right then; the main connection is slow.
    let said = [(Emergency, "closed", NOW), (Emergency, "open", NOW), (Main, "closed", LATE)];
    assert_eq!(cuts(&mut world, &said), [false, true, false]);
    asks(&mut world, "unlock");
    assert_eq!(world.decision().1, "contact-pushed");
    world.wait(Span::secs(3));
    world.event(over(Main, "open", Span::secs(9)));
    assert!(!cut(&world));
    asks(&mut world, "unlock");
    assert_eq!(world.decision().1, "contact-pushed");
    world.wait(Span::secs(3));
    world.event(over(Main, "closed", NOW));
    asks(&mut world, "unlock");
    assert_eq!(world.decision().1, "unlocked");
}

#[test]
fn a_release_counts_if_its_push_never_comes_over_the_main_connection() {
    use Line::{Emergency, Main};
    let mut world = busy(latching());
    world.event(over(Main, "closed", NOW));
    world.event(Event::Link(LinkState::Down { why: "cut".into() }));
    world.wait(Span::secs(1));
    // Over the connection for emergencies it is obeyed although the other one is gone.
    assert_eq!(cuts(&mut world, &[(Emergency, "open", NOW), (Emergency, "closed", NOW)]), [true, false]);
    // Back again, the broker says how it stands: before the connection is proved, and without what lay between.
    world.event(stored("closed"));
    world.event(Event::Link(LinkState::Up));
    asks(&mut world, "unlock");
    assert_eq!(world.decision().1, "unlocked");
}

#[test]
fn every_push_counts_where_each_comes_twice() {
    use Line::{Emergency, Main};
    let mut world = busy(latching());
    for [first, second] in [[Main, Emergency], [Emergency, Main], [Main, Emergency], [Emergency, Main]] {
        world.wait(Span::secs(3));
        let said = [
            (first, "open", NOW),
            (second, "open", Span(150)),
            (first, "closed", NOW),
            (second, "closed", LATE),
        ];
        assert_eq!(cuts(&mut world, &said), [true, false, false, false], "{first:?} first");
    }
}
