//! The access list of `examples/access-list`, on the broker it is written for.
//!
//! Could go wrong in the workshop: a panel, a script or somebody's telephone switches an outlet past the guard, or a button asks
//! in another button's name.
//!
//! The broker confirms a message that it does not let through like any other. So after each another one is sent which it must
//! let through: if that comes first, the one before will not come.

use anyhow::Result;
use idlegate_tests::broker::{Mosquitto, MosquittoSettings};
use idlegate_tests::client::Client;

const USERS: [&str; 8] =
    ["idlegate", "console", "red-button", "wall-display", "bench-1", "bench", "laser", "stranger"];

fn broker() -> Result<Mosquitto> {
    Mosquitto::start_with(&MosquittoSettings {
        users: USERS.map(|user| (user.to_owned(), format!("{user}-secret"))).to_vec(),
        access_list: Some(include_str!("../../examples/access-list/access-list").to_owned()),
        ..MosquittoSettings::default()
    })
}

async fn join(broker: &Mosquitto, user: &str) -> Result<Client> {
    Client::connect_as(broker.port(), user, Some((user, &format!("{user}-secret")))).await
}

#[tokio::test]
async fn only_the_guard_orders_an_outlet() -> Result<()> {
    let broker = broker()?;
    for (sender, may) in [
        ("idlegate", true),
        ("console", false),
        ("wall-display", false),
        ("bench", false),
        ("red-button", false),
        ("stranger", false),
    ] {
        let topic = "outlets/bench-1/order";
        let mut outlet = join(&broker, "bench-1").await?;
        outlet.subscribe(topic).await?;
        join(&broker, sender).await?.publish(topic, "tried").await?;
        join(&broker, "idlegate").await?.publish(topic, "after").await?;
        let passed = outlet.message().await?.payload == "tried";
        assert_eq!(passed, may, "{sender}");
    }
    Ok(())
}

#[tokio::test]
async fn each_input_asks_in_its_own_name_only() -> Result<()> {
    let broker = broker()?;
    for (sender, topic, may) in [
        ("console", "idlegate/request/console", true),
        ("console", "idlegate/request/bench-button", false),
        ("stranger", "idlegate/request/console", false),
        ("bench", "buttons/bench", true),
        ("bench", "buttons/laser", false),
        ("bench", "contacts/red-button", false),
        ("red-button", "contacts/red-button", true),
        ("bench-1", "meters/bench-1", true),
        ("bench-1", "meters/mill", false),
        ("bench-1", "outlets/bench-1/says", true),
        ("stranger", "outlets/bench-1/says", false),
    ] {
        let mut hears = join(&broker, "idlegate").await?;
        hears.subscribe(topic).await?;
        hears.subscribe("idlegate/after").await?;
        let mut sends = join(&broker, sender).await?;
        sends.publish(topic, "tried").await?;
        hears.publish("idlegate/after", "after").await?;
        assert_eq!(hears.message().await?.payload == "tried", may, "{sender} on {topic}");
    }
    Ok(())
}
