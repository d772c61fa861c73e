//! Whether the broker throws away what has expired: tried on two that do, and on one that does not.
//!
//! Could go wrong in the workshop: an off waits at the broker for an outlet that is out of reach, and arrives hours
//! later, in the middle of a job; or a good broker is slandered.

use std::sync::Arc;

use anyhow::{Context, Result};
use bytes::Bytes;
use idlegate_link::{Arrival, Expiry, Lane, LinkConfig, spawn, try_expiry};
use idlegate_plan::event::LinkState;
use idlegate_plan::{Broker, Login, Secret};
use idlegate_tests::DEADLINE;
use idlegate_tests::broker::{Embedded, Mosquitto, MosquittoSettings};
use idlegate_tests::careless::{Careless, Ignores};
use idlegate_tests::client::Client;
use idlegate_tests::shop::{Guard, Mill, plan};
use tokio::time::timeout;

fn login(user: &str) -> Login {
    Login { user: user.to_owned(), password: Secret::new(format!("{user}-secret")) }
}

/// What comes of the trial at the broker of this plan.
async fn tried(broker: Broker) -> Result<Expiry> {
    let probe = broker.probe.clone().context("no login to try it with")?;
    let config = LinkConfig::new(broker.clone(), "idlegate", Bytes::new())?;
    let (link, mut inbox) = spawn(config, &[], Arc::new(|_| Lane::State.into()));
    let up = async {
        while let Some((_, arrival)) = inbox.recv().await {
            if arrival == Arrival::Link(LinkState::Up) {
                return Ok(());
            }
        }
        anyhow::bail!("the link ended")
    };
    timeout(DEADLINE, up).await??;
    let found = try_expiry(&broker, &probe, "idlegate", &link).await;
    link.shutdown(Bytes::new()).await;
    Ok(found)
}

fn at(port: u16) -> Result<Broker> {
    let mut broker = plan(port)?.shop.broker;
    broker.probe = Some(login("probe"));
    Ok(broker)
}

#[tokio::test]
async fn brokers_that_heed_it_are_told_from_one_that_does_not() -> Result<()> {
    let (mosquitto, embedded) = (Mosquitto::start()?, Embedded::start().await?);
    assert_eq!(tried(at(mosquitto.port())?).await?, Expiry::Heeded, "Mosquitto");
    // It holds no sessions.
    assert_eq!(tried(at(embedded.port())?).await?, Expiry::NothingWaits, "embedded");
    let late = Careless::start(mosquitto.port(), Ignores { expiry: true, ..Ignores::default() }).await?;
    assert_eq!(tried(at(late.port())?).await?, Expiry::Ignored, "late");
    embedded.shutdown().await;
    Ok(())
}

#[tokio::test]
async fn a_trial_that_cannot_be_made_says_why_and_accuses_nobody() -> Result<()> {
    let users = ["guard", "probe"].map(|user| (user.to_owned(), format!("{user}-secret")));
    for (access, user, why) in [
        // It grants the subscription and delivers nothing.
        ("user guard\ntopic readwrite idlegate/#\n", "probe", "did not deliver what should have waited"),
        ("user guard\ntopic readwrite idlegate/#\n", "stranger", "does not get in"),
        (
            "user guard\ntopic readwrite idlegate/link/#\nuser probe\ntopic read idlegate/probe/expiry\n",
            "probe",
            "did not take a message",
        ),
    ] {
        let broker = Mosquitto::start_with(&MosquittoSettings {
            users: users.to_vec(),
            access_list: Some(access.to_owned()),
            ..MosquittoSettings::default()
        })?;
        let found =
            tried(Broker { login: Some(login("guard")), probe: Some(login(user)), ..at(broker.port())? })
                .await?;
        assert!(matches!(&found, Expiry::NotTried(said) if said.contains(why)), "{found:?}");
    }
    Ok(())
}

#[tokio::test]
async fn the_guard_tells_of_a_broker_that_delivers_late_and_guards_on() -> Result<()> {
    let mosquitto = Mosquitto::start()?;
    let late = Careless::start(mosquitto.port(), Ignores { expiry: true, ..Ignores::default() }).await?;
    let mut listener = Client::connect(mosquitto.port()).await?;
    listener.subscribe("idlegate/incident").await?;
    let mut rules = plan(late.port())?;
    rules.shop.broker.probe = Some(login("probe"));
    let guard = Guard::start(rules, None)?;
    let mut mill = Mill::meet(mosquitto.port()).await?;
    mill.outlet_is("on").await?;
    mill.draws("12", "idle").await?;
    mill.gesture("press").await?;
    assert_eq!(mill.order().await?.payload, "off");
    mill.outlet_is("off").await?;
    let told: serde_json::Value = serde_json::from_slice(&listener.message().await?.payload)?;
    assert_eq!((&told["kind"], &told["over"]), (&"late-broker".into(), &false.into()), "{told}");
    mill.hear_json("idlegate/health", |health| health["message_expiry"] == "ignored").await?;
    guard.stop().await
}
