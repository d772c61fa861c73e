//! The engine on the recording's clock.

use std::collections::VecDeque;
use std::sync::Arc;

use bytes::Bytes;

use super::binding::SignalPlace;
use super::reason;
use super::timeline::{About, Timeline, TimelineError};
use crate::recording::{SIGN_GONE, sign_name};
use idlegate_detectors::{Inline, Modules};
use idlegate_engine::{Decided, Effect, Engine, Former, JobEnded};
use idlegate_guard::PermissiveState;
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_plan::event::{Assessed, DetectorFault, Event, LinkState, Message, Name, Value};
use idlegate_plan::{
    Decimal, LifeSign, MachineIx, OnChange, Plan, Reports, SharedPlan, SignalIx, SignalKind, Source, Table,
    ValuePath, indices,
};

/// The recording begins here on the monotonic scale, so that what is before it has room.
const BEGIN: Moment = Moment(1_000_000_000);
/// What is asked so soon after the last reading rests on it. Later, there may have been readings that were not written
/// down yet.
const TAIL: Span = Span::secs(10);
/// More calls than this without time passing are a fault of the engine.
const STANDSTILL_MAX: u32 = 10_000;

/// The assessment of a machine has changed.
#[derive(Clone, Debug, PartialEq)]
pub struct StateChange {
    pub at: WallTime,
    pub machine: Name,
    pub state: PermissiveState,
    pub reason: String,
}

/// What is heard of while playing.
#[derive(Clone, Debug, PartialEq)]
pub enum Played<'a> {
    Changed(&'a StateChange),
    Decided(&'a Decided),
    JobEnded(&'a JobEnded),
    /// A reading was taken, and has been judged.
    Read(WallTime, SignalPlace, &'a Value),
    Asked(&'a Prospect),
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

/// A time at which it is asked what an off of a machine would do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Question {
    pub at: WallTime,
    pub machine: MachineIx,
}

/// What an off would have met.
#[derive(Clone, Debug, PartialEq)]
pub struct Prospect {
    /// The question's place among all of them.
    pub question: usize,
    pub state: PermissiveState,
    pub reason: String,
    /// Of the last record before it, a sign of life included.
    pub latest: Option<WallTime>,
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

/// Where each signal is played.
type Topics = Table<MachineIx, Table<SignalIx, Arc<str>>>;

/// One replay.
#[derive(Debug)]
pub struct Player<'a> {
    plan: SharedPlan,
    engine: Engine,
    inline: Inline,
    modules: &'a Modules,
    timeline: Timeline,
    topics: Topics,
    begin: WallTime,
    now: Now,
    told: Table<MachineIx, Option<(PermissiveState, String)>>,
    tells_reasons: bool,
    /// In order of time, with their places.
    questions: VecDeque<(usize, Question)>,
    latest: Option<WallTime>,
    effects: Vec<Effect>,
    ended: Ended,
}

impl<'a> Player<'a> {
    /// The rules as they are, but for the topics of signals and outlets, and that nothing is switched.
    pub fn new(plan: &Plan, modules: &'a Modules, timeline: Timeline) -> Player<'a> {
        let begin = timeline.next_at().unwrap_or_default();
        let (plan, topics) = rehearsed(plan);
        let now = Now { moment: BEGIN, wall: begin };
        let told = plan.machines.iter().map(|_| None).collect();
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
            questions: VecDeque::new(),
            latest: None,
            tells_reasons: false,
            effects: Vec::new(),
            ended: Ended { from: begin, until: begin, ..Ended::default() },
        }
    }

    /// Begins with what was known before the first reading: of each machine whatever its rules still go by.
    #[must_use]
    pub fn knowing(self, former: &Former) -> Player<'a> {
        Player { engine: Engine::new(self.plan.clone(), former, self.now), ..self }
    }

    /// Asks these, too, in whatever order they come. Those long after the last reading have no answer.
    #[must_use]
    pub fn asking(mut self, questions: &[Question]) -> Player<'a> {
        let mut sorted: Vec<(usize, Question)> = questions.iter().copied().enumerate().collect();
        sorted.sort_by_key(|(_, question)| question.at);
        self.questions = sorted.into();
        self
    }

    /// Tells of another reason for the same state, too; not of the same one in other numbers.
    pub fn telling_reasons(self) -> Player<'a> {
        Player { tells_reasons: true, ..self }
    }

    /// Plays all of it. `probe` is called every so often, if an interval is given, with what the guard holds then.
    pub fn play(
        mut self,
        every: Option<Span>,
        mut hear: impl FnMut(Played<'_>),
        mut probe: impl FnMut(WallTime, MachineIx, PermissiveState),
    ) -> Result<Ended, Stopped> {
        let mut effects = std::mem::take(&mut self.effects);
        self.engine.start(self.now, &mut effects);
        self.carry_out(&mut effects, &mut hear)?;
        self.event(Event::Link(LinkState::Up), &mut effects, &mut hear)?;
        for machine in indices(&self.plan.machines) {
            if let Some(on) = outlet_on(&self.plan, machine) {
                self.event(Event::Message(on), &mut effects, &mut hear)?;
            }
        }
        let mut next_probe = every.map(|_| BEGIN);
        let mut standstill = 0_u32;
        while let Some(wall) = self.next_at() {
            let reading = self.moment(wall);
            let engine = self.engine.deadline().unwrap_or(Moment(u64::MAX));
            let asked = self.questions.front().map(|(_, question)| self.moment(question.at));
            let due =
                engine.min(next_probe.unwrap_or(Moment(u64::MAX))).min(asked.unwrap_or(Moment(u64::MAX)));
            // Many readings may bear one time; what must not happen is that none comes and no time passes.
            let goes_on = due >= reading || due > self.now.moment;
            standstill = if goes_on { 0 } else { standstill + 1 };
            if standstill > STANDSTILL_MAX {
                return Err(Stopped::Standstill { at: idlegate_plan::text::rfc3339(self.now.wall) });
            }
            // What is asked at the time of a reading is asked after it.
            if due < reading {
                self.pass_to(due.max(self.now.moment));
                if engine <= due {
                    self.event(Event::Tick, &mut effects, &mut hear)?;
                } else if asked.is_some_and(|asked| asked <= due) {
                    self.answer(&mut hear);
                } else {
                    next_probe = self.probe(every, &mut probe);
                }
                continue;
            }
            self.pass_to(reading.max(self.now.moment));
            let taken = self.timeline.take(&self.plan)?;
            if taken.is_some() {
                self.latest = Some(self.now.wall);
            }
            match taken {
                Some((_, About::Reading(place), value)) => {
                    self.ended.readings += 1;
                    let topic = self.topics[place.machine][place.signal].clone();
                    self.event(Event::Message(message(topic, &value)), &mut effects, &mut hear)?;
                    hear(Played::Read(self.now.wall, place, &value));
                }
                Some((_, About::Sign(place), value)) => {
                    let topic = sign_name(&self.topics[place.machine][place.signal]);
                    self.event(Event::Message(message(topic.into(), &value)), &mut effects, &mut hear)?;
                }
                None => {}
            }
        }
        self.ended.late = self.timeline.late();
        self.ended.until = self.now.wall;
        Ok(self.ended)
    }

    /// When the next reading was taken. After the last one, questions that follow close on it are still answered.
    fn next_at(&self) -> Option<WallTime> {
        let after = || {
            let until = WallTime(self.latest?.0 + TAIL.0.cast_signed());
            let close = self.questions.iter().map(|(_, question)| question.at).take_while(|at| *at <= until);
            Some(WallTime(close.last()?.0 + 1))
        };
        self.timeline.next_at().or_else(after)
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
        probe: &mut impl FnMut(WallTime, MachineIx, PermissiveState),
    ) -> Option<Moment> {
        for machine in indices(&self.plan.machines) {
            probe(self.now.wall, machine, self.engine.permissive(self.now.moment, machine));
        }
        every.map(|every| self.now.moment + Span(every.0.max(1)))
    }

    fn answer(&mut self, hear: &mut impl FnMut(Played<'_>)) {
        let Some((question, Question { machine, .. })) = self.questions.pop_front() else { return };
        let state = self.engine.permissive(self.now.moment, machine);
        let reason = self.reasons(machine);
        hear(Played::Asked(&Prospect { question, state, reason, latest: self.latest }));
    }

    fn reasons(&self, machine: MachineIx) -> String {
        let reasons = self.engine.reasons(self.now.moment, machine);
        reasons.iter().map(|reason| &**reason).collect::<Vec<_>>().join("; ")
    }

    fn event(
        &mut self,
        event: Event,
        effects: &mut Vec<Effect>,
        hear: &mut impl FnMut(Played<'_>),
    ) -> Result<(), Stopped> {
        self.engine.handle(self.now, event, effects);
        self.carry_out(effects, hear)?;
        if self.tells_reasons {
            self.told.indices().for_each(|machine| self.tell(machine, hear));
        }
        Ok(())
    }

    /// Detectors answer at once: on this clock they take no time.
    fn carry_out(
        &mut self,
        effects: &mut Vec<Effect>,
        hear: &mut impl FnMut(Played<'_>),
    ) -> Result<(), Stopped> {
        while !effects.is_empty() {
            let mut answers = Vec::new();
            for effect in effects.drain(..) {
                match effect {
                    Effect::Install(install) => {
                        let installation = self
                            .modules
                            .installation(&install)
                            .map_err(|why| Stopped::Detector { machine: install.id.machine.clone(), why })?;
                        self.inline.install(install.id, install.generation, installation);
                    }
                    Effect::Remove(id) => self.inline.remove(&id),
                    Effect::Feed(feed) => answers.extend(self.inline.feed(feed)),
                    // All of it is only a rehearsal, which need not be said with each.
                    Effect::Decided(decided) => {
                        hear(Played::Decided(&Decided { shadow: false, ..*decided }));
                    }
                    Effect::JobEnded(ended) => hear(Played::JobEnded(&ended)),
                    Effect::Status { machine } => {
                        let plan = self.plan.clone();
                        plan.machine(machine.as_str())
                            .into_iter()
                            .for_each(|(machine, _)| self.tell(machine, hear));
                    }
                    // Nothing is switched, and nobody listens.
                    Effect::Order(_)
                    | Effect::Refresh { .. }
                    | Effect::Announce(_)
                    | Effect::Incident(_)
                    | Effect::IncidentOver(_)
                    | Effect::Keep(_)
                    | Effect::Rejected(_)
                    | Effect::AnswerWithheld(_)
                    | Effect::GroupAnswered(_)
                    | Effect::NotUnderstood(_)
                    | Effect::Noted(_)
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
            answers.into_iter().for_each(|assessed| self.assessed(assessed, effects, hear));
        }
        Ok(())
    }

    fn assessed(&mut self, assessed: Assessed, effects: &mut Vec<Effect>, hear: &mut impl FnMut(Played<'_>)) {
        if let Err(fault) = &assessed.outcome {
            hear(Played::Failed(self.now.wall, &assessed.machine, fault));
        }
        self.engine.handle(self.now, Event::Assessed(assessed), effects);
    }

    fn tell(&mut self, machine: MachineIx, hear: &mut impl FnMut(Played<'_>)) {
        let state = self.engine.permissive(self.now.moment, machine);
        let told = self.told[machine].as_ref();
        if !self.tells_reasons && told.is_some_and(|(told, _)| *told == state) {
            return;
        }
        let reason = self.reasons(machine);
        let new = (state, if self.tells_reasons { reason::gist(&reason) } else { String::new() });
        if self.told[machine].replace(new.clone()) == Some(new) {
            return;
        }
        let machine = self.plan.machines[machine].name.clone();
        let change = StateChange { at: self.now.wall, machine, state, reason };
        hear(Played::Changed(&change));
    }
}

/// The plan with a topic for each signal that carries the recorded value as it is.
fn rehearsed(plan: &Plan) -> (SharedPlan, Topics) {
    let mut plan = plan.clone();
    let mut topics = Topics::default();
    for machine in &mut plan.machines {
        machine.policy.shadow = true;
        if let Some(state) = &mut machine.outlet.state {
            state.source.filter = format!("replay/{}", machine.name);
            state.source.path = ValuePath::Whole;
        }
        machine.outlet.reach = None;
        let mut of_machine = Table::default();
        for signal in &mut machine.signals {
            let topic = format!("replay/{}/{}", machine.name, signal.name);
            if signal.of_machine().is_some() {
                // The engine works it out anew, whatever was written down.
                of_machine.push(topic.into());
                continue;
            }
            signal.source.filter.clone_from(&topic);
            signal.source.path = ValuePath::Whole;
            if let SignalKind::Number(number) = &mut signal.kind {
                (number.scale, number.offset) = (1.0, 0.0);
                number.decimal = Decimal::Point;
            }
            // As `record` writes down what was a sign of life, wherever it came from.
            if let Reports::OnChange(OnChange { alive: Some(alive), refresh: _ }) = &mut signal.reports {
                let source = Source { filter: sign_name(&topic), path: ValuePath::Whole };
                alive.sign = LifeSign::Topic { source, gone: Some(SIGN_GONE.to_owned()) };
                alive.sender_stores = false;
            }
            of_machine.push(topic.into());
        }
        topics.push(of_machine);
    }
    (Arc::new(plan), topics)
}

/// Nothing of a machine of which only a meter tells.
fn outlet_on(plan: &Plan, machine: MachineIx) -> Option<Message> {
    let state = plan.machines[machine].outlet.state.as_ref()?;
    Some(message(state.source.filter.as_str().into(), &Value::Text(state.on.as_str().into())))
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
        ours: false,
        age: Span::ZERO,
        response_topic: None,
        correlation: None,
    }
}
