//! What the broker does not do for us, as far as it has been noticed.

use std::collections::BTreeSet;

use super::expiry_watch::ExpiryWatch;
use idlegate_link::Report;
use idlegate_plan::event::LinkState;
use idlegate_plan::{Machine, Plan};

#[derive(Debug)]
pub(super) struct BrokerWatch {
    pub(super) expiry: ExpiryWatch,
    /// Order topics that it does not let us read.
    unread: BTreeSet<String>,
    /// Those that have been told of since the start.
    told: BTreeSet<String>,
}

impl BrokerWatch {
    pub(super) fn new(expiry: ExpiryWatch) -> BrokerWatch {
        BrokerWatch { expiry, unread: BTreeSet::new(), told: BTreeSet::new() }
    }

    pub(super) fn link(&mut self, state: &LinkState) {
        match state {
            LinkState::Up => self.expiry.connected(),
            // The next connection shows it anew.
            LinkState::Down { .. } => self.unread.clear(),
        }
    }

    /// Machines whose outlets others could send orders to without our noticing.
    pub(super) fn orders_not_seen(&self, plan: &Plan) -> Vec<String> {
        let is_unread = |machine: &&Machine| machine.order_topic().is_some_and(|it| self.unread.contains(it));
        let unread = plan.machines.iter().filter(is_unread);
        unread.map(|machine| machine.name.to_string()).collect()
    }

    /// For the log. What changes nothing in the guarding is said once.
    pub(super) fn report(&mut self, plan: &Plan, report: &Report) {
        let orders = |topic: &str| plan.machines.iter().any(|machine| machine.order_topic() == Some(topic));
        match report {
            Report::SubscriptionDenied { filter, .. } if orders(filter) => self.cannot_read(filter),
            Report::SubscriptionDenied { filter, why } => {
                tracing::error!(
                    filter,
                    why,
                    "the broker does not let this be read; what is sent there is not seen"
                );
            }
            Report::NotGivenBack { topic } => self.cannot_read(topic),
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

    fn cannot_read(&mut self, topic: &str) {
        self.unread.insert(topic.to_owned());
        if self.told.insert(topic.to_owned()) {
            tracing::info!(
                topic,
                "the broker does not let Idlegate read this order topic, so orders that others send there are not noticed; \
                 to change that, give Idlegate's user the right to read it"
            );
        }
    }
}
