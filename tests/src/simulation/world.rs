//! The virtual clock, and everything that happens in its order: the one place where engine, workshop, people and
//! faults meet.

use std::collections::BTreeMap;
use std::sync::Arc;

use anyhow::Result;
use bytes::Bytes;
use idlegate::demo::workshop::birch_lane::{self, DIALECTS};
use idlegate::demo::workshop::{Chance, Said, Station, Workshop};
use idlegate::engine::{Command, Decided, Effect, Engine, Former, KeptMachine};
use idlegate::event::{Event, Message, Name};
use idlegate::guard::{Cause, Decision, Switch};
use idlegate::plan::SharedPlan;
use idlegate::time::{Moment, Now, Span, WallTime};

use super::detecting::Detecting;
use super::faults::Broken;
use super::figures::{self, Figures};
use super::oracle::{Asked, Oracle};
use super::rules::{PLACES, Parts, place_of};
use super::trace::Trace;
use super::wire::{Agenda, Commanded, Due, Line, Sent, What};
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
    answered: Vec<(Name, Arc<str>)>,
    run: u64,
    standstill: u32,
    told_before: Vec<String>,
}

/// What the simulation keeps in mind about one place.
#[derive(Clone, Debug, Default)]
pub struct Bench {
    pub job_began: Moment,
    pub job_protected: bool,
    readings: u64,
    last_watts: f64,
    cut: u32,
    done: u32,
    /// Switchings by our commands that the relay is about to carry out.
    moves: Vec<(Moment, Commanded)>,
    last_answer: Moment,
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
            Due::ToOutlet(commanded) => self.command_arrives(commanded),
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
                Effect::Command(command) => self.command(&command),
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
                Effect::Status { .. } | Effect::Remove { .. } | Effect::Rejected(_) => {}
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
        if let Some(id) = &decided.event_id {
            self.answered.push((decided.input.clone(), id.clone()));
        }
        let kept_on = matches!(decided.decision, Decision::Held | Decision::Deferred);
        let Some(place) = place_of(machine).filter(|_| kept_on) else { return };
        if self.station(place).is_working() && !self.bench[place].job_protected {
            self.bench[place].job_protected = true;
            self.figures.jobs_protected += 1;
        }
    }

    fn said(&mut self, place: usize, said: Said) {
        let (outlet, dialect) = (PLACES[place].outlet, DIALECTS[place]);
        match said {
            Said::State(switch) => {
                let payload = dialect.state.write(switch);
                self.trace.tell(self.now, format_args!("{outlet} says {}", switch.word()));
                self.line.stored[place] = Some(payload.clone());
                self.send(Sent {
                    topic: format!("outlets/{outlet}/state"),
                    payload,
                    retained: false,
                    sent: self.now,
                    what: What::State { place },
                });
            }
            Said::Reading(mut sample) => {
                let bench = &mut self.bench[place];
                bench.readings += 1;
                if self.broken.slow[place] && !bench.readings.is_multiple_of(3) {
                    return;
                }
                if self.broken.spikes[place] && self.luck.happens(0.2) {
                    sample.watts = self.luck.between(0.0, 3_000.0);
                }
                if sample.watts.is_finite() {
                    self.bench[place].last_watts = sample.watts;
                }
                self.send_reading(place, sample);
            }
        }
    }

    fn send_reading(&mut self, place: usize, sample: idlegate::demo::workshop::Sample) {
        let outlet = PLACES[place].outlet;
        self.send(Sent {
            topic: format!("meters/{outlet}"),
            payload: DIALECTS[place].meter.write(outlet, sample),
            retained: false,
            sent: self.now,
            what: What::Reading { place, watts: (sample.watts * 1000.0).round() / 1000.0 },
        });
    }

    /// A meter that is asked answers at once, if it answers at all.
    fn refresh_arrives(&mut self, place: usize) {
        use idlegate::demo::workshop::{MeterFault, Sample};
        let last_watts = self.bench[place].last_watts;
        let station = self.station(place);
        let watts = match station.meter.fault {
            None => station.watts(),
            Some(MeterFault::Frozen) => last_watts,
            Some(MeterFault::NotANumber) => f64::NAN,
            Some(MeterFault::Silent) => return,
        };
        let joules = station.joules();
        self.send_reading(place, Sample { watts, joules });
    }

    /// A message to the engine sets out.
    pub fn send(&mut self, message: Sent) {
        let state = matches!(message.what, What::State { .. });
        if !self.line.up {
            return;
        }
        let lossy = self.broken.lossy > 0;
        let asks = matches!(message.what, What::Request { .. });
        if lossy && !state && self.luck.happens(0.25) {
            Figures::count(&mut self.figures.faults, "message lost");
            return;
        }
        let mut delay = self.luck.span(Span(3), Span(30));
        if lossy && self.luck.happens(0.2) {
            delay = self.luck.span(Span(50), Span(4_000));
            Figures::count(&mut self.figures.faults, "message delayed");
        }
        let mut at = (self.now + delay).max(self.line.frozen_until);
        if let What::State { place } = message.what {
            at = at.max(self.line.last_state[place]);
            self.line.last_state[place] = at;
        }
        let session = self.line.session;
        if lossy && (state || asks) && self.luck.happens(0.2) {
            let again = at + self.luck.span(Span(0), Span(900));
            Figures::count(&mut self.figures.faults, "message repeated");
            // A state that is repeated pushes the next one back: a broker keeps the order of one topic.
            if let What::State { place } = message.what {
                self.line.last_state[place] = again;
            }
            self.agenda.plan(again, Due::ToEngine { message: message.clone(), session });
        }
        self.agenda.plan(at, Due::ToEngine { message, session });
    }

    /// After a new connection the broker hands over what it had stored; requests are never taken from its store.
    pub fn replay_stored(&mut self) {
        for (place, at) in PLACES.iter().enumerate() {
            if let Some(payload) = self.line.stored[place].clone() {
                self.line.last_state[place] = self.now;
                self.send(Sent {
                    topic: format!("outlets/{}/state", at.outlet),
                    payload,
                    retained: true,
                    sent: self.now,
                    what: What::State { place },
                });
            }
        }
    }

    fn arrive(&mut self, message: Sent, session: u64) {
        let now = self.now;
        if session != self.line.session {
            return;
        }
        if now < self.paused_until {
            let later = self.paused_until;
            return self.agenda.plan(later, Due::ToEngine { message, session });
        }
        // The barrier knows the age to within a marker.
        let age = now.since(message.sent) + self.luck.span(Span(0), Span(260));
        let mut arriving = Message {
            topic: message.topic.as_str().into(),
            payload: Bytes::from(message.payload.clone()),
            retained: message.retained,
            age,
            response_topic: None,
            correlation: None,
        };
        match self.life.careless {
            Some(Carelessness::AgeForgotten) => arriving.age = Span(20),
            Some(Carelessness::RetainedForgotten) => arriving.retained = false,
            _ => {}
        }
        self.trace.note(now, format_args!("{} {} {}", message.topic, message.payload, age.0));
        match message.what {
            What::State { .. } => self.tell_engine(Event::Message(arriving), None),
            What::Reading { place, watts } => {
                self.figures.readings += 1;
                let newest = watts.is_finite() && self.oracle.watched[place].record.deliver(now, age, watts);
                self.tell_engine(Event::Message(arriving), None);
                if !newest && watts.is_finite() {
                    self.still_newest(place);
                }
            }
            What::Request { input, places, kind, event_id } => {
                Figures::count(&mut self.figures.requests, kind.word());
                if message.retained {
                    Figures::count(&mut self.figures.faults, "stored request");
                } else if age > Span::secs(1) {
                    Figures::count(&mut self.figures.faults, "old request");
                }
                self.trace.tell(now, format_args!("{input} asks {} (age {age})", kind.word()));
                let emergency = kind == idlegate::guard::RequestKind::EmergencyOff;
                let before = self.oracle.violations.len();
                let asked = Asked { input, places, kind, retained: message.retained, age, event_id };
                self.tell_engine(Event::Message(arriving), Some(&asked));
                if emergency && !message.retained {
                    self.figures.emergencies += 1;
                    let new = &self.oracle.violations[before..];
                    self.figures.emergencies_refused +=
                        u64::from(new.iter().any(|violation| violation.starts_with("emergency")));
                }
            }
        }
    }

    /// An older reading must not have replaced the newest one.
    fn still_newest(&mut self, place: usize) {
        let watched = &self.oracle.watched[place];
        let status = self.engine.status(self.now, watched.index);
        let age = status.signals.first().and_then(|signal| signal.age);
        let expected = watched.record.newest().map(|at| self.now.since(at));
        Figures::count(&mut self.figures.faults, "reading overtaken");
        if age != expected {
            let name = PLACES[place].machine;
            self.oracle.violated(format!("order: {name}'s newest reading was replaced by an older one"));
        }
    }

    fn command(&mut self, command: &Command) {
        let Some(place) = place_of(command.name.as_str()) else { return };
        let (switch, cause) = (command.switch, command.cause);
        let (word, why, nth) = (switch.word(), cause.word(), command.resend);
        self.trace.tell(self.now, format_args!("{}: command {word}, {why}, sending {nth}", command.name));
        if command.shadow {
            return Figures::count(&mut self.figures.commands, "shadow");
        }
        Figures::count(
            &mut self.figures.commands,
            match (switch, cause) {
                _ if nth > 0 => "sent again",
                (Switch::On, _) => "on",
                (Switch::Off, Cause::Plain) => "off",
                (Switch::Off, Cause::Forced) => "off forced",
                (Switch::Off, Cause::Emergency) => "off emergency",
            },
        );
        if !self.line.up {
            return Figures::count(&mut self.figures.faults, "command not sent");
        }
        if self.broken.lossy > 0 && self.luck.happens(0.3) {
            return Figures::count(&mut self.figures.faults, "command lost");
        }
        let late = self.broken.lossy > 0 && self.luck.happens(0.3);
        let delay =
            if late { self.luck.span(Span(100), Span(5_000)) } else { self.luck.span(Span(3), Span(30)) };
        let commanded = Commanded { place, switch, cause, sent: self.now };
        let at = (self.now + delay).max(self.line.frozen_until);
        self.agenda.plan(at, Due::ToOutlet(commanded));
    }

    fn command_arrives(&mut self, commanded: Commanded) {
        let Commanded { place, switch, sent, .. } = commanded;
        let now = self.now;
        let index = self.oracle.watched[place].index;
        let expiry = self.plan.machines[index].outlet.command.expiry;
        if now > sent + expiry {
            if self.life.careless != Some(Carelessness::CommandsNeverExpire) {
                return Figures::count(&mut self.figures.faults, "command expired");
            }
            self.oracle
                .violated(format!("late: a command took effect {} after it was sent", now.since(sent)));
        }
        let station = self.station(place);
        if !station.outlet.faults.dead {
            station.outlet.command(switch, now);
            self.bench[place].moves.push((now + Span(120), commanded));
        }
    }

    /// Who ended that job?
    fn look_at_jobs(&mut self) {
        let now = self.now;
        for place in 0..PLACES.len() {
            let jobs = self.station(place).jobs();
            let bench = &mut self.bench[place];
            self.figures.jobs_done += u64::from(jobs.done - bench.done);
            bench.done = jobs.done;
            let cut = jobs.cut > bench.cut;
            bench.cut = jobs.cut;
            let due = |(at, _): &(Moment, Commanded)| *at <= now;
            let mover = bench.moves.iter().rev().find(|entry| due(entry) && entry.1.switch == Switch::Off);
            let mover = mover.map(|(_, commanded)| *commanded);
            if cut {
                self.job_was_cut(place, mover);
            }
            self.bench[place].moves.retain(|entry| !due(entry));
        }
    }

    fn job_was_cut(&mut self, place: usize, mover: Option<Commanded>) {
        let now = self.now;
        let at = PLACES[place];
        let ran = now.since(self.bench[place].job_began);
        let how = match mover {
            None => figures::BY_ANOTHER_ROUTE,
            Some(Commanded { cause: Cause::Forced, .. }) => figures::BY_FORCE,
            Some(Commanded { cause: Cause::Emergency, .. }) => figures::BY_EMERGENCY,
            Some(Commanded { cause: Cause::Plain, sent, .. }) => {
                // A meter that goes quiet just before the job, then looks into its pauses only; and the command's way.
                let blind_max = at.stale_after + at.quiet_max + Span::secs(5);
                let looked_from = self.bench[place].job_began - at.idle_for - at.stale_after;
                let sound = self.meter_sound_since(place).is_some_and(|since| since < looked_from);
                let unjudged = self.oracle.doubt(now, place, true).filter(|_| now.since(sent) < Span(200));
                if !sound {
                    figures::METER_LIED
                } else if ran <= blind_max {
                    self.figures.unseen_max = self.figures.unseen_max.max(ran);
                    figures::UNSEEN
                } else {
                    let doubt = unjudged.unwrap_or_default();
                    let name = at.machine;
                    self.oracle
                        .violated(format!("cut: {name}'s job was cut after {ran} in plain sight {doubt}"));
                    figures::WRONGLY
                }
            }
        };
        self.trace.tell(now, format_args!("{}: job cut after {ran}, {how}", at.machine));
        Figures::count(&mut self.figures.cuts, how);
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
