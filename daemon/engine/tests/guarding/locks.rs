//! What could go wrong while somebody works on a machine: it is switched on because somebody else has finished, nobody
//! knows any more whose lock it is, the shop hears every alarm that the work itself sets off, or none of those that
//! matter; and what is to be done every fifty hours is forgotten over a restart.

use std::collections::BTreeMap;

use super::world::{World, name, plan};
use idlegate_engine::{Effect, Former, KeptMachine, MachineStatus};
use idlegate_guard::time::Span;
use idlegate_guard::{Decision, Switch};
use idlegate_messages::effects::{sentences, standing};
use idlegate_plan::event::Verdict;
use idlegate_plan::{MachineIx, Plan, Service, ServiceMeasure};

/// A phone that several people share, and the office, which may lift every lock.
fn shop() -> Plan {
    let mut plan = plan();
    let console = plan.inputs.iter().position(|input| input.name.as_str() == "console").unwrap();
    plan.inputs[console].rights.may_lock = true;
    let mut office = plan.inputs[console].clone();
    (office.name, office.title) = (name("office"), "Office".into());
    (office.rights.may_unlock, office.rights.may_service) = (true, true);
    (plan.inputs[console].name, plan.inputs[console].title) = (name("phone"), "Phone".into());
    plan.inputs.push(office);
    plan.machines[0].services = vec![Service {
        name: name("lens"),
        done: "the lens was cleaned".into(),
        counts: ServiceMeasure::Busy,
        every: 50 * 60_000,
    }];
    plan
}

fn asks(world: &mut World, input: &str, more: &str) -> (Decision, &'static str) {
    world.says(&format!("idlegate/request/{input}"), &format!(r#"{{"machine":"mill",{more}}}"#));
    world.decision()
}

/// In the words of the one decision of the last event.
fn answer(world: &World) -> String {
    sentences::decision(world.decisions()[0])
}

fn told(world: &World) -> Vec<String> {
    let none = BTreeMap::new();
    let told = world.effects.iter().filter_map(|effect| match effect {
        Effect::Announce(announced) => Some(sentences::announcement(announced, &none)),
        Effect::ServiceDue(told) => Some(sentences::service_due(told, &none)),
        _ => None,
    });
    told.collect()
}

fn status(world: &World) -> MachineStatus {
    world.engine.status(world.now.moment, MachineIx(0))
}

fn notes(world: &World) -> Vec<String> {
    let status = idlegate_messages::effects::messages::machine_status(&status(world), world.now);
    standing::lasting(&status)
}

/// What the last word on the mill would be after a crash.
fn crashed(kept: &[Effect]) -> Former {
    let last = kept.iter().rev().find_map(|effect| match effect {
        Effect::Keep(kept) => Some(kept.clone()),
        _ => None,
    });
    Former { machines: last.into_iter().collect::<Vec<KeptMachine>>(), answered: Vec::new() }
}

const ANNA: &str = r#""request":"lock","who":"Anna","note":"the belt is off""#;
const BEN: &str = r#""request":"lock","who":"Ben""#;

#[test]
fn two_people_with_a_lock_each_are_named_and_each_lifts_their_own() {
    let mut world = World::of(shop());
    world.says("outlets/mill/says", "off");
    assert_eq!(asks(&mut world, "phone", ANNA), (Decision::Acted, "locked"));
    assert_eq!(
        answer(&world),
        "Mill is now locked. Until it is unlocked, its incidents are recorded and not announced, except urgent ones."
    );
    let said = "Mill was locked by Anna (Phone: the belt is off). Nobody can switch it on through Idlegate until it is \
                unlocked.";
    assert_eq!(told(&world), [said]);
    // At once, and through the same input.
    assert_eq!(asks(&mut world, "phone", BEN), (Decision::Acted, "locked"));
    let status = status(&world);
    let whose: Vec<_> = status.locks.iter().map(|lock| (lock.who.as_deref(), lock.note.as_deref())).collect();
    assert_eq!(whose, [(Some("Anna"), Some("the belt is off")), (Some("Ben"), None)]);
    assert!(status.quiet);
    world.wait(Span::secs(5));
    assert_eq!(asks(&mut world, "phone", r#""request":"on""#), (Decision::Refused, "lockout"));
    assert_eq!(
        answer(&world),
        "Mill was not switched on: it is locked by Anna (Phone: the belt is off) and Ben (Phone)."
    );
    // However she writes her name.
    let unlock = r#""request":"unlock","who":" ANNA ""#;
    assert_eq!(asks(&mut world, "phone", unlock), (Decision::Acted, "lock-lifted"));
    assert_eq!(answer(&world), "Mill is still locked by Ben (Phone). The lock of phone was lifted.");
    assert_eq!(
        told(&world),
        ["Mill is still locked by Ben (Phone). The lock of Anna (Phone: the belt is off) was lifted."]
    );
    world.wait(Span::secs(5));
    assert_eq!(asks(&mut world, "phone", unlock), (Decision::Refused, "may-not-unlock"));
    assert_eq!(asks(&mut world, "phone", r#""request":"on""#), (Decision::Refused, "lockout"));
    assert_eq!(asks(&mut world, "office", r#""request":"unlock""#), (Decision::Acted, "unlocked"));
    world.wait(Span::secs(5));
    assert_eq!(asks(&mut world, "phone", r#""request":"on""#), (Decision::Acted, "switching-on"));
}

#[test]
fn whose_locks_they_are_is_known_after_a_crash_and_under_new_rules() {
    let mut world = World::of(shop());
    world.says("outlets/mill/says", "off");
    asks(&mut world, "phone", ANNA);
    asks(&mut world, "phone", BEN);
    let before = status(&world).locks;
    let mut after = World::under(shop(), &crashed(&world.effects));
    assert_eq!(status(&after).locks, before);
    // The phone has left the rules, and the mill has another outlet.
    let mut other = shop();
    other.inputs.retain(|input| input.name.as_str() != "phone");
    other.machines[0].outlet.order.as_mut().unwrap().topic = "outlets/another/order".into();
    other.digest = "other".into();
    after.adopt(other.clone());
    assert_eq!(status(&after).locks, before);
    let former = crashed(&after.effects);
    assert_eq!(asks(&mut after, "office", r#""request":"on""#), (Decision::Refused, "lockout"));
    let mut last = World::under(other, &former);
    assert_eq!(asks(&mut last, "office", r#""request":"unlock""#), (Decision::Acted, "unlocked"));
    assert!(status(&last).locks.is_empty());
}

#[test]
fn what_a_former_run_left_is_added_when_it_can_be_read_only_later() {
    let mut world = World::of(shop());
    asks(&mut world, "phone", ANNA);
    let former = crashed(&world.effects);
    let mut late = World::of(shop());
    late.says("outlets/mill/says", "off");
    asks(&mut late, "phone", BEN);
    let (now, mut effects) = (late.now, Vec::new());
    late.engine.recall(&former, now, &mut effects);
    let who: Vec<_> =
        status(&late).locks.iter().map(|lock| lock.who.as_deref().unwrap().to_owned()).collect();
    assert_eq!(who, ["Anna", "Ben"]);
    let kept = crashed(&effects);
    assert_eq!(kept.machines[0].state.locks.len(), 2);
}

fn incidents(world: &World) -> Vec<(&'static str, bool, bool)> {
    let told = world.effects.iter().filter_map(|effect| match effect {
        Effect::Incident(told) => Some((told.kind.word(), told.urgent, told.quiet)),
        Effect::ForeignOrder(told) => Some(("foreign", told.stored, told.quiet)),
        _ => None,
    });
    told.collect()
}

#[test]
fn while_somebody_works_on_it_only_what_is_urgent_is_heard() {
    let mut world = World::on_and(Verdict::Idle);
    world.adopt(shop());
    world.says("outlets/mill/says", "on");
    world.reads(Verdict::Idle);
    asks(&mut world, "phone", ANNA);
    assert!(
        notes(&world).iter().any(|note| note.contains("recorded and not announced")),
        "{:?}",
        notes(&world)
    );
    // Its plug is pulled: that is the work itself.
    world.says("outlets/mill/says", "off");
    assert_eq!(incidents(&world), [("off-by-another-route", false, true)]);
    world.says("outlets/mill/order", "off");
    assert_eq!(incidents(&world), [("foreign", false, true)]);
    // Somebody switches it on while somebody has their hands in it.
    world.says("outlets/mill/says", "on");
    assert_eq!(incidents(&world), [("on-by-another-route", true, false)]);
    assert_eq!(asks(&mut world, "office", r#""request":"unlock""#), (Decision::Acted, "unlocked"));
    assert_eq!(
        answer(&world),
        "Mill is unlocked. Nothing was switched. Not announced while it was locked: somebody else sends orders to its outlet."
    );
    // From then on everything is heard again.
    world.says("outlets/mill/says", "off");
    assert_eq!(incidents(&world), [("off-by-another-route", false, false)]);
}

#[test]
fn an_order_to_switch_it_on_is_never_kept_quiet() {
    let mut world = World::of(shop());
    world.says("outlets/mill/says", "off");
    asks(&mut world, "phone", ANNA);
    world.says("outlets/mill/order", "on");
    assert_eq!(incidents(&world), [("foreign", false, false)]);
}

#[test]
fn after_an_emergency_nothing_is_kept_quiet() {
    let mut world = World::on_and(Verdict::Idle);
    world.adopt(shop());
    asks(&mut world, "phone", ANNA);
    world.says("contacts/red", "open");
    assert!(!status(&world).quiet);
    let locks = status(&world).locks;
    assert_eq!((locks.len(), locks[0].emergency), (2, true));
    world.says("outlets/mill/says", "off");
    world.wait(Span::secs(20));
    world.says("outlets/mill/order", "off");
    assert_eq!(incidents(&world), [("foreign", false, false)]);
    // Anna's own unlock leaves the emergency's lock.
    world.wait(Span::secs(3));
    let unlock = r#""request":"unlock","who":"Anna""#;
    assert_eq!(asks(&mut world, "phone", unlock), (Decision::Acted, "lock-lifted"));
    assert_eq!(asks(&mut world, "phone", r#""request":"on""#), (Decision::Refused, "lockout"));
}

/// The machine works for so many minutes, and its meter says so.
fn works(world: &mut World, minutes: u64) -> Vec<String> {
    let mut heard = Vec::new();
    for _ in 0..minutes * 4 {
        world.reads(Verdict::Busy);
        heard.extend(told(world));
        world.wait(Span::secs(15));
        heard.extend(told(world));
    }
    heard
}

fn lens(world: &World) -> String {
    status(world).services[0].words.to_string()
}

#[test]
fn a_service_is_due_after_its_hours_is_told_once_and_begins_anew_when_it_was_done() {
    let mut world = World::of(shop());
    world.says("outlets/mill/says", "on");
    assert_eq!(works(&mut world, 49), Vec::<String>::new());
    assert_eq!(works(&mut world, 3), ["Mill: 50 min since the lens was cleaned (every 50 min)."]);
    assert_eq!(notes(&world), ["due: 52 min since the lens was cleaned (every 50 min)"]);
    // The meter says nothing any more: nobody knows whether it works.
    world.wait(Span::secs(3_600));
    assert_eq!(lens(&world), "52 min since the lens was cleaned (every 50 min)");
    for (input, more, expected) in [
        ("phone", r#""request":"serviced""#, (Decision::Refused, "may-not-service")),
        ("office", r#""request":"serviced","service":"lense""#, (Decision::Refused, "unknown-service")),
        ("office", r#""request":"serviced","service":"lens","who":"Ben""#, (Decision::Acted, "serviced")),
    ] {
        assert_eq!(asks(&mut world, input, more), expected, "{more}");
    }
    assert_eq!(
        answer(&world),
        "Mill: noted that the lens was cleaned. Before that it was 52 min since the lens was cleaned (every 50 min)."
    );
    let lens = status(&world).services[0].clone();
    assert_eq!((lens.counted, lens.due), (0, false));
    assert_eq!((lens.by, lens.who.as_deref()), (Some(name("office")), Some("Ben")));
    let kept = world.effects.iter().position(|effect| matches!(effect, Effect::Keep(_)));
    let decided = world.effects.iter().position(|effect| matches!(effect, Effect::Decided(_)));
    assert!(kept.is_some() && kept < decided && world.decisions()[0].after_keep);
}

#[test]
fn hours_outlive_a_crash_to_the_minute_and_another_outlet() {
    let mut world = World::of(shop());
    world.says("outlets/mill/says", "on");
    let mut kept = Vec::new();
    for _ in 0..40 {
        world.reads(Verdict::Busy);
        kept.append(&mut world.effects.clone());
        world.wait(Span::secs(15));
        kept.append(&mut world.effects.clone());
    }
    let mut after = World::under(shop(), &crashed(&kept));
    // It was away for hours, and whatever the mill did then nobody saw.
    after.now.moment = after.now.moment + Span::secs(8 * 3_600);
    after.says("outlets/mill/says", "on");
    let counted = status(&after).services[0].counted;
    assert!((9 * 60_000..=10 * 60_000).contains(&counted), "{counted}");
    let mut other = shop();
    other.machines[0].outlet.order.as_mut().unwrap().topic = "outlets/another/order".into();
    other.digest = "other".into();
    after.adopt(other);
    assert_eq!(status(&after).services[0].counted, counted);
}

#[test]
fn a_lock_keeps_nobody_from_switching_off() {
    let mut world = World::on_and(Verdict::Idle);
    world.adopt(shop());
    world.says("outlets/mill/says", "on");
    world.reads(Verdict::Idle);
    asks(&mut world, "phone", ANNA);
    asks(&mut world, "phone", BEN);
    world.reads(Verdict::Idle);
    asks(&mut world, "phone", r#""request":"off""#);
    assert_eq!(world.orders().first().map(|(switch, _)| *switch), Some(Switch::Off));
}
