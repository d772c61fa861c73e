//! The whole story against the real engine, real detectors and the real rules, without a broker and without a clock: a
//! minute of demo in a moment of test, and every time the same. Every message in it is as the AsyncAPI document says.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use bytes::Bytes;
use serde_json::Value as Json;

use super::birch_lane::story;
use super::scene::Doing;
use super::{Outcome, Page, Teller, teller::Telling};
use crate::workshop::Workshop;
use crate::workshop::birch_lane::{DIALECTS, PACE, workshop};
use crate::workshop::face::View;
use crate::workshop::speech::{obey, speak};
use idlegate_detectors::{Execution, Inline, Modules};
use idlegate_engine::{Effect, Engine, Former};
use idlegate_guard::Switch;
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_messages::effects::{messages, messages::Topics, sentences};
use idlegate_plan::event::{Event, LinkState, Message};
use idlegate_plan::{Plan, SharedPlan};
use idlegate_rules::{Surroundings, SystemSecrets, compile, load};

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
    document: Document,
}

/// By the name of each message: whether a payload is as the AsyncAPI document describes it.
struct Document(BTreeMap<String, jsonschema::Validator>);

impl Document {
    fn read() -> Document {
        let document: Json = serde_json::from_str(include_str!("../../../asyncapi.json")).unwrap();
        let messages = document["components"]["messages"].as_object().unwrap();
        let validator =
            |payload| jsonschema::draft7::options().should_validate_formats(true).build(payload).unwrap();
        let validators =
            messages.iter().map(|(name, message)| (name.clone(), validator(&message["payload"])));
        Document(validators.collect())
    }

    fn describes(&self, name: &str, payload: &Json) -> bool {
        self.0[name].is_valid(payload)
    }

    fn assert_describes(&self, name: &str, payload: &str) {
        let payload: Json = serde_json::from_str(payload).unwrap();
        let faults: Vec<_> = self.0[name]
            .iter_errors(&payload)
            .map(|fault| format!("{}: {fault}", fault.instance_path()))
            .collect();
        assert!(faults.is_empty(), "{name}: {faults:?} in {payload:#}");
    }
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
            document: Document::read(),
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
                    Telling::Line(line) => self.lines.push(line),
                    Telling::Do(doing) => self.act(&doing),
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
            ours: false,
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
                    let rules =
                        self.plan.machine(order.machine.as_str()).unwrap().1.outlet.order.as_ref().unwrap();
                    let payload = if order.switch == Switch::On { &rules.on } else { &rules.off };
                    obey(&mut self.workshop, &DIALECTS, &rules.topic, payload.as_bytes());
                }
                Effect::Feed(feed) => {
                    if let Some(assessed) = self.detectors.feed(feed) {
                        self.tell_engine(Event::Assessed(assessed));
                    }
                }
                Effect::Install(install) => {
                    let installation = self.modules.installation(&install).unwrap();
                    self.detectors.install(install.id, install.generation, installation);
                }
                Effect::Remove(id) => self.detectors.remove(&id),
                Effect::Decided(decided) => self.hear(&topics.decision(), &messages::decision(&decided)),
                Effect::Announce(announced) => {
                    let sentence = sentences::announcement(&announced, &own);
                    self.hear(&topics.announcement(), &messages::announcement(&announced, &sentence));
                }
                Effect::Incident(told) => {
                    let sentence = sentences::incident(&told, false, &own);
                    self.hear(&topics.incident(), &messages::incident(&told, false, &sentence));
                }
                Effect::IncidentOver(told) => {
                    let sentence = sentences::incident(&told, true, &own);
                    self.hear(&topics.incident(), &messages::incident(&told, true, &sentence));
                }
                Effect::Status { machine } => {
                    let (machine, _) = self.plan.machine(machine.as_str()).unwrap();
                    let status = self.engine.status(self.now.moment, machine);
                    let topic = topics.machine(status.machine.as_str());
                    self.hear(&topic, &messages::machine_status(&status, self.now));
                }
                Effect::Rejected(rejected) => panic!("a message was not used: {rejected:?}"),
                Effect::Refresh { .. }
                | Effect::Keep(_)
                | Effect::AnswerWithheld(_)
                | Effect::GroupAnswered(_)
                | Effect::NotUnderstood(_)
                | Effect::Noted(_)
                | Effect::JobEnded(_)
                | Effect::ContactUnclear(_)
                | Effect::OutletsLost(_)
                | Effect::ForeignOrder(_)
                | Effect::DetectorStopped(_)
                | Effect::Warned(_)
                | Effect::ServiceDue(_)
                | Effect::ShopIncident(_)
                | Effect::Blind(_) => {}
            }
        }
    }

    fn hear(&mut self, topic: &str, message: &impl serde::Serialize) {
        let payload = idlegate_messages::text(message);
        let name = topic.split('/').nth(1).unwrap();
        self.document.assert_describes(name, &payload);
        self.teller.hear(topic, payload.as_bytes());
    }
}

fn rehearse(seed: u64) -> (Option<Outcome>, String) {
    let modules = Modules::new(Execution::Automatic, None).unwrap();
    let folder = load(&Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples/workshop"));
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

#[test]
fn a_message_that_is_not_as_described_is_found_out() {
    let document = Document::read();
    let told: Json = serde_json::json!({
        "at": "2026-11-25T02:31:49.120Z", "clears_in_s": null, "input": null, "kind": "forced", "machine": "mill",
        "machines": ["mill"], "over": false, "sentence": "Mill.", "urgent": false, "window_s": null,
    });
    assert!(document.describes("announcement", &told));
    assert!(!document.describes("incident", &told), "a kind that is only announced");
    for (member, wrong) in
        [("at", "noon".into()), ("urgent", Json::Null), ("more", 1.into()), ("machine", "the mill".into())]
    {
        let mut spoilt = told.clone();
        spoilt[member] = wrong;
        assert!(!document.describes("announcement", &spoilt), "{member}");
    }
}
