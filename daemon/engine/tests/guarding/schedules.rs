//! A schedule in the engine: it asks like any input, and each firing is answered once.

use super::world::{World, answered, name, plan};
use idlegate_engine::Former;
use idlegate_guard::time::{Span, WallTime};
use idlegate_guard::{Decision, RequestKind, Rights, Switch, WhenBusy};
use idlegate_plan::event::Verdict;
use idlegate_plan::schedules::Timetable;
use idlegate_plan::{Input, InputSource, MachineIx, Plan, Schedule};

/// 2026-11-24T22:00:00Z
const EVENING: WallTime = WallTime(1_795_557_600_000);
const ID: &str = "2026-11-24T22:00:00Z";

fn with_schedule(request: RequestKind, make_up_missed: bool) -> Plan {
    let mut plan = plan();
    let timetable = Timetable::new("0 22 * * *", "UTC").unwrap();
    plan.inputs.push(Input {
        name: name("evening"),
        title: "the evening schedule".into(),
        source: InputSource::Schedule(Box::new(Schedule { timetable, request, make_up_missed })),
        machines: vec![MachineIx(0)],
        gestures: Vec::new(),
        requests: None,
        hours: None,
        rights: Rights { when_busy: WhenBusy::Defer, ..Rights::PLAIN },
        sender_stores: false,
        who: None,
        confirm: None,
        answers: Vec::new(),
        silent_max: None,
        battery: None,
    });
    plan
}

/// A mill that is on and does this, `before` the evening comes.
fn at_work(mut world: World, verdict: Verdict, before: Span) -> World {
    world.now.wall = WallTime(EVENING.0 - i64::try_from(before.0).unwrap());
    world.says("outlets/mill/says", "on");
    world.reads(verdict);
    world
}

#[test]
fn a_schedule_switches_an_idle_machine_off_and_defers_for_a_working_one() {
    for (verdict, expected) in [
        (Verdict::Idle, (Decision::Acted, "machine-idle")),
        (Verdict::Busy, (Decision::Deferred, "until-idle")),
    ] {
        let mut world = at_work(World::of(with_schedule(RequestKind::Off, false)), verdict, Span::secs(40));
        world.wait(Span::secs(31));
        world.now.wall = EVENING;
        // The clocks are looked at every 30 seconds.
        world.wait(Span::secs(27));
        world.reads(verdict);
        world.wait(Span::secs(3));
        assert_eq!(world.decision(), expected);
        assert_eq!(world.decisions()[0].event_id.as_deref(), Some(ID));
        assert_eq!(world.decisions()[0].input.as_str(), "evening");
        world.wait(Span::secs(120));
        let again = world.decisions().into_iter().filter(|decided| decided.event_id.is_some()).count();
        assert_eq!(again, 0);
    }
}

#[test]
fn a_firing_that_was_answered_before_a_restart_is_not_answered_again() {
    for make_up_missed in [false, true] {
        let former = Former { machines: Vec::new(), answered: vec![answered("evening", ID)] };
        let mut world = World::under(with_schedule(RequestKind::On, make_up_missed), &former);
        world.now.wall = WallTime(EVENING.0 - 1_000);
        world.says("outlets/mill/says", "off");
        world.now.wall = EVENING;
        world.wait(Span::secs(60));
        assert_eq!(world.decisions().len(), 0);
        assert_eq!(world.orders(), []);
    }
}

#[test]
fn nothing_is_switched_on_after_downtime_unless_told_to_make_up_missed() {
    for (make_up_missed, expected) in [(false, 0), (true, 1)] {
        let before = answered("evening", "2026-11-23T22:00:00Z");
        let former = Former { machines: Vec::new(), answered: vec![before] };
        let mut world = World::under(with_schedule(RequestKind::On, make_up_missed), &former);
        world.now.wall = WallTime(EVENING.0 + 3_600_000);
        world.says("outlets/mill/says", "off");
        world.wait(Span::secs(31));
        let on = world.orders().into_iter().filter(|(switch, _)| *switch == Switch::On).count();
        assert_eq!(on.min(1), expected, "make_up_missed = {make_up_missed}");
        assert_eq!(world.decisions().len(), expected);
    }
}

#[test]
fn the_status_says_what_the_clock_will_ask_for_next() {
    let mut world = at_work(World::of(with_schedule(RequestKind::Off, false)), Verdict::Busy, Span::secs(40));
    // The clocks are looked at every 30 seconds.
    world.wait(Span::secs(31));
    let next = |world: &World| world.engine.status(world.now.moment, MachineIx(0)).next_schedule;
    let firing = next(&world).expect("it has looked at the clock");
    assert_eq!((firing.at, firing.by.as_str(), firing.request), (EVENING, "evening", RequestKind::Off));
    let status = world.engine.status(world.now.moment, MachineIx(0));
    super::published::assert_described(
        "machine",
        &idlegate_messages::effects::messages::machine_status(&status, world.now),
    );
    // Once it has come, the next is tomorrow's, and that is told.
    world.now.wall = EVENING;
    world.wait(Span::secs(30));
    assert!(world.effects.iter().any(|effect| matches!(effect, idlegate_engine::Effect::Status { .. })));
    assert_eq!(next(&world).unwrap().at, WallTime(EVENING.0 + 86_400_000));
    // A clock that was never set promises nothing.
    world.now.wall = WallTime(0);
    world.wait(Span::secs(60));
    assert_eq!(next(&world), None);
}
