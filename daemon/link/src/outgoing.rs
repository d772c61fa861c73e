//! What is sent.
//!
//! A message belongs to the connection it was handed to: nothing of it outlives that. And an order that waited too
//! long is not sent at all: the machine may have become busy meanwhile.

use std::sync::Arc;

use bytes::Bytes;
use rumqttc::v5::mqttbytes::v5::PublishProperties;

use super::SENT_BY;
use idlegate_guard::time::{Moment, Span};
use idlegate_plan::topic::TOPIC_BYTES_MAX;

/// Larger payloads are refused before they reach the client library: a broker ends the connection over one.
pub(super) const OUTGOING_BYTES_MAX: usize = 64 * 1024;
/// The standard counts expiry in whole seconds; this much may be missing from one.
const EXPIRY_ROUNDING: Span = Span(100);
pub(super) const JSON: &str = "application/json";
pub(super) const TEXT: &str = "text/plain";
/// The payload format indicator of text in UTF-8 (MQTT 5.0, section 3.3.2.3.2).
pub(super) const UTF_8: u8 = 1;

/// Quality of service: whether the broker is asked to confirm that it took the message.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum QoS {
    Unconfirmed,
    Confirmed,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Urgency {
    /// Status, announcements, answers.
    Routine,
    /// Goes ahead of what is routine. Not sent over a link that gives no sign of life.
    Order,
    /// Goes ahead of everything, and is sent even when it may arrive late.
    Emergency,
}

/// A message to send.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outgoing {
    pub topic: Arc<str>,
    pub payload: Bytes,
    pub qos: QoS,
    pub retain: bool,
    /// How long it means anything, counted from `made_at`: it is not sent later, and the broker is told to throw it
    /// away. Whole seconds; of a begun second the broker is told only when less than 0.1 s of it is gone.
    pub expiry: Option<Span>,
    /// When it was decided.
    pub made_at: Moment,
    pub urgency: Urgency,
    /// Of an order: the outlet it is for. Only one order waits for each.
    pub outlet: Option<Arc<str>>,
    pub response_topic: Option<Arc<str>>,
    pub correlation: Option<Bytes>,
    /// It bears our mark, since it goes to a topic where others might speak to the same outlet.
    pub marked: bool,
    /// A media type (RFC 6838), for whoever has to tell what the payload is.
    pub content_type: &'static str,
}

impl Outgoing {
    /// For the outlet. Never retained: it would switch again at the outlet's next start.
    pub fn order(topic: &str, payload: Bytes, expiry: Span, made_at: Moment) -> Outgoing {
        let outgoing = Outgoing::event(topic, payload, made_at);
        let outlet = Some(Arc::clone(&outgoing.topic));
        Outgoing { expiry: Some(expiry), urgency: Urgency::Order, outlet, ..outgoing }
            .in_plain_text()
            .marked()
    }

    /// How something is, for whoever comes and asks later.
    pub fn state(topic: &str, payload: Bytes, made_at: Moment) -> Outgoing {
        Outgoing { retain: true, ..Outgoing::event(topic, payload, made_at) }
    }

    /// Something that happened.
    pub fn event(topic: &str, payload: Bytes, made_at: Moment) -> Outgoing {
        Outgoing {
            topic: topic.into(),
            payload,
            qos: QoS::Confirmed,
            retain: false,
            expiry: None,
            made_at,
            urgency: Urgency::Routine,
            outlet: None,
            response_topic: None,
            correlation: None,
            marked: false,
            content_type: JSON,
        }
    }

    /// In words of the receiver's own.
    pub fn in_plain_text(self) -> Outgoing {
        Outgoing { content_type: TEXT, ..self }
    }

    /// For a topic of an outlet.
    pub fn marked(self) -> Outgoing {
        Outgoing { marked: true, ..self }
    }

    /// After this it means nothing any more, and nobody is to hear it who comes later.
    pub fn lasting(self, expiry: Span) -> Outgoing {
        Outgoing { expiry: Some(expiry), ..self }
    }

    /// Bytes of everything but the payload, generously.
    pub(super) fn overhead(&self) -> usize {
        let texts = self.response_topic.as_ref().map_or(0, |topic| topic.len()) + self.content_type.len();
        let mark = if self.marked { SENT_BY.len() + TOPIC_BYTES_MAX } else { 0 };
        64 + mark + self.topic.len() + texts + self.correlation.as_ref().map_or(0, Bytes::len)
    }

    /// Seconds for the broker, or nothing when the message has lost its meaning.
    pub(super) fn expiry_secs(&self, now: Moment) -> Option<Option<u32>> {
        let Some(expiry) = self.expiry else { return Some(None) };
        let left = (expiry + EXPIRY_ROUNDING).0.saturating_sub(now.since(self.made_at).0);
        let secs = u32::try_from(left / 1_000).unwrap_or(u32::MAX);
        (secs > 0).then_some(Some(secs))
    }

    pub(super) fn properties(&self, expiry_secs: Option<u32>, mark: &str) -> PublishProperties {
        let mark = self.marked.then(|| (SENT_BY.to_owned(), mark.to_owned()));
        PublishProperties {
            message_expiry_interval: expiry_secs,
            response_topic: self.response_topic.as_deref().map(str::to_owned),
            correlation_data: self.correlation.clone(),
            content_type: Some(self.content_type.to_owned()),
            payload_format_indicator: std::str::from_utf8(&self.payload).is_ok().then_some(UTF_8),
            user_properties: mark.into_iter().collect(),
            ..PublishProperties::default()
        }
    }
}

/// Why a message was not sent, and will not be: nothing is kept for later.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotSent {
    #[error("the link to the broker is down")]
    Down,
    #[error("the link to the broker gives no sign of life")]
    Stalled,
    #[error("too much is waiting to be sent")]
    Full,
    #[error("the message is larger than {OUTGOING_BYTES_MAX} bytes or than the broker takes")]
    TooLarge,
    #[error("too much time has passed since it was decided")]
    TooLate,
    #[error("a topic of the message is not a valid topic")]
    BadTopic,
    #[error("an emergency off for the same outlet is waiting to be sent")]
    EmergencyWaits,
    #[error("an order must not be retained, and must expire")]
    UnsafeOrder,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn off() -> Outgoing {
        Outgoing::order("outlet/order", Bytes::from_static(b"off"), Span::secs(2), Moment(10_000))
    }

    #[test]
    fn the_broker_is_told_what_is_left_of_the_expiry_and_never_more() {
        for (waited, expected) in [
            (0, Some(Some(2))),
            (99, Some(Some(2))),
            (101, Some(Some(1))),
            (1_100, Some(Some(1))),
            (1_101, None),
            (60_000, None),
        ] {
            assert_eq!(off().expiry_secs(Moment(10_000 + waited)), expected, "{waited} ms");
        }
        let status = Outgoing::state("status", Bytes::new(), Moment(0));
        assert_eq!(status.expiry_secs(Moment(u64::MAX)), Some(None));
    }

    #[test]
    fn an_order_is_never_retained_and_always_expires() {
        assert!(!off().retain);
        assert_eq!(off().expiry, Some(Span::secs(2)));
    }
}
