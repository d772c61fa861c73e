//! What came in and was no good. What could go wrong: an older idle reading goes on counting after a message that
//! nobody could read, over an outage or beside a clock that went back, and power is cut in the middle of a job.

use bytes::Bytes;

use super::world::{World, plan};
use idlegate_engine::Effect;
use idlegate_guard::Decision;
use idlegate_guard::time::Span;
use idlegate_plan::event::{Event, LinkState, Message, Verdict};
use idlegate_plan::{MachineIx, Plan, SignalKind, ValuePath};

/// Read from JSON, at "/w".
fn by_pointer() -> World {
    let mut plan = plan();
    plan.machines[0].signals[0].source.path = ValuePath::JsonPointer("/w".into());
    idle_under(plan, r#"{"w":12}"#)
}

fn idle_under(plan: Plan, payload: &str) -> World {
    let mut world = World::of(plan);
    world.says("outlets/mill/says", "on");
    for _ in 0..2 {
        world.says("meters/mill", payload);
        world.detector_says(Verdict::Idle);
        world.wait(Span::secs(6));
    }
    world.says("meters/mill", payload);
    world.detector_says(Verdict::Idle);
    world.wait(Span::secs(1));
    world
}

fn meter(payload: &[u8]) -> Message {
    Message { payload: Bytes::copy_from_slice(payload), ..World::message("meters/mill", "") }
}

/// A press at once, and what is said of it.
fn held(world: &mut World) -> String {
    world.says("buttons/mill", "press");
    let mut effects = std::mem::take(&mut world.effects);
    world.wait(Span::secs(3));
    effects.append(&mut world.effects);
    world.effects = effects;
    let told = world.effects.iter().find_map(|effect| match effect {
        Effect::Announce(announced) => Some(announced.reasons.join("; ")),
        _ => None,
    });
    assert_eq!(world.orders(), []);
    told.unwrap_or_default()
}

fn assert_doubtful(world: &mut World, payload: &[u8]) {
    let generation = world.generation_of(0);
    world.event(Event::Message(meter(payload)));
    let said = String::from_utf8_lossy(payload).into_owned();
    world.says("buttons/mill", "press");
    assert_eq!((world.decision().0, world.orders()), (Decision::Held, vec![]), "{said}");
    let reasons = world.engine.status(world.now.moment, MachineIx(0)).reasons;
    assert!(reasons.len() == 1 && reasons[0].contains("(power)"), "{said}: {reasons:?}");
    assert!(world.generation_of(0) > generation, "{said}: it begins anew");
    assert_eq!(world.shown(), [], "{said}: and knows nothing");
}

#[test]
fn a_message_that_cannot_be_read_is_doubt_at_once_and_the_detector_begins_anew() {
    let unreadable: [&[u8]; 12] = [
        b"overload",
        b"inf",
        b"nan",
        b"455,2",
        b"2.6 kVA",
        b"null",
        b"\"x\"",
        b"999999",
        b"1e400",
        b"",
        b"  ",
        b"\xff\xfe12",
    ];
    for payload in unreadable {
        assert_doubtful(&mut World::on_and(Verdict::Idle), payload);
    }
    let unreadable: [&[u8]; 6] = [
        b"overload",
        br#"{"w":null}"#,
        br#"{"w":1,"w":900}"#,
        br#"{"w":"2.6 kVA"}"#,
        br#"{"w":{}}"#,
        br#"{"w":999999}"#,
    ];
    for payload in unreadable {
        assert_doubtful(&mut by_pointer(), payload);
    }
    let mut plan = plan();
    plan.machines[0].signals[0].source.path = ValuePath::SenmlName("mill/power".into());
    let good = r#"[{"n":"mill/power","u":"W","v":12}]"#;
    assert_doubtful(&mut idle_under(plan, good), br#"[{"n":"mill/power","u":"kvar","v":2.6}]"#);
}

#[test]
fn a_status_that_cannot_be_read_is_doubt_as_well() {
    let mut plan = plan();
    plan.machines[0].signals[0].kind = SignalKind::Text;
    assert_doubtful(&mut idle_under(plan, "waiting"), b"\xff");
}

#[test]
fn a_message_about_something_else_and_a_stored_one_cast_no_doubt() {
    let mut world = by_pointer();
    world.says("meters/mill", r#"{"volts":230}"#);
    let stored = Message { retained: true, ..meter(b"overload") };
    world.event(Event::Message(stored));
    world.says("buttons/mill", "press");
    assert_eq!(world.decision().0, Decision::Acted);
}

#[test]
fn after_it_only_what_the_new_detector_has_seen_counts() {
    let mut world = World::on_and(Verdict::Idle);
    world.wait(Span::secs(1));
    let before = world.generation_of(0);
    world.says("meters/mill", "0,048");
    let told = held(&mut world);
    assert_eq!(
        told,
        r#"what the meter says is no number: "0,048" (power); if it writes a decimal comma, set decimal = ",""#
    );
    assert!(world.generation_of(0) > before);
    world.says("meters/mill", "12");
    assert_eq!(world.shown(), [world.reading(12.0)]);
    assert_eq!(held(&mut world), "its detector has not said anything yet");
    world.detector_says(Verdict::Idle);
    world.says("buttons/mill", "press");
    assert_eq!(world.decision().0, Decision::Acted, "its word counts again");
}

#[test]
fn a_meter_that_talks_nonsense_in_between_keeps_the_doubt_and_costs_little() {
    let mut world = World::on_and(Verdict::Idle);
    let mut installs = 0;
    for _ in 0..600 {
        for payload in ["error", "12"] {
            world.wait(Span(50));
            installs += world.installs();
            world.says("meters/mill", payload);
            installs += world.installs();
            world.says("buttons/mill", "press");
            assert_eq!(world.orders(), []);
            world.detector_says(Verdict::Unknown);
            installs += world.installs();
        }
    }
    assert!((2..=14).contains(&installs), "{installs} in a minute");
    world.wait(Span::secs(6));
    world.reads(Verdict::Idle);
    world.says("buttons/mill", "press");
    assert_eq!(world.decision().0, Decision::Acted, "the meter is well again");
}

#[test]
fn nothing_from_before_an_outage_counts_after_it() {
    let mut world = World::on_and(Verdict::Idle);
    world.wait(Span::secs(1));
    let before = world.generation_of(0);
    world.event(Event::Link(LinkState::Down { why: "cable".into() }));
    world.wait(Span::secs(8));
    world.event(Event::Link(LinkState::Up));
    world.says("outlets/mill/says", "on");
    assert_eq!(held(&mut world), "no reading of power since the broker was lost");
    assert!(world.generation_of(0) > before);
    assert_eq!(world.shown(), []);
    // What was measured during the outage, but comes only now, says nothing either: what came after it may be lost.
    for age in [Span::secs(60), Span::secs(8)] {
        world.event(Event::Message(Message { age, ..World::message("meters/mill", "12") }));
        assert_eq!(world.shown(), []);
    }
    world.says("meters/mill", "12");
    assert_eq!(world.shown(), [world.reading(12.0)]);
    world.detector_says(Verdict::Idle);
    world.says("buttons/mill", "press");
    assert_eq!(world.decision().0, Decision::Acted);
}

/// The same failure of one attempt after the other is told once, and any of them may have brought a reading.
#[test]
fn what_came_over_a_connection_that_was_not_proved_does_not_count() {
    let mut world = World::on_and(Verdict::Idle);
    world.event(Event::Link(LinkState::Down { why: "cable".into() }));
    world.wait(Span::secs(5));
    world.says("meters/mill", "12");
    world.detector_says(Verdict::Idle);
    world.wait(Span::secs(5));
    world.event(Event::Link(LinkState::Up));
    world.says("outlets/mill/says", "on");
    assert_eq!(held(&mut world), "no reading of power since the broker was lost");
}

/// Each message may have waited for up to its age, and how much that is jumps about with every marker that comes back.
#[test]
fn a_later_message_is_a_later_reading_however_long_each_may_have_waited() {
    let mut world = World::on_and(Verdict::Idle);
    for (age, payload) in [(480, "12"), (700, "800")] {
        world.wait(Span(100));
        world.event(Event::Message(Message { age: Span(age), ..World::message("meters/mill", payload) }));
    }
    let shown = world.shown();
    assert_eq!(shown.len(), 2);
    assert_eq!(shown[1].value, idlegate_plan::event::Value::Number(800.0));
    assert!(shown[0].at <= shown[1].at);
    world.detector_says(Verdict::Busy);
    world.says("buttons/mill", "press");
    assert_eq!(world.decision().0, Decision::Held);
}

/// Whatever waited while the line stood still, or the program, is as old as it may be, and the next message is not. A
/// dwell that began with the one and ended with the other would be shorter than it looks.
#[test]
fn no_dwell_is_shorter_for_a_line_that_stood_still() {
    for ages in [vec![20, 480, 700, 20], vec![20, 5_000, 5_000, 20], vec![20, 2_400, 900, 20, 3_000, 20]] {
        let mut world = World::on_and(Verdict::Busy);
        world.wait(Span::secs(10));
        let mut shown = Vec::new();
        for age in &ages {
            world.wait(Span(200));
            world.event(Event::Message(Message { age: Span(*age), ..World::message("meters/mill", "12") }));
            let newest = world.shown().pop();
            shown.extend(newest.map(|reading| (world.generation_of(0), world.now.moment, reading.at)));
        }
        assert!(shown.len() >= 2, "{ages:?}");
        for (nth, (generation, now, at)) in shown.iter().enumerate() {
            for (former, before, from) in &shown[..nth] {
                let measured = at.since(*from);
                let passed = now.since(*before);
                assert!(former != generation || measured <= passed, "{ages:?}: {measured} within {passed}");
            }
        }
    }
}

#[test]
fn a_meter_whose_clock_went_back_is_in_doubt_until_it_has_caught_up() {
    let mut plan = plan();
    plan.machines[0].signals[0].source.path = ValuePath::SenmlName("p".into());
    let mut world = idle_under(plan, r#"[{"n":"p","u":"W","v":12}]"#);
    let busy = r#"[{"n":"p","u":"W","v":800,"t":-20}]"#;
    world.says("meters/mill", busy);
    let told = held(&mut world);
    assert!(told.starts_with("the time in the meter's messages has gone back by"), "{told}");
    for _ in 0..5 {
        world.wait(Span::secs(1));
        world.says("meters/mill", busy);
        assert_eq!(world.shown(), []);
    }
    world.wait(Span::secs(20));
    world.says("meters/mill", busy);
    assert_eq!(world.shown().len(), 1, "past what it had said before");
}
