//! The loop.

mod blind;
mod change;
mod counted;
mod others;
mod power;

use std::collections::VecDeque;
use std::future::Future;
use std::pin::{Pin, pin};
use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::{Notify, mpsc};
use tokio::time::{Instant, sleep_until};
use tracing_appender::non_blocking::ErrorCounter;

use self::blind::{RunBefore, run_before};
use self::counted::{CountedBefore, counted_before};
use self::others::{Left, is_one_of_several};
use super::broker_store::BrokerStore;
use super::broker_watch::BrokerWatch;
use super::chance;
use super::detectors::Detectors;
use super::dispatch::{Dispatch, Task};
use super::expiry_watch::ExpiryWatch;
use super::journalling::Journalling;
use super::lines::Lines;
use super::monitor::Monitor;
use super::options::{Ended, Options};
use super::page::{Fact, Turned};
use super::rate::RateLimit;
use super::readings::Readings;
use super::reload::{self, Reloader, next_outcome};
use super::rivals::Rivals;
use super::stand_by::OneOfSeveral;
use super::trying::Trying;
use super::{health, supervisor};
use idlegate_engine::{Effect, Engine};
use idlegate_guard::time::{Moment, Now};
use idlegate_journal::{News, RecordKind};
use idlegate_link::{self as link, Arrival, Expiry, Inbox};
use idlegate_messages::effects::messages::Topics;
use idlegate_messages::{self as messages, Health, Reload, Start, Stop, json, text};
use idlegate_os::Clock;
use idlegate_plan::event::{Event, LinkState, ServiceSight};
use idlegate_plan::indices;

/// Events taken one after the other before effects are carried out; more would let an answer wait.
const BATCH_MAX: usize = 64;
/// One machine's status is published anew at least every so many turns of the clock below, readings and all.
const STATUS_TURNS: usize = 10;
const TURN: Duration = Duration::from_secs(1);
/// After an order has been handed over: on a small computer the broker needs the processor as much as we do.
const ORDER_FIRST: Duration = Duration::from_millis(1);
/// And that of a whole hall, before anything is logged or said of them.
const ORDERS_FIRST_MAX: Duration = Duration::from_millis(500);
/// Effects carried out before it is looked whether an emergency has come in.
const PIECE: usize = 32;
/// How often the service says that it lives.
const HEALTH_TURNS: usize = 30;
/// Those that stand by must not wait long to notice that nobody guards.
const HEALTH_TURNS_OF_SEVERAL: usize = 5;

/// Comes when the guard is to end.
pub type Shutdown = Pin<Box<dyn Future<Output = ()> + Send>>;
/// A guard at work. It has no other type for each caller, so that the loop is compiled once, in this crate.
pub type GuardAtWork = Pin<Box<dyn Future<Output = anyhow::Result<()>> + Send>>;

/// Guards until `shutdown` comes. Stopping switches nothing.
pub fn run(options: Options, mut shutdown: Shutdown) -> GuardAtWork {
    Box::pin(async move { guard(options, &mut shutdown).await.map(drop) })
}

pub(super) async fn guard(options: Options, shutdown: &mut Shutdown) -> anyhow::Result<Ended> {
    // First of all: until somebody listens for it, the signal to look at the rules would end the program.
    let mut hangup = signal(SignalKind::hangup())?;
    let mut service = Service::start(options)?;
    service.carry_out(Clock.now()).await;
    let mut turn = tokio::time::interval(TURN);
    turn.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    let mut timer = pin!(sleep_until(Instant::now()));
    let answers = service.answers.clone();
    supervisor::ready();
    let ended = loop {
        timer.as_mut().reset(service.next_deadline());
        tokio::select! {
            () = &mut *shutdown => break Ended::Asked,
            arrived = service.inbox.recv() => match arrived {
                Some((now, arrival)) => service.take_arrivals(now, arrival).await,
                // Only the link of one of several ends by itself.
                None => break Ended::LinkLost,
            },
            () = answers.notified() => service.take_assessments().await,
            () = &mut timer => service.handle(Clock.now(), Event::Tick).await,
            Some(news) = service.news.recv() => service.take_news(news).await,
            Some(counted) = service.counted.recv() => service.take_counted(&counted),
            Some(outcome) = next_outcome(&mut service.reloader) => service.take_outcome(outcome).await,
            Some(()) = hangup.recv() => reload::look(service.reloader.as_ref()),
            found = service.broker.expiry.next() => service.take_expiry(found),
            _ = turn.tick() => service.turn().await,
        }
    };
    service.stop(ended).await;
    Ok(ended)
}

struct Service {
    engine: Engine,
    dispatch: Dispatch,
    inbox: Inbox,
    /// Rung by the workers when assessments are ready.
    answers: Arc<Notify>,
    effects: Vec<Effect>,
    /// What is to be done, in this order; the orders in it have been sent.
    backlog: VecDeque<(Now, Task)>,
    judged_at: Now,
    turns: usize,
    /// From the journal: a handful in a lifetime.
    news: mpsc::UnboundedReceiver<News>,
    /// How silences went on before this run: once.
    counted: CountedBefore,
    /// What a former run could not see, and how it ended: once.
    run_before: RunBefore,
    service_sight: ServiceSight,
    reloader: Option<Reloader>,
    monitor: Monitor,
    lost_lines: Option<ErrorCounter>,
    stand_by: Option<OneOfSeveral>,
    /// What came of the last look at the rules.
    reloaded: Option<Reload>,
    broker: BrokerWatch,
    topics: Topics,
    /// Tells our own health messages from another guard's.
    instance: String,
    rivals: Rivals,
    broker_store: BrokerStore,
    bad_notes: RateLimit,
    readings: Readings,
}

impl Service {
    fn start(options: Options) -> anyhow::Result<Service> {
        let Options { plan, modules, state_dir, rules_dir, provenance, lost_lines, stand_by, expiry_tried } =
            options;
        let broker = BrokerWatch::new(ExpiryWatch::new(plan.shop.broker.probe.as_ref(), expiry_tried));
        let (tell, news) = mpsc::unbounded_channel();
        let listener = Arc::new(move |item| drop(tell.send(item)));
        let (mut journalling, restored) =
            Journalling::start(state_dir.as_deref(), plan.shop.keep_names, listener);
        let Left { former, handover_writer, doubt } =
            Left::behind(&plan, &restored, stand_by.as_ref(), &mut journalling);
        let counted = counted_before(state_dir.as_deref(), &plan);
        let run_before = run_before(state_dir.as_deref());
        let answers = Arc::new(Notify::new());
        let detectors = Detectors::start(modules.clone(), answers.clone())?;
        let will = Bytes::from(text(&health::gone()));
        let (lines, inbox) = Lines::start(&plan, will, stand_by.is_some())?;
        let now = Clock.now();
        let mut engine = Engine::new(plan.clone(), &former, now);
        match chance::secret() {
            Ok(secret) => engine.draw_tokens_from(secret),
            Err(error) => {
                tracing::error!(%error, "no random numbers to be had: nothing can be forced off from afar");
            }
        }
        let reloader = match rules_dir {
            Some(dir) => {
                let trying = Trying::new(state_dir.clone(), provenance);
                Some(Reloader::start(&dir, trying, plan.clone(), modules.clone())?)
            }
            None => None,
        };
        let monitoring = plan.shop.monitoring.clone();
        modules.set_memory_together(plan.shop.detector_memory_bytes);
        let topics = Topics::of(&plan.shop);
        let readings = Readings::start(state_dir.as_deref(), &plan);
        let dispatch = Dispatch::new(plan, lines, detectors, journalling, handover_writer, doubt);
        let mut monitor = Monitor::new(dispatch.metrics.clone(), dispatch.page.clone(), state_dir);
        monitor.follow(monitoring.as_ref());
        let mut service = Service {
            engine,
            dispatch,
            inbox,
            answers,
            effects: Vec::new(),
            backlog: VecDeque::new(),
            judged_at: now,
            turns: 0,
            news,
            counted,
            run_before,
            service_sight: ServiceSight::default(),
            reloader,
            monitor,
            lost_lines,
            broker_store: stand_by.as_ref().map(|stand_by| stand_by.broker_store).unwrap_or_default(),
            stand_by,
            reloaded: None,
            broker,
            topics,
            instance: format!("{:016x}", link::chance()),
            rivals: Rivals::default(),
            bad_notes: RateLimit::default(),
            readings,
        };
        service.begin(now);
        Ok(service)
    }

    fn begin(&mut self, now: Now) {
        let body = json(&Start { rules: self.engine.plan().digest.clone() });
        self.dispatch.journalling.record_service(RecordKind::Start, now, body);
        self.wait_for_run_before();
        self.engine.start(now, &mut self.effects);
        if let Some(state) = self.dispatch.lines.emergency_state() {
            self.engine.handle(now, Event::EmergencyLink(state), &mut self.effects);
        }
    }

    async fn handle(&mut self, now: Now, event: Event) {
        let now = self.judge(now, event);
        self.carry_out(now).await;
    }

    /// An emergency may have been judged meanwhile, and for the engine time never goes back.
    fn judge(&mut self, now: Now, event: Event) -> Now {
        if now.moment > self.judged_at.moment {
            self.judged_at = now;
        }
        self.engine.handle(self.judged_at, event, &mut self.effects);
        self.judged_at
    }

    /// Orders first, then everything else, piece by piece. An emergency that comes in between waits for a piece at
    /// most.
    async fn carry_out(&mut self, now: Now) {
        if self.send_orders(now) {
            self.let_orders_leave().await;
        }
        loop {
            for _ in 0..PIECE {
                let Some((decided_at, task)) = self.backlog.pop_front() else { break };
                self.dispatch.carry_out(decided_at, &self.engine, task);
            }
            if self.backlog.is_empty() {
                let changed = std::mem::take(&mut self.dispatch.health_is_due);
                if changed && self.engine.link_is_up() {
                    self.publish_health(now);
                }
                return self.dispatch.carried_out(now.moment);
            }
            // The connections are served by this very thread.
            tokio::task::yield_now().await;
            if self.hear_emergencies() {
                self.let_orders_leave().await;
            }
        }
    }

    /// Whether there were any. What else has been decided is to be carried out afterwards.
    fn send_orders(&mut self, now: Now) -> bool {
        let mut any = false;
        for effect in self.effects.drain(..) {
            any |= matches!(effect, Effect::Order(_));
            self.backlog.push_back((now, self.dispatch.begin(now.moment, effect)));
        }
        any
    }

    /// Somebody has pressed a button and waits: broker and outlet come before anything is logged or said of it.
    async fn let_orders_leave(&mut self) {
        let begin = Instant::now();
        loop {
            tokio::time::sleep(ORDER_FIRST).await;
            self.hear_emergencies();
            if !self.dispatch.lines.holds_emergencies() || begin.elapsed() > ORDERS_FIRST_MAX {
                return;
            }
        }
    }

    /// Judges emergencies that have come in, and sends their orders, ahead of whatever else is to be done. Whether
    /// there were any.
    fn hear_emergencies(&mut self) -> bool {
        let mut any = false;
        for _ in 0..BATCH_MAX {
            let Some((now, arrival)) = self.inbox.try_emergency() else { break };
            self.compare(now.moment, &arrival);
            let Some(event) = emergency_event(arrival) else { continue };
            let now = self.judge(now, event);
            any |= self.send_orders(now);
        }
        any
    }

    async fn take_arrivals(&mut self, now: Now, first: Arrival) {
        let begin = Instant::now();
        self.take_arrival(now, first).await;
        for _ in 1..BATCH_MAX {
            match self.inbox.try_recv() {
                Ok((now, arrival)) => self.take_arrival(now, arrival).await,
                Err(_) => break,
            }
        }
        self.dispatch.metrics.event_took(begin.elapsed());
    }

    /// What comes over one connection to the broker is to come over the other as well.
    fn compare(&mut self, now: Moment, arrival: &Arrival) {
        match arrival {
            Arrival::Message(message) => self.dispatch.lines.hears_on_main(now, message),
            Arrival::Emergency(arrival) => {
                if let Arrival::Message(message) = &**arrival {
                    self.dispatch.lines.hears_on_emergency(now, message);
                }
            }
            Arrival::Link(_) | Arrival::Report(_) => {}
        }
    }

    async fn take_arrival(&mut self, now: Now, arrival: Arrival) {
        self.compare(now.moment, &arrival);
        match arrival {
            Arrival::Message(message) if self.topics.kept_machine(&message.topic).is_some() => {
                self.hear_note(now, &message).await;
            }
            Arrival::Message(message) if self.topics.health_site(&message.topic).is_some() => {
                self.hear_guard(now, &message);
            }
            Arrival::Message(message) => {
                let copy = self.readings.copy(&message);
                self.handle(now, Event::Message(message)).await;
                if let Some(copy) = copy {
                    self.readings.hear(now, copy);
                }
            }
            Arrival::Link(state) => {
                self.broker.link(&state);
                let body = match &state {
                    LinkState::Up => {
                        tracing::info!("link up");
                        messages::Link { state: "up".into(), why: None }
                    }
                    LinkState::Down { why } => {
                        tracing::warn!(why, "link down");
                        messages::Link { state: "down".into(), why: Some(why.to_string()) }
                    }
                };
                self.dispatch.journalling.link(now, json(&body));
                let up = state == LinkState::Up;
                if up {
                    let gives = is_one_of_several(self.engine.plan(), self.stand_by.as_ref());
                    self.broker_store.up(gives);
                } else {
                    self.broker_store.down();
                }
                self.handle(now, Event::Link(state)).await;
                if up {
                    self.publish_everything(now);
                    self.take_missed_presses(now).await;
                }
            }
            Arrival::Report(report) => self.broker.report(self.engine.plan(), &report),
            Arrival::Emergency(arrival) => match *arrival {
                Arrival::Message(message) => self.handle(now, Event::EmergencyMessage(message)).await,
                Arrival::Link(state) => {
                    let state = self.dispatch.lines.emergency_is(now.moment, state);
                    self.tell_of_emergency_link(now, state).await;
                }
                Arrival::Report(report) => {
                    self.broker.report(self.engine.plan(), &report);
                    let state = self.dispatch.lines.emergency_reports(&report);
                    self.tell_of_emergency_link(now, state).await;
                }
                Arrival::Emergency(_) => unreachable!("there is one connection for emergencies"),
            },
        }
    }

    async fn tell_of_emergency_link(&mut self, now: Now, state: Option<LinkState>) {
        let Some(state) = state else { return };
        match &state {
            LinkState::Up => tracing::info!("the connection for emergencies is up"),
            LinkState::Down { why } => tracing::warn!(why, "the connection for emergencies is down"),
        }
        self.handle(now, Event::EmergencyLink(state)).await;
        if self.engine.link_is_up() {
            self.publish_health(now);
        }
    }

    async fn take_assessments(&mut self) {
        let now = Clock.now();
        for assessed in self.dispatch.collect() {
            self.judge(now, Event::Assessed(assessed));
        }
        self.carry_out(now).await;
    }

    async fn take_news(&mut self, news: News) {
        let now = Clock.now();
        match news {
            News::Health(health) => tracing::info!(?health, "journal"),
            News::SetAside(aside) => {
                tracing::error!(file = %aside.file.display(), why = aside.why, "a damaged journal was set aside");
            }
            News::RestoredLate(restored) => {
                tracing::warn!(
                    "what an earlier run had stored could only be read now; its lockouts are in force"
                );
                self.recall(now, &restored).await;
            }
        }
        if self.engine.link_is_up() {
            self.dispatch.tell_doubts(now);
        }
        if self.engine.link_is_up() {
            self.publish_health(now);
        }
    }

    fn take_expiry(&mut self, found: Expiry) {
        let now = Clock.now();
        if let Some(late) = self.broker.expiry.take(found) {
            self.dispatch.late_broker(now, !late);
        }
        if self.engine.link_is_up() {
            self.publish_health(now);
        }
    }

    /// Once a second: a share of the machines is shown anew, and now and then the service itself.
    async fn turn(&mut self) {
        let now = Clock.now();
        self.turns += 1;
        // Only a loop that gets here, through the same queue as every event, is alive.
        supervisor::alive();
        let lost_lines = self.lost_lines.as_ref().map_or(0, ErrorCounter::dropped_lines);
        self.dispatch.metrics.lost(self.inbox.readings_dropped(), lost_lines);
        self.show(now);
        if let Some(change) = self.rivals.change(now.moment, self.engine.plan()) {
            self.dispatch.tell_rivals(now, &change);
        }
        let emergency = self.dispatch.lines.look_at_emergency(now.moment);
        self.tell_of_emergency_link(now, emergency).await;
        for (input, count) in self.inbox.take_unheard() {
            self.handle(now, Event::Unheard { input, count }).await;
        }
        self.see_itself(now).await;
        if !self.engine.link_is_up() {
            return;
        }
        self.broker.expiry.try_if_due(now.moment, self.engine.plan(), &self.dispatch.lines.main);
        let machines = indices(&self.engine.plan().machines);
        for index in machines.skip(self.turns % STATUS_TURNS).step_by(STATUS_TURNS) {
            self.dispatch.publish_status(now, &self.engine, index);
        }
        let health_turns = if self.stand_by.is_some() { HEALTH_TURNS_OF_SEVERAL } else { HEALTH_TURNS };
        if self.turns.is_multiple_of(health_turns) {
            self.publish_health(now);
        }
        self.dispatch.publish_more_of_handover(now);
        self.take_missed_presses(now).await;
    }

    /// To monitors, and to whoever looks at the page.
    fn show(&mut self, now: Now) {
        let (health, link_is_up) = (self.health(now), self.engine.link_is_up());
        self.dispatch.metrics.turned(now, &self.engine, json(&health));
        let machines = &self.engine.plan().machines;
        let is_due = self.dispatch.page.due(self.turns, machines.len());
        for (_, index) in indices(machines).enumerate().filter(|(number, _)| is_due(*number)) {
            self.dispatch.show_status(now, &self.engine, index);
        }
        self.dispatch.page.tell(|| Fact::Turned(Box::new(Turned { link_is_up, health })));
    }

    /// Emergencies from before we took over that nobody has answered.
    async fn take_missed_presses(&mut self, now: Now) {
        let missed = self.stand_by.as_ref().map(|stand_by| stand_by.take_presses(now)).unwrap_or_default();
        for message in missed {
            tracing::warn!(topic = %message.topic.escape_debug(), "an emergency request was not answered");
            self.handle(now, Event::MissedPress(message)).await;
        }
    }

    fn publish_everything(&mut self, now: Now) {
        self.publish_health(now);
        self.dispatch.publish_handover(now);
        self.dispatch.tell_doubts(now);
        for index in indices(&self.engine.plan().machines) {
            self.dispatch.publish_status(now, &self.engine, index);
        }
    }

    fn publish_health(&self, now: Now) {
        self.dispatch.publish_health(now.moment, &self.health(now));
    }

    fn health(&self, now: Now) -> Health {
        let facts = health::Facts {
            name: self.stand_by.as_ref().map(|stand_by| &stand_by.name),
            instance: &self.instance,
            broker_forgets: self.broker_store.forgets(),
            rejected: self.dispatch.rejected,
            readings_dropped: self.inbox.readings_dropped(),
            withheld: self.dispatch.withheld.as_ref(),
            misfits: self.dispatch.misfits.as_ref(),
            journal: &self.journal_health(),
            readings: self.readings.health(),
            broker: &self.broker,
            reloaded: self.reloaded.as_ref(),
            emergency_connection: self.dispatch.lines.emergency_health(),
        };
        health::guarding(now, &self.engine, facts)
    }

    fn journal_health(&self) -> String {
        let health = self.dispatch.journalling.health();
        if self.dispatch.doubt.is_open() { format!("{health}; lockouts are in doubt") } else { health }
    }

    fn next_deadline(&self) -> Instant {
        let now = Clock.now().moment;
        let wait = self.engine.deadline().unwrap_or(Moment(now.0 + 3_600_000)).since(now);
        Instant::now() + Duration::from(wait)
    }

    /// Open windows are closed, and said to be; what waits is answered; nothing is switched.
    async fn stop(mut self, ended: Ended) {
        if ended == Ended::Asked {
            supervisor::stopping();
        }
        self.reloader.as_ref().inspect(|reloader| reloader.ends_well());
        let now = Clock.now();
        self.engine.stop(now, &mut self.effects);
        self.carry_out(now).await;
        self.dispatch.journalling.record_service(RecordKind::Stop, now, json(&Stop::default()));
        self.dispatch.lines.shutdown(Bytes::from(text(&health::gone()))).await;
        let (journalling, readings) = (self.dispatch.journalling, self.readings);
        let close = move || {
            journalling.close();
            readings.close();
        };
        // The disk may be slow, and the runtime has nothing else left to do.
        if tokio::task::spawn_blocking(close).await.is_err() {
            tracing::error!("the journal was not closed");
        }
    }
}

/// As a queue of emergencies holds nothing but messages.
fn emergency_event(arrival: Arrival) -> Option<Event> {
    match arrival {
        Arrival::Message(message) => Some(Event::Message(message)),
        Arrival::Emergency(arrival) => match *arrival {
            Arrival::Message(message) => Some(Event::EmergencyMessage(message)),
            Arrival::Link(_) | Arrival::Report(_) | Arrival::Emergency(_) => None,
        },
        Arrival::Link(_) | Arrival::Report(_) => None,
    }
}
