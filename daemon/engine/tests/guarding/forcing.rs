//! What could go wrong when somebody is told how to force a machine off: a gesture that their button does not have, an
//! input that may not, nothing at all.

use std::collections::BTreeMap;

use super::world::{World, name, plan};
use idlegate_engine::{Announced, Effect};
use idlegate_guard::time::Span;
use idlegate_guard::{RequestKind, Rights};
use idlegate_messages::effects::sentences;
use idlegate_plan::event::Verdict;
use idlegate_plan::{Gesture, Plan};

fn busy(plan: Plan) -> World {
    let mut world = World::of(plan);
    world.says("outlets/mill/says", "on");
    world.reads(Verdict::Busy);
    world
}

fn told(world: &World) -> Announced {
    let told = world.effects.iter().find_map(|effect| match effect {
        Effect::Announce(told) => Some((**told).clone()),
        _ => None,
    });
    told.expect("something was said")
}

fn said(world: &World) -> String {
    sentences::announcement(&told(world), &BTreeMap::new())
}

/// The force-off gesture of the bench button goes by this name, and its payload by this word.
fn forced_by(gesture: &str, word: &str) -> World {
    let mut plan = plan();
    plan.inputs[0].gestures[1] =
        Gesture { name: name(gesture), words: vec![word.into()], request: RequestKind::ForceOff };
    busy(plan)
}

#[test]
fn whoever_is_held_hears_the_gesture_of_the_very_button_that_was_pressed() {
    for (gesture, word, how) in [
        ("long-press", "held down", "hold the button down"),
        ("double-press", "2", "press the button twice"),
        ("all-the-same", "switch it off anyway", "say or send \"switch it off anyway\""),
    ] {
        let mut world = forced_by(gesture, word);
        world.says("buttons/mill", "press");
        let whole = format!("Mill stays on: Busy. To switch it off all the same, {how} within 10 s.");
        assert_eq!(said(&world), whole);
    }
}

#[test]
fn whoever_was_held_by_that_very_gesture_hears_to_do_it_again() {
    let mut world = busy(plan());
    world.says("buttons/mill", "long-press");
    assert!(said(&world).contains("hold the button down again within 10 s"), "{}", said(&world));
    let mut plan = plan();
    plan.inputs[0].gestures =
        vec![Gesture { name: name("press"), words: vec!["press".into()], request: RequestKind::ForceOff }];
    let mut world = busy(plan);
    world.says("buttons/mill", "press");
    assert!(said(&world).contains("press the button again within 10 s"), "{}", said(&world));
}

#[test]
fn on_our_own_topic_the_word_is_the_request() {
    let mut world = busy(plan());
    world.says("idlegate/request/console", r#"{"machine":"mill","request":"off"}"#);
    assert!(said(&world).contains("ask for force-off within 10 s"), "{}", said(&world));
    world.wait(Span::secs(20));
    // One that is not let to is told where to go.
    let mut plan = plan();
    plan.inputs[1].requests = Some(vec![RequestKind::Off]);
    let mut world = busy(plan);
    world.says("idlegate/request/console", r#"{"machine":"mill","request":"off"}"#);
    assert!(said(&world).contains("use button within 10 s"), "{}", said(&world));
}

#[test]
fn an_input_that_may_not_force_names_those_of_this_machine_that_may() {
    let mut plan = plan();
    plan.inputs[1].rights = Rights::PLAIN;
    let mut world = busy(plan.clone());
    world.says("idlegate/request/console", r#"{"machine":"mill","request":"off"}"#);
    assert_eq!(said(&world), "Mill stays on: Busy. console may not force it off; use button.");
    assert_eq!(told(&world).window(), None, "nothing to be quick about");
    world.says("idlegate/request/console", r#"{"machine":"mill","request":"force-off"}"#);
    assert_eq!(said(&world), "Mill was not forced off: console may not force it off; use button.");
    assert_eq!(
        sentences::decision(world.decisions()[0]),
        "Mill was not forced off: console may not force it off; use button."
    );
    // Nobody may: the machine's own switch is left.
    for input in &mut plan.inputs {
        input.rights.may_force = false;
    }
    let mut world = busy(plan);
    world.says("buttons/mill", "press");
    assert_eq!(
        said(&world),
        "Mill stays on: Busy. button may not force it off; switch it off at the machine itself."
    );
}

#[test]
fn a_shop_says_it_in_its_own_language_with_reading_and_limit() {
    let mut plan = plan();
    plan.machines[0].detectors[0].settings = serde_json::json!({ "busy_watts": 110.0, "words": ["a", "b"] });
    let mut world = busy(plan);
    world.says("buttons/mill", "press");
    let mut told = told(&world);
    let behind = told.behind.as_mut().expect("a detector");
    assert_eq!(
        (behind.detector.as_str(), behind.signal.as_ref().unwrap().as_str()),
        ("power-threshold", "power")
    );
    behind.reading = Some("455 W".into());
    let own = |sentence: &str| BTreeMap::from([("held".to_owned(), sentence.to_owned())]);
    let sentence = "{machine} bleibt an: {signal} {reading}, Grenze {setting.busy_watts} W ({setting.words}, {setting.x}).";
    assert_eq!(
        sentences::announcement(&told, &own(sentence)),
        "Mill bleibt an: power 455 W, Grenze 110 W (a, b, {setting.x})."
    );
    // Silence is not spoken with a reading of before.
    world.wait(Span::secs(60));
    world.says("buttons/mill", "press");
    let told = self::told(&world);
    assert_eq!(sentences::announcement(&told, &own("{signal} {reading}")), "power ?");
    let doubt = sentences::announcement(&told, &BTreeMap::new());
    assert!(doubt.starts_with("Mill stays on, because it may be busy: no reading of power for"), "{doubt}");
}
