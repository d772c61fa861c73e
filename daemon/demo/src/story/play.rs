//! The teller on a real broker, a simulated workshop and the clock.

use std::time::Duration;

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::Packet;
use rumqttc::v5::{AsyncClient, Event, MqttOptions};
use tokio::sync::mpsc;
use tokio::time::{MissedTickBehavior, interval};

use super::page::Page;
use super::scene::{Doing, Story};
use super::teller::{Outcome, Teller, Telling};
use crate::workshop::WorkshopFace;
use idlegate_os::Clock;

const TICK: Duration = Duration::from_millis(20);
/// Messages heard and not yet played; the daemon says far less between two ticks.
const HEARD_MAX: usize = 1024;
const PACKET_BYTES_MAX: u32 = 256 * 1024;

type Message = (String, Vec<u8>);

/// Plays the story to its end against the daemon at the broker on this loopback port, and hands every line to
/// `print`. Start it before or after the daemon: the first scene waits for the daemon's status.
pub async fn play(
    story: Story,
    page: Page,
    port: u16,
    workshop: &WorkshopFace,
    mut print: impl FnMut(&str),
) -> Outcome {
    let (tell, mut heard) = mpsc::channel(HEARD_MAX);
    let listener = tokio::spawn(listen(port, format!("{}/#", story.prefix), tell));
    let clock = Clock;
    let mut teller = Teller::new(story, page, clock.now().moment);
    let mut ticks = interval(TICK);
    ticks.set_missed_tick_behavior(MissedTickBehavior::Skip);
    let outcome = loop {
        if let Some(outcome) = teller.outcome() {
            break outcome;
        }
        tokio::select! {
            _ = ticks.tick() => {}
            Some((topic, payload)) = heard.recv() => teller.hear(&topic, &payload),
        }
        // Of several messages that came in at once, the oldest decides where a line stands.
        while let Ok((topic, payload)) = heard.try_recv() {
            teller.hear(&topic, &payload);
        }
        for told in teller.proceed(clock.now().moment, &workshop.views()) {
            match told {
                Telling::Line(line) => print(&line),
                Telling::Do(doing) => act(workshop, &doing),
            }
        }
    };
    listener.abort();
    outcome
}

// What could not be done shows in the story: the answer to it does not come.
fn act(workshop: &WorkshopFace, doing: &Doing) {
    let done = match doing {
        Doing::Send { topic, payload } => workshop.send(topic, payload),
        Doing::StartJob { machine, lasts } => workshop.start_job(machine, *lasts),
        Doing::PressOwnButton { machine } => workshop.press_own_button(machine),
    };
    if !done {
        tracing::warn!(?doing, "the workshop could not do this");
    }
}

async fn listen(port: u16, filter: String, tell: mpsc::Sender<Message>) {
    loop {
        let mut options = MqttOptions::new("story", "127.0.0.1", port);
        options.set_keep_alive(Duration::from_secs(5));
        options.set_max_packet_size(Some(PACKET_BYTES_MAX));
        options.set_outgoing_inflight_upper_limit(8);
        let mut network = options.network_options();
        network.set_tcp_nodelay(true);
        options.set_network_options(network);
        let (client, mut events) = AsyncClient::new(options, 8);
        while let Ok(event) = events.poll().await {
            match event {
                Event::Incoming(Packet::ConnAck(_)) => {
                    if client.try_subscribe(filter.as_str(), QoS::AtLeastOnce).is_err() {
                        break;
                    }
                }
                Event::Incoming(Packet::Publish(publish)) => {
                    let topic = String::from_utf8_lossy(&publish.topic).into_owned();
                    if tell.send((topic, publish.payload.to_vec())).await.is_err() {
                        return;
                    }
                }
                Event::Incoming(_) | Event::Outgoing(_) => {}
            }
        }
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
}
