//! The virtual clock, and everything that happens in its order: the one place where engine, workshop, people and
//! faults meet.

use std::collections::BTreeMap;

use anyhow::Result;
use idlegate_demo::workshop::birch_lane::{self, DIALECTS};
use idlegate_demo::workshop::{Chance, Station, Workshop};
use idlegate_engine::{Decided, Effect, Engine, Former, KeptMachine};
use idlegate_guard::Decision;
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_plan::SharedPlan;
use idlegate_plan::answered::AnsweredId;
use idlegate_plan::event::{Event, Feed, Name};

use super::detecting::Detecting;
use super::faults::Broken;
use super::figures::{self, Figures};
use super::job_court::JobCourt;
use super::judged;
use super::oracle::{Asked, Oracle};
use super::plants::{Plant, Planted};
use super::rules::{PLACES, Parts, place_of};
use super::trace::Trace;
use super::wire::{Agenda, Commanded, Due, Line};
use super::{Carelessness, Life, Outcome};
use crate::judge::Judge;

/// The workshop has been running for a while before anyone looks.
pub const BEGIN: Moment = Moment(1_000_000);
pub(super) const WALL_AT_BEGIN: i64 = 1_764_000_000_000;
/// After so many nothing new is learnt.
const VIOLATIONS_MAX: usize = 20;
/// More calls than this without time passing are a fault of the engine.
const STANDSTILL_MAX: u32 = 2_000;

#[derive(Debug)]
pub struct World<'a> {
    pub now: Moment,
    pub wall_offset: i64,
    pub life: Life,
    pub plan: SharedPlan,
    pub(super) parts: &'a Parts,
    pub engine: Engine,
    pub(super) detecting: Detecting<'a>,
    pub shop: Workshop,
    pub agenda: Agenda,
    pub line: Line,
    pub broken: Broken,
    /// Of people and faults; the wire draws from a source of its own.
    pub fate: Chance,
    pub luck: Chance,
    pub oracle: Oracle,
    pub judge: Judge,
    pub(super) court: JobCourt,
    /// So much of what the judge found has been told.
    pub(super) found: usize,
    pub(super) planted: Planted,
    pub figures: Figures,
    pub trace: Trace,
    pub bench: [Bench; 5],
    pub paused_until: Moment,
    pub ids: u64,
    /// The last that was given for each place.
    pub(super) tokens: [Option<String>; 5],
    /// Everything works again.
    pub(super) is_healed: bool,
    pub(super) kept: BTreeMap<Name, KeptMachine>,
    pub(super) answered: Vec<AnsweredId>,
    pub(super) run: u64,
    standstill: u32,
    told_before: Vec<String>,
}

/// What the simulation keeps in mind about one place.
#[derive(Clone, Debug, Default)]
pub struct Bench {
    pub job_began: Moment,
    pub job_protected: bool,
    pub(super) readings: u64,
    pub(super) last_watts: f64,
    pub(super) cut: u32,
    pub(super) done: u32,
    /// Switchings by our orders that the relay is about to carry out.
    pub(super) moves: Vec<(Moment, Commanded)>,
    pub(super) last_answer: Moment,
}

impl<'a> World<'a> {
    pub fn new(parts: &'a Parts, life: Life) -> Result<World<'a>> {
        let learns = life.careless != Some(Carelessness::SilencesForgotten);
        let plan = parts.plan_for(life.seed, learns);
        let mut shop = birch_lane::workshop(life.seed);
        shop.advance(BEGIN);
        let mut chance = Chance::new(life.seed ^ 0x5eed);
        let now = Now { moment: BEGIN, wall: WallTime(WALL_AT_BEGIN) };
        let mut world = World {
            now: BEGIN,
            wall_offset: 0,
            life,
            engine: Engine::new(plan.clone(), &Former::default(), now),
            detecting: Detecting::new(life.native, &parts.modules),
            oracle: Oracle::new(&plan),
            judge: judged::judge(),
            court: JobCourt::default(),
            found: 0,
            planted: Planted::default(),
            plan,
            parts,
            shop,
            agenda: Agenda::default(),
            line: Line::default(),
            broken: Broken::default(),
            fate: chance.branch(),
            luck: chance.branch(),
            figures: Figures::default(),
            trace: Trace::new(life.print),
            bench: Default::default(),
            paused_until: Moment(0),
            ids: 0,
            tokens: Default::default(),
            is_healed: false,
            kept: BTreeMap::new(),
            answered: Vec::new(),
            run: 0,
            standstill: 0,
            told_before: Vec::new(),
        };
        for (place, dialect) in DIALECTS.iter().enumerate() {
            let relay = world.station(place).outlet.relay();
            world.line.stored[place] = Some(dialect.state.write(relay));
        }
        world.start_engine();
        world.agenda.plan(BEGIN + Span::secs(1), Due::LinkUp);
        world.begin_life(life.faults);
        Ok(world)
    }

    pub fn station(&mut self, place: usize) -> &mut Station {
        self.shop.station_mut(PLACES[place].machine).expect("the workshop has every machine of the rules")
    }

    pub(super) fn clock(&self) -> Now {
        let passed = i64::try_from(self.now.since(BEGIN).0).unwrap_or(i64::MAX);
        Now { moment: self.now, wall: WallTime(WALL_AT_BEGIN + passed + self.wall_offset) }
    }

    /// Lets everything happen that happens until `end`.
    pub fn run_until(&mut self, end: Moment) {
        let begun = self.now;
        while let Some(next) = self.next().filter(|next| *next <= end) {
            self.standstill = if next > self.now { 0 } else { self.standstill + 1 };
            self.now = next.max(self.now);
            if self.standstill > STANDSTILL_MAX {
                self.oracle.violated("engine: it asks for the same moment again and again".to_owned());
                break;
            }
            self.step();
            if self.told_before.is_empty() && !self.oracle.violations.is_empty() {
                self.told_before = self.trace.remembered();
            }
            if self.is_enough() {
                break;
            }
        }
        self.now = self.now.max(end);
        self.figures.simulated = self.figures.simulated + self.now.since(begun);
    }

    /// Whether nothing new is to be learnt of this life.
    fn is_enough(&self) -> bool {
        match (self.life.plant, self.life.careless) {
            (Some(_), _) => self.found > 0,
            (None, Some(_)) => !self.oracle.violations.is_empty(),
            (None, None) => self.oracle.violations.len() >= VIOLATIONS_MAX,
        }
    }

    fn next(&self) -> Option<Moment> {
        let engine = self.engine.deadline().map(|at| at.max(self.paused_until));
        [self.agenda.next(), engine, self.shop.next_event()].into_iter().flatten().min()
    }

    fn step(&mut self) {
        self.figures.events += 1;
        let now = self.now;
        for saying in self.shop.advance(now) {
            self.said(saying.station, saying.what);
        }
        self.look_at_jobs();
        if let Some(due) = self.agenda.take(now) {
            return self.happen(due);
        }
        if now >= self.paused_until && self.engine.deadline().is_some_and(|at| at <= now) {
            self.tell_engine(Event::Tick, None);
        }
    }

    fn happen(&mut self, due: Due) {
        let now = self.now;
        match due {
            Due::ToEngine { message, session } => self.arrive(message, session),
            Due::Assessed { place, mut assessed, run } => {
                if run != self.run {
                    return;
                }
                if now < self.paused_until {
                    let later = self.paused_until;
                    return self.agenda.plan(later, Due::Assessed { place, assessed, run });
                }
                self.oracle.assessed(now, place, &assessed);
                if let Some(careless) = self.life.careless {
                    careless.twist(&mut assessed.outcome);
                }
                self.tell_engine(Event::Assessed(assessed), None);
            }
            Due::ToOutlet(commanded) => self.order_arrives(commanded),
            Due::Refresh { place } => self.refresh_arrives(place),
            Due::Speak(message) => self.send(message),
            Due::Person { place } => self.person(place),
            Due::Job { place } => self.job(place),
            Due::StartJob { place, lasts } => self.start_job(place, lasts),
            Due::FaultBegins => self.fault_begins(),
            Due::FaultEnds(fault) => self.end(fault),
            Due::LinkUp => self.connect(),
            Due::LatchReleased => self.turn_latch(false),
        }
    }

    /// The engine is told, its answer is judged and carried out.
    pub fn tell_engine(&mut self, event: Event, asked: Option<&Asked>) {
        let mut effects = Vec::new();
        self.engine.handle(self.clock(), event, &mut effects);
        self.after(asked, effects);
    }

    pub(super) fn after(&mut self, asked: Option<&Asked>, mut effects: Vec<Effect>) {
        if self.life.careless.is_some() {
            self.be_careless(&mut effects);
        }
        let now = self.now;
        self.oracle.judge(now, asked, &effects);
        for effect in effects {
            match effect {
                Effect::Order(order) => self.order(&order),
                Effect::Refresh { machine, signal: _ } => {
                    let place = place_of(machine.as_str());
                    if let Some(place) = place.filter(|_| self.line.up) {
                        self.agenda.plan(now + Span(30), Due::Refresh { place });
                    }
                }
                Effect::Decided(decided) => self.decided(&decided),
                Effect::Keep(kept) => drop(self.kept.insert(kept.machine.clone(), kept)),
                Effect::JobEnded(ended) => {
                    self.trace.tell(
                        now,
                        format_args!("{}: its job is over, {}", ended.machine, ended.over.how.word()),
                    );
                    if let Some(place) = place_of(ended.machine.as_str()) {
                        self.court_judges(place, ended.at, &ended.over);
                    }
                    self.kept.insert(ended.machine.clone(), ended.kept.clone());
                }
                Effect::Install(install) => {
                    let kept = self.has(Plant::HistoryKept);
                    if let Err(why) = self.detecting.install(install, kept) {
                        self.oracle.violated(format!("detector not installed: {why}"));
                    }
                }
                Effect::Remove(_) if self.has(Plant::HistoryKept) => {}
                Effect::Remove(id) => self.detecting.remove(&id),
                Effect::Feed(feed) => self.feed(feed),
                Effect::Announce(announced) => self
                    .trace
                    .tell(now, format_args!("{}: announced {}", announced.machine, announced.what.word())),
                Effect::Incident(told) => {
                    self.trace.tell(now, format_args!("{}: incident {}", told.machine, told.kind.word()));
                }
                Effect::IncidentOver(told) => {
                    self.trace.tell(now, format_args!("{}: {} over", told.machine, told.kind.word()));
                }
                Effect::Status { .. }
                | Effect::Rejected(_)
                | Effect::AnswerWithheld(_)
                | Effect::GroupAnswered(_)
                | Effect::NotUnderstood(_)
                | Effect::ContactUnclear(_)
                | Effect::Noted(_)
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

    fn feed(&mut self, feed: Feed) {
        let Some(place) = place_of(feed.id.machine.as_str()) else { return };
        let Some(mut assessed) = self.detecting.feed(feed) else { return };
        if self.broken.detectors_stop && self.luck.happens(0.2) {
            assessed.outcome = super::detecting::stopped();
        }
        let slow = self.broken.detectors_slow && self.luck.happens(0.3);
        let takes =
            if slow { self.luck.span(Span(50), Span(3_000)) } else { self.luck.span(Span(1), Span(4)) };
        let mut at = self.now + takes;
        let bench = &mut self.bench[place];
        // A worker answers in order; a slow spell lets answers overtake each other, which the engine must stand.
        if !slow {
            at = at.max(bench.last_answer);
            bench.last_answer = at;
        }
        let verdict = assessed.outcome.as_ref().map(|said| said.verdict);
        self.trace.note(self.now, format_args!("{place} assessed {verdict:?} for {}", at.0));
        self.agenda.plan(at, Due::Assessed { place, assessed, run: self.run });
    }

    fn decided(&mut self, decided: &Decided) {
        let machine = decided.machine.as_ref().map_or("?", Name::as_str);
        let asked = decided.request.map_or("?", idlegate_guard::RequestKind::word);
        let (answer, why) = (decided.decision.word(), decided.why.word());
        self.trace.tell(self.now, format_args!("{machine}: {asked} by {} {answer}, {why}", decided.input));
        Figures::count(&mut self.figures.decisions, answer);
        if let Some(id) = decided.answered_id() {
            let (input, id) = (decided.input.clone(), id.clone());
            self.answered.push(AnsweredId { input, id, at: decided.at.wall });
        }
        if let Some((confirm, place)) = decided.confirm.zip(place_of(machine)) {
            self.phone_hears(place, confirm);
        }
        let kept_on = matches!(decided.decision, Decision::Held | Decision::Deferred);
        let Some(place) = place_of(machine).filter(|_| kept_on) else { return };
        if self.station(place).is_working() && !self.bench[place].job_protected {
            self.bench[place].job_protected = true;
            self.figures.jobs_protected += 1;
        }
    }

    fn be_careless(&mut self, effects: &mut Vec<Effect>) {
        let Some(careless) = self.life.careless else { return };
        let luck = &mut self.luck;
        super::careless::spoil(careless, &self.plan, effects, |share| luck.happens(share));
    }

    pub fn finish(mut self) -> Outcome {
        self.figures.went_back = self.oracle.watched.iter().map(|watched| watched.resumption.seen).sum();
        self.figures.held_longer = self.oracle.held_longer;
        self.court_closes();
        let mut violations = self.oracle.violations;
        if violations.is_empty() && self.figures.cut(figures::WRONGLY) > 0 {
            violations.push("cut: a job was cut wrongly".to_owned());
        }
        Outcome {
            seed: self.life.seed,
            figures: self.figures,
            violations,
            judged: self.judge.tally().clone(),
            before: self.told_before,
            hash: self.trace.hash(),
        }
    }
}
