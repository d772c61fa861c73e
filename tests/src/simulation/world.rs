//! The virtual clock, and everything that happens in its order: the one place where engine, workshop, people and
//! faults meet.

use std::collections::BTreeMap;

use anyhow::Result;
use idlegate::answered::AnsweredId;
use idlegate::demo::workshop::birch_lane::{self, DIALECTS};
use idlegate::demo::workshop::{Chance, Station, Workshop};
use idlegate::engine::{Decided, Effect, Engine, Former, KeptMachine};
use idlegate::event::{Event, Name};
use idlegate::guard::Decision;
use idlegate::plan::SharedPlan;
use idlegate::time::{Moment, Now, Span, WallTime};

use super::detecting::Detecting;
use super::faults::Broken;
use super::figures::{self, Figures};
use super::oracle::{Asked, Oracle};
use super::rules::{PLACES, Parts, place_of};
use super::trace::Trace;
use super::wire::{Agenda, Commanded, Due, Line};
use super::{Carelessness, Life, Outcome};

/// The workshop has been running for a while before anyone looks.
pub const BEGIN: Moment = Moment(1_000_000);
const WALL_AT_BEGIN: i64 = 1_764_000_000_000;
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
    parts: &'a Parts,
    pub engine: Engine,
    detecting: Detecting<'a>,
    pub shop: Workshop,
    pub agenda: Agenda,
    pub line: Line,
    pub broken: Broken,
    /// Of people and faults; the wire draws from a source of its own.
    pub fate: Chance,
    pub luck: Chance,
    pub oracle: Oracle,
    pub figures: Figures,
    pub trace: Trace,
    pub bench: [Bench; 5],
    pub paused_until: Moment,
    pub ids: u64,
    kept: BTreeMap<Name, KeptMachine>,
    answered: Vec<AnsweredId>,
    run: u64,
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
        let plan = parts.plan_for(life.seed);
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

    fn clock(&self) -> Now {
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
            let enough = if self.life.careless.is_some() { 1 } else { VIOLATIONS_MAX };
            if self.oracle.violations.len() >= enough {
                break;
            }
        }
        self.now = self.now.max(end);
        self.figures.simulated = self.figures.simulated + self.now.since(begun);
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
        }
    }

    fn start_engine(&mut self) {
        let now = self.clock();
        let mut effects = Vec::new();
        self.engine.start(now, &mut effects);
        self.after(None, effects);
    }

    /// The program ends, in order or not, and begins anew with what it had kept.
    pub fn restart(&mut self, in_order: bool) {
        let now = self.clock();
        if in_order && self.now >= self.paused_until {
            let mut effects = Vec::new();
            self.engine.stop(now, &mut effects);
            self.after(None, effects);
            self.oracle.nothing_waits();
        }
        self.run += 1;
        self.line.up = false;
        self.line.session += 1;
        self.paused_until = self.now;
        let former = match self.life.careless {
            Some(Carelessness::KeptIsLost) => Former::default(),
            _ => Former { machines: self.kept.values().cloned().collect(), answered: self.answered.clone() },
        };
        self.engine = Engine::new(self.plan.clone(), &former, now);
        self.detecting = Detecting::new(self.life.native, &self.parts.modules);
        self.oracle.restarted();
        for place in 0..PLACES.len() {
            let status = self.engine.status(self.now, self.oracle.watched[place].index);
            self.oracle.survived(place, &status);
        }
        self.start_engine();
        let back_in = self.luck.span(Span(300), Span::secs(20));
        self.agenda.plan(self.now + back_in, Due::LinkUp);
    }

    /// The engine is told, its answer is judged and carried out.
    pub fn tell_engine(&mut self, event: Event, asked: Option<&Asked>) {
        let mut effects = Vec::new();
        self.engine.handle(self.clock(), event, &mut effects);
        self.after(asked, effects);
    }

    fn after(&mut self, asked: Option<&Asked>, mut effects: Vec<Effect>) {
        if self.life.careless.is_some() {
            self.be_careless(&mut effects);
        }
        let now = self.now;
        self.oracle.judge(now, asked, &effects);
        for effect in effects {
            match effect {
                Effect::Order(order) => self.order(&order),
                Effect::Refresh { machine } => {
                    let place = place_of(self.plan.machines[machine].name.as_str());
                    if let Some(place) = place.filter(|_| self.line.up) {
                        self.agenda.plan(now + Span(30), Due::Refresh { place });
                    }
                }
                Effect::Decided(decided) => self.decided(&decided),
                Effect::Keep(kept) => drop(self.kept.insert(kept.machine.clone(), kept)),
                Effect::Install(install) => {
                    if let Err(why) = self.detecting.install(install) {
                        self.oracle.violated(format!("detector not installed: {why}"));
                    }
                }
                Effect::Remove { machine, detector } => self.detecting.remove(machine, detector),
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
                | Effect::NotUnderstood(_)
                | Effect::Noted(_)
                | Effect::OutletsLost(_) => {}
            }
        }
    }

    fn feed(&mut self, feed: idlegate::engine::Feed) {
        let Some(place) = place_of(feed.machine.as_str()) else { return };
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
        let asked = decided.request.map_or("?", idlegate::guard::RequestKind::word);
        let (answer, why) = (decided.decision.word(), decided.why.word());
        self.trace.tell(self.now, format_args!("{machine}: {asked} by {} {answer}, {why}", decided.input));
        Figures::count(&mut self.figures.decisions, answer);
        if let Some(id) = decided.answered_id() {
            let (input, id) = (decided.input.clone(), id.clone());
            self.answered.push(AnsweredId { input, id, at: decided.at.wall });
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

    pub fn finish(self) -> Outcome {
        let mut violations = self.oracle.violations;
        if violations.is_empty() && self.figures.cut(figures::WRONGLY) > 0 {
            violations.push("cut: a job was cut wrongly".to_owned());
        }
        Outcome {
            seed: self.life.seed,
            figures: self.figures,
            violations,
            before: self.told_before,
            hash: self.trace.hash(),
        }
    }
}
