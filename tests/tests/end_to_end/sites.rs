//! A shop of two halls, each with a daemon of its own, with one rules folder and one broker.
//!
//! Could go wrong in the workshop: a machine that both halls' daemons switch, or neither; a red button that is heard in
//! one hall only; a request that one daemon obeys and the other refuses aloud.

use std::time::Duration;

use anyhow::{Context, Result};
use idlegate_tests::DEADLINE;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::halls::{Halls, rules};
use idlegate_tests::process::Process;
use rumqttc::v5::mqttbytes::v5::PublishProperties;
use serde_json::{Value as Json, json};

async fn ask(client: &mut Client, machine: &str) -> Result<()> {
    let properties = PublishProperties {
        response_topic: Some("idlegate/answer/console/halls".to_owned()),
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
    for topic in ["idlegate/health/#", "idlegate/answer/console/halls", "outlets/+/order"] {
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
    let answers = all_said(&mut client, "idlegate/answer/console/halls").await?;
    let [answer] = &answers[..] else { anyhow::bail!("one answer was wanted: {answers:?}") };
    assert_eq!((&answer["machine"], &answer["decision"]), (&json!("kiln"), &json!("held")));
    ask(&mut client, "lathe").await?;
    let answers = all_said(&mut client, "idlegate/answer/console/halls").await?;
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

#[tokio::test]
async fn a_red_button_between_two_guards_of_one_hall_is_not_answered_by_the_other_hall() -> Result<()> {
    let mut halls = Halls::new().await?;
    let _south = halls.run("south-hall", None)?;
    halls.guards("south-hall", None).await?;
    let north = halls.run("north-hall", Some("left"))?;
    halls.guards("north-hall", Some("left")).await?;
    let _next = halls.run("north-hall", Some("right"))?;
    halls.hears("idlegate/stand-by/right", |said| said["role"] == "standing-by").await?;
    drop(north);
    halls.client.publish("contacts/red", "open").await?;
    // South answers for its own machine, and north's next guard for the mill.
    let mut orders = std::collections::BTreeSet::new();
    while orders.len() < 2 {
        let message = tokio::time::timeout(DEADLINE, halls.client.message())
            .await
            .context("an outlet got no off")??;
        if message.topic.ends_with(b"/order") {
            assert_eq!(message.payload, "off");
            orders.insert(message.topic.to_vec());
        }
    }
    assert_eq!(halls.asks("mill", "on").await?["reason"], "lockout");
    Ok(())
}

#[tokio::test]
async fn a_guard_that_takes_over_leaves_the_notes_of_other_halls_alone() -> Result<()> {
    let mut halls = Halls::new().await?;
    let north = halls.run("north-hall", Some("left"))?;
    halls.guards("north-hall", Some("left")).await?;
    let _next = halls.run("north-hall", Some("right"))?;
    halls.hears("idlegate/stand-by/right", |said| said["role"] == "standing-by").await?;
    let _south = halls.run("south-hall", None)?;
    halls.guards("south-hall", None).await?;
    assert_eq!(halls.asks("kiln", "lock").await?["decision"], "acted");
    let mut notes = Client::connect(halls.broker.port()).await?;
    notes.subscribe("idlegate/kept/kiln").await?;
    let stored = tokio::time::timeout(DEADLINE, notes.message()).await.context("no note")??;
    drop(north);
    halls.guards("north-hall", Some("right")).await?;
    halls.hears("idlegate/kept/mill", |_| true).await?;
    // Whoever takes over has written all it writes by now.
    assert_eq!(halls.asks("mill", "cancel").await?["decision"], "nothing-to-do");
    assert!(notes.try_message().is_none(), "north wrote about south's kiln");
    let stored: Json = serde_json::from_slice(&stored.payload)?;
    assert_eq!(stored["lockout"]["by"], "console");
    Ok(())
}

#[tokio::test]
async fn a_locked_machine_that_moves_to_another_hall_stays_locked_and_can_be_unlocked_there() -> Result<()> {
    let mut halls = Halls::new().await?;
    let _south = halls.run("south-hall", None)?;
    halls.guards("south-hall", None).await?;
    let _north = halls.run("north-hall", None)?;
    halls.guards("north-hall", None).await?;
    assert_eq!(halls.asks("kiln", "lock").await?["decision"], "acted");
    halls.move_to("kiln", "north-hall")?;
    halls.lists("north-hall", &["kiln", "mill"]).await?;
    halls.lists("south-hall", &[]).await?;
    let refused = halls.asks("kiln", "on").await?;
    assert_eq!(refused["reason"], "lockout", "{refused}");
    assert_eq!(halls.asks("kiln", "unlock").await?["decision"], "acted");
    // And back, to a daemon whose own journal says that it is locked.
    halls.move_to("kiln", "south-hall")?;
    halls.lists("south-hall", &["kiln"]).await?;
    let answer = halls.asks("kiln", "on").await?;
    assert_ne!(answer["reason"], "lockout", "{answer}");
    Ok(())
}

#[tokio::test]
async fn a_machine_that_moves_from_a_hall_that_left_no_word_of_it_starts_locked() -> Result<()> {
    let mut halls = Halls::new().await?;
    let _north = halls.run("north-hall", None)?;
    halls.guards("north-hall", None).await?;
    halls.move_to("kiln", "north-hall")?;
    let told = halls.hears("idlegate/incident", |told| told["kind"] == "lockouts-in-doubt").await?;
    assert_eq!(told["machine"], "kiln");
    assert_eq!(halls.asks("kiln", "on").await?["reason"], "lockout");
    halls.sends("kiln", "unlock").await?;
    halls.hears("idlegate/incident", |told| told["over"] == true).await?;
    Ok(())
}

#[tokio::test]
async fn two_daemons_that_guard_one_machine_both_say_so() -> Result<()> {
    let mut halls = Halls::new().await?;
    rules(&halls.dir.path().join("other-rules"), halls.broker.port())?;
    halls.move_to("kiln", "north-hall")?;
    let _north = halls.run("north-hall", None)?;
    let _south = halls.run_by("other-rules", "south-hall", None)?;
    for _ in 0..2 {
        let told = halls.hears("idlegate/incident", |told| told["kind"] == "guarded-twice").await?;
        assert_eq!((&told["machine"], &told["urgent"]), (&json!("kiln"), &json!(true)), "{told}");
    }
    // Until they agree again.
    rules(&halls.dir.path().join("rules"), halls.broker.port())?;
    halls.hears("idlegate/incident", |told| told["kind"] == "guarded-twice" && told["over"] == true).await?;
    Ok(())
}
