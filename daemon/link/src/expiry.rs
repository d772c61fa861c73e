//! Whether the broker throws away what has expired.
//!
//! An order that waits for an outlet out of reach expires after two seconds, and a broker that delivers it all the same
//! switches the outlet hours later. Nothing that a broker says of itself tells: it has to be tried. Somebody who is
//! away has two messages sent to them, one that expires and one that does not, and comes back when the first should be
//! gone. The second shows that anything was kept at all.
//!
//! Whoever is away needs a login of its own: some brokers take the login for the client id, and would drop the guard
//! for it.

use std::time::Duration;

use bytes::Bytes;
use rumqttc::v5::mqttbytes::QoS as Level;
use rumqttc::v5::mqttbytes::v5::{ConnAck, SubAck};
use rumqttc::v5::{AsyncClient, Event, EventLoop, Incoming, MqttOptions};
use tokio::time::{sleep, timeout};

use super::{LinkConfig, LinkHandle, Outgoing, chance, options, reason};
use idlegate_guard::time::Span;
use idlegate_os::Clock;
use idlegate_plan::{Broker, Login};

/// What expires, expires after this. The standard counts in whole seconds.
const SHORT: Span = Span::secs(1);
/// Long enough for a broker that looks over its queues only every other second.
const AWAY: Duration = Duration::from_secs(4);
/// How long the broker is to keep what waits: longer than all of it takes, and no longer than needed.
const KEPT: Span = Span::secs(60);
const KEPT_SECS: u32 = 60;
/// Each step may take so long.
const PATIENCE: Duration = Duration::from_secs(5);

/// What came of the trial.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Expiry {
    /// It was thrown away.
    Heeded,
    /// The broker keeps nothing at all for clients that are away, so nothing comes late.
    NothingWaits,
    /// It was delivered, although it had expired.
    Ignored,
    /// Why nobody knows.
    NotTried(String),
}

/// Tries it. `link` sends, and must be up; `login` is that of whoever is away. Takes some seconds, and waits for
/// nothing that `link` has to do.
pub async fn try_expiry(broker: &Broker, login: &Login, prefix: &str, link: &LinkHandle) -> Expiry {
    match Trial::new(broker, login, prefix) {
        Ok(trial) => trial.run(link).await.unwrap_or_else(Expiry::NotTried),
        Err(why) => Expiry::NotTried(why),
    }
}

struct Trial {
    options: MqttOptions,
    topic: String,
    /// Told apart from those of an earlier trial.
    expires: Bytes,
    stays: Bytes,
}

impl Trial {
    fn new(broker: &Broker, login: &Login, prefix: &str) -> Result<Trial, String> {
        if broker.tls.as_ref().is_some_and(|tls| tls.client.is_some()) {
            return Err(
                "the broker may take our certificate for the login, so there is none to try it with".into()
            );
        }
        let mut broker = broker.clone();
        broker.client_id = format!("{}-probe", broker.client_id);
        broker.login = Some(login.clone());
        let topic = format!("{prefix}/probe/expiry");
        let config = LinkConfig::new(broker, prefix, Bytes::new()).map_err(|bad| bad.to_string())?;
        let options = options::mqtt_options(&config).map_err(|err| err.to_string())?;
        let token = chance();
        let payload = |word: &str| Bytes::from(format!("{word} {token:016x}"));
        Ok(Trial { options, topic, expires: payload("expires"), stays: payload("stays") })
    }

    async fn run(mut self, link: &LinkHandle) -> Result<Expiry, String> {
        if self.subscribe_and_leave().await? == Sessions::None {
            return Ok(Expiry::NothingWaits);
        }
        for (payload, lasts) in [(&self.expires, SHORT), (&self.stays, KEPT)] {
            let now = Clock.now().moment;
            let message = Outgoing::event(&self.topic, payload.clone(), now).in_plain_text().lasting(lasts);
            let taken = link.publish_confirmed(message).map_err(|not_sent| not_sent.to_string())?;
            match timeout(PATIENCE, taken).await {
                Ok(Ok(())) => {}
                Ok(Err(_)) | Err(_) => {
                    return Err(format!("the broker did not take a message on {}", self.topic));
                }
            }
        }
        sleep(AWAY).await;
        self.come_back().await
    }

    async fn subscribe_and_leave(&mut self) -> Result<Sessions, String> {
        self.options.set_clean_start(true).set_session_expiry_interval(Some(KEPT_SECS));
        let (client, mut events) = AsyncClient::new(self.options.clone(), 4);
        let answer = connected(&mut events).await?;
        let kept = answer.properties.and_then(|properties| properties.session_expiry_interval);
        if kept == Some(0) {
            leave(&client, &mut events).await;
            return Ok(Sessions::None);
        }
        client.try_subscribe(&self.topic, Level::AtLeastOnce).map_err(|err| err.to_string())?;
        let answer = step(&mut events, |event| match event {
            Event::Incoming(Incoming::SubAck(answer)) => Some(answer),
            _ => None,
        });
        refused(&answer.await?, &self.topic)?;
        leave(&client, &mut events).await;
        Ok(Sessions::Kept)
    }

    async fn come_back(&mut self) -> Result<Expiry, String> {
        self.options.set_clean_start(false).set_session_expiry_interval(Some(0));
        let (client, mut events) = AsyncClient::new(self.options.clone(), 4);
        if !connected(&mut events).await?.session_present {
            return Err("the broker kept nothing for a client that was away".into());
        }
        let mut late = false;
        let (expires, stays) = (self.expires.clone(), self.stays.clone());
        let stayed = step(&mut events, |event| match event {
            Event::Incoming(Incoming::Publish(publish)) => {
                late |= publish.payload == expires;
                (publish.payload == stays).then_some(())
            }
            _ => None,
        });
        let stayed = stayed.await;
        leave(&client, &mut events).await;
        match (late, stayed) {
            (true, _) => Ok(Expiry::Ignored),
            (false, Ok(())) => Ok(Expiry::Heeded),
            (false, Err(_)) => Err("the broker did not deliver what should have waited".into()),
        }
    }
}

/// Whether the broker says that it keeps them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Sessions {
    None,
    Kept,
}

/// Until something of this kind has come.
async fn step<T>(events: &mut EventLoop, mut wanted: impl FnMut(Event) -> Option<T>) -> Result<T, String> {
    let found = async {
        loop {
            let event = events.poll().await.map_err(|err| reason::of_end(&err, true))?;
            if let Some(found) = wanted(event) {
                return Ok(found);
            }
        }
    };
    timeout(PATIENCE, found).await.unwrap_or_else(|_| Err("the broker does not answer".into()))
}

async fn connected(events: &mut EventLoop) -> Result<ConnAck, String> {
    let connected = async {
        loop {
            match events.poll().await {
                Ok(Event::Incoming(Incoming::ConnAck(answer))) => return Ok(answer),
                Ok(_) => {}
                Err(err) => {
                    let why = reason::of_end(&err, false);
                    return Err(format!("the login under [broker.probe] does not get in: {why}"));
                }
            }
        }
    };
    timeout(PATIENCE, connected).await.unwrap_or_else(|_| Err("the broker does not answer".into()))
}

fn refused(answer: &SubAck, topic: &str) -> Result<(), String> {
    match answer.return_codes.iter().find_map(|code| reason::of_subscription(*code)) {
        Some(why) => Err(format!("the login under [broker.probe] may not read {topic}: {why}")),
        None => Ok(()),
    }
}

/// With a farewell, so that the broker keeps the session as long as was asked for.
async fn leave(client: &AsyncClient, events: &mut EventLoop) {
    if client.try_disconnect().is_ok() {
        let gone = step(events, |event| {
            matches!(event, Event::Outgoing(rumqttc::Outgoing::Disconnect)).then_some(())
        });
        // Sent or not, the connection ends here.
        let _ = gone.await;
    }
}
