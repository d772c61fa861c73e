//! New rules at any moment of a job that others run on for: an extraction that takes the first chance to go off finds
//! none that the rules before and after would not have given it. What it was told and not told is judged by the draw
//! that was delivered, and by what its outlet got.

use std::collections::BTreeSet;

use super::rig::{Rig, extraction, lamp, machine, workshop};
use super::world::name;
use idlegate_engine::Effect;
use idlegate_guard::RequestKind::{Off, OffOnceIdle};
use idlegate_guard::time::{Moment, Span};
use idlegate_guard::{Cause, PermissiveState, Switch};
use idlegate_plan::event::Name;
use idlegate_plan::{Machine, ModuleSource, Plan, SignalKind};

const RUN_ON: Span = Span::secs(100);
const FAN_RUN_ON: Span = Span::secs(30);
const WORKS_SECS: std::ops::Range<u64> = 30..90;
const END_SECS: u64 = 300;
const FOLLOWERS: [&str; 3] = ["extraction", "fan", "lamp"];

/// The fan serves the extraction, which serves the mill; a lamp goes by a detector that reads the mill's state. None of
/// them lets an idle moment pass: a deferral acts in it.
fn shop() -> Vec<Machine> {
    let mut fan = extraction(&["extraction"], FAN_RUN_ON);
    (fan.name, fan.title) = (name("fan"), "Fan".to_owned());
    fan.outlet.state.as_mut().unwrap().source.filter = "outlets/fan/says".into();
    fan.outlet.order.as_mut().unwrap().topic = "outlets/fan/order".into();
    let mut followers = [extraction(&["mill"], RUN_ON), fan, lamp()];
    for follower in &mut followers {
        (follower.policy.settle_for, follower.policy.notice) = (Span::ZERO, Span::ZERO);
    }
    [vec![machine("Mill"), machine("Saw")], followers.to_vec()].concat()
}

fn at<'a>(machines: &'a mut [Machine], name: &str) -> &'a mut Machine {
    machines.iter_mut().find(|machine| machine.name.as_str() == name).unwrap()
}

fn needed_by(machines: &mut [Machine]) -> &mut idlegate_plan::NeededBy {
    at(machines, "extraction").interlocks.needed_by.as_mut().unwrap()
}

type Change = fn(&mut Vec<Machine>);

/// Whatever may change for the leader, for the followers and around them. The deferrals of some go with their outlet.
const CHANGES: [(&str, Change); 14] = [
    ("nothing", |_| {}),
    ("a title", |machines| at(machines, "extraction").title = "Dust extraction".to_owned()),
    ("the mill's settings", |machines| {
        at(machines, "mill").detectors[0].settings = serde_json::json!({ "busy_watts": 9 });
    }),
    ("how soon the mill is in doubt", |machines| {
        at(machines, "mill").signals[0].stale_after = Span::secs(11);
    }),
    ("the mill's meter", |machines| {
        at(machines, "mill").signals[0].source.filter = "meters/other".to_owned();
    }),
    ("the mill's outlet", |machines| {
        at(machines, "mill").outlet.state.as_mut().unwrap().source.filter = "outlets/other/says".to_owned();
    }),
    ("the mill's name", |machines| {
        at(machines, "mill").name = name("router");
        needed_by(machines).machines = vec![name("router")];
        at(machines, "lamp").signals[0].kind = SignalKind::Machine(name("router"));
    }),
    ("a second detector of the mill", |machines| {
        let mill = at(machines, "mill");
        let more = mill.detectors[0].clone();
        mill.detectors.push(idlegate_plan::DetectorUse { name: name("second"), ..more });
    }),
    ("a longer time to run on", |machines| needed_by(machines).run_on = RUN_ON + Span::secs(40)),
    ("another machine that needs it", |machines| needed_by(machines).machines.push(name("saw"))),
    ("the extraction's outlet", |machines| {
        at(machines, "extraction").outlet.order.as_mut().unwrap().topic = "outlets/other/order".to_owned();
    }),
    ("how an off is confirmed", |machines| {
        at(machines, "extraction").policy.confirm_within = Span::secs(9);
    }),
    ("machines before all others", |machines| machines.push(machine("Anvil"))),
    ("the lamp's settings", |machines| {
        at(machines, "lamp").detectors[0].settings = serde_json::json!({ "words": "more" });
    }),
];

/// One course of events: the mill's job, with new rules at one moment of it or at several.
struct Course<'a> {
    rig: Rig,
    begin: Moment,
    what: &'a str,
    /// When a reading of work was delivered last.
    work_heard: Option<Moment>,
    heard_at_work: bool,
    judged: usize,
}

impl Course<'_> {
    fn new(what: &str) -> Course<'_> {
        let rig = Rig::new(workshop(shop()));
        let begin = rig.now.moment;
        Course { rig, begin, what, work_heard: None, heard_at_work: false, judged: 0 }
    }

    fn secs(&self) -> u64 {
        self.rig.now.moment.since(self.begin).0 / 1_000
    }

    /// A second passes. The mill's draw comes from its meter every five, and from the one that replaces it.
    fn second(&mut self) {
        let at = self.secs();
        if at.is_multiple_of(5) {
            let works = WORKS_SECS.contains(&at);
            // Only one of the two counts, and which one is for the rules to say.
            self.heard_at_work &= works;
            ["mill", "other"].iter().for_each(|meter| self.rig.reads(meter, if works { 800.0 } else { 3.0 }));
            self.heard_at_work = works;
            if works {
                self.work_heard = Some(self.rig.now.moment);
            }
            self.judge();
            self.rig.reads("saw", 3.0);
        }
        if at == WORKS_SECS.start + 8 {
            FOLLOWERS.iter().for_each(|machine| self.rig.asks(machine, OffOnceIdle));
        }
        self.rig.wait(Span::secs(1));
        self.judge();
    }

    fn adopt(&mut self, plan: Plan, replaced: &BTreeSet<ModuleSource>) {
        self.rig.adopt_with(plan, replaced);
        self.judge();
        self.rig.says("outlets/other/says", "on");
        self.judge();
    }

    /// The extraction is needed for so long after work was last heard of, the fan for so long after that, and the lamp
    /// while the last that was heard was work.
    fn is_needed(&self, machine: &str, at: Moment) -> bool {
        let until = |run_on: Span| self.work_heard.is_some_and(|heard| at < heard + run_on);
        match machine {
            "extraction" => until(RUN_ON),
            "fan" => until(RUN_ON + FAN_RUN_ON),
            _ => self.heard_at_work,
        }
    }

    fn judge(&mut self) {
        let (what, secs) = (self.what, self.secs());
        for (at, effect) in &self.rig.effects[self.judged..] {
            let Effect::Order(order) = effect else { continue };
            let plain_off = (order.switch, order.cause) == (Switch::Off, Cause::Plain);
            let cut = plain_off && self.is_needed(order.machine.as_str(), *at);
            assert!(!cut, "{what}: {} is cut at {secs} s, which the mill needs", order.machine);
        }
        self.judged = self.rig.effects.len();
        if !self.rig.detectors_answer {
            // What they have not looked at keeps an off waiting, whatever the state is by what they had seen.
            return;
        }
        let now = self.rig.now.moment;
        for machine in FOLLOWERS.into_iter().filter(|machine| self.is_needed(machine, now)) {
            let (index, _) = self.rig.engine.plan().machine(machine).unwrap();
            let state = self.rig.engine.status(now, index).state;
            assert_ne!(state, PermissiveState::Clear, "{what}: {machine} counts as idle at {secs} s");
        }
    }

    fn run_to_end(&mut self) {
        while self.secs() < END_SECS {
            self.second();
        }
    }

    fn off_at(&self, machine: &str) -> Option<u64> {
        let orders = self.rig.orders(machine);
        orders.first().map(|(at, ..)| at.since(self.begin).0 / 1_000)
    }
}

/// Before the job, in it, and until long after everything has run on.
fn moments() -> impl Iterator<Item = u64> {
    (20..240).step_by(13)
}

#[test]
fn new_rules_at_any_moment_of_a_job_never_let_go_of_what_runs_on_for_it() {
    let mut undisturbed = Course::new("undisturbed");
    undisturbed.run_to_end();
    let off_at = FOLLOWERS.map(|machine| undisturbed.off_at(machine));
    assert!(off_at.iter().all(Option::is_some), "{off_at:?}");
    for ((what, change), moment) in CHANGES.iter().flat_map(|change| moments().map(move |at| (change, at))) {
        for (slow_secs, asks) in [(0, true), (7, false)] {
            let what = format!("{what} at {moment} s, detectors are silent for {slow_secs} s");
            let mut course = Course::new(&what);
            let mut machines = shop();
            change(&mut machines);
            while course.secs() < moment {
                course.second();
            }
            course.rig.detectors_answer = slow_secs == 0;
            course.adopt(workshop(machines), &BTreeSet::new());
            if asks {
                FOLLOWERS.iter().for_each(|machine| course.rig.asks(machine, Off));
                course.judge();
            }
            while course.secs() < moment + slow_secs {
                course.second();
            }
            course.rig.detectors_answer = true;
            course.rig.let_detectors_answer();
            course.judge();
            course.run_to_end();
        }
    }
    // And what has nothing to do with them puts nothing off, either.
    for ((what, change), moment) in
        CHANGES[..2].iter().chain(&CHANGES[12..13]).flat_map(|change| moments().map(move |at| (change, at)))
    {
        let mut course = Course::new(what);
        let mut machines = shop();
        change(&mut machines);
        while course.secs() < moment {
            course.second();
        }
        course.adopt(workshop(machines), &BTreeSet::new());
        course.run_to_end();
        assert_eq!(FOLLOWERS.map(|machine| course.off_at(machine)), off_at, "{what} at {moment} s");
    }
}

/// Somebody saves the files again and again, and a build replaces the detectors' file.
#[test]
fn new_rules_every_few_seconds_never_let_go_of_what_runs_on_for_a_job() {
    let files = BTreeSet::from([ModuleSource::BuiltIn(Name::new("power-threshold").unwrap())]);
    for (pace, offset) in [(1, 0), (3, 5), (5, 0), (13, 2)] {
        for replaced in [BTreeSet::new(), files.clone()] {
            let what = format!("rules every {pace} s, with {} new files", replaced.len());
            let mut course = Course::new(&what);
            let mut changes = CHANGES.iter().cycle().skip(offset);
            while course.secs() < END_SECS {
                if course.secs().is_multiple_of(pace) {
                    let mut machines = shop();
                    changes.next().unwrap().1(&mut machines);
                    course.adopt(workshop(machines), &replaced);
                }
                course.second();
            }
        }
    }
}
