//! A red button for a whole hall, through a real broker.
//!
//! Could go wrong in the workshop: somebody hits it, the first hundred machines stop, and the rest go on. What counts
//! is what each outlet received, not what the guard says it sent.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use anyhow::{Context, Result};
use idlegate_tests::DEADLINE;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::shop::Guard;
use serde_json::Value as Json;

/// More than any queue on the way may be tempted to hold.
const MACHINES: usize = 600;

fn rules(dir: &Path, port: u16) -> Result<()> {
    std::fs::create_dir_all(dir.join("machines"))?;
    let shop = format!("title = \"Hall\"\n[broker]\nhost = \"127.0.0.1\"\nport = {port}\n");
    std::fs::write(dir.join("shop.toml"), shop)?;
    for number in 0..MACHINES {
        let text = format!(
            "[outlet]\nstate = {{ topic = \"outlets/{number}/says\" }}\norder = {{ topic = \"outlets/{number}/order\" }}\n\
             [signals.power]\ntopic = \"meters/{number}\"\nunit = \"W\"\n\
             [[detectors]]\nuse = \"power-threshold\"\nsettings = {{ busy_watts = 40, dwell = \"1 min\" }}\n"
        );
        std::fs::write(dir.join(format!("machines/machine-{number}.toml")), text)?;
    }
    let inputs = "[inputs.console]\nmachines = \"all\"\n[inputs.red]\ntopic = \"contacts/red\"\nmachines = \"all\"\n\
                  emergency = true\n[inputs.red.gestures]\nopen = \"emergency-off\"\n";
    Ok(std::fs::write(dir.join("inputs.toml"), inputs)?)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_red_button_of_a_hall_reaches_every_outlet_and_every_machine_is_answered_for() -> Result<()> {
    let broker = Mosquitto::start()?;
    let dir = tempfile::tempdir()?;
    rules(dir.path(), broker.port())?;
    let mut outlets = Client::connect(broker.port()).await?;
    outlets.subscribe("outlets/+/order").await?;
    let mut hand = Client::connect(broker.port()).await?;
    for topic in ["idlegate/health", "idlegate/decision"] {
        hand.subscribe(topic).await?;
    }
    let guard = Guard::following(dir.path())?;
    loop {
        let message =
            tokio::time::timeout(DEADLINE, hand.message()).await.context("the guard does not come up")??;
        if serde_json::from_slice::<Json>(&message.payload)?["guard"] == "guarding" {
            break;
        }
    }

    hand.publish("contacts/red", "open").await?;
    // An outlet may be told more than once, since none of them confirms; it must be told at all, and only to go off.
    let mut told = BTreeMap::<String, usize>::new();
    while told.len() < MACHINES {
        let message = tokio::time::timeout(DEADLINE, outlets.message())
            .await
            .with_context(|| format!("only {} of {MACHINES} outlets were told to go off", told.len()))??;
        assert_eq!(message.payload, "off");
        *told.entry(String::from_utf8_lossy(&message.topic).into_owned()).or_default() += 1;
    }

    let mut answered = BTreeSet::new();
    while answered.len() < MACHINES {
        let message = tokio::time::timeout(DEADLINE, hand.message())
            .await
            .with_context(|| format!("only {} of {MACHINES} decisions were heard", answered.len()))??;
        if message.topic == "idlegate/decision" {
            let decision: Json = serde_json::from_slice(&message.payload)?;
            assert_eq!(decision["decision"], "acted", "{decision}");
            answered.insert(decision["machine"].as_str().context("a decision about no machine")?.to_owned());
        }
    }
    guard.stop().await
}
