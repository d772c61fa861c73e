//! Several machines asked at once, on a real broker.
//!
//! Could go wrong in the workshop: somebody asks for everything off at night, and the answer is five answers, or comes
//! before the outlets have confirmed; the printer is cut; an outlet that is out of reach keeps the others on.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::Command;

use anyhow::{Context as _, Result, bail};
use idlegate_tests::DEADLINE;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::process::{Process, program};
use rumqttc::v5::mqttbytes::v5::PublishProperties;
use serde_json::{Value as Json, json};
use tempfile::tempdir;

const METERED: [&str; 3] = ["laser", "printer", "saw"];

fn metered(name: &str, title: &str) -> String {
    format!(
        r#"title = "{title}"
[outlet]
state = {{ topic = "outlets/{name}/says" }}
order = {{ topic = "outlets/{name}/order" }}
reach = {{ topic = "outlets/{name}/reach" }}
power = "power"
[signals.power]
topic = "meters/{name}"
unit = "W"
stale_after = "30s"
[[detectors]]
use = "power-threshold"
settings = {{ busy_watts = 100, quiet_watts = 50, dwell = "300 ms" }}
"#
    )
}

fn write_rules(dir: &Path, port: u16) -> Result<()> {
    std::fs::create_dir_all(dir.join("machines"))?;
    let shop = format!(
        r#"title = "Test shop"
[broker]
host = "127.0.0.1"
port = {port}
[guard]
hold_longer = false
[groups.evening]
title = "Everything"
machines = ["laser", "printer", "extraction", "saw"]
"#
    );
    std::fs::write(dir.join("shop.toml"), shop)?;
    let inputs = r#"[inputs.console]
machines = "all"
may_force = true
[inputs.voice]
topic = "voice/heard"
pointer = "/wish"
machine = { pointer = "/thing" }
machines = ["laser", "printer"]
[inputs.voice.gestures]
cancel = "cancel"
"#;
    std::fs::write(dir.join("inputs.toml"), inputs)?;
    for (name, title) in METERED.into_iter().zip(["Laser cutter", "Filament printer", "Saw"]) {
        std::fs::write(dir.join(format!("machines/{name}.toml")), metered(name, title))?;
    }
    let extraction = r#"title = "Extraction"
needed_by = { machines = ["printer"], run_on = "3min" }
[outlet]
state = { topic = "outlets/extraction/says" }
order = { topic = "outlets/extraction/order" }
"#;
    Ok(std::fs::write(dir.join("machines/extraction.toml"), extraction)?)
}

/// The machines, their outlets and whoever listens.
struct Floor {
    client: Client,
    states: BTreeMap<String, String>,
    orders: Vec<(String, String)>,
    heard: Vec<(String, Json)>,
}

impl Floor {
    async fn meet(port: u16) -> Result<Floor> {
        let mut client = Client::connect(port).await?;
        client.subscribe("outlets/+/order").await?;
        client.subscribe("idlegate/#").await?;
        let (states, orders, heard) = (BTreeMap::new(), Vec::new(), Vec::new());
        let mut floor = Floor { client, states, orders, heard };
        floor.hear("idlegate/health", |health| health["guard"] == "guarding").await?;
        Ok(floor)
    }

    /// The next message on this topic of which this is true. The laser's outlet obeys; the saw's is out of reach.
    async fn hear(&mut self, topic: &str, is_it: impl Fn(&Json) -> bool) -> Result<Json> {
        let heard = async {
            loop {
                let message = self.client.message().await?;
                let (at, body) = (String::from_utf8_lossy(&message.topic).into_owned(), message.payload);
                if let Some(machine) = at.strip_prefix("outlets/").and_then(|at| at.strip_suffix("/order")) {
                    let order = String::from_utf8_lossy(&body).into_owned();
                    if machine == "laser" {
                        self.client.publish_and_go_on("outlets/laser/says", order.clone()).await?;
                    }
                    self.orders.push((machine.to_owned(), order));
                    continue;
                }
                let body: Json = serde_json::from_slice(&body).unwrap_or_default();
                if let Some(machine) = at.strip_prefix("idlegate/machine/") {
                    let state = body["state"].as_str().unwrap_or_default().to_owned();
                    self.states.insert(machine.to_owned(), state);
                }
                let found = at == topic && is_it(&body);
                self.heard.push((at, body.clone()));
                if found {
                    return Ok(body);
                }
            }
        };
        tokio::time::timeout(DEADLINE, heard).await.with_context(|| format!("waited too long for {topic}"))?
    }

    /// They draw this, until the guard has understood what it means.
    async fn draws(&mut self, wanted: &[(&str, &str, &str)]) -> Result<()> {
        for _ in 0..400 {
            for (machine, watts, _) in wanted {
                self.client.publish_and_go_on(&format!("meters/{machine}"), (*watts).to_owned()).await?;
            }
            let (first, ..) = wanted[0];
            let topic = format!("idlegate/machine/{first}");
            // The status of the first is told whenever its readings change anything; until then the meters go on.
            let next =
                tokio::time::timeout(std::time::Duration::from_millis(50), self.hear(&topic, |_| true)).await;
            next.ok().transpose()?;
            let is_so = |(machine, _, state): &(&str, &str, &str)| {
                self.states.get(*machine).is_some_and(|known| known == state)
            };
            if wanted.iter().all(is_so) {
                return Ok(());
            }
        }
        bail!("they are {:?}, and not {wanted:?}", self.states)
    }

    fn heard_on(&self, topic: &str) -> Vec<&Json> {
        self.heard.iter().filter(|(at, _)| at == topic).map(|(_, body)| body).collect()
    }
}

fn ask(dir: &Path, words: &[&str]) -> Result<(String, Option<i32>)> {
    let output = Command::new(program()?).args(["request", "--rules"]).arg(dir).args(words).output()?;
    Ok((String::from_utf8_lossy(&output.stdout).trim().to_owned(), output.status.code()))
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_group_gets_one_answer_when_the_outlets_have_confirmed() -> Result<()> {
    let broker = Mosquitto::start()?;
    let (dir, state) = (tempdir()?, tempdir()?);
    write_rules(dir.path(), broker.port())?;
    let _guard = Process::start(dir.path(), state.path())?;
    let mut floor = Floor::meet(broker.port()).await?;
    for machine in METERED.into_iter().chain(["extraction"]) {
        floor.client.publish_retained(&format!("outlets/{machine}/says"), "on").await?;
    }
    let machines = [("printer", "800", "busy"), ("laser", "12", "idle"), ("saw", "12", "idle")];
    floor.draws(&machines).await?;
    floor.client.publish_retained("outlets/saw/reach", "no").await?;
    floor.hear("idlegate/machine/saw", |saw| saw["outlet"] == "unknown").await?;
    floor.draws(&machines).await?;
    floor.heard.clear();

    let properties = PublishProperties {
        response_topic: Some("idlegate/answer/console/test".to_owned()),
        correlation_data: Some(bytes::Bytes::from_static(b"42")),
        ..PublishProperties::default()
    };
    let body = json!({ "group": "evening", "request": "off", "id": "7" }).to_string();
    floor.client.publish_with("idlegate/request/console", &body, properties).await?;
    let answer = floor.hear("idlegate/answer/console/test", |_| true).await?;
    assert_eq!(
        answer["sentence"],
        "Laser cutter is off. Saw was told to switch off, but its outlet has not confirmed it. Filament printer follows when \
         it is idle. Extraction follows Filament printer."
    );
    let document: Json = serde_json::from_str(include_str!("../../../daemon/asyncapi.json"))?;
    let described = &document["components"]["messages"]["group-answer"]["payload"];
    assert!(jsonschema::draft7::new(described)?.is_valid(&answer), "{answer:#}");
    assert_eq!(answer["stored"], true, "what is put off survives a crash");
    while floor.heard_on("idlegate/decision").len() < 4 {
        floor.hear("idlegate/decision", |_| true).await?;
    }
    let decided: BTreeSet<(String, String)> = (floor.heard_on("idlegate/decision").into_iter())
        .map(|it| {
            (
                it["machine"].as_str().unwrap_or("?").to_owned(),
                it["decision"].as_str().unwrap_or("?").to_owned(),
            )
        })
        .collect();
    let wanted = [("extraction", "deferred"), ("laser", "acted"), ("printer", "deferred"), ("saw", "acted")];
    assert_eq!(decided, wanted.map(|(machine, decision)| (machine.to_owned(), decision.to_owned())).into());
    assert_eq!(floor.heard_on("idlegate/decision").len(), 4, "one for each");
    assert_eq!(floor.heard_on("idlegate/answer/console/test").len(), 1, "one for all");
    let told: Vec<_> =
        floor.heard_on("idlegate/announcement").into_iter().map(|it| it["kind"].clone()).collect();
    assert_eq!(told, ["group-asked"]);
    assert!(
        floor
            .orders
            .iter()
            .all(|(machine, order)| ["laser", "saw"].contains(&machine.as_str()) && order == "off")
    );

    let voice = json!({ "thing": "everything", "wish": "cancel" }).to_string();
    floor.client.publish("voice/heard", voice).await?;
    let told = floor.hear("idlegate/announcement", |told| told["kind"] == "group-asked").await?;
    let sentence = told["sentence"].as_str().unwrap_or_default();
    assert!(sentence.starts_with("Filament printer will not be switched off after all."), "{sentence}");
    assert!(
        sentence.ends_with("voice may not ask about Extraction and Saw, so they stay as they are."),
        "{sentence}"
    );

    let rules = dir.path().to_owned();
    let asked = tokio::task::spawn_blocking(move || -> Result<_> {
        let refused = ask(&rules, &["--group", "evening", "force-off"])?;
        let unknown = ask(&rules, &["--group", "morning", "off"])?;
        Ok((ask(&rules, &["--group", "evening", "cancel"])?, refused, unknown))
    });
    let (cancelled, refused, unknown) = asked.await??;
    let (said, code) = cancelled;
    assert!(said.starts_with("Extraction will not be switched off after all."), "{said}");
    assert_eq!(code, Some(0));
    let told =
        "A group is never forced off. Ask it for off or off-once-idle, and force each machine by itself.";
    assert_eq!(refused, (told.to_owned(), Some(1)));
    assert_eq!(unknown, (String::new(), Some(64)));
    Ok(())
}
