//! A lockout and the disk it is kept on.
//!
//! Could go wrong in the workshop: the card with the journal goes bad under an emergency lockout, the guard starts with
//! a new one, says that all is well, and somebody switches the machine on by telephone while a hand is in it.

use std::path::Path;

use anyhow::Result;
use bytes::Bytes;
use idlegate_tests::DEADLINE;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::process::Process;
use idlegate_tests::shop::write_rules;
use rumqttc::v5::mqttbytes::v5::PublishProperties;
use serde_json::{Value as Json, json};
use tempfile::TempDir;

struct Shop {
    broker: Mosquitto,
    rules: TempDir,
    state: TempDir,
    guard: Option<Process>,
    client: Client,
}

impl Shop {
    async fn locked_by_the_red_button() -> Result<Shop> {
        let broker = Mosquitto::start()?;
        let (rules, state) = (tempfile::tempdir()?, tempfile::tempdir()?);
        write_rules(rules.path(), broker.port())?;
        let client = Client::connect(broker.port()).await?;
        let mut shop = Shop { broker, rules, state, guard: None, client };
        shop.start().await?;
        shop.client.publish("contacts/red", "open").await?;
        shop.hears("idlegate/decision", |decision| decision["reason"] == "emergency").await?;
        Ok(shop)
    }

    /// What the guard says of itself once it guards.
    async fn start(&mut self) -> Result<Json> {
        self.guard = None;
        self.client = Client::connect(self.broker.port()).await?;
        self.client.subscribe("idlegate/#").await?;
        self.guard = Some(Process::start(self.rules.path(), self.state.path())?);
        self.hears("idlegate/health", |health| health["guard"] == "guarding").await
    }

    /// Whatever holds for one damaged file.
    async fn starts_after(&mut self, harm: impl Fn(&Path) -> Result<()>) -> Result<Json> {
        // What was answered is on disk, and the broker has noticed that the guard is gone.
        self.guard = None;
        self.hears("idlegate/health", |health| health["guard"] == "gone").await?;
        harm(self.state.path())?;
        self.start().await
    }

    async fn hears(&mut self, topic: &str, is_it: impl Fn(&Json) -> bool) -> Result<Json> {
        self.client.hears_json(topic, DEADLINE, is_it).await
    }

    async fn asks(&mut self, request: &str) -> Result<Json> {
        self.sends(request).await?;
        self.hears("idlegate/answer/console/7", |_| true).await
    }

    async fn sends(&mut self, request: &str) -> Result<()> {
        let properties = PublishProperties {
            response_topic: Some("idlegate/answer/console/7".to_owned()),
            correlation_data: Some(Bytes::from_static(b"7")),
            ..PublishProperties::default()
        };
        let body = json!({ "machine": "mill", "request": request }).to_string();
        self.client.publish_with("idlegate/request/console", &body, properties).await
    }
}

fn overwrite(file: &Path) -> Result<()> {
    anyhow::ensure!(file.exists(), "{} is there", file.display());
    Ok(std::fs::write(file, "a bad card gives back what it likes\n".repeat(500))?)
}

#[tokio::test]
async fn a_damaged_journal_is_told_and_takes_no_lockout_with_it() -> Result<()> {
    let mut shop = Shop::locked_by_the_red_button().await?;
    shop.starts_after(|state| overwrite(&state.join("journal.sqlite"))).await?;
    shop.hears("idlegate/incident", |told| told["kind"] == "lockouts-in-doubt").await?;
    shop.hears("idlegate/announcement", |told| told["kind"] == "lockouts-in-doubt").await?;
    assert_eq!(shop.asks("on").await?["reason"], "lockout");
    // It is the very lockout of the red button.
    let status = shop.hears("idlegate/machine/mill", |_| true).await?;
    assert_eq!(status["locked_by"], "red-button");
    Ok(())
}

#[tokio::test]
async fn where_nothing_can_be_relied_on_everything_is_locked_until_somebody_has_looked() -> Result<()> {
    let mut shop = Shop::locked_by_the_red_button().await?;
    shop.starts_after(|state| {
        overwrite(&state.join("journal.sqlite"))?;
        overwrite(&state.join("journal.lockouts"))
    })
    .await?;
    let told = shop.hears("idlegate/incident", |told| told["kind"] == "lockouts-in-doubt").await?;
    assert_eq!(
        (&told["urgent"], &told["over"], &told["machine"]),
        (&json!(true), &json!(false), &json!("mill"))
    );
    shop.hears("idlegate/announcement", |told| told["kind"] == "lockouts-in-doubt").await?;
    assert_eq!(shop.asks("on").await?["reason"], "lockout");
    shop.sends("unlock").await?;
    shop.hears("idlegate/incident", |told| told["kind"] == "lockouts-in-doubt" && told["over"] == true)
        .await?;
    // Told once it is on disk.
    shop.hears("idlegate/decision", |decision| decision["reason"] == "unlocked").await?;
    // From then on all is sound, and nothing is told again.
    let health = shop.starts_after(|_| Ok(())).await?;
    assert_eq!(health["journal"], "ok");
    shop.client.publish_retained("outlets/mill/says", "off").await?;
    shop.hears("idlegate/machine/mill", |status| status["outlet"] == "off").await?;
    assert_eq!(shop.asks("on").await?["decision"], "acted");
    Ok(())
}
