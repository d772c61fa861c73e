//! Orders that reach a guarded outlet past the guard, on real brokers.
//!
//! Could go wrong in the workshop: an old script switches the mill off in the middle of a job, and nobody learns how;
//! its order lies at the broker and switches the mill off again every time the outlet reconnects; or the guard accuses
//! itself.

use anyhow::Result;
use idlegate_tests::broker::{Embedded, Mosquitto};
use idlegate_tests::client::Client;
use idlegate_tests::shop::{Guard, Mill, plan};
use serde_json::Value as Json;

const ORDER: &str = "outlets/mill/order";

/// The next incident of this kind; whatever else comes is passed over, our own orders included.
async fn incident(client: &mut Client) -> Result<Json> {
    loop {
        let message = client.message().await?;
        if message.topic == "idlegate/incident" {
            let told: Json = serde_json::from_slice(&message.payload)?;
            if told["kind"] == "order-by-another-route" {
                return Ok(told);
            }
        }
    }
}

/// Ours accuses nobody, somebody else's is told, and a stored one is told urgently until it is gone.
async fn noticed(port: u16) -> Result<()> {
    let guard = Guard::start(plan(port)?, None)?;
    let mut listener = Client::connect(port).await?;
    listener.subscribe("idlegate/incident").await?;
    let mut mill = Mill::meet(port).await?;
    mill.outlet_is("on").await?;
    mill.draws("12", "idle").await?;
    mill.gesture("press").await?;
    assert_eq!(mill.order().await?.payload, "off");
    mill.outlet_is("off").await?;

    let mut script = Client::connect(port).await?;
    script.publish(ORDER, "on").await?;
    // Had our own order been taken for somebody else's, that would have come first.
    let told = incident(&mut listener).await?;
    assert_eq!((&told["urgent"], &told["over"]), (&Json::from(false), &Json::from(false)), "{told}");
    assert!(
        told["sentence"].as_str().unwrap_or_default().contains("was sent \"on\", but not by Idlegate"),
        "{told}"
    );

    script.publish_retained(ORDER, "off").await?;
    let told = incident(&mut listener).await?;
    assert_eq!(told["urgent"], true, "{told}");
    assert!(told["sentence"].as_str().unwrap_or_default().contains("every time it reconnects"), "{told}");
    guard.stop().await?;

    // It was there before the guard was.
    let guard = Guard::start(plan(port)?, None)?;
    assert_eq!(incident(&mut listener).await?["urgent"], true);
    script.publish_retained(ORDER, "").await?;
    let told = incident(&mut listener).await?;
    assert_eq!(told["over"], true, "{told}");
    guard.stop().await
}

#[tokio::test]
async fn on_mosquitto() -> Result<()> {
    let broker = Mosquitto::start()?;
    noticed(broker.port()).await
}

#[tokio::test]
async fn on_the_embedded_broker() -> Result<()> {
    let broker = Embedded::start().await?;
    noticed(broker.port()).await?;
    broker.shutdown().await;
    Ok(())
}
