//! The real engine, detector and journal, in the workshop's time.

use std::path::Path;
use std::sync::Arc;

use bytes::Bytes;
use idlegate_detectors::{Execution, Inline, Modules};
use idlegate_engine::{Effect, Engine};
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_journal::RecordKind;
use idlegate_messages::effects::{messages, sentences};
use idlegate_messages::{Start, json};
use idlegate_plan::SharedPlan;
use idlegate_plan::event::{Event, LinkState, Message};
use idlegate_rules::{Folder, Surroundings, SystemSecrets, compile};

use crate::journalling::{self, Journalling};

/// In the workshop's milliseconds.
pub(super) const BEGAN: u64 = 3_600_000;
/// 2026-11-01 in the morning.
const WALL: i64 = 1_793_520_000_000;

const SHOP: &str = r#"
title = "Workshop"
[broker]
host = "127.0.0.1"
port = 1883
[guard]
shadow = true
"#;

const PRINTER: &str = r#"
title = "Filament printer"
[outlet]
power = "power"
[outlet.state]
topic = "outlets/printer/says"
on = "closed"
off = "open"
[outlet.order]
topic = "outlets/printer/order"
on = "close"
off = "open"
[signals.power]
topic = "meters/printer"
unit = "W"
stale_after = "150s"
[[detectors]]
use = "power-threshold"
settings = { busy_watts = 40, quiet_watts = 35, dwell = "3 min" }
"#;

const INPUTS: &str = r#"
[inputs.bench-button]
topic = "buttons/bench"
machines = ["printer"]
may_force = true
[inputs.bench-button.gestures]
press = "flip"
[inputs.panel]
topic = "panels/door"
machines = ["printer"]
[inputs.panel.gestures]
tap = "off"
[inputs.night]
topic = "clock/night"
machines = ["printer"]
when_busy = "defer"
[inputs.night.gestures]
bell = "off"
"#;

pub(super) fn now(at: u64) -> Now {
    Now { moment: Moment(at), wall: WallTime(WALL + i64::try_from(at).unwrap()) }
}

pub(super) struct Rules {
    plan: SharedPlan,
    modules: Modules,
}

impl Rules {
    pub(super) fn new() -> Rules {
        let modules = Modules::new(Execution::Automatic, None).unwrap();
        let texts = [("shop.toml", SHOP), ("inputs.toml", INPUTS), ("machines/printer.toml", PRINTER)];
        let folder = Folder::from_texts(Path::new("workshop"), texts);
        let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::SERVICE };
        let compiled = compile(&folder, &around);
        let compiled = compiled.unwrap_or_else(|problems| {
            panic!("{}", problems.iter().map(idlegate_rules::Problem::render).collect::<String>())
        });
        Rules { plan: Arc::new(compiled.plan), modules }
    }
}

pub(super) struct Guarding<'a> {
    rules: &'a Rules,
    engine: Engine,
    inline: Inline,
    journalling: Journalling,
    effects: Vec<Effect>,
}

impl<'a> Guarding<'a> {
    pub(super) fn start(dir: &Path, rules: &'a Rules, at: u64) -> Guarding<'a> {
        let (journalling, restored) =
            Journalling::start(Some(dir), Span::secs(30 * 86_400), Arc::new(|_| ()));
        assert!(restored.doubt.is_none());
        let engine = Engine::new(rules.plan.clone(), &journalling::former(&restored), now(at));
        let mut guarding =
            Guarding { rules, engine, inline: Inline::new(), journalling, effects: Vec::new() };
        let body = json(&Start { rules: rules.plan.digest.clone() });
        guarding.journalling.record_service(RecordKind::Start, now(at), body);
        guarding.engine.start(now(at), &mut guarding.effects);
        guarding.carry_out(at);
        guarding.event(at, Event::Link(LinkState::Up));
        guarding
    }

    /// A message, after everything that was due before it.
    pub(super) fn hears(&mut self, at: u64, (topic, payload): &(&str, String), retained: bool) {
        self.wait_until(at);
        self.event(
            at,
            Event::Message(Message {
                topic: (*topic).into(),
                payload: Bytes::copy_from_slice(payload.as_bytes()),
                retained,
                proved: true,
                ours: false,
                age: Span::ZERO,
                response_topic: None,
                correlation: None,
            }),
        );
    }

    pub(super) fn stop(mut self, at: u64) {
        self.wait_until(at);
        self.engine.stop(now(at), &mut self.effects);
        self.carry_out(at);
        self.journalling.record_service(RecordKind::Stop, now(at), serde_json::json!({}));
        self.journalling.close();
    }

    fn wait_until(&mut self, at: u64) {
        while let Some(due) = self.engine.deadline().filter(|due| due.0 <= at) {
            self.event(due.0, Event::Tick);
        }
    }

    fn event(&mut self, at: u64, event: Event) {
        self.engine.handle(now(at), event, &mut self.effects);
        self.carry_out(at);
    }

    fn carry_out(&mut self, at: u64) {
        let mut answers = Vec::new();
        while !self.effects.is_empty() || !answers.is_empty() {
            for effect in std::mem::take(&mut self.effects) {
                match effect {
                    Effect::Install(install) => {
                        let installation = self.rules.modules.installation(&install).unwrap();
                        self.inline.install(install.id, install.generation, installation);
                    }
                    Effect::Remove(id) => self.inline.remove(&id),
                    Effect::Feed(feed) => answers.extend(self.inline.feed(feed)),
                    effect => self.write_down(at, effect),
                }
            }
            for assessed in std::mem::take(&mut answers) {
                self.engine.handle(now(at), Event::Assessed(assessed), &mut self.effects);
            }
        }
        self.journalling.flush(now(at).moment);
    }

    /// As the service does.
    fn write_down(&mut self, at: u64, effect: Effect) {
        let own = std::collections::BTreeMap::new();
        match effect {
            Effect::Decided(decided) => {
                assert!(decided.shadow);
                drop(self.journalling.decision(&decided, &messages::decision(&decided)));
            }
            Effect::Order(order) => {
                assert!(order.shadow, "nothing is sent");
                self.journalling.order(now(at), &order, Some("shadow mode: not sent"));
            }
            Effect::Announce(announced) => {
                let sentence = sentences::announcement(&announced, &own);
                let message = messages::announcement(&announced, &sentence);
                self.journalling.announcement(&announced, &message);
            }
            Effect::Incident(told) => {
                let message = messages::incident(&told, false, &sentences::incident(&told, false, &own));
                self.journalling.incident(&told, false, &message);
            }
            Effect::Noted(noted) => self.journalling.noted(&noted),
            Effect::Keep(kept) => self.journalling.keep(kept),
            _ => {}
        }
    }
}
