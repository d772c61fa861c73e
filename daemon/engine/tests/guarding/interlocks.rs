//! What could go wrong between machines: an extraction stops while the mill that it serves still works, or starts its
//! next job unseen; two machines wait for one another; new rules open a gap between them.

use super::rig::{Rig, extraction, lamp, machine, workshop};
use super::world::name;
use idlegate_engine::Effect;
use idlegate_guard::RequestKind::{ForceOff, Off, OffOnceIdle, On};
use idlegate_guard::time::Span;
use idlegate_guard::{Cause, Switch};
use idlegate_messages::effects::sentences;
use idlegate_plan::event::{Event, LinkState, Value};
use idlegate_plan::{DetectorIx, Plan};

const RUN_ON: Span = Span::secs(180);
const FOR_A_WHILE: Span = Span::secs(60);

fn mill_and_extraction() -> Plan {
    workshop(vec![machine("Mill"), extraction(&["mill"], RUN_ON)])
}

/// The mill works, and has for a while.
fn at_work() -> Rig {
    let mut rig = Rig::new(mill_and_extraction());
    rig.draw(&[("mill", 800.0)], FOR_A_WHILE);
    rig
}

#[test]
fn it_stays_on_while_the_machine_that_needs_it_works_and_for_so_long_after() {
    let mut rig = at_work();
    rig.asks("extraction", Off);
    assert!(rig.decision().contains("Mill is working and needs it"), "{}", rig.decision());
    rig.draw(&[("mill", 3.0)], Span::secs(100));
    rig.asks("extraction", Off);
    assert!(
        rig.decision().contains("Mill has stopped and needs it for another 1 min 20 s"),
        "{}",
        rig.decision()
    );
    rig.draw(&[("mill", 3.0)], Span::secs(75));
    rig.asks("extraction", Off);
    assert_eq!(rig.orders("extraction"), []);
    rig.draw(&[("mill", 3.0)], Span::secs(10));
    rig.asks("extraction", Off);
    assert!(rig.is_off("extraction"), "{}", rig.decision());
}

#[test]
fn a_machine_that_is_off_needs_nothing_though_its_meter_is_silent() {
    let mut rig = at_work();
    rig.says("outlets/mill/says", "off");
    rig.draw(&[("mill", 0.0)], Span::secs(5));
    rig.wait(RUN_ON);
    rig.asks("extraction", Off);
    assert!(rig.is_off("extraction"), "{}", rig.decision());
}

#[test]
fn one_of_which_nothing_is_known_may_be_working() {
    let mut rig = Rig::new(mill_and_extraction());
    rig.draw(&[("mill", 3.0)], RUN_ON + FOR_A_WHILE);
    rig.wait(Span::secs(40));
    rig.asks("extraction", Off);
    assert_eq!(rig.orders("extraction"), []);
    let told = "nobody can tell whether Mill, which needs it, is working";
    assert!(rig.decision().contains(told), "{}", rig.decision());
}

/// A guard that was stopped for a while judges by what is old now, not by what it was told before.
#[test]
fn what_was_known_of_the_other_is_too_old_from_the_very_moment_on() {
    let mut rig = Rig::new(mill_and_extraction());
    rig.draw(&[("mill", 3.0)], RUN_ON + FOR_A_WHILE);
    rig.now.moment = rig.now.moment + Span::secs(40);
    rig.asks("extraction", Off);
    assert_eq!(rig.orders("extraction"), []);
}

/// The reading that shows a start is here, and the mill's detector has not looked at it.
#[test]
fn what_a_detector_of_the_one_has_not_looked_at_is_waited_for_by_the_other() {
    let mut rig = Rig::new(mill_and_extraction());
    rig.draw(&[("mill", 3.0)], RUN_ON + FOR_A_WHILE);
    rig.detectors_answer = false;
    rig.reads("mill", 800.0);
    rig.asks("extraction", Off);
    assert_eq!((rig.decisions().count(), rig.orders("extraction")), (0, vec![]));
    rig.let_detectors_answer();
    assert!(rig.decision().contains("Mill is working and needs it"), "{}", rig.decision());
    assert_eq!(rig.orders("extraction"), []);
}

#[test]
fn a_force_and_an_emergency_pass_and_say_what_may_remain() {
    for cause in [Cause::Forced, Cause::Emergency] {
        let mut rig = at_work();
        if cause == Cause::Forced {
            rig.asks("extraction", ForceOff);
            rig.wait(Span::secs(3));
            rig.asks("extraction", ForceOff);
        } else {
            rig.says("contacts/red", "open");
        }
        let orders: Vec<Cause> = rig.orders("extraction").iter().map(|(_, _, cause)| *cause).collect();
        assert_eq!(orders, [cause]);
        let told = rig.effects.iter().rev().find_map(|(_, effect)| match effect {
            Effect::Announce(told) => Some(sentences::announcement(told, &std::collections::BTreeMap::new())),
            _ => None,
        });
        let told = told.unwrap();
        assert!(told.ends_with(" Mill may still need it: fumes may remain."), "{told}");
    }
}

#[test]
fn it_is_not_switched_on_without_what_it_needs_and_nothing_starts_by_itself() {
    let mut mill = machine("Mill");
    mill.interlocks.needs_on = vec![name("extraction")];
    mill.policy.on_needs_permit = true;
    let mut rig = Rig::new(workshop(vec![mill, extraction(&["mill"], RUN_ON)]));
    rig.says("outlets/mill/says", "off");
    rig.says("outlets/extraction/says", "off");
    rig.draw(&[("mill", 0.0)], Span::secs(5));
    rig.asks("mill", On);
    assert_eq!(rig.decision(), "Mill was not switched on: it needs Extraction, which is off.");
    assert_eq!((rig.orders("mill"), rig.orders("extraction")), (vec![], vec![]));
    rig.wait(Span::secs(3));
    rig.says("outlets/extraction/says", "neither");
    rig.asks("mill", On);
    let told = "Mill was not switched on: it needs Extraction, and nobody can tell whether that is on.";
    assert_eq!(rig.decision(), told);
    rig.wait(Span::secs(3));
    rig.asks("extraction", On);
    rig.asks("mill", On);
    let on = |(_, switch, _): &(_, Switch, Cause)| *switch == Switch::On;
    assert!(rig.orders("mill").iter().all(on) && rig.orders("mill").len() == 1);
}

#[test]
fn what_it_needs_going_off_while_it_works_is_told_urgently_once() {
    let mut mill = machine("Mill");
    mill.interlocks.needs_on = vec![name("extraction")];
    let mut rig = Rig::new(workshop(vec![mill, extraction(&["mill"], RUN_ON)]));
    rig.draw(&[("mill", 800.0)], FOR_A_WHILE);
    assert_eq!(rig.warned(), []);
    rig.says("outlets/extraction/says", "off");
    rig.draw(&[("mill", 800.0)], FOR_A_WHILE);
    let told: Vec<(bool, String)> = rig
        .warned()
        .iter()
        .map(|(_, told)| (told.is_urgent(), sentences::warned(told, &std::collections::BTreeMap::new())))
        .collect();
    let sentence = "Mill is working without Extraction, which has gone off. Go and look at it.";
    assert_eq!(told, [(true, sentence.to_owned())]);
    rig.says("outlets/extraction/says", "on");
    assert!(rig.warned().last().unwrap().1.over);
    assert_eq!(rig.orders("mill"), [], "nothing is cut by it");
}

#[test]
fn two_deferrals_do_not_block_each_other() {
    for order in [["mill", "extraction"], ["extraction", "mill"]] {
        let mut mill = machine("Mill");
        mill.interlocks.needs_on = vec![name("extraction")];
        let mut rig = Rig::new(workshop(vec![mill, extraction(&["mill"], RUN_ON)]));
        rig.draw(&[("mill", 800.0)], FOR_A_WHILE);
        order.iter().for_each(|machine| rig.asks(machine, OffOnceIdle));
        rig.draw(&[("mill", 3.0)], Span::secs(120));
        assert!(rig.is_off("mill") && !rig.is_off("extraction"), "{order:?}");
        rig.wait(RUN_ON);
        assert!(rig.is_off("extraction"), "{order:?}");
    }
}

/// What the lamp's detector was shown.
fn shown(rig: &Rig) -> Vec<String> {
    let mut words = Vec::new();
    for (_, effect) in &rig.effects {
        let Effect::Feed(feed) = effect else { continue };
        if feed.id.machine.as_str() != "lamp" || feed.id.detector != DetectorIx(0) {
            continue;
        }
        words.extend(feed.readings.iter().filter_map(|(_, reading)| match &reading.value {
            Value::Text(word) => Some(word.to_string()),
            Value::Number(_) => None,
        }));
    }
    words.dedup();
    words
}

#[test]
fn a_detector_reads_the_state_of_another_machine_as_soon_as_it_changes() {
    let mut rig = Rig::new(workshop(vec![machine("Mill"), lamp()]));
    rig.draw(&[("mill", 800.0)], FOR_A_WHILE);
    rig.asks("lamp", Off);
    assert_eq!(rig.orders("lamp"), []);
    rig.draw(&[("mill", 3.0)], FOR_A_WHILE);
    rig.wait(Span::secs(40));
    rig.draw(&[("mill", 3.0)], FOR_A_WHILE);
    rig.event(Event::Link(LinkState::Down { why: "gone".into() }));
    rig.wait(Span::secs(5));
    rig.event(Event::Link(LinkState::Up));
    rig.says("outlets/mill/says", "off");
    rig.wait(Span::secs(60));
    let words = ["unknown", "busy", "idle", "unknown", "idle", "unknown", "off"];
    assert_eq!(shown(&rig), words);
    rig.asks("lamp", Off);
    assert!(rig.is_off("lamp"), "it is known as long as the engine is: {}", rig.decision());
}

#[test]
fn what_is_unknown_of_the_other_holds_whatever_the_detector_makes_of_it() {
    let mut rig = Rig::new(workshop(vec![machine("Mill"), lamp()]));
    rig.draw(&[("mill", 3.0)], FOR_A_WHILE);
    // It goes on saying idle.
    rig.detectors_answer = false;
    rig.wait(Span::secs(40));
    rig.asks("lamp", Off);
    rig.wait(Span::secs(2));
    assert_eq!(rig.orders("lamp"), []);
}

#[test]
fn new_rules_open_no_gap_between_a_machine_and_what_it_needs() {
    let anew = |change: &dyn Fn(&mut Plan)| {
        let mut plan = mill_and_extraction();
        change(&mut plan);
        plan
    };
    let mill = |plan: &Plan| plan.machine("mill").unwrap().0;
    let changes: [&dyn Fn(&mut Plan); 4] = [
        &|plan| {
            let at = mill(plan);
            plan.machines[at].detectors[0].settings = serde_json::json!({ "busy_watts": 9 });
        },
        &|plan| {
            let at = mill(plan);
            plan.machines[at].signals[0].source.filter = "meters/other".into();
        },
        &|plan| {
            let at = mill(plan);
            plan.machines[at].outlet.state.as_mut().unwrap().source.filter = "outlets/other/says".into();
        },
        &|plan| {
            let at = plan.machine("extraction").unwrap().0;
            plan.machines[at].title = "Dust extraction".into();
        },
    ];
    for (at, change) in changes.iter().enumerate() {
        // The extraction waits to go off, and its notice is nearly over; then the mill is not known any more.
        let mut rig = Rig::new(mill_and_extraction());
        rig.draw(&[("mill", 3.0)], RUN_ON);
        rig.asks("extraction", OffOnceIdle);
        rig.draw(&[("mill", 3.0)], Span::secs(29));
        assert!(!rig.is_off("extraction"));
        rig.detectors_answer = false;
        rig.adopt(anew(change));
        rig.reads("mill", 800.0);
        rig.wait(Span::secs(20));
        assert!(!rig.is_off("extraction"), "change {at}");
        rig.detectors_answer = true;
        rig.let_detectors_answer();
        rig.draw(&[("mill", 800.0)], RUN_ON);
        assert!(!rig.is_off("extraction"), "change {at}");
    }
    // What did not change is not disturbed: neither a notice that runs nor the time that it ran on.
    let mut rig = Rig::new(mill_and_extraction());
    rig.draw(&[("mill", 3.0)], RUN_ON + FOR_A_WHILE);
    rig.asks("extraction", OffOnceIdle);
    rig.draw(&[("mill", 3.0)], Span::secs(20));
    rig.adopt(anew(changes[3]));
    rig.draw(&[("mill", 3.0)], Span::secs(12));
    assert!(rig.is_off("extraction"), "{}", rig.decision());
    let mut rig = at_work();
    rig.draw(&[("mill", 3.0)], Span::secs(170));
    rig.adopt(anew(changes[3]));
    rig.draw(&[("mill", 3.0)], Span::secs(15));
    rig.asks("extraction", Off);
    assert!(rig.is_off("extraction"), "{}", rig.decision());
}
