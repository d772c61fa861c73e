//! A meter that sends what it has gathered in one message: all of it happened.

use super::world::{World, plan};
use idlegate_engine::Effect;
use idlegate_guard::Decision;
use idlegate_guard::time::Span;
use idlegate_plan::ValuePath;
use idlegate_plan::event::{Feed, Value, Verdict};

/// Seven seconds of work, and one of a pause.
const EIGHT: &str = r#"[{"bn":"mill/power","bu":"W","t":-7,"v":455},{"t":-6,"v":456},{"t":-5,"v":455},{"t":-4,"v":458},
    {"t":-3,"v":455},{"t":-2,"v":454},{"t":-1,"v":455},{"v":3}]"#;

fn world() -> World {
    let mut plan = plan();
    plan.machines[0].signals[0].source.path = ValuePath::SenmlName("mill/power".into());
    let mut world = World::of(plan);
    // What was measured before the connection says nothing about what came after it.
    world.wait(Span::secs(10));
    world.says("outlets/mill/says", "on");
    world.says("meters/mill", r#"[{"n":"mill/power","t":-9,"v":3}]"#);
    world.detector_says(Verdict::Idle);
    world
}

fn feeds(world: &World) -> Vec<&Feed> {
    let feeds = world.effects.iter().filter_map(|effect| match effect {
        Effect::Feed(feed) => Some(feed),
        _ => None,
    });
    feeds.collect()
}

#[test]
fn a_detector_is_shown_every_record_in_one_feed_and_in_order() {
    let mut world = world();
    world.says("meters/mill", EIGHT);
    let [feed] = feeds(&world)[..] else { panic!("{:?}", world.effects) };
    let now = world.now.moment;
    let shown = feed.readings.iter().map(|(_, reading)| match reading.value {
        Value::Number(watts) => (now.since(reading.at).0 / 1_000, watts),
        Value::Text(_) => unreachable!(),
    });
    let expected = [455.0, 456.0, 455.0, 458.0, 455.0, 454.0, 455.0, 3.0];
    assert_eq!(shown.collect::<Vec<_>>(), (0..8).rev().zip(expected).collect::<Vec<_>>());
}

#[test]
fn a_press_after_a_pack_waits_for_what_the_detector_makes_of_all_of_it() {
    let mut world = world();
    world.says("meters/mill", EIGHT);
    world.says("buttons/mill", "press");
    assert_eq!(world.orders(), [], "the detector has not looked yet");
    world.detector_says(Verdict::Busy);
    assert_eq!(world.decision().0, Decision::Held);
    assert_eq!(world.orders(), []);
}
