//! What could go wrong when somebody asks for everything at once: a working machine is cut, or forced; one broken
//! outlet keeps the others on; an extraction stops before the laser that it serves; the answer says less than what is
//! true, or says it eight times.

use std::collections::BTreeMap;

use super::published::assert_described;
use super::rig::{Rig, everything, extraction, lamp, machine, workshop};
use super::world::{World, name};
use idlegate_engine::{Effect, GroupAnswered, Why};
use idlegate_guard::RequestKind::{
    self, Cancel, EmergencyOff, Flip, ForceOff, KeepOn, Lock, Off, OffOnceIdle, On, Serviced, Unlock,
};
use idlegate_guard::time::{Moment, Span};
use idlegate_guard::{Cause, Decision, Switch, WhenBusy};
use idlegate_messages::effects::messages;
use idlegate_messages::effects::sentences;
use idlegate_plan::event::{Event, Message};
use idlegate_plan::{Gesture, Input, InputSource, MachineIx, MachineWords, Plan, Source, ValuePath};
use proptest::prelude::*;

const RUN_ON: Span = Span::secs(180);
const LONG: Span = Span::secs(600);

/// A mill, a laser cutter with its extraction, a printer and a saw.
fn shop() -> Plan {
    let extraction = extraction(&["laser-cutter"], RUN_ON);
    let machines = ["Mill", "Laser cutter", "Filament printer", "Saw"].map(machine);
    let mut plan = workshop(machines.into_iter().chain([extraction]).collect());
    everything(&mut plan);
    plan.groups[0].machines =
        ["mill", "laser-cutter", "filament-printer", "extraction", "saw"].map(|it| at(&plan, it)).into();
    plan
}

fn at(plan: &Plan, name: &str) -> MachineIx {
    plan.machine(name).unwrap().0
}

/// The printer prints, the laser cutter has just stopped, the others rest.
fn evening() -> Rig {
    in_the_evening(shop())
}

fn in_the_evening(plan: Plan) -> Rig {
    let mut rig = Rig::new(plan);
    rig.clears_in = Some(Span::secs(720));
    rig.draw(
        &[("mill", 3.0), ("saw", 3.0), ("laser-cutter", 800.0), ("filament-printer", 120.0)],
        Span::secs(60),
    );
    rig.draw(
        &[("mill", 3.0), ("saw", 3.0), ("laser-cutter", 3.0), ("filament-printer", 120.0)],
        Span::secs(15),
    );
    rig.effects.clear();
    rig
}

impl Rig {
    fn answers(&self) -> Vec<&GroupAnswered> {
        let told = self.effects.iter().filter_map(|(_, effect)| match effect {
            Effect::GroupAnswered(told) => Some(&**told),
            _ => None,
        });
        told.collect()
    }

    fn answer(&self) -> String {
        let answers = self.answers();
        assert_eq!(answers.len(), 1, "{answers:?}");
        let sentence = sentences::group_answer(answers[0]);
        assert_described("group-answer", &messages::group_answer(answers[0], &sentence));
        let said = sentences::group_announcement(answers[0], &sentence, &BTreeMap::new());
        assert_eq!(said, sentence, "unless the rules have words of their own");
        assert_described("announcement", &messages::group_announcement(answers[0], &said));
        sentence
    }

    fn announced(&self) -> Vec<&'static str> {
        let told = self.effects.iter().filter_map(|(_, effect)| match effect {
            Effect::Announce(announced) => Some(announced.what.word()),
            Effect::GroupAnswered(told) if told.aloud => Some("group-asked"),
            _ => None,
        });
        told.collect()
    }

    fn decided(&self, machine: &str) -> (Decision, &'static str) {
        let of_it = |decided: &&idlegate_engine::Decided| {
            decided.machine.as_ref().is_some_and(|it| it.as_str() == machine)
        };
        let found: Vec<_> = self.decisions().filter(of_it).collect();
        assert_eq!(found.len(), 1, "exactly one decision for {machine}: {found:?}");
        (found[0].decision, found[0].why.word())
    }

    fn not_understood(&self) -> Option<String> {
        self.effects.iter().find_map(|(_, effect)| match effect {
            Effect::NotUnderstood(told) => Some(sentences::not_understood(told, &BTreeMap::new())),
            _ => None,
        })
    }

    /// A request with somebody who waits for its answer.
    fn asks_aloud(&mut self, payload: &str) {
        let message = World::message("idlegate/request/console", payload);
        let response_topic = Some("idlegate/answer/console/1".into());
        let correlation = Some("42".into());
        self.event(Event::Message(Message { response_topic, correlation, ..message }));
    }

    /// Nothing changes for so long.
    fn goes_on(&mut self, span: Span) {
        self.draw(&[("mill", 3.0), ("saw", 3.0), ("laser-cutter", 3.0), ("filament-printer", 120.0)], span);
    }
}

#[test]
fn one_answer_says_what_is_off_what_follows_and_when() {
    let mut rig = evening();
    rig.asks_group("everything", Off);
    assert_eq!(
        rig.answer(),
        "Mill, Laser cutter and Saw are off. Filament printer follows when it is idle, 12 min at least. Extraction \
         follows Laser cutter, 2 min 45 s at least."
    );
    assert_eq!(rig.announced(), ["group-asked"]);
    for machine in ["mill", "laser-cutter", "saw"] {
        assert_eq!(rig.decided(machine), (Decision::Acted, "machine-idle"));
    }
    for machine in ["filament-printer", "extraction"] {
        assert_eq!(rig.decided(machine), (Decision::Deferred, "until-idle"));
    }
}

#[test]
fn what_is_busy_is_never_cut_and_the_order_comes_of_what_needs_what() {
    let mut rig = evening();
    rig.asks_group("everything", Off);
    rig.goes_on(LONG);
    assert_eq!(rig.orders("filament-printer"), []);
    let off_at = |rig: &Rig, machine: &str| rig.orders(machine).first().map(|(at, ..)| *at);
    assert!(
        off_at(&rig, "extraction").unwrap()
            >= off_at(&rig, "laser-cutter").unwrap() + RUN_ON - Span::secs(15)
    );
    rig.draw(&[("filament-printer", 3.0)], Span::secs(60));
    assert!(rig.is_off("filament-printer"));
    let causes = rig.machines().into_iter().flat_map(|machine| rig.orders(&machine));
    assert!(causes.into_iter().all(|(_, switch, cause)| (switch, cause) == (Switch::Off, Cause::Plain)));
}

/// Idle machines get their notice, which is one sentence, told at once.
#[test]
fn off_once_idle_gives_one_notice_for_all_that_are_idle() {
    let mut rig = evening();
    rig.asks_group("everything", OffOnceIdle);
    assert_eq!(
        rig.answer(),
        "Mill, Laser cutter and Saw are idle and will be switched off in 30 s, unless somebody cancels. Filament \
         printer follows when it is idle, 12 min at least. Extraction follows Laser cutter, 2 min 45 s at least."
    );
    assert_eq!(rig.announced(), ["group-asked"]);
    assert_eq!(rig.answers()[0].window(), Some(Span::secs(30)));
    rig.effects.clear();
    rig.asks_group("everything", Cancel);
    let all = "Mill, Laser cutter, Filament printer, Extraction and Saw will not be switched off after all.";
    assert_eq!(rig.answer(), all);
    assert_eq!(rig.announced(), ["group-asked"]);
    rig.goes_on(LONG);
    assert!(rig.machines().iter().all(|machine| rig.orders(machine).is_empty()));
    rig.effects.clear();
    rig.asks_group("everything", Cancel);
    assert_eq!(rig.answer(), "There is nothing to cancel.");
    assert!(rig.announced().is_empty(), "nobody need hear that");
}

#[test]
fn a_group_is_never_forced_and_never_switched_on_and_hears_what_it_may_be_asked() {
    for (kind, told) in [
        (
            ForceOff,
            "A group is never forced off. Ask it for off or off-once-idle, and force each machine by itself.",
        ),
        (On, "A group is never switched on. Ask for each machine by itself."),
        (Flip, "A group is never switched on. Ask for each machine by itself."),
        (
            KeepOn,
            "A group can be asked for off, off-once-idle or cancel. Ask for the rest machine by machine.",
        ),
        (Lock, "A group can be asked for off, off-once-idle or cancel. Ask for the rest machine by machine."),
        (
            Unlock,
            "A group can be asked for off, off-once-idle or cancel. Ask for the rest machine by machine.",
        ),
        (
            Serviced,
            "A group can be asked for off, off-once-idle or cancel. Ask for the rest machine by machine.",
        ),
    ] {
        let mut rig = evening();
        for _ in 0..3 {
            rig.effects.clear();
            rig.asks_group("everything", kind);
            assert_eq!(rig.decision(), told);
            assert!(rig.answers().is_empty());
            rig.goes_on(Span::secs(5));
        }
        let guards = rig.machines().into_iter().map(|machine| {
            let (index, _) = rig.engine.plan().machine(&machine).unwrap();
            rig.engine.status(rig.now.moment, index)
        });
        assert!(guards.into_iter().all(|it| it.window_left.is_none() && it.deferral.is_none()));
        assert!(rig.machines().iter().all(|machine| rig.orders(machine).is_empty()), "{kind:?}");
    }
}

/// Whoever thinks that there is an emergency does not read answers: people hear that nothing was switched.
#[test]
fn an_emergency_for_a_group_is_refused_aloud_and_each_machine_still_takes_one() {
    let mut plan = shop();
    let (console, _) = plan.input("console").unwrap();
    plan.inputs[console].rights.emergency = true;
    let mut rig = in_the_evening(plan);
    rig.asks_group("everything", EmergencyOff);
    assert!(rig.decision().contains("press a red button"), "{}", rig.decision());
    assert!(
        rig.not_understood().is_some_and(|told| told.contains("nothing was switched; press a red button"))
    );
    rig.asks("filament-printer", EmergencyOff);
    assert_eq!(rig.orders("filament-printer").last().map(|(.., cause)| *cause), Some(Cause::Emergency));
}

#[test]
fn a_machine_that_the_input_may_not_ask_about_is_said_and_the_others_go_on() {
    let mut plan = shop();
    let (saw, (console, _)) = (at(&plan, "saw"), plan.input("console").unwrap());
    plan.inputs[console].machines.retain(|machine| *machine != saw);
    let mut rig = in_the_evening(plan);
    rig.asks_group("everything", Off);
    assert!(
        rig.answer().ends_with("console may not ask about Saw, so it stays as it is."),
        "{}",
        rig.answer()
    );
    assert_eq!(rig.decided("saw"), (Decision::Refused, "machine-not-allowed"));
    assert_eq!(rig.orders("saw"), []);
    assert!(rig.is_off("mill") && rig.is_off("laser-cutter"));
}

#[test]
fn an_input_that_may_ask_for_none_of_them_is_refused_once() {
    let mut plan = shop();
    let (saw, (console, _)) = (at(&plan, "saw"), plan.input("console").unwrap());
    plan.groups[0].machines.retain(|machine| *machine != saw);
    plan.inputs[console].machines = vec![saw];
    let mut rig = in_the_evening(plan);
    rig.asks_group("everything", Off);
    assert_eq!(rig.decision(), "console may not ask about any machine of this group.");
    assert_eq!(rig.decisions().count(), 1);
    let mut plan = shop();
    plan.inputs[console].requests = Some(vec![Cancel]);
    let mut rig = in_the_evening(plan);
    rig.asks_group("everything", Off);
    assert_eq!(rig.decision(), "console may not ask for that.");
}

/// One outlet is out of reach, one hears nothing though it is in sight, one meter is silent.
#[test]
fn a_broken_machine_delays_nobody() {
    let mut rig = evening();
    rig.says("outlets/saw/says", "?");
    rig.deaf = ["saw", "laser-cutter"].map(str::to_owned).into();
    rig.draw(&[("saw", 3.0), ("laser-cutter", 3.0), ("filament-printer", 120.0)], Span::secs(35));
    rig.effects.clear();
    let asked = rig.now.moment;
    rig.asks_group("everything", Off);
    for machine in ["saw", "laser-cutter"] {
        assert_eq!(rig.orders(machine).len(), 1, "{machine} is told at once");
    }
    assert!(rig.answers().is_empty(), "the laser cutter's outlet may still confirm");
    rig.wait(Span::secs(2));
    assert_eq!(rig.answers()[0].at.moment, asked + Span::secs(2));
    assert_eq!(
        rig.answer(),
        "Laser cutter and Saw were told to switch off, but their outlets have not confirmed it. Filament printer \
         follows when it is idle, 12 min at least. Extraction follows Laser cutter, 2 min 8 s at least. Mill follows \
         when it is idle. For now: no reading of power for 38 s."
            .replace("no reading of power for 38 s", &reason(&rig, "mill"))
    );
}

/// Why nobody can tell, as the machine's own detectors have it.
fn reason(rig: &Rig, machine: &str) -> String {
    let mut told = rig.decisions().filter(|it| it.machine.as_ref().is_some_and(|it| it.as_str() == machine));
    told.next().unwrap().grounds.findings[0].reason.to_string()
}

#[test]
fn a_machine_that_waits_for_fresh_readings_keeps_no_answer_waiting() {
    let mut plan = shop();
    let mill = at(&plan, "mill");
    let policy = &mut plan.machines[mill].policy;
    (policy.can_refresh, policy.fresh_within, policy.refresh_wait) = (true, Span::secs(1), Span::secs(20));
    let mut rig = in_the_evening(plan);
    rig.wait(Span::secs(3));
    rig.asks_group("everything", Off);
    assert!(rig.is_off("saw"), "the others do not wait for it");
    rig.wait(Span::secs(2));
    assert!(
        rig.answer().ends_with("Mill is waiting for fresh readings, and will be decided then."),
        "{}",
        rig.answer()
    );
    rig.reads("mill", 3.0);
    assert_eq!(rig.decided("mill"), (Decision::Acted, "machine-idle"));
    assert_eq!(rig.answers().len(), 1);
}

#[test]
fn only_the_whole_is_answered_and_only_once_for_one_id() {
    let mut rig = evening();
    let request = r#"{"group":"everything","request":"off-once-idle","id":"7","who":"Mara"}"#;
    rig.asks_aloud(request);
    let reply = rig.answers()[0].reply.clone().unwrap();
    assert_eq!(
        (&*reply.topic, reply.correlation.as_deref()),
        ("idlegate/answer/console/1", Some(&b"42"[..]))
    );
    assert_eq!(
        (rig.answers()[0].event_id.as_deref(), rig.answers()[0].who.as_deref()),
        (Some("7"), Some("Mara"))
    );
    assert_eq!(rig.decisions().count(), 5);
    assert!(
        rig.decisions().all(|decided| decided.group.as_ref().is_some_and(|it| it.as_str() == "everything"))
    );
    assert!(
        rig.decisions().all(|decided| decided.reply.is_none() && decided.event_id.as_deref() == Some("7"))
    );
    rig.goes_on(Span::secs(10));
    let before = rig.effects.iter().filter(|(_, it)| matches!(it, Effect::Keep(_))).count();
    rig.effects.clear();
    rig.asks_aloud(request);
    assert_eq!(rig.answer(), "Nothing was done: this request has already been answered.");
    assert!(rig.announced().is_empty());
    assert!(before > 0 && !rig.effects.iter().any(|(_, it)| matches!(it, Effect::Keep(_))));
}

#[test]
fn a_group_that_there_is_not_is_told_what_may_have_been_meant() {
    let mut rig = evening();
    for (payload, told) in [
        (
            r#"{"group":"everythin","request":"off"}"#,
            r#"There is no group called "everythin"; did you mean "everything"?"#,
        ),
        (
            r#"{"group":"mill","request":"off"}"#,
            r#"There is no group called "mill"; that is a machine, so write "machine" instead."#,
        ),
        (
            r#"{"machine":"everything","request":"off"}"#,
            r#"There is no machine called "everything"; that is a group, so write "group" instead."#,
        ),
    ] {
        rig.asks_aloud(payload);
        assert_eq!(rig.decision(), told);
    }
}

/// The way out of everybody stays open: whoever asked the group can still be held, and force.
#[test]
fn after_a_group_was_asked_a_single_machine_is_held_and_forced_as_ever() {
    let mut rig = evening();
    rig.asks_group("everything", Off);
    rig.asks("filament-printer", Off);
    assert!(rig.decision().contains("stays on"), "{}", rig.decision());
    rig.wait(Span::secs(3));
    rig.asks("filament-printer", ForceOff);
    assert_eq!(rig.orders("filament-printer").last().map(|(.., cause)| *cause), Some(Cause::Forced));
}

#[test]
fn a_machine_that_leaves_the_rules_meanwhile_leaves_the_answer_to_the_others() {
    let mut rig = evening();
    rig.deaf = ["mill".to_owned()].into();
    rig.asks_group("everything", Off);
    assert!(rig.answers().is_empty());
    let mut plan = shop();
    let mill = at(&plan, "mill");
    plan.machines.remove(mill.0);
    let mut plan = workshop(plan.machines);
    everything(&mut plan);
    rig.adopt(plan);
    rig.wait(Span::secs(2));
    let answer = rig.answer();
    assert!(answer.starts_with("Laser cutter and Saw are off. Mill was told to switch off"), "{answer}");
}

/// The guard is stopped while one machine waits for readings and another for its outlet.
#[test]
fn the_end_of_the_program_leaves_nobody_without_an_answer() {
    let mut plan = shop();
    let mill = at(&plan, "mill");
    let policy = &mut plan.machines[mill].policy;
    (policy.can_refresh, policy.fresh_within) = (true, Span::secs(1));
    let mut rig = in_the_evening(plan);
    rig.deaf = ["saw".to_owned()].into();
    rig.wait(Span::secs(3));
    rig.asks_group("everything", Off);
    assert!(rig.answers().is_empty());
    let mut effects = Vec::new();
    rig.engine.stop(rig.now, &mut effects);
    rig.carry_out(effects);
    assert_eq!(rig.decided("mill"), (Decision::Ignored, "superseded"));
    assert!(
        rig.answer().contains("Mill: something newer came in, so this request was dropped."),
        "{}",
        rig.answer()
    );
}

fn with_voice(mut plan: Plan) -> Plan {
    let group = plan.group("everything").unwrap().0;
    let (_, night) = plan.input("night").unwrap();
    let gesture = |word: &str, request| Gesture { name: name(word), words: vec![word.into()], request };
    let voice = Input {
        name: name("voice"),
        title: "Voice relay".into(),
        source: InputSource::Topic {
            source: Source { filter: "voice/heard".into(), path: ValuePath::JsonPointer("/wish".into()) },
            event_id: None,
            named: Some(MachineWords {
                path: ValuePath::JsonPointer("/thing".into()),
                words: vec![("Mill".into(), at(&plan, "mill"))],
                groups: vec![("All the machines".into(), group)],
            }),
        },
        gestures: vec![gesture("off", Off), gesture("force", ForceOff), gesture("on", On)],
        ..night.clone()
    };
    plan.inputs.push(voice);
    plan
}

#[test]
fn a_groups_title_is_said_like_a_machines() {
    let mut rig = in_the_evening(with_voice(shop()));
    rig.says("voice/heard", r#"{"wish":"off","thing":"all the  MACHINES"}"#);
    assert!(rig.answer().starts_with("Mill, Laser cutter and Saw are off."), "{}", rig.answer());
    assert!(rig.decisions().all(|decided| decided.gesture.as_ref().is_some_and(|it| it.as_str() == "off")));
    for wish in ["force", "on"] {
        rig.effects.clear();
        rig.says("voice/heard", &format!(r#"{{"wish":"{wish}","thing":"All the machines"}}"#));
        assert!(matches!(rig.decisions().last().unwrap().why, Why::NotByGroup(_)));
        let told = rig.not_understood();
        assert!(told.is_some_and(|told| told.contains("only a single machine")), "{wish} is told aloud");
        rig.wait(Span::secs(3));
    }
}

#[test]
fn at_another_site_a_group_is_not_ours_to_answer() {
    let mut plan = with_voice(shop());
    plan.shop.sites = vec![name("north"), name("south")];
    for machine in &mut plan.machines {
        machine.site = Some(name("south"));
    }
    let mill = at(&plan, "mill");
    plan.machines[mill].site = Some(name("north"));
    for group in &mut plan.groups {
        group.machines.retain(|machine| *machine != mill);
    }
    let plan = plan.at_site(Some(&name("north"))).unwrap();
    let mut rig = Rig::new(plan);
    rig.effects.clear();
    rig.asks_aloud(r#"{"group":"everything","request":"off"}"#);
    rig.says("voice/heard", r#"{"wish":"off","thing":"Everything"}"#);
    assert_eq!(rig.decisions().count(), 0, "{:?}", rig.decisions().collect::<Vec<_>>());
}

#[derive(Clone, Debug)]
enum Before {
    Draws(usize, bool),
    Silent(usize, bool),
    Outlet(usize, &'static str),
    Asks(usize, RequestKind),
    Passes(u64),
}

const METERED: [&str; 4] = ["mill", "laser-cutter", "filament-printer", "saw"];

fn before() -> impl Strategy<Value = Vec<Before>> {
    let word = prop_oneof![3 => Just("on"), 1 => Just("off"), 1 => Just("?")];
    let step = prop_oneof![
        4 => (0..4_usize, any::<bool>()).prop_map(|(at, works)| Before::Draws(at, works)),
        1 => (0..4_usize, any::<bool>()).prop_map(|(at, silent)| Before::Silent(at, silent)),
        2 => (0..6_usize, word).prop_map(|(at, word)| Before::Outlet(at, word)),
        2 => (0..6_usize, prop_oneof![Just(Off), Just(OffOnceIdle), Just(On), Just(KeepOn)])
            .prop_map(|(at, request)| Before::Asks(at, request)),
        6 => (1..120_u64).prop_map(Before::Passes),
    ];
    proptest::collection::vec(step, 0..25)
}

/// A rig in which all this has happened, and how the meters go on.
struct Evening {
    rig: Rig,
    works: [bool; 4],
    silent: [bool; 4],
}

impl Evening {
    fn after(steps: &[Before]) -> Evening {
        let mut plan = shop();
        plan.machines.push(lamp());
        let mut plan = workshop(plan.machines);
        everything(&mut plan);
        let (console, _) = plan.input("console").unwrap();
        // Asked alone, a busy machine is put off as in a group.
        plan.inputs[console].rights.when_busy = WhenBusy::Defer;
        plan.inputs[console].rights.may_keep_on = true;
        let saw = at(&plan, "saw");
        (plan.machines[saw].policy.can_refresh, plan.machines[saw].policy.fresh_within) =
            (true, Span::secs(3));
        let mut evening = Evening { rig: Rig::new(plan), works: [false; 4], silent: [false; 4] };
        for step in steps {
            evening.take(step);
        }
        // So long ago that nothing that was asked is the same gesture still.
        evening.pass(Span::secs(5));
        evening.rig.effects.clear();
        evening
    }

    fn take(&mut self, step: &Before) {
        let machines = self.rig.machines();
        match step {
            Before::Draws(at, works) => self.works[*at] = *works,
            Before::Silent(at, silent) => self.silent[*at] = *silent,
            Before::Outlet(at, word) => self.rig.says(&format!("outlets/{}/says", machines[*at]), word),
            Before::Asks(at, request) => self.rig.asks(&machines[*at], *request),
            Before::Passes(secs) => self.pass(Span::secs(*secs)),
        }
    }

    fn pass(&mut self, span: Span) {
        let meters = METERED.iter().zip(self.works).zip(self.silent).filter(|(_, silent)| !silent);
        let draws: Vec<_> =
            meters.map(|((machine, works), _)| (*machine, if works { 800.0 } else { 3.0 })).collect();
        self.rig.draw(&draws, span);
    }

    /// What came of it: decisions, orders, and what each guard is left with.
    fn came_of_it(&self) -> Vec<String> {
        let mut told: Vec<String> = Vec::new();
        for machine in self.rig.machines() {
            let of_it =
                |it: &&idlegate_engine::Decided| it.machine.as_ref().is_some_and(|it| it.as_str() == machine);
            let decided: Vec<_> = self.rig.decisions().filter(of_it).collect();
            let decided: Vec<_> =
                decided.iter().map(|it| (it.at.moment, it.decision, it.why.word())).collect();
            let orders: Vec<(Moment, Switch, Cause)> = self.rig.orders(&machine);
            let (index, _) = self.rig.engine.plan().machine(&machine).unwrap();
            let status = self.rig.engine.status(self.rig.now.moment, index);
            let left = (
                status.outlet,
                status.state,
                status.deferral.map(|it| (it.by, it.expires_in)),
                status.kept_on,
            );
            told.push(format!("{machine}: {decided:?} {orders:?} {left:?}"));
        }
        told
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    #[test]
    fn a_group_comes_to_the_same_as_its_machines_asked_one_by_one_in_any_order(
        steps in before(),
        kind in prop_oneof![2 => Just(Off), 2 => Just(OffOnceIdle), 1 => Just(Cancel)],
        order in Just((0..6_usize).collect::<Vec<_>>()).prop_shuffle(),
        after in before(),
    ) {
        let (mut at_once, mut one_by_one) = (Evening::after(&steps), Evening::after(&steps));
        at_once.rig.asks_group("everything", kind);
        let machines = one_by_one.rig.machines();
        for at in order {
            one_by_one.rig.asks(&machines[at], kind);
        }
        prop_assert_eq!(at_once.came_of_it(), one_by_one.came_of_it());
        for step in after.iter().filter(|step| !matches!(step, Before::Asks(..))) {
            at_once.take(step);
            one_by_one.take(step);
        }
        for evening in [&mut at_once, &mut one_by_one] {
            evening.pass(Span::secs(300));
        }
        prop_assert_eq!(at_once.came_of_it(), one_by_one.came_of_it());
        prop_assert_eq!(at_once.rig.answers().len(), 1);
    }
}
