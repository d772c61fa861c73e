//! What could go wrong with a reading that was asked for: it is taken for a look at the machine before any detector
//! has looked at it. (First seen by the simulator, seed 110: a job cut six seconds after it began.)

use super::world::{World, plan};
use idlegate_engine::{Effect, Former};
use idlegate_guard::time::Span;
use idlegate_guard::{Cause, Decision, Switch};
use idlegate_plan::RefreshTopic;
use idlegate_plan::event::Verdict;

/// A mill whose meter can be asked, on and idle, its newest reading already too old to decide on.
fn idle_by_an_old_reading() -> World {
    let mut plan = plan();
    plan.machines[0].outlet.refresh =
        Some(RefreshTopic { topic: "outlets/mill/ask".into(), payload: "now".into() });
    plan.machines[0].policy.can_refresh = true;
    let mut world = World::under(plan, &Former::default());
    world.says("outlets/mill/says", "on");
    world.reads(Verdict::Idle);
    world.wait(Span::secs(20));
    world
}

fn was_asked(world: &World) -> bool {
    world.effects.iter().any(|effect| matches!(effect, Effect::Refresh { .. }))
}

#[test]
fn an_off_waits_until_the_reading_it_asked_for_has_been_judged() {
    for (watts, verdict, decision, orders) in [
        ("800", Verdict::Busy, (Decision::Held, "machine-busy"), vec![]),
        ("12", Verdict::Idle, (Decision::Acted, "machine-idle"), vec![(Switch::Off, Cause::Plain)]),
    ] {
        let mut world = idle_by_an_old_reading();
        world.says("buttons/mill", "press");
        assert!(was_asked(&world) && world.decisions().is_empty());
        world.wait(Span(50));
        world.says("meters/mill", watts);
        assert_eq!(world.orders(), [], "{watts} W have come in, and nobody has looked at them");
        world.detector_says(verdict);
        assert_eq!((world.decision(), world.orders()), (decision, orders));
    }
}

#[test]
fn a_deferral_looks_at_the_reading_it_asked_for_before_it_acts() {
    let mut world = idle_by_an_old_reading();
    world.reads(Verdict::Idle);
    world.says("idlegate/request/console", r#"{"machine":"mill","request":"off-once-idle"}"#);
    assert_eq!(world.decision(), (Decision::Deferred, "notice-running"));
    world.wait(Span::secs(10));
    world.reads(Verdict::Idle);
    world.wait(Span::secs(20));
    assert!(was_asked(&world), "{:?}", world.effects);
    world.wait(Span(50));
    world.says("meters/mill", "800");
    assert_eq!(world.orders(), [], "nobody has looked at the reading");
    world.detector_says(Verdict::Busy);
    assert_eq!((world.orders(), world.announcements()), (vec![], vec!["deferral-busy-again"]));
}

/// The message is handled before the tick of the same moment. (First seen by the simulator, too.)
#[test]
fn a_reading_that_comes_in_as_a_deferral_is_due_is_looked_at_before_it_acts() {
    let mut world = World::on_and(Verdict::Idle);
    world.wait(Span::secs(10));
    world.reads(Verdict::Idle);
    world.says("idlegate/request/console", r#"{"machine":"mill","request":"off-once-idle"}"#);
    assert_eq!(world.decision(), (Decision::Deferred, "notice-running"));
    world.wait(Span::secs(20));
    world.reads(Verdict::Idle);
    world.wait(Span(9_999));
    world.now.moment = world.now.moment + Span(1);
    world.says("meters/mill", "800");
    assert_eq!(world.orders(), [], "nobody has looked at the reading");
    world.detector_says(Verdict::Busy);
    assert_eq!((world.orders(), world.announcements()), (vec![], vec!["deferral-busy-again"]));
}
