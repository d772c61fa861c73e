//! A lockout, whatever happens to those who remember it: it holds until somebody unlocks it, and then it is gone.

use std::collections::BTreeMap;
use std::time::Duration;

use anyhow::{Context, Result, ensure};
use bytes::Bytes;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::halls::Halls;
use idlegate_tests::process::Process;
use idlegate_tests::shop::write_rules;
use rumqttc::v5::mqttbytes::v5::PublishProperties;
use serde_json::{Value as Json, json};
use tempfile::TempDir;

use super::{ANSWERS, NAMES, PATIENCE};

/// How often each story was told. Fails with the first that has another end.
pub(super) async fn stories(rounds: u64) -> Result<BTreeMap<&'static str, u64>> {
    let mut told = BTreeMap::new();
    for _ in 0..rounds {
        for first in [0, 1] {
            let story = if first == 0 {
                "power gone with the broker's store, the guard first"
            } else {
                "power gone with the broker's store, the stand-by first"
            };
            power_cut(first).await.context(story)?;
            *told.entry(story).or_default() += 1;
        }
        for minutes in [-5, 5] {
            let story = "clocks five minutes apart, and an old note sent again";
            clocks_apart(minutes).await.with_context(|| format!("{story}: {minutes} min"))?;
            *told.entry(story).or_default() += 1;
        }
        let story = "the red button while one hall's guard is replaced";
        between_halls().await.context(story)?;
        *told.entry(story).or_default() += 1;
        let story = "a locked machine that moves to another hall and back";
        moved().await.context(story)?;
        *told.entry(story).or_default() += 1;
    }
    Ok(told)
}

struct Shop {
    broker: Mosquitto,
    rules: TempDir,
    states: [TempDir; 2],
    processes: [Option<Process>; 2],
    client: Client,
    asked: u64,
}

impl Shop {
    async fn start() -> Result<Shop> {
        let broker = Mosquitto::start()?;
        let rules = tempfile::tempdir()?;
        write_rules(rules.path(), broker.port())?;
        let client = Client::connect(broker.port()).await?;
        let states = [tempfile::tempdir()?, tempfile::tempdir()?];
        let mut shop = Shop { broker, rules, states, processes: [None, None], client, asked: 0 };
        shop.listen().await?;
        shop.run(0)?;
        shop.guarded_by(0).await?;
        shop.run(1)?;
        shop.stands_by(1).await?;
        Ok(shop)
    }

    async fn listen(&mut self) -> Result<()> {
        self.client = Client::connect(self.broker.port()).await?;
        self.client.subscribe("idlegate/#").await?;
        self.client.publish_retained("outlets/mill/says", "off").await
    }

    fn run(&mut self, side: usize) -> Result<()> {
        let (rules, state) = (self.rules.path(), self.states[side].path());
        self.processes[side] = Some(Process::start_with(rules, state, &["--stand-by", NAMES[side]])?);
        Ok(())
    }

    async fn hears(&mut self, topic: &str, is_it: impl Fn(&Json) -> bool) -> Result<Json> {
        self.client.hears_json(topic, PATIENCE, is_it).await
    }

    async fn guarded_by(&mut self, side: usize) -> Result<()> {
        let is_it = |health: &Json| health["guard"] == "guarding" && health["name"] == NAMES[side];
        self.hears("idlegate/health", is_it).await?;
        self.hears("idlegate/machine/mill", |status| status["outlet"] == "off").await.map(drop)
    }

    async fn stands_by(&mut self, side: usize) -> Result<()> {
        self.client.subscribe("idlegate/stand-by/+").await?;
        let topic = format!("idlegate/stand-by/{}", NAMES[side]);
        self.hears(&topic, |said| said["role"] == "standing-by").await.map(drop)
    }

    async fn asks(&mut self, request: &str) -> Result<Json> {
        self.asked += 1;
        let id = format!("{request}-{}", self.asked);
        let properties = PublishProperties {
            response_topic: Some(ANSWERS.to_owned()),
            correlation_data: Some(Bytes::from(id.clone())),
            ..PublishProperties::default()
        };
        let body = json!({ "machine": "mill", "request": request, "id": id }).to_string();
        self.client.publish_with("idlegate/request/console", &body, properties).await?;
        self.hears(ANSWERS, |answer| answer["id"] == id).await
    }

    async fn is_locked(&mut self) -> Result<()> {
        let answer = self.asks("on").await?;
        ensure!(answer["reason"] == "lockout", "an on was not refused for the lockout: {answer}");
        Ok(())
    }

    /// By whoever guards now; after the next change-over it is still so.
    async fn is_unlocked_for_good(&mut self, guards: usize) -> Result<()> {
        let answer = self.asks("unlock").await?;
        ensure!(answer["decision"] == "acted", "not unlocked: {answer}");
        let other = 1 - guards;
        self.run(other)?;
        self.stands_by(other).await?;
        self.processes[guards] = None;
        self.guarded_by(other).await?;
        let answer = self.asks("on").await?;
        ensure!(answer["decision"] == "acted", "somebody remembers a lockout that was released: {answer}");
        Ok(())
    }
}

/// Both and the broker at once, and the broker has kept nothing.
async fn power_cut(first: usize) -> Result<()> {
    let mut shop = Shop::start().await?;
    shop.client.publish("contacts/red", "open").await?;
    shop.hears("idlegate/decision", |decision| decision["reason"] == "emergency").await?;
    // Whoever stands by has heard it, and needs a moment to write it down.
    tokio::time::sleep(Duration::from_secs(1)).await;
    shop.processes = [None, None];
    shop.broker.kill();
    shop.broker.run()?;
    shop.listen().await?;
    shop.run(first)?;
    shop.guarded_by(first).await?;
    shop.is_locked().await?;
    shop.is_unlocked_for_good(first).await
}

/// A note from before the lockout comes again, with the time of a clock that is ahead or behind.
async fn clocks_apart(minutes: i64) -> Result<()> {
    let mut shop = Shop::start().await?;
    shop.client.subscribe("idlegate/kept/mill").await?;
    let mut before = shop.hears("idlegate/kept/mill", |note| note["lockout"].is_null()).await?;
    let answer = shop.asks("lock").await?;
    ensure!(answer["decision"] == "acted", "not locked: {answer}");
    let clock = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH)?.as_secs();
    let shifted = clock.saturating_add_signed(minutes * 60);
    before["at"] =
        json!(idlegate_plan::text::rfc3339(idlegate_guard::time::WallTime(i64::try_from(shifted)? * 1_000)));
    shop.client.publish_retained("idlegate/kept/mill", before.to_string()).await?;
    shop.processes[0] = None;
    shop.guarded_by(1).await?;
    shop.is_locked().await?;
    shop.is_unlocked_for_good(1).await
}

async fn between_halls() -> Result<()> {
    let mut halls = Halls::new().await?;
    let _south = halls.run("south-hall", None)?;
    halls.guards("south-hall", None).await?;
    let north = halls.run("north-hall", Some("left"))?;
    halls.guards("north-hall", Some("left")).await?;
    let _next = halls.run("north-hall", Some("right"))?;
    halls.hears("idlegate/stand-by/right", |said| said["role"] == "standing-by").await?;
    drop(north);
    halls.client.publish("contacts/red", "open").await?;
    halls.guards("north-hall", Some("right")).await?;
    for machine in ["kiln", "mill"] {
        let answer = halls.asks(machine, "on").await?;
        ensure!(answer["reason"] == "lockout", "{machine} does not know of the red button: {answer}");
    }
    Ok(())
}

async fn moved() -> Result<()> {
    let mut halls = Halls::new().await?;
    let _south = halls.run("south-hall", None)?;
    halls.guards("south-hall", None).await?;
    let _north = halls.run("north-hall", None)?;
    halls.guards("north-hall", None).await?;
    let answer = halls.asks("kiln", "lock").await?;
    ensure!(answer["decision"] == "acted", "not locked: {answer}");
    for (site, north, south) in
        [("north-hall", &["kiln", "mill"][..], &[][..]), ("south-hall", &["mill"], &["kiln"])]
    {
        halls.move_to("kiln", site)?;
        halls.lists("north-hall", north).await?;
        halls.lists("south-hall", south).await?;
        let answer = halls.asks("kiln", "on").await?;
        ensure!(answer["reason"] == "lockout", "moved to {site}, and unlocked by that: {answer}");
    }
    let answer = halls.asks("kiln", "unlock").await?;
    ensure!(answer["decision"] == "acted", "not unlocked: {answer}");
    Ok(())
}
