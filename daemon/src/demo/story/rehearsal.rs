//! The whole story against the real engine, real detectors and the real rules, without a broker and without a
//! clock: a minute of demo in a moment of test, and every time the same.

use std::path::Path;
use std::sync::Arc;

use bytes::Bytes;
use serde_json::Value as Json;

use super::birch_lane::story;
use super::scene::Doing;
use super::{Outcome, Page, Teller, teller::Told};
use crate::demo::workshop::Workshop;
use crate::demo::workshop::birch_lane::{DIALECTS, PACE, workshop};
use crate::demo::workshop::face::View;
use crate::demo::workshop::speech::{obey, speak};
use crate::detectors::{self, Execution, Inline, Installation, Place};
use crate::effects::{messages, messages::Topics, sentences};
use crate::engine::{Effect, Engine, Former, Install};
use crate::event::{Event, LinkState, Message};
use crate::guard::Switch;
use crate::plan::{Plan, SharedPlan};
use crate::rules::{Surroundings, SystemSecrets, compile, load};
use crate::service::Modules;
use crate::time::{Moment, Now, Span};

const STEP: Span = Span(20);
/// What the demo promises.
const STORY_MAX: Span = Span::secs(40);

struct Stage {
    plan: SharedPlan,
    modules: Modules,
    engine: Engine,
    detectors: Inline,
    workshop: Workshop,
    teller: Teller,
    now: Now,
    lines: Vec<String>,
}

impl Stage {
    fn new(plan: Plan, modules: Modules, seed: u64) -> Stage {
        let plan = Arc::new(plan);
        let now = Now { moment: Moment(1_000_000), ..Now::default() };
        let mut stage = Stage {
            engine: Engine::new(plan.clone(), &Former::default(), now),
            plan,
            modules,
            detectors: Inline::new(),
            workshop: workshop(seed),
            teller: Teller::new(story(), Page::PLAIN, now.moment),
            now,
            lines: Vec::new(),
        };
        let mut effects = Vec::new();
        stage.engine.start(now, &mut effects);
        stage.carry_out(effects);
        stage.tell_engine(Event::Link(LinkState::Up));
        stage
    }

    fn play(&mut self) -> Option<Outcome> {
        let begun = self.now.moment;
        while self.teller.outcome().is_none() && self.now.moment.since(begun) < STORY_MAX {
            self.now.moment = self.now.moment + STEP;
            let model_time = Moment(self.now.moment.since(begun).0 * u64::from(PACE));
            for saying in self.workshop.advance(model_time) {
                let spoken = speak(&self.workshop, &DIALECTS, &saying);
                self.send(&spoken.topic, &spoken.payload, false);
            }
            while self.engine.deadline().is_some_and(|deadline| deadline <= self.now.moment) {
                self.tell_engine(Event::Tick);
            }
            for told in self.teller.proceed(self.now.moment, &View::all(&self.workshop)) {
                match told {
                    Told::Line(line) => self.lines.push(line),
                    Told::Do(doing) => self.act(&doing),
                }
            }
        }
        self.teller.outcome()
    }

    fn act(&mut self, doing: &Doing) {
        let model_time = self.workshop.now();
        match doing {
            Doing::Send { topic, payload } => self.send(topic, payload, false),
            Doing::StartJob { machine, lasts } => {
                let station = self.workshop.station_mut(machine).unwrap();
                assert!(station.start_job(*lasts, model_time), "{machine} was not ready for a job");
            }
            Doing::PressOwnButton { machine } => {
                self.workshop.station_mut(machine).unwrap().outlet.press_own_button(model_time);
            }
        }
    }

    fn send(&mut self, topic: &str, payload: &str, retained: bool) {
        self.tell_engine(Event::Message(Message {
            topic: topic.into(),
            payload: Bytes::copy_from_slice(payload.as_bytes()),
            retained,
            proved: !retained,
            age: Span::ZERO,
            response_topic: None,
            correlation: None,
        }));
    }

    fn tell_engine(&mut self, event: Event) {
        let mut effects = Vec::new();
        self.engine.handle(self.now, event, &mut effects);
        self.carry_out(effects);
    }

    fn carry_out(&mut self, effects: Vec<Effect>) {
        let topics = Topics::new(&self.plan.shop.prefix);
        let own = self.plan.shop.sentences.clone();
        for effect in effects {
            match effect {
                Effect::Order(order) => {
                    let rules = &self.plan.machines[order.machine].outlet.order;
                    let payload = if order.switch == Switch::On { &rules.on } else { &rules.off };
                    obey(&mut self.workshop, &DIALECTS, &rules.topic, payload.as_bytes());
                }
                Effect::Feed(feed) => {
                    let place = Place { machine: feed.machine, detector: feed.detector };
                    let (generation, assess_at) = (feed.generation, feed.assess_at);
                    let readings = feed.readings;
                    let feed = detectors::Feed { place, generation, feed: feed.feed, readings, assess_at };
                    let assessed = self.detectors.feed(feed);
                    if let Some(assessed) = assessed {
                        self.tell_engine(Event::Assessed(assessed));
                    }
                }
                Effect::Install(install) => self.install(install),
                Effect::Remove { machine, detector } => self.detectors.remove(&Place { machine, detector }),
                Effect::Decided(decided) => self.hear(&topics.decision(), &messages::decision(&decided)),
                Effect::Announce(announced) => {
                    let sentence = sentences::announcement(&announced, &own);
                    self.hear(&topics.announcement(), &messages::announcement(&announced, &sentence));
                }
                Effect::Incident(told) => {
                    let sentence = sentences::incident(&told, false, &own);
                    self.hear(&topics.incident(), &messages::incident(&told, false, &sentence));
                }
                Effect::Status { machine } => {
                    let status = self.engine.status(self.now.moment, machine);
                    let topic = topics.machine(status.machine.as_str());
                    self.hear(&topic, &messages::machine_status(&status, self.now));
                }
                Effect::Rejected(rejected) => panic!("a message was not used: {rejected:?}"),
                Effect::Refresh { .. }
                | Effect::Keep(_)
                | Effect::IncidentOver(_)
                | Effect::NotUnderstood(_)
                | Effect::Noted(_)
                | Effect::OutletsLost(_) => {}
            }
        }
    }

    fn install(&mut self, install: Install) {
        let module = self.modules.get(&install.module).unwrap();
        let signals = install.signals.into_iter().map(Option::unwrap).collect();
        let installation = Installation { module, settings: install.settings.to_string(), signals };
        let place = Place { machine: install.machine, detector: install.detector };
        self.detectors.install(place, install.generation, installation);
    }

    fn hear(&mut self, topic: &str, message: &Json) {
        self.teller.hear(topic, message.to_string().as_bytes());
    }
}

fn rehearse(seed: u64) -> (Option<Outcome>, String) {
    let modules = Modules::new(Execution::Automatic, None).unwrap();
    let folder = load(&Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/workshop"));
    let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::CHECK };
    let compiled = compile(&folder, &around).unwrap();
    assert_eq!(compiled.warnings, [], "an example must not teach what the checker warns of");
    let mut stage = Stage::new(compiled.plan, modules, seed);
    (stage.play(), stage.lines.join("\n"))
}

#[test]
fn the_story_of_the_demo_comes_out_right_whatever_the_workshop_draws() {
    for seed in 0..8 {
        let (outcome, lines) = rehearse(seed);
        assert_eq!(outcome, Some(Outcome { right: 9, wrong: 0 }), "seed {seed}\n{lines}");
        assert!(lines.lines().all(|line| line.chars().count() <= 80), "{lines}");
    }
}

#[test]
fn the_same_seed_tells_the_same_story_word_for_word() {
    assert_eq!(rehearse(7), rehearse(7));
}
