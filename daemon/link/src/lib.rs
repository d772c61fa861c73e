//! The link to the broker: what arrives, how old it may be, and what is sent.
//!
//! It connects, proves the connection with a message of its own, keeps it, and says when it is gone and why. It
//! never decides anything, never repeats and never keeps a message from one connection for the next: after a
//! reconnect whoever decides must decide again.
//!
//! | file | what it is for |
//! | --- | --- |
//! | `normalise` | the filters the broker is asked for, pure |
//! | `barrier` | the age of what arrives, pure: read its module page first |
//! | `back_off` | when to try again, and telling a fight over the client id, pure |
//! | `inbox` | the queues between the connection and the engine |
//! | `handle`, `outgoing`, `queue` | what is sent, and where it waits for the connection |
//! | `subscriptions` | what the broker is asked for, what it granted, which copy of a message counts |
//! | `echoes` | whether the broker lets us read the topics that our orders go to, pure |
//! | `connection`, `arrival` | one connection: every event of the client library ends here, under one lock |
//! | `reconnect` | the tasks: connect, poll, tick, wait, shut down |
//! | `expiry` | a trial of its own, beside the link: does the broker throw away what has expired? |
//! | `options`, `tls`, `reason` | settings for the client library, certificates, its errors in words for people |
//!
//! **MQTT 5 only.** Three of its features carry safety here and have no counterpart in 3.1.1: message expiry (an
//! off that the broker delivers late is an off in the middle of a job), retain handling with
//! retain-as-published (a stored press is not a press), and the response topic (an answer reaches the one
//! who asked). A broker that speaks only 3.1.1 gets a clear error.
//!
//! **Emergencies have a connection of their own.** In one stream nobody can promise that a flood delays nothing: the
//! broker sends what it has for us one after the other, its confirmations of our orders included. So a second
//! connection reads the topics of emergency inputs and nothing else, and carries the orders of emergencies. The main
//! one reads those topics, too, so that the red button works as long as either of them does.
//!
//! **Everything is subscribed with quality of service 0.** On a live connection TCP already delivers each message
//! once; the higher levels would only add what was missed while away, which is exactly what must not be acted
//! on, and a second queue in the broker, which would break the argument of the barrier. What we send
//! ourselves goes out with 1, to learn whether the broker took it.

// Whatever is printed passes the one gate in the command line.
#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

mod arrival;
mod back_off;
mod barrier;
mod connection;
mod echoes;
mod expiry;
mod handle;
mod inbox;
mod normalise;
#[cfg(test)]
mod normalise_tests;
mod options;
mod outgoing;
mod queue;
mod reason;
mod reconnect;
mod subscriptions;
mod tls;

use std::sync::Arc;

use bytes::Bytes;

pub use back_off::BackOffLimits;
pub use expiry::{Expiry, try_expiry};
pub use handle::{Counters, LinkHandle, spawn, spawn_emergency};
pub use inbox::{Arrival, Class, Empty, Inbox, Lane};
pub use outgoing::{NotSent, Outgoing, QoS, Urgency};
pub use reconnect::chance;

use idlegate_plan::Broker;
pub use idlegate_plan::topic::{BadFilter, Filter};

/// What a subscription is for, and so what becomes of messages the broker has in store.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Purpose {
    /// Somebody wants something: what is in store is not wanted, and what was sent to be stored arrives marked.
    Input,
    /// How something is: what is in store is wanted, and arrives marked as retained.
    State,
}

/// Says which queue the messages of a topic wait in, and for which input they are. Must be quick: it runs for every
/// message.
pub type Classifier = Arc<dyn Fn(&str) -> Class + Send + Sync>;

/// What the link needs to know of the rules.
#[derive(Clone, Debug)]
pub struct LinkConfig {
    pub broker: Broker,
    /// Our last will, and where the farewell goes: retained.
    pub health_topic: String,
    /// What the broker publishes there when we are gone without a farewell. Empty for a visitor, who leaves no trace.
    pub will: Bytes,
    /// Where our own markers run; nobody else need see them.
    pub marker_topic: Filter,
    pub back_off: BackOffLimits,
    /// What our orders bear, so that whoever hears them knows them for ours: the first topic levels of the whole shop.
    pub mark: String,
    /// The first end of a connection is the end of the link.
    pub once: bool,
}

impl LinkConfig {
    /// Health is told on `<prefix>/health`, markers run on `<prefix>/link/<client id>/marker`.
    pub fn new(broker: Broker, prefix: &str, will: Bytes) -> Result<LinkConfig, BadFilter> {
        let level: String = broker
            .client_id
            .chars()
            .map(|character| if matches!(character, '/' | '+' | '#' | '\0') { '_' } else { character })
            .collect();
        if prefix.contains(['+', '#']) {
            return Err(BadFilter::PartOfLevel);
        }
        Ok(LinkConfig {
            health_topic: format!("{prefix}/health"),
            marker_topic: Filter::new(&format!("{prefix}/link/{level}/marker"))?,
            will,
            broker,
            mark: prefix.to_owned(),
            back_off: BackOffLimits::default(),
            once: false,
        })
    }

    /// Of the connection for emergencies beside the main one of this broker: as the main one, with a client id of its
    /// own, and a login of its own where the rules have one. It leaves no will: that of the main one says that we are
    /// gone.
    pub fn for_emergencies(broker: &Broker, prefix: &str) -> Result<LinkConfig, BadFilter> {
        // No name in the rules has an underscore, so this is nobody else's.
        let client_id = format!("{}{EMERGENCY_ID}", broker.client_id);
        let login = broker.emergency_login.as_ref().or(broker.login.as_ref()).cloned();
        LinkConfig::new(Broker { client_id, login, ..broker.clone() }, prefix, Bytes::new())
    }
}

/// The user property (MQTT 5.0, section 3.3.2.3.7) that our orders bear.
pub(crate) const SENT_BY: &str = "sent-by";
const EMERGENCY_ID: &str = "_red";

/// Trouble that leaves the link up.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Report {
    /// The broker does not let us read this: whatever is sent there is not seen.
    SubscriptionDenied { filter: String, why: String },
    /// The broker did not take this message.
    PublishRefused { topic: String, why: String },
    /// An order was taken by the broker, but nobody is subscribed to its topic.
    NobodyListens { topic: String },
    /// The broker took an order on a topic that it lets us subscribe to, and did not give it back to us: what others
    /// send there is not seen either.
    NotGivenBack { topic: String },
    /// Waited so long to be sent that it had lost its meaning, and was not sent.
    ExpiredUnsent { topic: String },
}
