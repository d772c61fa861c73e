//! Red buttons, and the connection that is kept for them, through a real broker.
//!
//! Could go wrong in the workshop: somebody hits the red button while a panel has gone mad, or while the connection
//! that is kept for red buttons is denied, and nothing happens; or one press is taken for two; or a latching one was in
//! when the guard came, or is heard of over one connection only.

use std::time::Duration;

use anyhow::{Context, Result, ensure};
use idlegate_plan::{Contact, InputSource, Login, Plan, Secret, Source, ValuePath};
use idlegate_tests::DEADLINE;
use idlegate_tests::broker::{Mosquitto, MosquittoSettings};
use idlegate_tests::client::Client;
use idlegate_tests::process::program;
use idlegate_tests::shop::{Guard, plan, write_rules};
use serde_json::Value as Json;
use tokio::time::{sleep, timeout};

const USERS: [&str; 3] = ["idlegate", "idlegate-red", "tester"];

/// Listens to everything there is.
struct Ears {
    client: Client,
}

impl Ears {
    async fn at(mut client: Client) -> Result<Ears> {
        let ours = ["health", "decision", "incident", "announcement"];
        client.subscribe("outlets/+/order").await?;
        for topic in ours {
            client.subscribe(&format!("idlegate/{topic}")).await?;
        }
        Ok(Ears { client })
    }

    async fn hears(&mut self, topic: &str, is_it: impl Fn(&Json) -> bool) -> Result<Json> {
        let mut others = Vec::new();
        let heard = async {
            loop {
                let message = self.client.message().await?;
                let body: Json = serde_json::from_slice(&message.payload).unwrap_or_default();
                if message.topic == topic && is_it(&body) {
                    return anyhow::Ok(body);
                }
                others.push(format!("{} {:?}", String::from_utf8_lossy(&message.topic), message.payload));
            }
        };
        let heard = timeout(DEADLINE, heard).await;
        let last = || others[others.len().saturating_sub(5)..].join("\n");
        heard.with_context(|| format!("nothing such on {topic}, but\n{}", last()))?
    }

    async fn off(&mut self) -> Result<()> {
        let heard = async {
            loop {
                let message = self.client.message().await?;
                if message.topic == "outlets/mill/order" {
                    ensure!(message.payload == "off");
                    return Ok(());
                }
            }
        };
        timeout(DEADLINE, heard).await.context("no off came")?
    }

    /// So many decisions on this input's requests, until none has come for a while.
    async fn decisions(&mut self, input: &str) -> Vec<Json> {
        let mut heard = Vec::new();
        while let Ok(Ok(message)) = timeout(Duration::from_millis(1_500), self.client.message()).await {
            let body: Json = serde_json::from_slice(&message.payload).unwrap_or_default();
            if message.topic == "idlegate/decision" && body["input"] == input {
                heard.push(body);
            }
        }
        heard
    }
}

fn login(user: &str, password: &str) -> Option<Login> {
    Some(Login { user: user.to_owned(), password: Secret::new(password.to_owned()) })
}

fn broker(access_list: Option<&str>) -> Result<Mosquitto> {
    Mosquitto::start_with(&MosquittoSettings {
        users: USERS.map(|user| (user.to_owned(), format!("{user}-secret"))).to_vec(),
        access_list: access_list.map(str::to_owned),
        ..MosquittoSettings::default()
    })
}

fn shop(broker: &Mosquitto) -> Result<Plan> {
    let mut plan = plan(broker.port())?;
    plan.shop.broker.login = login("idlegate", "idlegate-secret");
    plan.shop.broker.emergency_login = login("idlegate-red", "idlegate-red-secret");
    Ok(plan)
}

async fn tester(broker: &Mosquitto, id: &str) -> Result<Client> {
    Client::connect_as(broker.port(), id, Some(("tester", "tester-secret"))).await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_press_comes_over_both_connections_and_is_one_decision() -> Result<()> {
    let broker = broker(None)?;
    let mut ears = Ears::at(tester(&broker, "ears").await?).await?;
    let guard = Guard::start(shop(&broker)?, None)?;
    ears.hears("idlegate/health", |health| health["emergency_connection"] == "up").await?;
    ears.client.publish("contacts/red", "open").await?;
    ears.off().await?;
    let decisions = ears.decisions("red-button").await;
    assert_eq!(decisions.len(), 1, "{decisions:?}");
    assert_eq!(decisions[0]["reason"], "emergency");
    guard.stop().await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn without_the_connection_for_emergencies_the_button_still_works_and_people_are_told() -> Result<()> {
    let broker = broker(None)?;
    let mut ears = Ears::at(tester(&broker, "ears").await?).await?;
    let mut plan = shop(&broker)?;
    plan.shop.broker.emergency_login = login("idlegate-red", "wrong");
    let guard = Guard::start(plan, None)?;
    ears.hears("idlegate/health", |health| health["guard"] == "guarding").await?;
    ears.client.publish("contacts/red", "open").await?;
    ears.off().await?;
    let told = ears.hears("idlegate/incident", |told| told["kind"] == "emergency-connection-lost").await?;
    assert_eq!((&told["urgent"], &told["over"]), (&true.into(), &false.into()));
    assert!(told["sentence"].as_str().is_some_and(|it| it.contains("user name")), "{told}");
    guard.stop().await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_order_that_the_broker_denies_on_the_connection_for_emergencies_goes_over_the_main_one()
-> Result<()> {
    let list = "user idlegate\ntopic readwrite #\nuser tester\ntopic readwrite #\n\
                user idlegate-red\ntopic read contacts/#\ntopic readwrite idlegate/link/#\n";
    let broker = broker(Some(list))?;
    let mut ears = Ears::at(tester(&broker, "ears").await?).await?;
    let guard = Guard::start(shop(&broker)?, None)?;
    ears.hears("idlegate/health", |health| health["emergency_connection"] == "up").await?;
    ears.client.publish("contacts/red", "open").await?;
    ears.off().await?;
    ears.hears("idlegate/health", |health| {
        health["emergency_connection"].as_str().is_some_and(|it| it.contains("may not publish"))
    })
    .await?;
    guard.stop().await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_press_that_the_broker_keeps_from_the_connection_for_emergencies_is_obeyed_once() -> Result<()> {
    let list = "user idlegate\ntopic readwrite #\nuser tester\ntopic readwrite #\n\
                user idlegate-red\ntopic write outlets/+/order\ntopic readwrite idlegate/link/#\n";
    let broker = broker(Some(list))?;
    let mut ears = Ears::at(tester(&broker, "ears").await?).await?;
    let guard = Guard::start(shop(&broker)?, None)?;
    ears.hears("idlegate/health", |health| health["emergency_connection"] == "up").await?;
    // Until nobody can think that it was said before the connection was there.
    sleep(Duration::from_secs(3)).await;
    ears.client.publish("contacts/red", "open").await?;
    ears.off().await?;
    let decisions = ears.decisions("red-button").await;
    assert_eq!(decisions.len(), 1, "{decisions:?}");
    // The broker has granted the subscription, so only what is missing shows it.
    let told = ears.hears("idlegate/incident", |told| told["kind"] == "emergency-connection-lost").await?;
    assert!(told["sentence"].as_str().is_some_and(|it| it.contains("contacts/red")), "{told}");
    guard.stop().await
}

/// The red button latches: it has a position, which its sender has the broker store.
fn with_latch(mut plan: Plan) -> Result<Plan> {
    let red = plan.inputs.iter_mut().find(|input| input.name.as_str() == "red-button");
    let red = red.context("no red button")?;
    red.gestures.clear();
    red.source = InputSource::Contact(Contact {
        source: Source { filter: "contacts/red".into(), path: ValuePath::Whole },
        pushed: "open".into(),
        released: "closed".into(),
        release_by: Vec::new(),
    });
    Ok(plan)
}

impl Ears {
    /// The one decision that the button's latest push led to.
    async fn one_emergency(&mut self) -> Result<()> {
        self.off().await?;
        let decisions = self.decisions("red-button").await;
        ensure!(decisions.len() == 1 && decisions[0]["reason"] == "emergency", "{decisions:?}");
        Ok(())
    }

    async fn asks(&mut self, request: &str) -> Result<Json> {
        // The same request sooner after the one before would be part of it.
        sleep(Duration::from_millis(2_200)).await;
        let ask = format!(r#"{{"machine":"mill","request":"{request}"}}"#);
        self.client.publish("idlegate/request/console", ask).await?;
        self.hears("idlegate/decision", |it| it["input"] == "console" && it["request"] == request).await
    }

    /// What the outlet is sent, until nothing has come for a while.
    async fn orders(&mut self) -> usize {
        let mut orders = 0;
        while let Ok(Ok(message)) = timeout(Duration::from_millis(1_500), self.client.message()).await {
            orders += usize::from(message.topic == "outlets/mill/order");
        }
        orders
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn each_push_of_a_contact_comes_over_both_connections_and_is_one_emergency() -> Result<()> {
    let broker = broker(None)?;
    let mut ears = Ears::at(tester(&broker, "ears").await?).await?;
    ears.client.publish_retained("contacts/red", "closed").await?;
    let guard = Guard::start(with_latch(shop(&broker)?)?, None)?;
    ears.hears("idlegate/health", |health| health["emergency_connection"] == "up").await?;
    for _ in 0..2 {
        ears.client.publish_retained("contacts/red", "open").await?;
        ears.one_emergency().await?;
        ears.client.publish_retained("outlets/mill/says", "off").await?;
        assert_eq!(ears.asks("unlock").await?["reason"], "contact-pushed");
        ears.client.publish_retained("contacts/red", "closed").await?;
        assert_eq!(ears.orders().await, 0, "a release switches nothing");
        assert_eq!(ears.asks("unlock").await?["decision"], "acted");
    }
    // Said again, it is no push.
    ears.client.publish_retained("contacts/red", "closed").await?;
    assert_eq!(ears.orders().await, 0);
    guard.stop().await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_contact_found_pushed_at_the_start_locks_and_switches_nothing() -> Result<()> {
    let broker = broker(None)?;
    let mut ears = Ears::at(tester(&broker, "ears").await?).await?;
    ears.client.publish_retained("outlets/mill/says", "on").await?;
    ears.client.publish_retained("contacts/red", "open").await?;
    let guard = Guard::start(with_latch(shop(&broker)?)?, None)?;
    let told = ears.hears("idlegate/announcement", |told| told["kind"] == "found-pushed").await?;
    assert_eq!((&told["urgent"], &told["input"]), (&true.into(), &"red-button".into()), "{told}");
    assert_eq!(ears.orders().await, 0);
    assert_eq!(ears.asks("unlock").await?["reason"], "contact-pushed");
    ears.client.publish_retained("contacts/red", "closed").await?;
    assert_eq!(ears.orders().await, 0);
    ears.client.publish_retained("contacts/red", "open").await?;
    ears.one_emergency().await?;
    guard.stop().await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_contact_works_while_the_connection_for_emergencies_is_denied() -> Result<()> {
    let broker = broker(None)?;
    let mut ears = Ears::at(tester(&broker, "ears").await?).await?;
    ears.client.publish_retained("contacts/red", "closed").await?;
    let mut plan = with_latch(shop(&broker)?)?;
    plan.shop.broker.emergency_login = login("idlegate-red", "wrong");
    let guard = Guard::start(plan, None)?;
    ears.hears("idlegate/health", |health| health["guard"] == "guarding").await?;
    for _ in 0..2 {
        ears.client.publish_retained("contacts/red", "open").await?;
        ears.one_emergency().await?;
        ears.client.publish_retained("outlets/mill/says", "off").await?;
        ears.client.publish_retained("contacts/red", "closed").await?;
        assert_eq!(ears.asks("unlock").await?["decision"], "acted");
    }
    guard.stop().await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_contact_works_while_the_broker_keeps_it_from_the_main_connection() -> Result<()> {
    let list = "user tester\ntopic readwrite #\n\
                user idlegate\ntopic readwrite idlegate/#\ntopic readwrite outlets/#\ntopic read meters/#\n\
                user idlegate-red\ntopic read contacts/#\ntopic write outlets/+/order\ntopic readwrite idlegate/link/#\n";
    let broker = broker(Some(list))?;
    let mut ears = Ears::at(tester(&broker, "ears").await?).await?;
    ears.client.publish_retained("contacts/red", "closed").await?;
    let guard = Guard::start(with_latch(shop(&broker)?)?, None)?;
    ears.hears("idlegate/health", |health| health["emergency_connection"] == "up").await?;
    ears.client.publish_retained("contacts/red", "open").await?;
    ears.one_emergency().await?;
    guard.stop().await
}

/// What `idlegate checkup` says about the login for emergencies, with this access list for it.
async fn checkup_with(rights: &str) -> Result<String> {
    let list = format!(
        "user idlegate\ntopic readwrite #\nuser tester\ntopic readwrite #\nuser idlegate-red\n{rights}"
    );
    let broker = broker(Some(&list))?;
    tester(&broker, "latch").await?.publish_retained("contacts/red", "closed").await?;
    let dir = tempfile::tempdir()?;
    let rules = dir.path().join("rules");
    write_rules(&rules, broker.port())?;
    let shop = std::fs::read_to_string(rules.join("shop.toml"))?;
    let own = "[broker]\nuser = \"idlegate\"\npassword = { env = \"MAIN\" }\n";
    let more = "[broker.emergency]\nuser = \"idlegate-red\"\npassword = { env = \"RED\" }\n";
    std::fs::write(rules.join("shop.toml"), shop.replace("[broker]\n", own) + more)?;
    let mut checkup = std::process::Command::new(program()?);
    checkup.arg("checkup").arg(&rules).args(["--for", "1s"]);
    checkup.env("MAIN", "idlegate-secret").env("RED", "idlegate-red-secret");
    let said = tokio::task::spawn_blocking(move || checkup.output()).await??;
    Ok(String::from_utf8(said.stdout)?)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn checkup_finds_out_what_the_broker_silently_keeps_from_the_login_for_emergencies() -> Result<()> {
    let denied = checkup_with("topic write outlets/+/order\ntopic readwrite idlegate/link/#\n").await?;
    assert!(
        denied.contains("does not send the login for emergencies what is published on contacts/red"),
        "{denied}"
    );
    let granted = checkup_with("topic read contacts/#\ntopic readwrite idlegate/link/#\n").await?;
    assert!(granted.contains("lets the login for emergencies in, and read the red buttons"), "{granted}");
    Ok(())
}

/// As fast as the broker takes them.
async fn flood(mut client: Client, topic: &'static str, payload: &'static str, count: usize) -> Result<()> {
    for _ in 0..count {
        client.publish_at_most_once(topic, payload).await?;
    }
    // Until the broker has read all of it.
    client.publish("flood/over", "").await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_panel_gone_mad_costs_itself_and_is_named_and_the_red_button_works_all_the_while() -> Result<()> {
    let broker = broker(None)?;
    let mut ears = Ears::at(tester(&broker, "ears").await?).await?;
    let mut hand = tester(&broker, "hand").await?;
    let guard = Guard::start(shop(&broker)?, None)?;
    ears.hears("idlegate/health", |health| health["emergency_connection"] == "up").await?;
    let ask = r#"{"machine":"mill","request":"off"}"#;
    let flooding =
        tokio::spawn(flood(tester(&broker, "panel").await?, "idlegate/request/console", ask, 60_000));
    sleep(Duration::from_millis(300)).await;
    hand.publish("contacts/red", "open").await?;
    ears.off().await?;
    // A gone guard would say so before it said anything else.
    let told = ears.hears("idlegate/incident", |told| told["kind"] == "flood").await?;
    assert_eq!((&told["input"], &told["urgent"]), (&"console".into(), &false.into()), "{told}");
    flooding.await??;
    hand.publish("buttons/mill", "press").await?;
    ears.hears("idlegate/decision", |decided| decided["input"] == "button").await?;
    let over = ears.hears("idlegate/incident", |told| told["kind"] == "flood").await?;
    assert_eq!(over["over"], true);
    guard.stop().await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_red_button_gone_mad_keeps_nobody_else_s_waiting_and_is_counted() -> Result<()> {
    let broker = broker(None)?;
    let mut ears = Ears::at(tester(&broker, "ears").await?).await?;
    let mut hand = tester(&broker, "hand").await?;
    let mut plan = shop(&broker)?;
    let red =
        plan.inputs.iter().find(|input| input.name.as_str() == "red-button").context("no red button")?;
    let mut other = red.clone();
    other.name = "red-other".parse()?;
    let InputSource::Topic { source, .. } = &mut other.source else { unreachable!() };
    source.filter = "contacts/other".into();
    plan.inputs.push(other);
    let guard = Guard::start(plan, None)?;
    ears.hears("idlegate/health", |health| health["emergency_connection"] == "up").await?;
    let flooding = tokio::spawn(flood(tester(&broker, "mad").await?, "contacts/red", "open", 40_000));
    ears.off().await?;
    hand.publish("contacts/other", "open").await?;
    let decided = ears.hears("idlegate/decision", |decided| decided["input"] == "red-other").await?;
    assert_eq!(decided["reason"], "emergency");
    flooding.await??;
    let decisions = ears.decisions("red-button").await;
    let counted: u64 = decisions.iter().filter_map(|decided| decided["count"].as_u64()).sum();
    assert!(counted > 100 && decisions.len() < 200, "{counted} in {} decisions", decisions.len());
    guard.stop().await
}
