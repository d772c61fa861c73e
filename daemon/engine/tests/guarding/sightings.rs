//! Readings, outlet states and detectors through the whole engine.

use super::world::{World, plan};
use idlegate_engine::Effect;
use idlegate_guard::time::Span;
use idlegate_guard::{Decision, PermissiveState, Switch};
use idlegate_plan::event::{DetectorFault, Event, LinkState, Message, Verdict};
use idlegate_plan::{DetectorIx, MachineIx};

fn state(world: &World) -> PermissiveState {
    world.engine.status(world.now.moment, MachineIx(0)).state
}

fn reason(world: &World) -> String {
    world.engine.status(world.now.moment, MachineIx(0)).reasons.join("; ")
}

#[test]
fn a_reading_goes_stale_and_is_told_to_be() {
    let mut world = World::on_and(Verdict::Idle);
    assert_eq!(state(&world), PermissiveState::Clear);
    world.wait(Span::secs(30));
    assert_eq!(state(&world), PermissiveState::Unknown);
    assert_eq!(reason(&world), "no reading of power for 30 s");
    assert!(world.effects.iter().any(|effect| matches!(effect, Effect::Status { .. })));
    world.says("buttons/mill", "press");
    assert_eq!(world.decision(), (Decision::Held, "machine-unknown"));
}

#[test]
fn a_stopped_detector_must_see_a_new_reading_before_it_is_believed() {
    let mut world = World::on_and(Verdict::Idle);
    world.detector_answers(Err(DetectorFault::Stopped("it divided by zero".into())));
    assert_eq!(state(&world), PermissiveState::Unknown);
    world.detector_says(Verdict::Idle);
    assert_eq!(reason(&world), "its detector stopped, and no reading of power has come since");
    world.wait(Span::secs(1));
    world.reads(Verdict::Idle);
    assert_eq!(state(&world), PermissiveState::Clear);
}

/// Readings go on coming, two a second; who hears that there are none looks for the fault at the meter.
#[test]
fn a_detector_that_crashed_is_said_to_have_crashed_whatever_its_meter_does() {
    let crash =
        || Err(DetectorFault::Stopped("observe panicked: index out of bounds (src/lib.rs:42)".into()));
    let told = "its detector stopped: observe panicked: index out of bounds (src/lib.rs:42)";
    let mut world = World::on_and(Verdict::Idle);
    for _ in 0..4 {
        world.wait(Span(500));
        world.says("meters/mill", "12");
        world.detector_answers(crash());
        assert_eq!((state(&world), reason(&world).as_str()), (PermissiveState::Unknown, told));
    }
    world.says("buttons/mill", "press");
    assert_eq!(world.decision(), (Decision::Held, "machine-unknown"));
    world.wait(Span::secs(3_600));
    assert_eq!(reason(&world), told, "a meter that fell silent as well does not hide it");
}

#[test]
fn an_answer_of_a_replaced_detector_counts_for_nothing() {
    let mut world = World::on_and(Verdict::Busy);
    let stray = idlegate_plan::event::Assessed {
        machine: super::world::name("mill"),
        detector: DetectorIx(0),
        generation: 999,
        feed: 999,
        at: world.now.moment,
        outcome: Err(DetectorFault::Quarantined("gone".into())),
    };
    world.event(Event::Assessed(stray));
    assert_eq!(state(&world), PermissiveState::Busy);
}

#[test]
fn a_stored_reading_is_no_ground_for_switching_off() {
    let mut world = World::new();
    world.says("outlets/mill/says", "on");
    let stored = Message { retained: true, proved: false, ..World::message("meters/mill", "12") };
    world.event(Event::Message(stored));
    assert!(!world.effects.iter().any(|effect| matches!(effect, Effect::Feed(_))));
    assert_eq!(reason(&world), "no reading of power yet");
}

#[test]
fn a_meter_that_stores_every_reading_counts_once_the_rules_say_that_it_does() {
    let flagged = || Event::Message(Message { retained: true, ..World::message("meters/mill", "12") });
    let mut world = World::new();
    world.event(flagged());
    assert_eq!(
        reason(&world),
        "readings of power come marked as stored, and may be old ones: set sender_stores = true for this signal, if its \
         sender always has its readings stored"
    );
    let mut plan = plan();
    plan.machines[0].signals[0].sender_stores = true;
    let mut world = World::of(plan);
    world.says("outlets/mill/says", "on");
    let before_it_was_proved =
        Message { retained: true, proved: false, ..World::message("meters/mill", "12") };
    world.event(Event::Message(before_it_was_proved));
    assert_eq!(reason(&world), "no reading of power yet");
    world.event(flagged());
    world.detector_says(Verdict::Idle);
    assert_eq!(state(&world), PermissiveState::Clear, "{}", reason(&world));
}

#[test]
fn what_waited_in_the_socket_is_as_old_as_it_may_be() {
    let mut world = World::on_and(Verdict::Busy);
    world.wait(Span::secs(60));
    let old = Message { age: Span::secs(50), ..World::message("meters/mill", "12") };
    world.event(Event::Message(old));
    world.detector_says(Verdict::Idle);
    assert_eq!(state(&world), PermissiveState::Unknown, "{}", reason(&world));
}

#[test]
fn nonsense_from_a_meter_is_told_and_leaves_the_machine_unknown_in_time() {
    let mut world = World::on_and(Verdict::Idle);
    for payload in ["NaN", "-900", "1e400", "", "\u{1b}[2J"] {
        world.says("meters/mill", payload);
        assert!(matches!(world.effects[0], Effect::Rejected(_)), "{payload:?}");
    }
    world.wait(Span::secs(31));
    assert_eq!(state(&world), PermissiveState::Unknown);
}

#[test]
fn an_outlet_that_speaks_in_tongues_or_is_out_of_reach_is_unknown() {
    let mut world = World::on_and(Verdict::Idle);
    world.says("outlets/mill/says", "perhaps");
    assert_eq!(world.engine.status(world.now.moment, MachineIx(0)).outlet, None);
    world.says("outlets/mill/says", "on");
    assert_eq!(world.engine.status(world.now.moment, MachineIx(0)).outlet, Some(Switch::On));
    world.says("outlets/mill/reach", "no");
    assert_eq!(world.engine.status(world.now.moment, MachineIx(0)).outlet, None);
}

#[test]
fn an_outlet_switched_by_another_route_while_working_is_an_incident() {
    let mut world = World::on_and(Verdict::Busy);
    world.says("outlets/mill/says", "off");
    assert_eq!(world.announcements(), ["off-by-another-route"]);
    assert_eq!(world.orders(), [], "never re-energised");
}

#[test]
fn a_lost_link_makes_the_outlet_unknown_and_switches_nothing() {
    let mut world = World::on_and(Verdict::Idle);
    world.event(Event::Link(LinkState::Down { why: "gone".into() }));
    assert_eq!(world.engine.status(world.now.moment, MachineIx(0)).outlet, None);
    world.wait(Span::secs(3_600));
    assert_eq!(world.orders(), []);
}
