//! A meter that speaks only when its value changes. What could go wrong: its silence is taken for idleness although it
//! has lost its connection, or before the message that shows work has come in; or it is never believed, and nobody can
//! switch the machine off.

use super::world::{World, name, plan};
use idlegate_engine::{Decided, Effect, Note, Noted};
use idlegate_guard::Decision;
use idlegate_guard::time::{Moment, Span};
use idlegate_plan::event::{Event, LinkState, Message, Verdict};
use idlegate_plan::{
    Alive, LifeSign, MachineIx, OnChange, Plan, Polling, RefreshTopic, Reports, SignalIx, Source, ValuePath,
};

const SIGN: &str = "meters/mill/uptime";
const SILENT_MAX: Span = Span::secs(90);

fn by_topic() -> Alive {
    let source = Source { filter: SIGN.into(), path: ValuePath::Whole };
    let sign = LifeSign::Topic { source, gone: Some("gone".into()) };
    Alive { sign, silent_max: SILENT_MAX, sender_stores: false }
}

fn ask() -> Polling {
    let ask = RefreshTopic { topic: "meters/mill/ask".into(), payload: "now".into() };
    Polling { ask, every: Span::secs(30) }
}

fn on_change(alive: Option<Alive>, refresh: Option<Polling>) -> Plan {
    let mut plan = plan();
    let power = &mut plan.machines[0].signals[0];
    power.reports = Reports::OnChange(OnChange { alive, refresh });
    if power.alive().is_none() {
        power.stale_after = SILENT_MAX;
    }
    plan
}

/// One value, which its detector calls idle at once, and nothing since.
fn spoke_once(plan: Plan) -> World {
    let mut world = World::of(plan);
    world.says("outlets/mill/says", "on");
    world.reads(Verdict::Idle);
    world
}

/// One value, and a detector that calls it idle only after a dwell of which it was only shown it again.
fn idle_by_silence() -> World {
    let mut world = World::of(on_change(Some(by_topic()), None));
    world.says("outlets/mill/says", "on");
    world.says("meters/mill", "12");
    world.detector_says(Verdict::Busy);
    world.wait(Span::secs(30));
    world.detector_says(Verdict::Idle);
    world
}

fn pressed(world: &mut World) -> Decided {
    world.wait(Span::secs(3));
    if !world.shown().is_empty() {
        world.detector_says(Verdict::Idle);
    }
    world.says("buttons/mill", "press");
    let decided = world.decisions();
    assert_eq!(decided.len(), 1, "{decided:?}");
    decided[0].clone()
}

fn reasons(world: &World) -> String {
    world.engine.reasons(world.now.moment, MachineIx(0)).join("; ")
}

fn assert_held(world: &mut World, because: &str) {
    assert_eq!(pressed(world).decision, Decision::Held);
    assert!(world.orders().is_empty());
    let told = reasons(world);
    assert!(told.contains(because), "{told}");
}

fn assert_acts(world: &mut World) -> Decided {
    let decided = pressed(world);
    assert_eq!(
        (decided.decision, decided.why.word()),
        (Decision::Acted, "machine-idle"),
        "{}",
        reasons(world)
    );
    decided
}

/// Signs of life for as long, and a detector that goes on saying idle.
fn lives_on(world: &mut World, secs: u64) {
    for _ in 0..secs / 20 {
        world.wait(Span::secs(20));
        world.says(SIGN, "12345");
        world.detector_says(Verdict::Idle);
    }
}

fn asked(world: &World) -> Vec<Option<SignalIx>> {
    let asked = world.effects.iter().filter_map(|effect| match effect {
        Effect::Refresh { signal, .. } => Some(*signal),
        _ => None,
    });
    asked.collect()
}

#[test]
fn a_value_holds_beside_signs_of_life_and_is_shown_again_at_a_steady_pace() {
    let mut world = spoke_once(on_change(Some(by_topic()), None));
    world.wait(Span::secs(21));
    let shown: Vec<u64> = world.shown().iter().map(|reading| reading.at.0).collect();
    assert_eq!(shown, [105_000, 110_000, 115_000, 120_000]);
    world.says(SIGN, "12345");
    world.detector_says(Verdict::Idle);
    lives_on(&mut world, 600);
    let status = world.engine.status(world.now.moment, MachineIx(0));
    assert!(status.signals[0].unchanged && status.signals[0].age > Some(Span::secs(600)), "{status:?}");
    let decided = assert_acts(&mut world);
    let evidence = &decided.grounds.findings[0].readings[0];
    assert!(evidence.unchanged && evidence.age > Span::secs(600), "it was read long ago: {evidence:?}");
}

#[test]
fn idle_by_silence_alone_waits_for_a_sign_of_life_that_follows_it() {
    let mut world = idle_by_silence();
    assert_held(&mut world, "waiting for a sign of life from the meter of power");
    world.says(SIGN, "12345");
    assert_acts(&mut world);
}

/// It was sent before the dwell was over, so the message that shows work may have been sent since.
#[test]
fn a_sign_of_life_from_before_the_end_of_the_dwell_proves_nothing() {
    let mut world = World::of(on_change(Some(by_topic()), None));
    world.says("outlets/mill/says", "on");
    world.says("meters/mill", "12");
    world.detector_says(Verdict::Busy);
    world.wait(Span::secs(29));
    world.says(SIGN, "12345");
    world.wait(Span::secs(1));
    world.detector_says(Verdict::Idle);
    assert_held(&mut world, "waiting for a sign of life");
    // One that has been on its way since before then, neither.
    world.event(Event::Message(Message { age: Span::secs(6), ..World::message(SIGN, "12345") }));
    assert_held(&mut world, "waiting for a sign of life");
    world.says(SIGN, "12345");
    assert_acts(&mut world);
}

#[test]
fn a_machine_that_is_idle_by_a_live_reading_can_be_switched_off_at_once() {
    let mut world = spoke_once(on_change(Some(by_topic()), None));
    assert_acts(&mut world);
}

#[test]
fn a_meter_that_gives_no_sign_of_life_is_in_doubt_until_it_sends_a_value() {
    let mut world = spoke_once(on_change(Some(by_topic()), None));
    lives_on(&mut world, 60);
    let generation = world.generation_of(0);
    world.wait(SILENT_MAX);
    assert!(world.generation_of(0) > generation, "what its detector had made of it is void");
    assert_held(&mut world, "the meter gave no sign of life for 1 min 30 s");
    // It was out of reach, and what changed meanwhile was lost.
    lives_on(&mut world, 200);
    assert_held(&mut world, "until it sends a value again");
    world.reads(Verdict::Idle);
    assert_acts(&mut world);
}

#[test]
fn what_says_that_the_meter_is_gone_is_believed_at_once() {
    let mut world = spoke_once(on_change(Some(by_topic()), None));
    world.says(SIGN, "gone");
    world.says(SIGN, "12345");
    assert_held(&mut world, "the meter was gone");

    let alive = Alive { sign: LifeSign::Reach, ..by_topic() };
    let mut world = spoke_once(on_change(Some(alive), None));
    for word in ["yes", "no", "yes"] {
        world.says("outlets/mill/reach", word);
    }
    world.says("outlets/mill/says", "on");
    assert_held(&mut world, "the outlet with the meter in it was out of reach");
}

#[test]
fn the_reach_of_an_outlet_that_is_the_meter_is_a_sign_of_life() {
    let alive = Alive { sign: LifeSign::Reach, ..by_topic() };
    let mut world = spoke_once(on_change(Some(alive), None));
    for _ in 0..10 {
        world.wait(Span::secs(20));
        world.says("outlets/mill/reach", "yes");
        world.detector_says(Verdict::Idle);
    }
    assert_acts(&mut world);
}

#[test]
fn stored_signs_of_life_never_count() {
    let flagged = || Message { retained: true, ..World::message(SIGN, "12345") };
    for (proved, sender_stores, acts) in
        [(false, false, false), (true, false, false), (false, true, false), (true, true, true)]
    {
        let mut world = spoke_once(on_change(Some(Alive { sender_stores, ..by_topic() }), None));
        for _ in 0..6 {
            world.wait(Span::secs(20));
            world.event(Event::Message(Message { proved, ..flagged() }));
            world.detector_says(Verdict::Idle);
        }
        match (acts, proved) {
            (true, _) => drop(assert_acts(&mut world)),
            (false, true) => assert_held(&mut world, "set sender_stores = true under alive"),
            (false, false) => assert_held(&mut world, "the meter gave no sign of life for 1 min 30 s"),
        }
    }
}

#[test]
fn after_a_start_and_after_an_outage_nothing_is_known_until_a_value_comes() {
    let mut world = World::of(on_change(Some(by_topic()), None));
    world.says("outlets/mill/says", "on");
    world.event(Event::Message(Message {
        retained: true,
        proved: false,
        ..World::message("meters/mill", "12")
    }));
    lives_on(&mut world, 60);
    assert_held(&mut world, "no reading of power yet; its meter speaks only when its value changes");
    world.reads(Verdict::Idle);
    world.event(Event::Link(LinkState::Down { why: "cut".into() }));
    world.event(Event::Link(LinkState::Up));
    world.says("outlets/mill/says", "on");
    lives_on(&mut world, 60);
    assert_held(&mut world, "no reading of power since the broker was lost");
    world.reads(Verdict::Idle);
    assert_acts(&mut world);
}

#[test]
fn after_a_message_that_cannot_be_read_signs_of_life_do_not_help() {
    let mut world = spoke_once(on_change(Some(by_topic()), None));
    world.says("meters/mill", "overload");
    lives_on(&mut world, 60);
    assert_held(&mut world, "what the meter says is no number");
}

/// Where a silence is believed, what came with the flag must not be passed over.
#[test]
fn a_live_value_that_does_not_count_for_its_flag_puts_the_one_that_holds_in_doubt() {
    for payload in ["800", "overload"] {
        let mut world = spoke_once(on_change(Some(by_topic()), None));
        world.event(Event::Message(Message { retained: true, ..World::message("meters/mill", payload) }));
        lives_on(&mut world, 60);
        assert_held(&mut world, "power");
    }
    let mut world = spoke_once(on_change(Some(by_topic()), None));
    world.event(Event::Message(Message { retained: true, ..World::message("meters/mill", "12") }));
    assert_acts(&mut world);
}

#[test]
fn a_value_that_is_shown_again_is_no_reading_for_stuck_after_but_what_is_drawn_without_a_change_is_energy() {
    let mut plan = on_change(Some(by_topic()), None);
    plan.machines[0].signals[0].stuck_after = Some(Span::secs(60));
    let mut world = spoke_once(plan);
    world.says("meters/mill", "800");
    world.detector_says(Verdict::Idle);
    let begin = world.now;
    let mut effects = Vec::new();
    for _ in 0..180 {
        world.wait(Span::secs(20));
        effects.append(&mut world.effects);
        world.says(SIGN, "12345");
        effects.append(&mut world.effects);
        world.detector_says(Verdict::Idle);
        effects.append(&mut world.effects);
    }
    assert!(!reasons(&world).contains("stuck"), "{}", reasons(&world));
    let seconds = world.now.moment.since(begin.moment).as_secs_f64();
    world.engine.stop(world.now, &mut effects);
    let counted = effects.iter().filter_map(|effect| match effect {
        Effect::Noted(Noted { what: Note::Energy(over), .. }) => {
            Some(over.joules.iter().flatten().sum::<f64>())
        }
        _ => None,
    });
    let joules: f64 = counted.sum();
    // Up to the last time that it was shown.
    assert!(
        joules <= 800.0 * seconds + 1.0 && joules > 800.0 * (seconds - 60.0),
        "{joules} J in {seconds} s"
    );
}

/// The freshness that an off asks for is that of the sign of life.
#[test]
fn an_off_with_a_refresh_waits_for_a_sign_of_life_and_not_for_the_old_value_shown_again() {
    let mut plan = on_change(Some(by_topic()), None);
    plan.machines[0].outlet.refresh =
        Some(RefreshTopic { topic: "outlets/mill/ask".into(), payload: "now".into() });
    plan.machines[0].policy.can_refresh = true;
    for answers in [false, true] {
        let mut world = spoke_once(plan.clone());
        lives_on(&mut world, 60);
        world.wait(Span(19_900));
        world.detector_says(Verdict::Idle);
        world.says("buttons/mill", "press");
        assert!(asked(&world) == [None] && world.decisions().is_empty());
        world.wait(Span(200));
        assert_eq!(world.shown().len(), 1, "it was shown again meanwhile");
        world.detector_says(Verdict::Idle);
        assert!(world.decisions().is_empty());
        if answers {
            world.says(SIGN, "12345");
            assert_eq!(world.decision(), (Decision::Acted, "machine-idle"));
        } else {
            world.wait(Span::secs(1));
            assert_eq!(world.decision(), (Decision::Held, "machine-unknown"));
        }
    }
}

#[test]
fn a_meter_that_can_be_asked_is_asked_at_once_and_then_again_and_again() {
    let mut world = World::of(on_change(None, Some(ask())));
    assert_eq!(asked(&world), [Some(SignalIx(0))]);
    world.says("outlets/mill/says", "on");
    for _ in 0..10 {
        world.reads(Verdict::Idle);
        world.wait(Span::secs(30));
        assert_eq!(asked(&world), [Some(SignalIx(0))]);
    }
    assert_acts(&mut world);
    world.event(Event::Link(LinkState::Down { why: "cut".into() }));
    world.wait(Span::secs(60));
    assert_eq!(asked(&world), []);
    world.event(Event::Link(LinkState::Up));
    assert_eq!(asked(&world), [Some(SignalIx(0))], "so that nobody has to wait for the value to change");
    world.wait(Span::secs(7));
    world.event(Event::Link(LinkState::Up));
    assert_eq!(
        asked(&world),
        [Some(SignalIx(0))],
        "a connection that nobody saw drop is another one all the same"
    );
}

#[test]
fn a_meter_that_does_not_answer_is_in_doubt() {
    let mut world = spoke_once(on_change(None, Some(ask())));
    world.wait(Span::secs(60));
    world.detector_says(Verdict::Idle);
    world.wait(Span::secs(31));
    assert_held(&mut world, "the meter gave no sign of life for 1 min 30 s");
}

#[test]
fn one_message_may_be_the_value_and_a_sign_of_life() {
    let mut alive = by_topic();
    let source =
        |path: &str| Source { filter: "meters/mill".into(), path: ValuePath::JsonPointer(path.into()) };
    alive.sign = LifeSign::Topic { source: source("/up"), gone: None };
    let mut plan = on_change(Some(alive), None);
    plan.machines[0].signals[0].source = source("/w");
    let begun = || {
        let mut world = World::of(plan.clone());
        world.says("outlets/mill/says", "on");
        world.says("meters/mill", r#"{"w":12,"up":1}"#);
        world
    };
    let mut world = begun();
    world.detector_says(Verdict::Idle);
    for up in 2..12 {
        world.wait(Span::secs(20));
        world.says("meters/mill", &format!(r#"{{"up":{up}}}"#));
        world.detector_says(Verdict::Idle);
    }
    assert_acts(&mut world);
    let mut world = begun();
    world.says("meters/mill", r#"{"w":"overload","up":99}"#);
    assert_held(&mut world, "what the meter says is no number");
}

#[test]
fn new_rules_keep_the_value_only_under_the_same_sign_of_life() {
    let shorter = Alive { silent_max: Span::secs(60), ..by_topic() };
    let other = Alive { sign: LifeSign::Reach, ..by_topic() };
    for (after, kept) in [(on_change(Some(shorter), None), true), (on_change(Some(other), None), false)] {
        let mut world = spoke_once(on_change(Some(by_topic()), None));
        lives_on(&mut world, 60);
        world.adopt(after);
        assert_eq!(world.engine.status(world.now.moment, MachineIx(0)).signals[0].value.is_some(), kept);
    }
    let mut world = spoke_once(plan());
    world.adopt(on_change(None, Some(ask())));
    assert_eq!(asked(&world), [Some(SignalIx(0))], "it is asked from then on");
}

/// A detector that is rebuilt is shown what holds now, and not something from an hour ago.
#[test]
fn after_another_signal_was_in_doubt_the_value_that_holds_is_shown_as_of_now() {
    let mut plan = on_change(Some(by_topic()), None);
    let mut other = plan.machines[0].signals[0].clone();
    (other.name, other.source.filter, other.reports) =
        (name("other"), "meters/other".into(), Reports::Steadily);
    plan.machines[0].signals.push(other);
    plan.machines[0].detectors[0].signals.push(Some(SignalIx(1)));
    plan.machines[0].detectors[0].needed.push(false);
    let mut world = spoke_once(plan);
    world.says("meters/other", "1");
    lives_on(&mut world, 600);
    world.says("meters/other", "overload");
    let shown = world.shown();
    let age = world.now.moment.since(shown.last().unwrap().at);
    assert!(shown.len() == 1 && age <= Span::secs(5), "{shown:?}");
}

#[test]
fn no_time_is_foretold_once_a_meter_has_been_silent_for_long() {
    let mut world = World::of(plan());
    world.says("outlets/mill/says", "on");
    world.says("meters/mill", "12");
    let quiet = idlegate_plan::event::Assessment {
        verdict: Verdict::Busy,
        reason: "12 W".into(),
        evidence: Vec::new(),
        clears_in: Some(Span::secs(170)),
    };
    world.detector_answers(Ok(quiet.clone()));
    let clears_in = |world: &World| world.engine.status(world.now.moment, MachineIx(0)).clears_in;
    assert!(clears_in(&world).is_some());
    world.wait(Span::secs(16));
    world.detector_answers(Ok(quiet));
    assert_eq!(clears_in(&world), None, "no reading is missing so far, but it will not be idle by itself");
    world.wait(Span::secs(15));
    assert_eq!((clears_in(&world), reasons(&world)), (None, "no reading of power for 31 s".to_owned()));
}

/// A step back in time would be a break for the detector, or would be left aside.
#[test]
fn a_value_that_is_older_by_its_own_stamp_is_shown_behind_what_was_shown_again() {
    let mut plan = on_change(Some(by_topic()), None);
    plan.machines[0].signals[0].source.path = ValuePath::SenmlName("p".into());
    let mut world = World::of(plan);
    world.says("outlets/mill/says", "on");
    world.says("meters/mill", r#"[{"n":"p","v":12}]"#);
    world.wait(Span::secs(11));
    let held = world.shown().last().unwrap().at;
    world.says("meters/mill", r#"[{"n":"p","v":800,"t":-4}]"#);
    let shown = world.shown();
    assert_eq!((shown.last().unwrap().at, shown.len()), (held, 4), "{shown:?}");
    assert!(!world.engine.status(world.now.moment, MachineIx(0)).signals[0].unchanged);
}

/// What waited on a slow line is stamped as early as it may be. A value that is shown again must not seem later than
/// that by more than the time that has passed, or a dwell from the one to the other would be shorter than it looks.
#[test]
fn no_dwell_is_shorter_for_a_slow_line_where_a_value_is_shown_again() {
    for ages in [[2_400, 2_400, 2_400], [20, 1_500, 1_500], [700, 2_400, 900], [7_000, 7_000, 7_000]] {
        let mut world = World::of(on_change(Some(by_topic()), None));
        world.says("outlets/mill/says", "on");
        let mut shown: Vec<(u64, Moment, Moment)> = Vec::new();
        for age in ages {
            world.event(Event::Message(Message { age: Span(age), ..World::message("meters/mill", "12") }));
            for _ in 0..80 {
                for reading in world.shown() {
                    shown.push((world.generation_of(0), world.now.moment, reading.at));
                }
                if !world.shown().is_empty() {
                    world.detector_says(Verdict::Busy);
                }
                world.wait(Span(200));
            }
        }
        assert!(shown.len() >= 8, "{ages:?}: {shown:?}");
        for (nth, (generation, now, at)) in shown.iter().enumerate() {
            for (former, before, from) in &shown[..nth] {
                let (measured, passed) = (at.since(*from), now.since(*before));
                assert!(former != generation || measured <= passed, "{ages:?}: {measured} within {passed}");
                assert!(former != generation || at >= from, "{ages:?}: a step back to {at:?}");
            }
        }
    }
}

/// The next reading would not make up for it.
#[test]
fn a_change_is_never_dropped_in_a_flood_of_readings() {
    let class = |plan: &Plan| {
        let wanted = idlegate_engine::subscriptions(plan);
        wanted.into_iter().find(|(filter, _)| filter == "meters/mill").unwrap().1
    };
    assert_eq!(class(&plan()), idlegate_engine::TopicClass::Reading);
    assert_eq!(class(&on_change(Some(by_topic()), None)), idlegate_engine::TopicClass::State);
}
