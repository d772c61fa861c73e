//! The loop.

mod change;

use std::future::Future;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::{Notify, mpsc};
use tokio::time::{Instant, sleep_until};
use tracing_appender::non_blocking::ErrorCounter;

use super::carrying::Carrying;
use super::dispatch::Dispatch;
use super::journalling::{self, Journalling};
use super::monitor::Monitor;
use super::options::{Ended, Options};
use super::reload::{self, Reloader, next_outcome};
use super::stand_by::OneOfSeveral;
use super::{health, supervisor, wiring};
use crate::detectors::Workers;
use crate::effects::messages::Topics;
use crate::engine::{Effect, Engine};
use crate::event::{Event, LinkState};
use crate::journal::{Kind, News};
use crate::link::{self, Arrival, Inbox, LinkConfig, LinkHandle, Report};
use crate::time::{Clock, Moment, Now};

/// Events taken one after the other before effects are carried out; more would let an answer wait.
const BATCH_MAX: usize = 64;
/// One machine's status is published anew at least every so many turns of the clock below, readings and all.
const STATUS_TURNS: usize = 10;
const TURN: Duration = Duration::from_secs(1);
/// After an order has been handed over: on a small computer the broker needs the processor as much as we do.
const ORDER_FIRST: Duration = Duration::from_millis(1);
/// How often the service says that it lives.
const HEALTH_TURNS: usize = 30;
/// Those that stand by must not wait long to notice that nobody guards.
const HEALTH_TURNS_OF_SEVERAL: usize = 5;

/// Guards until `shutdown` comes. Stopping switches nothing.
pub async fn run(options: Options, shutdown: impl Future<Output = ()>) -> anyhow::Result<()> {
    guard(options, shutdown).await.map(drop)
}

pub(super) async fn guard(options: Options, shutdown: impl Future<Output = ()>) -> anyhow::Result<Ended> {
    let mut service = Service::start(options)?;
    service.carry_out(Clock.now()).await;
    let mut shutdown = pin!(shutdown);
    let mut turn = tokio::time::interval(TURN);
    turn.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    let mut timer = pin!(sleep_until(Instant::now()));
    let answers = service.answers.clone();
    let mut hangup = signal(SignalKind::hangup())?;
    supervisor::ready();
    let ended = loop {
        timer.as_mut().reset(service.next_deadline());
        tokio::select! {
            () = &mut shutdown => break Ended::Asked,
            arrived = service.inbox.recv() => match arrived {
                Some((now, arrival)) => service.take_arrivals(now, arrival).await,
                // Only the link of one of several ends by itself.
                None => break Ended::LinkLost,
            },
            () = answers.notified() => service.take_assessments().await,
            () = &mut timer => service.handle(Clock.now(), Event::Tick).await,
            Some(news) = service.news.recv() => service.take_news(news).await,
            Some(outcome) = next_outcome(&mut service.reloader) => service.take_outcome(outcome).await,
            Some(()) = hangup.recv() => reload::look(service.reloader.as_ref()),
            _ = turn.tick() => service.turn().await,
        }
    };
    service.stop(ended).await;
    Ok(ended)
}

struct Service {
    engine: Engine,
    dispatch: Dispatch,
    link: LinkHandle,
    inbox: Inbox,
    /// Rung by the workers when assessments are ready.
    answers: Arc<Notify>,
    effects: Vec<Effect>,
    turns: usize,
    /// From the journal: a handful in a lifetime.
    news: mpsc::UnboundedReceiver<News>,
    reloader: Option<Reloader>,
    monitor: Monitor,
    lost_lines: Option<ErrorCounter>,
    stand_by: Option<OneOfSeveral>,
    /// What came of the last look at the rules.
    reloaded: Option<serde_json::Value>,
}

impl Service {
    fn start(options: Options) -> anyhow::Result<Service> {
        let Options { plan, modules, state_dir, rules_dir, lost_lines, stand_by } = options;
        let (tell, news) = mpsc::unbounded_channel();
        let listener = Arc::new(move |item| drop(tell.send(item)));
        let (mut journalling, mut former) = Journalling::start(state_dir.as_deref(), listener);
        let carrying = stand_by.as_ref().map(|stand_by| {
            let (mut carried, now) = (stand_by.carried.clone(), Clock.now());
            former = carried.take_over(&former, stand_by.journal_until, now.wall);
            former.machines.iter().for_each(|kept| journalling.keep(kept.clone()));
            Carrying::new(&plan, carried, &former, now)
        });
        let answers = Arc::new(Notify::new());
        let bell = answers.clone();
        let workers = Workers::start(Box::new(move || bell.notify_one()))?;
        let will = Bytes::from(health::gone().to_string());
        let mut config = LinkConfig::new(plan.shop.broker.clone(), &plan.shop.prefix, will)?;
        config.health_topic = Topics::of(&plan.shop).health();
        config.once = stand_by.is_some();
        let (link, inbox) = link::spawn(config, &wiring::wanted(&plan)?, wiring::classifier(&plan));
        let now = Clock.now();
        let engine = Engine::new(plan.clone(), &former, now);
        let reloader = match rules_dir {
            Some(dir) => Some(Reloader::start(&dir, state_dir.clone(), plan.clone(), modules.clone())?),
            None => None,
        };
        let monitoring = plan.shop.monitoring;
        let dispatch = Dispatch::new(plan, link.clone(), workers, modules, journalling, carrying);
        let mut monitor = Monitor::new(dispatch.metrics.clone());
        monitor.follow(monitoring);
        let mut service = Service {
            engine,
            dispatch,
            link,
            inbox,
            answers,
            effects: Vec::new(),
            turns: 0,
            news,
            reloader,
            monitor,
            lost_lines,
            stand_by,
            reloaded: None,
        };
        let body = serde_json::json!({ "rules": service.engine.plan().digest });
        service.dispatch.journalling.start_or_stop(Kind::Start, now, body);
        service.engine.start(now, &mut service.effects);
        Ok(service)
    }

    async fn handle(&mut self, now: Now, event: Event) {
        self.engine.handle(now, event, &mut self.effects);
        self.carry_out(now).await;
    }

    async fn carry_out(&mut self, now: Now) {
        loop {
            if self.dispatch.send_orders(now.moment, &self.effects) {
                // Somebody has pressed a button and waits: broker and outlet come before anything is logged or said of it.
                tokio::time::sleep(ORDER_FIRST).await;
            }
            self.dispatch.carry_out(now, &self.engine, &mut self.effects);
            let absent = std::mem::take(&mut self.dispatch.absent);
            if absent.is_empty() {
                return;
            }
            for assessed in absent {
                self.engine.handle(now, Event::Assessed(assessed), &mut self.effects);
            }
        }
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

    async fn take_arrival(&mut self, now: Now, arrival: Arrival) {
        match arrival {
            Arrival::Message(message) => self.handle(now, Event::Message(message)).await,
            Arrival::Link(state) => {
                let body = match &state {
                    LinkState::Up => {
                        tracing::info!("link up");
                        serde_json::json!({ "state": "up" })
                    }
                    LinkState::Down { why } => {
                        tracing::warn!(why, "link down");
                        serde_json::json!({ "state": "down", "why": why })
                    }
                };
                self.dispatch.journalling.link(now, body);
                let up = state == LinkState::Up;
                self.handle(now, Event::Link(state)).await;
                if up {
                    self.publish_everything(now);
                    self.take_missed_presses(now).await;
                }
            }
            Arrival::Report(report) => tell(&report),
        }
    }

    async fn take_assessments(&mut self) {
        let now = Clock.now();
        for assessed in self.dispatch.collect() {
            self.engine.handle(now, Event::Assessed(assessed), &mut self.effects);
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
                self.engine.recall(&journalling::former(&restored), now, &mut self.effects);
                self.carry_out(now).await;
            }
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
        self.dispatch.metrics.turned(now.moment, &self.engine, self.health());
        if !self.engine.link_is_up() {
            return;
        }
        let machines = self.engine.plan().machines.len();
        for index in (self.turns % STATUS_TURNS..machines).step_by(STATUS_TURNS) {
            self.dispatch.publish_status(now, &self.engine, index);
        }
        let health_turns = if self.stand_by.is_some() { HEALTH_TURNS_OF_SEVERAL } else { HEALTH_TURNS };
        if self.turns.is_multiple_of(health_turns) {
            self.publish_health(now);
        }
        self.dispatch.publish_more_carried(now);
        self.take_missed_presses(now).await;
    }

    /// Emergencies from before we took over that nobody has answered.
    async fn take_missed_presses(&mut self, now: Now) {
        let missed = self.stand_by.as_ref().map(|stand_by| stand_by.take_presses(now)).unwrap_or_default();
        for message in missed {
            tracing::warn!(topic = %message.topic.escape_debug(), "an emergency request was not answered");
            self.handle(now, Event::Message(message)).await;
        }
    }

    fn publish_everything(&mut self, now: Now) {
        self.publish_health(now);
        self.dispatch.publish_carried(now);
        for index in 0..self.engine.plan().machines.len() {
            self.dispatch.publish_status(now, &self.engine, index);
        }
    }

    fn publish_health(&self, now: Now) {
        self.dispatch.publish_health(now.moment, &self.health());
    }

    fn health(&self) -> serde_json::Value {
        health::guarding(
            &self.engine,
            self.dispatch.rejected,
            self.inbox.readings_dropped(),
            &self.dispatch.journalling.health(),
            self.reloaded.as_ref(),
            self.stand_by.as_ref().map(|stand_by| &stand_by.name),
        )
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
        let now = Clock.now();
        self.engine.stop(now, &mut self.effects);
        self.carry_out(now).await;
        self.dispatch.journalling.start_or_stop(Kind::Stop, now, serde_json::json!({}));
        self.link.shutdown(Bytes::from(health::gone().to_string())).await;
        let journalling = self.dispatch.journalling;
        // The disk may be slow, and the runtime has nothing else left to do.
        if tokio::task::spawn_blocking(move || journalling.close()).await.is_err() {
            tracing::error!("the journal was not closed");
        }
    }
}

fn tell(report: &Report) {
    match report {
        Report::SubscriptionDenied { filter, why } => {
            tracing::error!(
                filter,
                why,
                "the broker does not let this be read; what is sent there is not seen"
            );
        }
        Report::PublishRefused { topic, why } => {
            tracing::error!(topic, why, "the broker refused a message")
        }
        Report::NobodyListens { topic } => {
            tracing::warn!(topic, "an order was sent, but nobody listens on its topic");
        }
        Report::ExpiredUnsent { topic } => {
            tracing::warn!(topic, "a message could not be sent in time and was dropped")
        }
    }
}
