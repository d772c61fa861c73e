//! Whether the broker gives us back the orders that we send: only then do we hear those that others send. Pure.
//!
//! A granted subscription proves nothing, since a broker may check its access list only when it delivers. But a broker
//! keeps one queue for each client (see `barrier`): what it has taken from us, and confirmed, stands in that queue
//! ahead of the echo of any marker that was sent after the confirmation.

use std::collections::HashMap;
use std::sync::Arc;

use idlegate_guard::time::Moment;

/// More outlets than any shop has; a stranger who writes our mark under ever new topics fills no more than this.
const ORDERS_MAX: usize = 4_096;

/// Of one connection.
#[derive(Debug, Default)]
pub(super) struct Echoes {
    /// By topic.
    orders: HashMap<Arc<str>, Echo>,
    /// How many of them are waited for, so that there is nothing to look through when there are none.
    awaited: usize,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Echo {
    /// The broker confirmed the order at this time.
    Awaited(Moment),
    /// It came once, or its absence was told: both are known for this connection.
    Settled,
}

impl Echoes {
    /// The broker has confirmed an order on this topic.
    pub(super) fn taken(&mut self, topic: &Arc<str>, now: Moment) {
        if !self.orders.contains_key(topic) && self.orders.len() < ORDERS_MAX {
            self.orders.insert(topic.clone(), Echo::Awaited(now));
            self.awaited += 1;
        }
    }

    /// An order of ours has come back. It may come before its confirmation.
    pub(super) fn heard(&mut self, topic: &str) {
        let full = self.orders.len() >= ORDERS_MAX;
        match self.orders.get_mut(topic) {
            Some(echo) => {
                self.awaited -= usize::from(*echo != Echo::Settled);
                *echo = Echo::Settled;
            }
            None if !full => {
                self.orders.insert(topic.into(), Echo::Settled);
            }
            None => {}
        }
    }

    /// Those that should have come before whatever entered the stream to us at `since`. Each is named once.
    pub(super) fn missing(&mut self, since: Moment) -> Vec<Arc<str>> {
        let mut missing = Vec::new();
        if self.awaited == 0 {
            return missing;
        }
        for (topic, echo) in &mut self.orders {
            if matches!(*echo, Echo::Awaited(confirmed) if confirmed < since) {
                *echo = Echo::Settled;
                missing.push(topic.clone());
            }
        }
        self.awaited -= missing.len();
        missing
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_order_that_the_broker_took_and_a_later_marker_overtook_does_not_come_back() {
        let mut echoes = Echoes::default();
        let [mill, kiln]: [Arc<str>; 2] = ["mill".into(), "kiln".into()];
        echoes.taken(&mill, Moment(1_000));
        echoes.taken(&kiln, Moment(1_000));
        assert_eq!(echoes.missing(Moment(1_000)), [] as [Arc<str>; 0], "sent before the confirmation");
        echoes.heard("kiln");
        assert_eq!(echoes.missing(Moment(1_001)).as_slice(), std::slice::from_ref(&mill));
        echoes.taken(&mill, Moment(2_000));
        assert_eq!(echoes.missing(Moment(9_000)), [] as [Arc<str>; 0], "told once for each connection");
    }

    #[test]
    fn an_echo_may_come_before_the_confirmation() {
        let mut echoes = Echoes::default();
        echoes.heard("mill");
        echoes.taken(&"mill".into(), Moment(1_000));
        assert_eq!(echoes.missing(Moment(9_000)), [] as [Arc<str>; 0]);
    }
}
