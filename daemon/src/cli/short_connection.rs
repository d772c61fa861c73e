//! A short visit at the broker: no last will, no trace, and a clear word when nobody answers.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;
use tokio::time::{Instant, timeout_at};

use idlegate_link::{
    self as link, Arrival, Filter, Inbox, Lane, LinkConfig, LinkHandle, Outgoing, Purpose, Report,
};
use idlegate_plan::Plan;
use idlegate_plan::event::{LinkState, Message};

pub(super) struct ShortConnection {
    link: LinkHandle,
    inbox: Inbox,
    deadline: Instant,
    /// What the broker had in store comes in before the link is proved.
    early: VecDeque<Message>,
    denied: Vec<(String, String)>,
}

impl ShortConnection {
    /// Connects and subscribes, or says why it could not.
    pub(super) async fn arrive(
        plan: &Plan,
        filters: &[String],
        within: Duration,
    ) -> anyhow::Result<ShortConnection> {
        let mut broker = plan.shop.broker.clone();
        broker.client_id = format!("{}-visitor-{}", broker.client_id, std::process::id());
        let wanted: Result<Vec<_>, _> =
            filters.iter().map(|filter| Filter::new(filter).map(|filter| (filter, Purpose::State))).collect();
        let at = format!("{}:{}", broker.host, broker.port);
        let config = LinkConfig::new(broker, &plan.shop.prefix, Bytes::new())?;
        let (link, inbox) = link::spawn(config, &wanted?, Arc::new(|_| Lane::State.into()));
        let mut connection = ShortConnection {
            link,
            inbox,
            deadline: Instant::now() + within,
            early: VecDeque::new(),
            denied: Vec::new(),
        };
        let mut trouble = "no answer".to_owned();
        loop {
            match timeout_at(connection.deadline, connection.inbox.recv()).await {
                Ok(Some((_, Arrival::Link(LinkState::Up)))) => return Ok(connection),
                Ok(Some((_, Arrival::Link(LinkState::Down { why })))) => trouble = why,
                Ok(Some((_, Arrival::Message(message)))) => connection.early.push_back(message),
                Ok(Some((_, Arrival::Report(report)))) => connection.note(report),
                Ok(Some((_, Arrival::Emergency(_)))) => {}
                Ok(None) | Err(_) => anyhow::bail!("the broker at {at} cannot be used: {trouble}"),
            }
        }
    }

    pub(super) fn send(&self, outgoing: Outgoing) -> anyhow::Result<()> {
        Ok(self.link.publish(outgoing)?)
    }

    pub(super) fn link(&self) -> LinkHandle {
        self.link.clone()
    }

    /// The next message; nothing once the visit's time is over.
    pub(super) async fn hear(&mut self) -> Option<Message> {
        if let Some(message) = self.early.pop_front() {
            return Some(message);
        }
        loop {
            match timeout_at(self.deadline, self.inbox.recv()).await {
                Ok(Some((_, Arrival::Message(message)))) => return Some(message),
                Ok(Some((_, Arrival::Report(report)))) => self.note(report),
                Ok(Some((_, Arrival::Link(_) | Arrival::Emergency(_)))) => {}
                Ok(None) | Err(_) => return None,
            }
        }
    }

    /// What the broker does not let us read, and why.
    pub(super) fn denied(&self) -> &[(String, String)] {
        &self.denied
    }

    fn note(&mut self, report: Report) {
        if let Report::SubscriptionDenied { filter, why } = report {
            self.denied.push((filter, why));
        }
    }

    /// From now on it waits this long at most.
    pub(super) fn wait_only(&mut self, span: Duration) {
        self.deadline = Instant::now() + span;
    }

    pub(super) async fn leave(self) {
        self.link.shutdown(Bytes::new()).await;
    }
}
