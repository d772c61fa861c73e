//! The engine on the recording's clock.

use std::sync::Arc;

use bytes::Bytes;

use super::binding::Place;
use super::timeline::{Timeline, TimelineError};
use crate::detectors::{Feed, Inline, Installation, Place as Seat};
use crate::engine::{Decided, Effect, Engine, Former};
use crate::event::{DetectorFault, Event, LinkState, Message, Name, Value};
use crate::guard::PermissiveState;
use crate::plan::{Decimal, Plan, SharedPlan, SignalKind, ValuePath};
use crate::service::Modules;
use crate::time::{Moment, Now, Span, WallTime};

/// The recording begins here on the monotonic scale, so that what is before it has room.
const BEGIN: Moment = Moment(1_000_000_000);
/// More calls than this without time passing are a fault of the engine.
const STANDSTILL_MAX: u32 = 10_000;

/// The assessment of a machine has changed.
#[derive(Clone, Debug, PartialEq)]
pub struct Change {
    pub at: WallTime,
    pub machine: Name,
    pub state: PermissiveState,
    pub reason: String,
}

/// What is heard of while playing.
#[derive(Clone, Debug, PartialEq)]
pub enum Heard<'a> {
    Changed(&'a Change),
    Decided(&'a Decided),
    /// A reading was taken, and has been judged.
    Read(WallTime, Place, &'a Value),
    /// A detector of the machine had no answer.
    Failed(WallTime, &'a Name, &'a DetectorFault),
}

#[derive(Debug, thiserror::Error)]
pub enum Stopped {
    #[error(transparent)]
    Timeline(#[from] TimelineError),
    #[error("machine {machine}: {why}")]
    Detector { machine: Name, why: String },
    #[error(
        "the replay got stuck at {at}: the engine asks for the same moment again and again; this is a bug in Idlegate"
    )]
    Standstill { at: String },
}

/// What a replay came to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Ended {
    pub readings: u64,
    /// Left out, since they came later than newer ones.
    pub late: u64,
    pub from: WallTime,
    pub until: WallTime,
}

/// One replay.
#[derive(Debug)]
pub struct Player<'a> {
    plan: SharedPlan,
    engine: Engine,
    inline: Inline,
    modules: &'a Modules,
    timeline: Timeline,
    topics: Vec<Vec<Arc<str>>>,
    begin: WallTime,
    now: Now,
    told: Vec<Option<PermissiveState>>,
    effects: Vec<Effect>,
    ended: Ended,
}

impl<'a> Player<'a> {
    /// The rules as they are, but for the topics of signals and outlets, and that nothing is switched.
    pub fn new(plan: &Plan, modules: &'a Modules, timeline: Timeline) -> Player<'a> {
        let begin = timeline.next_at().unwrap_or_default();
        let (plan, topics) = rehearsed(plan);
        let now = Now { moment: BEGIN, wall: begin };
        let told = vec![None; plan.machines.len()];
        Player {
            engine: Engine::new(plan.clone(), &Former::default(), now),
            plan,
            inline: Inline::new(),
            modules,
            timeline,
            topics,
            begin,
            now,
            told,
            effects: Vec::new(),
            ended: Ended { from: begin, until: begin, ..Ended::default() },
        }
    }

    /// Plays all of it. `probe` is called every so often, if an interval is given, with what the guard holds then.
    pub fn play(
        mut self,
        every: Option<Span>,
        mut hear: impl FnMut(Heard<'_>),
        mut probe: impl FnMut(WallTime, usize, PermissiveState),
    ) -> Result<Ended, Stopped> {
        let mut effects = std::mem::take(&mut self.effects);
        self.engine.start(self.now, &mut effects);
        self.carry_out(&mut effects, &mut hear)?;
        self.event(Event::Link(LinkState::Up), &mut effects, &mut hear)?;
        for machine in 0..self.plan.machines.len() {
            let on = outlet_on(&self.plan, machine);
            self.event(Event::Message(on), &mut effects, &mut hear)?;
        }
        let mut next_probe = every.map(|_| BEGIN);
        let mut standstill = 0_u32;
        while let Some(wall) = self.timeline.next_at() {
            let reading = self.moment(wall);
            let engine = self.engine.deadline().unwrap_or(Moment(u64::MAX));
            let due = engine.min(next_probe.unwrap_or(Moment(u64::MAX)));
            standstill = if due.min(reading) > self.now.moment { 0 } else { standstill + 1 };
            if standstill > STANDSTILL_MAX {
                return Err(Stopped::Standstill { at: crate::text::rfc3339(self.now.wall) });
            }
            // What is asked at the time of a reading is asked after it.
            if due < reading {
                self.pass_to(due.max(self.now.moment));
                if engine <= due {
                    self.event(Event::Tick, &mut effects, &mut hear)?;
                } else {
                    next_probe = self.probe(every, &mut probe);
                }
                continue;
            }
            self.pass_to(reading.max(self.now.moment));
            if let Some((_, place, value)) = self.timeline.take(&self.plan)? {
                self.ended.readings += 1;
                let topic = self.topics[place.machine][place.signal].clone();
                self.event(Event::Message(message(topic, &value)), &mut effects, &mut hear)?;
                hear(Heard::Read(self.now.wall, place, &value));
            }
        }
        self.ended.late = self.timeline.late();
        self.ended.until = self.now.wall;
        Ok(self.ended)
    }

    fn moment(&self, wall: WallTime) -> Moment {
        BEGIN + Span(u64::try_from(wall.0.saturating_sub(self.begin.0)).unwrap_or(0))
    }

    fn pass_to(&mut self, moment: Moment) {
        let passed = i64::try_from(moment.since(BEGIN).0).unwrap_or(i64::MAX);
        self.now = Now { moment, wall: WallTime(self.begin.0.saturating_add(passed)) };
    }

    fn probe(
        &self,
        every: Option<Span>,
        probe: &mut impl FnMut(WallTime, usize, PermissiveState),
    ) -> Option<Moment> {
        for machine in 0..self.plan.machines.len() {
            probe(self.now.wall, machine, self.engine.permissive(self.now.moment, machine));
        }
        every.map(|every| self.now.moment + Span(every.0.max(1)))
    }

    fn event(
        &mut self,
        event: Event,
        effects: &mut Vec<Effect>,
        hear: &mut impl FnMut(Heard<'_>),
    ) -> Result<(), Stopped> {
        self.engine.handle(self.now, event, effects);
        self.carry_out(effects, hear)
    }

    /// Detectors answer at once: on this clock they take no time.
    fn carry_out(
        &mut self,
        effects: &mut Vec<Effect>,
        hear: &mut impl FnMut(Heard<'_>),
    ) -> Result<(), Stopped> {
        while !effects.is_empty() {
            let mut answers = Vec::new();
            for effect in effects.drain(..) {
                match effect {
                    Effect::Install(install) => {
                        let machine = install.machine.clone();
                        let module = self
                            .modules
                            .get(&install.module)
                            .map_err(|why| Stopped::Detector { machine: machine.clone(), why })?;
                        let place = Seat { machine, detector: install.detector };
                        let settings = install.settings.to_string();
                        let signals = install.signals.into_iter().flatten().collect();
                        self.inline.install(
                            place,
                            install.generation,
                            Installation { module, settings, signals },
                        );
                    }
                    Effect::Remove { machine, detector } => self.inline.remove(&Seat { machine, detector }),
                    Effect::Feed(feed) => {
                        let place = Seat { machine: feed.machine, detector: feed.detector };
                        answers.extend(self.inline.feed(Feed {
                            place,
                            generation: feed.generation,
                            feed: feed.feed,
                            readings: feed.readings,
                            assess_at: feed.assess_at,
                        }));
                    }
                    Effect::Decided(decided) => hear(Heard::Decided(&decided)),
                    Effect::Status { machine } => self.tell(machine, hear),
                    // Nothing is switched, and nobody listens.
                    Effect::Order(_)
                    | Effect::Refresh { .. }
                    | Effect::Announce(_)
                    | Effect::Incident(_)
                    | Effect::IncidentOver(_)
                    | Effect::Keep(_)
                    | Effect::Rejected(_)
                    | Effect::NotUnderstood(_)
                    | Effect::Noted(_)
                    | Effect::OutletsLost(_) => {}
                }
            }
            for assessed in answers {
                if let Err(fault) = &assessed.outcome {
                    hear(Heard::Failed(self.now.wall, &assessed.machine, fault));
                }
                self.engine.handle(self.now, Event::Assessed(assessed), effects);
            }
        }
        Ok(())
    }

    fn tell(&mut self, machine: usize, hear: &mut impl FnMut(Heard<'_>)) {
        let state = self.engine.permissive(self.now.moment, machine);
        if self.told[machine].replace(state) == Some(state) {
            return;
        }
        let reasons = self.engine.reasons(self.now.moment, machine);
        let change = Change {
            at: self.now.wall,
            machine: self.plan.machines[machine].name.clone(),
            state,
            reason: reasons.iter().map(|reason| &**reason).collect::<Vec<_>>().join("; "),
        };
        hear(Heard::Changed(&change));
    }
}

/// The plan with a topic for each signal that carries the recorded value as it is.
fn rehearsed(plan: &Plan) -> (SharedPlan, Vec<Vec<Arc<str>>>) {
    let mut plan = plan.clone();
    let mut topics = Vec::new();
    for machine in &mut plan.machines {
        machine.policy.shadow = true;
        machine.outlet.state.source.filter = format!("replay/{}", machine.name);
        machine.outlet.state.source.path = ValuePath::Whole;
        machine.outlet.reach = None;
        let mut of_machine = Vec::new();
        for signal in &mut machine.signals {
            let topic = format!("replay/{}/{}", machine.name, signal.name);
            signal.source.filter.clone_from(&topic);
            signal.source.path = ValuePath::Whole;
            if let SignalKind::Number(number) = &mut signal.kind {
                (number.scale, number.offset) = (1.0, 0.0);
                number.decimal = Decimal::Point;
            }
            of_machine.push(topic.into());
        }
        topics.push(of_machine);
    }
    (Arc::new(plan), topics)
}

fn outlet_on(plan: &Plan, machine: usize) -> Message {
    let state = &plan.machines[machine].outlet.state;
    message(state.source.filter.as_str().into(), &Value::Text(state.on.as_str().into()))
}

fn message(topic: Arc<str>, value: &Value) -> Message {
    let payload = match value {
        Value::Number(number) => Bytes::from(number.to_string()),
        Value::Text(text) => Bytes::copy_from_slice(text.as_bytes()),
    };
    Message {
        topic,
        payload,
        retained: false,
        proved: true,
        age: Span::ZERO,
        response_topic: None,
        correlation: None,
    }
}
