//! A shop with one mill, somebody who works there, and what must never happen.

use std::fmt;
use std::time::Duration;

use anyhow::{Context, Result};
use idlegate_plan::Plan;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::shop::{Guard, plan};
use rumqttc::v5::mqttbytes::v5::Publish;
use serde_json::Value as Json;
use tokio::time::{Instant, timeout};

/// Longer than anything here takes, on a slow machine, too.
const PATIENCE: Duration = Duration::from_secs(30);
/// An order that comes later than this after its cause was not caused by it.
const CALM: Duration = Duration::from_millis(700);

/// The same gesture again within two seconds is the same gesture.
const SAME_GESTURE_MILLIS: u64 = 2_100;

/// What no fault may lead to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Harm {
    Cut,
    EmergencyRefused,
}

impl fmt::Display for Harm {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Harm::Cut => "a working machine was cut",
            Harm::EmergencyRefused => "an emergency was not obeyed",
        })
    }
}

impl std::error::Error for Harm {}

pub(crate) async fn pause(millis: u64) {
    tokio::time::sleep(Duration::from_millis(millis)).await;
}

/// Somebody at the mill: the outlet, the meter and the hand, in one.
pub(crate) struct Hand {
    pub(crate) client: Client,
}

impl Hand {
    /// Listens to everything, and waits until the guard is there.
    pub(crate) async fn at(port: u16) -> Result<Hand> {
        let mut hand = Hand::early(port).await?;
        hand.hears("idlegate/health", |health| health["guard"] == "guarding").await?;
        Ok(hand)
    }

    /// Before there is a guard.
    pub(crate) async fn early(port: u16) -> Result<Hand> {
        let mut client = Client::connect(port).await?;
        client.subscribe("outlets/mill/order").await?;
        client.subscribe("idlegate/#").await?;
        Ok(Hand { client })
    }

    pub(crate) async fn publish(&mut self, topic: &str, payload: &str) -> Result<()> {
        self.client.publish(topic, payload.to_owned()).await
    }

    pub(crate) async fn outlet(&mut self, state: &str) -> Result<()> {
        self.client.publish_retained("outlets/mill/says", state.to_owned()).await?;
        self.hears("idlegate/machine/mill", |status| status["outlet"] == state).await?;
        Ok(())
    }

    /// Draws so much until the guard says what that means.
    pub(crate) async fn draws(&mut self, watts: &str, state: &str) -> Result<()> {
        self.draws_until(watts, |status| status["state"] == state).await
    }

    /// Draws so much until this is true of what the guard says of the mill.
    pub(crate) async fn draws_until(&mut self, watts: &str, is_it: impl Fn(&Json) -> bool) -> Result<()> {
        let until = Instant::now() + PATIENCE;
        let mut last = Json::Null;
        while Instant::now() < until {
            self.publish("meters/mill", watts).await?;
            pause(20).await;
            while let Some(message) = self.client.try_message() {
                calm(&message)?;
                if message.topic == "idlegate/machine/mill" {
                    last = json(&message);
                    if is_it(&last) {
                        return Ok(());
                    }
                }
            }
        }
        anyhow::bail!("{watts} W never meant what was waited for, but {}: {}", last["state"], last["reasons"])
    }

    pub(crate) async fn press(&mut self) -> Result<()> {
        self.publish("buttons/mill", "press").await
    }

    /// A press at a working mill.
    pub(crate) async fn press_is_held(&mut self) -> Result<Json> {
        self.is_held("press").await
    }

    /// A force that comes outside of a window.
    pub(crate) async fn force_is_held(&mut self) -> Result<Json> {
        self.is_held("long-press").await
    }

    /// On a computer that stands still for a while a gesture is too old when it is looked at; people do it again.
    async fn is_held(&mut self, gesture: &str) -> Result<Json> {
        for _ in 0..5 {
            self.publish("buttons/mill", gesture).await?;
            let decision = self.hears("idlegate/decision", |decision| decision["input"] == "button").await?;
            if decision["decision"] == "held" {
                return Ok(decision);
            }
            pause(SAME_GESTURE_MILLIS).await;
        }
        anyhow::bail!("no {gesture} was held")
    }

    /// In the window; again, should it come too late to be obeyed.
    pub(crate) async fn force_cuts(&mut self) -> Result<()> {
        self.hold().await?;
        let cut = async {
            loop {
                let message = self.client.message().await?;
                if is_off(&message) {
                    return Ok(());
                }
                if message.topic == "idlegate/decision" && json(&message)["reason"] == "too-old" {
                    pause(SAME_GESTURE_MILLIS).await;
                    self.hold().await?;
                }
            }
        };
        timeout(PATIENCE, cut).await.context("no off came")?
    }

    pub(crate) async fn hold(&mut self) -> Result<()> {
        self.publish("buttons/mill", "long-press").await
    }

    /// The next message on this topic of which this is true. An order that comes before is one too many.
    pub(crate) async fn hears(&mut self, topic: &str, is_it: impl Fn(&Json) -> bool) -> Result<Json> {
        let mut others = Vec::new();
        let heard = async {
            loop {
                let message = self.client.message().await?;
                calm(&message)?;
                let body = json(&message);
                if message.topic == topic {
                    if is_it(&body) {
                        return Ok(body);
                    }
                    others.push(body.to_string());
                }
            }
        };
        let heard = timeout(PATIENCE, heard).await;
        let last = || others[others.len().saturating_sub(3)..].join(", ");
        heard.with_context(|| format!("nothing such on {topic}, but [{}]", last()))?
    }

    /// The next message of which this is true, whatever else is said.
    async fn comes(&mut self, is_it: impl Fn(&Publish) -> bool) -> Result<()> {
        let heard = async {
            while !is_it(&self.client.message().await?) {}
            Ok(())
        };
        timeout(PATIENCE, heard).await?
    }

    /// No order comes for a while.
    pub(crate) async fn nothing_is_switched(&mut self) -> Result<()> {
        let until = Instant::now() + CALM;
        while Instant::now() < until {
            pause(20).await;
            while let Some(message) = self.client.try_message() {
                calm(&message)?;
            }
        }
        Ok(())
    }

    /// The red button. Anything but an off is a harm of its own.
    pub(crate) async fn emergency(&mut self) -> Result<()> {
        self.publish("contacts/red", "open").await?;
        self.comes(is_off).await.map_err(|_| Harm::EmergencyRefused.into())
    }

    /// The outlet says that it is off, by however many orders.
    pub(crate) async fn outlet_obeys(&mut self) -> Result<()> {
        self.client.publish_retained("outlets/mill/says", "off").await?;
        let known = self.comes(|it| it.topic == "idlegate/machine/mill" && json(it)["outlet"] == "off");
        known.await.context("the guard does not take the outlet for off")
    }

    /// How every trial ends: the mill works and is not cut by a press, and the red button cuts it.
    pub(crate) async fn is_still_guarded(&mut self) -> Result<()> {
        self.outlet("on").await?;
        self.draws("450", "busy").await?;
        pause(SAME_GESTURE_MILLIS).await;
        self.press_is_held().await?;
        self.nothing_is_switched().await?;
        self.emergency().await
    }
}

fn is_off(message: &Publish) -> bool {
    message.topic == "outlets/mill/order" && message.payload == "off"
}

/// Nobody here ever asks for an order that would be sent before it is waited for.
fn calm(message: &Publish) -> Result<()> {
    if message.topic == "outlets/mill/order" { Err(Harm::Cut.into()) } else { Ok(()) }
}

fn json(message: &Publish) -> Json {
    serde_json::from_slice(&message.payload).unwrap_or_default()
}

/// A broker, a guard and a hand, with the mill on.
pub(crate) struct Stage {
    pub(crate) broker: Mosquitto,
    pub(crate) guard: Guard,
    pub(crate) hand: Hand,
}

impl Stage {
    pub(crate) async fn new() -> Result<Stage> {
        Stage::with(|_| ()).await
    }

    pub(crate) async fn with(change: impl FnOnce(&mut Plan)) -> Result<Stage> {
        let broker = Mosquitto::start()?;
        let mut plan = plan(broker.port())?;
        change(&mut plan);
        let guard = Guard::start(plan, None)?;
        let mut hand = Hand::at(broker.port()).await?;
        hand.outlet("on").await?;
        Ok(Stage { broker, guard, hand })
    }

    /// The mill works, and an off of it has been held: the window is open.
    pub(crate) async fn in_window(change: impl FnOnce(&mut Plan)) -> Result<Stage> {
        let mut stage = Stage::with(change).await?;
        stage.hand.draws("450", "busy").await?;
        stage.hand.press_is_held().await?;
        Ok(stage)
    }

    pub(crate) async fn ends(mut self) -> Result<()> {
        self.hand.is_still_guarded().await?;
        self.guard.stop().await
    }
}
