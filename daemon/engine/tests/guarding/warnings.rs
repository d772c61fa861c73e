//! What could go wrong with a warning: nobody hears that the tube fires with the lid open, or it is read out every
//! second until nobody listens.

use super::rig::{Rig, machine, workshop};
use super::world::name;
use idlegate_engine::preview;
use idlegate_guard::RequestKind::Off;
use idlegate_guard::time::Span;
use idlegate_messages::effects::sentences;
use idlegate_plan::{DetectorUse, Plan, Role, Watch, WatchWhile};

fn watched(during: WatchWhile, lasting: u64) -> Plan {
    let mut mill = machine("Mill");
    let role = Role::Warn(Watch { during, lasting: Span::secs(lasting) });
    let warns = DetectorUse { name: name("spindle"), role, ..mill.detectors[0].clone() };
    mill.detectors.push(warns);
    workshop(vec![mill])
}

/// What was told, and whether it is over.
fn told(rig: &Rig) -> Vec<(bool, String)> {
    let own = std::collections::BTreeMap::new();
    rig.warned().iter().map(|(_, told)| (told.over, sentences::warned(told, &own))).collect()
}

const BEGUN: (bool, &str) = (false, "Mill: Busy.");
const OVER: (bool, &str) = (true, "Mill: this is over: Busy.");

fn is(rig: &Rig, expected: &[(bool, &str)]) {
    let told = told(rig);
    let told: Vec<(bool, &str)> = told.iter().map(|(over, sentence)| (*over, sentence.as_str())).collect();
    assert_eq!(told, expected);
}

#[test]
fn a_warning_is_told_once_when_it_has_lasted_and_once_when_it_is_over() {
    let mut rig = Rig::new(watched(WatchWhile::Always, 20));
    rig.draw(&[("mill", 800.0)], Span::secs(15));
    rig.draw(&[("mill", 3.0)], Span::secs(15));
    rig.draw(&[("mill", 800.0)], Span::secs(15));
    is(&rig, &[]);
    rig.draw(&[("mill", 800.0)], Span::secs(60));
    is(&rig, &[BEGUN]);
    rig.draw(&[("mill", 3.0)], Span::secs(5));
    is(&rig, &[BEGUN, OVER]);
}

#[test]
fn unknown_is_no_warning_and_ends_none() {
    let mut rig = Rig::new(watched(WatchWhile::Always, 0));
    rig.wait(Span::secs(60));
    is(&rig, &[]);
    rig.reads("mill", 800.0);
    rig.wait(Span::secs(300));
    is(&rig, &[BEGUN]);
    rig.reads("mill", 3.0);
    is(&rig, &[BEGUN, OVER]);
}

#[test]
fn a_machine_that_is_switched_off_is_no_longer_warned_of() {
    let mut rig = Rig::new(watched(WatchWhile::On, 0));
    rig.reads("mill", 800.0);
    is(&rig, &[BEGUN]);
    rig.says("outlets/mill/says", "off");
    is(&rig, &[BEGUN, OVER]);
    rig.draw(&[("mill", 800.0)], Span::secs(120));
    is(&rig, &[BEGUN, OVER]);
}

#[test]
fn who_comes_and_goes_is_heard_once_a_minute() {
    let mut rig = Rig::new(watched(WatchWhile::Always, 0));
    for _ in 0..60 {
        rig.draw(&[("mill", 800.0)], Span::secs(5));
        rig.draw(&[("mill", 3.0)], Span::secs(5));
    }
    assert_eq!(told(&rig).iter().filter(|(over, _)| !over).count(), 10);
}

#[test]
fn what_only_warns_has_no_say_in_switching_off() {
    let mut rig = Rig::new(watched(WatchWhile::Always, 0));
    let (index, _) = rig.engine.plan().machine("mill").unwrap();
    let mut plan = watched(WatchWhile::Always, 0);
    plan.machines[index].detectors[1].name = name("random");
    rig.adopt(plan);
    rig.draw(&[("mill", 3.0)], Span::secs(60));
    rig.asks("mill", Off);
    assert!(rig.is_off("mill"), "{}", rig.decision());
}

/// Whoever checks new rules must see that a detector would hold no longer.
#[test]
fn another_role_of_a_detector_is_a_change_that_is_told() {
    let (holding, mut warning) = (watched(WatchWhile::Always, 0), watched(WatchWhile::Always, 0));
    let (index, _) = warning.machine("mill").unwrap();
    warning.machines[index].detectors[0].role = warning.machines[index].detectors[1].role;
    let told = preview(&holding, &warning, |_| false);
    assert_eq!(told, ["machine mill: detector power-threshold now has the role warn"]);
    assert_eq!(preview(&holding, &holding, |_| false), Vec::<String>::new());
}

#[test]
fn a_warning_whose_detector_leaves_the_rules_is_over() {
    let mut rig = Rig::new(watched(WatchWhile::Always, 0));
    rig.reads("mill", 800.0);
    let mut plan = watched(WatchWhile::Always, 0);
    let (index, _) = plan.machine("mill").unwrap();
    plan.machines[index].detectors.pop();
    rig.adopt(plan);
    is(&rig, &[BEGUN, OVER]);
}
