//! In shadow mode others go on switching. What could go wrong: people are called at every press because the hub obeyed
//! it, or they never hear that a working machine was switched off behind everybody's back; or the record praises a hub
//! that cut a job, and blames it for what a person did an hour later.

use crate::world::{World, plan};
use idlegate_engine::{Effect, Meanwhile, Note, Noted, Paired};
use idlegate_guard::time::Span;
use idlegate_guard::{Cause, Decision, IncidentKind, Switch};
use idlegate_plan::MachineIx;
use idlegate_plan::event::Verdict;

const OFF: &str = "off-by-another-route";

fn shadowed(verdict: Verdict) -> World {
    let mut plan = plan();
    plan.machines[0].policy.shadow = true;
    let mut world = World::of(plan);
    world.says("outlets/mill/says", "on");
    for _ in 0..2 {
        world.reads(verdict);
        world.wait(Span::secs(5));
    }
    world.reads(verdict);
    world
}

fn paired(world: &World) -> Vec<Paired> {
    let noted = world.effects.iter().filter_map(|effect| match effect {
        Effect::Noted(Noted { what: Note::Paired(paired), .. }) => Some(paired.clone()),
        _ => None,
    });
    noted.collect()
}

fn told(world: &World) -> Vec<IncidentKind> {
    let told = world.effects.iter().filter_map(|effect| match effect {
        Effect::Incident(told) => Some(told.kind),
        _ => None,
    });
    told.collect()
}

fn open(world: &World) -> Vec<&'static str> {
    world.engine.status(world.now.moment, MachineIx(0)).incidents
}

/// What the press met, and what the hub made of it after so long.
fn press_then_off(verdict: Verdict, after: Span) -> (World, Vec<Paired>) {
    let mut world = shadowed(verdict);
    world.says("buttons/mill", "press");
    let mut found = paired(&world);
    world.wait(after);
    found.extend(paired(&world));
    world.says("outlets/mill/says", "off");
    found.extend(paired(&world));
    (world, found)
}

#[test]
fn an_off_within_ten_seconds_of_a_decision_answers_it_and_is_no_incident() {
    for (verdict, decision, meanwhile) in
        [(Verdict::Busy, Decision::Held, Meanwhile::Cut), (Verdict::Idle, Decision::Acted, Meanwhile::Agrees)]
    {
        for after in [Span::ZERO, Span(400), Span(9_999)] {
            let (world, found) = press_then_off(verdict, after);
            let [one] = found.as_slice() else { panic!("{verdict:?} {after}: {found:?}") };
            assert_eq!((one.decision, one.meanwhile, one.apart), (decision, meanwhile, Some(after)));
            assert_eq!((one.asked, one.before, one.input.as_str()), (Switch::Off, false, "button"));
            assert_eq!((told(&world), open(&world)), (vec![], vec![]));
        }
    }
}

#[test]
fn what_comes_ten_seconds_later_is_an_incident_again() {
    let (mut world, found) = press_then_off(Verdict::Busy, Span::secs(10));
    assert_eq!(found.iter().map(|one| one.meanwhile).collect::<Vec<_>>(), [Meanwhile::Agrees]);
    let (mut late, found_late) = press_then_off(Verdict::Idle, Span::secs(15));
    assert_eq!(found_late.iter().map(|one| one.meanwhile).collect::<Vec<_>>(), [Meanwhile::LeftOn]);
    for world in [&mut world, &mut late] {
        world.wait(Span::secs(10));
        assert_eq!((told(world), open(world)), (vec![IncidentKind::OffByAnotherRoute], vec![OFF]));
    }
}

/// The hub was faster than the request, or the outlet's report was.
#[test]
fn an_off_just_before_its_request_is_judged_by_how_the_machine_stood_then() {
    for (verdict, decision, meanwhile) in
        [(Verdict::Busy, Decision::Held, Meanwhile::Cut), (Verdict::Idle, Decision::Acted, Meanwhile::Agrees)]
    {
        let mut world = shadowed(verdict);
        world.says("outlets/mill/says", "off");
        assert_eq!((told(&world), open(&world)), (vec![], vec![]), "it waits for its request");
        world.wait(Span(300));
        world.says("buttons/mill", "press");
        let found = paired(&world);
        assert_eq!((found[0].decision, found[0].meanwhile, found[0].before), (decision, meanwhile, true));
        assert_eq!(found[0].asked, Switch::Off, "it was on when somebody pressed");
        world.wait(Span::secs(20));
        assert_eq!((told(&world), paired(&world), open(&world)), (vec![], vec![], vec![]));
        world.says("outlets/mill/says", "on");
        assert!(!world.effects.iter().any(|effect| matches!(effect, Effect::IncidentOver(_))));
    }
}

#[test]
fn an_off_without_a_request_is_told_with_what_was_known_when_it_happened() {
    let mut world = shadowed(Verdict::Busy);
    let happened = world.now.moment;
    world.says("outlets/mill/says", "off");
    world.wait(Span(9_999));
    assert_eq!(told(&world), []);
    world.wait(Span(1));
    let found = world.effects.iter().find_map(|effect| match effect {
        Effect::Incident(told) => Some((told.at.moment, told.urgent, told.reasons.join(" "))),
        _ => None,
    });
    assert_eq!(found, Some((happened, true, "Busy".to_owned())));
    world.says("outlets/mill/says", "on");
    assert!(world.effects.iter().any(|effect| matches!(effect, Effect::IncidentOver(_))));
}

#[test]
fn a_power_cut_of_a_moment_is_told_with_its_end() {
    let mut world = shadowed(Verdict::Busy);
    world.says("outlets/mill/says", "off");
    world.wait(Span::secs(3));
    world.says("outlets/mill/says", "on");
    assert_eq!(told(&world)[..1], [IncidentKind::OffByAnotherRoute]);
    assert!(world.effects.iter().any(|effect| matches!(effect, Effect::IncidentOver(_))));
}

/// Whoever presses again because the hub is slow has not asked twice for a cut.
#[test]
fn one_off_answers_the_last_of_several_presses_and_every_older_one_that_would_have_switched() {
    let mut world = shadowed(Verdict::Idle);
    let mut found = Vec::new();
    world.says("buttons/mill", "press");
    world.wait(Span::secs(3));
    world.reads(Verdict::Busy);
    for _ in 0..2 {
        world.says("buttons/mill", "press");
        found.extend(world.decisions().iter().map(|decided| decided.decision.word()));
        world.wait(Span::secs(3));
    }
    assert_eq!(found, ["held", "held"]);
    world.says("outlets/mill/says", "off");
    let meanwhile: Vec<_> = paired(&world).iter().map(|one| one.meanwhile).collect();
    assert_eq!(meanwhile, [Meanwhile::Agrees, Meanwhile::Agrees, Meanwhile::Cut]);
}

#[test]
fn an_on_is_compared_as_well_and_one_under_a_lockout_is_told_at_once() {
    let mut world = shadowed(Verdict::Idle);
    world.says("buttons/mill", "press");
    world.says("outlets/mill/says", "off");
    world.wait(Span::secs(20));
    world.says("buttons/mill", "press");
    assert_eq!(world.decision(), (Decision::Acted, "switching-on"));
    world.wait(Span::secs(1));
    world.says("outlets/mill/says", "on");
    assert_eq!((paired(&world)[0].meanwhile, told(&world)), (Meanwhile::Agrees, vec![]));
    world.says("contacts/red", "open");
    world.says("outlets/mill/says", "off");
    world.wait(Span::secs(20));
    world.says("outlets/mill/says", "on");
    assert_eq!(told(&world), [IncidentKind::OnByAnotherRoute]);
}

#[test]
fn an_emergency_acts_and_is_compared_with_nothing() {
    let mut world = shadowed(Verdict::Busy);
    world.says("buttons/mill", "press");
    world.wait(Span::secs(2));
    world.says("contacts/red", "open");
    assert_eq!(world.orders(), [(Switch::Off, Cause::Emergency)]);
    assert!(!world.decisions()[0].shadow);
    assert_eq!(paired(&world).iter().map(|one| one.meanwhile).collect::<Vec<_>>(), [Meanwhile::Unseen]);
    world.says("outlets/mill/says", "off");
    world.wait(Span::secs(20));
    assert_eq!((told(&world), paired(&world)), (vec![], vec![]));
}

#[test]
fn out_of_shadow_mode_every_other_route_is_told_at_once() {
    let mut world = World::on_and(Verdict::Busy);
    world.says("buttons/mill", "press");
    world.says("outlets/mill/says", "off");
    assert_eq!(told(&world), [IncidentKind::OffByAnotherRoute]);
    assert_eq!(paired(&world), []);
}

/// An incident that waits for its request is not forgotten when the rules change or the program ends.
#[test]
fn what_waits_is_told_when_shadow_mode_ends_and_when_the_program_does() {
    let mut world = shadowed(Verdict::Busy);
    world.says("outlets/mill/says", "off");
    world.adopt(plan());
    world.wait(Span::secs(10));
    assert_eq!(told(&world), [IncidentKind::OffByAnotherRoute]);
    let mut world = shadowed(Verdict::Busy);
    world.says("outlets/mill/says", "off");
    world.effects.clear();
    world.engine.stop(world.now, &mut world.effects);
    assert_eq!(told(&world), [IncidentKind::OffByAnotherRoute]);
}

/// It went back to work once, so its detectors' word alone does not let it go; the hub knows nothing of that.
#[test]
fn one_that_is_held_longer_was_cut_though_its_detectors_called_it_idle() {
    let mut plan = plan();
    plan.machines[0].policy.shadow = true;
    plan.machines[0].learning.hold_longer = true;
    let mut world = World::of(plan);
    world.says("outlets/mill/says", "on");
    for (verdict, secs) in
        [(Verdict::Busy, 60), (Verdict::Idle, 240), (Verdict::Busy, 60), (Verdict::Idle, 10)]
    {
        for _ in 0..secs / 5 {
            world.reads(verdict);
            world.wait(Span::secs(5));
        }
    }
    world.says("outlets/mill/says", "off");
    world.says("buttons/mill", "press");
    let found = paired(&world);
    assert_eq!((found[0].decision, found[0].meanwhile), (Decision::Held, Meanwhile::Cut));
}
