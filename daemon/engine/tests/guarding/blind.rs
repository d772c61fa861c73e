//! What could go wrong: a meter has been dead for an hour and nobody knows; or people hear every evening of a machine
//! that is off, and stop listening; or what is only told changes what is held.

use super::published::assert_described;
use super::world::{World, name, plan};
use idlegate_engine::{BlindSpotsTold, Blindness, Effect, Former, FormerBlindSpot};
use idlegate_guard::time::{Span, WallTime};
use idlegate_messages::effects::{blind, messages};
use idlegate_plan::event::{DetectorFault, Event, LinkState, ServiceSight, Verdict};
use idlegate_plan::{Battery, BatteryLow, BlindLimits, MachineIx, Plan, Reports, Source, ValuePath};

const HOUR: Span = Span::secs(3_600);

fn told(world: &World) -> Vec<&BlindSpotsTold> {
    let told = world.effects.iter().filter_map(|effect| match effect {
        Effect::Blind(told) => Some(told),
        _ => None,
    });
    told.collect()
}

/// What people heard, and whether they should hurry.
fn heard(world: &World) -> Vec<(String, bool)> {
    let heard = told(world).into_iter().map(|told| {
        let sentence = blind::blind_spots(told, &std::collections::BTreeMap::new());
        let message = messages::blind_spots(told, &sentence);
        assert_described("incident", &message);
        assert_described("announcement", &message);
        (sentence, told.urgent)
    });
    heard.collect()
}

fn shown(world: &World) -> Vec<&'static str> {
    let status = world.engine.status(world.now.moment, MachineIx(0));
    assert_described("machine", &messages::machine_status(&status, world.now));
    status.blind.iter().map(|spot| spot.kind.word()).collect()
}

/// Readings every ten seconds that never say the same twice.
fn goes_on(world: &mut World, span: Span, verdict: Verdict) -> Vec<(String, bool)> {
    let mut all = Vec::new();
    for nth in 0..span.0 / 10_000 {
        let watts = if verdict == Verdict::Busy { 800 } else { 12 };
        world.says("meters/mill", &format!("{}", watts + nth % 3));
        all.extend(heard(world));
        world.detector_says(verdict);
        world.wait(Span::secs(10));
        all.extend(heard(world));
    }
    all
}

#[test]
fn a_meter_that_falls_silent_in_a_job_is_told_urgently_and_once_and_so_is_its_end() {
    let mut world = World::on_and(Verdict::Busy);
    assert_eq!(goes_on(&mut world, HOUR, Verdict::Busy), []);
    world.wait(Span::secs(9 * 60 + 40));
    assert_eq!(heard(&world), []);
    world.wait(HOUR);
    let told = "Mill: its meter has been silent for 10 min. Until it is back, off is held and only a force gets through.";
    assert_eq!(heard(&world), [(told.to_owned(), true)]);
    assert_eq!(shown(&world), ["meter-silent"]);
    let status = world.engine.status(world.now.moment, MachineIx(0));
    assert_eq!(status.incidents, ["blind"]);
    world.reads(Verdict::Busy);
    world.wait(Span::secs(5));
    assert_eq!(heard(&world), [("Mill: its meter speaks again.".to_owned(), false)]);
    assert_eq!(shown(&world), Vec::<&str>::new());
}

#[test]
fn whoever_works_on_an_idle_machine_is_not_told_of_its_meter_and_hears_of_it_afterwards() {
    let mut plan = plan();
    let console = plan.inputs.iter_mut().find(|input| input.name.as_str() == "console").unwrap();
    (console.rights.may_lock, console.rights.may_unlock) = (true, true);
    let mut world = World::on_and(Verdict::Idle);
    world.adopt(plan);
    world.says("outlets/mill/says", "on");
    world.reads(Verdict::Idle);
    world.says("idlegate/request/console", r#"{"machine":"mill","request":"lock","who":"Anna"}"#);
    world.wait(Span::secs(7_200));
    assert_eq!(heard(&world), []);
    world.says("idlegate/request/console", r#"{"machine":"mill","request":"unlock","who":"Anna"}"#);
    world.wait(Span::secs(10));
    let told = "Mill: its meter has been silent for 2 h. Until it is back, off is held and only a force gets through.";
    assert_eq!(heard(&world), [(told.to_owned(), false)]);
}

#[test]
fn a_machine_that_is_off_is_missed_by_nobody_until_it_is_on_again() {
    let mut world = World::on_and(Verdict::Idle);
    world.says("outlets/mill/says", "off");
    world.wait(Span::secs(86_400));
    assert_eq!(heard(&world), []);
    world.says("outlets/mill/says", "on");
    world.wait(Span::secs(9 * 60));
    assert_eq!(heard(&world), []);
    world.wait(Span::secs(120));
    assert_eq!(heard(&world).len(), 1, "now it should have spoken");
}

#[test]
fn an_outlet_out_of_reach_is_told_after_its_limit_and_not_when_it_blinks() {
    let mut world = World::on_and(Verdict::Idle);
    for _ in 0..10 {
        world.says("outlets/mill/reach", "no");
        assert_eq!(goes_on(&mut world, Span::secs(240), Verdict::Idle), []);
        world.says("outlets/mill/reach", "yes");
        assert_eq!(goes_on(&mut world, Span::secs(240), Verdict::Idle), []);
    }
    world.says("outlets/mill/reach", "no");
    let told = goes_on(&mut world, HOUR, Verdict::Idle);
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].0.starts_with("Mill: its outlet has been out of reach for 5 min."), "{told:?}");
    world.says("outlets/mill/reach", "yes");
    let over = goes_on(&mut world, Span::secs(60), Verdict::Idle);
    assert_eq!(over, [("Mill: its outlet is in reach again.".to_owned(), false)]);
}

#[test]
fn a_meter_that_is_not_understood_is_no_silent_one() {
    let mut world = World::on_and(Verdict::Idle);
    let mut all = Vec::new();
    for _ in 0..400 {
        world.says("meters/mill", "overload");
        world.wait(Span::secs(5));
        all.extend(heard(&world));
    }
    let told = "Mill: what its meter sends has not been understood for 1 min: what the meter says is no number: \"overload\" \
                (power). Until it is back, off is held and only a force gets through.";
    assert_eq!(all, [(told.to_owned(), false)]);
    world.says("outlets/mill/says", "maybe");
    world.wait(Span::secs(120));
    assert!(heard(&world)[0].0.contains("what its outlet sends"), "{:?}", heard(&world));
    assert_eq!(shown(&world), ["payload-not-understood", "payload-not-understood"]);
}

fn mill_whose_meter_is_never_still(stuck_after: Option<Span>) -> World {
    let mut plan = plan();
    plan.machines[0].signals[0].stuck_after = stuck_after;
    plan.shop.blind.meter_stuck = Span::secs(1_800);
    let mut world = World::under(plan, &Former::default());
    world.says("outlets/mill/says", "on");
    world
}

fn stands_still(world: &mut World, watts: &str, verdict: Verdict, span: Span) -> Vec<String> {
    let mut all = Vec::new();
    for _ in 0..span.0 / 10_000 {
        world.says("meters/mill", watts);
        world.detector_says(verdict);
        world.wait(Span::secs(10));
        all.extend(heard(world).into_iter().map(|(sentence, _)| sentence));
    }
    all
}

#[test]
fn a_meter_that_stands_still_in_a_job_as_it_never_did_is_told_and_an_idle_one_never() {
    let mut world = mill_whose_meter_is_never_still(None);
    assert_eq!(goes_on(&mut world, Span(6 * HOUR.0), Verdict::Busy), []);
    assert_eq!(stands_still(&mut world, "3", Verdict::Idle, Span(20 * HOUR.0)), Vec::<String>::new());
    assert_eq!(goes_on(&mut world, HOUR, Verdict::Busy), []);
    let told = stands_still(&mut world, "812", Verdict::Busy, HOUR);
    let expected = "Mill: its meter has read exactly 812 W for 30 min and may be stuck. Until it moves, off is held and only a \
                    force gets through.";
    assert_eq!(told, [expected]);
    let over = goes_on(&mut world, Span::secs(60), Verdict::Busy);
    assert_eq!(over, [("Mill: its meter moves again.".to_owned(), false)]);
}

#[test]
fn where_the_rules_say_that_it_is_never_still_that_counts() {
    let mut world = mill_whose_meter_is_never_still(Some(Span::secs(300)));
    let told = stands_still(&mut world, "3.1", Verdict::Idle, HOUR);
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].starts_with("Mill: its meter has read exactly 3.1 W for 5 min"), "{told:?}");
}

fn with_a_red_button_on_a_battery() -> World {
    let mut plan = plan();
    let red = plan.inputs.iter_mut().find(|input| input.name.as_str() == "red-button").unwrap();
    red.silent_max = Some(Span(3 * HOUR.0));
    let source = Source { filter: "contacts/red/battery".into(), path: ValuePath::Whole };
    red.battery = Some(Battery { source, low: BatteryLow::AtMost(15.0) });
    let mut world = World::under(plan, &Former::default());
    world.says("outlets/mill/says", "off");
    world
}

#[test]
fn a_red_button_that_is_not_heard_or_has_a_low_battery_is_urgent() {
    let mut world = with_a_red_button_on_a_battery();
    for _ in 0..24 {
        world.says("contacts/red/battery", "80");
        world.wait(HOUR);
        assert_eq!(heard(&world), []);
    }
    world.wait(Span(4 * HOUR.0));
    let told = "red-button has not been heard for 3 h. Try whether it still works.";
    assert_eq!(heard(&world), [(told.to_owned(), true)]);
    world.says("contacts/red/battery", "14");
    world.wait(Span::secs(10));
    let both = [
        ("red-button: its battery is low (14). Change it before it falls silent.".to_owned(), true),
        ("red-button is heard again.".to_owned(), false),
    ];
    assert_eq!(heard(&world), both);
    world.says("contacts/red/battery", "100");
    world.wait(Span::secs(10));
    assert_eq!(heard(&world), [("red-button: its battery is good again.".to_owned(), false)]);
}

#[test]
fn the_shop_itself_is_told_of_and_a_late_broker_in_its_own_way() {
    let mut world = World::new();
    world.says("outlets/mill/says", "off");
    let out = ServiceSight {
        journal_out: Some("disk full".into()),
        clock_unset: Some("1970-01-01T00:00:09.000Z".into()),
        late_broker: true,
    };
    world.event(Event::Service(out));
    world.wait(HOUR);
    let sentences: Vec<String> = heard(&world).into_iter().map(|(sentence, _)| sentence).collect();
    assert_eq!(sentences.len(), 2, "{sentences:?}");
    assert!(sentences[0].contains("disk full") && sentences[1].contains("1970"), "{sentences:?}");
    let all: Vec<&str> = world.engine.blind_spots(world.now).iter().map(|spot| spot.kind.word()).collect();
    assert_eq!(all, ["journal-not-recording", "clock-not-set", "late-broker"]);
    world.event(Event::Service(ServiceSight::default()));
    world.wait(Span::secs(10));
    assert_eq!(told(&world).len(), 1, "both ends are one");
    assert_eq!(world.engine.blind_spots(world.now), []);
}

#[test]
fn what_a_former_run_told_is_not_told_anew_and_its_end_is() {
    let part = Some(name("power"));
    let silent =
        FormerBlindSpot { kind: Blindness::MeterSilent, of: Some(name("mill")), part, since: WallTime(0) };
    let part = Some(name("power-threshold"));
    let out = FormerBlindSpot { kind: Blindness::DetectorOut, part, ..silent.clone() };
    let mut world = World::new();
    world.says("outlets/mill/says", "on");
    world.engine.recall_blind_spots(&[silent, out], world.now);
    world.wait(HOUR);
    assert_eq!(heard(&world), []);
    assert_eq!(shown(&world), ["meter-silent", "detector-out"]);
    let stopped = DetectorFault::Stopped("it panicked".into());
    world.says("meters/mill", "12");
    world.detector_answers(Err(stopped));
    let incidents = |world: &World| {
        world.effects.iter().filter(|effect| matches!(effect, Effect::DetectorStopped(_))).count()
    };
    assert_eq!(incidents(&world), 0, "it was told before");
    let mut ends = 0;
    for _ in 0..30 {
        world.reads(Verdict::Idle);
        ends += incidents(&world);
        world.wait(Span::secs(5));
    }
    assert_eq!((ends, shown(&world).len()), (1, 0));
}

/// Whatever it was, and although nothing is known of it at first.
#[test]
fn the_end_of_every_kind_is_told_after_a_restart() {
    let mut world = with_a_red_button_on_a_battery();
    world.says("outlets/mill/says", "on");
    let former = |kind, of: Option<&str>, part: Option<&str>| FormerBlindSpot {
        kind,
        of: of.map(name),
        part: part.map(name),
        since: WallTime(0),
    };
    let (mill, red) = (Some("mill"), Some("red-button"));
    let all = [
        former(Blindness::OutletUnreachable, mill, None),
        former(Blindness::MeterSilent, mill, Some("power")),
        former(Blindness::MeterStuck, mill, Some("power")),
        former(Blindness::PayloadNotUnderstood, mill, Some("power")),
        former(Blindness::InputSilent, red, None),
        former(Blindness::BatteryLow, red, None),
        former(Blindness::JournalOut, None, None),
        former(Blindness::ClockUnset, None, None),
    ];
    world.engine.recall_blind_spots(&all, world.now);
    world.wait(Span::secs(30));
    assert_eq!(heard(&world), []);
    assert_eq!(world.engine.blind_spots(world.now).len(), all.len());
    world.event(Event::Service(ServiceSight::default()));
    world.says("outlets/mill/reach", "yes");
    world.says("contacts/red/battery", "90");
    for watts in ["12", "13"] {
        world.says("meters/mill", watts);
        world.detector_says(Verdict::Idle);
    }
    world.wait(Span::secs(5));
    let [over] = told(&world)[..] else { panic!("{:?}", told(&world)) };
    assert_eq!((over.over, over.spots.len()), (true, all.len()));
    assert_eq!(world.engine.blind_spots(world.now), []);
}

#[test]
fn a_lost_connection_and_new_rules_begin_the_waiting_anew() {
    let mut world = World::on_and(Verdict::Idle);
    world.wait(Span::secs(590));
    world.adopt(plan());
    world.wait(Span::secs(590));
    assert_eq!(heard(&world), []);
    world.event(Event::Link(LinkState::Down { why: "gone".into() }));
    world.wait(HOUR);
    assert_eq!(heard(&world), [], "nobody could be told");
    world.event(Event::Link(LinkState::Up));
    world.wait(Span::secs(590));
    assert_eq!(heard(&world), []);
    world.wait(Span::secs(30));
    assert_eq!(heard(&world).len(), 1);
}

/// Everything else that the engine wants done, in a day in which most things go wrong.
fn a_day(limits: BlindLimits) -> Vec<Effect> {
    let mut plan: Plan = plan();
    plan.shop.blind = limits;
    assert_eq!(plan.machines[0].signals[0].reports, Reports::Steadily);
    let mut world = World::under(plan, &Former::default());
    let mut all = Vec::new();
    let mut keep = |world: &mut World| {
        let wanted = world.effects.drain(..).filter(|effect| {
            matches!(
                effect,
                Effect::Order(_)
                    | Effect::Decided(_)
                    | Effect::Announce(_)
                    | Effect::Incident(_)
                    | Effect::IncidentOver(_)
                    | Effect::Keep(_)
            )
        });
        all.extend(wanted);
    };
    for (topic, payload) in [
        ("outlets/mill/says", "on"),
        ("meters/mill", "800"),
        ("buttons/mill", "press"),
        ("meters/mill", "overload"),
        ("buttons/mill", "press"),
        ("buttons/mill", "long-press"),
        ("outlets/mill/says", "on"),
        ("outlets/mill/reach", "no"),
        ("clock/night", "bell"),
        ("outlets/mill/reach", "yes"),
        ("outlets/mill/says", "on"),
        ("meters/mill", "3"),
        ("contacts/red", "open"),
        ("outlets/mill/says", "off"),
        ("buttons/mill", "press"),
    ] {
        for _ in 0..3 {
            world.says(topic, payload);
            keep(&mut world);
            world.detector_says(Verdict::Busy);
            keep(&mut world);
            for _ in 0..4 {
                world.wait(Span::secs(3));
                keep(&mut world);
            }
        }
        world.wait(Span::secs(120));
        keep(&mut world);
    }
    all
}

/// It only watches: whatever it tells, and whenever, the same is decided, ordered and kept.
#[test]
fn no_limit_changes_what_is_decided_ordered_or_kept() {
    let of = |span| BlindLimits {
        meter_silent: span,
        meter_stuck: span,
        outlet_unreachable: span,
        not_understood: span,
    };
    let (eager, never) = (a_day(of(Span::secs(1))), a_day(of(Span::secs(86_400))));
    assert!(eager.iter().any(|effect| matches!(effect, Effect::Order(_))));
    assert_eq!(eager, never);
}
