//! Work on a machine, and what is to be done to it regularly, with the real program.
//!
//! Could go wrong in the workshop: two people work in the mill, one has finished, and the mill can be switched on; the
//! guard is killed, and nobody knows any more whose locks there are, or for how long the mill has worked; a drill
//! passes that nobody did.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::time::Duration;

use anyhow::{Context as _, Result, ensure};
use idlegate_tests::DEADLINE;
use idlegate_tests::broker::{Embedded, Mosquitto};
use idlegate_tests::client::Client;
use idlegate_tests::conversation::Conversation;
use idlegate_tests::process::{Process, program};
use idlegate_tests::shop::{Guard, write_rules};
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
    /// A phone that may lock, and a console that may unlock and service; the mill's lens is due after two seconds of
    /// work.
    async fn open() -> Result<Shop> {
        let broker = Mosquitto::start()?;
        let (rules, state) = (tempfile::tempdir()?, tempfile::tempdir()?);
        write_rules(rules.path(), broker.port())?;
        add(
            &rules.path().join("inputs.toml"),
            "may_service = true\n[inputs.phone]\nmachines = \"all\"\nmay_lock = true\n",
        )?;
        let lens = "[service.lens]\ndone = \"the lens was cleaned\"\nevery = \"2s\"\n";
        add(&rules.path().join("machines/mill.toml"), lens)?;
        let client = Client::connect(broker.port()).await?;
        let mut shop = Shop { broker, rules, state, guard: None, client };
        shop.start().await?;
        Ok(shop)
    }

    async fn start(&mut self) -> Result<()> {
        self.guard = None;
        self.client = Client::connect(self.broker.port()).await?;
        self.client.subscribe("idlegate/#").await?;
        self.guard = Some(Process::start(self.rules.path(), self.state.path())?);
        self.hears("idlegate/health", |health| health["guard"] == "guarding").await?;
        Ok(())
    }

    /// As by a power cut, and on again.
    async fn crashes(&mut self) -> Result<()> {
        self.guard.as_ref().context("no guard")?.signal("KILL")?;
        self.hears("idlegate/health", |health| health["guard"] == "gone").await?;
        self.start().await
    }

    async fn hears(&mut self, topic: &str, is_it: impl Fn(&Json) -> bool) -> Result<Json> {
        self.client.hears_json(topic, DEADLINE, is_it).await
    }

    async fn asks(&mut self, input: &str, mut body: Json) -> Result<Json> {
        let answer = format!("idlegate/answer/{input}/7");
        let properties =
            PublishProperties { response_topic: Some(answer.clone()), ..PublishProperties::default() };
        body["machine"] = "mill".into();
        let topic = format!("idlegate/request/{input}");
        self.client.publish_with(&topic, &body.to_string(), properties).await?;
        self.hears(&answer, |_| true).await
    }

    async fn status(&mut self, is_it: impl Fn(&Json) -> bool) -> Result<Json> {
        self.hears("idlegate/machine/mill", is_it).await
    }

    /// Draws this for so long.
    async fn draws(&mut self, watts: &str, during: Duration) -> Result<()> {
        let until = std::time::Instant::now() + during;
        while std::time::Instant::now() < until {
            self.client.publish("meters/mill", watts.to_owned()).await?;
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        Ok(())
    }
}

fn add(file: &Path, more: &str) -> Result<()> {
    let text = std::fs::read_to_string(file)?;
    Ok(std::fs::write(file, format!("{text}{more}"))?)
}

fn whose(status: &Json) -> Vec<(&str, &str)> {
    let locks = status["locks"].as_array().into_iter().flatten();
    locks.map(|lock| (lock["who"].as_str().unwrap_or("?"), lock["note"].as_str().unwrap_or("-"))).collect()
}

/// `idlegate` with these words: what it prints, and how it ends.
async fn idlegate(words: &[&str], rules: &Path) -> Result<(String, Option<i32>)> {
    let output = tokio::process::Command::new(program()?).args(words).arg(rules).output().await?;
    Ok((String::from_utf8(output.stdout)?, output.status.code()))
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_locks_and_what_was_counted_outlive_a_guard_that_is_killed() -> Result<()> {
    let mut shop = Shop::open().await?;
    shop.client.publish_retained("outlets/mill/says", "on").await?;
    shop.draws("450", Duration::from_millis(2_600)).await?;
    let due = shop.hears("idlegate/announcement", |told| told["kind"] == "service-due").await?;
    ensure!(
        due["sentence"].as_str().is_some_and(|said| said.contains("since the lens was cleaned (every 2 s)")),
        "{due}"
    );
    shop.draws("3", Duration::from_secs(1)).await?;
    shop.client.publish_retained("outlets/mill/says", "off").await?;
    for (who, note) in [("Anna", "the belt is off"), ("Ben", "inside")] {
        let answer = shop.asks("phone", json!({ "request": "lock", "who": who, "note": note })).await?;
        assert_eq!((&answer["reason"], &answer["stored"]), (&"locked".into(), &true.into()), "{answer}");
    }

    shop.crashes().await?;
    let status = shop.status(|status| status["locks"].is_array()).await?;
    assert_eq!(whose(&status), [("Anna", "the belt is off"), ("Ben", "inside")]);
    assert_eq!(status["quiet"], true);
    let lens = &status["services"][0];
    assert_eq!(lens["due"], true, "{lens}");
    ensure!(lens["counted"].as_f64().is_some_and(|counted| (2.0..4.0).contains(&counted)), "{lens}");
    let refused = shop.asks("console", json!({ "request": "on" })).await?;
    assert_eq!(refused["reason"], "lockout");
    ensure!(
        refused["sentence"].as_str().is_some_and(|said| said.contains("Anna (phone: the belt is off)")),
        "{refused}"
    );

    let answer = shop.asks("phone", json!({ "request": "unlock", "who": "Anna" })).await?;
    assert_eq!(answer["reason"], "lock-lifted");
    // The rules lose the phone: Ben's lock stays, and the console lifts it.
    let inputs = shop.rules.path().join("inputs.toml");
    let text = std::fs::read_to_string(&inputs)?;
    std::fs::write(&inputs, text.split("[inputs.phone]").next().unwrap_or_default())?;
    shop.crashes().await?;
    let status = shop.status(|status| status["locks"].is_array()).await?;
    assert_eq!(whose(&status), [("Ben", "inside")]);
    let answer = shop.asks("console", json!({ "request": "unlock" })).await?;
    assert_eq!(answer["reason"], "unlocked");

    let serviced =
        shop.asks("console", json!({ "request": "serviced", "service": "lens", "who": "Cleo" })).await?;
    assert_eq!((&serviced["decision"], &serviced["stored"]), (&"acted".into(), &true.into()), "{serviced}");
    shop.crashes().await?;
    let status = shop.status(|status| status["services"].is_array()).await?;
    let lens = &status["services"][0];
    assert_eq!(
        (&lens["due"], &lens["counted"], &lens["who"]),
        (&false.into(), &json!(0.0), &"Cleo".into()),
        "{lens}"
    );
    Ok(())
}

/// What the mill's outlet and meter say, whatever happens to them.
#[derive(Clone, Debug)]
struct Outlet {
    on: Arc<AtomicBool>,
    /// What it last told of itself.
    told: Arc<AtomicBool>,
    watts: Arc<AtomicU32>,
    metered: Arc<AtomicBool>,
}

impl Outlet {
    async fn live(self, port: u16) -> Result<()> {
        let mut client = Client::connect(port).await?;
        client.subscribe("outlets/mill/order").await?;
        let mut said = None;
        loop {
            while let Some(order) = client.try_message() {
                self.on.store(order.payload == "on", Ordering::Relaxed);
            }
            let on = self.on.load(Ordering::Relaxed);
            if said.replace(on) != Some(on) {
                client.publish_retained("outlets/mill/says", if on { "on" } else { "off" }).await?;
                self.told.store(on, Ordering::Relaxed);
            }
            if self.metered.load(Ordering::Relaxed) {
                let watts = if on { self.watts.load(Ordering::Relaxed) } else { 0 };
                client.publish("meters/mill", watts.to_string()).await?;
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    }
}

impl Outlet {
    async fn has_told(&self, on: bool) {
        while self.told.load(Ordering::Relaxed) != on {
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    }
}

/// Any earlier and it would count as the same gesture.
async fn a_moment() {
    tokio::time::sleep(Duration::from_millis(2_200)).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_drill_is_done_at_any_time_and_what_is_skipped_stays_due() -> Result<()> {
    let broker = Embedded::start().await?;
    let dir = tempfile::tempdir()?;
    let rules = dir.path().join("rules");
    write_rules(&rules, broker.port())?;
    let file = rules.join("machines/mill.toml");
    let mill = std::fs::read_to_string(&file)?.replace("\"30s\"", "\"3s\"");
    std::fs::write(&file, format!("{mill}[guard]\ndrill_every = \"180d\"\n"))?;
    let (said, code) = idlegate(&["drill", "--list"], &rules).await?;
    assert_eq!((said.trim(), code), ("Mill: its drill is due: it was never done", Some(1)));

    let outlet = Outlet {
        on: Arc::new(true.into()),
        told: Arc::new(true.into()),
        watts: Arc::new(12.into()),
        metered: Arc::new(true.into()),
    };
    let living = tokio::spawn(outlet.clone().live(broker.port()));
    let guard = Guard::following(&rules)?;
    let mut hand = Client::connect(broker.port()).await?;
    let mut talk = Conversation::drill(&rules, &["mill"])?;
    through_the_items(&mut talk, &mut hand, &outlet).await?;
    talk.answers("Did it stay off?", "skip").await?;
    talk.hears("not tried: after a power cut the outlet stays off").await?;
    talk.answers("Who did this drill?", "Mara").await?;
    talk.hears("Not everything was tried and passed.").await?;
    assert_eq!(talk.ends().await?, Some(1));
    let (said, code) = idlegate(&["drill", "--list"], &rules).await?;
    let due = "Mill: its drill is due: not tried: after a power cut the outlet stays off";
    assert_eq!((said.trim(), code), (due, Some(1)));

    let mut talk = Conversation::drill(&rules, &["mill", "--due"])?;
    talk.answers("Did it stay off?", "yes").await?;
    talk.answers("Who did this drill?", "Mara").await?;
    talk.hears("Everything passed.").await?;
    assert_eq!(talk.ends().await?, Some(0));
    assert_eq!(idlegate(&["drill", "--list"], &rules).await?, ("No drill is due.\n".to_owned(), Some(0)));
    let record = std::fs::read_dir(rules.join("commissioning"))?
        .filter_map(|entry| entry.ok().map(|entry| entry.path()))
        .find(|path| path.extension().is_some_and(|extension| extension == "md"))
        .context("no record")?;
    let record = std::fs::read_to_string(record)?;
    ensure!(record.contains("| Carried out by | Mara |"), "{record}");

    std::fs::write(&file, std::fs::read_to_string(&file)?.replace("busy_watts = 100", "busy_watts = 120"))?;
    let (said, code) = idlegate(&["drill", "--list"], &rules).await?;
    let due = "Mill: its drill is due: a detector or a signal of it has changed since it was tried";
    assert_eq!((said.trim(), code), (due, Some(1)));
    guard.stop().await?;
    assert!(!living.is_finished(), "the outlet lived to the end");
    broker.shutdown().await;
    Ok(())
}

/// Everything that is told from messages.
async fn through_the_items(talk: &mut Conversation, hand: &mut Client, outlet: &Outlet) -> Result<()> {
    talk.hears("passed: the guard sees that the idle machine is idle").await?;
    talk.hears("use button once (press). It should go off").await?;
    hand.publish("buttons/mill", "press").await?;
    talk.hears("passed: while it is idle, an off switches it off").await?;
    talk.hears("start a job").await?;
    // An off that the outlet never told of may still come about, so the guard would take the next on for its own.
    outlet.has_told(false).await;
    outlet.watts.store(455, Ordering::Relaxed);
    hand.publish("idlegate/request/console", r#"{"machine":"mill","request":"on"}"#).await?;
    talk.hears("passed: the guard sees that the working machine is working (455 W").await?;
    talk.hears("While it is working").await?;
    a_moment().await;
    hand.publish("buttons/mill", "press").await?;
    talk.hears("passed: while it is working, an off is held").await?;
    ensure!(outlet.on.load(Ordering::Relaxed), "it was switched off while it worked");
    talk.answers("May the power of the working machine be cut now?", "yes").await?;
    talk.hears("use button (long-press)").await?;
    a_moment().await;
    hand.publish("buttons/mill", "press").await?;
    tokio::time::sleep(Duration::from_millis(1_300)).await;
    hand.publish("buttons/mill", "long-press").await?;
    talk.hears("passed: a force inside the window switches it off").await?;
    talk.hears("with its own button").await?;
    // Only once the outlet has said that it is off is another on a surprise.
    outlet.has_told(false).await;
    tokio::time::sleep(Duration::from_millis(500)).await;
    outlet.watts.store(12, Ordering::Relaxed);
    outlet.on.store(true, Ordering::Relaxed);
    talk.hears("passed: the guard notices when the outlet's own button is used").await?;
    talk.hears("unplug its meter").await?;
    // On a busy computer a reading may be late, and then it has to be heard once more before it is missed.
    tokio::time::sleep(Duration::from_secs(1)).await;
    outlet.metered.store(false, Ordering::Relaxed);
    talk.hears("passed: when its meter falls silent, the guard no longer counts it as idle").await?;
    outlet.metered.store(true, Ordering::Relaxed);
    talk.hears("With no job running, use red button once (open)").await?;
    hand.publish("contacts/red", "open").await?;
    talk.hears("passed: the red button switches it off and locks it").await?;
    // Nobody has a button for that, so Idlegate asks.
    talk.answers("asks for it through the guard's own input", "").await?;
    talk.hears("passed: after that it can be unlocked, and nothing goes on by itself").await
}
