//! Carrying out effects: orders and messages to the link, readings to the detectors, records to the journal.
//!
//! Orders go first and wait for nothing. Whatever cannot be carried out is said, and never comes back as a
//! pretence that it was.

use std::sync::Arc;

use bytes::Bytes;

use super::detectors::Detectors;
use super::doubt::{self, Doubt};
use super::handover_writer::HandoverWriter;
use super::journalling::{self, Journalling, Stored};
use super::lines::Lines;
use super::metrics::Metrics;
use super::page::{Fact, Page};
use super::rate::RateLimit;
use super::rivals;
use idlegate_detectors::Modules;
use idlegate_engine::{
    self as engine, AnswerWithheld, BlindSpot, BlindSpotsTold, ContactUnclear, Decided, DetectorStopped,
    Effect, Engine, ForeignOrder, ForeignOrderStage, GroupAnswered, JobEnded, KeptMachine, NotUnderstood,
    Order, OutletsLost, Rejected, Reply, ShopIncident, Subject, Warned,
};
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_guard::{Cause, Confirm, Decision, Switch};
use idlegate_link::{LinkHandle, NotSent, Outgoing, Urgency};
use idlegate_messages::effects::blind;
use idlegate_messages::effects::messages::{self, Topics};
use idlegate_messages::effects::sentences::{self, Sentence};
use idlegate_messages::{GroupAnswer, Health, Told, text};
use idlegate_os::Clock;
use idlegate_plan::event::{Assessed, Name};
use idlegate_plan::{MachineIx, SharedPlan, SignalIx};

pub(super) struct Dispatch {
    plan: SharedPlan,
    topics: Topics,
    pub(super) lines: Lines,
    detectors: Detectors,
    pub(super) journalling: Journalling,
    pub(super) handover_writer: HandoverWriter,
    pub(super) doubt: Doubt,
    rejections: RateLimit,
    /// Of inputs: how many messages were no gesture, and the last of them.
    pub(super) misfits: Option<(u64, Rejected)>,
    /// Whoever watches the health is to see that now, and not with the next beat.
    pub(super) health_is_due: bool,
    pub(super) rejected: u64,
    /// Answers that nobody was given, how many and the last of them.
    pub(super) withheld: Option<(u64, AnswerWithheld)>,
    withheld_lines: RateLimit,
    pub(super) metrics: Arc<Metrics>,
    pub(super) page: Page,
}

/// What is left to be done about something that was decided. Its orders have been sent.
#[expect(clippy::large_enum_variant, reason = "most are effects, and an allocation for each would cost more")]
pub(super) enum Task {
    /// An order, and what became of it.
    Ordered(Order, Result<(), String>),
    Other(Effect),
}

impl Dispatch {
    pub(super) fn new(
        plan: SharedPlan,
        lines: Lines,
        detectors: Detectors,
        journalling: Journalling,
        handover_writer: HandoverWriter,
        doubt: Doubt,
    ) -> Dispatch {
        let topics = Topics::of(&plan.shop);
        Dispatch {
            plan,
            topics,
            lines,
            detectors,
            journalling,
            handover_writer,
            doubt,
            rejections: RateLimit::default(),
            misfits: None,
            health_is_due: false,
            rejected: 0,
            withheld: None,
            withheld_lines: RateLimit::default(),
            metrics: Arc::new(Metrics::new()),
            page: Page::default(),
        }
    }

    /// New rules; everything done under the old ones has been carried out.
    pub(super) fn adopt(&mut self, now: Moment, plan: SharedPlan, modules: Arc<Modules>) {
        for gone in self.plan.machines.iter().filter(|old| plan.machine(old.name.as_str()).is_none()) {
            // An empty stored message takes the last one out of the broker's store.
            self.publish(Outgoing::state(&self.topics.machine(gone.name.as_str()), Bytes::new(), now));
        }
        self.metrics.forget_machines();
        modules.set_memory_together(plan.shop.detector_memory_bytes);
        self.handover_writer.follow(&plan);
        self.detectors.follow(modules);
        self.plan = plan;
    }

    /// Something for people that is about no machine.
    pub(super) fn say(&self, now: Now, of: Subject, sentence: &str) {
        let message = messages::shop_announcement(now, of, None, sentence);
        self.deliver(now.moment, &message, None);
    }

    /// Hands an order to the link at once, ahead of everything else. The rest waits for its turn.
    pub(super) fn begin(&self, now: Moment, effect: Effect) -> Task {
        if let Effect::Order(order) = effect {
            let sent = self.send(now, &order);
            return Task::Ordered(order, sent);
        }
        Task::Other(effect)
    }

    /// What was decided at this time.
    pub(super) fn carry_out(&mut self, now: Now, engine: &Engine, task: Task) {
        match task {
            Task::Ordered(order, sent) => self.order(now, &order, sent),
            Task::Other(effect) => self.effect(now, engine, effect),
        }
    }

    fn effect(&mut self, now: Now, engine: &Engine, effect: Effect) {
        match effect {
            Effect::Order(order) => {
                let sent = self.send(now.moment, &order);
                self.order(now, &order, sent);
            }
            Effect::Refresh { machine, signal } => self.refresh(now.moment, &machine, signal),
            Effect::Feed(feed) => self.detectors.feed(feed),
            Effect::Install(install) => self.detectors.install(now.moment, install),
            Effect::Remove(id) => self.detectors.remove(&id),
            Effect::Decided(decided) => self.decided(now.moment, *decided),
            Effect::GroupAnswered(told) => self.group_answered(now.moment, &told),
            Effect::Announce(announced) => self.announce(now.moment, &announced),
            Effect::Incident(told) => self.incident(now.moment, &told, false),
            Effect::IncidentOver(told) => self.incident(now.moment, &told, true),
            Effect::Keep(kept) => self.keep(now, kept),
            Effect::JobEnded(ended) => self.job_ended(now, *ended),
            Effect::Status { machine } => {
                let found = engine.plan().machine(machine.as_str());
                found.into_iter().for_each(|(machine, _)| self.publish_status(now, engine, machine));
            }
            Effect::Rejected(rejected) => self.rejected(now, &rejected),
            Effect::OutletsLost(told) => self.outlets_lost(now.moment, &told),
            Effect::ContactUnclear(told) => self.contact_unclear(now.moment, &told),
            Effect::ForeignOrder(told) => self.foreign_order(now.moment, &told),
            Effect::DetectorStopped(told) => self.detector_stopped(now.moment, &told),
            Effect::Warned(told) => self.warned(now.moment, &told),
            Effect::ShopIncident(told) => self.trouble(now.moment, &told),
            Effect::ServiceDue(told) => self.service_due(now.moment, &told),
            Effect::Blind(told) => self.blind(now.moment, &told),
            Effect::Noted(noted) => self.journalling.noted(&noted),
            Effect::AnswerWithheld(told) => self.answer_withheld(now.moment, told),
            Effect::NotUnderstood(told) => self.not_understood(now.moment, &told),
        }
    }

    /// Nothing is left to be carried out for now.
    pub(super) fn carried_out(&mut self, now: Moment) {
        self.journalling.flush(now);
    }

    fn keep(&mut self, now: Now, kept: KeptMachine) {
        let (kept, message) = self.handover_writer.keep(&self.topics, now, kept);
        if let Some(message) = message {
            self.publish(message);
        }
        if let Some(news) = self.doubt.note(&kept) {
            self.tell_doubt(now, news);
        }
        self.journalling.keep(kept);
    }

    fn job_ended(&mut self, now: Now, mut ended: JobEnded) {
        let (machine, how) = (&ended.machine, ended.over.how.word());
        tracing::info!(%machine, how, lasted = %ended.over.lasted, "a job is over");
        let (kept, message) = self.handover_writer.keep(&self.topics, now, ended.kept);
        message.into_iter().for_each(|message| self.publish(message));
        ended.kept = kept;
        self.journalling.job(ended);
    }

    /// That lockouts are in doubt, as soon as anybody can hear it.
    pub(super) fn tell_doubts(&mut self, now: Now) {
        if let Some(news) = self.doubt.take_untold() {
            self.tell_doubt(now, news);
        }
    }

    fn tell_doubt(&mut self, now: Now, news: doubt::News) {
        let (sentence, machines, over) = match news {
            doubt::News::Saved => (Sentence::LockoutsSaved, Vec::new(), true),
            doubt::News::InDoubt(machines) => (Sentence::LockoutsInDoubt, machines, false),
            doubt::News::Over(machines) => (Sentence::LockoutsInDoubtOver, machines, true),
        };
        let aloud = sentence != Sentence::LockoutsInDoubtOver;
        let sentence = self.shop_incident(now, Subject::LockoutsInDoubt, sentence, &machines, over);
        if aloud {
            self.say(now, Subject::LockoutsInDoubt, &sentence);
        }
    }

    /// That another guard has a machine of ours, or no longer has.
    pub(super) fn tell_rivals(&mut self, now: Now, change: &rivals::Change) {
        let sentence = if change.over { Sentence::GuardedTwiceOver } else { Sentence::GuardedTwice };
        self.shop_incident(now, Subject::GuardedTwice, sentence, &change.machines, change.over);
    }

    /// An incident about the guarding itself. Gives its sentence.
    fn shop_incident(
        &mut self,
        now: Now,
        of: Subject,
        sentence: Sentence,
        machines: &[Name],
        over: bool,
    ) -> String {
        let title = |name: &Name| {
            self.plan
                .machine(name.as_str())
                .map_or(name.as_str(), |(_, machine)| machine.title.as_str())
                .to_owned()
        };
        let titles: Vec<String> = machines.iter().map(title).collect();
        let titles: Vec<&str> = titles.iter().map(String::as_str).collect();
        let sentence = sentences::of_machines(sentence, &titles, &self.plan.shop.sentences);
        if !over {
            self.metrics.incident(of.word());
        }
        tracing::error!(kind = of.word(), over, "{sentence}");
        let message = messages::shop_incident(now, of, machines.iter().collect(), over, &sentence);
        self.journalling.shop_incident(now, over, &message);
        self.publish_incident(now.moment, &message);
        sentence
    }

    pub(super) fn collect(&mut self) -> Vec<Assessed> {
        let mut assessed = self.detectors.answers();
        for failed in assessed.iter().filter(|assessed| assessed.outcome.is_err()) {
            self.metrics.detector_failed(failed.machine.as_str());
        }
        assessed.append(&mut self.detectors.take_not_loaded());
        assessed
    }

    fn send(&self, now: Moment, order: &Order) -> Result<(), String> {
        let Some((_, machine)) = self.plan.machine(order.machine.as_str()) else {
            return Err("the rules no longer have this machine".to_owned());
        };
        let Some(rules) = &machine.outlet.order else {
            return Err("the machine is only watched".to_owned());
        };
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
        outgoing.outlet = Some(order.machine.as_str().into());
        if order.cause == Cause::Emergency {
            outgoing.urgency = Urgency::Emergency;
        }
        self.lines.order(outgoing, order.resend > 0).map_err(|not_sent| not_sent.to_string())
    }

    /// What became of an order, for the log and the journal.
    fn order(&mut self, now: Now, order: &Order, sent: Result<(), String>) {
        let (machine, switch, cause) = (&order.machine, order.switch.word(), order.cause.word());
        match &sent {
            Ok(()) => tracing::info!(%machine, switch, cause, resend = order.resend, "order sent"),
            Err(why) => {
                tracing::warn!(%machine, switch, cause, resend = order.resend, %why, "order not sent")
            }
        }
        self.metrics.order(order, sent.is_ok());
        self.journalling.order(now, order, sent.err().as_deref());
    }

    fn refresh(&mut self, now: Moment, machine: &Name, signal: Option<SignalIx>) {
        let Some((_, machine)) = self.plan.machine(machine.as_str()) else { return };
        let rules = match signal {
            None => machine.outlet.refresh.as_ref(),
            Some(signal) => machine.signals[signal].polling().map(|polling| &polling.ask),
        };
        let Some(rules) = rules else { return };
        let payload = Bytes::copy_from_slice(rules.payload.as_bytes());
        // If it cannot be sent, no reading comes, and the request that waits for one is held: the safe outcome.
        let ask = Outgoing::event(&rules.topic, payload, now).in_plain_text().marked();
        if let Err(why) = self.lines.main.publish(ask) {
            tracing::warn!(topic = rules.topic, %why, "refresh not sent");
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
        if let Some(id) = decided.answered_id() {
            let ids = self.handover_writer.answered(&self.topics, decided.at, &decided.input, id);
            ids.for_each(|message| publish(&self.lines.main, message));
        }
        let lasts = messages::meant_for(self.window_of(&decided));
        let (topic, reply) = (self.topics.decision(), decided.reply.clone());
        let confirm = decided.confirm;
        let page = self.page.clone();
        let answer = Answers { link: self.lines.main.clone(), page, topic, reply, confirm, lasts };
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

    /// The one answer to a request to a group, and the one announcement.
    fn group_answered(&mut self, now: Moment, told: &GroupAnswered) {
        let sentence = sentences::group_answer(told);
        let (group, input, request) = (&told.group.0, &told.input.0, told.request.word());
        tracing::info!(%group, %input, request, "{sentence}");
        let announced = told.aloud.then(|| {
            self.metrics.announced(Subject::GroupAsked.word());
            let sentence = sentences::group_announcement(told, &sentence, &self.plan.shop.sentences);
            messages::group_announcement(told, &sentence)
        });
        if let Some(message) = &announced {
            if told.members.iter().any(|member| self.is_aloud(&member.machine)) {
                self.deliver(now, message, told.window());
            } else {
                self.page.tell(|| Fact::Announced(Box::new(message.clone())));
            }
        }
        let stored = self.journalling.group(told, announced.as_ref());
        let Some(reply) = told.reply.clone() else { return };
        let (link, lasts) = (self.lines.main.clone(), messages::meant_for(told.window()));
        let mut answer = messages::group_answer(told, &sentence);
        let give = move |now: Moment, answer: &GroupAnswer| {
            let mut outgoing = Outgoing::event(&reply.topic, Bytes::from(text(answer)), now).lasting(lasts);
            outgoing.correlation.clone_from(&reply.correlation);
            publish(&link, outgoing);
        };
        match stored {
            Stored::NotNeeded => give(now, &answer),
            Stored::Later(ticket) => {
                tokio::spawn(async move {
                    answer.stored = Some(journalling::is_stored(ticket).await);
                    give(Clock.now().moment, &answer);
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
        if announced.shadow && !self.speaks_in_shadow(announced) {
            return self.page.tell(|| Fact::Announced(Box::new(message)));
        }
        self.deliver(now, &message, announced.window());
    }

    /// Of what was only decided, nobody is told aloud unless they want to be.
    fn speaks_in_shadow(&self, announced: &engine::Announced) -> bool {
        let others = announced.others.iter().map(|(name, _)| name);
        let mut machines = std::iter::once(&announced.machine).chain(others);
        machines
            .any(|name| self.plan.machine(name.as_str()).is_some_and(|(_, machine)| machine.speak_in_shadow))
    }

    fn outlets_lost(&mut self, now: Moment, told: &OutletsLost) {
        if !told.over {
            self.metrics.incident(Subject::OutletsLost.word());
        }
        let sentence = sentences::outlets_lost(told, &self.plan.shop.sentences);
        tracing::warn!(
            kind = Subject::OutletsLost.word(),
            urgent = told.urgent,
            over = told.over,
            "{sentence}"
        );
        let message = messages::outlets_lost(told, &sentence);
        self.journalling.outlets_lost(told, &message);
        self.publish_incident(now, &message);
    }

    fn contact_unclear(&mut self, now: Moment, told: &ContactUnclear) {
        let over = told.said.is_none();
        if !over {
            self.metrics.incident(Subject::ContactUnclear.word());
        }
        let sentence = sentences::contact_unclear(told, &self.plan.shop.sentences);
        tracing::warn!(input = %told.input.0, kind = Subject::ContactUnclear.word(), over, "{sentence}");
        let message = messages::contact_unclear(told, &sentence);
        self.journalling.contact_unclear(told, &message);
        self.publish_incident(now, &message);
    }

    fn foreign_order(&mut self, now: Moment, told: &ForeignOrder) {
        let over = match told.stage {
            ForeignOrderStage::GoesOn => return self.metrics.foreign_order(told),
            ForeignOrderStage::Over => true,
            ForeignOrderStage::Begun => {
                self.metrics.foreign_order(told);
                self.metrics.incident(Subject::ForeignOrder.word());
                false
            }
        };
        let sentence = sentences::foreign_order(told, &self.plan.shop.sentences);
        tracing::warn!(machine = %told.machine, kind = Subject::ForeignOrder.word(), urgent = told.stored, over, "{sentence}");
        let message = messages::foreign_order(told, &sentence);
        self.journalling.foreign_order(told, &message);
        self.publish_incident(now, &message);
    }

    fn detector_stopped(&mut self, now: Moment, told: &DetectorStopped) {
        if !told.over {
            self.metrics.incident(Subject::DetectorStopped.word());
        }
        self.health_is_due = true;
        let sentence = sentences::detector_stopped(told, &self.plan.shop.sentences);
        let (machine, detector, over) = (&told.machine, &told.detector, told.over);
        // What it said of itself is bounded and tame, as whatever comes from outside is.
        tracing::warn!(%machine, %detector, kind = Subject::DetectorStopped.word(), over, "{sentence}");
        let message = messages::detector_stopped(told, &sentence);
        self.journalling.detector_stopped(told, &message);
        self.publish_incident(now, &message);
        if told.aloud {
            self.metrics.announced(Subject::DetectorStopped.word());
            self.deliver(now, &message, None);
        }
    }

    fn warned(&mut self, now: Moment, told: &Warned) {
        let (kind, over) = (told.what.subject().word(), told.over);
        let sentence = sentences::warned(told, &self.plan.shop.sentences);
        tracing::warn!(machine = %told.machine, kind, urgent = told.is_urgent(), over, "{sentence}");
        let message = messages::warned(told, &sentence);
        self.journalling.warned(told, &message);
        self.publish_incident(now, &message);
        if !over {
            self.metrics.incident(kind);
            self.metrics.announced(kind);
            self.deliver(now, &message, None);
        }
    }

    /// What cannot be seen, or can again.
    fn blind(&mut self, now: Moment, told: &BlindSpotsTold) {
        let kind = Subject::Blind.word();
        if !told.over {
            self.metrics.incident(kind);
        }
        self.health_is_due = true;
        let sentence = blind::blind_spots(told, &self.plan.shop.sentences);
        tracing::warn!(kind, urgent = told.urgent, over = told.over, "{sentence}");
        let message = messages::blind_spots(told, &sentence);
        self.journalling.blind(told, &message);
        self.publish_incident(now, &message);
        let is_aloud = |spot: &BlindSpot| spot.machine().is_none_or(|name| self.is_aloud(name));
        if told.spots.iter().any(is_aloud) {
            self.metrics.announced(kind);
            self.deliver(now, &message, None);
        }
    }

    /// In shadow mode people hear of a machine only if they want to.
    fn is_aloud(&self, name: &Name) -> bool {
        let rules = self.plan.machine(name.as_str()).map(|(_, machine)| machine);
        rules.is_none_or(|machine| machine.speak_in_shadow || !machine.policy.shadow)
    }

    /// What the broker was found to do with messages that have expired, or to do no more.
    pub(super) fn late_broker(&mut self, now: Now, over: bool) {
        if !over {
            self.metrics.incident(Subject::LateBroker.word());
        }
        let sentence = sentences::late_broker(over, &self.plan.shop.sentences);
        tracing::warn!(kind = Subject::LateBroker.word(), over, "{sentence}");
        let message = messages::late_broker(now, over, &sentence);
        self.journalling.late_broker(now, over, &message);
        self.publish_incident(now.moment, &message);
    }

    fn trouble(&mut self, now: Moment, told: &ShopIncident) {
        if !told.over {
            self.metrics.incident(told.what.subject().word());
        }
        let sentence = sentences::trouble(told, &self.plan.shop.sentences);
        tracing::warn!(
            kind = told.what.subject().word(),
            urgent = told.urgent,
            over = told.over,
            "{sentence}"
        );
        let message = messages::trouble(told, &sentence);
        self.journalling.trouble(told, &message);
        self.publish_incident(now, &message);
    }

    fn service_due(&mut self, now: Moment, told: &engine::ServiceDue) {
        self.metrics.announced(Subject::ServiceDue.word());
        let sentence = sentences::service_due(told, &self.plan.shop.sentences);
        tracing::info!(machine = %told.machine, kind = Subject::ServiceDue.word(), "{sentence}");
        let message = messages::service_due(told, &sentence);
        self.journalling.service_due(told, &message);
        self.deliver(now, &message, None);
    }

    fn not_understood(&mut self, now: Moment, told: &NotUnderstood) {
        let sentence = sentences::not_understood(told, &self.plan.shop.sentences);
        // The decision that goes with it is in the journal.
        let (input, _) = &told.input;
        let message = messages::shop_announcement(told.at, Subject::NotUnderstood, Some(input), &sentence);
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
        for (machine, title) in &told.others {
            self.metrics.incident(told.kind.word());
            let (machine, title, others) = (machine.clone(), title.clone(), Vec::new());
            let own = engine::IncidentTold { machine, title, others, ..told.clone() };
            let sentence = sentences::incident(&own, over, &self.plan.shop.sentences);
            self.journalling.incident(&own, over, &messages::incident(&own, over, &sentence));
        }
        self.publish_incident(now, &message);
    }

    fn answer_withheld(&mut self, now: Moment, told: AnswerWithheld) {
        let AnswerWithheld { input, topic, why, .. } = &told;
        self.metrics.answer_withheld();
        if self.withheld_lines.allows(now) {
            tracing::warn!(%input, %topic, "an answer was withheld: its topic {why}");
        }
        self.withheld = Some((self.withheld.take().map_or(0, |(count, _)| count) + 1, told));
    }

    fn rejected(&mut self, now: Now, rejected: &Rejected) {
        self.rejected += 1;
        self.metrics.rejected();
        // What might have been meant as a request is always on record; a meter's nonsense only in the count.
        if rejected.input.is_some() {
            self.journalling.rejection(rejected);
            let count = self.misfits.as_ref().map_or(0, |(count, _)| *count) + 1;
            self.misfits = Some((count, rejected.clone()));
        }
        if self.rejections.allows(now.moment) {
            self.health_is_due |= rejected.input.is_some();
            let topic = rejected.topic.escape_debug();
            tracing::warn!(%topic, fault = %rejected.fault.escape_debug(), "message not used");
        }
    }

    pub(super) fn publish_status(&self, now: Now, engine: &Engine, machine: MachineIx) {
        let status = messages::machine_status(&engine.status(now.moment, machine), now);
        let payload = Bytes::from(text(&status));
        self.publish(Outgoing::state(&self.topics.machine(&status.machine), payload, now.moment));
        self.page.tell(|| Fact::Machine(Box::new(status)));
    }

    /// On the page alone.
    pub(super) fn show_status(&self, now: Now, engine: &Engine, machine: MachineIx) {
        let status = || messages::machine_status(&engine.status(now.moment, machine), now);
        self.page.tell(|| Fact::Machine(Box::new(status())));
    }

    /// What the next guard needs, if there may be one.
    pub(super) fn publish_handover(&mut self, now: Now) {
        let everything = self.handover_writer.everything(&self.topics, now);
        everything.into_iter().for_each(|message| self.publish(message));
    }

    pub(super) fn publish_more_of_handover(&mut self, now: Now) {
        let more = self.handover_writer.more(&self.topics, now);
        more.into_iter().for_each(|message| self.publish(message));
    }

    pub(super) fn publish_health(&self, now: Moment, message: &Health) {
        self.publish(Outgoing::state(&self.topics.health(), Bytes::from(text(message)), now));
    }

    /// For a speaker or a screen, as long as it is worth hearing.
    fn deliver(&self, now: Moment, message: &Told, window: Option<Span>) {
        let payload = Bytes::from(text(message));
        let outgoing = Outgoing::event(&self.topics.announcement(), payload, now);
        self.publish(outgoing.lasting(messages::meant_for(window)));
        self.page.tell(|| Fact::Announced(Box::new(message.clone())));
    }

    /// The window that a held request has opened or renewed.
    fn window_of(&self, decided: &Decided) -> Option<Span> {
        if let Some(confirm) = decided.confirm {
            return Some(confirm.within);
        }
        let machine = decided.machine.as_ref().filter(|_| decided.decision == Decision::Held)?;
        self.plan.machine(machine.as_str()).map(|(_, machine)| machine.policy.window)
    }

    /// Unless somebody works on the machine: then it is on record alone.
    fn publish_incident(&self, now: Moment, message: &Told) {
        if message.quiet {
            return;
        }
        self.publish(Outgoing::event(&self.topics.incident(), Bytes::from(text(message)), now));
        self.page.tell(|| Fact::Incident(Box::new(message.clone())));
    }

    fn publish(&self, outgoing: Outgoing) {
        publish(&self.lines.main, outgoing);
    }
}

/// Where one decision is told: to everybody, and to whoever asked.
struct Answers {
    link: LinkHandle,
    page: Page,
    topic: String,
    reply: Option<Reply>,
    /// For whoever asked alone.
    confirm: Option<Confirm>,
    lasts: Span,
}

impl Answers {
    fn give(&self, now: Moment, message: &idlegate_messages::Decision) {
        let payload = Bytes::from(text(message));
        if let Some(reply) = &self.reply {
            let answer = messages::answer(message, self.confirm);
            let mut outgoing =
                Outgoing::event(&reply.topic, Bytes::from(text(&answer)), now).lasting(self.lasts);
            outgoing.correlation.clone_from(&reply.correlation);
            publish(&self.link, outgoing);
        }
        publish(&self.link, Outgoing::event(&self.topic, payload, now).lasting(self.lasts));
        self.page.tell(|| Fact::Decided(Box::new(message.clone())));
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
