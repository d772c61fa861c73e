//! Requests through the whole engine.

use super::world::{World, answered, name};
use idlegate_engine::{Effect, Former, KeptMachine, Why};
use idlegate_guard::time::Span;
use idlegate_guard::{Cause, Decision, RequestKind, Switch};
use idlegate_plan::answered::{AGE_MAX, OF_EACH_INPUT_MAX};
use idlegate_plan::event::{Event, Verdict};
use idlegate_plan::kept::{KeptLockout, KeptState};
use idlegate_plan::{EventId, InputSource, ValuePath};

#[test]
fn a_press_on_an_idle_machine_switches_it_off() {
    let mut world = World::on_and(Verdict::Idle);
    world.says("buttons/mill", "press");
    assert_eq!(world.decision(), (Decision::Acted, "machine-idle"));
    assert_eq!(world.orders(), [(Switch::Off, Cause::Plain)]);
}

#[test]
fn a_press_on_a_working_machine_is_held_with_the_readings_behind_it() {
    let mut world = World::on_and(Verdict::Busy);
    world.says("buttons/mill", "press");
    assert_eq!(world.decision(), (Decision::Held, "machine-busy"));
    assert_eq!(world.orders(), []);
    assert_eq!(world.announcements(), ["held"]);
    let decided = world.decisions()[0];
    let finding = &decided.grounds.findings[0];
    assert_eq!(finding.verdict, Verdict::Busy);
    assert_eq!(finding.readings[0].reading, world.reading(800.0));
}

#[test]
fn a_press_waits_for_the_detector_to_look_at_a_reading_that_came_before_it() {
    let mut world = World::on_and(Verdict::Idle);
    world.says("meters/mill", "800");
    world.says("buttons/mill", "press");
    assert_eq!(world.decisions().len(), 0, "the reading might mean that a job has begun");
    world.detector_says(Verdict::Busy);
    assert_eq!(world.decision(), (Decision::Held, "machine-busy"));
    assert_eq!(world.orders(), []);
}

#[test]
fn a_press_is_held_when_the_detector_does_not_look_in_time() {
    let mut world = World::on_and(Verdict::Idle);
    world.says("meters/mill", "12");
    world.says("buttons/mill", "press");
    world.wait(Span::secs(1));
    assert_eq!(world.decision(), (Decision::Held, "machine-unknown"));
}

#[test]
fn a_force_inside_the_window_switches_off_and_one_after_it_does_not() {
    let mut world = World::on_and(Verdict::Busy);
    world.says("buttons/mill", "press");
    world.wait(Span::secs(3));
    world.says("buttons/mill", "long-press");
    assert_eq!(world.decision(), (Decision::Acted, "forced-in-window"));
    assert_eq!(world.orders(), [(Switch::Off, Cause::Forced)]);

    let mut world = World::on_and(Verdict::Busy);
    world.says("buttons/mill", "press");
    world.wait(Span::secs(10));
    assert_eq!(world.announcements(), ["window-over"]);
    world.says("buttons/mill", "long-press");
    assert_eq!(world.decision().0, Decision::Held);
    assert_eq!(world.orders(), []);
}

#[test]
fn a_stored_or_late_press_is_answered_and_not_obeyed() {
    let mut world = World::on_and(Verdict::Idle);
    let stored = idlegate_plan::event::Message { retained: true, ..World::message("buttons/mill", "press") };
    world.event(Event::Message(stored));
    assert_eq!(world.decision(), (Decision::Ignored, "retained"));
    let late =
        idlegate_plan::event::Message { age: Span::secs(60), ..World::message("buttons/mill", "press") };
    world.event(Event::Message(late));
    assert_eq!(world.decision(), (Decision::Ignored, "too-old"));
    assert_eq!(world.orders(), []);
}

#[test]
fn an_emergency_counts_with_the_flag_of_a_stored_one_unless_it_may_come_from_the_store() {
    let mut world = World::on_and(Verdict::Busy);
    let message = idlegate_plan::event::Message { retained: true, ..World::message("contacts/red", "open") };
    world.event(Event::Message(idlegate_plan::event::Message { proved: false, ..message.clone() }));
    assert_eq!((world.decision(), world.orders()), ((Decision::Ignored, "retained"), vec![]));
    world.wait(Span::secs(3));
    world.event(Event::Message(message));
    assert_eq!(world.decision(), (Decision::Acted, "emergency"));
    assert_eq!(world.orders().len(), 1);
}

#[test]
fn an_emergency_waits_for_no_detector() {
    let mut world = World::on_and(Verdict::Busy);
    world.says("meters/mill", "900");
    world.says("contacts/red", "open");
    assert!(
        matches!(&world.effects[0], Effect::Order(order) if order.cause == Cause::Emergency),
        "the order comes first: {:?}",
        world.effects
    );
    assert_eq!(world.decision(), (Decision::Acted, "emergency"));
    assert!(world.decisions()[0].after_keep, "the lockout must survive a restart");
}

#[test]
fn an_event_delivered_again_is_answered_once_even_after_a_restart() {
    let press = r#"{"button":"press","nr":41}"#;
    let mut world = World::on_and(Verdict::Idle);
    world.says("buttons/counting", press);
    assert_eq!(world.decision(), (Decision::Acted, "machine-idle"));
    world.wait(Span::secs(3));
    world.says("buttons/counting", press);
    assert_eq!(world.decision(), (Decision::Ignored, "duplicate"));

    let former = Former { machines: vec![], answered: vec![answered("counting-button", "41")] };
    let mut world = World::after(&former);
    world.says("outlets/mill/says", "on");
    world.reads(Verdict::Idle);
    world.says("buttons/counting", press);
    assert_eq!(world.decision(), (Decision::Ignored, "duplicate"));
    assert_eq!(world.orders(), []);
}

#[test]
fn a_flood_of_one_input_makes_no_other_input_s_event_count_twice() {
    let press = r#"{"button":"press","nr":41}"#;
    let mut world = World::on_and(Verdict::Idle);
    world.says("buttons/counting", press);
    assert_eq!(world.decision(), (Decision::Acted, "machine-idle"));
    let cancel = |number: usize| format!(r#"{{"machine":"mill","request":"cancel","id":"{number}"}}"#);
    for number in 0..OF_EACH_INPUT_MAX + 1 {
        world.says("idlegate/request/console", &cancel(number));
        assert_ne!(world.decision().1, "duplicate", "{number}");
        world.wait(Span(50));
    }
    world.says("buttons/counting", press);
    assert_eq!(world.decision(), (Decision::Ignored, "duplicate"));
    for (number, is_known) in [(1, true), (OF_EACH_INPUT_MAX, true), (0, false)] {
        world.says("idlegate/request/console", &cancel(number));
        assert_eq!(world.decision().1 == "duplicate", is_known, "{number}");
    }
}

#[test]
fn a_button_that_counts_anew_is_heard_again_after_a_day() {
    let press = r#"{"button":"press","nr":41}"#;
    let mut world = World::on_and(Verdict::Busy);
    world.says("buttons/counting", press);
    assert_eq!(world.decision(), (Decision::Held, "machine-busy"));
    world.now.moment = world.now.moment + AGE_MAX - Span::secs(1);
    world.says("buttons/counting", press);
    assert_eq!(world.decision(), (Decision::Ignored, "duplicate"));
    world.now.moment = world.now.moment + Span::secs(1);
    world.says("buttons/counting", press);
    assert_eq!(world.decision().0, Decision::Held);
}

#[test]
fn only_what_the_engine_would_know_again_is_kept_for_the_next_run() {
    let mut plan = super::world::plan();
    let red = plan.inputs.iter_mut().find(|input| input.name.as_str() == "red-button").unwrap();
    let InputSource::Topic { event_id, .. } = &mut red.source else { panic!("it has a topic") };
    *event_id = Some(EventId { path: ValuePath::Whole, counter: false });
    let mut world = World::of(plan);
    world.says("outlets/mill/says", "on");
    for (topic, payload, kept) in [
        ("idlegate/request/console", r#"{"machine":"mill","request":"off","id":"1"}"#, true),
        // Its answer prolongs nothing.
        ("idlegate/request/console", r#"{"machine":"mill","request":"off","id":"1"}"#, false),
        // The rules may be mended before it is sent again.
        ("idlegate/request/console", r#"{"machine":"kiln","request":"off","id":"2"}"#, false),
        // The guard's own refusal is an answer.
        ("idlegate/request/console", r#"{"machine":"mill","request":"force-off","id":"3"}"#, true),
        ("contacts/red", "open", false),
    ] {
        world.says(topic, payload);
        let decided = world.decisions()[0];
        assert!(decided.event_id.is_some(), "{payload}");
        assert_eq!(decided.answered_id().is_some(), kept, "{payload}: {:?}", decided.why);
    }
}

#[test]
fn a_request_on_our_own_topic_is_answered_where_the_sender_asked_for_it() {
    let mut world = World::on_and(Verdict::Busy);
    let asked = idlegate_plan::event::Message {
        response_topic: Some("idlegate/answer/console/7".into()),
        ..World::message("idlegate/request/console", r#"{"machine":"mill","request":"off"}"#)
    };
    world.event(Event::Message(asked));
    assert_eq!(world.decision().0, Decision::Held);
    assert_eq!(&*world.decisions()[0].reply.as_ref().unwrap().topic, "idlegate/answer/console/7");
}

#[test]
fn a_bad_request_is_refused_with_its_fault() {
    let mut world = World::on_and(Verdict::Idle);
    for (payload, why) in [
        ("off", "malformed"),
        (r#"{"machine":"kiln","request":"off"}"#, "unknown-machine"),
        (r#"{"machine":"mill","request":"emergency-off"}"#, "may-not-emergency"),
    ] {
        world.says("idlegate/request/console", payload);
        assert_eq!(world.decision(), (Decision::Refused, why), "{payload}");
        assert_eq!(world.orders(), [], "{payload}");
    }
}

#[test]
fn a_lockout_of_a_former_run_still_holds() {
    let state = KeptState::locked(KeptLockout::new(name("red-button"), true));
    let kept = KeptMachine { machine: name("mill"), state };
    let mut world = World::after(&Former { machines: vec![kept], answered: vec![] });
    assert_eq!(world.orders(), [], "a start switches nothing");
    world.says("outlets/mill/says", "off");
    world.says("buttons/mill", "press");
    assert_eq!(world.decision(), (Decision::Refused, "lockout"));
}

#[test]
fn an_off_at_night_waits_until_the_machine_is_idle() {
    let mut world = World::on_and(Verdict::Busy);
    world.says("clock/night", "bell");
    assert_eq!(world.decision(), (Decision::Deferred, "until-idle"));
    world.reads(Verdict::Idle);
    let mut acted = Vec::new();
    for _ in 0..60 {
        world.wait(Span::secs(1));
        acted.extend(world.decisions().into_iter().cloned());
        world.reads(Verdict::Idle);
    }
    assert_eq!(acted.len(), 1, "{acted:?}");
    assert_eq!(acted[0].why, Why::DeferralDue);
}

#[test]
fn an_input_may_ask_only_for_the_requests_its_rules_name() {
    let mut plan = super::world::plan();
    let console = plan.inputs.iter_mut().find(|input| input.name.as_str() == "console").unwrap();
    console.requests = Some(vec![RequestKind::Cancel, RequestKind::Off]);
    let mut world = World::of(plan);
    world.says("outlets/mill/says", "off");
    world.says("idlegate/request/console", r#"{"machine":"mill","request":"on"}"#);
    assert_eq!(world.decision(), (Decision::Refused, "request-not-allowed"));
    assert_eq!(world.orders(), []);
    world.says("idlegate/request/console", r#"{"machine":"mill","request":"cancel"}"#);
    assert_eq!(world.decision().0, Decision::NothingToDo);
}

#[test]
fn an_emergency_is_never_taken_for_an_old_one_that_bore_its_number() {
    let mut plan = super::world::plan();
    let counting = plan.inputs.iter_mut().find(|input| input.name.as_str() == "counting-button").unwrap();
    counting.rights.emergency = true;
    counting.gestures[0].request = RequestKind::EmergencyOff;
    let former = Former { machines: vec![], answered: vec![answered("counting-button", "41")] };
    let mut world = World::under(plan, &former);
    world.says("outlets/mill/says", "on");
    world.says("buttons/counting", r#"{"button":"press","nr":41}"#);
    assert_eq!(world.decision(), (Decision::Acted, "emergency"));
}
