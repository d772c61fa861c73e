//! Voice relays and panels that name the machine, inputs with hours, and who gets an answer. What could go wrong: the
//! wrong machine goes off because two names sound alike, a request is lost without a word, somebody is locked out of
//! the forced way out at night.

use super::world::{World, name, plan};
use idlegate_engine::Effect;
use idlegate_guard::time::{Span, WallTime};
use idlegate_guard::{Cause, Decision, RequestKind, Rights, Switch, WhenBusy};
use idlegate_messages::effects::sentences;
use idlegate_plan::event::{Event, Message, Verdict};
use idlegate_plan::schedules::Hours;
use idlegate_plan::{Gesture, Input, InputSource, MachineIx, MachineWords, Plan, Source, ValuePath};

/// Two mills, and a voice relay that knows the one, in words.
fn with_voice() -> Plan {
    let mut plan = plan();
    let mut second = plan.machines[0].clone();
    second.name = name("small-mill");
    second.title = "Small mill".into();
    second.outlet.state.as_mut().unwrap().source.filter = "outlets/small/says".into();
    second.outlet.order.as_mut().unwrap().topic = "outlets/small/order".into();
    second.outlet.reach = None;
    second.signals[0].source.filter = "meters/small".into();
    plan.machines.push(second);
    let gesture = |word: &str, words: &[&str], request| Gesture {
        name: name(word),
        words: words.iter().map(ToString::to_string).collect(),
        request,
    };
    plan.inputs.push(Input {
        name: name("voice"),
        title: "Voice relay".into(),
        source: InputSource::Topic {
            source: Source { filter: "voice/heard".into(), path: ValuePath::JsonPointer("/wish".into()) },
            event_id: None,
            named: Some(MachineWords {
                path: ValuePath::JsonPointer("/thing".into()),
                words: ["the big mill", "Fräse", "mill"].map(|word| (word.into(), MachineIx(0))).into(),
                groups: Vec::new(),
            }),
        },
        machines: vec![MachineIx(0)],
        gestures: vec![
            gesture("off", &["turn off", "switch off"], RequestKind::Off),
            gesture("on", &["turn on"], RequestKind::On),
        ],
        requests: None,
        rights: Rights { when_busy: WhenBusy::Defer, ..Rights::PLAIN },
        hours: None,
        sender_stores: false,
        who: None,
        confirm: None,
        answers: Vec::new(),
        silent_max: None,
        battery: None,
    });
    plan
}

fn busy(plan: Plan) -> World {
    let mut world = World::of(plan);
    world.says("outlets/mill/says", "on");
    world.reads(Verdict::Busy);
    world
}

fn not_understood(world: &World) -> Vec<String> {
    let told = world.effects.iter().filter_map(|effect| match effect {
        Effect::NotUnderstood(told) => {
            Some(sentences::not_understood(told, &std::collections::BTreeMap::new()))
        }
        _ => None,
    });
    told.collect()
}

fn asking(topic: &str, payload: &str) -> Event {
    let input = if topic == "buttons/mill" { "button" } else { "voice" };
    let response_topic = Some(format!("idlegate/answer/{input}/1").into());
    Event::Message(Message { response_topic, ..World::message(topic, payload) })
}

#[test]
fn a_voice_relay_names_machine_and_request_in_any_spelling() {
    for payload in [
        r#"{"thing":"the big mill","wish":"turn off"}"#,
        r#"{"thing":"  The  BIG mill ","wish":"Switch  Off"}"#,
        r#"{"thing":"FRÄSE","wish":"TURN OFF\n"}"#,
        r#"{"thing":"Mill","wish":"turn off"}"#,
    ] {
        let mut world = busy(with_voice());
        world.says("voice/heard", payload);
        assert_eq!(world.decision(), (Decision::Deferred, "until-idle"), "{payload}");
        assert_eq!(world.decisions()[0].machine, Some(name("mill")));
        assert_eq!(world.decisions()[0].gesture, Some(name("off")));
    }
}

#[test]
fn a_name_it_does_not_know_is_refused_and_the_nearest_is_said() {
    let mut world = busy(with_voice());
    world.event(asking("voice/heard", r#"{"thing":"the pig mill","wish":"turn off"}"#));
    assert_eq!(world.decision(), (Decision::Refused, "unknown-machine"));
    assert!(world.decisions()[0].reply.is_some());
    let heard =
        r#"Voice relay named a machine that does not exist, "the pig mill"; did you mean "the big mill"?"#;
    assert_eq!(not_understood(&world), [heard]);
    assert_eq!(world.orders(), []);
    // Nothing near: nothing is guessed.
    world.wait(Span::secs(3));
    world.says("voice/heard", r#"{"thing":"lamp","wish":"turn off"}"#);
    assert_eq!(not_understood(&world), [r#"Voice relay named a machine that does not exist, "lamp"."#]);
}

#[test]
fn a_machine_that_the_input_may_not_ask_for_is_not_taken_for_one_that_sounds_like_it() {
    let mut world = busy(with_voice());
    for thing in ["small-mill", "SMALL MILL"] {
        world.says("voice/heard", &format!(r#"{{"thing":"{thing}","wish":"turn off"}}"#));
        assert_eq!(world.decision(), (Decision::Refused, "machine-not-allowed"), "{thing}");
    }
}

#[test]
fn what_a_voice_relay_says_is_answered_even_if_it_makes_no_sense() {
    let mut world = busy(with_voice());
    for (payload, why) in [
        (
            r#"{"thing":"mill","wish":"turn of"}"#,
            r#""turn of" is not one of its requests; did you mean "turn off"?"#,
        ),
        (r#"{"thing":"mill"}"#, ""),
        (r#"{"wish":"turn off"}"#, ""),
        ("turn off", ""),
        ("", ""),
    ] {
        world.wait(Span::secs(3));
        world.says("voice/heard", payload);
        assert_eq!(world.decision(), (Decision::Refused, "malformed"), "{payload}");
        assert_eq!(not_understood(&world).len(), 1, "{payload}");
        assert!(not_understood(&world)[0].ends_with(why), "{:?}", not_understood(&world));
        assert_eq!(world.orders(), []);
    }
}

#[test]
fn nonsense_over_and_over_is_said_once_and_nonsense_from_the_store_not_at_all() {
    let mut world = busy(with_voice());
    world.says("voice/heard", "?");
    assert_eq!(not_understood(&world).len(), 1);
    for _ in 0..5 {
        world.wait(Span::secs(1));
        world.says("voice/heard", "?");
        assert_eq!(world.decision().0, Decision::Refused);
        assert_eq!(not_understood(&world).len(), 0);
    }
    world.wait(Span::secs(60));
    let stored = Message { retained: true, ..World::message("voice/heard", "?") };
    world.event(Event::Message(stored));
    assert_eq!(not_understood(&world).len(), 0);
    world.wait(Span::secs(60));
    world.event(Event::Message(Message { age: Span::secs(11), ..World::message("voice/heard", "?") }));
    assert_eq!(not_understood(&world).len(), 0);
}

#[test]
fn a_button_that_wants_an_answer_gets_one_whatever_it_says() {
    let mut world = busy(plan());
    world.event(asking("buttons/mill", "mumble"));
    assert_eq!(world.decision(), (Decision::Refused, "malformed"));
    assert_eq!(&*world.decisions()[0].reply.as_ref().unwrap().topic, "idlegate/answer/button/1");
    // Without that wish it is no request, and only counted; but of a button that was never understood people hear,
    // once.
    world.says("buttons/mill", "mumble");
    assert_eq!(world.decisions().len(), 0);
    assert!(
        matches!(world.effects[..], [Effect::Rejected(_), Effect::NotUnderstood(_)]),
        "{:?}",
        world.effects
    );
    world.says("buttons/mill", "mumble");
    assert!(matches!(world.effects[..], [Effect::Rejected(_)]), "{:?}", world.effects);
    // Words of buttons are taken as they are.
    world.event(asking("buttons/mill", "PRESS"));
    assert_eq!(world.decision(), (Decision::Refused, "malformed"));
}

#[test]
fn a_press_that_the_rules_read_in_the_wrong_place_says_where_it_stands() {
    let mut world = busy(plan());
    world.says("buttons/mill", r#"{"battery":88,"button":"press"}"#);
    let [Effect::Rejected(rejected), Effect::NotUnderstood(told)] = &world.effects[..] else {
        panic!("{:?}", world.effects)
    };
    assert!(rejected.fault.ends_with("the payload is JSON: try pointer = \"/button\""), "{}", rejected.fault);
    let sentence = sentences::not_understood(told, &std::collections::BTreeMap::new());
    assert!(sentence.contains("try pointer"), "{sentence}");
    world.says("buttons/mill", r#"{"battery":88}"#);
    let [Effect::Rejected(rejected)] = &world.effects[..] else { panic!("{:?}", world.effects) };
    assert!(rejected.fault.ends_with("(/battery is 88)"), "{}", rejected.fault);
}

#[test]
fn a_button_that_is_understood_may_say_other_things_as_well() {
    let mut world = busy(plan());
    world.says("buttons/mill", "press");
    world.says("buttons/mill", "let go");
    assert!(matches!(world.effects[..], [Effect::Rejected(_)]), "{:?}", world.effects);
}

#[test]
fn a_refusal_on_our_own_topic_names_the_nearest_machine() {
    let mut world = busy(plan());
    world.says("idlegate/request/console", r#"{"machine":"mil","request":"off"}"#);
    let sentence = sentences::decision(world.decisions()[0]);
    assert_eq!(sentence, r#"There is no machine called "mil"; did you mean "mill"?"#);
}

/// Saturday 2026-11-28, 23:10 in Berlin.
const SATURDAY_NIGHT: WallTime = WallTime(1_795_903_800_000);

fn by_day(rights: Rights) -> Plan {
    let mut plan = plan();
    for input in &mut plan.inputs {
        input.hours = Some(Hours::new(&["mon-fri 07:00-22:00"], "Europe/Berlin").unwrap());
    }
    plan.inputs[1].rights = rights;
    plan
}

fn at_night(rights: Rights) -> World {
    let mut world = busy(by_day(rights));
    world.now.wall = SATURDAY_NIGHT;
    world
}

#[test]
fn out_of_its_hours_an_input_is_refused_and_told_the_hours() {
    for request in ["off", "on", "flip", "off-once-idle", "unlock"] {
        let mut world = at_night(Rights { may_unlock: true, ..Rights::PLAIN });
        let payload = format!(r#"{{"machine":"mill","request":"{request}"}}"#);
        world.says("idlegate/request/console", &payload);
        assert_eq!(world.decision(), (Decision::Refused, "out-of-hours"), "{request}");
        assert_eq!(world.announcements(), ["refused"]);
        let answer = sentences::decision(world.decisions()[0]);
        let hours = ": console may only ask mon-fri 07:00-22:00 (Europe/Berlin), and it is Sat 23:10.";
        assert!(answer.starts_with("Mill was not ") && answer.ends_with(hours), "{answer}");
        let Some(Effect::Announce(told)) =
            world.effects.iter().find(|effect| matches!(effect, Effect::Announce(_)))
        else {
            panic!("nothing was said");
        };
        let said = sentences::announcement(told, &std::collections::BTreeMap::new());
        assert!(said.ends_with(hours), "{said}");
        // The same words by day are a request like any other.
        world.now.wall = WallTime(SATURDAY_NIGHT.0 - 36 * 3_600_000);
        world.wait(Span::secs(3));
        world.says("idlegate/request/console", &payload);
        assert_ne!(world.decision().1, "out-of-hours", "{request}");
    }
}

#[test]
fn hours_never_stand_in_the_way_of_force_emergency_cancel_and_lock() {
    let mut world = at_night(Rights { may_force: true, may_lock: true, ..Rights::PLAIN });
    world.says("buttons/mill", "long-press");
    assert_eq!(world.decision(), (Decision::Held, "machine-busy"));
    world.wait(Span::secs(3));
    world.says("buttons/mill", "long-press");
    assert_eq!(world.decision(), (Decision::Acted, "forced-in-window"));
    assert_eq!(world.orders(), [(Switch::Off, Cause::Forced)]);
    world.says("contacts/red", "open");
    assert_eq!(world.decision(), (Decision::Acted, "emergency"));
    world.says("idlegate/request/console", r#"{"machine":"mill","request":"cancel"}"#);
    assert_eq!(world.decision(), (Decision::NothingToDo, "nothing-to-cancel"));
    world.says("idlegate/request/console", r#"{"machine":"mill","request":"lock"}"#);
    assert_eq!(world.decision(), (Decision::Acted, "locked"));
}

#[test]
fn a_clock_that_was_never_set_keeps_hours_shut() {
    let mut world = at_night(Rights::PLAIN);
    world.now.wall = WallTime(0);
    world.says("buttons/mill", "press");
    assert_eq!(world.decision(), (Decision::Refused, "out-of-hours"));
    assert!(
        sentences::decision(world.decisions()[0]).ends_with("and this computer's clock has not been set.")
    );
}
