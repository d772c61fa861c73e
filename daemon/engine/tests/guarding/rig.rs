//! A workshop of several machines in virtual time: outlets that obey, meters that the test reads out, and detectors
//! that go by what they were shown.

use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;

use super::world::{World, name, plan};
use idlegate_engine::{Decided, Effect, Engine, Former, Order, Warned};
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_guard::{Cause, RequestKind, Switch};
use idlegate_plan::event::{Assessed, Assessment, DetectorId, Event, Feed, LinkState, Value, Verdict};
use idlegate_plan::{
    DetectorUse, Group, Interlocks, Machine, MachineIx, ModuleSource, NeededBy, Plan, Reports, Signal,
    SignalIx, SignalKind, Source, ValuePath,
};

/// A draw of more than this is work.
const WORK_WATTS: f64 = 40.0;

pub(super) struct Rig {
    pub(super) engine: Engine,
    pub(super) now: Now,
    /// The newest reading that each detector was shown.
    shown: HashMap<DetectorId, Value>,
    unanswered: Vec<Feed>,
    answering: bool,
    /// What was said last, by topic.
    pub(super) said: HashMap<String, String>,
    /// Whether detectors answer at once, or only when they are let.
    pub(super) detectors_answer: bool,
    pub(super) outlets_obey: bool,
    /// Machines whose outlets hear nothing.
    pub(super) deaf: BTreeSet<String>,
    /// What detectors say of when they will say idle.
    pub(super) clears_in: Option<Span>,
    pub(super) effects: Vec<(Moment, Effect)>,
}

/// A machine like the mill.
pub(super) fn machine(title: &str) -> Machine {
    let mut machine = plan().machines.remove(0);
    let word = title.to_lowercase().replace(' ', "-");
    (machine.name, machine.title) = (name(&word), title.to_owned());
    machine.outlet.state.as_mut().unwrap().source.filter = format!("outlets/{word}/says");
    machine.outlet.order.as_mut().unwrap().topic = format!("outlets/{word}/order");
    machine.outlet.reach = None;
    machine.signals[0].source.filter = format!("meters/{word}");
    machine
}

/// An extraction without a meter: it goes by those that need it, and by nothing else.
pub(super) fn extraction(needed_by: &[&str], run_on: Span) -> Machine {
    let mut extraction = machine("Extraction");
    (extraction.signals, extraction.detectors) = (Vec::new(), Vec::new());
    extraction.outlet.power_signal = None;
    extraction.interlocks = Interlocks {
        needed_by: Some(NeededBy {
            machines: needed_by.iter().map(|machine| name(machine)).collect(),
            run_on,
            may_remain: Some("fumes".to_owned()),
        }),
        needs_on: Vec::new(),
    };
    extraction
}

/// A lamp that holds while the mill works, by a detector that reads the mill's state.
pub(super) fn lamp() -> Machine {
    let mut lamp = machine("Lamp");
    lamp.outlet.power_signal = None;
    lamp.signals = vec![Signal {
        name: name("mill"),
        kind: SignalKind::Machine(name("mill")),
        source: Source { filter: String::new(), path: ValuePath::Whole },
        stale_after: Span::secs(15),
        stuck_after: None,
        sender_stores: false,
        reports: Reports::Steadily,
    }];
    lamp.detectors =
        vec![DetectorUse { signals: vec![Some(SignalIx(0))], ..machine("Mill").detectors[0].clone() }];
    lamp
}

pub(super) fn workshop(mut machines: Vec<Machine>) -> Plan {
    machines.sort_by(|one, other| one.name.cmp(&other.name));
    let mut plan = plan();
    let all: Vec<MachineIx> = (0..machines.len()).map(MachineIx).collect();
    plan.inputs.iter_mut().for_each(|input| input.machines.clone_from(&all));
    plan.machines = machines;
    plan
}

/// All machines of the shop, as a group.
pub(super) fn everything(plan: &mut Plan) {
    let machines = (0..plan.machines.len()).map(MachineIx).collect();
    plan.groups = vec![Group { name: name("everything"), title: "Everything".to_owned(), machines }];
}

impl Rig {
    /// All of them on and at rest.
    pub(super) fn new(plan: Plan) -> Rig {
        let now = Now { moment: Moment(100_000), wall: WallTime(1_000_000_000_000) };
        let engine = Engine::new(Arc::new(plan), &Former::default(), now);
        let mut rig = Rig {
            engine,
            now,
            shown: HashMap::new(),
            unanswered: Vec::new(),
            answering: false,
            said: HashMap::new(),
            detectors_answer: true,
            outlets_obey: true,
            deaf: BTreeSet::new(),
            clears_in: None,
            effects: Vec::new(),
        };
        let mut effects = Vec::new();
        rig.engine.start(now, &mut effects);
        rig.carry_out(effects);
        rig.event(Event::Link(LinkState::Up));
        for machine in rig.machines() {
            rig.says(&format!("outlets/{machine}/says"), "on");
        }
        rig
    }

    pub(super) fn machines(&self) -> Vec<String> {
        self.engine.plan().machines.iter().map(|machine| machine.name.to_string()).collect()
    }

    pub(super) fn event(&mut self, event: Event) {
        let mut effects = Vec::new();
        self.engine.handle(self.now, event, &mut effects);
        self.carry_out(effects);
    }

    pub(super) fn says(&mut self, topic: &str, payload: &str) {
        self.said.insert(topic.to_owned(), payload.to_owned());
        self.event(Event::Message(World::message(topic, payload)));
    }

    pub(super) fn reads(&mut self, machine: &str, watts: f64) {
        self.says(&format!("meters/{machine}"), &watts.to_string());
    }

    pub(super) fn asks(&mut self, machine: &str, request: RequestKind) {
        let request = format!(r#"{{"machine":"{machine}","request":"{}"}}"#, request.word());
        self.says("idlegate/request/console", &request);
    }

    pub(super) fn asks_group(&mut self, group: &str, request: RequestKind) {
        let request = format!(r#"{{"group":"{group}","request":"{}"}}"#, request.word());
        self.says("idlegate/request/console", &request);
    }

    fn obeys(&self, order: &Order) -> bool {
        self.outlets_obey && !order.shadow && !self.deaf.contains(order.machine.as_str())
    }

    pub(super) fn adopt(&mut self, plan: Plan) {
        self.adopt_with(plan, &BTreeSet::new());
    }

    pub(super) fn adopt_with(&mut self, plan: Plan, replaced: &BTreeSet<ModuleSource>) {
        let mut effects = Vec::new();
        self.engine.adopt(Arc::new(plan), replaced, self.now, &mut effects);
        self.carry_out(effects);
    }

    pub(super) fn carry_out(&mut self, effects: Vec<Effect>) {
        let mut said = Vec::new();
        for effect in effects {
            match &effect {
                Effect::Remove(id) => drop(self.shown.remove(id)),
                Effect::Feed(feed) => {
                    if let Some((_, reading)) = feed.readings.last() {
                        self.shown.insert(feed.id.clone(), reading.value.clone());
                    }
                    self.unanswered.push(feed.clone());
                }
                Effect::Order(order) if self.obeys(order) => {
                    said.push((format!("outlets/{}/says", order.machine), order.switch.word()));
                }
                _ => {}
            }
            self.effects.push((self.now.moment, effect));
        }
        said.into_iter().for_each(|(topic, word)| self.says(&topic, word));
        if self.detectors_answer {
            self.let_detectors_answer();
        }
    }

    pub(super) fn let_detectors_answer(&mut self) {
        // One after the other, however many are asked by an answer.
        if std::mem::replace(&mut self.answering, true) {
            return;
        }
        while !self.unanswered.is_empty() {
            let feed = self.unanswered.remove(0);
            let verdict = self.verdict(&feed);
            let reason = format!("{verdict:?}").into();
            let clears_in = self.clears_in.filter(|_| verdict == Verdict::Busy);
            let assessment = Assessment { verdict, reason, evidence: Vec::new(), clears_in };
            self.event(Event::Assessed(Assessed {
                machine: feed.id.machine.clone(),
                detector: feed.id.detector,
                generation: feed.generation,
                feed: feed.feed,
                at: self.now.moment,
                outcome: Ok(assessment),
            }));
        }
        self.answering = false;
    }

    /// One that is called "random" says anything.
    fn verdict(&self, feed: &Feed) -> Verdict {
        let (_, machine) = self.engine.plan().machine(feed.id.machine.as_str()).unwrap();
        if machine.detectors[feed.id.detector].name.as_str() == "random" {
            let drawn = (feed.feed * 7_919 + self.now.moment.0 / 1_000 * 104_729) % 3;
            return [Verdict::Busy, Verdict::Idle, Verdict::Unknown][usize::try_from(drawn).unwrap()];
        }
        match self.shown.get(&feed.id) {
            Some(Value::Number(watts)) if *watts > WORK_WATTS => Verdict::Busy,
            Some(Value::Number(_)) => Verdict::Idle,
            Some(Value::Text(word)) if **word == *"busy" => Verdict::Busy,
            Some(Value::Text(word)) if **word == *"idle" || **word == *"off" => Verdict::Idle,
            Some(Value::Text(_)) | None => Verdict::Unknown,
        }
    }

    pub(super) fn wait(&mut self, span: Span) {
        let end = self.now.moment + span;
        while let Some(due) = self.engine.deadline().filter(|due| *due <= end) {
            self.pass_to(due);
            self.event(Event::Tick);
        }
        self.pass_to(end);
    }

    fn pass_to(&mut self, moment: Moment) {
        let passed = moment.since(self.now.moment);
        self.now.moment = self.now.moment.max(moment);
        self.now.wall.0 += i64::try_from(passed.0).unwrap();
    }

    /// Time passes while these draw so much, and their meters say so every five seconds.
    pub(super) fn draw(&mut self, draws: &[(&str, f64)], span: Span) {
        let end = self.now.moment + span;
        while self.now.moment < end {
            draws.iter().for_each(|(machine, watts)| self.reads(machine, *watts));
            self.wait(Span::secs(5).min(end.since(self.now.moment)));
        }
    }

    pub(super) fn decisions(&self) -> impl Iterator<Item = &Decided> {
        self.effects.iter().filter_map(|(_, effect)| match effect {
            Effect::Decided(decided) => Some(&**decided),
            _ => None,
        })
    }

    /// The last decision, as people hear it.
    pub(super) fn decision(&self) -> String {
        idlegate_messages::effects::sentences::decision(self.decisions().last().unwrap())
    }

    pub(super) fn orders(&self, machine: &str) -> Vec<(Moment, Switch, Cause)> {
        let orders = self.effects.iter().filter_map(|(at, effect)| match effect {
            Effect::Order(order) if order.machine.as_str() == machine => {
                Some((*at, order.switch, order.cause))
            }
            _ => None,
        });
        orders.collect()
    }

    pub(super) fn is_off(&self, machine: &str) -> bool {
        self.orders(machine).last().is_some_and(|(_, switch, _)| *switch == Switch::Off)
    }

    pub(super) fn warned(&self) -> Vec<(Moment, &Warned)> {
        let told = self.effects.iter().filter_map(|(at, effect)| match effect {
            Effect::Warned(told) => Some((*at, told)),
            _ => None,
        });
        told.collect()
    }
}
