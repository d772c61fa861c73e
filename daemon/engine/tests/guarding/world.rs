//! A workshop of one mill with one power detector, whose word the test gives.

use std::sync::Arc;

use bytes::Bytes;

use idlegate_engine::{Decided, Effect, Engine, Former};
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_guard::{Cause, Decision, Policy, RequestKind, Rights, Switch, WhenBusy};
use idlegate_plan::answered::AnsweredId;
use idlegate_plan::event::{
    Assessed, Assessment, DetectorFault, Event, Feed, LinkState, Message, Name, Reading, Value, Verdict,
};
use idlegate_plan::*;

pub(super) struct World {
    pub(super) engine: Engine,
    pub(super) now: Now,
    feeds: Vec<Feed>,
    /// The newest feed the detector has answered.
    answered: u64,
    /// Of each detector of the mill, in order.
    generations: Vec<u64>,
    pub(super) effects: Vec<Effect>,
}

pub(super) fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

/// Just before the world begins.
pub(super) fn answered(input: &str, id: &str) -> AnsweredId {
    AnsweredId { input: name(input), id: id.into(), at: BEGIN.wall }
}

const BEGIN: Now = Now { moment: Moment(100_000), wall: WallTime(1_000_000_000_000) };

fn source(filter: &str) -> Source {
    Source { filter: filter.into(), path: ValuePath::Whole }
}

fn gesture(word: &str, request: RequestKind) -> Gesture {
    Gesture { name: name(word), words: vec![word.into()], request }
}

fn input(title: &str, source: InputSource, gestures: Vec<Gesture>, rights: Rights) -> Input {
    Input {
        name: name(title),
        title: title.into(),
        source,
        machines: vec![MachineIx(0)],
        requests: None,
        hours: None,
        gestures,
        rights,
        sender_stores: false,
        who: None,
        confirm: None,
        answers: Vec::new(),
        silent_max: None,
        battery: None,
    }
}

pub(super) fn plan() -> Plan {
    let mill = Machine {
        name: name("mill"),
        title: "Mill".into(),
        outlet: Outlet {
            state: Some(StateTopic {
                source: source("outlets/mill/says"),
                on: "on".into(),
                off: "off".into(),
            }),
            order: Some(OrderTopic {
                topic: "outlets/mill/order".into(),
                on: "on".into(),
                off: "off".into(),
                expiry: Span::secs(2),
            }),
            refresh: None,
            reach: Some(StateTopic {
                source: source("outlets/mill/reach"),
                on: "yes".into(),
                off: "no".into(),
            }),
            power_signal: Some(SignalIx(0)),
            energy: None,
            residual_watts: 5.0,
        },
        signals: vec![Signal {
            name: name("power"),
            source: source("meters/mill"),
            kind: SignalKind::Number(NumberSignal {
                unit: "W".into(),
                scale: 1.0,
                offset: 0.0,
                plausible: (-5.0, 4_000.0),
                ..NumberSignal::default()
            }),
            stale_after: Span::secs(30),
            stuck_after: None,
            sender_stores: false,
            reports: Reports::Steadily,
        }],
        detectors: vec![DetectorUse {
            name: name("power-threshold"),
            module: ModuleSource::BuiltIn(name("power-threshold")),
            settings: serde_json::json!({}),
            signals: vec![Some(SignalIx(0))],
            needed: vec![true],
            role: Role::Hold,
            stage: Stage::Work,
        }],
        policy: Policy::default(),
        speak_in_shadow: false,
        learning: Learning::default(),
        interlocks: Interlocks::default(),
        services: Vec::new(),
        drill_every: None,
        jobs: JobRules::UNLESS_SET,
        hazardous: false,
        circuit: None,
        site: None,
    };
    let button = Rights { may_force: true, ..Rights::PLAIN };
    let by_topic = |filter: &str, event_id: Option<&str>| InputSource::Topic {
        source: Source {
            filter: filter.into(),
            path: match event_id {
                Some(_) => ValuePath::JsonPointer("/button".into()),
                None => ValuePath::Whole,
            },
        },
        event_id: event_id
            .map(|pointer| EventId { path: ValuePath::JsonPointer(pointer.into()), counter: false }),
        named: None,
    };
    Plan {
        shop: Shop {
            title: "Test shop".into(),
            prefix: "idlegate".into(),
            broker: Broker {
                host: "127.0.0.1".into(),
                port: 1883,
                client_id: "idlegate".into(),
                login: None,
                probe: None,
                emergency_login: None,
                tls: None,
                keep_alive: Span::secs(5),
            },
            sentences: std::collections::BTreeMap::new(),
            state_dir: None,
            keep_names: Span::secs(30 * 86_400),
            keep_readings: None,
            circuits: Vec::new(),
            zone: jiff::tz::TimeZone::UTC,
            tariff: None,
            monitoring: None,
            sites: Vec::new(),
            site: None,
            elsewhere: std::collections::BTreeSet::new(),
            topics_elsewhere: Vec::new(),
            detector_memory_bytes: idlegate_plan::DETECTOR_MEMORY_BYTES,
            machines_elsewhere: std::collections::BTreeSet::new(),
            hand_over: None,
            blind: BlindLimits::UNLESS_SET,
        },
        machines: vec![mill],
        groups: Vec::new(),
        inputs: vec![
            input(
                "button",
                by_topic("buttons/mill", None),
                vec![gesture("press", RequestKind::Flip), gesture("long-press", RequestKind::ForceOff)],
                button,
            ),
            input("console", InputSource::RequestTopic, vec![], button),
            input(
                "counting-button",
                by_topic("buttons/counting", Some("/nr")),
                vec![gesture("press", RequestKind::Off)],
                button,
            ),
            input(
                "night",
                by_topic("clock/night", None),
                vec![gesture("bell", RequestKind::Off)],
                Rights { when_busy: WhenBusy::Defer, ..Rights::PLAIN },
            ),
            input(
                "red-button",
                by_topic("contacts/red", None),
                vec![gesture("open", RequestKind::EmergencyOff)],
                Rights { emergency: true, ..Rights::PLAIN },
            ),
        ],
        digest: "digest".into(),
    }
}

/// Of one that was put together in any order.
pub(super) fn in_order(mut plan: Plan) -> Plan {
    let names: Vec<Name> = plan.machines.iter().map(|machine| machine.name.clone()).collect();
    plan.machines.sort_by(|one, other| one.name.cmp(&other.name));
    plan.inputs.sort_by(|one, other| one.name.cmp(&other.name));
    let (mut inputs, mut groups) = (std::mem::take(&mut plan.inputs), std::mem::take(&mut plan.groups));
    let moved = |machine: &mut MachineIx| *machine = plan.machine(names[machine.0].as_str()).unwrap().0;
    for input in &mut inputs {
        input.machines.iter_mut().for_each(moved);
        input.machines.sort_unstable();
        if let InputSource::Topic { named: Some(named), .. } = &mut input.source {
            named.words.iter_mut().for_each(|(_, machine)| moved(machine));
        }
    }
    groups.iter_mut().flat_map(|group| &mut group.machines).for_each(moved);
    groups.sort_by(|one, other| one.name.cmp(&other.name));
    Plan { groups, inputs, ..plan }
}

impl World {
    pub(super) fn new() -> World {
        World::after(&Former::default())
    }

    pub(super) fn after(former: &Former) -> World {
        World::under(plan(), former)
    }

    /// A workshop by other rules.
    pub(super) fn of(plan: Plan) -> World {
        World::under(plan, &Former::default())
    }

    pub(super) fn under(plan: Plan, former: &Former) -> World {
        let now = BEGIN;
        let mut engine = Engine::new(Arc::new(in_order(plan)), former, now);
        let mut effects = Vec::new();
        engine.start(now, &mut effects);
        let generations = effects.iter().filter_map(|effect| match effect {
            Effect::Install(install) if install.id.machine.as_str() == "mill" => Some(install.generation),
            _ => None,
        });
        let generations = generations.collect();
        let mut world =
            World { engine, now, feeds: Vec::new(), answered: 0, generations, effects: Vec::new() };
        world.event(Event::Link(LinkState::Up));
        world
    }

    pub(super) fn event(&mut self, event: Event) {
        self.effects.clear();
        self.engine.handle(self.now, event, &mut self.effects);
        self.carry_to_detectors();
    }

    fn carry_to_detectors(&mut self) {
        for effect in &self.effects {
            match effect {
                Effect::Install(install) if install.id.machine.as_str() == "mill" => {
                    self.generations[install.id.detector.0] = install.generation;
                    if install.id.detector == DetectorIx(0) {
                        self.answered = 0;
                        self.feeds.clear();
                    }
                }
                Effect::Feed(feed)
                    if feed.id.machine.as_str() == "mill" && feed.id.detector == DetectorIx(0) =>
                {
                    self.feeds.push(feed.clone());
                }
                _ => {}
            }
        }
    }

    /// The rules have changed.
    pub(super) fn adopt(&mut self, plan: Plan) {
        self.adopt_with(plan, &std::collections::BTreeSet::new());
    }

    pub(super) fn adopt_with(&mut self, plan: Plan, replaced: &std::collections::BTreeSet<ModuleSource>) {
        self.effects.clear();
        self.engine.adopt(Arc::new(in_order(plan)), replaced, self.now, &mut self.effects);
        self.carry_to_detectors();
    }

    pub(super) fn installs(&self) -> usize {
        self.effects.iter().filter(|effect| matches!(effect, Effect::Install(_))).count()
    }

    pub(super) fn wait(&mut self, span: Span) {
        let end = self.now.moment + span;
        let mut seen = Vec::new();
        while let Some(due) = self.engine.deadline().filter(|due| *due <= end) {
            self.now.moment = due.max(self.now.moment);
            self.event(Event::Tick);
            seen.append(&mut self.effects);
        }
        self.now.moment = end;
        self.effects = seen;
    }

    pub(super) fn message(topic: &str, payload: &str) -> Message {
        Message {
            topic: topic.into(),
            payload: Bytes::copy_from_slice(payload.as_bytes()),
            retained: false,
            proved: true,
            ours: false,
            age: Span(20),
            response_topic: None,
            correlation: None,
        }
    }

    pub(super) fn says(&mut self, topic: &str, payload: &str) {
        self.event(Event::Message(World::message(topic, payload)));
    }

    /// The detector looks at everything it was shown, and says this.
    pub(super) fn detector_says(&mut self, verdict: Verdict) {
        let latest =
            self.feeds.iter().rev().find_map(|feed| feed.readings.last()).map(|(_, reading)| reading.clone());
        let evidence = latest.into_iter().map(|reading| (name("power"), reading)).collect();
        self.detector_answers(Ok(Assessment {
            verdict,
            reason: format!("{verdict:?}").into(),
            evidence,
            clears_in: None,
        }));
    }

    /// The second detector of the mill says this, whatever it was shown.
    pub(super) fn other_detector_answers(&mut self, assessment: Assessment) {
        let assessed = Assessed {
            machine: name("mill"),
            detector: DetectorIx(1),
            generation: self.generations[1],
            feed: u64::MAX,
            at: self.now.moment,
            outcome: Ok(assessment),
        };
        self.event(Event::Assessed(assessed));
    }

    pub(super) fn detector_answers(&mut self, outcome: Result<Assessment, DetectorFault>) {
        self.answered = self.feeds.drain(..).next_back().map_or(self.answered, |feed| feed.feed);
        let feed = self.answered;
        let assessed = Assessed {
            machine: name("mill"),
            detector: DetectorIx(0),
            generation: self.generations[0],
            feed,
            at: self.now.moment,
            outcome,
        };
        self.event(Event::Assessed(assessed));
    }

    /// A mill that is on, and whose detector has looked at its draw.
    pub(super) fn on_and(verdict: Verdict) -> World {
        let mut world = World::new();
        world.says("outlets/mill/says", "on");
        world.reads(verdict);
        world.wait(Span::secs(5));
        world.reads(verdict);
        world
    }

    pub(super) fn reads(&mut self, verdict: Verdict) {
        self.says("meters/mill", if verdict == Verdict::Busy { "800" } else { "12" });
        self.detector_says(verdict);
    }

    /// What the detector was shown and has not answered.
    pub(super) fn shown(&self) -> Vec<Reading> {
        self.feeds.iter().flat_map(|feed| feed.readings.iter().map(|(_, reading)| reading.clone())).collect()
    }

    pub(super) fn generation_of(&self, detector: usize) -> u64 {
        self.generations[detector]
    }

    pub(super) fn decisions(&self) -> Vec<&Decided> {
        let decided = self.effects.iter().filter_map(|effect| match effect {
            Effect::Decided(decided) => Some(&**decided),
            _ => None,
        });
        decided.collect()
    }

    /// The one decision of the last event, as words.
    pub(super) fn decision(&self) -> (Decision, &'static str) {
        let decisions = self.decisions();
        assert_eq!(decisions.len(), 1, "exactly one decision: {decisions:?}");
        (decisions[0].decision, decisions[0].why.word())
    }

    pub(super) fn orders(&self) -> Vec<(Switch, Cause)> {
        let orders = self.effects.iter().filter_map(|effect| match effect {
            Effect::Order(order) => Some((order.switch, order.cause)),
            _ => None,
        });
        orders.collect()
    }

    pub(super) fn announcements(&self) -> Vec<&'static str> {
        let told = self.effects.iter().filter_map(|effect| match effect {
            Effect::Announce(announced) => Some(announced.what.word()),
            Effect::Incident(told) => Some(told.kind.word()),
            _ => None,
        });
        told.collect()
    }

    pub(super) fn reading(&self, number: f64) -> Reading {
        Reading { at: self.now.moment, value: Value::Number(number) }
    }
}
