//! What could go wrong: a mill that went back to work after it counted as idle is cut in its next pause; a restart or
//! new rules make the guard forget it; somebody who forces, or a red button, has to wait for it.

use super::world::{World, name, plan};
use idlegate_engine::{Effect, Former, KeptMachine, Note, SilenceEnd};
use idlegate_guard::time::Span;
use idlegate_guard::{Cause, Decision, Switch};
use idlegate_messages::effects::sentences;
use idlegate_plan::Plan;
use idlegate_plan::event::Verdict;
use idlegate_plan::kept::HeldLonger;

fn learning() -> Plan {
    let mut plan = plan();
    plan.machines[0].learning.hold_longer = true;
    plan
}

/// The mill is seen like this for so long, every five seconds.
fn goes_on(world: &mut World, verdict: Verdict, secs: u64) -> Vec<Effect> {
    let mut effects = Vec::new();
    for _ in 0..secs / 5 {
        world.reads(verdict);
        effects.append(&mut world.effects);
        world.wait(Span::secs(5));
        effects.append(&mut world.effects);
    }
    effects
}

fn kept(effects: &[Effect]) -> Option<HeldLonger> {
    let kept = effects.iter().rev().find_map(|effect| match effect {
        Effect::Keep(kept) => Some(kept.state.clone()),
        _ => None,
    });
    kept.and_then(|state| state.longer)
}

/// It went back to work four minutes after it counted as idle, and is idle again for ten seconds.
fn resumed() -> (World, HeldLonger) {
    let mut world = World::of(learning());
    world.says("outlets/mill/says", "on");
    goes_on(&mut world, Verdict::Busy, 60);
    goes_on(&mut world, Verdict::Idle, 240);
    let effects = goes_on(&mut world, Verdict::Busy, 60);
    let lessons: Vec<_> = effects
        .iter()
        .filter_map(|effect| match effect {
            Effect::Noted(noted) => match &noted.what {
                Note::Silence(silence) => Some(silence.end),
                Note::Outlet(_) | Note::State(..) | Note::Energy(_) | Note::Paired(_) => None,
            },
            _ => None,
        })
        .collect();
    let idle_for = Span::secs(240);
    assert_eq!(lessons, [SilenceEnd::BackToWork { idle_for }]);
    let longer = kept(&effects).expect("learned, and kept");
    assert_eq!((longer.by, longer.idle_for), (Span::secs(300), idle_for));
    goes_on(&mut world, Verdict::Idle, 10);
    (world, longer)
}

fn asks(world: &mut World, request: &str) -> (Decision, &'static str) {
    world.says("idlegate/request/console", &format!(r#"{{"machine":"mill","request":"{request}"}}"#));
    world.decision()
}

/// What whoever asked last is answered.
fn sentence(world: &World) -> String {
    sentences::decision(world.decisions().last().expect("it was answered"))
}

#[test]
fn a_plain_off_waits_until_that_silence_has_been_outlasted_and_says_why() {
    let (mut world, _) = resumed();
    assert_eq!(asks(&mut world, "off"), (Decision::Held, "machine-busy"));
    let announced = world.effects.iter().find_map(|effect| match effect {
        Effect::Announce(announced) => Some(announced.reasons.join("; ")),
        _ => None,
    });
    let why = "it went back to work 4 min after it counted as idle";
    let told = announced.expect("somebody is told");
    assert!(told.contains(why), "{told}");
    let told = sentence(&world);
    assert!(told.starts_with("Mill stays on: idle for 10 s, but it is held until that is 5 min"), "{told}");
    assert!(told.contains(why), "{told}");
    goes_on(&mut world, Verdict::Idle, 280);
    assert_eq!(asks(&mut world, "off"), (Decision::Held, "machine-busy"));
    goes_on(&mut world, Verdict::Idle, 20);
    assert_eq!(asks(&mut world, "off"), (Decision::Acted, "machine-idle"));
    assert_eq!(world.orders(), [(Switch::Off, Cause::Plain)]);
}

#[test]
fn force_and_emergency_do_not_wait_for_it() {
    let (mut world, _) = resumed();
    world.says("buttons/mill", "long-press");
    assert_eq!(world.decision(), (Decision::Acted, "machine-idle"));
    let told = sentence(&world);
    assert!(told.starts_with("Mill is being switched off") && !told.contains("held until"), "{told}");
    assert_eq!(world.orders(), [(Switch::Off, Cause::Forced)]);
    let (mut world, _) = resumed();
    world.says("contacts/red", "open");
    assert_eq!(world.orders(), [(Switch::Off, Cause::Emergency)]);
}

#[test]
fn a_machine_that_works_is_held_against_a_force_as_ever() {
    let (mut world, _) = resumed();
    goes_on(&mut world, Verdict::Busy, 10);
    world.says("buttons/mill", "long-press");
    assert_eq!(world.decision(), (Decision::Held, "machine-busy"));
    assert_eq!(world.orders(), []);
}

#[test]
fn it_outlives_a_restart_a_lockout_and_rules_that_change_something_else() {
    let (mut world, longer) = resumed();
    let mut same = learning();
    same.digest = "others".into();
    world.adopt(same);
    world.says("contacts/red", "open");
    assert_eq!(kept(&world.effects), Some(longer.clone()), "stored with every change");
    let state = idlegate_plan::kept::KeptState { longer: Some(longer), ..Default::default() };
    let former =
        Former { machines: vec![KeptMachine { machine: name("mill"), state }], answered: Vec::new() };
    let mut world = World::under(learning(), &former);
    world.says("outlets/mill/says", "on");
    goes_on(&mut world, Verdict::Idle, 280);
    assert_eq!(asks(&mut world, "off"), (Decision::Held, "machine-busy"));
    goes_on(&mut world, Verdict::Idle, 30);
    assert_eq!(asks(&mut world, "off"), (Decision::Acted, "machine-idle"));
}

#[test]
fn new_settings_of_its_detector_end_it_for_good() {
    let (mut world, _) = resumed();
    let mut longer_dwell = learning();
    longer_dwell.machines[0].detectors[0].settings = serde_json::json!({ "dwell": "10 min" });
    world.adopt(longer_dwell);
    assert!(
        world
            .effects
            .iter()
            .any(|effect| matches!(effect, Effect::Keep(kept) if kept.state.longer.is_none())),
        "and that is kept"
    );
    goes_on(&mut world, Verdict::Idle, 10);
    assert_eq!(asks(&mut world, "off"), (Decision::Acted, "machine-idle"));
}

/// Its meter has not spoken between the two; and what it draws when it starts up is no work that went on.
#[test]
fn a_machine_that_is_switched_off_and_on_again_at_once_has_not_gone_back_to_work() {
    let mut world = World::of(learning());
    world.says("outlets/mill/says", "on");
    goes_on(&mut world, Verdict::Busy, 60);
    goes_on(&mut world, Verdict::Idle, 240);
    world.says("outlets/mill/says", "off");
    world.says("outlets/mill/says", "on");
    let effects = goes_on(&mut world, Verdict::Busy, 60);
    assert_eq!(kept(&effects), None);
    goes_on(&mut world, Verdict::Idle, 10);
    assert_eq!(asks(&mut world, "off"), (Decision::Acted, "machine-idle"));
}
