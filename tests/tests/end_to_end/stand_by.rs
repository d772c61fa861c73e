//! Two daemons at one broker, of which one guards.
//!
//! Could go wrong in the workshop: the computer that guards dies at night. The other one takes over and switches
//! something, or has forgotten that the mill is locked; or both guard, and one press switches twice; or the red button
//! is pressed in between.

use std::time::Duration;

use anyhow::{Context, Result};
use bytes::Bytes;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::process::Process;
use idlegate_tests::shop::write_rules;
use rumqttc::v5::mqttbytes::v5::{Publish, PublishProperties};
use serde_json::{Value as Json, json};
use tempfile::TempDir;
use tokio::time::{Instant, timeout};

const NAMES: [&str; 2] = ["left", "right"];
const PATIENCE: Duration = Duration::from_secs(40);

struct Pair {
    broker: Mosquitto,
    rules: TempDir,
    states: [TempDir; 2],
    processes: [Option<Process>; 2],
    client: Client,
}

impl Pair {
    async fn start() -> Result<Pair> {
        Pair::start_with("").await
    }

    /// With this at the end of its shop.toml.
    async fn start_with(more: &str) -> Result<Pair> {
        let broker = Mosquitto::start()?;
        let rules = tempfile::tempdir()?;
        write_rules(rules.path(), broker.port())?;
        let shop = rules.path().join("shop.toml");
        let text = std::fs::read_to_string(&shop)?;
        std::fs::write(&shop, format!("{text}{more}"))?;
        let mut client = Client::connect(broker.port()).await?;
        client.subscribe("outlets/mill/order").await?;
        client.subscribe("idlegate/#").await?;
        let states = [tempfile::tempdir()?, tempfile::tempdir()?];
        let mut pair = Pair { broker, rules, states, processes: [None, None], client };
        pair.run(0)?;
        pair.takes_over(0).await?;
        pair.run(1)?;
        pair.stands_by(1).await?;
        Ok(pair)
    }

    fn run(&mut self, side: usize) -> Result<()> {
        let (rules, state) = (self.rules.path(), self.states[side].path());
        self.processes[side] = Some(Process::start_with(rules, state, &["--stand-by", NAMES[side]])?);
        Ok(())
    }

    fn kill(&mut self, side: usize) {
        self.processes[side] = None;
    }

    async fn hears(&mut self, topic: &str, is_it: impl Fn(&Json) -> bool) -> Result<Json> {
        let heard = async {
            loop {
                let message = self.client.message().await?;
                let body = json(&message);
                if message.topic == topic && is_it(&body) {
                    return anyhow::Ok(body);
                }
            }
        };
        timeout(PATIENCE, heard).await.with_context(|| format!("nothing such on {topic}"))?
    }

    /// Until it says that it guards.
    async fn takes_over(&mut self, side: usize) -> Result<()> {
        let is_it = |health: &Json| health["guard"] == "guarding" && health["name"] == NAMES[side];
        self.hears("idlegate/health", is_it).await.map(drop)
    }

    async fn draws(&mut self, watts: &str, state: &str) -> Result<()> {
        let until = Instant::now() + PATIENCE;
        while Instant::now() < until {
            self.client.publish("meters/mill", watts.to_owned()).await?;
            tokio::time::sleep(Duration::from_millis(30)).await;
            while let Some(message) = self.client.try_message() {
                anyhow::ensure!(message.topic != "outlets/mill/order", "an order nobody asked for");
                if message.topic == "idlegate/machine/mill" && json(&message)["state"] == state {
                    return Ok(());
                }
            }
        }
        anyhow::bail!("{watts} W never meant {state}")
    }

    /// Whether it was said already or is still to be said.
    async fn stands_by(&mut self, side: usize) -> Result<()> {
        self.client.subscribe("idlegate/stand-by/+").await?;
        let topic = format!("idlegate/stand-by/{}", NAMES[side]);
        self.hears(&topic, |said| said["role"] == "standing-by").await.map(drop)
    }

    /// Asks at the console, and waits for the answer.
    async fn asks(&mut self, request: &str, id: &str) -> Result<Json> {
        let properties = PublishProperties {
            response_topic: Some("idlegate/answer/console/pair".to_owned()),
            correlation_data: Some(Bytes::from(id.to_owned())),
            ..PublishProperties::default()
        };
        let body = json!({ "machine": "mill", "request": request, "id": id }).to_string();
        self.client.publish_with("idlegate/request/console", &body, properties).await?;
        self.hears("idlegate/answer/console/pair", |_| true).await
    }

    async fn order_comes(&mut self) -> Result<Publish> {
        let heard = async {
            loop {
                let message = self.client.message().await?;
                if message.topic == "outlets/mill/order" {
                    return anyhow::Ok(message);
                }
            }
        };
        timeout(PATIENCE, heard).await.context("no order")?
    }
}

fn json(message: &Publish) -> Json {
    serde_json::from_slice(&message.payload).unwrap_or_default()
}

#[tokio::test]
async fn when_the_guard_dies_the_other_knows_what_is_locked_and_what_was_answered() -> Result<()> {
    let mut pair = Pair::start().await?;
    pair.client.publish_retained("outlets/mill/says", "off").await?;
    pair.hears("idlegate/machine/mill", |status| status["outlet"] == "off").await?;
    assert_eq!(pair.asks("lock", "lock-1").await?["decision"], "acted");

    pair.kill(0);
    pair.takes_over(1).await?;
    let refused = pair.asks("on", "on-1").await?;
    assert_eq!((&refused["decision"], &refused["reason"]), (&json!("refused"), &json!("lockout")));
    let again = pair.asks("lock", "lock-1").await?;
    assert_eq!(again["decision"], "ignored", "asked again with the same id: {again}");

    // And back, with the one that has been away.
    assert_eq!(pair.asks("unlock", "unlock-1").await?["decision"], "acted");
    pair.run(0)?;
    pair.stands_by(0).await?;
    pair.kill(1);
    pair.takes_over(0).await?;
    // Its own journal says locked; what it was left says that it is not.
    assert_eq!(pair.asks("on", "on-2").await?["decision"], "acted");
    Ok(())
}

#[tokio::test]
async fn one_that_comes_late_knows_every_id_that_was_answered_before() -> Result<()> {
    let mut pair = Pair::start().await?;
    pair.kill(1);
    let ids: Vec<String> = (0..300).map(|number| format!("cancel-{number}")).collect();
    for id in &ids {
        assert_ne!(pair.asks("cancel", id).await?["reason"], "duplicate", "{id}");
        tokio::time::sleep(WITHIN_QUOTA).await;
    }
    pair.run(1)?;
    pair.stands_by(1).await?;
    pair.kill(0);
    pair.takes_over(1).await?;
    for id in &ids {
        let again = pair.asks("cancel", id).await?;
        assert_eq!(again["reason"], "duplicate", "{again}");
        tokio::time::sleep(WITHIN_QUOTA).await;
    }
    Ok(())
}

/// Of one input 20 requests of a kind are judged in a second.
const WITHIN_QUOTA: std::time::Duration = std::time::Duration::from_millis(55);

#[tokio::test]
async fn a_change_over_switches_nothing_and_a_working_mill_is_held() -> Result<()> {
    let mut pair = Pair::start().await?;
    pair.client.publish_retained("outlets/mill/says", "on").await?;
    pair.draws("450", "busy").await?;
    pair.client.publish("buttons/mill", "press").await?;
    pair.hears("idlegate/decision", |decision| decision["decision"] == "held").await?;

    pair.kill(0);
    pair.takes_over(1).await?;
    // The window was the other's: a force finds none.
    pair.client.publish("buttons/mill", "long-press").await?;
    let decision = pair.hears("idlegate/decision", |_| true).await?;
    assert_eq!(decision["decision"], "held", "{decision}");
    pair.draws("450", "busy").await
}

#[tokio::test]
async fn the_red_button_is_heard_in_between() -> Result<()> {
    let mut pair = Pair::start().await?;
    pair.client.publish_retained("outlets/mill/says", "on").await?;
    pair.draws("450", "busy").await?;
    pair.kill(0);
    pair.client.publish("contacts/red", "open").await?;
    assert_eq!(pair.order_comes().await?.payload, "off");
    assert_eq!(pair.asks("on", "on-1").await?["reason"], "lockout");
    Ok(())
}

#[tokio::test]
async fn a_guard_that_was_frozen_does_not_act_when_it_thaws() -> Result<()> {
    let mut pair = Pair::start().await?;
    pair.client.publish_retained("outlets/mill/says", "on").await?;
    pair.draws("10", "idle").await?;
    pair.processes[0].as_ref().context("it runs")?.signal("STOP")?;
    // It waits in the frozen one's socket.
    pair.client.publish("buttons/mill", "press").await?;
    // By keep-alive.
    pair.takes_over(1).await?;
    pair.processes[0].as_ref().context("it runs")?.signal("CONT")?;
    pair.stands_by(0).await?;
    // Draws fails at the first order.
    pair.draws("10", "idle").await?;
    pair.client.publish("buttons/mill", "press").await?;
    assert_eq!(pair.order_comes().await?.payload, "off");
    // Nobody took it back.
    let health = pair.hears("idlegate/health", |health| health["guard"] == "guarding").await?;
    assert_eq!(health["name"], NAMES[1]);
    drop(pair.broker);
    Ok(())
}

#[tokio::test]
async fn two_of_a_pair_do_not_accuse_each_other_and_both_notice_a_stranger() -> Result<()> {
    let mut pair = Pair::start().await?;
    let mut listener = Client::connect(pair.broker.port()).await?;
    listener.subscribe("idlegate/incident").await?;
    pair.client.publish_retained("outlets/mill/says", "off").await?;
    pair.hears("idlegate/machine/mill", |status| status["outlet"] == "off").await?;
    for (side, id) in [(0, "on-1"), (1, "on-2")] {
        assert_eq!(pair.asks("on", id).await?["decision"], "acted");
        if side == 0 {
            pair.kill(0);
            pair.takes_over(1).await?;
        }
    }
    pair.client.publish("outlets/mill/order", "off").await?;
    let told = async {
        loop {
            let told = json(&listener.message().await?);
            // That the outlet does not follow is another matter.
            if told["kind"] == "order-by-another-route" {
                return anyhow::Ok(told);
            }
        }
    };
    let told = timeout(PATIENCE, told).await.context("a stranger's order is not told")??;
    assert!(told["sentence"].as_str().unwrap_or_default().contains("\"off\""), "not one of our own: {told}");
    Ok(())
}

/// A note as a guard of the first version writes it, or somebody who knows the form.
fn note(lockout: Json, revision: u64, released: Json) -> String {
    let mut note =
        json!({ "at": "2099-01-01T00:00:00Z", "machine": "mill", "lockout": lockout, "deferral": null });
    if revision > 0 {
        note["kind"] = json!("kept");
        note["revision"] = json!(revision);
        note["released"] = released;
    }
    note.to_string()
}

#[tokio::test]
async fn a_pair_that_lost_power_with_the_broker_and_its_store_still_knows_what_is_locked() -> Result<()> {
    let mut pair = Pair::start().await?;
    pair.client.publish_retained("outlets/mill/says", "off").await?;
    pair.hears("idlegate/machine/mill", |status| status["outlet"] == "off").await?;
    pair.client.publish("contacts/red", "open").await?;
    pair.hears("idlegate/decision", |decision| decision["reason"] == "emergency").await?;
    // The other one has heard of it, and has a moment to write it down.
    tokio::time::sleep(Duration::from_secs(1)).await;
    pair.kill(0);
    pair.kill(1);
    pair.broker.kill();
    pair.broker.run()?;
    pair.client = Client::connect(pair.broker.port()).await?;
    for topic in ["outlets/mill/order", "idlegate/#"] {
        pair.client.subscribe(topic).await?;
    }
    // The one that only stood by comes up first, and the broker knows nothing.
    pair.run(1)?;
    pair.takes_over(1).await?;
    pair.client.publish_retained("outlets/mill/says", "off").await?;
    pair.hears("idlegate/machine/mill", |status| status["outlet"] == "off").await?;
    assert_eq!(pair.asks("on", "on-1").await?["reason"], "lockout");
    // It goes by an unlock, and the other's journal does not bring it back.
    assert_eq!(pair.asks("unlock", "unlock-1").await?["decision"], "acted");
    pair.run(0)?;
    pair.stands_by(0).await?;
    pair.kill(1);
    pair.takes_over(0).await?;
    assert_eq!(pair.asks("on", "on-2").await?["decision"], "acted");
    Ok(())
}

#[tokio::test]
async fn neither_a_clock_nor_an_empty_message_nor_an_old_note_releases_a_lockout() -> Result<()> {
    let mut pair = Pair::start().await?;
    pair.client.publish_retained("outlets/mill/says", "off").await?;
    pair.hears("idlegate/machine/mill", |status| status["outlet"] == "off").await?;
    assert_eq!(pair.asks("lock", "lock-1").await?["decision"], "acted");
    // By the clock of whoever wrote it, from a distant future.
    let unlocked = note(Json::Null, 0, json!([]));
    pair.client.publish_retained("idlegate/kept/mill", unlocked).await?;
    pair.client.publish_retained("idlegate/kept/mill", "").await?;
    pair.kill(0);
    pair.takes_over(1).await?;
    assert_eq!(pair.asks("on", "on-1").await?["reason"], "lockout");
    Ok(())
}

#[tokio::test]
async fn with_a_secret_a_note_that_no_guard_wrote_releases_nothing() -> Result<()> {
    let secrets = tempfile::tempdir()?;
    let file = secrets.path().join("hand-over");
    std::fs::write(&file, "of these rules and no others\n")?;
    std::fs::set_permissions(&file, std::os::unix::fs::PermissionsExt::from_mode(0o600))?;
    let more = format!("[stand_by]\nsecret = {{ file = \"{}\" }}\n", file.display());
    let mut pair = Pair::start_with(&more).await?;
    pair.client.publish_retained("outlets/mill/says", "off").await?;
    pair.hears("idlegate/machine/mill", |status| status["outlet"] == "off").await?;
    // It was said when the guard came up, and is kept.
    pair.client.subscribe("idlegate/kept/mill").await?;
    let before = pair.hears("idlegate/kept/mill", |note| note["digest"].is_string()).await?;
    assert_eq!(pair.asks("lock", "lock-1").await?["decision"], "acted");
    // One that was sealed, but is of before the lockout.
    pair.client.publish_retained("idlegate/kept/mill", before.to_string()).await?;
    // And one that knows everything but the secret.
    let released: Vec<Json> = (0..9).map(|at| json!({ "by": "console", "revision": at })).collect();
    pair.client.publish_retained("idlegate/kept/mill", note(Json::Null, 9, json!(released))).await?;
    pair.kill(0);
    pair.takes_over(1).await?;
    assert_eq!(pair.asks("on", "on-1").await?["reason"], "lockout");
    // What a guard leaves is believed.
    assert_eq!(pair.asks("unlock", "unlock-1").await?["decision"], "acted");
    pair.run(0)?;
    pair.stands_by(0).await?;
    pair.kill(1);
    pair.takes_over(0).await?;
    assert_eq!(pair.asks("on", "on-2").await?["decision"], "acted");
    Ok(())
}

#[tokio::test]
async fn of_four_hundred_lockouts_at_once_each_reaches_the_broker_ahead_of_its_answer() -> Result<()> {
    const MACHINES: usize = 400;
    let broker = Mosquitto::start()?;
    let (rules, state) = (tempfile::tempdir()?, tempfile::tempdir()?);
    write_rules(rules.path(), broker.port())?;
    for number in 0..MACHINES {
        let text = format!(
            "[outlet]\nstate = {{ topic = \"hall/{number}/says\" }}\norder = {{ topic = \"hall/{number}/order\" }}\n"
        );
        std::fs::write(rules.path().join(format!("machines/hall-{number}.toml")), text)?;
    }
    let mut client = Client::connect(broker.port()).await?;
    for topic in ["idlegate/health", "idlegate/kept/+", "idlegate/decision"] {
        client.subscribe(topic).await?;
    }
    let _guard = Process::start_with(rules.path(), state.path(), &["--stand-by", "left"])?;
    let mut hand = Client::connect(broker.port()).await?;
    let (mut pressed, mut locked, mut answered) = (false, std::collections::BTreeSet::new(), 0);
    while answered < MACHINES {
        let message = timeout(PATIENCE, client.message()).await.context("not all were answered")??;
        let body = json(&message);
        let topic = String::from_utf8_lossy(&message.topic).into_owned();
        if topic == "idlegate/health" && body["guard"] == "guarding" && !pressed {
            pressed = true;
            hand.publish("contacts/red", "open").await?;
        } else if let Some(machine) = topic.strip_prefix("idlegate/kept/") {
            if body["lockout"].is_object() {
                locked.insert(machine.to_owned());
            }
        } else if body["reason"] == "emergency" {
            let machine = body["machine"].as_str().context("a decision about a machine")?;
            assert!(locked.contains(machine), "{machine} was answered before the broker knew of its lockout");
            answered += usize::from(machine.starts_with("hall-"));
        }
    }
    let mut late = Client::connect(broker.port()).await?;
    late.subscribe("idlegate/kept/+").await?;
    let mut stored = 0;
    while stored <= MACHINES {
        let message = timeout(PATIENCE, late.message()).await.context("not all are stored")??;
        assert!(json(&message)["lockout"]["emergency"] == true, "{:?}", message.topic);
        stored += 1;
    }
    Ok(())
}
