//! What a broker has in store, and what comes in live with the mark of it.
//!
//! Could go wrong in the workshop: a smoke contact that has everything stored is never heard; last week's press comes
//! back over a bridge between two brokers and switches; a meter that stores its readings is taken for one that says
//! nothing; a broker opens its store to those who asked it not to, and what lies there acts.
//!
//! Each on three brokers: Mosquitto, the embedded one, and a Mosquitto that does not heed the options of a subscription
//! about stored messages, as there are such brokers.

use anyhow::Result;
use idlegate_tests::broker::{Embedded, Mosquitto, MosquittoSettings};
use idlegate_tests::careless::{Careless, Ignores};
use idlegate_tests::client::Client;
use idlegate_tests::shop::{Guard, MILL, Mill, plan, plan_with, write_rules};

/// Stops when dropped.
#[derive(Debug)]
enum Broker {
    Mosquitto(Mosquitto),
    Embedded(Embedded),
    IgnoresRetainOptions { proxy: Careless, broker: Mosquitto },
}

impl Broker {
    async fn each() -> Result<[Broker; 3]> {
        let behind = Mosquitto::start()?;
        let ignores = Ignores { retain_options: true, ..Ignores::default() };
        let proxy = Careless::start(behind.port(), ignores).await?;
        Ok([
            Broker::Mosquitto(Mosquitto::start()?),
            Broker::Embedded(Embedded::start().await?),
            Broker::IgnoresRetainOptions { proxy, broker: behind },
        ])
    }

    fn port(&self) -> u16 {
        match self {
            Broker::Mosquitto(broker) => broker.port(),
            Broker::Embedded(broker) => broker.port(),
            Broker::IgnoresRetainOptions { proxy, broker } => {
                debug_assert_ne!(proxy.port(), broker.port());
                proxy.port()
            }
        }
    }

    /// Whether a live message comes with the flag that its sender gave it.
    fn keeps_the_flag(&self) -> bool {
        match self {
            Broker::Mosquitto(_) | Broker::Embedded(_) => true,
            Broker::IgnoresRetainOptions { .. } => false,
        }
    }
}

#[tokio::test]
async fn a_contact_that_has_everything_stored_cuts_when_it_opens_and_not_because_it_was_open() -> Result<()> {
    for broker in Broker::each().await? {
        let mut contact = Client::connect(broker.port()).await?;
        contact.publish_retained("contacts/red", "open").await?;
        let guard = Guard::start(plan(broker.port())?, None)?;
        let mut mill = Mill::meet(broker.port()).await?;
        mill.outlet_is("on").await?;
        mill.draws("800", "busy").await?;
        // Had it been obeyed, its order would have come before the answer to a question that was asked after it.
        assert_eq!(mill.asks("off").await?["decision"], "held", "{broker:?}");

        contact.publish_retained("contacts/red", "closed").await?;
        contact.publish_retained("contacts/red", "open").await?;
        assert_eq!(mill.order().await?.payload, "off", "{broker:?}");
        guard.stop().await?;
    }
    Ok(())
}

#[tokio::test]
async fn a_stored_press_is_never_obeyed_and_a_live_one_is() -> Result<()> {
    for broker in Broker::each().await? {
        let mut button = Client::connect(broker.port()).await?;
        button.publish_retained("buttons/mill", "press").await?;
        let guard = Guard::start(plan(broker.port())?, None)?;
        let mut mill = Mill::meet(broker.port()).await?;
        mill.outlet_is("on").await?;
        mill.draws("12", "idle").await?;
        assert_eq!(
            mill.asks("cancel").await?["decision"],
            "nothing-to-do",
            "{broker:?}: no order came before"
        );
        button.publish("buttons/mill", "press").await?;
        assert_eq!(mill.order().await?.payload, "off", "{broker:?}");
        guard.stop().await?;
    }
    Ok(())
}

/// A second input whose topic takes in that of the red button.
const WIDER: &str = r#"
[inputs.doors]
topic = "contacts/+"
machines = "all"
[inputs.doors.gestures]
bell = "off"
"#;

#[tokio::test]
async fn new_rules_that_ask_for_more_topics_bring_nothing_stored_back_to_life() -> Result<()> {
    for broker in Broker::each().await? {
        let dir = tempfile::tempdir()?;
        write_rules(dir.path(), broker.port())?;
        let guard = Guard::following(dir.path())?;
        let mut mill = Mill::meet(broker.port()).await?;
        let mut contact = Client::connect(broker.port()).await?;
        contact.publish_retained("contacts/red", "closed").await?;
        mill.outlet_is("off").await?;
        contact.publish_retained("contacts/red", "open").await?;
        assert_eq!(mill.order().await?.payload, "off", "{broker:?}: live, and so it is obeyed");
        assert_eq!(mill.asks("unlock").await?["decision"], "acted", "{broker:?}");
        mill.outlet_is("on").await?;
        mill.draws("800", "busy").await?;

        let inputs = std::fs::read_to_string(dir.path().join("inputs.toml"))?;
        std::fs::write(dir.path().join("inputs.toml"), format!("{inputs}{WIDER}"))?;
        mill.hear_json("idlegate/health", |health| health["reload"]["outcome"] == "applied").await?;
        mill.draws("800", "busy").await?;
        assert_eq!(mill.asks("off").await?["decision"], "held", "{broker:?}: nothing was obeyed");
        guard.stop().await?;
    }
    Ok(())
}

#[tokio::test]
async fn readings_that_come_marked_as_stored_count_where_the_rules_say_so_and_are_explained_where_not()
-> Result<()> {
    for broker in Broker::each().await? {
        for stores in [false, true] {
            let rules = MILL.replace("stale_after", &format!("sender_stores = {stores}\nstale_after"));
            let guard = Guard::start(plan_with(broker.port(), &rules)?, None)?;
            let mut mill = Mill::meet(broker.port()).await?;
            mill.outlet_is("on").await?;
            let mut meter = Client::connect(broker.port()).await?;
            if stores || !broker.keeps_the_flag() {
                tokio::select! {
                    told = mill.hear_json("idlegate/machine/mill", |status| status["state"] == "idle") => drop(told?),
                    ended = keeps_saying(&mut meter, "12") => return ended,
                }
                mill.gesture("press").await?;
                assert_eq!(mill.order().await?.payload, "off", "{broker:?}");
            } else {
                for _ in 0..30 {
                    meter.publish_retained("meters/mill", "12").await?;
                    tokio::time::sleep(EVERY).await;
                }
                let answer = mill.asks("off").await?;
                assert_eq!(answer["decision"], "held", "{broker:?}: {answer}");
                let told = answer["sentence"].as_str().unwrap_or_default();
                assert!(told.contains("sender_stores = true"), "{told}");
            }
            guard.stop().await?;
        }
    }
    Ok(())
}

/// From one reading to the next.
const EVERY: std::time::Duration = std::time::Duration::from_millis(50);

/// A meter that has every reading stored. Ends only with a fault of the connection.
async fn keeps_saying(meter: &mut Client, watts: &str) -> Result<()> {
    loop {
        meter.publish_retained("meters/mill", watts.to_owned()).await?;
        tokio::time::sleep(EVERY).await;
    }
}

#[tokio::test]
async fn a_stored_press_that_a_bridge_brings_back_is_not_obeyed_and_a_live_one_is() -> Result<()> {
    // Where the flag is not kept, nothing tells what a bridge brings back from what somebody presses: see SECURITY.md.
    for broker in Broker::each().await?.into_iter().filter(Broker::keeps_the_flag) {
        bridged_press(&broker).await?;
    }
    Ok(())
}

async fn bridged_press(broker: &Broker) -> Result<()> {
    let guard = Guard::start(plan(broker.port())?, None)?;
    let mut mill = Mill::meet(broker.port()).await?;
    mill.outlet_is("on").await?;
    mill.draws("12", "idle").await?;

    let bridge = Some((broker.port(), "buttons/#".to_owned()));
    let far = Mosquitto::start_with(&MosquittoSettings { bridge, ..MosquittoSettings::default() })?;
    let mut button = Client::connect(far.port()).await?;
    button.publish_retained("buttons/mill", "press").await?;
    let decision = mill.decision().await?;
    assert_eq!(
        (&decision["decision"], &decision["reason"]),
        (&"ignored".into(), &"retained".into()),
        "{decision}"
    );
    mill.draws("12", "idle").await?;
    assert_eq!(mill.asks("cancel").await?["decision"], "nothing-to-do", "no order came before this answer");

    button.publish("buttons/mill", "press").await?;
    assert_eq!(mill.order().await?.payload, "off");
    guard.stop().await
}
