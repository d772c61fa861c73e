//! Coupled machines through any course of events, judged by what was delivered of their draw and by what their outlets
//! got: an extraction is never plainly switched off while a machine that it serves works, or shortly after; and nobody
//! waits for ever.

use super::rig::{Rig, everything, extraction, lamp, machine, workshop};
use super::world::name;
use idlegate_engine::Effect;
use idlegate_guard::RequestKind::{self, Cancel, ForceOff, Off, OffOnceIdle, On};
use idlegate_guard::time::{Moment, Span};
use idlegate_guard::{Cause, Switch};
use idlegate_plan::event::{Event, LinkState};
use idlegate_plan::{DetectorUse, Plan, Role, Watch, WatchWhile};
use proptest::prelude::*;

const RUN_ON: Span = Span::secs(90);
const LEADERS: [&str; 2] = ["mill", "saw"];

/// A mill and a saw need the extraction, which needs the fan; the mill is not switched on without the extraction. A
/// lamp is held by a detector that reads the state of the mill.
fn coupled() -> Plan {
    let mut mill = machine("Mill");
    mill.interlocks.needs_on = vec![name("extraction")];
    mill.policy.on_needs_permit = true;
    let mut fan = extraction(&["extraction"], Span::secs(30));
    (fan.name, fan.title) = (name("fan"), "Fan".to_owned());
    fan.outlet.state.as_mut().unwrap().source.filter = "outlets/fan/says".into();
    fan.outlet.order.as_mut().unwrap().topic = "outlets/fan/order".into();
    let mut plan = workshop(vec![mill, machine("Saw"), extraction(&LEADERS, RUN_ON), fan, lamp()]);
    everything(&mut plan);
    plan
}

#[derive(Clone, Debug)]
enum Step {
    /// One of the two that work begins or ends.
    Draws {
        leader: usize,
        works: bool,
    },
    Asks {
        machine: usize,
        request: RequestKind,
    },
    /// All of them at once.
    AsksGroup(RequestKind),
    /// Its meter says nothing for a while, or does so again.
    Silent {
        leader: usize,
        silent: bool,
    },
    OutletSays {
        machine: usize,
        word: &'static str,
    },
    Link(bool),
    DetectorsAnswer(bool),
    /// New rules, of one kind or another.
    Adopts(u8),
    Passes(Span),
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let asked = prop_oneof![Just(Off), Just(OffOnceIdle), Just(ForceOff), Just(On)];
    let word = prop_oneof![4 => Just("on"), 1 => Just("off"), 1 => Just("?")];
    let step = prop_oneof![
        4 => (0..2_usize, any::<bool>()).prop_map(|(leader, works)| Step::Draws { leader, works }),
        2 => prop_oneof![Just(Off), Just(OffOnceIdle), Just(ForceOff), Just(Cancel)].prop_map(Step::AsksGroup),
        6 => (0..5_usize, asked).prop_map(|(machine, request)| Step::Asks { machine, request }),
        1 => (0..2_usize, any::<bool>()).prop_map(|(leader, silent)| Step::Silent { leader, silent }),
        2 => (0..5_usize, word).prop_map(|(machine, word)| Step::OutletSays { machine, word }),
        1 => any::<bool>().prop_map(Step::Link),
        1 => any::<bool>().prop_map(Step::DetectorsAnswer),
        1 => (0..4_u8).prop_map(Step::Adopts),
        8 => (1..150_u64).prop_map(|secs| Step::Passes(Span::secs(secs))),
    ];
    proptest::collection::vec(step, 0..50)
}

/// The machines as they really are.
struct Truth {
    works: [bool; 2],
    silent: [bool; 2],
    /// When a reading of work was delivered last.
    work_heard: [Option<Moment>; 2],
    /// What was delivered last of its draw was work.
    heard_at_work: [bool; 2],
    link_up: bool,
    /// What of the rig's effects has been judged.
    judged: usize,
}

struct Play {
    rig: Rig,
    truth: Truth,
}

impl Play {
    fn new(plan: Plan) -> Play {
        let truth = Truth {
            works: [false; 2],
            silent: [false; 2],
            work_heard: [None; 2],
            heard_at_work: [false; 2],
            link_up: true,
            judged: 0,
        };
        Play { rig: Rig::new(plan), truth }
    }

    fn measure(&mut self) {
        for (at, leader) in LEADERS.iter().enumerate() {
            if self.truth.silent[at] || !self.truth.link_up {
                continue;
            }
            self.truth.heard_at_work[at] = self.truth.works[at];
            if self.truth.works[at] {
                self.truth.work_heard[at] = Some(self.rig.now.moment);
            }
            self.rig.reads(leader, if self.truth.works[at] { 800.0 } else { 3.0 });
            self.judge();
        }
    }

    fn pass(&mut self, span: Span) {
        let end = self.rig.now.moment + span;
        while self.rig.now.moment < end {
            self.measure();
            self.rig.wait(Span::secs(5).min(end.since(self.rig.now.moment)));
            self.judge();
        }
    }

    /// A plain off of the extraction that followed on a delivered reading of work too soon.
    fn judge(&mut self) {
        for (at, effect) in &self.rig.effects[self.truth.judged..] {
            let Effect::Order(order) = effect else { continue };
            let plain_off = order.switch == Switch::Off && order.cause == Cause::Plain;
            // An outlet that says off is believed, once a meter that says otherwise has fallen silent.
            let is_off = self.rig.said.get("outlets/mill/says").is_some_and(|said| said == "off");
            let lit = order.machine.as_str() == "lamp" && self.truth.heard_at_work[0] && !is_off;
            assert!(!(plain_off && lit), "the lamp goes off at {at:?} over a mill at work");
            let run_on = match order.machine.as_str() {
                "extraction" => RUN_ON,
                // Behind the extraction while that is on, and so behind them.
                "fan" if self.rig.said.get("outlets/extraction/says").is_some_and(|said| said == "on") => {
                    RUN_ON + Span::secs(30)
                }
                _ => continue,
            };
            for (leader, heard) in LEADERS.iter().zip(self.truth.work_heard) {
                let soon = heard.is_some_and(|heard| *at < heard + run_on);
                assert!(
                    !(plain_off && soon),
                    "{} cut at {at:?}, {leader} worked at {heard:?}",
                    order.machine
                );
            }
        }
        self.truth.judged = self.rig.effects.len();
    }

    fn take(&mut self, step: &Step, plans: &dyn Fn(u8) -> Plan) {
        let machines = self.rig.machines();
        match step {
            Step::Draws { leader, works } => self.truth.works[*leader] = *works,
            Step::Asks { machine, request } => self.rig.asks(&machines[*machine], *request),
            Step::AsksGroup(request) => self.rig.asks_group("everything", *request),
            Step::Silent { leader, silent } => self.truth.silent[*leader] = *silent,
            Step::OutletSays { machine, word } => {
                self.rig.says(&format!("outlets/{}/says", machines[*machine]), word);
            }
            Step::Link(up) => {
                self.truth.link_up = *up;
                let state = if *up { LinkState::Up } else { LinkState::Down { why: "gone".into() } };
                self.rig.event(Event::Link(state));
            }
            Step::DetectorsAnswer(answer) => {
                self.rig.detectors_answer = *answer;
                if *answer {
                    self.rig.let_detectors_answer();
                }
            }
            Step::Adopts(kind) => self.rig.adopt(plans(*kind)),
            Step::Passes(span) => self.pass(*span),
        }
        self.judge();
    }
}

/// Rules that differ in what begins anew under them.
fn changed(kind: u8, mut plan: Plan) -> Plan {
    let at = |plan: &Plan, name: &str| plan.machine(name).unwrap().0;
    let (mill, saw, extraction) = (at(&plan, "mill"), at(&plan, "saw"), at(&plan, "extraction"));
    match kind {
        0 => {}
        1 => plan.machines[mill].detectors[0].settings = serde_json::json!({ "busy_watts": 9 }),
        2 => plan.machines[saw].signals[0].stale_after = Span::secs(20),
        _ => plan.machines[extraction].policy.notice = Span::secs(5),
    }
    plan
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    #[test]
    fn an_extraction_is_never_plainly_cut_while_it_is_needed_and_nobody_waits_for_ever(steps in steps()) {
        let mut play = Play::new(coupled());
        for step in &steps {
            play.take(step, &|kind| changed(kind, coupled()));
        }
        // Whatever came before: all at rest and in sight, and everybody wants everything off.
        play.take(&Step::Link(true), &|_| coupled());
        play.take(&Step::DetectorsAnswer(true), &|_| coupled());
        (play.truth.works, play.truth.silent) = ([false; 2], [false; 2]);
        for machine in play.rig.machines() {
            play.rig.says(&format!("outlets/{machine}/says"), "on");
        }
        play.pass(Span::secs(10));
        for machine in play.rig.machines() {
            play.rig.asks(&machine, OffOnceIdle);
        }
        let begin = play.rig.now.moment;
        play.pass(Span::secs(900));
        for machine in play.rig.machines() {
            let off = play.rig.orders(&machine).iter().any(|(at, switch, _)| *at >= begin && *switch == Switch::Off);
            prop_assert!(off, "{machine} is still on");
        }
    }

    /// Whatever a detector says that only warns: nothing is decided or switched otherwise, and people hear of it once
    /// a minute at most.
    #[test]
    fn a_detector_that_warns_changes_nothing(steps in steps(), during in 0..5_usize, lasting in 0..20_u64) {
        let watch = Watch { during: WatchWhile::ALL[during], lasting: Span::secs(lasting) };
        let with_warnings = |mut plan: Plan| {
            for machine in plan.machines.iter_mut().filter(|machine| !machine.detectors.is_empty()) {
                let warns = |name_of: &str| DetectorUse {
                    name: name(name_of),
                    role: Role::Warn(watch),
                    ..machine.detectors[0].clone()
                };
                let more = [warns("random"), warns("draw")];
                machine.detectors.extend(more);
            }
            plan
        };
        let mut bare = Play::new(coupled());
        let mut warned = Play::new(with_warnings(coupled()));
        for step in &steps {
            bare.take(step, &|kind| changed(kind, coupled()));
            warned.take(step, &|kind| with_warnings(changed(kind, coupled())));
        }
        let decided = |play: &Play| -> Vec<_> {
            let decisions = play.rig.decisions();
            decisions.map(|it| (it.at.moment, it.machine.clone(), it.decision, it.why.clone())).collect()
        };
        prop_assert_eq!(decided(&bare), decided(&warned));
        for machine in bare.rig.machines() {
            prop_assert_eq!(bare.rig.orders(&machine), warned.rig.orders(&machine));
            let told: Vec<Moment> = warned
                .rig
                .warned()
                .iter()
                .filter(|(_, told)| told.machine.as_str() == machine && !told.over)
                .filter(|(_, told)| matches!(told.what, idlegate_engine::Warning::Detector { .. }))
                .map(|(at, _)| *at)
                .collect();
            prop_assert!(told.windows(2).all(|pair| pair[1].since(pair[0]) >= Span::secs(60)), "{told:?}");
        }
    }
}
