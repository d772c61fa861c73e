//! A shop of two halls, each with a daemon of its own, with one rules folder and one broker.

use std::path::Path;
use std::time::Duration;

use anyhow::{Context, Result};
use rumqttc::v5::mqttbytes::v5::PublishProperties;
use serde_json::{Value as Json, json};

use crate::broker::Mosquitto;
use crate::client::Client;
use crate::process::Process;

const PATIENCE: Duration = Duration::from_secs(60);
const TRIES: u32 = 6;

/// The rules of two halls with a machine each, for the broker on this port.
pub fn rules(dir: &Path, port: u16) -> Result<()> {
    std::fs::create_dir_all(dir.join("machines"))?;
    let shop = format!(
        "title = \"Two halls\"\nsites = [\"north-hall\", \"south-hall\"]\n[broker]\nhost = \"127.0.0.1\"\nport = {port}\n[guard]\nhold_longer = false\n"
    );
    std::fs::write(dir.join("shop.toml"), shop)?;
    for (machine, site) in [("mill", "north-hall"), ("kiln", "south-hall")] {
        let text = format!(
            "site = \"{site}\"\n[outlet]\nstate = {{ topic = \"outlets/{machine}/says\" }}\n\
             order = {{ topic = \"outlets/{machine}/order\" }}\npower = \"power\"\n\
             [signals.power]\ntopic = \"meters/{machine}\"\nunit = \"W\"\n\
             [[detectors]]\nuse = \"power-threshold\"\nsettings = {{ busy_watts = 40, dwell = \"1 s\" }}\n"
        );
        std::fs::write(dir.join(format!("machines/{machine}.toml")), text)?;
    }
    let inputs = "[inputs.console]\nmachines = \"all\"\nmay_lock = true\nmay_unlock = true\n[inputs.red]\ntopic = \"contacts/red\"\nmachines = \"all\"\n\
                  emergency = true\n[inputs.red.gestures]\nopen = \"emergency-off\"\n";
    Ok(std::fs::write(dir.join("inputs.toml"), inputs)?)
}

/// Halls at work, and somebody who listens to everything.
#[derive(Debug)]
pub struct Halls {
    pub broker: Mosquitto,
    pub dir: tempfile::TempDir,
    pub client: Client,
}

impl Halls {
    pub async fn new() -> Result<Halls> {
        let broker = Mosquitto::start()?;
        let dir = tempfile::tempdir()?;
        rules(&dir.path().join("rules"), broker.port())?;
        let mut client = Client::connect(broker.port()).await?;
        for topic in ["idlegate/#", "outlets/+/order"] {
            client.subscribe(topic).await?;
        }
        for machine in ["mill", "kiln"] {
            client.publish_retained(&format!("outlets/{machine}/says"), "off").await?;
        }
        Ok(Halls { broker, dir, client })
    }

    pub fn run(&self, site: &str, stand_by: Option<&str>) -> Result<Process> {
        self.run_by("rules", site, stand_by)
    }

    pub fn run_by(&self, rules: &str, site: &str, stand_by: Option<&str>) -> Result<Process> {
        let state = self.dir.path().join(format!("{site}-{}", stand_by.unwrap_or("alone")));
        let mut more = vec!["--site", site];
        more.extend(stand_by.iter().flat_map(|name| ["--stand-by", *name]));
        Process::start_with(&self.dir.path().join(rules), &state, &more)
    }

    pub async fn hears(&mut self, topic: &str, is_it: impl Fn(&Json) -> bool) -> Result<Json> {
        self.client.hears_json(topic, PATIENCE, is_it).await
    }

    pub async fn guards(&mut self, site: &str, name: Option<&str>) -> Result<()> {
        let is_it = |health: &Json| health["guard"] == "guarding" && health["name"].as_str() == name;
        self.hears(&format!("idlegate/health/{site}"), is_it).await.map(drop)
    }

    pub async fn asks(&mut self, machine: &str, request: &str) -> Result<Json> {
        // A daemon that has just been given the machine may not listen yet.
        for _ in 0..TRIES {
            self.sends(machine, request).await?;
            let answer = self.hears("idlegate/answer/console/halls", |answer| answer["machine"] == machine);
            if let Ok(answer) = tokio::time::timeout(PATIENCE / TRIES, answer).await {
                return answer;
            }
        }
        anyhow::bail!("nobody answers for {machine}")
    }

    pub async fn sends(&mut self, machine: &str, request: &str) -> Result<()> {
        let properties = PublishProperties {
            response_topic: Some("idlegate/answer/console/halls".to_owned()),
            ..PublishProperties::default()
        };
        let body = json!({ "machine": machine, "request": request }).to_string();
        self.client.publish_with("idlegate/request/console", &body, properties).await
    }

    /// The machine's file names another hall from now on.
    pub fn move_to(&self, machine: &str, site: &str) -> Result<()> {
        let file = self.dir.path().join(format!("rules/machines/{machine}.toml"));
        let text = std::fs::read_to_string(&file)?;
        let rest = text.split_once('\n').context("its first line is its site")?.1;
        Ok(std::fs::write(file, format!("site = \"{site}\"\n{rest}"))?)
    }

    pub async fn lists(&mut self, site: &str, machines: &[&str]) -> Result<()> {
        // Anew each time: what is kept says what is so now.
        self.client.subscribe(&format!("idlegate/health/{site}")).await?;
        let is_it = |health: &Json| health["machines"] == json!(machines);
        self.hears(&format!("idlegate/health/{site}"), is_it).await.map(drop)
    }
}
