//! The workshop's face to a broker: outlets and meters publish, outlets obey, and a script's hand reaches in.
//!
//! A plain peer, in no way part of the guard: it may lose its broker and finds it again. The models know
//! nothing of it; it is the only place here that knows the clock.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::Packet;
use rumqttc::v5::{AsyncClient, Event, EventLoop, MqttOptions};
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio::time::{Instant, MissedTickBehavior, timeout};

use super::birch_lane::Dialect;
use super::machine::Truth;
use super::speech::{ORDERS, Spoken, obey, speak};
use super::station::Workshop;
use idlegate_guard::Switch;
use idlegate_guard::time::{Moment, Span};

/// How often the models are brought up to the clock.
const TICK: Duration = Duration::from_millis(20);
/// Between two attempts to reach the broker.
const RECONNECT_AFTER: Duration = Duration::from_millis(300);
/// Messages on their way to the broker; what does not fit is lost, as it would be on a real network.
const QUEUE_MAX: usize = 256;

#[derive(Debug)]
pub struct WorkshopFace {
    shared: Arc<Shared>,
    connected: watch::Receiver<bool>,
    tasks: [JoinHandle<()>; 2],
}

#[derive(Debug)]
struct Shared {
    workshop: Mutex<Workshop>,
    dialects: Vec<Dialect>,
    /// There while there is a connection.
    client: Mutex<Option<AsyncClient>>,
}

/// What somebody standing in the workshop sees of one machine.
#[derive(Clone, Debug, PartialEq)]
pub struct View {
    pub machine: &'static str,
    pub relay: Switch,
    pub truth: Truth,
    pub watts: f64,
    pub jobs_cut: u32,
}

impl WorkshopFace {
    /// Connects to the broker on this loopback port and lets the workshop live, `pace` times as fast as the
    /// clock. One dialect for each station, in their order.
    pub fn spawn(port: u16, workshop: Workshop, dialects: &[Dialect], pace: u32) -> WorkshopFace {
        assert_eq!(workshop.stations().len(), dialects.len(), "every station speaks one dialect");
        let shared = Arc::new(Shared {
            workshop: Mutex::new(workshop),
            dialects: dialects.to_vec(),
            client: Mutex::new(None),
        });
        let (tell_connected, connected) = watch::channel(false);
        let tasks = [
            tokio::spawn(live(Arc::clone(&shared), pace)),
            tokio::spawn(stay_connected(Arc::clone(&shared), port, tell_connected)),
        ];
        WorkshopFace { shared, connected, tasks }
    }

    /// Waits until the outlets can be commanded, and says whether that came true in time.
    pub async fn connected(&self, within: Duration) -> bool {
        let mut connected = self.connected.clone();
        timeout(within, connected.wait_for(|up| *up)).await.is_ok_and(|seen| seen.is_ok())
    }

    /// Sends a message as a button, a panel or a contact would. Says whether it could be sent.
    pub fn send(&self, topic: &str, payload: &str) -> bool {
        self.shared.publish(topic, payload, QoS::AtMostOnce, false)
    }

    /// Presses the button on the outlet itself: a route past the guard.
    pub fn press_own_button(&self, machine: &str) -> bool {
        self.shared.with_station(machine, |station, now| station.outlet.press_own_button(now)).is_some()
    }

    /// Starts a job of this length in workshop time, if the machine is ready for one.
    pub fn start_job(&self, machine: &str, lasts: Span) -> bool {
        self.shared.with_station(machine, |station, now| station.start_job(lasts, now)).unwrap_or(false)
    }

    pub(crate) fn views(&self) -> Vec<View> {
        View::all(&self.shared.workshop())
    }
}

impl View {
    /// Every station, in order.
    pub fn all(workshop: &Workshop) -> Vec<View> {
        let view = |station: &super::Station| View {
            machine: station.machine,
            relay: station.outlet.relay(),
            truth: station.truth(),
            watts: station.watts(),
            jobs_cut: station.jobs().cut,
        };
        workshop.stations().iter().map(view).collect()
    }
}

impl Drop for WorkshopFace {
    fn drop(&mut self) {
        for task in &self.tasks {
            task.abort();
        }
    }
}

impl Shared {
    // A panic elsewhere leaves a workshop that is at worst a tick behind.
    fn workshop(&self) -> MutexGuard<'_, Workshop> {
        self.workshop.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn set_client(&self, client: Option<AsyncClient>) {
        *self.client.lock().unwrap_or_else(PoisonError::into_inner) = client;
    }

    fn with_station<T>(
        &self,
        machine: &str,
        act: impl FnOnce(&mut super::Station, Moment) -> T,
    ) -> Option<T> {
        let mut workshop = self.workshop();
        let now = workshop.now();
        workshop.station_mut(machine).map(|station| act(station, now))
    }

    fn publish(&self, topic: &str, payload: &str, qos: QoS, retain: bool) -> bool {
        let client = self.client.lock().unwrap_or_else(PoisonError::into_inner);
        client
            .as_ref()
            .is_some_and(|client| client.try_publish(topic, qos, retain, payload.to_owned()).is_ok())
    }

    /// Brings the workshop to `now` and publishes what was said on the way.
    fn advance(&self, now: Moment) {
        let mut workshop = self.workshop();
        for saying in workshop.advance(now) {
            let Spoken { topic, payload, retained } = speak(&workshop, &self.dialects, &saying);
            let qos = if retained { QoS::AtLeastOnce } else { QoS::AtMostOnce };
            self.publish(&topic, &payload, qos, retained);
        }
    }

    fn report_all(&self) {
        let machines: Vec<_> = self.workshop().stations().iter().map(|station| station.machine).collect();
        for machine in machines {
            self.with_station(machine, |station, now| station.outlet.report(now));
        }
    }
}

async fn live(shared: Arc<Shared>, pace: u32) {
    let begun = Instant::now();
    let mut ticks = tokio::time::interval(TICK);
    ticks.set_missed_tick_behavior(MissedTickBehavior::Skip);
    loop {
        ticks.tick().await;
        shared.advance(Moment(Span::from(begun.elapsed().saturating_mul(pace)).0));
    }
}

async fn stay_connected(shared: Arc<Shared>, port: u16, connected: watch::Sender<bool>) {
    loop {
        // A new client each time: nothing queued for the old connection may be sent on the new one.
        let mut options = MqttOptions::new("workshop", "127.0.0.1", port);
        options.set_keep_alive(Duration::from_secs(5));
        options.set_outgoing_inflight_upper_limit(64);
        let mut network = options.network_options();
        network.set_tcp_nodelay(true);
        options.set_network_options(network);
        let (client, mut events) = AsyncClient::new(options, QUEUE_MAX);
        stay_until_lost(&shared, client, &mut events, &connected).await;
        shared.set_client(None);
        connected.send_replace(false);
        tokio::time::sleep(RECONNECT_AFTER).await;
    }
}

async fn stay_until_lost(
    shared: &Shared,
    client: AsyncClient,
    events: &mut EventLoop,
    connected: &watch::Sender<bool>,
) {
    while let Ok(event) = events.poll().await {
        match event {
            Event::Incoming(Packet::ConnAck(_)) => {
                if client.try_subscribe(ORDERS, QoS::AtLeastOnce).is_err() {
                    return;
                }
                shared.set_client(Some(client.clone()));
            }
            Event::Incoming(Packet::SubAck(_)) => {
                shared.report_all();
                connected.send_replace(true);
            }
            Event::Incoming(Packet::Publish(publish)) => {
                let topic = String::from_utf8_lossy(&publish.topic);
                obey(&mut shared.workshop(), &shared.dialects, &topic, &publish.payload);
            }
            Event::Incoming(_) | Event::Outgoing(_) => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::broker::EmbeddedBroker;
    use crate::workshop::birch_lane::{DIALECTS, PACE, workshop};

    /// What could go wrong: a workshop that is deaf for the rest of the demo because its broker was away once.
    #[tokio::test(flavor = "multi_thread")]
    async fn an_outlet_obeys_again_after_the_broker_was_away() {
        let broker = EmbeddedBroker::start().await.unwrap();
        let port = broker.port();
        let face = WorkshopFace::spawn(port, workshop(1), &DIALECTS, PACE);
        let patience = Duration::from_secs(10);
        assert!(face.connected(patience).await);
        broker.shutdown().await;
        let mut up = face.connected.clone();
        timeout(patience, up.wait_for(|up| !*up)).await.unwrap().unwrap();
        assert!(!face.send("outlets/mill/order", "off"), "nothing may wait for the broker to come back");
        let broker = EmbeddedBroker::start_with(port, None).await.unwrap();
        assert!(face.connected(patience).await);
        assert!(face.send("outlets/laser/order", "off"));
        let off =
            |machine| face.views().iter().any(|view| view.machine == machine && view.relay == Switch::Off);
        let begun = Instant::now();
        while !off("laser-cutter") && begun.elapsed() < patience {
            tokio::time::sleep(TICK).await;
        }
        assert!(off("laser-cutter") && !off("mill"));
        broker.shutdown().await;
    }
}
