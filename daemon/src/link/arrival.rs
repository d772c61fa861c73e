//! What a connection does with what arrives: markers prove, everything else is weighed and put into its lane.

use std::hash::{BuildHasher, Hasher};
use std::str;

use bytes::Bytes;
use rumqttc::v5::mqttbytes::QoS as Level;
use rumqttc::v5::mqttbytes::v5::Publish;

use super::Classifier;
use super::connection::{Connection, HANDED_MAX, Handed, Phase};
use super::handle::Counters;
use super::inbox::{Lane, NEVER_DROPPED_MAX, Overflow, Received};
use crate::event::LinkState;
use crate::time::Clock;
use crate::topic::is_topic;

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
        let lane = classify(topic);
        if lane == Lane::Nobody {
            counters.unlisted += 1;
            return Ok(());
        }
        let response_topic = properties.response_topic.filter(|topic| is_topic(topic));
        let received = Received {
            topic: topic.into(),
            payload: publish.payload,
            retained: publish.retain,
            proved: self.subscriptions.proved(topic, self.barrier.since()),
            since: self.barrier.since(),
            response_topic: response_topic.map(Into::into),
            correlation: properties.correlation_data.filter(|data| data.len() <= CORRELATION_BYTES_MAX),
        };
        self.shelf.message(lane, received).map_err(|Overflow| {
            format!("more than {NEVER_DROPPED_MAX} requests and reports wait to be judged; rather than drop one we disconnect")
        })
    }

    fn marker_arrived(&mut self, payload: &[u8], counters: &mut Counters) {
        let token = <[u8; 8]>::try_from(payload).map(u64::from_be_bytes);
        if !token.is_ok_and(|token| self.barrier.echo(token)) {
            return;
        }
        self.silent_ticks = 0;
        if let Phase::Proving { not_before } = self.phase
            && self.barrier.since() >= not_before
        {
            self.phase = Phase::Up { since: Clock.now().moment };
            counters.connections += 1;
            self.shelf.link(LinkState::Up);
        }
    }

    /// Once everything has been answered, the next marker is the proof.
    pub(super) fn progress(&mut self) {
        if self.phase == Phase::Subscribing && self.subscriptions.settled() {
            self.phase = Phase::Proving { not_before: Clock.now().moment };
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
        let payload = Bytes::copy_from_slice(&token.to_be_bytes());
        match self.client.try_publish(&*self.marker_topic, Level::AtMostOnce, false, payload) {
            Ok(()) => self.handed.push_back(Handed::Marker),
            Err(_) => self.barrier.take_back(token),
        }
    }
}
