//! New rules while the machines work: a window that closes under somebody's hand, a lockout that is forgotten, an off
//! meant for one outlet that reaches another, a detector that has to learn everything anew.

use std::collections::BTreeSet;

use super::world::{World, name, plan};
use idlegate_engine::{Effect, preview};
use idlegate_guard::time::Span;
use idlegate_guard::{Cause, Decision, Switch};
use idlegate_plan::event::Verdict;
use idlegate_plan::{MachineIx, ModuleSource, NumberSignal, Plan, Signal, SignalKind, ValuePath};

fn changed(change: impl FnOnce(&mut Plan)) -> Plan {
    let mut plan = plan();
    plan.digest = "another".into();
    change(&mut plan);
    plan
}

#[test]
fn an_open_window_and_a_detectors_word_outlive_a_change_elsewhere() {
    let mut world = World::on_and(Verdict::Busy);
    world.says("buttons/mill", "press");
    assert_eq!(world.decision().0, Decision::Held);
    world.wait(Span::secs(2));
    world.adopt(changed(|plan| plan.inputs[1].title = "Other console".into()));
    assert_eq!((world.installs(), world.orders()), (0, vec![]));
    world.says("buttons/mill", "long-press");
    assert_eq!(world.decision(), (Decision::Acted, "forced-in-window"));
    assert_eq!(world.orders(), [(Switch::Off, Cause::Forced)]);
    assert_eq!(&*world.decisions()[0].rules, "another");
}

#[test]
fn other_settings_begin_the_detector_anew_and_until_it_has_spoken_the_machine_is_busy() {
    let mut world = World::on_and(Verdict::Idle);
    world.adopt(changed(|plan| {
        plan.machines[0].detectors[0].settings = serde_json::json!({ "busy_watts": 9 })
    }));
    assert_eq!((world.installs(), world.orders()), (1, vec![]));
    world.says("buttons/mill", "press");
    assert_eq!(world.decision().0, Decision::Held);
}

/// The detector of the other meter must not go on with what the first one had read.
#[test]
fn a_signal_that_is_read_differently_begins_its_detector_from_nothing_and_check_says_so() {
    type Change = fn(&mut Signal);
    let changes: [(Change, bool); 7] = [
        (|signal| signal.source.filter = "meters/lathe".into(), true),
        (|signal| signal.source.path = ValuePath::JsonPointer("/w".into()), true),
        (|signal| number(signal).scale = 1_000.0, true),
        (|signal| number(signal).offset = -3.0, true),
        (|signal| number(signal).unit = "kW".into(), true),
        (|signal| signal.kind = SignalKind::Text, true),
        (|signal| signal.stale_after = Span::secs(60), false),
    ];
    for (change, from_nothing) in changes {
        let mut world = World::on_and(Verdict::Idle);
        let after = changed(|plan| change(&mut plan.machines[0].signals[0]));
        let told = preview(&plan(), &after, |_| false).join("\n");
        world.adopt(after);
        let forgets = |effect: &Effect| matches!(effect, Effect::Remove(_));
        assert_eq!((world.installs() == 1, world.effects.iter().any(forgets)), (from_nothing, from_nothing));
        assert_eq!(told.contains("starts over with nothing"), from_nothing, "{told}");
        world.says("buttons/mill", "press");
        assert_eq!(world.decision().0, if from_nothing { Decision::Held } else { Decision::Acted });
    }
}

#[test]
fn other_settings_are_tried_on_what_was_read_before_and_check_says_so() {
    let mut world = World::on_and(Verdict::Idle);
    let after =
        changed(|plan| plan.machines[0].detectors[0].settings = serde_json::json!({ "dwell": "9 s" }));
    let told = preview(&plan(), &after, |_| false).join("\n");
    assert!(told.contains("starts over with the latest readings"), "{told}");
    world.adopt(after.clone());
    assert!(!world.effects.iter().any(|effect| matches!(effect, Effect::Remove(_))));
    // But not on what was read before a message that nobody could read, even if that is all that comes meanwhile.
    world.wait(Span::secs(1));
    world.says("meters/mill", "overload");
    world.adopt(plan());
    assert!(world.effects.iter().any(|effect| matches!(effect, Effect::Remove(_))));
}

fn number(signal: &mut Signal) -> &mut NumberSignal {
    match &mut signal.kind {
        SignalKind::Number(number) => number,
        SignalKind::Text | SignalKind::Machine(_) => unreachable!("the mill's draw is a number"),
    }
}

#[test]
fn a_replaced_file_begins_its_detectors_anew_and_no_others() {
    let mut world = World::on_and(Verdict::Idle);
    world.adopt_with(plan(), &BTreeSet::from([ModuleSource::BuiltIn(name("machine-status"))]));
    assert_eq!(world.installs(), 0);
    world.adopt_with(plan(), &BTreeSet::from([ModuleSource::BuiltIn(name("power-threshold"))]));
    assert_eq!(world.installs(), 1);
}

#[test]
fn a_machine_that_leaves_closes_its_window_and_is_not_switched() {
    let mut world = World::on_and(Verdict::Busy);
    world.says("buttons/mill", "press");
    let gone = changed(|plan| {
        plan.machines.clear();
        plan.inputs.iter_mut().for_each(|input| input.machines.clear());
    });
    world.adopt(gone);
    assert_eq!((world.announcements(), world.orders()), (vec!["window-over"], vec![]));
    assert!(world.effects.iter().any(|effect| matches!(effect, Effect::Remove(_))));
    assert_eq!(world.engine.deadline(), None);
}

#[test]
fn a_lockout_waits_for_a_machine_that_comes_back() {
    let mut world = World::on_and(Verdict::Idle);
    world.says("contacts/red", "open");
    assert_eq!(world.decision().0, Decision::Acted);
    world.adopt(changed(|plan| plan.machines[0].name = name("lathe")));
    assert_eq!(world.orders(), []);
    world.adopt(plan());
    assert_eq!(world.engine.status(world.now.moment, MachineIx(0)).locked_by, Some(name("red-button")));
}

/// What is known of the old outlet says nothing about the new one, and an off on its way to the old one must not be
/// sent again to the new one.
#[test]
fn another_outlet_is_unknown_and_gets_no_order_of_the_old_ones() {
    let mut world = World::on_and(Verdict::Idle);
    world.says("buttons/mill", "press");
    assert_eq!(world.orders(), [(Switch::Off, Cause::Plain)]);
    world.adopt(changed(|plan| {
        plan.machines[0].outlet.order.as_mut().unwrap().topic = "outlets/lathe/order".into()
    }));
    assert_eq!(world.orders(), []);
    world.wait(Span::secs(60));
    assert_eq!(world.orders(), [], "the first off was never confirmed");
    assert_eq!(world.engine.status(world.now.moment, MachineIx(0)).outlet, None);
}

#[test]
fn a_waiting_request_is_answered_once_across_a_change() {
    let mut world = World::on_and(Verdict::Idle);
    world.says("meters/mill", "12");
    world.says("buttons/mill", "press");
    assert_eq!(world.decisions().len(), 0, "it waits for the detector to look");
    world.adopt(changed(|plan| plan.inputs[1].title = "Other console".into()));
    let before = world.decisions().len();
    world.detector_says(Verdict::Idle);
    assert_eq!(before + world.decisions().len(), 1);
    assert_eq!(world.orders(), [(Switch::Off, Cause::Plain)]);
}

/// Any way of getting to the same rules ends in the same engine, as far as anyone can see.
#[test]
fn there_and_back_is_as_if_nothing_had_been() {
    let mut world = World::on_and(Verdict::Idle);
    let before = world.engine.status(world.now.moment, MachineIx(0));
    world.adopt(changed(|plan| {
        plan.machines[0].title = "Router".into();
        plan.machines[0].policy.shadow = true;
    }));
    world.adopt(plan());
    assert_eq!(world.engine.status(world.now.moment, MachineIx(0)), before);
}

/// The changes that rules of the mill go through below.
fn variant(number: u8) -> Plan {
    changed(|plan| {
        plan.digest = format!("variant {number}");
        let mill = &mut plan.machines[0];
        match number {
            0 => {}
            1 => mill.title = "Big mill".into(),
            2 => mill.detectors[0].settings = serde_json::json!({ "busy_watts": 9 }),
            3 => mill.signals[0].source.filter = "meters/other".into(),
            4 => mill.outlet.state.as_mut().unwrap().source.filter = "outlets/other/says".into(),
            5 => mill.name = name("lathe"),
            6 => mill.policy.window = Span::secs(20),
            _ => plan.inputs[0].rights.may_force = false,
        }
    })
}

proptest::proptest! {
    /// Whatever the rules have gone through, in the end the guard answers as one that was started with them.
    #[test]
    fn any_edits_end_as_a_fresh_start_on_the_final_rules(edits in proptest::collection::vec(0_u8..8, 0..8)) {
        let mut edited = World::new();
        edited.says("outlets/mill/says", "on");
        for edit in edits {
            edited.adopt(variant(edit));
            proptest::prop_assert!(edited.orders().is_empty());
        }
        edited.adopt(plan());
        let mut fresh = World::new();
        for verdict in [Verdict::Busy, Verdict::Idle] {
            let mut answers = Vec::new();
            for world in [&mut edited, &mut fresh] {
                // The retained state of an outlet comes again with every subscription.
                world.says("outlets/mill/says", "on");
                world.reads(verdict);
                world.wait(Span::secs(5));
                world.reads(verdict);
                world.says("buttons/mill", "press");
                let orders = world.orders();
                answers.push((world.decision(), orders, world.engine.status(world.now.moment, MachineIx(0)).reasons));
                world.wait(Span::secs(60));
            }
            proptest::prop_assert_eq!(&answers[0], &answers[1]);
        }
    }
}
