//! Several outlets lost at once. What could go wrong: a power cut told as eight break-ins, one break-in told as a power
//! cut, an urgent word that waits, an end that never comes.

use super::world::{World, name, plan};
use idlegate_engine::{Effect, OutletsLost};
use idlegate_guard::IncidentKind;
use idlegate_guard::time::Span;
use idlegate_messages::effects::{messages, sentences};
use idlegate_plan::Plan;
use idlegate_plan::event::{Event, LinkState, Verdict};

const SHOP: [&str; 3] = ["mill", "kiln", "lathe"];

fn three_machines() -> Plan {
    let mut plan = plan();
    for other in &SHOP[1..] {
        let mut machine = plan.machines[0].clone();
        machine.name = name(other);
        machine.title = (*other).into();
        machine.outlet.state.as_mut().unwrap().source.filter = format!("outlets/{other}/says");
        machine.outlet.order.as_mut().unwrap().topic = format!("outlets/{other}/order");
        if let Some(reach) = &mut machine.outlet.reach {
            reach.source.filter = format!("outlets/{other}/reach");
        }
        machine.signals[0].source.filter = format!("meters/{other}");
        plan.machines.push(machine);
    }
    plan
}

fn all_on() -> World {
    let mut world = World::of(three_machines());
    for machine in SHOP {
        world.says(&format!("outlets/{machine}/reach"), "yes");
        world.says(&format!("outlets/{machine}/says"), "on");
    }
    world.says("meters/mill", "12");
    world.detector_says(Verdict::Idle);
    world
}

fn off_by(world: &World) -> Vec<String> {
    let told = world.effects.iter().filter_map(|effect| match effect {
        Effect::Incident(told) if told.kind == IncidentKind::OffByAnotherRoute => {
            Some(told.machine.to_string())
        }
        _ => None,
    });
    told.collect()
}

fn lost(world: &World) -> Vec<OutletsLost> {
    let told = world.effects.iter().filter_map(|effect| match effect {
        Effect::OutletsLost(told) => Some(told.clone()),
        _ => None,
    });
    told.collect()
}

fn names(told: &OutletsLost) -> Vec<&str> {
    told.machines.iter().map(|(name, _)| name.as_str()).collect()
}

#[test]
fn the_first_is_told_at_once_and_the_others_are_folded_into_one_incident_of_the_shop() {
    let mut world = all_on();
    world.says("outlets/kiln/says", "off");
    assert_eq!(off_by(&world), ["kiln"]);
    world.wait(Span::secs(1));
    world.says("outlets/mill/says", "off");
    assert_eq!(off_by(&world), [""; 0]);
    world.says("outlets/lathe/reach", "no");
    world.wait(Span(999));
    assert_eq!(lost(&world), []);
    world.wait(Span(1));
    let told = lost(&world);
    assert_eq!(told.len(), 1);
    assert_eq!(names(&told[0]), ["kiln", "mill", "lathe"]);
    assert!(told[0].urgent && !told[0].over, "nobody knows that the kiln was idle");
    let sentence = sentences::outlets_lost(&told[0], &std::collections::BTreeMap::new());
    assert!(
        sentence.starts_with("kiln, Mill and lathe went off or out of reach at the same time"),
        "{sentence}"
    );
    super::published::assert_described("incident", &messages::outlets_lost(&told[0], &sentence));
}

#[test]
fn it_is_over_when_all_of_them_are_back_and_not_before() {
    let mut world = all_on();
    world.says("outlets/kiln/says", "off");
    world.says("outlets/mill/says", "off");
    world.says("outlets/lathe/reach", "no");
    world.wait(Span::secs(3));
    world.says("outlets/mill/says", "on");
    assert!(!world.effects.iter().any(|effect| matches!(effect, Effect::IncidentOver(_))), "it was folded");
    world.says("outlets/kiln/says", "on");
    assert!(world.effects.iter().any(|effect| matches!(effect, Effect::IncidentOver(_))), "it was told");
    assert_eq!(lost(&world), []);
    world.says("outlets/lathe/reach", "yes");
    assert_eq!(lost(&world), [], "reachable, but it has not spoken");
    world.says("outlets/lathe/says", "on");
    let told = lost(&world);
    assert_eq!((told.len(), told[0].over), (1, true));
    assert_eq!(names(&told[0]), ["kiln", "mill", "lathe"]);
    world.wait(Span::secs(60));
    assert_eq!(lost(&world), []);
}

#[test]
fn an_urgent_loss_does_not_wait_behind_one_that_is_not() {
    let mut world = all_on();
    world.says("outlets/mill/says", "off");
    assert_eq!(off_by(&world), ["mill"], "idle, so not urgent");
    world.says("outlets/kiln/says", "off");
    assert_eq!(off_by(&world), ["kiln"], "it may have been working");
    world.says("outlets/lathe/says", "off");
    assert_eq!(off_by(&world), [""; 0]);
    world.wait(Span::secs(2));
    assert_eq!(names(&lost(&world)[0]), ["mill", "kiln", "lathe"]);
}

#[test]
fn one_alone_and_two_far_apart_are_no_incident_of_the_shop() {
    let mut world = all_on();
    world.says("outlets/kiln/reach", "no");
    world.wait(Span::secs(2));
    assert_eq!(lost(&world), []);
    world.says("outlets/lathe/says", "off");
    assert_eq!(off_by(&world), ["lathe"]);
    world.wait(Span::secs(60));
    assert_eq!(lost(&world), []);
    // One that flickers is still one.
    for state in ["off", "on", "off"] {
        world.says("outlets/mill/says", state);
    }
    world.wait(Span::secs(60));
    assert_eq!(lost(&world), []);
}

#[test]
fn two_are_several() {
    let mut world = all_on();
    world.says("outlets/kiln/reach", "no");
    world.says("outlets/lathe/reach", "no");
    world.wait(Span::secs(2));
    let told = lost(&world);
    assert_eq!((names(&told[0]), told[0].urgent), (vec!["kiln", "lathe"], false));
}

#[test]
fn our_own_link_down_is_no_loss_of_outlets() {
    let mut world = all_on();
    world.event(Event::Link(LinkState::Down { why: "cable".into() }));
    world.wait(Span::secs(60));
    assert_eq!(lost(&world), []);
    world.event(Event::Link(LinkState::Up));
    for machine in SHOP {
        world.says(&format!("outlets/{machine}/says"), "on");
    }
    world.wait(Span::secs(60));
    assert_eq!((lost(&world), off_by(&world).len()), (vec![], 0));
}

#[test]
fn switching_several_machines_off_ourselves_is_no_loss() {
    let mut world = all_on();
    world.says("contacts/red", "open");
    world.says("outlets/mill/says", "off");
    world.says("outlets/kiln/says", "off");
    world.wait(Span::secs(60));
    assert_eq!(lost(&world), [], "only the kiln was switched by somebody else");
}

fn all_on_in_shadow() -> World {
    all_on_with(&SHOP)
}

/// Some of them in shadow mode.
fn all_on_with(shadowed: &[&str]) -> World {
    let mut plan = three_machines();
    for machine in &mut plan.machines {
        machine.policy.shadow = shadowed.contains(&machine.name.as_str());
    }
    for input in &mut plan.inputs {
        input.machines =
            vec![idlegate_plan::MachineIx(0), idlegate_plan::MachineIx(1), idlegate_plan::MachineIx(2)];
    }
    let mut world = World::of(plan);
    for machine in SHOP {
        world.says(&format!("outlets/{machine}/reach"), "yes");
        world.says(&format!("outlets/{machine}/says"), "on");
    }
    world
}

/// The hub heard the bell first, and switched everything off.
#[test]
fn in_shadow_mode_a_bell_that_the_hub_obeyed_for_every_machine_is_no_power_cut() {
    let mut world = all_on_in_shadow();
    for machine in SHOP {
        world.says(&format!("outlets/{machine}/says"), "off");
        world.wait(Span(200));
    }
    world.says("clock/night", "bell");
    assert_eq!(world.decisions().len(), 3);
    world.wait(Span::secs(30));
    assert_eq!((off_by(&world), lost(&world)), (vec![], vec![]));
    for machine in SHOP {
        world.says(&format!("outlets/{machine}/says"), "on");
        assert!(!world.effects.iter().any(|effect| matches!(effect, Effect::IncidentOver(_))));
    }
}

#[test]
fn in_shadow_mode_a_power_cut_is_told_once_with_its_end() {
    let mut world = all_on_in_shadow();
    for machine in SHOP {
        world.says(&format!("outlets/{machine}/says"), "off");
    }
    world.wait(Span::secs(2));
    assert_eq!(names(&lost(&world)[0]).len(), 3);
    world.wait(Span::secs(30));
    assert_eq!(off_by(&world), [""; 0]);
    let mut ends = Vec::new();
    for machine in SHOP {
        world.says(&format!("outlets/{machine}/says"), "on");
        assert!(!world.effects.iter().any(|effect| matches!(effect, Effect::IncidentOver(_))));
        ends.extend(lost(&world));
    }
    assert!(ends.len() == 1 && ends[0].over);
}

/// One of two was asked for; the other was not, and is told alone.
#[test]
fn in_shadow_mode_one_that_nobody_asked_for_is_told_though_another_went_with_it() {
    let mut world = all_on_in_shadow();
    world.says("outlets/mill/says", "off");
    world.says("outlets/kiln/says", "off");
    let body = r#"{"machine":"mill","request":"off"}"#;
    world.says("idlegate/request/console", body);
    assert_eq!(world.decisions().len(), 1);
    world.wait(Span::secs(10));
    assert_eq!((off_by(&world), lost(&world)), (vec!["kiln".to_owned()], vec![]));
    world.says("outlets/kiln/says", "on");
    assert!(world.effects.iter().any(|effect| matches!(effect, Effect::IncidentOver(_))));
}

/// What waits for its request in shadow mode takes no incident from a machine that is guarded in earnest.
#[test]
fn a_machine_in_earnest_is_told_at_once_though_one_in_shadow_mode_went_before_it() {
    for asked in [true, false] {
        let mut world = all_on_with(&["mill"]);
        world.says("outlets/mill/says", "off");
        world.says("outlets/kiln/says", "off");
        assert_eq!(off_by(&world), ["kiln"]);
        if asked {
            world.says("idlegate/request/console", r#"{"machine":"mill","request":"off"}"#);
        }
        world.wait(Span::secs(10));
        let (alone, together) = (off_by(&world), lost(&world).len());
        assert_eq!((alone.len(), together), (0, usize::from(!asked)), "{alone:?}");
    }
}
