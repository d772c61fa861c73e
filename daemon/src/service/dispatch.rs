//! Carrying out effects: orders and messages to the link, readings to the detectors, records to the journal.
//!
//! Orders go first and wait for nothing. Whatever cannot be carried out is said, and never comes back as a
//! pretence that it was.

use std::collections::VecDeque;
use std::sync::Arc;

use bytes::Bytes;
use serde_json::Value as Json;

use super::carrying::Carrying;
use super::journalling::{self, Journalling, Stored};
use super::metrics::Metrics;
use super::modules::Modules;
use super::rate::RateLimit;
use crate::detectors::{self, Installation, Place, Workers};
use crate::effects::messages::{self, Topics};
use crate::effects::sentences;
use crate::engine::{
    self, Decided, Effect, Engine, Feed, Install, NotUnderstood, Order, OutletsLost, Rejected, Reply,
};
use crate::event::{Assessed, DetectorFault};
use crate::guard::{Cause, Decision, Switch};
use crate::link::{LinkHandle, NotSent, Outgoing, Urgency};
use crate::plan::SharedPlan;
use crate::time::{Clock, Moment, Now, Span};

pub(super) struct Dispatch {
    plan: SharedPlan,
    topics: Topics,
    link: LinkHandle,
    workers: Workers,
    modules: Arc<Modules>,
    pub(super) journalling: Journalling,
    carrying: Option<Carrying>,
    rejections: RateLimit,
    pub(super) rejected: u64,
    pub(super) metrics: Arc<Metrics>,
    /// What became of the orders that were handed over ahead of the rest of their effects.
    sent: VecDeque<Result<(), String>>,
    /// Assessments that no worker will give, because their detector is not there.
    pub(super) absent: Vec<Assessed>,
}

impl Dispatch {
    pub(super) fn new(
        plan: SharedPlan,
        link: LinkHandle,
        workers: Workers,
        modules: Arc<Modules>,
        journalling: Journalling,
        carrying: Option<Carrying>,
    ) -> Dispatch {
        let topics = Topics::of(&plan.shop);
        Dispatch {
            plan,
            topics,
            link,
            workers,
            modules,
            journalling,
            carrying,
            rejections: RateLimit::default(),
            rejected: 0,
            metrics: Arc::new(Metrics::new()),
            sent: VecDeque::new(),
            absent: Vec::new(),
        }
    }

    /// New rules; everything done under the old ones has been carried out.
    pub(super) fn adopt(&mut self, now: Moment, plan: SharedPlan, modules: Arc<Modules>) {
        for gone in self.plan.machines.iter().filter(|old| plan.machine(old.name.as_str()).is_none()) {
            // An empty stored message takes the last one out of the broker's store.
            self.publish(Outgoing::state(&self.topics.machine(gone.name.as_str()), Bytes::new(), now));
        }
        self.metrics.forget_machines();
        (self.plan, self.modules) = (plan, modules);
    }

    /// Something for people that is about no machine.
    pub(super) fn say(&self, now: Now, kind: &str, sentence: &str) {
        let message = messages::shop_announcement(now, kind, None, sentence);
        self.deliver(now.moment, &message, None);
    }

    /// Hands the orders among the effects to the link, ahead of everything else. Whether there were any.
    pub(super) fn send_orders(&mut self, now: Moment, effects: &[Effect]) -> bool {
        for effect in effects {
            if let Effect::Order(order) = effect {
                let sent = self.send(now, order);
                self.sent.push_back(sent);
            }
        }
        !self.sent.is_empty()
    }

    pub(super) fn carry_out(&mut self, now: Now, engine: &Engine, effects: &mut Vec<Effect>) {
        for effect in effects.drain(..) {
            match effect {
                Effect::Order(order) => {
                    let sent = self.sent.pop_front().unwrap_or_else(|| self.send(now.moment, &order));
                    self.order(now, &order, sent);
                }
                Effect::Refresh { machine } => self.refresh(now.moment, machine),
                Effect::Feed(feed) => self.feed(feed),
                Effect::Install(install) => self.install(now.moment, install),
                Effect::Remove { machine, detector } => self.workers.remove(&Place { machine, detector }),
                Effect::Decided(decided) => self.decided(now.moment, *decided),
                Effect::Announce(announced) => self.announce(now.moment, &announced),
                Effect::Incident(told) => self.incident(now.moment, &told, false),
                Effect::IncidentOver(told) => self.incident(now.moment, &told, true),
                Effect::Keep(kept) => {
                    if let Some(carrying) = &mut self.carrying {
                        let message = carrying.keep(&self.topics, now, &kept);
                        self.publish(message);
                    }
                    self.journalling.keep(kept);
                }
                Effect::Status { machine } => self.publish_status(now, engine, machine),
                Effect::Rejected(rejected) => self.rejected(now, &rejected),
                Effect::OutletsLost(told) => self.outlets_lost(now.moment, &told),
                Effect::Noted(noted) => self.journalling.noted(&noted),
                Effect::NotUnderstood(told) => self.not_understood(now.moment, &told),
            }
        }
        self.journalling.flush();
    }

    pub(super) fn collect(&self) -> Vec<Assessed> {
        let assessed = self.workers.collect();
        for failed in assessed.iter().filter(|assessed| assessed.outcome.is_err()) {
            self.metrics.detector_failed(failed.machine.as_str());
        }
        assessed
    }

    fn send(&self, now: Moment, order: &Order) -> Result<(), String> {
        let rules = &self.plan.machines[order.machine].outlet.order;
        let payload = match order.switch {
            Switch::On => &rules.on,
            Switch::Off => &rules.off,
        };
        if order.shadow {
            return Err("shadow mode: not sent".to_owned());
        }
        let payload = Bytes::copy_from_slice(payload.as_bytes());
        let mut outgoing = Outgoing::order(&rules.topic, payload, rules.expiry, now);
        // Not its topic: the sockets of a strip may share one.
        outgoing.outlet = Some(order.name.as_str().into());
        if order.cause == Cause::Emergency {
            outgoing.urgency = Urgency::Emergency;
        }
        self.link.publish(outgoing).map_err(|not_sent| not_sent.to_string())
    }

    /// What became of an order, for the log and the journal.
    fn order(&mut self, now: Now, order: &Order, sent: Result<(), String>) {
        let (machine, switch, cause) = (&order.name, order.switch.word(), order.cause.word());
        match &sent {
            Ok(()) => tracing::info!(%machine, switch, cause, resend = order.resend, "order sent"),
            Err(why) => {
                tracing::warn!(%machine, switch, cause, resend = order.resend, %why, "order not sent")
            }
        }
        self.metrics.order(order, sent.is_ok());
        self.journalling.order(now, order, sent.err().as_deref());
    }

    fn refresh(&mut self, now: Moment, machine: usize) {
        let Some(rules) = &self.plan.machines[machine].outlet.refresh else { return };
        let payload = Bytes::copy_from_slice(rules.payload.as_bytes());
        // If it cannot be sent, no reading comes, and the request that waits for one is held: the safe outcome.
        if let Err(why) = self.link.publish(Outgoing::event(&rules.topic, payload, now).in_plain_text()) {
            tracing::warn!(topic = rules.topic, %why, "refresh not sent");
        }
    }

    fn feed(&mut self, feed: Feed) {
        let fed = self.workers.feed(detectors::Feed {
            place: Place { machine: feed.machine, detector: feed.detector },
            generation: feed.generation,
            feed: feed.feed,
            readings: feed.readings,
            assess_at: feed.assess_at,
        });
        // A detector that is not installed has said so once, and stays unknown.
        if let Err(not_installed) = fed {
            tracing::debug!(%not_installed, "feed dropped");
        }
    }

    fn install(&mut self, now: Moment, install: Install) {
        let place = Place { machine: install.machine.clone(), detector: install.detector };
        let installed = self.modules.get(&install.module).and_then(|module| {
            let declared = module.description().signals.iter();
            let wired = declared.zip(install.signals.iter().chain(std::iter::repeat(&None)));
            let signals =
                wired.map(|(declared, wired)| wired.clone().unwrap_or_else(|| declared.name.clone()));
            let signals = signals.collect();
            let settings = install.settings.to_string();
            let installation = Installation { module, settings, signals };
            self.workers.install(place, install.generation, installation).map_err(|error| error.to_string())
        });
        if let Err(why) = installed {
            tracing::error!(machine = %install.machine, %why, "detector not loaded; the machine counts as busy");
            self.absent.push(Assessed {
                machine: install.machine,
                detector: install.detector,
                generation: install.generation,
                feed: 0,
                at: now,
                outcome: Err(DetectorFault::NotLoaded(why)),
            });
        }
    }

    fn decided(&mut self, now: Moment, decided: Decided) {
        self.metrics.decided(&decided);
        let sentence = sentences::decision(&decided);
        tracing::info!(
            input = %decided.input,
            request = decided.request.map_or("?", |kind| kind.word()),
            decision = decided.decision.word(),
            why = decided.why.word(),
            "{sentence}"
        );
        let message = messages::decision(&decided);
        if let (Some(carrying), Some(id)) = (&mut self.carrying, decided.answered_id()) {
            let ids = carrying.answered(&self.topics, decided.at, &decided.input, id);
            ids.for_each(|message| publish(&self.link, message));
        }
        let lasts = messages::meant_for(self.window_of(&decided));
        let (topic, reply) = (self.topics.decision(), decided.reply.clone());
        let answer = Answers { link: self.link.clone(), topic, reply, lasts };
        match self.journalling.decision(&decided, &message) {
            Stored::NotNeeded => answer.give(now, &message),
            // Whoever is told "locked" may rely on it only once it is on disk. The loop does not wait for that.
            Stored::Later(ticket) => {
                tokio::spawn(async move {
                    let message = journalling::settled(ticket, message).await;
                    answer.give(Clock.now().moment, &message);
                });
            }
        }
    }

    fn announce(&mut self, now: Moment, announced: &engine::Announced) {
        self.metrics.announced(announced.what.word());
        let sentence = sentences::announcement(announced, &self.plan.shop.sentences);
        tracing::info!(machine = %announced.machine, kind = announced.what.word(), "{sentence}");
        let message = messages::announcement(announced, &sentence);
        self.journalling.announcement(announced, &message);
        self.deliver(now, &message, announced.window());
    }

    fn outlets_lost(&mut self, now: Moment, told: &OutletsLost) {
        if !told.over {
            self.metrics.incident(messages::OUTLETS_LOST);
        }
        let sentence = sentences::outlets_lost(told, &self.plan.shop.sentences);
        tracing::warn!(kind = messages::OUTLETS_LOST, urgent = told.urgent, over = told.over, "{sentence}");
        let message = messages::outlets_lost(told, &sentence);
        self.journalling.outlets_lost(told, &message);
        self.publish_event(now, &self.topics.incident(), &message);
    }

    fn not_understood(&mut self, now: Moment, told: &NotUnderstood) {
        let sentence = sentences::not_understood(told, &self.plan.shop.sentences);
        // The decision that goes with it is in the journal.
        let (input, _) = &told.input;
        let message = messages::shop_announcement(told.at, messages::NOT_UNDERSTOOD, Some(input), &sentence);
        self.deliver(now, &message, None);
    }

    fn incident(&mut self, now: Moment, told: &engine::IncidentTold, over: bool) {
        if !over {
            self.metrics.incident(told.kind.word());
        }
        let sentence = sentences::incident(told, over, &self.plan.shop.sentences);
        tracing::warn!(machine = %told.machine, kind = told.kind.word(), urgent = told.urgent, over, "{sentence}");
        let message = messages::incident(told, over, &sentence);
        self.journalling.incident(told, over, &message);
        self.publish_event(now, &self.topics.incident(), &message);
    }

    fn rejected(&mut self, now: Now, rejected: &Rejected) {
        self.rejected += 1;
        self.metrics.rejected();
        // What might have been meant as a request is always on record; a meter's nonsense only in the count.
        if rejected.input.is_some() {
            self.journalling.rejection(rejected);
        }
        if self.rejections.allows(now.moment) {
            let topic = rejected.topic.escape_debug();
            tracing::warn!(%topic, fault = %rejected.fault.escape_debug(), "message not used");
        }
    }

    pub(super) fn publish_status(&self, now: Now, engine: &Engine, machine: usize) {
        let status = engine.status(now.moment, machine);
        let payload = Bytes::from(messages::machine_status(&status, now).to_string());
        self.publish(Outgoing::state(&self.topics.machine(status.machine.as_str()), payload, now.moment));
    }

    /// What the next guard needs, if there may be one.
    pub(super) fn publish_carried(&mut self, now: Now) {
        let everything = self.carrying.as_mut().map(|carrying| carrying.everything(&self.topics, now));
        everything.into_iter().flatten().for_each(|message| self.publish(message));
    }

    pub(super) fn publish_more_carried(&mut self, now: Now) {
        let more = self.carrying.as_mut().map(|carrying| carrying.more(&self.topics, now));
        more.into_iter().flatten().for_each(|message| self.publish(message));
    }

    pub(super) fn publish_health(&self, now: Moment, message: &Json) {
        self.publish(Outgoing::state(&self.topics.health(), Bytes::from(message.to_string()), now));
    }

    /// For a speaker or a screen, as long as it is worth hearing.
    fn deliver(&self, now: Moment, message: &Json, window: Option<Span>) {
        let payload = Bytes::from(message.to_string());
        let outgoing = Outgoing::event(&self.topics.announcement(), payload, now);
        self.publish(outgoing.lasting(messages::meant_for(window)));
    }

    /// The window that a held request has opened or renewed.
    fn window_of(&self, decided: &Decided) -> Option<Span> {
        let machine = decided.machine.as_ref().filter(|_| decided.decision == Decision::Held)?;
        self.plan.machine(machine.as_str()).map(|(_, machine)| machine.policy.window)
    }

    fn publish_event(&self, now: Moment, topic: &str, message: &Json) {
        self.publish(Outgoing::event(topic, Bytes::from(message.to_string()), now));
    }

    fn publish(&self, outgoing: Outgoing) {
        publish(&self.link, outgoing);
    }
}

/// Where one decision is told: to everybody, and to whoever asked.
struct Answers {
    link: LinkHandle,
    topic: String,
    reply: Option<Reply>,
    lasts: Span,
}

impl Answers {
    fn give(&self, now: Moment, message: &Json) {
        let payload = Bytes::from(message.to_string());
        if let Some(reply) = &self.reply {
            let mut outgoing = Outgoing::event(&reply.topic, payload.clone(), now).lasting(self.lasts);
            outgoing.correlation.clone_from(&reply.correlation);
            publish(&self.link, outgoing);
        }
        publish(&self.link, Outgoing::event(&self.topic, payload, now).lasting(self.lasts));
    }
}

fn publish(link: &LinkHandle, outgoing: Outgoing) {
    let topic = outgoing.topic.clone();
    match link.publish(outgoing) {
        Ok(()) => {}
        // While the link is down nobody could hear it; it is in the journal and in the log.
        Err(NotSent::Down) => tracing::debug!(%topic, "not published: link down"),
        Err(why) => tracing::warn!(%topic, %why, "not published"),
    }
}
