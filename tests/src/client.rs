//! A plain client, as a button, an outlet or a curious person would be: it publishes and waits for messages.

use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use anyhow::{Context, Result, anyhow};
use bytes::Bytes;
use rumqttc::NetworkOptions;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Publish, PublishProperties};
use rumqttc::v5::{AsyncClient, Event, Incoming, MqttOptions};
use serde_json::Value as Json;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio::time::timeout;

use crate::DEADLINE;

/// Ends its connection when dropped.
#[derive(Debug)]
pub struct Client {
    client: AsyncClient,
    messages: mpsc::UnboundedReceiver<Publish>,
    answers: mpsc::UnboundedReceiver<()>,
    polling: JoinHandle<()>,
}

impl Client {
    pub async fn connect(port: u16) -> Result<Client> {
        static NUMBER: AtomicU64 = AtomicU64::new(0);
        let number = NUMBER.fetch_add(1, Ordering::Relaxed);
        Client::connect_as(port, &format!("tester-{}-{number}", std::process::id()), None).await
    }

    /// With this client id, and a user and password.
    pub async fn connect_as(port: u16, id: &str, login: Option<(&str, &str)>) -> Result<Client> {
        Client::connect_by(MqttOptions::new(id, "127.0.0.1", port), login).await
    }

    /// With a session that the broker keeps for a day, with whatever comes meanwhile.
    pub async fn connect_lasting(port: u16, id: &str) -> Result<Client> {
        let mut options = MqttOptions::new(id, "127.0.0.1", port);
        options.set_clean_start(false).set_session_expiry_interval(Some(86_400));
        Client::connect_by(options, None).await
    }

    async fn connect_by(mut options: MqttOptions, login: Option<(&str, &str)>) -> Result<Client> {
        let mut network = NetworkOptions::new();
        network.set_tcp_nodelay(true);
        // A busy computer is not a fault.
        network.set_connection_timeout(DEADLINE.as_secs());
        options.set_network_options(network).set_connection_timeout(DEADLINE.as_secs());
        options.set_max_packet_size(Some(1024 * 1024));
        if let Some((user, password)) = login {
            options.set_credentials(user, password);
        }
        let (client, mut events) = AsyncClient::new(options, 100);
        let (message, messages) = mpsc::unbounded_channel();
        let (answer, mut answers) = mpsc::unbounded_channel();
        let polling = tokio::spawn(async move {
            // The first error ends it: a test client that comes back by itself would hide what happened.
            while let Ok(event) = events.poll().await {
                let sent = match event {
                    Event::Incoming(Incoming::Publish(publish)) => message.send(publish).is_ok(),
                    Event::Incoming(Incoming::ConnAck(_) | Incoming::SubAck(_) | Incoming::PubAck(_)) => {
                        answer.send(()).is_ok()
                    }
                    _ => true,
                };
                if !sent {
                    return;
                }
            }
        });
        next(&mut answers).await.context("the test client does not connect")?;
        Ok(Client { client, messages, answers, polling })
    }

    /// Returns when the broker has answered.
    pub async fn subscribe(&mut self, filter: &str) -> Result<()> {
        self.client.subscribe(filter, QoS::AtLeastOnce).await?;
        next(&mut self.answers).await
    }

    /// Returns when the broker has confirmed it.
    pub async fn publish(&mut self, topic: &str, payload: impl Into<Bytes>) -> Result<()> {
        self.client.publish(topic, QoS::AtLeastOnce, false, payload.into()).await?;
        next(&mut self.answers).await
    }

    /// Returns at once: as a button does, which waits for no confirmation.
    pub async fn publish_at_most_once(&mut self, topic: &str, payload: impl Into<Bytes>) -> Result<()> {
        Ok(self.client.publish(topic, QoS::AtMostOnce, false, payload.into()).await?)
    }

    /// To be confirmed by the broker, which is not waited for.
    pub async fn publish_and_go_on(&mut self, topic: &str, payload: impl Into<Bytes>) -> Result<()> {
        Ok(self.client.publish(topic, QoS::AtLeastOnce, false, payload.into()).await?)
    }

    pub async fn publish_retained(&mut self, topic: &str, payload: impl Into<Bytes>) -> Result<()> {
        self.client.publish(topic, QoS::AtLeastOnce, true, payload.into()).await?;
        next(&mut self.answers).await
    }

    pub async fn publish_with(
        &mut self,
        topic: &str,
        payload: &str,
        properties: PublishProperties,
    ) -> Result<()> {
        let payload = payload.to_owned();
        self.client.publish_with_properties(topic, QoS::AtLeastOnce, false, payload, properties).await?;
        next(&mut self.answers).await
    }

    /// The next message.
    pub async fn message(&mut self) -> Result<Publish> {
        next(&mut self.messages).await
    }

    /// The next message that is already here.
    /// The next JSON on this topic that is meant. What comes before it is passed over.
    pub async fn hears_json(
        &mut self,
        topic: &str,
        patience: Duration,
        is_it: impl Fn(&Json) -> bool,
    ) -> Result<Json> {
        let heard = async {
            loop {
                let message = self.message().await?;
                let body: Json = serde_json::from_slice(&message.payload).unwrap_or_default();
                if message.topic == topic && is_it(&body) {
                    return anyhow::Ok(body);
                }
            }
        };
        timeout(patience, heard).await.with_context(|| format!("nothing such on {topic}"))?
    }

    pub fn try_message(&mut self) -> Option<Publish> {
        self.messages.try_recv().ok()
    }

    pub fn is_connected(&self) -> bool {
        !self.polling.is_finished()
    }
}

impl Drop for Client {
    fn drop(&mut self) {
        self.polling.abort();
    }
}

async fn next<T>(channel: &mut mpsc::UnboundedReceiver<T>) -> Result<T> {
    let item =
        timeout(DEADLINE, channel.recv()).await.map_err(|_| anyhow!("nothing came within {DEADLINE:?}"))?;
    item.context("the test client's connection has ended")
}
