//! What could go wrong with a meter that has stopped measuring and goes on reporting: the last idle value it read
//! cuts the next job.

use super::world::{World, plan};
use idlegate_engine::Former;
use idlegate_guard::Decision;
use idlegate_guard::time::Span;
use idlegate_plan::MachineIx;
use idlegate_plan::event::Verdict;

fn mill_with_a_meter_that_freezes(stuck_after: Option<Span>) -> World {
    let mut plan = plan();
    plan.machines[0].signals[0].stuck_after = stuck_after;
    let mut world = World::under(plan, &Former::default());
    world.says("outlets/mill/says", "on");
    for _ in 0..20 {
        world.says("meters/mill", "3.1");
        world.detector_says(Verdict::Idle);
        world.wait(Span::secs(10));
    }
    world
}

#[test]
fn a_press_holds_a_machine_whose_meter_has_not_moved_for_too_long() {
    let mut world = mill_with_a_meter_that_freezes(Some(Span::secs(120)));
    world.says("buttons/mill", "press");
    assert_eq!(world.decision(), (Decision::Held, "machine-unknown"));
    let told = "power has not moved for 3 min 10 s, so its meter may be stuck";
    assert_eq!(world.engine.reasons(world.now.moment, MachineIx(0)), [told.into()]);
    world.says("meters/mill", "3.2");
    world.detector_says(Verdict::Idle);
    world.wait(Span::secs(3));
    world.says("buttons/mill", "press");
    assert_eq!(world.decision(), (Decision::Acted, "machine-idle"), "it moves again");
}

#[test]
fn without_the_setting_a_quiet_meter_is_believed() {
    let mut world = mill_with_a_meter_that_freezes(None);
    world.says("buttons/mill", "press");
    assert_eq!(world.decision(), (Decision::Acted, "machine-idle"));
}
