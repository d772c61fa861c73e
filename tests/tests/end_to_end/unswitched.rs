//! Machines that are not switched like others, through a real broker and from rules in a folder.
//!
//! Could go wrong in the workshop: somebody presses the red button, believes that the kiln is off, and it is not; the
//! watched kiln keeps the button from cutting what it can cut; or the freezer is found warm in the morning.

use std::path::Path;

use anyhow::{Context, Result, ensure};
use idlegate_tests::DEADLINE;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::shop::{Guard, MILL, write_rules};
use serde_json::Value as Json;
use tokio::time::timeout;

const INPUTS: &str = r#"
[inputs.panel]
machines = "all"
may_force = true
may_lock = true
[inputs.red-button]
title = "Red button"
topic = "contacts/red"
machines = "all"
emergency = true
cannot_cut = ["kiln"]
cuts_never_off = ["server"]
[inputs.red-button.gestures]
open = "emergency-off"
"#;

/// The mill under another name.
fn like_the_mill(name: &str, title: &str) -> String {
    MILL.replace("/mill", &format!("/{name}")).replace("Mill", title)
}

fn lay(dir: &Path, port: u16) -> Result<()> {
    write_rules(dir, port)?;
    std::fs::write(dir.join("inputs.toml"), INPUTS)?;
    let kiln = like_the_mill("kiln", "Kiln");
    let kiln: Vec<&str> = kiln.lines().filter(|line| !line.starts_with("order")).collect();
    std::fs::write(dir.join("machines/kiln.toml"), format!("watched = true\n{}\n", kiln.join("\n")))?;
    let server = format!("never_off = true\n{}", like_the_mill("server", "Server"));
    std::fs::write(dir.join("machines/server.toml"), server)?;
    Ok(())
}

struct Ears(Client);

/// Something on a topic.
type Wanted = (&'static str, Box<dyn Fn(&Json) -> bool>);

impl Ears {
    async fn hears(&mut self, topic: &str, is_it: impl Fn(&Json) -> bool) -> Result<Json> {
        let heard = async {
            loop {
                let message = self.0.message().await?;
                let body: Json = serde_json::from_slice(&message.payload).unwrap_or_default();
                if message.topic == topic && is_it(&body) {
                    return anyhow::Ok(body);
                }
            }
        };
        timeout(DEADLINE, heard).await.with_context(|| format!("nothing such on {topic}"))?
    }

    /// Until each of these has been heard, in any order; whatever is sent to an outlet is told.
    async fn until_all(&mut self, mut wanted: Vec<Wanted>) -> Result<Vec<String>> {
        let mut orders = Vec::new();
        let heard = async {
            while !wanted.is_empty() {
                let message = self.0.message().await?;
                let topic = String::from_utf8_lossy(&message.topic).into_owned();
                if topic.starts_with("outlets/") {
                    orders.push(format!("{topic} {}", String::from_utf8_lossy(&message.payload)));
                }
                let body: Json = serde_json::from_slice(&message.payload).unwrap_or_default();
                wanted.retain(|(of, is_it)| !(*of == topic && is_it(&body)));
            }
            anyhow::Ok(())
        };
        timeout(DEADLINE, heard).await.context("not all of it came")??;
        Ok(orders)
    }

    async fn asks(&mut self, machine: &str, request: &str) -> Result<Json> {
        let ask = format!(r#"{{"machine":"{machine}","request":"{request}"}}"#);
        self.0.publish("idlegate/request/panel", ask).await?;
        let (machine, request) = (machine.to_owned(), request.to_owned());
        self.hears("idlegate/decision", move |it| it["machine"] == *machine && it["request"] == *request)
            .await
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_red_button_cuts_what_it_can_and_people_hear_what_it_cannot() -> Result<()> {
    let broker = Mosquitto::start()?;
    let dir = tempfile::tempdir()?;
    lay(dir.path(), broker.port())?;
    let mut ears = Ears(Client::connect(broker.port()).await?);
    ears.0.subscribe("idlegate/#").await?;
    ears.0.subscribe("outlets/+/order").await?;
    for machine in ["kiln", "mill", "server"] {
        ears.0.publish_retained(&format!("outlets/{machine}/says"), "on").await?;
    }
    let guard = Guard::following(dir.path())?;
    let status = ears.hears("idlegate/machine/kiln", |kiln| kiln["outlet"] == "on").await?;
    assert_eq!((&status["watched"], &status["never_off"]), (&true.into(), &Json::Null));
    let refused = ears.asks("kiln", "off").await?;
    assert_eq!((&refused["decision"], &refused["reason"]), (&"refused".into(), &"only-watched".into()));
    assert_eq!(
        refused["sentence"],
        "Kiln was not switched off: it is only watched, and Idlegate has no way to switch it."
    );
    assert_eq!(ears.asks("server", "force-off").await?["reason"], "never-off");
    ears.0.publish("contacts/red", "open").await?;
    let acted = |machine: &'static str| -> Wanted {
        ("idlegate/decision", Box::new(move |it| it["machine"] == machine && it["reason"] == "emergency"))
    };
    let told = |it: &Json| {
        it["urgent"] == true
            && it["sentence"]
                .as_str()
                .is_some_and(|said| said.contains("Go there and switch it off by hand."))
    };
    let orders = ears
        .until_all(vec![
            acted("mill"),
            acted("server"),
            ("outlets/mill/order", Box::new(|_| true)),
            ("outlets/server/order", Box::new(|_| true)),
            ("idlegate/decision", Box::new(|it| it["machine"] == "kiln" && it["reason"] == "only-watched")),
            ("idlegate/announcement", Box::new(told)),
        ])
        .await?;
    ensure!(orders.iter().all(|order| order.ends_with(" off") && !order.contains("kiln")), "{orders:?}");
    guard.stop().await
}
