//! A shop of two halls, each with a daemon of its own, with one rules folder and one broker.
//!
//! Could go wrong in the workshop: a machine that both halls' daemons switch, or neither; a red button that is heard in one hall only;
//! a request that one daemon obeys and the other refuses aloud.

use std::path::Path;
use std::time::Duration;

use anyhow::{Context, Result};
use idlegate_tests::DEADLINE;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::process::Process;
use rumqttc::v5::mqttbytes::v5::PublishProperties;
use serde_json::{Value as Json, json};

fn rules(dir: &Path, port: u16) -> Result<()> {
    std::fs::create_dir_all(dir.join("machines"))?;
    let shop = format!(
        "title = \"Two halls\"\nsites = [\"north-hall\", \"south-hall\"]\n[broker]\nhost = \"127.0.0.1\"\nport = {port}\n"
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
    let inputs = "[inputs.console]\nmachines = \"all\"\n[inputs.red]\ntopic = \"contacts/red\"\nmachines = \"all\"\n\
                  emergency = true\n[inputs.red.gestures]\nopen = \"emergency-off\"\n";
    Ok(std::fs::write(dir.join("inputs.toml"), inputs)?)
}

async fn ask(client: &mut Client, machine: &str) -> Result<()> {
    let properties = PublishProperties {
        response_topic: Some("idlegate/answer/halls".to_owned()),
        ..PublishProperties::default()
    };
    let body = json!({ "machine": machine, "request": "off" }).to_string();
    client.publish_with("idlegate/request/console", &body, properties).await
}

/// What is said on this topic within a while.
async fn all_said(client: &mut Client, topic: &str) -> Result<Vec<Json>> {
    tokio::time::sleep(Duration::from_millis(700)).await;
    let mut said = Vec::new();
    while let Some(message) = client.try_message() {
        if message.topic == topic {
            said.push(serde_json::from_slice(&message.payload)?);
        }
    }
    Ok(said)
}

#[tokio::test]
async fn each_hall_answers_for_its_own_machines_and_the_red_button_is_heard_in_both() -> Result<()> {
    let broker = Mosquitto::start()?;
    let dir = tempfile::tempdir()?;
    rules(&dir.path().join("rules"), broker.port())?;
    let mut client = Client::connect(broker.port()).await?;
    for topic in ["idlegate/health/#", "idlegate/answer/halls", "outlets/+/order"] {
        client.subscribe(topic).await?;
    }
    for machine in ["mill", "kiln"] {
        client.publish_retained(&format!("outlets/{machine}/says"), "on").await?;
    }
    let start = |site: &str| {
        let (rules, state) = (dir.path().join("rules"), dir.path().join(site));
        Process::start_with(&rules, &state, &["--site", site])
    };
    let halls = [start("north-hall")?, start("south-hall")?];
    let mut there = std::collections::BTreeSet::new();
    while there.len() < halls.len() {
        let message =
            tokio::time::timeout(DEADLINE, client.message()).await.context("a hall is missing")??;
        let health: Json = serde_json::from_slice(&message.payload).unwrap_or_default();
        if health["guard"] == "guarding" {
            there.insert(String::from_utf8_lossy(&message.topic).into_owned());
        }
    }
    assert_eq!(Vec::from_iter(there), ["idlegate/health/north-hall", "idlegate/health/south-hall"]);

    // Nobody knows yet what the kiln does.
    ask(&mut client, "kiln").await?;
    let answers = all_said(&mut client, "idlegate/answer/halls").await?;
    let [answer] = &answers[..] else { anyhow::bail!("one answer was wanted: {answers:?}") };
    assert_eq!((&answer["machine"], &answer["decision"]), (&json!("kiln"), &json!("held")));
    ask(&mut client, "lathe").await?;
    let answers = all_said(&mut client, "idlegate/answer/halls").await?;
    assert!(answers.iter().all(|answer| answer["reason"] == "unknown-machine"), "{answers:?}");
    assert!(!answers.is_empty(), "a machine that nobody knows is told");

    client.publish("contacts/red", "open").await?;
    let mut off = std::collections::BTreeSet::new();
    while off.len() < 2 {
        let message = tokio::time::timeout(DEADLINE, client.message()).await.context("no off")??;
        if message.payload == "off" {
            off.insert(String::from_utf8_lossy(&message.topic).into_owned());
        }
    }
    Ok(())
}

#[tokio::test]
async fn a_shop_with_halls_is_not_guarded_by_a_daemon_that_does_not_say_for_which() -> Result<()> {
    let dir = tempfile::tempdir()?;
    rules(&dir.path().join("rules"), 1)?;
    for more in [&[][..], &["--site", "attic"]] {
        let mut process = Process::start_with(&dir.path().join("rules"), &dir.path().join("state"), more)?;
        assert_eq!(process.wait()?.code(), Some(78), "{more:?}");
    }
    Ok(())
}
