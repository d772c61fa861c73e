//! Machines that are not switched like others. What could go wrong: somebody believes that the red button has cut a
//! kiln which Idlegate only watches, a press for several machines is lost because one of them cannot be switched, the
//! extraction goes off while a watched kiln works, or a freezer is cut that nobody meant to cut.

use super::rig::{Rig, extraction, machine, workshop};
use super::world::name;
use idlegate_engine::{Effect, JobEnd};
use idlegate_guard::time::Span;
use idlegate_guard::{Cause, Control, Decision, Reason, RequestKind, Switch};
use idlegate_messages::effects::sentences;
use idlegate_plan::{Machine, Plan};

fn watched(title: &str) -> Machine {
    let mut machine = machine(title);
    machine.outlet.order = None;
    machine.policy.control = Control::Watched;
    machine
}

/// Wired to the wall, with a clamp around its cable.
fn clamped(title: &str) -> Machine {
    let mut machine = watched(title);
    machine.outlet.state = None;
    machine
}

fn never_off(title: &str) -> Machine {
    let mut machine = machine(title);
    machine.policy.control = Control::NeverOff;
    machine
}

/// The console may do everything.
fn with_console(mut plan: Plan) -> Plan {
    let (console, _) = plan.input("console").unwrap();
    let rights = &mut plan.inputs[console].rights;
    (rights.may_keep_on, rights.may_lock, rights.may_unlock) = (true, true, true);
    plan
}

fn at_work(plan: Plan, machine: &str) -> Rig {
    let mut rig = Rig::new(with_console(plan));
    rig.draw(&[(machine, 800.0)], Span::secs(30));
    rig
}

fn announced(rig: &Rig) -> Vec<(bool, String)> {
    let told = rig.effects.iter().filter_map(|(_, effect)| match effect {
        Effect::Announce(told) => Some((
            told.what.traits().is_urgent,
            sentences::announcement(told, &std::collections::BTreeMap::new()),
        )),
        _ => None,
    });
    told.collect()
}

#[test]
fn nothing_can_be_asked_of_a_machine_that_is_only_watched() {
    for at_once in [0.0, 800.0] {
        let mut rig = Rig::new(with_console(workshop(vec![watched("Kiln"), machine("Mill")])));
        for request in RequestKind::ALL
            .into_iter()
            .filter(|kind| !matches!(kind, RequestKind::Serviced | RequestKind::EmergencyOff))
        {
            rig.draw(&[("kiln", at_once)], Span::secs(30));
            rig.asks("kiln", request);
            let decided = rig.decisions().last().unwrap();
            assert_eq!(decided.decision, Decision::Refused, "{request:?}");
            assert_eq!(decided.why.word(), Reason::OnlyWatched.word(), "{request:?}");
            assert!(
                rig.decision().ends_with("it is only watched, and Idlegate has no way to switch it."),
                "{}",
                rig.decision()
            );
        }
        assert_eq!(rig.orders("kiln"), []);
    }
}

#[test]
fn the_red_button_cuts_what_it_can_and_says_of_the_watched_kiln_that_somebody_must_go_there() {
    let mut rig = at_work(workshop(vec![watched("Kiln"), machine("Mill")]), "mill");
    rig.says("contacts/red", "open");
    assert!(
        rig.orders("mill")
            .iter()
            .any(|(_, switch, cause)| (*switch, *cause) == (Switch::Off, Cause::Emergency))
    );
    assert_eq!(rig.orders("kiln"), []);
    let said = announced(&rig);
    let of_kiln = (
        true,
        "Kiln was not switched off: it is only watched, and Idlegate has no way to switch it. Go there and switch it off by \
         hand."
            .to_owned(),
    );
    assert!(said.contains(&of_kiln), "{said:?}");
    assert!(
        said.iter().any(|(urgent, told)| *urgent && told.starts_with("Mill is being switched off")),
        "{said:?}"
    );
}

#[test]
fn a_red_button_that_repeats_itself_is_one_press_beside_a_watched_kiln_as_well() {
    let mut rig = at_work(workshop(vec![watched("Kiln"), machine("Mill")]), "mill");
    for _ in 0..20 {
        rig.says("contacts/red", "open");
        rig.wait(Span(5));
    }
    let emergencies = rig.orders("mill").iter().filter(|(_, _, cause)| *cause == Cause::Emergency).count();
    assert_eq!(emergencies, 1);
    let of_kiln = announced(&rig).iter().filter(|(_, said)| said.starts_with("Kiln was not")).count();
    assert_eq!(of_kiln, 1);
    // A little later it is meant anew.
    rig.wait(Span::secs(2));
    rig.says("contacts/red", "open");
    let of_kiln = announced(&rig).iter().filter(|(_, said)| said.starts_with("Kiln was not")).count();
    assert_eq!(of_kiln, 2);
}

#[test]
fn an_extraction_stays_on_while_the_watched_kiln_works_that_needs_it() {
    for kiln in [watched("Kiln"), clamped("Kiln")] {
        let plan = workshop(vec![kiln, extraction(&["kiln"], Span::secs(60))]);
        let mut rig = at_work(plan, "kiln");
        rig.asks("extraction", RequestKind::Off);
        assert_eq!(rig.decision(), "Extraction stays on: Kiln is working and needs it.");
        rig.draw(&[("kiln", 1.0)], Span::secs(70));
        rig.asks("extraction", RequestKind::Off);
        assert!(rig.is_off("extraction"), "{}", rig.decision());
    }
}

#[test]
fn a_job_of_which_only_a_meter_tells_is_finished_like_any_other() {
    for kiln in [watched("Kiln"), clamped("Kiln")] {
        let mut rig = at_work(workshop(vec![kiln]), "kiln");
        rig.draw(&[("kiln", 800.0)], Span::secs(600));
        rig.draw(&[("kiln", 1.0)], Span::secs(600));
        let ended: Vec<JobEnd> = rig
            .effects
            .iter()
            .filter_map(|(_, effect)| match effect {
                Effect::JobEnded(ended) => Some(ended.over.how),
                _ => None,
            })
            .collect();
        assert_eq!(ended, [JobEnd::Finished]);
        assert_eq!(rig.orders("kiln"), []);
    }
}

#[test]
fn switched_by_hand_a_watched_machine_is_no_incident() {
    let mut rig = Rig::new(workshop(vec![watched("Kiln")]));
    rig.draw(&[("kiln", 1.0)], Span::secs(30));
    rig.says("outlets/kiln/says", "off");
    rig.wait(Span::secs(20));
    rig.says("outlets/kiln/says", "on");
    rig.wait(Span::secs(20));
    assert!(!rig.effects.iter().any(|(_, effect)| matches!(effect, Effect::Incident(_))));
}

#[test]
fn a_machine_that_comes_to_be_only_watched_is_sent_nothing_that_was_meant_before() {
    let plan = |kiln: Machine| with_console(workshop(vec![kiln]));
    let mut rig = Rig::new(plan(machine("Kiln")));
    rig.draw(&[("kiln", 800.0)], Span::secs(30));
    rig.asks("kiln", RequestKind::OffOnceIdle);
    rig.asks("kiln", RequestKind::Lock);
    rig.adopt(plan(watched("Kiln")));
    rig.says("outlets/kiln/says", "on");
    rig.draw(&[("kiln", 1.0)], Span::secs(600));
    assert_eq!(rig.orders("kiln"), []);
    // Once it can be switched again it is still locked.
    rig.adopt(plan(machine("Kiln")));
    rig.says("outlets/kiln/says", "off");
    rig.asks("kiln", RequestKind::On);
    assert_eq!(rig.decisions().last().unwrap().why.word(), Reason::Lockout.word());
    rig.asks("kiln", RequestKind::Unlock);
    assert_eq!(rig.decisions().last().unwrap().why.word(), Reason::Unlocked.word());
}

/// Else whoever has the file could get rid of a red button's lock in three steps.
#[test]
fn a_lock_still_holds_the_outlet_of_a_machine_that_was_only_watched_and_renamed_meanwhile() {
    let plan = |kiln: Machine| with_console(workshop(vec![kiln]));
    let oven = |kiln: Machine| Machine { name: name("oven"), title: "Oven".to_owned(), ..kiln };
    let mut rig = Rig::new(plan(machine("Kiln")));
    rig.asks("kiln", RequestKind::Lock);
    rig.adopt(plan(watched("Kiln")));
    rig.adopt(plan(oven(watched("Kiln"))));
    rig.adopt(plan(oven(machine("Kiln"))));
    rig.says("outlets/kiln/says", "off");
    rig.asks("oven", RequestKind::On);
    assert_eq!(rig.decisions().last().unwrap().why.word(), Reason::Lockout.word());
}

#[test]
fn a_freezer_is_switched_on_and_never_off_but_in_an_emergency() {
    let mut rig = Rig::new(with_console(workshop(vec![never_off("Freezer")])));
    rig.draw(&[("freezer", 1.0)], Span::secs(60));
    for request in [RequestKind::Off, RequestKind::Flip, RequestKind::ForceOff, RequestKind::OffOnceIdle] {
        rig.asks("freezer", request);
        let decided = rig.decisions().last().unwrap();
        assert_eq!((decided.decision, decided.why.word()), (Decision::Refused, "never-off"), "{request:?}");
        assert!(
            rig.decision().ends_with(": its rules say that Idlegate never switches it off."),
            "{}",
            rig.decision()
        );
        rig.draw(&[("freezer", 1.0)], Span::secs(10));
    }
    assert_eq!(rig.orders("freezer"), []);
    rig.says("outlets/freezer/says", "off");
    rig.asks("freezer", RequestKind::On);
    assert_eq!(rig.decision(), "Freezer is being switched on.");
    rig.says("contacts/red", "open");
    let (_, switch, cause) = rig.orders("freezer").last().copied().unwrap();
    assert_eq!((switch, cause), (Switch::Off, Cause::Emergency));
    assert!(
        !rig.engine.status(rig.now.moment, rig.engine.plan().machine("freezer").unwrap().0).locks.is_empty()
    );
}

#[test]
fn a_status_says_what_is_only_watched_and_what_is_never_off() {
    let rig = Rig::new(workshop(vec![watched("Kiln"), never_off("Freezer"), machine("Mill")]));
    let control = |machine: &str| {
        let (index, _) = rig.engine.plan().machine(name(machine).as_str()).unwrap();
        rig.engine.status(rig.now.moment, index).control
    };
    assert_eq!(control("kiln"), Control::Watched);
    assert_eq!(control("freezer"), Control::NeverOff);
    assert_eq!(control("mill"), Control::Full);
}
