//! One connection: whatever the client library tells ends here, and whatever is sent starts here.
//!
//! All methods are short and never wait; they run under the link's one lock. An error is the reason, in words,
//! why the connection must be given up.

use std::collections::VecDeque;
use std::hash::RandomState;
use std::sync::Arc;

use rumqttc::Outgoing as Sent;
use rumqttc::v5::mqttbytes::QoS as Level;
use rumqttc::v5::mqttbytes::v5::{
    ConnAck, Filter as WireFilter, PubAck, PubAckReason, RetainForwardRule, SubAck, SubscribeProperties,
};
use rumqttc::v5::{AsyncClient, Event, Incoming};
use tokio::sync::oneshot;

use super::barrier::{Barrier, Markers};
use super::echoes::Echoes;
use super::handle::Counters;
use super::inbox::Entrance;
use super::options::UNCONFIRMED_MAX;
use super::outgoing::{NotSent, OUTGOING_BYTES_MAX, Outgoing, QoS, Urgency};
use super::queue::Queue;
use super::subscriptions::{Step, Subscriptions};
use super::{Classifier, LinkConfig, Purpose, Report, reason};
use idlegate_guard::time::{Moment, Span};
use idlegate_os::Clock;
use idlegate_plan::topic::{Filter, is_topic};

/// What the client library may hold that it has not sent yet. Little, so that an emergency is not behind much.
pub(super) const HANDED_MAX: usize = 16;
/// With a marker missing for longer than this, an order might lie in a frozen socket and arrive when it thaws.
/// One that was sent just before the freeze still may, since its expiry counts only from the broker on; until
/// the broker drops the connection (1.5 times the keep-alive) or we do, that lateness is beyond us.
const STALLED_AFTER: Span = Span::secs(2);

/// With a marker missing for longer than this a connection is not relied upon alone.
const LIVE_WITHIN: Span = Span::secs(1);

pub(super) struct Connection {
    pub(super) client: AsyncClient,
    pub(super) mailbox: Entrance,
    pub(super) marker_topic: Arc<str>,
    pub(super) mark: Arc<str>,
    pub(super) echoes: Echoes,
    pub(super) random: RandomState,
    pub(super) markers_made: u64,
    pub(super) barrier: Barrier,
    pub(super) subscriptions: Subscriptions,
    /// Given to the client library and not yet sent by it, in order.
    pub(super) handed: VecDeque<Handed>,
    /// Sent and not yet confirmed by the broker.
    unconfirmed: Vec<Unconfirmed>,
    /// Whoever waits for the broker's confirmation of a message on this topic; the earlier one first.
    waiting: Vec<(Arc<str>, oneshot::Sender<()>)>,
    queue: Queue,
    limits: Limits,
    pub(super) phase: Phase,
    /// Ticks since a marker came back. Ticks, not time: after a long sleep of the whole process the broker
    /// deserves the time it takes to answer.
    pub(super) silent_ticks: u32,
    silent_ticks_max: u32,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Phase {
    /// The broker has not answered.
    Connecting,
    /// The subscriptions are being answered.
    Subscribing,
    /// Waiting for a marker that was sent after the last of those answers, behind which nothing stored can hide.
    Proving {
        after: Markers,
    },
    Up {
        since: Moment,
    },
}

pub(super) enum Handed {
    Message { topic: Arc<str>, urgency: Urgency, confirmed: bool },
    Marker,
    Subscription,
    Goodbye,
}

struct Unconfirmed {
    packet: u16,
    topic: Arc<str>,
    urgency: Urgency,
}

/// What this broker takes.
struct Limits {
    unconfirmed: usize,
    packet_bytes: usize,
    numbered_subscriptions: bool,
}

impl Limits {
    /// Whatever else waits for a slow broker's confirmations leaves room for orders.
    fn unconfirmed_for(&self, urgency: Urgency) -> usize {
        match urgency {
            Urgency::Routine => (self.unconfirmed - self.unconfirmed / 3).max(1),
            Urgency::Order | Urgency::Emergency => self.unconfirmed,
        }
    }
}

impl Connection {
    /// For a client that has not been polled yet.
    pub(super) fn new(
        client: AsyncClient,
        mailbox: Entrance,
        config: &LinkConfig,
        wanted: &[(Filter, Purpose)],
        silent_ticks_max: u32,
    ) -> Connection {
        let mut subscriptions = Subscriptions::new(config.marker_topic.clone());
        subscriptions.want(wanted);
        Connection {
            client,
            mailbox,
            marker_topic: config.marker_topic.as_str().into(),
            mark: config.mark.as_str().into(),
            echoes: Echoes::default(),
            random: RandomState::new(),
            markers_made: 0,
            barrier: Barrier::new(Clock.now().moment),
            subscriptions,
            handed: VecDeque::new(),
            unconfirmed: Vec::new(),
            waiting: Vec::new(),
            queue: Queue::default(),
            limits: Limits {
                unconfirmed: usize::from(UNCONFIRMED_MAX),
                packet_bytes: usize::MAX,
                numbered_subscriptions: true,
            },
            phase: Phase::Connecting,
            silent_ticks: 0,
            silent_ticks_max,
        }
    }

    pub(super) fn is_up(&self) -> bool {
        matches!(self.phase, Phase::Up { .. })
    }

    /// Up, and its last sign of life is not long ago.
    pub(super) fn is_live(&self, now: Moment) -> bool {
        self.is_up() && self.barrier.waiting(now) <= LIVE_WITHIN
    }

    /// Emergency orders that have not left us yet.
    pub(super) fn holds_emergencies(&self) -> bool {
        let is_one = |handed: &Handed| matches!(handed, Handed::Message { urgency: Urgency::Emergency, .. });
        self.queue.holds_emergencies() || self.handed.iter().any(is_one)
    }

    pub(super) fn holds_emergency_for(&self, outlet: &Arc<str>) -> bool {
        self.queue.holds_emergency_for(outlet)
    }

    /// Takes back a plain order that waits for this outlet. Whether one on this topic may be on its way, and arrive
    /// later than what another connection sends now.
    pub(super) fn withdraw(&mut self, outlet: &Arc<str>, topic: &str) -> bool {
        self.queue.withdraw(outlet);
        let handed = self.handed.iter().any(|handed| match handed {
            Handed::Message { topic: of, urgency: Urgency::Order, .. } => **of == *topic,
            Handed::Message { .. } | Handed::Marker | Handed::Subscription | Handed::Goodbye => false,
        });
        let is_one = |sent: &Unconfirmed| sent.urgency == Urgency::Order && *sent.topic == *topic;
        handed || self.unconfirmed.iter().any(is_one)
    }

    /// For how long it has been up.
    pub(super) fn lasted(&self, now: Moment) -> Option<Span> {
        match self.phase {
            Phase::Up { since } => Some(now.since(since)),
            Phase::Connecting | Phase::Subscribing | Phase::Proving { .. } => None,
        }
    }

    pub(super) fn established(&self) -> bool {
        self.phase != Phase::Connecting
    }

    pub(super) fn want(&mut self, wanted: &[(Filter, Purpose)]) {
        self.subscriptions.want(wanted);
        self.pump();
    }

    pub(super) fn publish(&mut self, message: Outgoing) -> Result<(), NotSent> {
        let now = Clock.now().moment;
        let topics_ok = is_topic(&message.topic) && message.response_topic.as_deref().is_none_or(is_topic);
        if !topics_ok {
            return Err(NotSent::BadTopic);
        }
        if message.urgency > Urgency::Routine && (message.retain || message.expiry.is_none()) {
            return Err(NotSent::UnsafeOrder);
        }
        let bytes = message.payload.len() + message.overhead();
        if message.payload.len() > OUTGOING_BYTES_MAX || bytes > self.limits.packet_bytes {
            return Err(NotSent::TooLarge);
        }
        if !self.is_up() {
            return Err(NotSent::Down);
        }
        if message.expiry_secs(now).is_none() {
            return Err(NotSent::TooLate);
        }
        if message.urgency == Urgency::Order && self.barrier.waiting(now) > STALLED_AFTER {
            return Err(NotSent::Stalled);
        }
        self.queue.push(message)?;
        self.pump();
        Ok(())
    }

    pub(super) fn publish_confirmed(&mut self, message: Outgoing) -> Result<oneshot::Receiver<()>, NotSent> {
        let (tell, told) = oneshot::channel();
        // Those who have given up, of messages that were never sent.
        self.waiting.retain(|(_, waiting)| !waiting.is_closed());
        self.waiting.push((Arc::clone(&message.topic), tell));
        self.publish(message)?;
        Ok(told)
    }

    /// Every quarter of a second.
    pub(super) fn tick(&mut self) -> Result<(), String> {
        if !self.established() {
            return Ok(());
        }
        self.silent_ticks += 1;
        if self.silent_ticks > self.silent_ticks_max {
            return Err(if self.barrier.proved() {
                "nothing we send comes back any more".into()
            } else {
                format!(
                    "the broker does not give our own messages back: may we publish and read \"{}\"?",
                    self.marker_topic
                )
            });
        }
        if self.phase != Phase::Subscribing {
            self.send_marker();
        }
        self.pump();
        Ok(())
    }

    /// Publishes what there is to say at the end and disconnects behind it.
    pub(super) fn say_goodbye(&mut self, farewell: Outgoing) {
        if self.established() && self.queue.push(farewell).is_ok() {
            self.pump();
        }
    }

    /// Everything that was to be sent has been confirmed.
    pub(super) fn nothing_left(&self) -> bool {
        self.queue.is_empty() && self.unconfirmed.is_empty() && self.handed.is_empty()
    }

    pub(super) fn disconnect(&mut self) -> bool {
        let handed = self.client.try_disconnect().is_ok();
        if handed {
            self.handed.push_back(Handed::Goodbye);
        }
        handed
    }

    pub(super) fn on_event(
        &mut self,
        event: Event,
        classify: &Classifier,
        counters: &mut Counters,
    ) -> Result<(), String> {
        match event {
            Event::Incoming(Incoming::Publish(publish)) => return self.arrived(publish, classify, counters),
            Event::Incoming(Incoming::ConnAck(answer)) => self.connected(&answer)?,
            Event::Incoming(Incoming::SubAck(answer)) => self.subscribed(&answer)?,
            Event::Incoming(Incoming::UnsubAck(answer)) => {
                self.subscriptions
                    .answered(answer.pkid, true, self.barrier.sent())
                    .map_err(|_| confused("an unsubscription"))?;
            }
            Event::Incoming(Incoming::PubAck(answer)) => self.confirmed(&answer)?,
            Event::Outgoing(sent) => self.sent(&sent)?,
            Event::Incoming(_) => return Ok(()),
        }
        self.pump();
        Ok(())
    }

    fn connected(&mut self, answer: &ConnAck) -> Result<(), String> {
        self.phase = Phase::Subscribing;
        if let Some(properties) = &answer.properties {
            if properties.retain_available == Some(0) {
                return Err("the broker keeps no retained messages, which our status needs".into());
            }
            if let Some(most) = properties.receive_max {
                // Half of it, for the same reason as with the limit of our own.
                self.limits.unconfirmed = usize::from((most / 2).clamp(1, UNCONFIRMED_MAX));
            }
            if let Some(bytes) = properties.max_packet_size {
                self.limits.packet_bytes = usize::try_from(bytes).unwrap_or(usize::MAX);
            }
            self.limits.numbered_subscriptions = properties.subscription_identifiers_available != Some(0);
        }
        Ok(())
    }

    fn subscribed(&mut self, answer: &SubAck) -> Result<(), String> {
        let denied = answer.return_codes.iter().find_map(|code| reason::of_subscription(*code));
        let filter = self
            .subscriptions
            .answered(answer.pkid, denied.is_none(), self.barrier.sent())
            .map_err(|_| confused("a subscription"))?;
        if let (Some(filter), Some(why)) = (filter, denied) {
            if filter.as_str() == &*self.marker_topic {
                return Err(format!("we may not read our own messages on \"{filter}\": {why}"));
            }
            self.mailbox.report(Report::SubscriptionDenied { filter: filter.to_string(), why });
        }
        Ok(())
    }

    fn confirmed(&mut self, answer: &PubAck) -> Result<(), String> {
        let at = self.unconfirmed.iter().position(|sent| sent.packet == answer.pkid);
        let sent = self.unconfirmed.swap_remove(at.ok_or_else(|| confused("a message"))?);
        let topic = sent.topic.to_string();
        let waiting = self.waiting.iter().position(|(topic, _)| *topic == sent.topic);
        let waiting = waiting.map(|at| self.waiting.remove(at).1);
        if let Some(why) = reason::of_publish(answer.reason) {
            self.mailbox.report(Report::PublishRefused { topic, why });
        } else if let Some(waiting) = waiting {
            // Whoever asked may have given up.
            let _ = waiting.send(());
        } else if sent.urgency > Urgency::Routine {
            if answer.reason == PubAckReason::NoMatchingSubscribers {
                self.mailbox.report(Report::NobodyListens { topic });
            }
            if self.subscriptions.is_granted(&sent.topic) {
                self.echoes.taken(&sent.topic, Clock.now().moment);
            }
        }
        Ok(())
    }

    /// The client library has sent the oldest of what it was given.
    fn sent(&mut self, sent: &Sent) -> Result<(), String> {
        match sent {
            Sent::Publish(packet) => match self.handed.pop_front() {
                Some(Handed::Message { topic, urgency, confirmed: true }) => {
                    self.unconfirmed.push(Unconfirmed { packet: *packet, topic, urgency });
                }
                Some(Handed::Message { .. } | Handed::Marker) => {}
                Some(Handed::Subscription | Handed::Goodbye) | None => return Err(confused("a message")),
            },
            Sent::Subscribe(packet) | Sent::Unsubscribe(packet) => match self.handed.pop_front() {
                Some(Handed::Subscription) => self.subscriptions.sent(*packet),
                Some(Handed::Message { .. } | Handed::Marker | Handed::Goodbye) | None => {
                    return Err(confused("a subscription"));
                }
            },
            // From here the client library would hold back everything until one certain confirmation comes.
            Sent::AwaitAck(_) => return Err("the broker does not confirm what we send".into()),
            _ => {}
        }
        Ok(())
    }

    /// Hands on what may be handed on now: requests for subscriptions, then what waits, by urgency.
    fn pump(&mut self) {
        if !self.established() {
            return;
        }
        while self.handed.len() < HANDED_MAX {
            let Some(step) = self.subscriptions.next(self.limits.unconfirmed) else { break };
            if !self.ask(step) {
                return;
            }
        }
        while self.handed.len() < HANDED_MAX && self.may_send_next() {
            let Some(message) = self.queue.pop() else { break };
            self.hand_over(message);
        }
        self.progress();
    }

    /// The limit counts what is handed over as well as what is sent.
    fn may_send_next(&self) -> bool {
        let confirmed = |handed: &&Handed| matches!(handed, Handed::Message { confirmed: true, .. });
        let unconfirmed = self.unconfirmed.len() + self.handed.iter().filter(confirmed).count();
        self.queue.front().is_some_and(|next| {
            next.qos == QoS::Unconfirmed || unconfirmed < self.limits.unconfirmed_for(next.urgency)
        })
    }

    fn ask(&mut self, step: Step) -> bool {
        let asked = match step {
            Step::Subscribe { filter, kind, number } => {
                let id = self.limits.numbered_subscriptions.then_some(number);
                let retain_forward_rule = match kind {
                    Purpose::Input => RetainForwardRule::Never,
                    Purpose::State => RetainForwardRule::OnEverySubscribe,
                };
                let filter = WireFilter {
                    path: filter.to_string(),
                    qos: Level::AtMostOnce,
                    nolocal: false,
                    preserve_retain: true,
                    retain_forward_rule,
                };
                let properties = SubscribeProperties { id, user_properties: Vec::new() };
                self.client.try_subscribe_many_with_properties([filter], properties)
            }
            Step::Unsubscribe { filter } => self.client.try_unsubscribe(filter.as_str()),
        };
        // Without room in the client library the request stays unanswered, and the silence ends the connection.
        if asked.is_ok() {
            self.handed.push_back(Handed::Subscription);
        }
        asked.is_ok()
    }

    fn hand_over(&mut self, message: Outgoing) {
        let Some(expiry_secs) = message.expiry_secs(Clock.now().moment) else {
            self.mailbox.report(Report::ExpiredUnsent { topic: message.topic.to_string() });
            return;
        };
        let (level, confirmed) = match message.qos {
            QoS::Unconfirmed => (Level::AtMostOnce, false),
            QoS::Confirmed => (Level::AtLeastOnce, true),
        };
        let properties = message.properties(expiry_secs, &self.mark);
        let topic = Arc::clone(&message.topic);
        let handed = self.client.try_publish_with_properties(
            &*topic,
            level,
            message.retain,
            message.payload,
            properties,
        );
        match handed {
            Ok(()) => {
                let urgency = message.urgency;
                self.handed.push_back(Handed::Message { topic, urgency, confirmed });
            }
            Err(_) => {
                let why = "the client library takes no more messages".into();
                self.mailbox.report(Report::PublishRefused { topic: topic.to_string(), why });
            }
        }
    }
}

/// The client library and we no longer agree on what was sent.
fn confused(about: &str) -> String {
    format!("the broker answered {about} that was not sent")
}
