//! What a connection does with what arrives: markers prove, everything else is weighed and put into its lane.

use std::hash::{BuildHasher, Hasher};
use std::str;

use bytes::Bytes;
use rumqttc::v5::mqttbytes::QoS as Level;
use rumqttc::v5::mqttbytes::v5::{Publish, PublishProperties};

use super::connection::{Connection, HANDED_MAX, Handed, Phase};
use super::handle::Counters;
use super::inbox::{Lane, NEVER_DROPPED_MAX, Overflow, Received};
use super::outgoing::{TEXT, UTF_8};
use super::{Classifier, Report, SENT_BY};
use idlegate_os::Clock;
use idlegate_plan::event::LinkState;
use idlegate_plan::topic::{TOPIC_BYTES_MAX, is_topic};

/// A token in hexadecimal.
const MARKER_DIGITS: usize = 16;
/// Longer correlation data is left out: nobody of ours needs it, and it would be sent back.
const CORRELATION_BYTES_MAX: usize = 1_024;

impl Connection {
    pub(super) fn arrived(
        &mut self,
        publish: Publish,
        classify: &Classifier,
        counters: &mut Counters,
    ) -> Result<(), String> {
        // The client library does not look at the bytes of a topic.
        let topic = match str::from_utf8(&publish.topic) {
            Ok(topic) if is_topic(topic) => topic,
            Ok(_) | Err(_) => {
                counters.malformed += 1;
                return Ok(());
            }
        };
        if topic == &*self.marker_topic {
            self.marker_arrived(&publish.payload, counters);
            return Ok(());
        }
        let properties = publish.properties.unwrap_or_default();
        if !self.subscriptions.counts(topic, &properties.subscription_identifiers) {
            counters.copies += 1;
            return Ok(());
        }
        let class = classify(topic);
        if class.lane == Lane::Nobody {
            counters.unlisted += 1;
            return Ok(());
        }
        let is_mark = |(name, value): &(String, String)| name == SENT_BY && **value == *self.mark;
        let ours = properties.user_properties.iter().any(is_mark);
        if ours {
            self.echoes.heard(topic);
        }
        // Whether anything may be answered there is judged with the request.
        let response_topic = properties.response_topic.filter(|topic| topic.len() <= TOPIC_BYTES_MAX);
        let received = Received {
            topic: topic.into(),
            payload: publish.payload,
            retained: publish.retain,
            proved: self.subscriptions.proved(
                topic,
                &properties.subscription_identifiers,
                self.barrier.returned(),
            ),
            ours,
            since: self.barrier.since(),
            response_topic: response_topic.map(Into::into),
            correlation: properties.correlation_data.filter(|data| data.len() <= CORRELATION_BYTES_MAX),
        };
        self.mailbox.message(class, received).map_err(|Overflow| {
            format!("more than {NEVER_DROPPED_MAX} requests and reports wait to be judged; rather than drop one we disconnect")
        })
    }

    fn marker_arrived(&mut self, payload: &[u8], counters: &mut Counters) {
        let digits = str::from_utf8(payload).ok().filter(|digits| digits.len() == MARKER_DIGITS);
        let token = digits.and_then(|digits| u64::from_str_radix(digits, 16).ok());
        if !token.is_some_and(|token| self.barrier.echo(token)) {
            return;
        }
        self.silent_ticks = 0;
        for topic in self.echoes.missing(self.barrier.since()) {
            self.mailbox.report(Report::NotGivenBack { topic: topic.to_string() });
        }
        if let Phase::Proving { after } = self.phase
            && self.barrier.returned() > after
        {
            self.phase = Phase::Up { since: Clock.now().moment };
            counters.connections += 1;
            self.mailbox.link(LinkState::Up);
        }
    }

    /// Once everything has been answered, the next marker is the proof.
    pub(super) fn progress(&mut self) {
        if self.phase == Phase::Subscribing && self.subscriptions.settled() {
            self.phase = Phase::Proving { after: self.barrier.sent() };
            self.send_marker();
        }
    }

    pub(super) fn send_marker(&mut self) {
        if self.handed.len() >= HANDED_MAX {
            return;
        }
        let now = Clock.now().moment;
        // Unpredictable, so that nobody can send us the echo of a marker that was not sent yet.
        let mut hasher = self.random.build_hasher();
        self.markers_made += 1;
        hasher.write_u64(self.markers_made);
        let token = hasher.finish();
        if !self.barrier.send(token, now) {
            return;
        }
        let payload = Bytes::from(format!("{token:0MARKER_DIGITS$x}"));
        let properties = PublishProperties {
            payload_format_indicator: Some(UTF_8),
            content_type: Some(TEXT.to_owned()),
            ..PublishProperties::default()
        };
        let (topic, level) = (&*self.marker_topic, Level::AtMostOnce);
        match self.client.try_publish_with_properties(topic, level, false, payload, properties) {
            Ok(()) => self.handed.push_back(Handed::Marker),
            Err(_) => self.barrier.take_back(token),
        }
    }
}
