//! Broker, connection, and what comes over it.

use anyhow::Result;
use idlegate_plan::{Login, Secret, Source, StateTopic, ValuePath};
use idlegate_tests::broker::{Mosquitto, MosquittoSettings, free_port};
use idlegate_tests::client::Client;
use idlegate_tests::proxy::Proxy;
use idlegate_tests::shop::{Guard, plan};

use crate::stage::{Hand, Stage, pause};

pub(crate) async fn down_at_start() -> Result<()> {
    let port = free_port()?;
    let guard = Guard::start(plan(port)?, None)?;
    pause(500).await;
    let _broker = Mosquitto::start_on(port, &MosquittoSettings::default())?;
    Hand::at(port).await?.is_still_guarded().await?;
    guard.stop().await
}

pub(crate) async fn dies() -> Result<()> {
    let Stage { mut broker, guard, mut hand } = Stage::new().await?;
    hand.draws("450", "busy").await?;
    broker.kill();
    broker.run()?;
    let mut hand = Hand::at(broker.port()).await?;
    // It has forgotten everything that was stored, and nobody has said anything yet.
    hand.press_is_held().await?;
    hand.nothing_is_switched().await?;
    hand.is_still_guarded().await?;
    guard.stop().await
}

pub(crate) async fn half_open() -> Result<()> {
    let broker = Mosquitto::start()?;
    let proxy = Proxy::start(broker.port()).await?;
    let guard = Guard::start(plan(proxy.port())?, None)?;
    let mut hand = Hand::at(broker.port()).await?;
    hand.outlet("on").await?;
    hand.draws("12", "idle").await?;
    let swallow =
        |it: bool| proxy.set(move |conduct| (conduct.stall_to_broker, conduct.stall_to_client) = (it, it));
    swallow(true);
    hand.press().await?;
    // One and a half times its keep-alive of five seconds, and some more.
    hand.hears("idlegate/health", |health| health["guard"] == "gone").await?;
    swallow(false);
    hand.hears("idlegate/health", |health| health["guard"] == "guarding").await?;
    hand.nothing_is_switched().await?;
    hand.is_still_guarded().await?;
    guard.stop().await
}

pub(crate) async fn stored_request() -> Result<()> {
    let broker = Mosquitto::start()?;
    let mut early = Hand::early(broker.port()).await?;
    early.client.publish_retained("buttons/mill", "press").await?;
    let body = r#"{"machine":"mill","request":"off"}"#;
    early.client.publish_retained("idlegate/request/console", body).await?;
    early.client.publish_retained("contacts/red", "open").await?;
    let guard = Guard::start(plan(broker.port())?, None)?;
    let mut hand = Hand::at(broker.port()).await?;
    hand.outlet("on").await?;
    hand.draws("12", "idle").await?;
    hand.nothing_is_switched().await?;
    hand.is_still_guarded().await?;
    guard.stop().await
}

pub(crate) async fn oversize() -> Result<()> {
    let broker = Mosquitto::start()?;
    let mut early = Hand::early(broker.port()).await?;
    early.client.publish_retained("meters/mill", "9".repeat(300_000)).await?;
    let guard = Guard::start(plan(broker.port())?, None)?;
    let mut hand = Hand::at(broker.port()).await?;
    hand.client.publish("meters/mill", "9".repeat(300_000)).await?;
    hand.is_still_guarded().await?;
    guard.stop().await
}

pub(crate) async fn taken_over() -> Result<()> {
    let Stage { broker, guard, mut hand } = Stage::new().await?;
    for _ in 0..3 {
        let thief = Client::connect_as(broker.port(), "idlegate", None).await?;
        hand.hears("idlegate/health", |health| health["guard"] == "gone").await?;
        hand.hears("idlegate/health", |health| health["guard"] == "guarding").await?;
        drop(thief);
    }
    hand.is_still_guarded().await?;
    guard.stop().await
}

pub(crate) async fn old_requests() -> Result<()> {
    let broker = Mosquitto::start()?;
    let proxy = Proxy::start(broker.port()).await?;
    let guard = Guard::start(plan(proxy.port())?, None)?;
    let mut hand = Hand::at(broker.port()).await?;
    hand.outlet("on").await?;
    hand.draws("12", "idle").await?;
    proxy.set(|conduct| conduct.stall_to_client = true);
    for _ in 0..500 {
        hand.client.publish_at_most_once("buttons/mill", "press").await?;
    }
    pause(3_000).await;
    proxy.set(|conduct| conduct.stall_to_client = false);
    hand.hears("idlegate/decision", |decision| decision["reason"] == "too-old").await?;
    hand.nothing_is_switched().await?;
    hand.is_still_guarded().await?;
    guard.stop().await
}

pub(crate) async fn denied() -> Result<()> {
    let broker = Mosquitto::start_with(&MosquittoSettings {
        users: vec![("guard".into(), "secret".into()), ("hand".into(), "secret".into())],
        access_list: Some(
            "user hand\ntopic readwrite #\nuser guard\ntopic read outlets/#\ntopic read buttons/#\ntopic read contacts/#\n\
             topic write outlets/mill/order\ntopic readwrite idlegate/#\n"
                .into(),
        ),
        ..MosquittoSettings::default()
    })?;
    let mut plan = plan(broker.port())?;
    plan.shop.broker.login = Some(Login { user: "guard".into(), password: Secret::new("secret".into()) });
    let guard = Guard::start(plan, None)?;
    let mut client = Client::connect_as(broker.port(), "hand", Some(("hand", "secret"))).await?;
    client.subscribe("outlets/mill/order").await?;
    client.subscribe("idlegate/#").await?;
    let mut hand = Hand { client };
    hand.hears("idlegate/health", |health| health["guard"] == "guarding").await?;
    hand.outlet("on").await?;
    hand.publish("meters/mill", "12").await?;
    hand.press_is_held().await?;
    hand.nothing_is_switched().await?;
    hand.emergency().await?;
    guard.stop().await
}

pub(crate) async fn flood() -> Result<()> {
    let Stage { broker, guard, mut hand } = Stage::new().await?;
    hand.draws("450", "busy").await?;
    let mut meter = Client::connect(broker.port()).await?;
    let flooding = tokio::spawn(async move {
        for nth in 0..20_000_u32 {
            meter.publish_at_most_once("meters/mill", if nth % 2 == 0 { "450" } else { "451" }).await?;
        }
        anyhow::Ok(meter)
    });
    hand.press_is_held().await?;
    hand.nothing_is_switched().await?;
    hand.emergency().await?;
    drop(flooding.await??);
    guard.stop().await
}

pub(crate) async fn outlet_out_of_reach() -> Result<()> {
    let mut stage = Stage::with(|plan| {
        let source = Source { filter: "outlets/mill/reach".into(), path: ValuePath::Whole };
        let reach = StateTopic { source, on: "yes".into(), off: "no".into() };
        plan.machines[0].outlet.reach = Some(reach);
    })
    .await?;
    stage.hand.draws("450", "busy").await?;
    stage.hand.publish("outlets/mill/reach", "no").await?;
    stage.hand.hears("idlegate/machine/mill", |status| status["outlet"] == "unknown").await?;
    stage.hand.press_is_held().await?;
    stage.hand.nothing_is_switched().await?;
    stage.hand.emergency().await?;
    stage.guard.stop().await
}

pub(crate) async fn hostile_payloads() -> Result<()> {
    let mut stage = Stage::new().await?;
    stage.hand.draws("450", "busy").await?;
    let deep = "[".repeat(60_000);
    let payloads: [&[u8]; 12] = [
        b"",
        b"\xff\xfe\x00",
        b"{\"machine\":\"mill\",\"request\":\"off\"",
        b"NaN",
        b"1e400",
        deep.as_bytes(),
        b"{\"machine\":\"mill\",\"machine\":\"kiln\",\"request\":\"emergency-off\"}",
        b"\xef\xbb\xbf{\"machine\":\"mill\",\"request\":\"off\"}",
        b"{\"machine\":\"../../etc\",\"request\":\"off\"}",
        b"press\n\x1b[2J2026-11-25 INFO all is well",
        b"{\"machine\":\"mill\",\"request\":\"self-destruct\"}",
        b"off\0",
    ];
    for topic in
        ["buttons/mill", "contacts/red", "meters/mill", "outlets/mill/says", "idlegate/request/console"]
    {
        for payload in payloads {
            stage.hand.client.publish(topic, payload.to_vec()).await?;
        }
    }
    for topic in ["idlegate/request/nobody", "idlegate/request/console/x", "idlegate/machine/mill/order"] {
        stage.hand.publish(topic, r#"{"machine":"mill","request":"off"}"#).await?;
    }
    stage.hand.nothing_is_switched().await?;
    stage.ends().await
}
