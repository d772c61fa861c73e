//! A shop in shadow mode on a real broker, with the real program, beside a hub that obeys the same button.
//!
//! Could go wrong in the workshop: the speaker says "Mill stays on" and the hub switches it off; a script takes what
//! was only decided for done; people are called because the hub did what the button asked for; or the one thing that
//! must work in shadow mode, the red button, is only thought about.

use std::process::Command;

use anyhow::{Result, ensure};
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::process::{Process, program};
use idlegate_tests::shop::{Mill, write_rules};
use serde_json::Value as Json;

/// What the command said, and its exit code.
fn idlegate(arguments: &[&str]) -> Result<(Option<i32>, String)> {
    let output = Command::new(program()?).args(arguments).output()?;
    let text = String::from_utf8_lossy(&output.stdout) + String::from_utf8_lossy(&output.stderr);
    Ok((output.status.code(), text.into_owned()))
}

/// Whatever people have been told until now, aloud or as an incident.
fn told(hears: &mut Client) -> Vec<Json> {
    let mut told = Vec::new();
    while let Some(message) = hears.try_message() {
        told.push(serde_json::from_slice(&message.payload).unwrap_or_default());
    }
    told
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn beside_a_hub_that_obeys_the_same_button_only_an_emergency_is_done_and_said_aloud() -> Result<()> {
    let broker = Mosquitto::start()?;
    let dir = tempfile::tempdir()?;
    let (rules, state) = (dir.path().join("rules"), dir.path().join("state"));
    write_rules(&rules, broker.port())?;
    let shop = std::fs::read_to_string(rules.join("shop.toml"))?;
    std::fs::write(rules.join("shop.toml"), shop.replace("[guard]\n", "[guard]\nshadow = true\n"))?;
    let mut guard = Process::start(&rules, &state)?;
    let mut mill = Mill::meet(broker.port()).await?;
    let mut hears = Client::connect(broker.port()).await?;
    hears.subscribe("idlegate/announcement").await?;
    hears.subscribe("idlegate/incident").await?;
    mill.outlet_is("on").await?;
    mill.draws("455", "busy").await?;

    let shown = rules.display().to_string();
    let (code, said) = idlegate(&["request", "--rules", &shown, "mill", "off"])?;
    ensure!(code == Some(1), "{code:?}: {said}");
    ensure!(said.starts_with("Shadow: Mill would have stayed on: 455 W"), "{said}");
    ensure!(said.ends_with("Nothing was done: the machine is in shadow mode.\n"), "{said}");

    mill.gesture("press").await?;
    let held = mill.hear_json("idlegate/decision", |decision| decision["input"] == "button").await?;
    ensure!(held["decision"] == "held" && held["shadow"] == true, "{held}");
    // The hub obeys.
    mill.outlet_is("off").await?;
    // Whatever was said before this answer has arrived by now.
    let answer = mill.asks("cancel").await?;
    ensure!(answer["shadow"] == true, "{answer}");
    ensure!(told(&mut hears).is_empty(), "nobody is called for what the button asked for");

    mill.client.publish("contacts/red", "open").await?;
    ensure!(mill.order().await?.payload == "off");
    let emergency = hears.message().await?;
    let emergency: Json = serde_json::from_slice(&emergency.payload)?;
    ensure!(emergency["kind"] == "emergency-off" && emergency["shadow"].is_null(), "{emergency}");
    ensure!(
        emergency["sentence"].as_str().is_some_and(|said| said.starts_with("Mill is being switched off"))
    );

    guard.signal("TERM")?;
    ensure!(guard.wait()?.success());
    let state = state.display().to_string();
    let (code, said) = idlegate(&["trial", "--state-dir", &state, "--json"])?;
    ensure!(code == Some(1), "two requests are not enough: {said}");
    let trial: Json = serde_json::from_str(&said)?;
    let tried = &trial["machines"][0];
    let counts =
        ["asked", "held", "cut_though_held", "agreed", "left_on", "unseen"].map(|key| tried[key].as_u64());
    ensure!(counts == [2, 2, 1, 1, 0, 0].map(Some), "{said}");
    ensure!(tried["cuts"][0]["would_have_been"] == "held", "{said}");
    let page = dir.path().join("trial.html");
    let (_, said) = idlegate(&["trial", "--state-dir", &state, "--html", &page.display().to_string()])?;
    ensure!(std::fs::read_to_string(&page)?.contains("2 of 20 requests"), "{said}");
    Ok(())
}
