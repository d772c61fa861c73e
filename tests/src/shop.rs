//! A small shop on a real broker: one mill, its outlet played by the test, and the whole guard in this process.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context, Result, anyhow, bail};
use idlegate_detectors::{Execution, Modules};
use idlegate_plan::Plan;
use idlegate_rules::{Folder, Problem, Surroundings, SystemSecrets, compile, load};
use idlegate_service::{self as service, Options};
use rumqttc::v5::mqttbytes::v5::{Publish, PublishProperties};
use serde_json::Value as Json;
use tokio::sync::oneshot;
use tokio::task::JoinHandle;

use crate::DEADLINE;
use crate::client::Client;
use crate::process::program;

/// The rules of the shop. Dwells are short: a test does not wait for a heater.
const SHOP: &str = r#"
title = "Test shop"
[broker]
host = "127.0.0.1"
port = 1883
keep_alive = "5s"
[guard]
window = "10s"
hold_longer = false
"#;

pub const MILL: &str = r#"
title = "Mill"
[outlet]
state = { topic = "outlets/mill/says", on = "on", off = "off" }
order = { topic = "outlets/mill/order", on = "on", off = "off" }
power = "power"
[signals.power]
topic = "meters/mill"
unit = "W"
stale_after = "30s"
[[detectors]]
use = "power-threshold"
settings = { busy_watts = 100, quiet_watts = 50, dwell = "300 ms" }
"#;

const INPUTS: &str = r#"
[inputs.button]
topic = "buttons/mill"
machines = ["mill"]
may_force = true
[inputs.button.gestures]
press = "off"
long-press = "force-off"
[inputs.red-button]
topic = "contacts/red"
machines = "all"
emergency = true
[inputs.red-button.gestures]
open = "emergency-off"
[inputs.console]
machines = "all"
may_keep_on = true
may_lock = true
may_unlock = true
"#;

/// The plan of the test shop, for the broker on this port.
pub fn plan(port: u16) -> Result<Plan> {
    plan_with(port, MILL)
}

pub fn plan_with(port: u16, mill: &str) -> Result<Plan> {
    let modules = Modules::new(Execution::Automatic, None)?;
    let texts = [("shop.toml", SHOP), ("inputs.toml", INPUTS), ("machines/mill.toml", mill)];
    let folder = Folder::from_texts(Path::new("test-shop"), texts);
    let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::SERVICE };
    let compiled = compile(&folder, &around).map_err(|problems| told(&problems))?;
    let mut plan = compiled.plan;
    plan.shop.broker.port = port;
    Ok(plan)
}

fn told(problems: &[Problem]) -> anyhow::Error {
    anyhow!("{}", problems.iter().map(Problem::render).collect::<Vec<_>>().join("\n"))
}

/// The same rules in a folder of their own, for the broker on this port.
pub fn write_rules(dir: &Path, port: u16) -> Result<()> {
    std::fs::create_dir_all(dir.join("machines"))?;
    std::fs::write(dir.join("shop.toml"), SHOP.replace("1883", &port.to_string()))?;
    std::fs::write(dir.join("inputs.toml"), INPUTS)?;
    std::fs::write(dir.join("machines/mill.toml"), MILL)?;
    Ok(())
}

/// The whole guard, running.
#[derive(Debug)]
pub struct Guard {
    stop: Option<oneshot::Sender<()>>,
    running: JoinHandle<Result<()>>,
}

impl Guard {
    pub fn start(plan: Plan, state_dir: Option<PathBuf>) -> Result<Guard> {
        let modules = Arc::new(Modules::new(Execution::Automatic, None)?);
        let mut options = Options::new(Arc::new(plan), modules);
        options.state_dir = state_dir;
        Ok(Guard::run(options))
    }

    /// By the rules in this folder, and by what becomes of them.
    pub fn following(dir: &Path) -> Result<Guard> {
        let modules = Modules::new(Execution::Automatic, None)?;
        // Tests are not the program, which compiles detectors in a second start of itself.
        let modules = Arc::new(match program() {
            Ok(program) => modules.compiling_with(program),
            Err(_) => modules,
        });
        let around = Surroundings { detectors: &*modules, secrets: &SystemSecrets::SERVICE };
        let compiled = compile(&load(dir), &around).map_err(|problems| told(&problems))?;
        let mut options = Options::new(Arc::new(compiled.plan), modules);
        options.rules_dir = Some(dir.to_path_buf());
        Ok(Guard::run(options))
    }

    fn run(options: Options) -> Guard {
        let (stop, stopped) = oneshot::channel::<()>();
        let running = tokio::spawn(service::run(options, Box::pin(async move { drop(stopped.await) })));
        Guard { stop: Some(stop), running }
    }

    /// As the service manager stops it.
    pub async fn stop(mut self) -> Result<()> {
        self.stop.take();
        self.running.await?
    }
}

/// What happens at the mill, and what is heard of the guard.
#[derive(Debug)]
pub struct Mill {
    pub client: Client,
}

impl Mill {
    /// Listens to everything that concerns the mill, and waits until the guard is there.
    pub async fn meet(port: u16) -> Result<Mill> {
        let mut client = Client::connect(port).await?;
        client.subscribe("outlets/mill/order").await?;
        client.subscribe("idlegate/#").await?;
        let mut mill = Mill { client };
        mill.hear_json("idlegate/health", |health| health["guard"] == "guarding").await?;
        Ok(mill)
    }

    /// The outlet says what it is, as it does after every change and to everyone who comes later.
    pub async fn outlet_is(&mut self, state: &str) -> Result<()> {
        self.client.publish_retained("outlets/mill/says", state.to_owned()).await?;
        self.hear_json("idlegate/machine/mill", |status| status["outlet"] == state).await?;
        Ok(())
    }

    /// The mill draws this, again and again, until the guard has understood what it means.
    pub async fn draws(&mut self, watts: &str, state: &str) -> Result<()> {
        let understood = async {
            loop {
                self.client.publish("meters/mill", watts.to_owned()).await?;
                tokio::time::sleep(Duration::from_millis(20)).await;
                while let Some(message) = self.client.try_message() {
                    refuse_order(&message)?;
                    if message.topic == "idlegate/machine/mill"
                        && serde_json::from_slice::<Json>(&message.payload)?["state"] == state
                    {
                        return Ok(());
                    }
                }
            }
        };
        in_time(understood, &format!("{watts} W to mean {state}")).await
    }

    pub async fn gesture(&mut self, word: &str) -> Result<()> {
        self.client.publish("buttons/mill", word.to_owned()).await
    }

    /// Asks on the console's request topic, and waits for the answer.
    pub async fn asks(&mut self, request: &str) -> Result<Json> {
        self.asks_for(&serde_json::json!({ "machine": "mill", "request": request })).await
    }

    pub async fn asks_for(&mut self, request: &Json) -> Result<Json> {
        let properties = PublishProperties {
            response_topic: Some("idlegate/answer/console/test".to_owned()),
            correlation_data: Some(bytes::Bytes::from_static(b"42")),
            ..PublishProperties::default()
        };
        self.client.publish_with("idlegate/request/console", &request.to_string(), properties).await?;
        let answer = self.hear(|message| message.topic == "idlegate/answer/console/test").await?;
        let correlation =
            answer.properties.as_ref().and_then(|properties| properties.correlation_data.clone());
        if correlation.as_deref() != Some(b"42") {
            bail!("the answer does not carry the asker's correlation data: {correlation:?}");
        }
        Ok(serde_json::from_slice(&answer.payload)?)
    }

    pub async fn decision(&mut self) -> Result<Json> {
        self.hear_json("idlegate/decision", |_| true).await
    }

    /// The next order to the outlet.
    pub async fn order(&mut self) -> Result<Publish> {
        self.hear(|message| message.topic == "outlets/mill/order").await
    }

    /// The next message on this topic of which this is true; what comes before is passed over, except that a
    /// order nobody waits for is a fault.
    pub async fn hear_json(&mut self, topic: &str, is_it: impl Fn(&Json) -> bool) -> Result<Json> {
        let heard = async {
            loop {
                let message = self.client.message().await?;
                refuse_order(&message)?;
                if message.topic == topic {
                    let body = serde_json::from_slice(&message.payload)?;
                    if is_it(&body) {
                        return Ok(body);
                    }
                }
            }
        };
        in_time(heard, topic).await
    }

    async fn hear(&mut self, is_it: impl Fn(&Publish) -> bool) -> Result<Publish> {
        let heard = async {
            loop {
                let message = self.client.message().await?;
                if is_it(&message) {
                    return Ok(message);
                }
            }
        };
        in_time(heard, "a message").await
    }
}

fn refuse_order(message: &Publish) -> Result<()> {
    if message.topic == "outlets/mill/order" {
        bail!("an order that nobody expected: {:?}", message.payload);
    }
    Ok(())
}

/// The guard publishes its status again and again, so every wait needs an end of its own.
async fn in_time<T>(what: impl Future<Output = Result<T>>, name: &str) -> Result<T> {
    tokio::time::timeout(DEADLINE, what).await.with_context(|| format!("waited too long for {name}"))?
}
