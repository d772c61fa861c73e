//! Jobs, from messages to records and words. What could go wrong: the record and what is kept come apart, somebody is
//! sent to a hot machine, or nobody is told of one that was forgotten.

use std::collections::BTreeMap;

use super::world::{World, name, plan};
use idlegate_engine::{Effect, Former, FormerPower, JobEnd, JobEnded, KeptMachine};
use idlegate_guard::Switch;
use idlegate_guard::time::{Span, WallTime};
use idlegate_messages::effects::sentences;
use idlegate_plan::event::{Assessment, Verdict};
use idlegate_plan::kept::{KeptJob, KeptState};
use idlegate_plan::{JobRules, Plan, Stage};

fn jobs() -> Plan {
    let mut plan = plan();
    plan.machines[0].jobs = JobRules { pause: None, ..JobRules::UNLESS_SET };
    plan
}

fn works(world: &mut World, secs: u64) {
    for _ in 0..secs / 10 {
        world.says("meters/mill", "120");
        world.detector_says(Verdict::Busy);
        world.wait(Span::secs(10));
    }
}

fn rests(world: &mut World) {
    world.says("meters/mill", "3");
    world.detector_says(Verdict::Idle);
}

fn ended(world: &World) -> Vec<JobEnded> {
    let ended = world.effects.iter().filter_map(|effect| match effect {
        Effect::JobEnded(ended) => Some((**ended).clone()),
        _ => None,
    });
    ended.collect()
}

fn told(world: &World) -> Vec<&'static str> {
    let announced = world.effects.iter().filter_map(|effect| match effect {
        Effect::Announce(announced) => Some(announced.what.word()),
        _ => None,
    });
    announced.collect()
}

fn kept(world: &World) -> Option<KeptMachine> {
    world.effects.iter().rev().find_map(|effect| match effect {
        Effect::Keep(kept) => Some(kept.clone()),
        _ => None,
    })
}

fn at_rest(plan: Plan) -> World {
    let mut world = World::of(plan);
    world.says("outlets/mill/says", "on");
    rests(&mut world);
    world
}

#[test]
fn a_job_is_kept_from_its_begin_and_its_record_comes_with_the_state_without_it() {
    let mut world = at_rest(jobs());
    world.says("meters/mill", "120");
    world.detector_says(Verdict::Busy);
    let job = kept(&world).unwrap().state.job.unwrap();
    assert_eq!(job.begun_ms, world.now.wall.0);
    works(&mut world, 600);
    rests(&mut world);
    let over = ended(&world);
    assert_eq!((over.len(), over[0].over.how), (1, JobEnd::Finished));
    assert_eq!(over[0].kept.state.job, None);
    assert!(over[0].over.joules.unwrap() > 60_000.0, "{:?}", over[0].over);
    assert_eq!(told(&world), ["finished"]);
}

#[test]
fn a_forced_job_ends_by_whoever_forced_it() {
    let mut world = at_rest(jobs());
    works(&mut world, 60);
    world.says("buttons/mill", "press");
    world.wait(Span::secs(3));
    world.says("buttons/mill", "long-press");
    world.wait(Span(100));
    world.says("outlets/mill/says", "off");
    let over = ended(&world);
    assert_eq!((over[0].over.how, over[0].over.by.as_deref()), (JobEnd::Forced, Some("button")));
    assert!(!told(&world).contains(&"cut"), "whoever forced it knows");
}

#[test]
fn off_by_another_route_in_the_middle_of_a_job_is_told() {
    let mut world = at_rest(jobs());
    works(&mut world, 60);
    world.says("outlets/mill/says", "off");
    assert_eq!((ended(&world)[0].over.how, told(&world)), (JobEnd::CutElsewhere, vec!["cut"]));
}

#[test]
fn one_that_cools_has_finished_and_may_be_switched_off_later() {
    let mut plan = jobs();
    let mut cooling = plan.machines[0].detectors[0].clone();
    (cooling.name, cooling.stage) = (name("cooling"), Stage::After);
    plan.machines[0].detectors.push(cooling);
    let mut world = World::of(plan);
    let cools = |world: &mut World, verdict| {
        let reason = "62 °C, safe below 50 °C".into();
        let clears_in = (verdict == Verdict::Busy).then_some(Span::secs(720));
        world.other_detector_answers(Assessment { verdict, reason, evidence: Vec::new(), clears_in });
    };
    world.says("outlets/mill/says", "on");
    cools(&mut world, Verdict::Busy);
    rests(&mut world);
    works(&mut world, 60);
    rests(&mut world);
    assert_eq!((ended(&world).len(), told(&world)), (1, vec!["finished"]));
    cools(&mut world, Verdict::Idle);
    assert_eq!(told(&world), ["may-be-off"]);
}

#[test]
fn one_that_is_kept_on_may_be_switched_off_when_that_is_over() {
    let mut plan = jobs();
    let console = plan.inputs.iter_mut().find(|input| input.name.as_str() == "console").unwrap();
    console.rights.may_keep_on = true;
    let mut world = at_rest(plan);
    works(&mut world, 60);
    world.says("idlegate/request/console", r#"{"machine":"mill","request":"keep-on","for_s":3600}"#);
    rests(&mut world);
    assert_eq!(told(&world), ["finished"]);
    let words = world.effects.iter().find_map(|effect| match effect {
        Effect::Announce(announced) => Some(sentences::announcement(announced, &BTreeMap::new())),
        _ => None,
    });
    assert!(words.is_some_and(|words| !words.contains("may be switched off")));
    let mut heard = Vec::new();
    for _ in 0..365 {
        world.wait(Span::secs(10));
        heard.extend(told(&world));
        rests(&mut world);
        heard.extend(told(&world));
    }
    assert_eq!(heard.iter().filter(|word| **word == "may-be-off").count(), 1, "{heard:?}");
}

#[test]
fn a_machine_that_nobody_switches_off_after_its_job_is_told_of_once() {
    let mut world = at_rest(jobs());
    works(&mut world, 60);
    rests(&mut world);
    let mut heard = Vec::new();
    for _ in 0..1_000 {
        world.wait(Span::secs(10));
        heard.extend(told(&world));
        rests(&mut world);
        heard.extend(told(&world));
    }
    assert_eq!(heard, ["left-on"]);
}

#[test]
fn what_the_rules_do_not_want_told_is_on_record_all_the_same() {
    let mut plan = jobs();
    let rules = &mut plan.machines[0].jobs;
    (rules.tells_finished, rules.tells_cut, rules.tells_left_on) = (false, false, false);
    let mut world = at_rest(plan);
    works(&mut world, 60);
    rests(&mut world);
    assert_eq!((ended(&world).len(), told(&world)), (1, vec![]));
}

#[test]
fn a_machine_that_leaves_the_rules_ends_its_job_unseen() {
    let mut world = at_rest(jobs());
    works(&mut world, 60);
    let mut without = jobs();
    without.machines[0].outlet.state.as_mut().unwrap().source.filter = "outlets/other/says".to_owned();
    world.adopt(without);
    assert_eq!(ended(&world)[0].over.how, JobEnd::Unseen);
    assert!(kept(&world).is_none_or(|kept| kept.state.job.is_none()));
}

#[test]
fn a_restart_in_the_middle_of_a_job_makes_one_record_of_it() {
    let mut world = at_rest(jobs());
    works(&mut world, 1_200);
    let mut effects = Vec::new();
    world.engine.stop(world.now, &mut effects);
    world.effects = effects;
    let machines = vec![kept(&world).unwrap()];
    let begun = machines[0].state.job.as_ref().unwrap().begun_ms;
    let mut world = World::under(jobs(), &Former { machines, ..Former::default() });
    world.says("outlets/mill/says", "on");
    works(&mut world, 600);
    rests(&mut world);
    let over = ended(&world);
    assert_eq!((over.len(), over[0].over.begun.0, over[0].over.how), (1, begun, JobEnd::Finished));
    assert!(over[0].over.joules.unwrap() > 180_000.0, "{:?}", over[0].over.joules);
}

/// A second machine like the mill, whose detector never says anything.
fn two() -> Plan {
    let mut plan = jobs();
    let mut laser = plan.machines[0].clone();
    (laser.name, laser.title, laser.hazardous) = (name("laser"), "Laser".into(), true);
    laser.outlet.state.as_mut().unwrap().source.filter = "outlets/laser/says".to_owned();
    laser.outlet.order.as_mut().unwrap().topic = "outlets/laser/order".to_owned();
    laser.outlet.reach.as_mut().unwrap().source.filter = "outlets/laser/reach".to_owned();
    laser.signals[0].source.filter = "meters/laser".to_owned();
    plan.machines.push(laser);
    plan
}

fn reach(world: &mut World, word: &str) {
    for machine in ["mill", "laser"] {
        world.says(&format!("outlets/{machine}/reach"), word);
    }
}

#[test]
fn after_a_loss_of_power_people_hear_which_job_is_gone_and_which_machine_came_on() {
    let mut world = World::of(two());
    reach(&mut world, "yes");
    world.says("outlets/mill/says", "on");
    world.says("outlets/laser/says", "on");
    rests(&mut world);
    works(&mut world, 60);
    reach(&mut world, "no");
    world.wait(Span::secs(120));
    reach(&mut world, "yes");
    world.says("outlets/laser/says", "on");
    world.says("outlets/mill/says", "off");
    assert_eq!(ended(&world)[0].over.how, JobEnd::PowerLost);
    let power = world.effects.iter().find_map(|effect| match effect {
        Effect::Announce(announced) => Some((announced.power.as_deref()?.clone(), announced.is_urgent())),
        _ => None,
    });
    let (power, urgent) = power.expect("it is told");
    let named =
        |titles: &[std::sync::Arc<str>]| titles.iter().map(|title| title.to_string()).collect::<Vec<_>>();
    assert_eq!(
        (named(&power.jobs), named(&power.on), urgent),
        (vec!["Mill".to_owned()], vec!["Laser".to_owned()], true)
    );
}

#[test]
fn a_network_that_was_down_for_a_while_is_no_loss_of_power() {
    let mut world = World::of(two());
    reach(&mut world, "yes");
    world.says("outlets/mill/says", "on");
    world.says("outlets/laser/says", "on");
    rests(&mut world);
    works(&mut world, 60);
    reach(&mut world, "no");
    world.wait(Span::secs(120));
    reach(&mut world, "yes");
    world.says("outlets/laser/says", "on");
    world.says("outlets/mill/says", "on");
    works(&mut world, 60);
    world.wait(Span::secs(1_000));
    assert!(!told(&world).contains(&"power-back"));
}

/// Our own computer had lost its power, too: a new run, which has heard what the one before knew of the outlets.
fn after_a_power_cut(mill: Switch, laser: Switch) -> World {
    let mut world = World::of(two());
    let since = WallTime(world.now.wall.0 - 600_000);
    let outlets = vec![(name("mill"), mill), (name("laser"), laser), (name("sold-long-ago"), Switch::On)];
    world.engine.recall_power(&FormerPower { since, outlets }, world.now);
    world
}

/// All that people are told while so many seconds pass, urgent or not.
fn told_within(world: &mut World, secs: u64) -> Vec<(String, bool)> {
    let mut told = Vec::new();
    for _ in 0..secs {
        world.wait(Span::secs(1));
        told.extend(world.effects.iter().filter_map(|effect| match effect {
            Effect::Announce(announced) => {
                Some((sentences::announcement(announced, &BTreeMap::new()), announced.is_urgent()))
            }
            _ => None,
        }));
    }
    told
}

#[test]
fn a_machine_that_is_on_after_a_power_cut_of_the_whole_house_is_named() {
    let mut world = after_a_power_cut(Switch::On, Switch::Off);
    // As the broker had stored it, before the outlets themselves had power.
    world.says("outlets/laser/says", "off");
    world.says("outlets/mill/says", "on");
    assert_eq!(told_within(&mut world, 20), []);
    world.says("outlets/laser/says", "on");
    let told = told_within(&mut world, 120);
    let [(sentence, urgent)] = told.as_slice() else { panic!("{told:?}") };
    assert!(sentence.ends_with(" Mill and Laser are on. Go and look at them."), "{sentence}");
    assert!(sentence.starts_with("Power was lost between ") && *urgent, "{sentence}");
    assert_eq!(told_within(&mut world, 1_200), [], "once");
}

#[test]
fn a_job_that_did_not_go_on_after_a_power_cut_of_the_whole_house_is_named() {
    let now = World::of(two()).now.wall.0;
    let job = KeptJob { begun_ms: now - 3_600_000, kept_ms: now, worked_ms: now, ..KeptJob::default() };
    let state = KeptState { job: Some(job), ..KeptState::default() };
    let machines = vec![KeptMachine { machine: name("mill"), state }];
    let mut world = World::under(two(), &Former { machines, ..Former::default() });
    let outlets = vec![(name("mill"), Switch::On)];
    world.engine.recall_power(&FormerPower { since: WallTime(now - 600_000), outlets }, world.now);
    world.says("outlets/mill/says", "off");
    assert_eq!(ended(&world)[0].over.how, JobEnd::PowerLost);
    let told = told_within(&mut world, 1_000);
    let [(sentence, _)] = told.as_slice() else { panic!("{told:?}") };
    assert!(sentence.starts_with("Power was lost between "), "{sentence}");
    assert!(sentence.ends_with(" In the middle of a job: Mill."), "{sentence}");
}

#[test]
fn a_house_in_which_everything_is_as_it_was_has_nothing_to_tell() {
    let mut world = after_a_power_cut(Switch::On, Switch::Off);
    world.says("outlets/laser/says", "off");
    world.says("outlets/mill/says", "on");
    assert_eq!(told_within(&mut world, 1_200), []);
}

#[test]
fn the_end_of_the_program_takes_no_deferral_from_a_working_machine() {
    let mut world = at_rest(jobs());
    works(&mut world, 60);
    world.says("clock/night", "bell");
    assert!(kept(&world).unwrap().state.deferral.is_some());
    let mut effects = Vec::new();
    world.engine.stop(world.now, &mut effects);
    world.effects = effects;
    let state = kept(&world).unwrap().state;
    assert!(state.deferral.is_some() && state.job.is_some(), "{state:?}");
}
